//! What was used again though it may be used once only, and the order list.
use serde_json::{Value, json};

use crate::harness::{Server, on_both_engines};

async fn event(server: &Server, bike: &str, on: &str, fields: Value) -> Value {
    let mut event = json!({"on": on, "confirmed": true});
    crate::harness::server::merge(&mut event, fields);
    server.post(&format!("{bike}/service-events"), &event).await.created()
}
fn nut(was: &str) -> Value {
    json!({"tightened": [{"fastener": "rear_axle_nut", "stages": [{"value": 110, "unit": "N.m"}], "single_use_was": was}]})
}
async fn fasteners(server: &Server) {
    for (key, name, component) in [("rear_axle_nut", "Rear axle nut", "axle"), ("drain_washer", "Drain washer", "engine_oil")] {
        let fastener = json!({"key": key, "name": name, "component": component, "single_use": true,
            "stages": [{"lower": 105, "upper": 115, "unit": "N.m"}]});
        server.post("/fasteners", &fastener).await.created();
    }
}

on_both_engines!(what_was_used_again_is_listed_until_it_is_replaced, async |server| {
    fasteners(&server).await;
    let bike = server.motorcycle(json!({})).await;
    let other = server.motorcycle(json!({"name": "Ferry"})).await;
    let first = event(&server, &bike, "2026-03-01", nut("reused")).await;
    let second = event(&server, &bike, "2026-04-01", nut("reused")).await;
    event(&server, &other, "2026-05-01", nut("reused")).await;
    let listed = server.all("/single-use?limit=1").await;
    let what: Vec<_> = listed
        .iter()
        .map(|one| (one["motorcycle"]["name"].as_str().unwrap(), one["since"].as_str().unwrap(), one["times"].clone()))
        .collect();
    assert_eq!(what, [("Courier 3", "2026-03-01", json!(2)), ("Ferry", "2026-05-01", json!(1))]);
    assert_eq!((&listed[0]["fastener"], &listed[0]["service_event_id"]), (&json!("rear_axle_nut"), &second["id"]));
    let id = |bike: &str| bike.rsplit('/').next().unwrap().to_owned();
    assert_eq!(server.count(&format!("/single-use?motorcycle={}", id(&other))).await, 1);
    assert_eq!(server.other_workshop().count(&format!("/single-use?motorcycle={}", id(&other))).await, 0);
    assert_eq!(server.other_workshop().count("/single-use").await, 0);

    // Struck out, it never happened: the first time counts alone. What was said of an earlier day changes nothing later.
    assert_eq!(server.remove(&format!("/service-events/{}?reason=wrong", second["id"].as_str().unwrap())).await.status, 204);
    event(&server, &bike, "2026-02-01", nut("replaced")).await;
    let listed = server.all(&format!("/single-use?motorcycle={}", id(&bike))).await;
    assert_eq!((listed.len(), &listed[0]["times"], &listed[0]["service_event_id"]), (1, &json!(1), &first["id"]));
    event(&server, &bike, "2026-05-10", nut("replaced")).await;
    assert_eq!(server.count(&format!("/single-use?motorcycle={}", id(&bike))).await, 0);
    assert_eq!(server.remove(&other).await.status, 204);
    assert_eq!(server.count("/single-use").await, 0, "an archived motorcycle waits for nothing");
});

on_both_engines!(a_single_use_part_that_is_fitted_again_is_listed_as_long_as_it_is_on, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let gasket = json!({"fitted": [{"component": "oil_filter", "description": "Filter", "single_use": true}]});
    let fitted = event(&server, &bike, "2026-03-01", gasket).await;
    let part = fitted["fitted"][0]["installed_part_id"].clone();
    event(&server, &bike, "2026-03-05", json!({"removed": [{"installed_part_id": part, "reason": "to look"}]})).await;
    assert_eq!(server.count("/single-use").await, 0);
    let again = event(&server, &bike, "2026-03-06", json!({"fitted": [{"installed_part_id": part}]})).await;
    let listed = server.all("/single-use").await;
    assert_eq!((listed.len(), &listed[0]["kind"], &listed[0]["installed_part_id"]), (1, &json!("part"), &part));
    assert_eq!((&listed[0]["service_event_id"], &listed[0]["times"], &listed[0]["name"]), (&again["id"], &json!(1), &json!("Filter")));
    // On once more: it is in use again since the first time, not since the last.
    event(&server, &bike, "2026-03-20", json!({"removed": [{"installed_part_id": part, "reason": "to look"}]})).await;
    event(&server, &bike, "2026-03-21", json!({"fitted": [{"installed_part_id": part}]})).await;
    let listed = server.all("/single-use").await;
    assert_eq!((&listed[0]["since"], &listed[0]["times"]), (&json!("2026-03-06"), &json!(2)));
    event(&server, &bike, "2026-04-01", json!({"work": [{"component": "oil_filter", "operation": "replace"}]})).await;
    assert_eq!(server.count("/single-use").await, 0);
});

on_both_engines!(on_one_day_what_was_used_again_is_told_by_distance, async |server| {
    fasteners(&server).await;
    let bike = server.motorcycle(json!({})).await;
    let at = |odometer: i64, was: &str| {
        let mut fields = nut(was);
        fields["odometer"] = json!(odometer);
        fields
    };
    // Written down in the evening, the later one first: the nut on the bike is the one that was used again.
    event(&server, &bike, "2026-03-01", at(12_400, "reused")).await;
    event(&server, &bike, "2026-03-01", at(12_100, "replaced")).await;
    assert_eq!(server.count("/single-use").await, 1);
    event(&server, &bike, "2026-04-01", at(12_900, "replaced")).await;
    event(&server, &bike, "2026-04-01", at(12_700, "reused")).await;
    assert_eq!(server.count("/single-use").await, 0);
});

on_both_engines!(what_was_used_again_is_on_the_order_list_though_nothing_is_due, async |server| {
    fasteners(&server).await;
    let bike = server.motorcycle(json!({})).await;
    event(&server, &bike, "2026-03-01", nut("reused")).await;
    let lines = server.get("/order-list").await.ok()["lines"].clone();
    assert_eq!(
        (lines.as_array().map(Vec::len), &lines[0]["description"], &lines[0]["count"]),
        (Some(1), &json!("Rear axle nut"), &json!(1))
    );
    assert!(lines[0]["motorcycles"][0]["because"].as_str().unwrap().contains("again since 1 Mar 2026"), "{lines}");
    assert_eq!(lines[0]["component"], "axle", "where it belongs, not what its key is");
    // The work that is due takes one too: that is the same one.
    let rule = json!({"name": "Axle", "component": "axle", "operation": "inspect", "every": {"months": 1}});
    let rule = format!("/interval-rules/{}", server.post("/interval-rules", &rule).await.id());
    let lines = server.get("/order-list").await.ok()["lines"].clone();
    assert_eq!((lines.as_array().map(Vec::len), &lines[0]["count"]), (Some(1), &json!(1)), "{lines}");
    assert_eq!(server.remove(&rule).await.status, 204);
    event(&server, &bike, "2026-04-01", nut("replaced")).await;
    assert_eq!(server.get("/order-list").await.ok()["lines"], json!([]));
});

on_both_engines!(the_order_list_adds_up_what_the_waiting_work_takes, async |server| {
    fasteners(&server).await;
    let rule = json!({"name": "Engine oil", "component": "engine_oil", "operation": "replace", "every": {"months": 12}});
    server.post("/interval-rules", &rule).await.created();
    assert_eq!(server.get("/order-list").await.ok(), json!({"lines": [], "left_out": 0}));
    for (name, liters) in [("Courier 1", 3.1), ("Courier 2", 2.9)] {
        let bike = server.motorcycle(json!({"name": name})).await;
        let filled = json!({"work": [{"component": "engine_oil", "operation": "replace"}],
            "filled": [{"component": "engine_oil", "description": "SAE 10W-40", "quantity": {"value": liters, "unit": "L"}}]});
        event(&server, &bike, "2025-05-01", filled).await;
    }
    // Not due: nothing is needed for it.
    let bike = server.motorcycle(json!({"name": "Courier 3"})).await;
    event(&server, &bike, "2026-06-01", json!({"work": [{"component": "engine_oil", "operation": "replace"}]})).await;
    let list = server.get("/order-list").await.ok();
    let line = |description: &str| {
        list["lines"].as_array().unwrap().iter().find(|line| line["description"] == description).cloned().expect("a line")
    };
    let oil = line("SAE 10W-40");
    assert_eq!((&oil["component"], &oil["quantity"]), (&json!("engine_oil"), &json!({"value": 6, "unit": "L"})));
    let names: Vec<_> = oil["motorcycles"].as_array().unwrap().iter().map(|one| one["motorcycle"]["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["Courier 1", "Courier 2"]);
    assert_eq!(line("Drain washer")["count"], 2);
});
