//! Readings and instruments, owners, tokens, settings and vocabularies.
use serde_json::{Value, json};

use crate::harness::{Server, on_both_engines};

async fn read(server: &Server, bike: &str, on: &str, reading: f64) -> crate::harness::Answer {
    server.post(&format!("{bike}/odometer-readings"), &json!({"on": on, "reading": reading})).await
}

on_both_engines!(a_contradiction_names_its_neighbors, async |server| {
    let bike = server.motorcycle(json!({"odometer_unit": "km"})).await;
    let early = read(&server, &bike, "2026-01-01", 1000.0).await.id();
    let late = read(&server, &bike, "2026-03-01", 2000.0).await.id();
    let refused = read(&server, &bike, "2026-02-01", 2500.0).await;
    assert_eq!(refused.wrong(), ["/reading"]);
    let named: Vec<_> = refused.body["neighbors"].as_array().unwrap().iter().map(|neighbor| neighbor["id"].clone()).collect();
    assert_eq!(named, [json!(early), json!(late)]);
    assert!(refused.body["detail"].as_str().unwrap().contains("1,000 km on 1 Jan 2026"), "{}", refused.text);
    // 2,000 km a day may be, one more wants to be confirmed.
    assert_eq!(read(&server, &bike, "2026-03-02", 4001.0).await.wrong(), ["/reading"]);
    read(&server, &bike, "2026-03-02", 4000.0).await.created();
    assert_eq!(read(&server, &bike, "2026-06-16", 4000.0).await.wrong(), ["/on"]);
    assert_eq!(server.count(&format!("{bike}/odometer-readings")).await, 3);
    assert_eq!(server.get(&bike).await.ok()["odometer"]["reading"], json!(4000.0));
});

on_both_engines!(a_struck_out_reading_stays_visible_and_counts_no_more, async |server| {
    let bike = server.motorcycle(json!({})).await;
    read(&server, &bike, "2026-01-01", 1000.0).await.created();
    let before = server.get(&bike).await.ok();
    let wrong = format!("/odometer-readings/{}", read(&server, &bike, "2026-01-02", 2000.0).await.id());
    assert_eq!(server.get(&wrong.replace("odometer", "hour")).await.status, 404);
    assert_eq!(server.remove(&wrong).await.wrong(), ["/reason"]);
    assert_eq!(server.remove(&format!("{wrong}?reason=typed+wrong")).await.status, 204);
    let struck = server.get(&wrong).await.ok();
    assert_eq!(struck["struck_out"], json!({"at": "2026-06-15T12:00:00Z", "reason": "typed wrong"}));
    assert_eq!(server.get(&bike).await.ok(), before);
    server.remove(&format!("{wrong}?reason=again")).await.problem(409);
    read(&server, &bike, "2026-01-02", 1100.0).await.created();
    // Newest first, and of a day what was entered last.
    let figures: Vec<_> =
        server.all(&format!("{bike}/odometer-readings?limit=1")).await.iter().map(|item| item["reading"].clone()).collect();
    assert_eq!(figures, [json!(1100.0), json!(2000.0), json!(1000.0)]);
    let since = format!("{bike}/odometer-readings?changed_since=");
    assert_eq!(
        (server.count(&format!("{since}2026-06-15T12:00:00Z")).await, server.count(&format!("{since}2026-06-15T12:00:01Z")).await),
        (3, 0)
    );
});

on_both_engines!(instruments_one_after_another, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let odometers = format!("{bike}/odometers");
    read(&server, &bike, "2026-01-01", 99_000.0).await.created();
    let rolled = server.post(&odometers, &json!({"on": "2026-02-01", "kind": "rolled_over"})).await.created();
    assert_eq!((&rolled["capacity"], &rolled["unit"]), (&json!(100_000), &json!("mi")));
    assert_eq!(server.get(&bike).await.ok()["distance_status"], "exceeds_mechanical_limits");
    assert_eq!(server.change(&bike, &json!({"distance_status": "actual"})).await.wrong(), ["/distance_status"]);
    read(&server, &bike, "2026-02-02", 200.0).await.created();
    let replaced =
        |old_final: Value| json!({"on": "2026-03-01", "kind": "replaced", "old_final": old_final, "new_start": 0, "capacity": null});
    let refused = server.post(&odometers, &replaced(json!(150))).await;
    assert_eq!(refused.wrong(), ["/old_final"]);
    assert_eq!(refused.body["neighbors"][0]["reading"], json!(200.0));
    server.post(&odometers, &replaced(Value::Null)).await.created();
    assert_eq!(server.get(&bike).await.ok()["distance_status"], "not_actual");
    assert_eq!(server.change(&bike, &json!({"distance_status": "exceeds_mechanical_limits"})).await.wrong(), ["/distance_status"]);
    assert_eq!(server.change(&bike, &json!({"odometer_unit": "km"})).await.wrong(), ["/odometer_unit"]);
    let kinds: Vec<_> = server.all(&format!("{odometers}?limit=1")).await.iter().map(|item| item["kind"].clone()).collect();
    assert_eq!(kinds, ["rolled_over", "replaced"]);
});

on_both_engines!(an_hour_meter_is_a_counter_too, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let hours = format!("{bike}/hour-readings");
    let first = server.post(&hours, &json!({"on": "2026-01-01", "reading": 10.5})).await.created();
    assert_eq!((&first["unit"], &first["counter"]), (&json!("h"), &json!("hours")));
    assert_eq!(server.post(&hours, &json!({"on": "2026-01-02", "reading": 10})).await.wrong(), ["/reading"]);
    server.post(&format!("{bike}/hour-meters"), &json!({"on": "2026-02-01", "kind": "replaced", "old_final": null})).await.created();
    server.post(&hours, &json!({"on": "2026-02-02", "reading": 1})).await.created();
    let now = server.get(&bike).await.ok();
    assert_eq!((&now["distance_status"], &now["odometer"]), (&json!("actual"), &Value::Null));
    assert_eq!((server.count(&hours).await, server.count(&format!("{bike}/odometer-readings")).await), (2, 0));
    let reading = format!("/hour-readings/{}", first["id"].as_str().unwrap());
    assert_eq!(server.get(&reading.replace("hour", "odometer")).await.status, 404);
    assert_eq!(server.other_workshop().get(&reading).await.status, 404);
});

on_both_engines!(owners_and_their_motorcycles, async |server| {
    let sent = json!({"name": " Ada Birch ", "email": "ada@example.org"});
    let owner = server.post("/owners", &sent).await.created();
    assert_eq!((&owner["name"], &owner["reports"]), (&json!("Ada Birch"), &json!({"frequency": "off", "only_changes": true})));
    let path = format!("/owners/{}", owner["id"].as_str().unwrap());
    let stranger = json!({"name": "A", "final_drive": "belt", "odometer_unit": "km", "owner_id": owner["id"]});
    assert_eq!(server.other_workshop().post("/motorcycles", &stranger).await.wrong(), ["/owner_id"]);
    let bike = server.motorcycle(json!({"owner_id": owner["id"]})).await;
    let refused = server.remove(&path).await;
    assert_eq!(refused.problem(409)["conflicts_with"], json!([bike.trim_start_matches("/motorcycles/")]));
    assert_eq!(server.change(&path, &json!({"email": "nobody", "name": ""})).await.wrong(), ["/email", "/name"]);
    assert_eq!(server.change(&path, &json!({"reports": {"frequency": "weekly"}})).await.ok()["reports"]["frequency"], "weekly");
    server.remove(&bike).await;
    assert_eq!(server.remove(&path).await.status, 204);
    assert_eq!((server.get(&path).await.status, server.count("/owners").await), (404, 0));
});

on_both_engines!(tokens_are_shown_once, async |server| {
    let body = json!({"name": "Odometer script", "scopes": ["read"], "expires_on": null});
    let made = server.post("/tokens", &body).await.created();
    let path = format!("/tokens/{}", made["id"].as_str().unwrap());
    let script = server.with_token(made["token"].as_str().unwrap());
    script.get("/motorcycles").await.ok();
    script.post("/components", &json!({"key": "horn", "name": "Horn"})).await.problem(403);
    script.get("/tokens").await.problem(403);
    let shown = server.get(&path).await;
    assert_eq!((&shown.body["scopes"], shown.body.get("token")), (&json!(["read"]), None));
    assert_eq!(server.other_workshop().get(&path).await.status, 404);
    assert_eq!(server.remove(&path).await.status, 204);
    script.get("/motorcycles").await.problem(401);
    assert_eq!(server.get(&path).await.status, 404);
});

on_both_engines!(settings_of_the_workshop, async |server| {
    let old = server.get("/workshop").await;
    assert_eq!(server.patch("/workshop", "\"x\"", &json!({"name": "New"})).await.status, 412);
    let wrong =
        json!({"time_zone": "Europe/Nowhere", "default_yearly_distance": {"value": 9000, "unit": "kg"}, "reports": {"to": ["nobody"]}});
    let places = ["/default_yearly_distance/unit", "/reports/to/0", "/time_zone"];
    assert_eq!(server.change("/workshop", &wrong).await.wrong(), places);
    let new = server
        .change("/workshop", &json!({"time_zone": "Pacific/Auckland", "default_yearly_distance": {"value": 9000, "unit": "km"}}))
        .await
        .ok();
    assert_eq!((&new["name"], &new["time_zone"]), (&old.body["name"], &json!("Pacific/Auckland")));
    // There it is tomorrow already.
    let bike = server.motorcycle(json!({})).await;
    read(&server, &bike, "2026-06-16", 10.0).await.created();
});

on_both_engines!(vocabularies, async |server| {
    assert_eq!(server.count("/components?limit=7").await, 41);
    let own = json!({"key": "side_stand_switch", "name": "Side stand switch", "part": true});
    assert_eq!(server.post("/components", &own).await.created()["own"], true);
    for taken in [&own, &json!({"key": "tire", "name": "Tire"})] {
        server.post("/components", taken).await.problem(409);
    }
    assert_eq!(server.post("/components", &json!({"key": "Side Stand", "name": "S"})).await.wrong(), ["/key"]);
    assert_eq!((server.count("/components").await, server.other_workshop().count("/components").await), (42, 41));
    let quantities = server.all("/quantities?limit=5").await;
    assert_eq!(quantities.len(), 18);
    assert_eq!(quantities[1], json!({"key": "tread_depth", "kinds": ["length"], "units": ["in", "mm", "1/32in"], "reduce": "min"}));
    let units = server.all("/units").await;
    assert_eq!(units.len(), 30);
    assert_eq!(units[0], json!({"key": "mi", "kind": "distance", "si_unit": "m", "si_per_unit": 1609.344, "si_at_zero": 0.0}));
});
