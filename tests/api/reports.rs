//! The mail "What is due": what it says, to whom it goes and when.
use std::sync::Arc;

use mail_parser::MessageParser;
use serde_json::{Value, json};
use time::{Duration, OffsetDateTime, macros::datetime};
use witnessmark::{
    actions::{App, report::Looking},
    clock::Clock,
    domain::letter::{Letter, MailSettings},
    mail::{Sender, reports},
    store::Store,
};

use super::{
    mail::{beside, letters, through},
    smtp::MailServer,
};
use crate::harness::{Server, on_both_engines, server::now};

async fn owner(server: &Server, name: &str, reports: Value) -> String {
    let email = format!("{}@example.org", name.to_lowercase().replace(' ', "."));
    format!("/owners/{}", server.post("/owners", &json!({"name": name, "email": email, "reports": reports})).await.id())
}
fn id(path: &str) -> &str {
    path.rsplit('/').next().unwrap()
}
async fn rule(server: &Server, name: &str, component: &str, months: i64) {
    let body = json!({"name": name, "component": component, "operation": "replace", "every": {"months": months}});
    server.post("/interval-rules", &body).await.created();
}
/// Composes as the server does by itself, at this time; gives the letters written since the ones known.
async fn composed(server: &Server, at: OffsetDateTime, known: &mut usize) -> Vec<Letter> {
    let app = beside(server, at, &MailSettings::default()).await;
    reports::compose(&app, Looking::ByTheClock).await.unwrap();
    let new = letters(&app).await.split_off(*known);
    app.store.close().await;
    *known += new.len();
    new
}

on_both_engines!(it_reads_well, async |server| {
    let said = json!({"greeting": "Open on Saturdays.\nCome & see us <soon>.", "closing": "Pier 4, 555 0100"});
    server.change("/workshop", &json!({"reports": said})).await.ok();
    let ada = owner(&server, "Ada Birch", json!({"frequency": "daily", "only_changes": true})).await;
    let ferry = server.motorcycle(json!({"name": "Ferry", "owner_id": id(&ada), "in_service_on": "2025-06-01"})).await;
    server.motorcycle(json!({"name": "Courier 3", "owner_id": id(&ada), "in_service_on": "2025-01-10"})).await;
    server.motorcycle(json!({"name": "Somebody else's", "in_service_on": "2020-01-10"})).await;
    rule(&server, "Engine oil", "engine_oil", 12).await;
    rule(&server, "Fork oil", "fork_oil", 14).await;
    let mail = MailServer::start().await;
    let run = async |at| {
        let app = beside(&server, at, &through(&mail)).await;
        reports::compose(&app, Looking::ByTheClock).await.unwrap();
        Sender::new(Arc::clone(&app)).send_waiting().await.unwrap();
        app.store.close().await;
    };
    // Asked for on 15 June at noon UTC: the first one comes on the 16th at 7 in Lisbon, which is 6 in UTC.
    run(datetime!(2026-06-16 05:59 UTC)).await;
    assert!(mail.taken().is_empty());
    run(datetime!(2026-06-16 06:00 UTC)).await;
    run(datetime!(2026-06-16 06:10 UTC)).await;
    assert_eq!(mail.taken().len(), 1);
    let taken = mail.taken()[0].clone();
    let message = MessageParser::default().parse(&taken.bytes).unwrap();
    assert_eq!(taken.to, ["ada.birch@example.org"]);
    assert_eq!(message.subject(), Some("3 due: Courier 3, Ferry"));
    let header = |name: &str| message.header_raw(name).unwrap_or_default().trim().to_owned();
    assert_eq!(header("Auto-Submitted"), "auto-generated");
    assert_eq!(header("List-Unsubscribe-Post"), "List-Unsubscribe=One-Click");
    let stop = header("List-Unsubscribe");
    assert!(stop.starts_with("<https://bikes.example.org/unsubscribe/") && stop.len() > 75, "{stop}");
    assert_eq!(message.date().unwrap().to_timestamp(), datetime!(2026-06-16 06:00 UTC).unix_timestamp());
    assert!(message.message_id().unwrap().ends_with("@example.org"));
    let (text, html) = (message.body_text(0).unwrap(), message.body_html(0).unwrap());
    let link = format!("https://bikes.example.org{ferry}");
    for part in [&text, &html] {
        for words in [
            "Tuesday 16 June 2026",
            "3 things are due",
            "Open on Saturdays.",
            "Pier 4, 555 0100",
            "Ferry",
            "Courier 3",
            "Engine oil",
            "1 Aug 2026",
            "service manual",
            &link,
            "Quayside Works",
            stop.trim_matches(['<', '>']),
        ] {
            assert!(part.contains(words), "{words} is missing: {part}");
        }
        assert!(!part.contains("Somebody else"), "{part}");
    }
    assert!(text.contains("counted from new"), "the reason is given: {text}");
    let lines = text.replace("\r\n", "\n");
    assert!(lines.contains("16 June 2026\n\nOpen on Saturdays.\nCome & see us <soon>.\n\n3 things"), "a paragraph each: {text}");
    // The next day: one was done, nothing else changed.
    let body = json!({"on": "2026-06-15", "work": [{"component": "engine_oil", "operation": "replace"}]});
    server.post(&format!("{ferry}/service-events"), &body).await.created();
    run(datetime!(2026-06-17 06:00 UTC)).await;
    let taken = mail.taken();
    assert_eq!(taken.len(), 2);
    let message = MessageParser::default().parse(&taken[1].bytes).unwrap();
    let text = message.body_text(0).unwrap();
    assert!(text.contains("NEW SINCE 16 Jun 2026") && text.contains("* Ferry: Engine oil") && text.contains("waiting no longer"), "{text}");
    assert_eq!(message.subject(), Some("2 due: Courier 3"));
});

on_both_engines!(nothing_new_is_no_mail, async |server| {
    let ada = owner(&server, "Ada Birch", json!({"frequency": "daily"})).await;
    let bike = server.motorcycle(json!({"name": "Ferry", "owner_id": id(&ada), "in_service_on": "2025-06-25"})).await;
    rule(&server, "Engine oil", "engine_oil", 12).await;
    let item = server.get(&format!("{bike}/due")).await.items()[0].clone();
    let nearly: time::Date = serde_json::from_value(item["nearly_due_from"].clone()).unwrap();
    assert_eq!(item["due_from"], "2026-06-25", "{item}");
    let mut known = 0;
    let mut subjects = Vec::new();
    for day in 1..14 {
        for letter in composed(&server, now() + Duration::days(day), &mut known).await {
            subjects.push(((now() + Duration::days(day)).date(), letter.subject));
        }
    }
    // Once when it becomes nearly due (or at once, where it is in the first report), then every day from the one on which it is due.
    let first = nearly.max(time::macros::date!(2026 - 06 - 16));
    assert_eq!(subjects[0], (first, "1 soon: Ferry".to_owned()), "{subjects:?}");
    let rest: Vec<_> =
        (25..29).map(|day| (time::Date::from_calendar_date(2026, time::Month::June, day).unwrap(), "1 due: Ferry".to_owned())).collect();
    assert_eq!(subjects[1..], rest, "{subjects:?}");
});

on_both_engines!(across_the_change_of_the_clocks_one_a_day, async |server| {
    let ada = owner(&server, "Ada Birch", json!({"frequency": "daily", "only_changes": false, "hour": 2})).await;
    // The night of the change in each zone, in UTC, and two days around it. 2 o'clock is left out, comes twice, or is half an hour late.
    let nights = [
        ("Europe/Lisbon", datetime!(2027-03-28 01:00 UTC)),
        ("Europe/Lisbon", datetime!(2027-10-31 01:00 UTC)),
        ("America/New_York", datetime!(2028-03-12 07:00 UTC)),
        ("America/New_York", datetime!(2028-11-05 06:00 UTC)),
        ("Australia/Lord_Howe", datetime!(2029-10-06 15:30 UTC)),
        ("Australia/Lord_Howe", datetime!(2030-04-06 15:00 UTC)),
    ];
    let store = Store::open(&server.url).await.unwrap();
    for (zone, night) in nights {
        server.change("/workshop", &json!({"time_zone": zone})).await.ok();
        let at = |when| App::new(store.clone(), Clock::Fixed(when));
        reports::compose(&at(night - Duration::hours(38)), Looking::ByTheClock).await.unwrap();
        let before = letters(&server.app).await.len();
        for half_hour in -75..=75 {
            reports::compose(&at(night + Duration::minutes(half_hour * 30)), Looking::ByTheClock).await.unwrap();
        }
        let written: Vec<_> = letters(&server.app).await[before..].iter().map(|letter| letter.created_at).collect();
        assert_eq!(written.len(), 3, "{zone}: {written:?}");
        for pair in written.windows(2) {
            let gap = pair[1] - pair[0];
            assert!(gap >= Duration::hours(23) && gap <= Duration::hours(25), "{zone}: {written:?}");
        }
    }
    store.close().await;
    drop(ada);
});

on_both_engines!(weekly_monthly_and_for_the_workshop, async |server| {
    let reports = json!({"frequency": "weekly", "only_changes": false, "to": ["shop@example.org", "Chief@Example.org"], "weekday": "friday", "hour": 18});
    let settings = server.change("/workshop", &json!({"reports": reports})).await.ok();
    assert_eq!(settings["reports"], reports);
    let monthly = owner(&server, "Ada Birch", json!({"frequency": "monthly", "only_changes": false, "day": 31})).await;
    assert_eq!(server.get(&monthly).await.ok()["reports"], json!({"frequency": "monthly", "only_changes": false, "day": 31}));
    server
        .post("/owners", &json!({"name": "Without an address", "reports": {"frequency": "daily", "only_changes": false}}))
        .await
        .created();
    let mut known = 0;
    let mut got = Vec::new();
    for hour in 0..(24 * 20) {
        let at = now() + Duration::hours(hour);
        got.extend(composed(&server, at, &mut known).await.into_iter().map(|letter| (at, letter.to.address)));
    }
    let shop = |at| [(at, "shop@example.org".to_owned()), (at, "Chief@Example.org".to_owned())];
    let mut wanted =
        [shop(datetime!(2026-06-19 17:00 UTC)), shop(datetime!(2026-06-26 17:00 UTC)), shop(datetime!(2026-07-03 17:00 UTC))].concat();
    wanted.push((datetime!(2026-06-30 06:00 UTC), "ada.birch@example.org".to_owned()));
    wanted.sort();
    got.sort();
    assert_eq!(got, wanted);
    // An old-fashioned run by the calendar does the same once more for no one.
    let app = beside(&server, now() + Duration::days(20), &MailSettings::default()).await;
    assert_eq!(reports::compose(&app, Looking::For(Some(time::macros::date!(2026 - 07 - 04)))).await.unwrap(), 0);
    assert_eq!(reports::compose(&app, Looking::For(Some(time::macros::date!(2026 - 07 - 31)))).await.unwrap(), 3);
    app.store.close().await;
});

on_both_engines!(what_cannot_be_a_report, async |server| {
    let wrong = async |reports: Value| server.post("/owners", &json!({"name": "Ada Birch", "reports": reports})).await.wrong();
    assert_eq!(wrong(json!({"frequency": "hourly"})).await, ["/reports/frequency"]);
    assert_eq!(wrong(json!({"frequency": "daily", "hour": 24})).await, ["/reports/hour"]);
    assert_eq!(wrong(json!({"frequency": "monthly", "day": 0})).await, ["/reports/day"]);
    assert_eq!(wrong(json!({"frequency": "weekly", "weekday": "someday"})).await, ["/reports/weekday"]);
    let settings = server.get("/workshop").await;
    let etag = settings.etag();
    assert_eq!(server.patch("/workshop", &etag, &json!({"reports": {"hour": 99}})).await.wrong(), ["/reports/hour"]);
});
