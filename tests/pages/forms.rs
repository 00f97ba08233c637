//! Forms: what was typed stays, a second tap does not double, contradictions have their ways out.
use serde_json::json;

use crate::{harness::on_both_engines, reader::Reader};

const NEW: [(&str, &str); 8] = [
    ("name", "Ferry"),
    ("make", "Corvane"),
    ("final_drive", "chain"),
    ("odometer_unit", "km"),
    ("records_begin.on", "2026-06-10"),
    ("records_begin.odometer", "18,250"),
    ("used", "yes"),
    ("interval_factor", "1"),
];

on_both_engines!(a_used_motorcycle_is_entered_in_one_form, async |server| {
    let reader = Reader::signed_in(&server).await;
    let page = reader.fill("/motorcycles/new", &NEW).await;
    assert_eq!(page.status, 303, "{}", page.text);
    reader
        .get(page.location())
        .await
        .says("<p class=\"said\" role=\"status\" data-said><bdi>Ferry is added.</bdi></p>")
        .says("<b>18,250 km</b>");
    reader.get(page.location()).await.hides("is added");
    let bike = server.get(page.location()).await.ok();
    assert_eq!(bike["records_begin"], json!({"on": "2026-06-10", "odometer": 18250}));
    assert_eq!(bike["odometer"]["reading"], json!(18250));
});

on_both_engines!(nothing_is_stored_where_the_first_reading_cannot_be, async |server| {
    let reader = Reader::signed_in(&server).await;
    let mut fields = NEW;
    fields[4].1 = "2026-06-16";
    let page = reader.fill("/motorcycles/new", &fields).await;
    assert_eq!(page.status, 422);
    page.says("id=\"records_begin.on-wrong\"").says("in the future");
    assert_eq!((page.value("name"), page.value("records_begin.odometer")), ("Ferry".into(), "18,250".into()));
    assert_eq!(server.count("/motorcycles").await, 0);
});

on_both_engines!(what_is_wrong_stands_beside_its_field_and_the_first_gets_the_focus, async |server| {
    let reader = Reader::signed_in(&server).await;
    let fields =
        [("name", ""), ("make", "Corvane & sons"), ("year", "old"), ("odometer_unit", "km"), ("vin", "123"), ("interval_factor", "1")];
    let page = reader.fill("/motorcycles/new", &fields).await;
    assert_eq!(page.status, 422);
    page.says("role=\"alert\"").says("id=\"name-wrong\"").says("id=\"year-wrong\"").says("id=\"final_drive-wrong\"");
    assert_eq!(page.text.matches(" autofocus").count(), 1);
    let name = page.text.split_once("name=\"name\"").unwrap().1.split('>').next().unwrap();
    assert!(
        name.contains("aria-invalid=\"true\"") && name.contains("aria-describedby=\"name-hint name-wrong\"") && name.contains("autofocus")
    );
    assert_eq!((page.value("make"), page.value("vin")), ("Corvane & sons".into(), "123".into()));
    assert_eq!(server.count("/motorcycles").await, 0);
});

on_both_engines!(a_second_tap_leads_to_the_same_place, async |server| {
    let reader = Reader::signed_in(&server).await;
    let bike = server.motorcycle(json!({})).await;
    let path = format!("{bike}/readings");
    let key = reader.get(&path).await.key();
    let fields = [("once", key.as_str()), ("on", "2026-06-15"), ("reading", "5,000")];
    let (first, second) = tokio::join!(reader.send(&path, &fields), reader.send(&path, &fields));
    let third = reader.send(&path, &fields).await;
    for page in [first, second, third] {
        assert_eq!((page.status, page.location()), (303, bike.as_str()));
    }
    assert_eq!(server.count(&format!("{bike}/odometer-readings")).await, 1);
    // Changed after it was saved: asked about, with a key of its own.
    let changed = reader.send(&path, &[("once", key.as_str()), ("on", "2026-06-15"), ("reading", "5,100")]).await;
    assert_eq!(changed.status, 422);
    changed.says("saved before");
    let again = reader.send(&path, &[("once", &changed.key()), ("on", "2026-06-15"), ("reading", "5,100")]).await;
    assert_eq!(again.status, 303);
    assert_eq!(server.count(&format!("{bike}/odometer-readings")).await, 2);
});

on_both_engines!(a_contradiction_shows_both_neighbors_and_its_ways_out, async |server| {
    let reader = Reader::signed_in(&server).await;
    let bike = server.motorcycle(json!({})).await;
    server.reading(&bike, "2026-03-01", 4000).await.created();
    server.reading(&bike, "2026-05-01", 5000).await.created();
    let path = format!("{bike}/readings");
    let page = reader.fill(&path, &[("on", "2026-04-01"), ("reading", "3,900")]).await;
    assert_eq!(page.status, 422);
    page.says("<b>4,000 mi</b> on <b>1 Mar 2026</b>")
        .says("<b>5,000 mi</b> on <b>1 May 2026</b>")
        .says("href=\"#change\"")
        .says("href=\"#reading\"");
    page.hides("\"confirmed\"").hides("&#34;confirmed&#34;").hides("name=\"confirmed\"");
    let strike = page.text.split_once(&format!("action=\"{path}/")).unwrap().1.split('"').next().unwrap().to_owned();
    let struck = reader.send(&format!("{path}/{strike}"), &[("reason", "")]).await;
    assert_eq!(struck.status, 422);
    let struck = reader.send(&format!("{path}/{strike}"), &[("reason", "typing error")]).await;
    assert_eq!((struck.status, struck.location()), (303, path.as_str()));
    reader.get(&path).await.says("Struck out: typing error");
    assert_eq!(reader.fill(&path, &[("on", "2026-04-01"), ("reading", "3,900")]).await.status, 303);
});

on_both_engines!(far_in_a_few_days_can_be_said_to_be_right, async |server| {
    let reader = Reader::signed_in(&server).await;
    let bike = server.motorcycle(json!({})).await;
    server.reading(&bike, "2026-06-13", 4000).await.created();
    let path = format!("{bike}/readings");
    let fields = [("on", "2026-06-14"), ("reading", "9000")];
    reader.fill(&path, &fields).await.says("name=\"confirmed\"").hides("\"confirmed\": true");
    let with = [fields[0], fields[1], ("confirmed", "yes")];
    assert_eq!(reader.fill(&path, &with).await.status, 303);
});

on_both_engines!(an_odometer_is_replaced_and_goes_on, async |server| {
    let reader = Reader::signed_in(&server).await;
    let bike = server.motorcycle(json!({})).await;
    server.reading(&bike, "2026-03-01", 40_000).await.created();
    let fields =
        [("change.kind", "replaced"), ("change.on", "2026-04-01"), ("change.old_final", "40,210"), ("change.reason", "Drive worn out")];
    let page = reader.send(&format!("{bike}/readings/change"), &fields).await;
    assert_eq!(page.status, 303, "{}", page.text);
    assert_eq!(reader.fill(&format!("{bike}/readings"), &[("on", "2026-06-01"), ("reading", "600")]).await.status, 303);
    reader.get(&bike).await.says("The distance is actual: 40,810 mi in all; the odometer on it now was fitted on 1 Apr 2026.");
    let wrong = reader.send(&format!("{bike}/readings/change"), &[("change.on", "2026-04-01")]).await;
    assert_eq!(wrong.status, 422);
    wrong.says("id=\"change.kind-wrong\"");
});

on_both_engines!(a_change_by_somebody_else_is_not_lost_unseen, async |server| {
    let reader = Reader::signed_in(&server).await;
    let bike = server.motorcycle(json!({"name": "Tern"})).await;
    let path = format!("{bike}/edit");
    let page = reader.get(&path).await;
    server.change(&bike, &json!({"notes": "Mind the clip"})).await.ok();
    let (key, seen) = (page.key(), page.value("seen"));
    let fields = |key: &str, seen: &str| {
        let fields = [
            ("once", key),
            ("seen", seen),
            ("name", "Tern II"),
            ("final_drive", "chain"),
            ("odometer_unit", "mi"),
            ("interval_factor", "1"),
        ];
        fields.map(|(name, value)| (name.to_owned(), value.to_owned()))
    };
    let send = async |fields: &[(String, String)]| {
        let fields: Vec<_> = fields.iter().map(|(name, value)| (name.as_str(), value.as_str())).collect();
        reader.send(&path, &fields).await
    };
    let refused = send(&fields(&key, &seen)).await;
    assert_eq!(refused.status, 422);
    refused.says("changed by somebody else");
    assert_eq!(server.get(&bike).await.ok()["name"], "Tern");
    assert_eq!(send(&fields(&refused.key(), &refused.value("seen"))).await.status, 303);
    assert_eq!(server.get(&bike).await.ok()["name"], "Tern II");
});

on_both_engines!(a_token_is_shown_once_and_can_be_revoked, async |server| {
    let reader = Reader::signed_in(&server).await;
    let key = reader.get("/tokens").await.key();
    let fields = [("once", key.as_str()), ("name", "Odometer script"), ("scopes", "read"), ("scopes", "write"), ("expires_on", "")];
    let made = reader.send("/tokens", &fields).await;
    assert_eq!((made.status, made.header("cache-control")), (200, "no-store"));
    let secret = made.text.split_once("class=\"secret\">").unwrap().1.split('<').next().unwrap().to_owned();
    let script = server.with_token(&secret);
    assert_eq!(script.get("/motorcycles").await.status, 200);
    let again = reader.send("/tokens", &fields).await;
    assert_eq!((again.status, again.location()), (303, "/tokens"));
    let list = reader.get("/tokens").await;
    list.says("Odometer script").says("read and write").hides(&secret);
    assert_eq!(list.text.matches("Odometer script</th>").count(), 1);
    let revoke = list.text.split_once("Odometer script</th>").unwrap().1.split('"').find(|part| part.ends_with("/revoke")).unwrap();
    assert_eq!(reader.send(revoke, &[]).await.status, 303);
    assert_eq!(script.get("/motorcycles").await.status, 401);
    let nothing = reader.fill("/tokens", &[("name", "x")]).await;
    assert_eq!(nothing.status, 422);
    nothing.says("Tick at least one thing");
});

on_both_engines!(owners_and_settings_are_kept, async |server| {
    let reader = Reader::signed_in(&server).await;
    assert_eq!(reader.fill("/owners/new", &[("name", "Ada Birch"), ("email", "nowhere")]).await.status, 422);
    let fields = [("name", "Ada Birch"), ("email", "ada@example.org"), ("reports.frequency", "weekly"), ("reports.only_changes", "yes")];
    assert_eq!(reader.fill("/owners/new", &fields).await.status, 303);
    let owners = server.get("/owners").await.ok();
    assert_eq!(owners["items"][0]["reports"], json!({"frequency": "weekly", "only_changes": true}));
    let page = reader.get("/workshop").await;
    let (key, seen) = (page.key(), page.value("seen"));
    let fields = [
        ("once", key.as_str()),
        ("seen", &seen),
        ("name", "Hill Street"),
        ("time_zone", "Europe/Berlin"),
        ("default_unit", "km"),
        ("currency", "eur"),
        ("default_yearly_distance.value", "6 000"),
        ("default_yearly_distance.unit", "km"),
        ("reports.frequency", "off"),
        ("reports.to", "a@example.org\r\nb@example.org\r\n"),
    ];
    assert_eq!(reader.send("/workshop", &fields).await.status, 303);
    let kept = server.get("/workshop").await.ok();
    assert_eq!((&kept["name"], &kept["currency"]), (&json!("Hill Street"), &json!("EUR")));
    assert_eq!(kept["default_yearly_distance"], json!({"value": 6000, "unit": "km"}));
    assert_eq!(kept["reports"]["to"], json!(["a@example.org", "b@example.org"]));
});

on_both_engines!(a_lay_up_is_entered_shown_ended_and_taken_away, async |server| {
    let reader = Reader::signed_in(&server).await;
    let bike = server.motorcycle(json!({})).await;
    let path = format!("{bike}/readings");
    let send = async |below: &str, fields: &[(&str, &str)]| {
        let key = reader.get(&path).await.key();
        let all: Vec<_> = [("once", key.as_str())].into_iter().chain(fields.iter().copied()).collect();
        reader.send(&format!("{bike}/lay-ups{below}"), &all).await
    };
    let page = send("", &[("lay_up.from", "2026-06-01"), ("lay_up.to", "2027-03-01"), ("lay_up.note", "Frame & forks")]).await;
    assert_eq!((page.status, page.location()), (303, path.as_str()), "{}", page.text);
    reader.get(&path).await.says("Laid up until 1 Mar 2027, since 1 Jun 2026: Frame &#38; forks");
    let lay_up = server.all(&format!("{bike}/lay-ups")).await.remove(0);
    assert_eq!((&lay_up["from"], &lay_up["to"]), (&json!("2026-06-01"), &json!("2027-03-01")));

    // What stands in its way is said, and what was typed stays.
    let page = send("", &[("lay_up.from", "2027-02-01"), ("lay_up.note", "Again")]).await;
    assert_eq!(page.status, 422);
    page.says("laid up from 1 Jun 2026 to 1 Mar 2027 already");
    assert_eq!((page.value("lay_up.from"), page.value("lay_up.note")), ("2027-02-01".into(), "Again".into()));
    let page = send("", &[("lay_up.to", "2027-02-01")]).await;
    assert_eq!(page.status, 422);
    page.says("id=\"lay_up.from-wrong\"");

    let id = lay_up["id"].as_str().unwrap();
    assert_eq!(send(&format!("/{id}/remove"), &[]).await.status, 303);
    assert_eq!(server.count(&format!("{bike}/lay-ups")).await, 0);
    assert_eq!(send("", &[("lay_up.from", "2026-06-01")]).await.status, 303);
    reader.get(&path).await.says("Laid up from 1 Jun 2026 on").says("Ridden again");
    let open = server.all(&format!("{bike}/lay-ups")).await.remove(0);
    assert_eq!(send(&format!("/{}/end", open["id"].as_str().unwrap()), &[]).await.status, 303);
    let ended = server.all(&format!("{bike}/lay-ups")).await.remove(0);
    assert_eq!(ended["to"], json!("2026-06-14"));
    reader.get(&path).await.hides("Ridden again</button>");
    // Another motorcycle's path does not reach it.
    let other = server.motorcycle(json!({})).await;
    let key = reader.get(&path).await.key();
    let astray = reader.send(&format!("{other}/lay-ups/{}/remove", open["id"].as_str().unwrap()), &[("once", &key)]).await;
    assert_eq!(astray.status, 404);
});

on_both_engines!(what_is_ticked_on_a_job_sheet_goes_into_the_write_up, async |server| {
    let reader = Reader::signed_in(&server).await;
    let bike = server.motorcycle(json!({"name": "Ferry", "in_service_on": "2025-06-10"})).await;
    let fluid =
        json!({"name": "Brake fluid", "component": "brake_fluid", "operation": "replace", "every": {"months": 12}, "source": "invented"});
    server.post("/interval-rules", &fluid).await.created();
    let due = server.get(&format!("{bike}/due")).await.items()[0]["id"].as_str().unwrap().to_owned();
    let page = reader.get(&format!("{bike}/job-sheet")).await;
    page.says(&format!("<form id=\"done\" method=\"get\" action=\"{bike}/write-up\">"))
        .says(&format!("form=\"done\" name=\"due\" id=\"done-{due}\" value=\"{due}\""))
        .says("Write up what is ticked")
        .says("Visits in the next 12 months")
        .says(&format!("{bike}/job-sheet?due={due}"));
    reader.get(&format!("{bike}/write-up?due={due}")).await.says(&format!("name=\"due\" value=\"{due}\" checked")).hides("found last time");
    let found = json!([{"component": "brake_fluid", "text": "Level at the lower mark"}]);
    let event = json!({"on": "2025-07-01", "work": [{"component": "brake_fluid", "operation": "inspect"}], "as_found": found});
    server.post(&format!("{bike}/service-events"), &event).await.created();
    let said = "Brake fluid (1 Jul 2025): Level at the lower mark";
    reader.get(&format!("{bike}/write-up?due={due}")).await.says("As it was found last time").says(said);
    reader.get(&format!("{bike}/job-sheet")).await.says(said);
});
