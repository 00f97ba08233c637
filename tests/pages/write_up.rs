//! Work written up with a thumb: what needs no letters.
use serde_json::json;

use crate::{harness::on_both_engines, reader::Reader};

on_both_engines!(pads_like_the_ones_before_need_no_letters, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let rule =
        json!({"name": "Front pads", "component": "brake_pads", "position": "front", "operation": "replace", "every": {"months": 1}});
    server.post("/interval-rules", &rule).await.created();
    let pads = json!({"component": "brake_pads", "position": "front", "description": "Sintered, \"long\"", "part_number": "FP-9",
        "on": "2026-01-02", "odometer": 1000});
    server.post(&format!("{bike}/installed-parts"), &pads).await.created();
    let due = server.get(&format!("{bike}/due")).await.items()[0]["id"].as_str().unwrap().to_owned();
    let reader = Reader::signed_in(&server).await;
    let write_up = format!("{bike}/write-up?due={due}");
    let page = reader.get(&write_up).await;
    page.says("<b>The same again</b>").says("Sintered, &#34;long&#34;, FP-9");
    let row = format!("fitted.d{}", &due[due.len() - 8..]);
    let (marker, same) = (format!("due {due}"), format!("{row}.same"));
    let fields = [
        ("due", due.as_str()),
        (row.as_str(), marker.as_str()),
        (same.as_str(), "Sintered, \"long\"\tFP-9"),
        ("odometer", "2000"),
        ("on", "2026-02-02"),
    ];
    let saved = reader.fill(&write_up, &fields).await;
    assert_eq!(saved.status, 303, "{}", saved.text);
    let parts = server.get(&format!("{bike}/installed-parts")).await.items();
    let fitted = parts.iter().find(|part| part["fitted"]["on"] == "2026-02-02").unwrap();
    assert_eq!((&fitted["description"], &fitted["part_number"]), (&json!("Sintered, \"long\""), &json!("FP-9")));
});

on_both_engines!(the_same_again_stays_ticked_while_rows_are_added_where_a_part_has_no_number_either, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let rule = json!({"name": "Chain", "component": "drive_chain", "operation": "replace", "every": {"months": 1}});
    server.post("/interval-rules", &rule).await.created();
    let chain = json!({"component": "drive_chain", "description": "525, 116 links", "on": "2026-01-02", "odometer": 1000});
    server.post(&format!("{bike}/installed-parts"), &chain).await.created();
    let due = server.get(&format!("{bike}/due")).await.items()[0]["id"].as_str().unwrap().to_owned();
    let row = format!("fitted.d{}", &due[due.len() - 8..]);
    let (marker, same) = (format!("due {due}"), format!("{row}.same"));
    let fields = [("due", due.as_str()), (&row, &marker), (&same, "525, 116 links"), ("add", "work")];
    let page = Reader::signed_in(&server).await.fill(&format!("{bike}/write-up?due={due}"), &fields).await;
    page.says(&format!("name=\"{same}\" value=\"525, 116 links\" checked"));
});

on_both_engines!(an_adapter_is_asked_for_and_what_the_fastener_got_is_worked_out, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let nut = json!({"key": "rear_axle_nut", "name": "Rear axle nut", "component": "axle", "position": "rear",
        "stages": [{"lower": 105, "upper": 115, "unit": "N.m"}]});
    server.post("/fasteners", &nut).await.created();
    let reader = Reader::signed_in(&server).await;
    let write_up = format!("{bike}/write-up");
    let page = reader.fill(&write_up, &[("pick_fastener", "rear_axle_nut"), ("add", "fastener")]).await;
    page.says("value=\"tightened.f-rear_axle_nut.more\"").hides("Unit of both lengths");
    let nut = ("tightened.f-rear_axle_nut", "rear_axle_nut");
    let page =
        reader.fill(&write_up, &[nut, ("tightened.f-rear_axle_nut.stages.0", "88"), ("add", "tightened.f-rear_axle_nut.more")]).await;
    assert_eq!(page.value("tightened.f-rear_axle_nut.stages.0"), "88", "what was typed stays");
    page.says("Unit of both lengths").says("anti-seize");
    let fields = [
        nut,
        ("odometer", "2000"),
        ("on", "2026-02-02"),
        ("tightened.f-rear_axle_nut.stages.0", "88"),
        ("tightened.f-rear_axle_nut.unit.0", "N.m"),
        ("tightened.f-rear_axle_nut.thread", "anti_seize"),
        ("tightened.f-rear_axle_nut.adapter", "60"),
        ("tightened.f-rear_axle_nut.wrench", "240"),
        ("tightened.f-rear_axle_nut.lengths", "mm"),
    ];
    let saved = reader.fill(&write_up, &fields).await;
    assert_eq!(saved.status, 303, "{}", saved.text);
    let event = server.get(saved.location()).await.body;
    let line = &event["tightened"][0];
    assert_eq!((&line["thread"], &line["adapter"]["wrench_length"]["value"]), (&json!("anti_seize"), &json!(240)));
    // 88 N.m × (240 + 60) ÷ 240
    assert_eq!((&line["stages"][0]["at_fastener"]["value"], &line["stages"][0]["verdict"]), (&json!(110), &json!("within")));
});

on_both_engines!(a_washer_is_asked_for_no_torque_and_two_limits_of_a_value_are_one_line, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let washer = json!({"key": "drain_washer", "name": "Drain washer", "component": "engine_oil", "single_use": true, "stages": []});
    server.post("/fasteners", &washer).await.created();
    for (kind, lower) in [("adjust", 12.5), ("wear", 12.1)] {
        let limit = json!({"component": "battery", "quantity": "voltage", "lower": lower, "unit": "V", "kind": kind});
        server.post("/limits", &limit).await.created();
    }
    let rule = json!({"name": "Battery at rest", "component": "battery", "operation": "measure", "every": {"months": 1}});
    server.post("/interval-rules", &rule).await.created();
    server.reading(&bike, "2026-01-02", 1000).await.created();
    let reader = Reader::signed_in(&server).await;
    let page = reader.fill(&format!("{bike}/write-up"), &[("pick_fastener", "drain_washer"), ("add", "fastener")]).await;
    page.says("Drain washer: new or used again</bdi>").hides("Stage 1").says("tightened.f-drain_washer.more\">Torque</button>");
    let due = server.get(&format!("{bike}/due")).await.items()[0]["id"].as_str().unwrap().to_owned();
    reader.get(&format!("{bike}/job-sheet?due={due}")).await.says("at least 12.5 V (adjust); at least 12.1 V (wear)");
});
