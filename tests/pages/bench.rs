//! The bench: worked out on the page, saved with a service event, and what is wrong said beside its field.
use serde_json::{Value, json};

use crate::{
    harness::{Server, on_both_engines},
    reader::Reader,
};

const READINGS: [&str; 8] = ["0.02", "0.05", "0.09", "0.12", "0.10", "0.07", "0.03", "0.00"];

/// Readings of a disc at eight places, with these fields besides.
fn runout<'a>(names: &'a [String], more: &[(&'a str, &'a str)]) -> Vec<(&'a str, &'a str)> {
    let fields = [("count", "8"), ("component", "brake_disc"), ("position", "front_left"), ("direction", "sideways"), ("unit", "mm")];
    let readings = names.iter().map(String::as_str).zip(READINGS);
    fields.into_iter().chain(readings).chain(more.iter().copied()).collect()
}
fn names() -> Vec<String> {
    (0..8).map(|place| format!("readings.{place}")).collect()
}
async fn event(server: &Server, bike: &str, on: &str, fields: Value) -> String {
    let mut event = json!({"on": on, "summary": format!("Work of {on}"), "work": [{"component": "brake_disc", "operation": "clean"}]});
    crate::harness::server::merge(&mut event, fields);
    server.post(&format!("{bike}/service-events"), &event).await.id()
}

on_both_engines!(a_runout_is_worked_out_and_saved_with_the_open_event, async |server| {
    let bike = server.motorcycle(json!({"final_drive": "belt"})).await;
    let limit = json!({"component": "brake_disc", "position": "front_left", "quantity": "runout", "kind": "wear", "upper": 0.1, "unit": "mm",
        "source": "Manual"});
    server.post("/limits", &limit).await.created();
    let open = event(&server, &bike, "2026-06-10", json!({"notes": "Disc off"})).await;
    let old = event(&server, &bike, "2026-04-01", json!({})).await;
    let signed = event(&server, &bike, "2026-06-11", json!({})).await;
    server.post(&format!("/service-events/{signed}/signature"), &json!({"statement": "Done"})).await.created();
    let reader = Reader::signed_in(&server).await;
    reader.get(&bike).await.says("/bench\"");
    reader
        .get(&format!("{bike}/bench"))
        .await
        .says("/bench/runout")
        .says("/bench/balance")
        .says("/bench/alignment")
        .says("/torque-adapter");
    let path = format!("{bike}/bench/runout");
    let (names, shown) = (names(), reader.get(&format!("{path}?count=8")).await);
    shown.says("Place 8, 315 degrees").says("inputmode=\"decimal\"").hides("value=\"save\"");
    let key = shown.key();
    let answer = reader.send(&path, &runout(&names, &[("once", &key)])).await;
    assert_eq!(answer.status, 200);
    answer.says("Total indicated reading 0.12 mm").says("Blame the mounting").says("place 4 of 8").says("value=\"0.12\"");
    answer.says(&open).says("Work of 2026-06-10").hides(&old).hides(&signed).says("value=\"save\"");
    let fields = runout(&names, &[("once", &key), ("event", &open), ("do", "save")]);
    let saved = reader.send(&path, &fields).await;
    assert_eq!((saved.status, saved.location()), (303, format!("/service-events/{open}").as_str()), "{}", saved.text);
    // A second tap stores nothing more.
    assert_eq!(reader.send(&path, &fields).await.location(), saved.location());
    let stored = server.get(&format!("/service-events/{open}")).await.ok();
    let measured = stored["measured"].as_array().unwrap();
    assert_eq!(measured.len(), 1);
    let value = &measured[0];
    assert_eq!(
        (&value["component"], &value["position"], &value["quantity"]),
        (&json!("brake_disc"), &json!("front_left"), &json!("runout"))
    );
    assert_eq!(
        (&value["reduced"].to_string(), &value["reduce"], &value["on"]),
        (&"0.12".to_owned(), &json!("range"), &json!("2026-06-10"))
    );
    assert_eq!(value["verdict"], "outside");
    let notes = stored["notes"].as_str().unwrap();
    assert!(notes.starts_with("Disc off\nRunout of front left brake disc, read sideways") && notes.contains("high at"), "{notes}");
    reader.get(saved.location()).await.says("Saved with this event").says("0.12 mm");
});

on_both_engines!(a_wrong_reading_is_said_beside_its_field_and_nothing_is_lost, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let reader = Reader::signed_in(&server).await;
    let (path, names) = (format!("{bike}/bench/runout"), names());
    let mut fields = runout(&names, &[("do", "save"), ("event", "new")]);
    fields[6].1 = "much";
    fields[7].1 = "";
    let page = reader.fill(&path, &fields).await;
    assert_eq!(page.status, 422);
    page.says("id=\"readings.1-wrong\"").says("much is no figure").says("id=\"readings.2-wrong\"").says("Read it here too");
    assert_eq!(
        (page.value("readings.1"), page.value("readings.3"), page.value("readings.7")),
        ("much".into(), "0.12".into(), "0.00".into())
    );
    assert_eq!(server.count(&format!("{bike}/service-events")).await, 0);
});

on_both_engines!(nothing_goes_to_an_event_that_is_signed_struck_out_or_of_another_motorcycle, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let other = server.motorcycle(json!({"name": "Ferry"})).await;
    let signed = event(&server, &bike, "2026-06-10", json!({})).await;
    server.post(&format!("/service-events/{signed}/signature"), &json!({})).await.created();
    let struck = event(&server, &bike, "2026-06-10", json!({})).await;
    assert_eq!(server.remove(&format!("/service-events/{struck}?reason=wrong")).await.status, 204);
    let elsewhere = event(&server, &other, "2026-06-10", json!({})).await;
    let reader = Reader::signed_in(&server).await;
    let (path, names) = (format!("{bike}/bench/runout"), names());
    for (event, status, why) in [(&signed, 422, "signed off"), (&struck, 422, "struck out"), (&elsewhere, 404, "")] {
        let page = reader.fill(&path, &runout(&names, &[("event", event), ("do", "save")])).await;
        assert_eq!(page.status, status, "{}", page.text);
        page.says(why);
    }
    for bike in [&bike, &other] {
        assert_eq!(server.count(&format!("{bike}/measured-values")).await, 0);
    }
});

on_both_engines!(alignment_balance_and_slack_begin_an_event_today, async |server| {
    let bike = server.motorcycle(json!({"final_drive": "belt"})).await;
    let reader = Reader::signed_in(&server).await;
    let fields = [
        ("count", "3"),
        ("unit", "mm"),
        ("position", "rear"),
        ("component", "drive_belt"),
        ("deflection_unit", "mm"),
        ("distances.0", "571.5"),
        ("distances.1", "570"),
        ("deflections.0", "11"),
        ("deflections.1", "9.5"),
        ("deflections.2", "12"),
        ("force.value", "45"),
        ("force.unit", "N"),
        ("do", "save"),
        ("event", "new"),
    ];
    let saved = reader.fill(&format!("{bike}/bench/alignment"), &fields).await;
    assert_eq!(saved.status, 303, "{}", saved.text);
    let stored = server.get(saved.location()).await.ok();
    assert_eq!(stored["on"], "2026-06-15");
    let measured: Vec<_> = stored["measured"]
        .as_array()
        .unwrap()
        .iter()
        .map(|value| (value["component"].as_str().unwrap(), value["reduced"].to_string()))
        .collect();
    assert_eq!(measured, [("axle", "1.5".to_owned()), ("drive_belt", "9.5".to_owned())]);
    assert_eq!(stored["measured"][1]["at_force"], json!({"value": 45, "unit": "N"}));
    let notes = stored["notes"].as_str().unwrap();
    assert!(notes.contains("1.5 mm further back on the left") && notes.contains("tightest at place 2 of 3"), "{notes}");

    // 20 g at the top brought balance with the heavy side, at 6 o'clock, down; 10 g on each rim.
    let weights = [
        ("position", "rear"),
        ("way", "trial"),
        ("unit", "g"),
        ("angles", "clock"),
        ("weights.0.mass", "20"),
        ("weights.0.at_deg", "12"),
        ("rims", "yes"),
        ("radius.value", "215"),
        ("radius.unit", "mm"),
        ("wheel_mass.value", "10"),
        ("wheel_mass.unit", "kg"),
        ("speed", "150"),
        ("speed_unit", "km/h"),
        ("circumference.value", "2000"),
        ("circumference.unit", "mm"),
        ("grade", "40"),
    ];
    let path = format!("{bike}/bench/balance");
    let answer = reader.fill(&path, &weights).await;
    // 1000 × 40 × 10 ÷ (2π × 1250 ÷ 60) = 3,056 g·mm, over 215 mm: 14.21 g.
    answer
        .says("Unbalance 20 g, heavy at 6 o’clock")
        .says("10 g at 12 o’clock on the left rim")
        .says("14.21 g may remain")
        .says("has more");
    let event = saved.location().rsplit('/').next().unwrap();
    let saved = reader.fill(&path, &[&weights[..], &[("do", "save"), ("event", event)]].concat()).await;
    let stored = server.get(saved.location()).await.ok();
    assert_eq!(stored["measured"].as_array().unwrap().len(), 3);
    assert_eq!((&stored["measured"][2]["quantity"], &stored["measured"][2]["reduced"]), (&json!("mass"), &json!(20)));
    assert!(stored["notes"].as_str().unwrap().contains("heavy at 6 o’clock"));
    let wrong = reader.fill(&path, &[("unit", "g"), ("weights.0.mass", "20"), ("weights.0.at_deg", "400")]).await;
    wrong.says("id=\"weights.0.at_deg-wrong\"").says("between 0 and 360");
});

on_both_engines!(an_adapter_is_worked_out_both_ways_and_units_are_converted, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let reader = Reader::signed_in(&server).await;
    let path = format!("{bike}/bench/torque-adapter");
    let lengths =
        [("wrench_length.value", "400"), ("wrench_length.unit", "mm"), ("adapter_length.value", "50"), ("adapter_length.unit", "mm")];
    let ask = async |way: &str, torque: &str, more: &[(&str, &str)]| {
        let fields = [("way", way), ("torque.value", torque), ("torque.unit", "N.m")];
        reader.fill(&path, &[&fields[..], more].concat()).await
    };
    // 110 × 400 ÷ 450 and back.
    ask("wanted", "110", &lengths).await.says("Set the wrench to 97.78 N.m").says("72.12 ft-lb").hides("value=\"save\"");
    ask("set", "80", &lengths).await.says("The fastener gets 90 N.m");
    ask("wanted", "100", &[]).await.says("73.76 ft-lb").says("885.07 in-lb").says("10.2 kgf.m");
    let page = ask("wanted", "100", &lengths[2..]).await;
    assert_eq!(page.status, 422);
    page.says("id=\"wrench_length.value-wrong\"");
});

on_both_engines!(what_was_used_again_and_what_to_order_stand_on_pages_of_their_own, async |server| {
    let fastener = json!({"key": "drain_washer", "name": "Drain washer", "component": "engine_oil", "single_use": true, "stages": []});
    server.post("/fasteners", &fastener).await.created();
    let rule = json!({"name": "Engine oil", "component": "engine_oil", "operation": "replace", "every": {"months": 12}});
    server.post("/interval-rules", &rule).await.created();
    let reader = Reader::signed_in(&server).await;
    reader.get("/order-list").await.says("Nothing that is due");
    let bike = server.motorcycle(json!({})).await;
    reader.get("/reused").await.says("Nothing: whatever may be used once only was replaced");
    let work = json!({"work": [{"component": "engine_oil", "operation": "replace"}],
        "tightened": [{"fastener": "drain_washer", "single_use_was": "reused"}],
        "filled": [{"component": "engine_oil", "description": "SAE 10W-40", "quantity": {"value": 3.1, "unit": "L"}}]});
    let event = event(&server, &bike, "2025-05-01", work).await;
    reader.get("/").await.says("href=\"/reused\"").says("href=\"/order-list\"");
    reader.get("/reused").await.says("Drain washer, used again").says(&bike).says(&format!("/service-events/{event}")).says("1 May 2025");
    reader.get(&bike).await.says("Used again, to be replaced").says("Drain washer, used again, since 1 May 2025");
    reader.get("/order-list").await.says("3.1 L").says("SAE 10W-40").says("Drain washer").says(&format!("{bike}/job-sheet"));
});
