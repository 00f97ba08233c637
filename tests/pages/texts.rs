//! What the pages say: what is due and why, what is on a motorcycle, and how much a page weighs.
use serde_json::json;

use crate::{harness::on_both_engines, reader::Reader};

on_both_engines!(an_empty_workshop_explains_itself, async |server| {
    let reader = Reader::signed_in(&server).await;
    reader.get("/").await.says("This workshop has no motorcycles yet").says("href=\"/motorcycles/new\"");
    reader.get("/motorcycles").await.says("There are no motorcycles yet");
    let bike = server.motorcycle(json!({"name": "Ferry"})).await;
    reader.get("/").await.says("no rule says when anything comes due");
    reader
        .get(&bike)
        .await
        .says("Nobody has read its odometer yet")
        .says("No rule says what comes due on it")
        .says("Nothing is written down yet");
});

on_both_engines!(what_is_due_says_where_work_waits_and_why, async |server| {
    let reader = Reader::signed_in(&server).await;
    let bike = server.motorcycle(json!({"name": "Ferry", "in_service_on": "2024-04-10"})).await;
    server.motorcycle(json!({"name": "Tern", "in_service_on": "2026-06-01"})).await;
    server.reading(&bike, "2026-06-01", 20_000).await.created();
    let rule =
        json!({"name": "Brake fluid", "component": "brake_fluid", "operation": "replace", "every": {"months": 24}, "source": "invented"});
    server.post("/interval-rules", &rule).await.created();
    let page = reader.get("/").await;
    page.says("Monday 15 June 2026. Work is waiting on <bdi>Ferry</bdi>.")
        .says("<span class=\"word\">Overdue</span>")
        .says("since 10 Apr 2026");
    page.says("10 Apr 2024 + 24 months = 10 Apr 2026")
        .says(&format!("href=\"{bike}\"><span>Open <bdi>Ferry</bdi></span>"))
        .says(&format!("{bike}/write-up?due="));
    assert!(page.text.find("Ferry</bdi>:").unwrap() < page.text.find("Tern</bdi>:").unwrap(), "soonest first");
    page.says("Before you rely on a figure");
    reader.get("/?status=later").await.says("Tern</bdi>:").hides("Ferry</bdi>:");
    reader.get("/?status=due").await.says("Nothing of this kind is due");
    reader.get(&bike).await.says("Brake fluid, replace").hides("Ferry</bdi>:").says("Before you rely on a figure");
});

on_both_engines!(what_rests_on_a_forecast_is_called_probable_and_what_nobody_knows_no_history, async |server| {
    let reader = Reader::signed_in(&server).await;
    let bike = server.motorcycle(json!({"name": "Ferry", "records_begin": {"on": "2025-06-15", "odometer": 30_000}})).await;
    for (on, figure) in
        [("2025-06-15", 30_000), ("2025-08-15", 32_000), ("2025-10-15", 34_000), ("2025-12-15", 36_000), ("2026-03-15", 39_000)]
    {
        server.reading(&bike, on, figure).await.created();
    }
    for (name, component, miles) in [("Coolant", "coolant", 20_000), ("Air filter", "air_filter", 40_000)] {
        let every = json!({"distance": {"value": miles, "unit": "mi"}});
        let rule = json!({"name": name, "component": component, "operation": "replace", "every": every, "source": "invented"});
        server.post("/interval-rules", &rule).await.created();
    }
    // 39,000 mi in March and 33 mi a day: 40,000 mi came about 14 April, which no reading shows.
    let page = reader.get("/").await;
    page.says("Air filter").says("<span class=\"word\">Probably overdue</span>");
    page.says("<span class=\"word\">No history</span>").says("nobody knows; do it once and the rule runs");
});

on_both_engines!(a_motorcycles_page_says_what_is_on_it_and_what_happened, async |server| {
    let reader = Reader::signed_in(&server).await;
    let owner = server.post("/owners", &json!({"name": "Ada Birch"})).await.id();
    let bike = server.motorcycle(json!({"name": "Saltmarsh", "final_drive": "belt", "owner_id": owner, "registration": "QB 0417"})).await;
    for (on, figure) in [("2025-06-01", 12_000), ("2025-12-01", 14_000), ("2026-06-01", 16_214)] {
        server.reading(&bike, on, figure).await.created();
    }
    let limit = json!({"component": "drive_belt", "quantity": "deflection", "lower": 8, "upper": 10, "unit": "mm", "kind": "adjust",
        "at_force": {"value": 45, "unit": "N"}, "source": "invented"});
    server.post("/limits", &limit).await.created();
    let event = json!({"on": "2026-05-03", "odometer": 16_000, "performed_by": "R. Moss", "summary": "Belt replaced",
        "fitted": [{"component": "drive_belt", "description": "137 teeth"}, {"component": "tire", "position": "rear", "date_code": "3125"}],
        "measured": [{"component": "drive_belt", "quantity": "deflection", "readings": [9.0, 9.1], "unit": "mm", "at_force": {"value": 45, "unit": "N"}}],
        "follow_ups": [{"text": "Fit a new clip", "component": "brake_pads", "position": "rear"}]});
    server.post(&format!("{bike}/service-events"), &event).await.created();
    let page = reader.get(&bike).await;
    page.says("Halden 650 Twin, 2021, belt drive. Owner Ada Birch. Registration QB 0417.");
    page.says("<b>16,214 mi</b> read on 1 Jun 2026; today about 16,3").says("The distance is actual.");
    page.says("Rear brake pads: Fit a new clip").says("Drive belt</a>").says("137 teeth").says("214 mi</td>");
    page.says("deflection 9.0 mm at 45 N, <span class=\"verdict\">within</span>").says("Rear tire</a>").says("made in week 31 of 2025");
    page.says("<title id=\"chart-title\">True distance from 12,000 mi on 1 Jun 2025 to 16,214 mi on 1 Jun 2026; by ");
    page.says("Belt replaced").says("R. Moss").says(">3 May 2026</a>").says(">1 Dec 2025</th>");
    assert_eq!(page.text.matches("<h1").count(), 1);
});

on_both_engines!(a_long_history_comes_page_by_page_with_nothing_lost_or_twice, async |server| {
    let reader = Reader::signed_in(&server).await;
    let bike = server.motorcycle(json!({})).await;
    for day in 1..=28 {
        server.reading(&bike, &format!("2026-02-{day:02}"), 1000 + day * 10).await.created();
        let event = json!({"on": format!("2026-03-{day:02}"), "odometer": 2000 + day, "summary": format!("Visit {day}.")});
        server.post(&format!("{bike}/service-events"), &event).await.created();
    }
    let (mut seen, mut path, mut pages) = (String::new(), bike.clone(), 0);
    loop {
        let page = reader.get(&path).await;
        seen.push_str(page.text.split_once("id=\"history\"").unwrap().1);
        pages += 1;
        let Some((_, rest)) = page.text.split_once("class=\"button\" href=\"").filter(|_| page.text.contains("Earlier history")) else {
            break;
        };
        let next = rest.split("class=\"button\" href=\"").chain([rest]).find(|part| part.contains("Earlier history"));
        path =
            next.unwrap().split("Earlier history").next().unwrap().rsplit_once("href=\"").map_or_else(
                || next.unwrap().split('"').next().unwrap().to_owned(),
                |(_, rest)| rest.split('"').next().unwrap().to_owned(),
            );
        path = path.replace("&#38;", "&").split('#').next().unwrap().to_owned();
        assert!(pages < 10);
    }
    assert_eq!(pages, 3, "56 rows, 20 on a page");
    for day in 1..=28 {
        assert_eq!(seen.matches(&format!(">{day} Feb 2026<")).count(), 1, "{day} Feb");
        assert_eq!(seen.matches(&format!("Visit {day}.")).count(), 1, "visit {day}");
    }
});

on_both_engines!(a_full_page_weighs_under_60_kb, async |server| {
    let reader = Reader::signed_in(&server).await;
    for name in 0..6 {
        let bike = server.motorcycle(json!({"name": format!("Courier {name}"), "in_service_on": "2020-01-01"})).await;
        for month in 1..=12 {
            server.reading(&bike, &format!("2025-{month:02}-01"), 10_000 + month * 700).await.created();
        }
    }
    for component in ["engine_oil", "coolant", "brake_fluid", "fork_oil", "valves", "spark_plug", "air_filter", "battery"] {
        let every = json!({"distance": {"value": 5000, "unit": "mi"}, "months": 12});
        let rule = json!({"name": component, "component": component, "operation": "replace", "every": every, "source": "invented"});
        server.post("/interval-rules", &rule).await.created();
    }
    let assets: usize = {
        let page = reader.get("/sign-in").await;
        let mut sum = 0;
        for path in page.text.split('"').filter(|path| path.starts_with("/assets/")) {
            sum += reader.get(path).await.text.len();
        }
        sum
    };
    let first = server.get("/motorcycles").await.ok()["items"][0]["id"].as_str().unwrap().to_owned();
    for path in ["/".to_owned(), format!("/motorcycles/{first}"), format!("/motorcycles/{first}/readings"), "/motorcycles/new".to_owned()] {
        let weight = reader.get(&path).await.text.len() + assets;
        assert!(weight < 60_000, "{path} weighs {weight}");
    }
});
