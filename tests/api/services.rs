//! Service events: a whole service in one request, all or nothing; signing, amending, striking out.
use serde_json::{Value, json};
use time::Duration;

use crate::harness::{
    Answer, Server, on_both_engines,
    server::{merge, now},
};

async fn log(server: &Server, bike: &str, on: &str, odometer: u32, fields: Value) -> Answer {
    let mut event = json!({"on": on, "odometer": odometer, "confirmed": true});
    merge(&mut event, fields);
    server.post(&format!("{bike}/service-events"), &event).await
}
async fn fastener(server: &Server, fields: Value) {
    let mut fastener = json!({"key": "rear_axle_nut", "name": "Rear axle nut", "component": "axle", "position": "rear",
        "stages": [{"lower": 20, "upper": 25, "unit": "N.m"}, {"lower": 105, "upper": 115, "unit": "N.m"}]});
    merge(&mut fastener, fields);
    server.post("/fasteners", &fastener).await.created();
}
fn work() -> Value {
    json!([{"component": "drive_chain", "operation": "adjust"}])
}
/// The event of the API's contract, every kind of line in it.
fn whole() -> Value {
    json!({"performed_by": "R. Moss", "summary": "Rear wheel out",
        "work": [{"component": "drive_chain", "position": null, "operation": "adjust", "note": "two flats"}],
        "fitted": [{"component": "brake_pads", "position": "rear", "description": "Sintered", "part_number": "BP-7", "condition": "new",
            "prior_distance": 0, "single_use": false, "date_code": null}],
        "measured": [{"component": "brake_disc", "position": "rear", "quantity": "thickness", "readings": [4.9, 4.85, 4.9], "unit": "mm",
            "reduce": "min", "resolution": 0.05, "uncertainty": null, "at_force": null}],
        "tightened": [{"fastener": "rear_axle_nut", "stages": [{"value": 22, "unit": "N.m"}, {"value": 110, "unit": "N.m"}],
            "adapter": null, "thread": "clean_dry", "single_use_was": null, "witness_mark": true}],
        "filled": [{"component": "fork_oil", "position": null, "description": "SAE 10W", "quantity": {"value": 540, "unit": "mL"}}],
        "as_found": [{"component": "axle", "position": "rear", "text": "Spacer with the shoulder outwards on the left"}],
        "follow_ups": [{"text": "Check the chain again", "component": "drive_chain", "position": null,
            "in": {"distance": 500, "months": null}}],
        "labor_minutes": 90, "cost": {"amount": "84.50", "currency": "EUR"}, "notes": "cold"})
}

on_both_engines!(a_whole_service_in_one_request, async |server| {
    let bike = server.motorcycle(json!({})).await;
    fastener(&server, json!({})).await;
    let answer = log(&server, &bike, "2026-05-02", 12345, whole()).await;
    let location = answer.header("location").to_owned();
    let event = answer.created();
    for field in ["performed_by", "summary", "labor_minutes", "cost", "notes"] {
        assert_eq!(event[field], whole()[field], "{field}");
    }
    assert_eq!((&event["odometer"], &event["unit"], &event["estimated"]), (&json!(12345), &json!("mi"), &json!(false)));
    assert_eq!(event["work"][0]["note"], "two flats");
    assert_eq!(event["filled"][0]["quantity"], json!({"value": 540, "unit": "mL"}));
    assert_eq!(event["as_found"][0]["text"], "Spacer with the shoulder outwards on the left");
    assert_eq!(event["measured"][0]["reduced"].to_string(), "4.85");
    assert_eq!(event["measured"][0]["verdict"], "no_limit");
    let verdicts: Vec<_> = event["tightened"][0]["stages"].as_array().unwrap().iter().map(|stage| &stage["verdict"]).collect();
    assert_eq!(verdicts, ["within", "within"]);
    assert_eq!(event["follow_ups"][0]["status"], "open");
    assert_eq!(server.get(location.strip_prefix("/api/v1").unwrap()).await.ok(), event);

    // Each thing is where it belongs, too.
    let part = event["fitted"][0]["installed_part_id"].as_str().unwrap();
    assert_eq!(server.get(&format!("/installed-parts/{part}")).await.ok()["fitted"]["service_event_id"], event["id"]);
    let value = event["measured"][0]["id"].as_str().unwrap();
    assert_eq!(server.get(&format!("/measured-values/{value}")).await.ok()["service_event_id"], event["id"]);
    assert_eq!(server.get(&bike).await.ok()["odometer"]["reading"], 12345);
    let readings = server.all(&format!("{bike}/odometer-readings")).await;
    assert_eq!((readings.len(), &readings[0]["service_event_id"]), (1, &event["id"]));
    assert_eq!(server.count("/follow-ups?status=open").await, 1);
    let due = server.get(&format!("{bike}/due")).await.items();
    assert_eq!((due.len(), &due[0]["follow_up_id"], &due[0]["governs"]), (1, &event["follow_ups"][0]["id"], &json!("follow_up")));
});

on_both_engines!(figures_come_back_digit_by_digit, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let body = r#"{"on": "2026-05-02", "odometer": 12345.0, "measured": [{"component": "brake_pads", "position": "front",
        "quantity": "thickness", "readings": [0.50, 3.0, 4.250], "unit": "mm", "resolution": 0.10}],
        "cost": {"amount": "84.50", "currency": "EUR"}}"#;
    let answer = server.post_text(&format!("{bike}/service-events"), body).await;
    for text in ["\"odometer\":12345.0,", "[0.50,3.0,4.250]", "\"resolution\":0.10,", "\"84.50\""] {
        assert!(answer.text.contains(text), "{text}: {}", answer.text);
    }
    let path = format!("/service-events/{}", answer.id());
    assert!(server.get(&path).await.text.contains("[0.50,3.0,4.250]"));
});

on_both_engines!(all_or_nothing, async |server| {
    let bike = server.motorcycle(json!({})).await;
    fastener(&server, json!({})).await;
    for (field, value, pointer) in [
        ("on", json!("2026-06-16"), "/on"),
        ("on", json!("9999-01-01"), "/on"),
        ("odometer", json!(-1), "/odometer"),
        ("work", json!([{"component": "flux_capacitor", "operation": "adjust"}]), "/work/0/component"),
        ("work", json!([{"component": "drive_chain", "operation": "polish"}]), "/work/0/operation"),
        ("work", json!([{"component": "drive_chain", "operation": "adjust", "position": "rear_front"}]), "/work/0/position"),
        ("work", json!({"component": "drive_chain"}), "/work"),
        ("fitted", json!([{"component": "tire", "position": "rear", "date_code": "5526"}]), "/fitted/0/date_code"),
        ("fitted", json!([{"component": "tire"}, {"component": "tire"}]), "/fitted/1/position"),
        ("fitted", json!([{"component": "engine_oil"}]), "/fitted/0/component"),
        ("fitted", json!([{"component": "tire", "prior_distance": -1}]), "/fitted/0/prior_distance"),
        ("removed", json!([{"installed_part_id": "01933b6e-9a44-7cc0-8000-3f2a5c1d9e77"}]), "/removed/0/installed_part_id"),
        ("measured", json!([{"component": "tire", "quantity": "tread_depth", "readings": [], "unit": "mm"}]), "/measured/0/readings"),
        ("measured", json!([{"component": "tire", "quantity": "tread_depth", "readings": [1], "unit": "bar"}]), "/measured/0/unit"),
        ("measured", json!([{"component": "tire", "quantity": "tread_depth", "readings": [1], "unit": "cubit"}]), "/measured/0/unit"),
        ("measured", json!([{"component": "tire", "quantity": "luck", "readings": [1], "unit": "mm"}]), "/measured/0/quantity"),
        (
            "measured",
            json!([{"component": "tire", "quantity": "tread_depth", "readings": [1e300], "unit": "mm"}]),
            "/measured/0/readings/0",
        ),
        ("tightened", json!([{"fastener": "no_such_nut", "stages": []}]), "/tightened/0/fastener"),
        ("tightened", json!([{"fastener": "rear_axle_nut", "stages": [{"value": 22, "unit": "mm"}]}]), "/tightened/0/stages/0/unit"),
        ("filled", json!([{"component": "fork_oil", "quantity": {"value": 540, "unit": "mm"}}]), "/filled/0/quantity/unit"),
        ("filled", json!([{"component": "fork_oil", "quantity": {"value": -1, "unit": "mL"}}]), "/filled/0/quantity/value"),
        ("as_found", json!([{"component": "axle", "text": " "}]), "/as_found/0/text"),
        ("follow_ups", json!([{"text": "x", "in": {}}]), "/follow_ups/0/in"),
        ("follow_ups", json!([{"text": "x", "in": {"months": 0}}]), "/follow_ups/0/in/months"),
        ("follow_ups", json!([{"text": "x", "in": {"months": -1}}]), "/follow_ups/0/in/months"),
        ("follow_ups_done", json!(["01933b6e-9a44-7cc0-8000-3f2a5c1d9e77"]), "/follow_ups_done/0"),
        ("labor_minutes", json!(-5), "/labor_minutes"),
        ("cost", json!({"amount": "84,50", "currency": "EUR"}), "/cost/amount"),
        ("cost", json!({"amount": 84.5, "currency": "EUR"}), "/cost/amount"),
        ("cost", json!({"amount": "84.50", "currency": "euro"}), "/cost/currency"),
        ("color", json!("red"), "/color"),
    ] {
        let mut event = whole();
        event[field] = value.clone();
        let answer = log(&server, &bike, "2026-05-02", 12345, event).await;
        assert_eq!(answer.wrong(), [pointer], "{field} {value}");
    }
    for list in ["service-events", "odometer-readings", "installed-parts", "measured-values", "due"] {
        assert_eq!(server.count(&format!("{bike}/{list}")).await, 0, "{list}");
    }
    assert_eq!(server.count("/follow-ups").await, 0);
    assert_eq!(server.get(&bike).await.ok()["odometer"], Value::Null);
});

on_both_engines!(every_wrong_line_is_named, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let event = json!({"work": [{"component": "a", "operation": "adjust"}, {"component": "drive_chain", "operation": "adjust"},
        {"component": "b", "operation": "adjust"}], "cost": {"amount": "x", "currency": "EUR"}, "labor_minutes": 1});
    let answer = log(&server, &bike, "2026-05-02", 1, event).await;
    let wrong = answer.wrong();
    assert!(wrong.contains(&"/cost/amount".to_owned()) || wrong == ["/work/0/component", "/work/2/component"], "{wrong:?}");
});

on_both_engines!(a_service_of_ten_thousand_lines, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let line = json!({"component": "drive_chain", "operation": "clean"});
    let lines = |count: usize| json!({"work": vec![line.clone(); count]});
    assert_eq!(log(&server, &bike, "2026-05-02", 100, lines(10_000)).await.wrong(), ["/work"]);
    assert_eq!(server.count(&format!("{bike}/service-events")).await, 0);
    // The most that is taken is taken.
    let event = log(&server, &bike, "2026-05-02", 100, lines(2000)).await.created();
    assert_eq!(event["work"].as_array().unwrap().len(), 2000);
    let mut each = whole();
    for field in ["fitted", "measured", "tightened", "filled", "as_found", "follow_ups"] {
        each[field] = json!(vec![each[field][0].clone(); 10_000]);
        let body = json!({field: each[field]});
        let answer = log(&server, &bike, "2026-05-02", 100, body).await;
        assert!(matches!(answer.status, 413 | 422), "{field}: {}", answer.text);
    }
});

on_both_engines!(words_of_every_script_and_markup_come_back, async |server| {
    let bike = server.motorcycle(json!({})).await;
    for text in
        ["🏍️🔧", "שרשרת", "سلسلة", "<script>alert(1)</script>", "<b>bold</b> &amp; \"'`", "a\u{202e}b", "'; drop table service_event; --"]
    {
        let event = json!({"summary": text, "notes": text, "performed_by": text,
            "work": [{"component": "drive_chain", "operation": "adjust", "note": text}],
            "fitted": [{"component": "tire", "position": "rear", "description": text, "part_number": text}],
            "as_found": [{"component": "axle", "text": text}], "follow_ups": [{"text": text}],
            "filled": [{"component": "fork_oil", "description": text}]});
        let event = log(&server, &bike, "2026-05-02", 100, event).await.created();
        let event = server.get(&format!("/service-events/{}", event["id"].as_str().unwrap())).await.ok();
        for pointer in [
            "/summary",
            "/notes",
            "/performed_by",
            "/work/0/note",
            "/fitted/0/description",
            "/fitted/0/part_number",
            "/as_found/0/text",
            "/follow_ups/0/text",
            "/filled/0/description",
        ] {
            assert_eq!(event.pointer(pointer).unwrap(), text, "{pointer}");
        }
    }
    let control = log(&server, &bike, "2026-05-02", 100, json!({"notes": "a\u{7}b"})).await;
    assert_eq!(control.wrong(), ["/notes"]);
});

on_both_engines!(an_event_without_an_odometer_is_estimated, async |server| {
    let bike = server.motorcycle(json!({})).await;
    server.reading(&bike, "2026-01-01", 10_000).await.created();
    server.reading(&bike, "2026-01-11", 10_500).await.created();
    let event = json!({"on": "2026-01-05", "work": work()});
    let event = server.post(&format!("{bike}/service-events"), &event).await.created();
    // Linear between the readings: four tenths of the way.
    assert_eq!((&event["estimated"], event["odometer"].as_f64()), (&json!(true), Some(10_200.0)));
    assert_eq!(server.count(&format!("{bike}/odometer-readings")).await, 2);
});

// What was settled since is a change of the event that left it: its status stands there.
on_both_engines!(an_event_changes_with_its_follow_ups, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let left = json!({"on": "2026-05-02", "summary": "Left", "follow_ups": [{"text": "Look at the seal"}, {"text": "Order a washer"}]});
    let left = server.post(&format!("{bike}/service-events"), &left).await.created();
    server.post(&format!("{bike}/service-events"), &json!({"on": "2026-05-02", "summary": "Untouched"})).await.created();
    let follow_up = |place: usize| left["follow_ups"][place]["id"].as_str().unwrap().to_owned();
    let changed = async |server: &Server, hours: i64| -> Vec<Value> {
        let since = format!("2026-06-15T{}:00:00Z", 12 + hours);
        server.all(&format!("{bike}/service-events?changed_since={since}")).await.into_iter().map(|mut it| it["summary"].take()).collect()
    };
    let [one, two, three] = [1, 2, 3].map(|hours| server.at(now() + Duration::hours(hours)));
    let (one, two, three) = (one.await, two.await, three.await);
    one.change(&format!("/follow-ups/{}", follow_up(0)), &json!({"status": "done"})).await.ok();
    assert_eq!(changed(&one, 1).await, ["Left"]);
    let later = json!({"on": "2026-05-03", "summary": "Later", "follow_ups_done": [follow_up(1)]});
    let later = two.post(&format!("{bike}/service-events"), &later).await.created();
    assert_eq!(changed(&two, 2).await, ["Later", "Left"]);
    three.remove(&format!("/service-events/{}?reason=wrong+motorcycle", later["id"].as_str().unwrap())).await;
    assert_eq!(changed(&three, 3).await, ["Later", "Left"], "what it had settled is open again");
});

on_both_engines!(an_odometer_that_contradicts_refuses_the_event_with_its_neighbors, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let later = server.reading(&bike, "2026-05-10", 12_000).await.id();
    let answer = log(&server, &bike, "2026-05-02", 12_345, json!({"work": work()})).await;
    assert_eq!(answer.wrong(), ["/odometer"]);
    assert_eq!(answer.body["neighbors"][0]["id"], later);
    let more = log(&server, &bike, "2026-05-02", 12_345, json!({"work": [{"component": "no_such_thing", "operation": "adjust"}]})).await;
    let mut wrong = more.wrong();
    wrong.sort();
    assert_eq!(wrong, ["/odometer", "/work/0/component"]);
    assert_eq!(more.body["neighbors"][0]["id"], later, "other problems do not hide with whom it is");
    assert_eq!(server.count(&format!("{bike}/service-events")).await, 0);
});

on_both_engines!(the_list_newest_first_and_narrowed, async |server| {
    let bike = server.motorcycle(json!({})).await;
    log(&server, &bike, "2026-03-01", 300, json!({"summary": "A", "work": work()})).await.created();
    log(&server, &bike, "2026-05-01", 500, json!({"summary": "C", "work": [{"component": "engine_oil", "operation": "replace"}]}))
        .await
        .created();
    log(&server, &bike, "2026-04-01", 400, json!({"summary": "B", "work": work()})).await.created();
    let list = async |query: &str| -> String {
        server
            .all(&format!("{bike}/service-events?limit=1{query}"))
            .await
            .iter()
            .map(|event| event["summary"].as_str().unwrap().to_owned())
            .collect()
    };
    assert_eq!(list("").await, "CBA");
    assert_eq!(list("&since=2026-04-01").await, "CB");
    assert_eq!(list("&until=2026-04-01").await, "BA");
    assert_eq!(list("&component=engine_oil").await, "C");
    assert_eq!(list("&operation=adjust").await, "BA");
    assert_eq!(list("&component=engine_oil&operation=adjust").await, "");
    assert_eq!(server.get(&format!("{bike}/service-events?since=soon")).await.wrong(), ["/since"]);
    assert_eq!(server.get(&format!("{bike}/service-events?operation=polish")).await.wrong(), ["/operation"]);
});

on_both_engines!(texts_may_change_until_it_is_signed, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let event = log(&server, &bike, "2026-05-02", 12_345, json!({"work": work(), "summary": "Chain"})).await.id();
    let path = format!("/service-events/{event}");
    server.post(&format!("{path}/amendments"), &json!({"text": "Too early"})).await.problem(409);
    assert_eq!(server.change(&path, &json!({"summary": "Chain adjusted"})).await.ok()["summary"], "Chain adjusted");
    assert_eq!(server.change(&path, &json!({"odometer": 1})).await.wrong(), ["/odometer"]);
    let signed = server.post(&format!("{path}/signature"), &json!({"statement": "Safe to ride"})).await.created();
    assert_eq!(signed["signature"]["statement"], "Safe to ride");
    server.post(&format!("{path}/signature"), &json!({"statement": "Again"})).await.problem(409);
    server.change(&path, &json!({"summary": "Other"})).await.problem(409);
    server.remove(&format!("{path}?reason=typo")).await.problem(409);
    let amended = server.post(&format!("{path}/amendments"), &json!({"text": "Both adjusters equal"})).await.created();
    assert_eq!(amended["amendments"][0]["text"], "Both adjusters equal");
    assert_eq!(server.post(&format!("{path}/amendments"), &json!({"text": " "})).await.wrong(), ["/text"]);
});

on_both_engines!(striking_out_undoes_exactly, async |server| {
    let bike = server.motorcycle(json!({})).await;
    fastener(&server, json!({})).await;
    let rule =
        json!({"name": "Chain", "component": "drive_chain", "operation": "adjust", "every": {"distance": {"value": 500, "unit": "mi"}}});
    server.post("/interval-rules", &rule).await.created();
    let first = log(&server, &bike, "2026-04-02", 11_000, whole()).await.created();
    let everything = async || -> Vec<Value> {
        let mut all = Vec::new();
        for list in ["due", "installed-parts", "installed-parts?removed=true", "measured-values"] {
            let mut items = server.all(&format!("{bike}/{list}")).await;
            items.retain(|item| item["struck_out"].is_null());
            all.push(json!(items));
        }
        all.push(server.get("/follow-ups").await.ok());
        all.push(server.get(&bike).await.ok());
        all
    };
    let before = everything().await;
    let mut second = whole();
    merge(
        &mut second,
        json!({"removed": [{"installed_part_id": first["fitted"][0]["installed_part_id"], "reason": "worn"}],
        "follow_ups_done": [first["follow_ups"][0]["id"]]}),
    );
    let second = log(&server, &bike, "2026-05-02", 12_345, second).await.created();
    assert_ne!(everything().await, before);

    let path = format!("/service-events/{}", second["id"].as_str().unwrap());
    assert_eq!(server.remove(&path).await.wrong(), ["/reason"]);
    server.remove(&format!("{path}?reason=other%20bike")).await.with(204);
    assert_eq!(everything().await, before);
    let struck = server.get(&path).await.ok();
    assert_eq!(struck["struck_out"]["reason"], "other bike");
    assert_eq!(struck["work"], second["work"], "it stays visible");
    // Its reading is struck out with it, and visible.
    let readings = server.all(&format!("{bike}/odometer-readings")).await;
    assert_eq!(readings.len(), 2);
    assert!(readings[0]["struck_out"].is_object() && readings[1]["struck_out"].is_null());
    let again = server.remove(&format!("{path}?reason=again")).await;
    assert!(matches!(again.status, 409 | 422), "{}", again.text);
    // By its reading alone it cannot be undone: half an event would stand.
    let reading = format!("/odometer-readings/{}?reason=typo", readings[1]["id"].as_str().unwrap());
    let answer = server.remove(&reading).await;
    assert!(matches!(answer.status, 204 | 409 | 422), "{}", answer.text);
});

on_both_engines!(what_later_events_lean_on_is_not_struck_out, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let fit = log(&server, &bike, "2026-04-02", 11_000, json!({"fitted": [{"component": "tire", "position": "rear"}]})).await.created();
    let part = &fit["fitted"][0]["installed_part_id"];
    let path = format!("/service-events/{}", fit["id"].as_str().unwrap());
    let off =
        log(&server, &bike, "2026-05-02", 12_000, json!({"removed": [{"installed_part_id": part, "reason": "worn"}]})).await.created();
    let answer = server.remove(&format!("{path}?reason=typo")).await;
    answer.problem(409);
    assert!(answer.body["conflicts_with"].as_array().unwrap().contains(&off["id"]), "{}", answer.text);
    server.remove(&format!("/service-events/{}?reason=typo", off["id"].as_str().unwrap())).await.with(204);
    server.remove(&format!("{path}?reason=typo")).await.with(204);
    assert_eq!(server.count(&format!("{bike}/installed-parts")).await, 0);
    // A part that merely took its place is no hindrance.
    let one = log(&server, &bike, "2026-04-02", 11_000, json!({"fitted": [{"component": "tire", "position": "rear"}]})).await.created();
    let two = log(&server, &bike, "2026-05-02", 12_000, json!({"fitted": [{"component": "tire", "position": "rear"}]})).await.created();
    assert_eq!(two["fitted"][0]["replaces"], one["fitted"][0]["installed_part_id"]);
    server.remove(&format!("/service-events/{}?reason=typo", one["id"].as_str().unwrap())).await.with(204);
});

on_both_engines!(follow_ups_are_done_or_dropped, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let event =
        json!({"follow_ups": [{"text": "One"}, {"text": "Two"}, {"text": "Three", "component": "drive_chain", "in": {"months": 1}}]});
    let event = log(&server, &bike, "2026-05-02", 12_345, event).await.created();
    let path = |place: usize| format!("/follow-ups/{}", event["follow_ups"][place]["id"].as_str().unwrap());
    assert_eq!(server.change(&path(0), &json!({"status": "done"})).await.ok()["status"], "done");
    assert_eq!(server.change(&path(1), &json!({"status": "dropped"})).await.wrong(), ["/reason"]);
    assert_eq!(server.change(&path(1), &json!({"status": "dropped", "reason": "sold"})).await.ok()["reason"], "sold");
    assert_eq!(server.change(&path(2), &json!({"status": "forgotten"})).await.wrong(), ["/status"]);
    // The dated one is a due item until an event settles it.
    let due = server.get(&format!("{bike}/due")).await.items();
    assert_eq!((due.len(), &due[0]["due_at"]["on"]), (1, &json!("2026-06-02")));
    let done = json!({"work": work(), "follow_ups_done": [event["follow_ups"][2]["id"]]});
    log(&server, &bike, "2026-06-01", 12_500, done.clone()).await.created();
    assert_eq!(server.count(&format!("{bike}/due")).await, 0);
    assert_eq!(server.get(&path(2)).await.ok()["status"], "done");
    assert_eq!(log(&server, &bike, "2026-06-02", 12_500, done).await.wrong(), ["/follow_ups_done/0"]);
    assert_eq!(server.count("/follow-ups?status=open").await, 0);
    assert_eq!(server.count("/follow-ups").await, 3);
});

on_both_engines!(torque_stage_by_stage, async |server| {
    let bike = server.motorcycle(json!({})).await;
    fastener(&server, json!({"recheck_after": {"value": 500, "unit": "mi"}})).await;
    let tighten = async |stages: Value, more: Value| -> Value {
        let mut line = json!({"fastener": "rear_axle_nut", "stages": stages});
        merge(&mut line, more);
        log(&server, &bike, "2026-05-02", 12_345, json!({"tightened": [line]})).await.created()
    };
    let verdicts = |event: &Value| -> Vec<String> {
        let stages = event["tightened"][0]["stages"].as_array().unwrap();
        stages.iter().map(|stage| format!("{} {}", stage["verdict"].as_str().unwrap(), stage["because"].as_str().unwrap())).collect()
    };
    let event = tighten(json!([{"value": 19.9, "unit": "N.m"}, {"value": 115, "unit": "N.m"}]), json!({})).await;
    let said = verdicts(&event);
    assert!(said[0].starts_with("outside below") && said[1].starts_with("within"), "{said:?}");
    // A torque to check again is left for later by itself.
    assert_eq!(event["follow_ups"][0]["in"]["distance"], 500);
    let said = verdicts(&tighten(json!([{"value": 22, "unit": "N.m"}]), json!({})).await);
    assert!(said[1].starts_with("no_limit missing"), "{said:?}");
    // 16.23 ft-lb are 22.00 N.m.
    let said = verdicts(&tighten(json!([{"value": 16.23, "unit": "ft-lb"}, {"value": 81.1, "unit": "ft-lb"}]), json!({})).await);
    assert!(said.iter().all(|said| said.starts_with("within")), "{said:?}");
    // 88 N.m on a wrench of 400 mm with an adapter of 100 mm are 110 N.m at the nut.
    let adapter = json!({"adapter": {"length": {"value": 100, "unit": "mm"}, "wrench_length": {"value": 400, "unit": "mm"}}});
    let event = tighten(json!([{"value": 17.6, "unit": "N.m"}, {"value": 88, "unit": "N.m"}]), adapter).await;
    let torque = &event["tightened"][0]["stages"][1]["at_fastener"];
    assert!((torque["value"].as_f64().unwrap() - 110.0).abs() < 1e-9 && torque["unit"] == "N.m", "{torque}");
    assert!(verdicts(&event).iter().all(|said| said.starts_with("within")));
});

on_both_engines!(single_use_hardware_is_said_to_be_replaced_or_reused, async |server| {
    let bike = server.motorcycle(json!({})).await;
    fastener(
        &server,
        json!({"key": "link_clip", "name": "Link clip", "component": "drive_chain", "position": null, "stages": [], "single_use": true}),
    )
    .await;
    let line = |was: Value| json!({"tightened": [{"fastener": "link_clip", "single_use_was": was}]});
    let answer = log(&server, &bike, "2026-05-02", 12_345, line(Value::Null)).await;
    assert_eq!(answer.wrong(), ["/tightened/0/single_use_was"]);
    let replaced = log(&server, &bike, "2026-05-02", 12_345, line(json!("replaced"))).await.created();
    assert_eq!(replaced["follow_ups"], json!([]));
    let reused = log(&server, &bike, "2026-05-03", 12_350, line(json!("reused"))).await.created();
    let follow_up = &reused["follow_ups"][0];
    assert_eq!((&follow_up["component"], &follow_up["in"], &follow_up["status"]), (&json!("drive_chain"), &Value::Null, &json!("open")));
    assert!(follow_up["text"].as_str().unwrap().contains("Link clip"));
    // Without a date or distance it is no due item of its own.
    assert_eq!(server.count(&format!("{bike}/due")).await, 0);
});

on_both_engines!(the_most_specific_fastener_of_a_key_is_meant, async |server| {
    let bike = server.motorcycle(json!({})).await;
    fastener(&server, json!({})).await;
    let own = json!([{"lower": 50, "upper": 60, "unit": "N.m"}]);
    fastener(&server, json!({"name": "Own nut", "stages": own, "applies_to": {"motorcycle_id": bike.rsplit('/').next().unwrap()}})).await;
    let line = json!({"tightened": [{"fastener": "rear_axle_nut", "stages": [{"value": 55, "unit": "N.m"}]}]});
    let event = log(&server, &bike, "2026-05-02", 12_345, line).await.created();
    assert_eq!((&event["tightened"][0]["name"], &event["tightened"][0]["stages"][0]["verdict"]), (&json!("Own nut"), &json!("within")));
});
