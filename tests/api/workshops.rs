//! The workshop itself: settings, owners, tokens, vocabularies; and that what is one workshop's is nobody else's.
use reqwest::Method;
use serde_json::{Value, json};
use time::Duration;

use crate::harness::{on_both_engines, server::now};

on_both_engines!(settings, async |server| {
    let workshop = server.get("/workshop").await.ok();
    assert_eq!((&workshop["name"], &workshop["time_zone"]), (&json!("Quayside Works"), &json!("Europe/Lisbon")));
    let changed = server.change("/workshop", &json!({"name": "Quayside", "currency": "GBP", "default_unit": "km"})).await.ok();
    assert_eq!((&changed["name"], &changed["currency"], &changed["default_unit"]), (&json!("Quayside"), &json!("GBP"), &json!("km")));
    for (body, pointer) in [
        (json!({"time_zone": "Mars/Olympus"}), "/time_zone"),
        (json!({"name": " "}), "/name"),
        (json!({"currency": "euro"}), "/currency"),
        (json!({"default_unit": "furlong"}), "/default_unit"),
        (json!({"default_yearly_distance": {"value": -1, "unit": "mi"}}), "/default_yearly_distance/value"),
        (json!({"default_yearly_distance": {"value": 1, "unit": "bar"}}), "/default_yearly_distance/unit"),
        (json!({"id": "01933b6e-9a44-7cc0-8000-3f2a5c1d9e77"}), "/id"),
        (json!({"reports": {"frequency": "hourly"}}), "/reports/frequency"),
        (json!({"reports": {"greeting": "a".repeat(1001)}}), "/reports/greeting"),
        (json!({"lead_days": 367}), "/lead_days"),
    ] {
        assert_eq!(server.change("/workshop", &body).await.wrong(), [pointer], "{body}");
    }
    assert_eq!(server.get("/workshop").await.ok(), changed);
    // The other workshop is as it was.
    assert_eq!(server.other_workshop().get("/workshop").await.ok()["name"], "Hill Street Garage");
});

on_both_engines!(the_workshop_says_how_long_before_a_date, async |server| {
    server.motorcycle(json!({"in_service_on": "2025-06-27"})).await;
    let rule = json!({"name": "Engine oil", "component": "engine_oil", "operation": "replace", "every": {"months": 12}});
    server.post("/interval-rules", &rule).await.created();
    let status = async || server.get("/due").await.ok()["items"][0]["status"].clone();
    assert_eq!(server.get("/workshop").await.ok()["lead_days"], 30);
    assert_eq!(status().await, "nearly_due");
    server.change("/workshop", &json!({"lead_days": 7})).await.ok();
    assert_eq!(status().await, "later");
});

on_both_engines!(the_day_is_the_workshops_own, async |server| {
    // 23:30 in UTC is half past midnight in Lisbon's summer.
    let night = server.at(time::macros::datetime!(2026-06-15 23:30 UTC)).await;
    let bike = night.motorcycle(json!({})).await;
    night.reading(&bike, "2026-06-16", 100).await.created();
    night.change("/workshop", &json!({"time_zone": "America/New_York"})).await.ok();
    night.reading(&bike, "2026-06-16", 101).await.problem(422);
});

on_both_engines!(owners, async |server| {
    let body = json!({"name": "Ada Birch", "email": "ada@example.org", "phone": "555 0100", "notes": "<b>mornings</b>"});
    let owner = server.post("/owners", &body).await.created();
    assert_eq!(owner["reports"], json!({"frequency": "off", "only_changes": true}));
    let path = format!("/owners/{}", owner["id"].as_str().unwrap());
    assert_eq!(server.get(&path).await.ok(), owner);
    let bike = server.motorcycle(json!({"owner_id": owner["id"]})).await;
    server.motorcycle(json!({"name": "Nobody's"})).await;
    assert_eq!(server.count(&format!("/motorcycles?owner={}", owner["id"].as_str().unwrap())).await, 1);
    server.change(&path, &json!({"email": null, "reports": {"frequency": "weekly"}})).await.ok();
    for (body, pointer) in [
        (json!({"name": ""}), "/name"),
        (json!({"name": "A", "email": "nobody"}), "/email"),
        (json!({"name": "A", "email": "a@example.org\r\nBcc: b@example.org"}), "/email"),
        (json!({"name": "A", "age": 40}), "/age"),
    ] {
        assert!(server.post("/owners", &body).await.wrong().contains(&pointer.to_owned()), "{body}");
    }
    assert_eq!(server.count("/owners").await, 1);
    // An owner of motorcycles does not vanish under them, and the other workshop's are nobody's here.
    let removed = server.remove(&path).await;
    assert!(matches!(removed.status, 204 | 409), "{}", removed.text);
    server.get(&bike).await.ok();
    let other = server.other_workshop();
    let theirs = other.post("/owners", &json!({"name": "Bo Reed"})).await.id();
    assert_eq!(server.change(&bike, &json!({"owner_id": theirs})).await.wrong(), ["/owner_id"]);
});

on_both_engines!(tokens_do_what_their_scopes_say, async |server| {
    let make = async |scopes: Value| -> String {
        let made = server.post("/tokens", &json!({"name": "script", "scopes": scopes})).await.created();
        made["token"].as_str().unwrap().to_owned()
    };
    let reads = server.with_token(&make(json!(["read"])).await);
    let writes = server.with_token(&make(json!(["write"])).await);
    let administers = server.with_token(&make(json!(["admin"])).await);
    let bike = server.motorcycle(json!({})).await;
    reads.get(&bike).await.ok();
    writes.get(&bike).await.problem(403);
    administers.get(&bike).await.problem(403);
    let body = json!({"name": "A", "final_drive": "belt", "odometer_unit": "km"});
    writes.post("/motorcycles", &body).await.created();
    reads.post("/motorcycles", &body).await.problem(403);
    administers.post("/motorcycles", &body).await.problem(403);
    // 403 before 404, before the body: a token without the right learns nothing.
    reads.post("/motorcycles", &json!([])).await.problem(403);
    writes.get("/motorcycles/01933b6e-9a44-7cc0-8000-3f2a5c1d9e77").await.problem(403);
    let etag = server.get(&bike).await.etag();
    reads.delete(&bike, &etag).await.problem(403);
    for server in [&reads, &writes] {
        server.get("/tokens").await.problem(403);
        server.post("/tokens", &json!({"name": "more", "scopes": ["admin"]})).await.problem(403);
    }
    administers.get("/tokens").await.ok();
});

on_both_engines!(tokens_are_shown_once_and_end, async |server| {
    let made = server.post("/tokens", &json!({"name": "until Friday", "scopes": ["read"], "expires_on": "2026-06-19"})).await.created();
    let token = made["token"].as_str().unwrap().to_owned();
    assert!(token.starts_with("wmk_"));
    assert!(!server.get("/tokens").await.text.contains(&token));
    let path = format!("/tokens/{}", made["id"].as_str().unwrap());
    assert!(server.get(&path).await.ok()["token"].is_null());
    server.with_token(&token).get("/motorcycles").await.ok();
    for (days, status) in [(4, 200), (5, 401)] {
        let later = server.at(now() + Duration::days(days)).await;
        later.with_token(&token).get("/motorcycles").await.with(status);
    }
    server.remove(&path).await.with(204);
    let fresh = server.at(now()).await;
    fresh.with_token(&token).get("/motorcycles").await.problem(401);
    for (body, pointer) in [
        (json!({"name": "", "scopes": ["read"]}), "/name"),
        (json!({"name": "A", "scopes": []}), "/scopes"),
        (json!({"name": "A", "scopes": ["all"]}), "/scopes/0"),
        (json!({"name": "A", "scopes": ["read"], "expires_on": "2026-06-14"}), "/expires_on"),
        (json!({"name": "A", "scopes": ["read"], "expires_on": "soon"}), "/expires_on"),
    ] {
        assert_eq!(server.post("/tokens", &body).await.wrong(), [pointer], "{body}");
    }
});

on_both_engines!(vocabularies, async |server| {
    let components = server.all("/components").await;
    for key in ["engine_oil", "drive_belt", "roadworthiness_test", "stand"] {
        assert!(components.iter().any(|one| one["key"] == key), "{key}");
    }
    let part = |key: &str| components.iter().find(|one| one["key"] == key).unwrap()["part"].clone();
    assert_eq!((part("engine_oil"), part("oil_filter")), (json!(false), json!(true)));
    let body = json!({"key": "side_stand_switch", "name": "Side stand switch", "part": true});
    server.post("/components", &body).await.created();
    assert_eq!(server.count("/components").await, components.len() + 1);
    assert_eq!(server.other_workshop().count("/components").await, components.len());
    for key in ["side_stand_switch", "engine_oil"] {
        let twice = server.post("/components", &json!({"key": key, "name": "Again", "part": true})).await;
        assert!(matches!(twice.status, 409 | 422), "{}", twice.text);
    }
    for key in ["", "Side Stand", "é", "x".repeat(100).as_str(), "<b>"] {
        assert_eq!(server.post("/components", &json!({"key": key, "name": "A", "part": true})).await.wrong(), ["/key"], "{key}");
    }
    let units = server.get("/units").await.text;
    for unit in ["\"1/32in\"", "\"ft-lb\"", "\"N.m\"", "\"kgf.m\"", "\"degF\"", "\"percent\""] {
        assert!(units.contains(unit), "{unit}");
    }
    assert!(server.get("/quantities").await.text.contains("\"tread_depth\""));
});

on_both_engines!(the_audit_trail, async |server| {
    let bike = server.motorcycle(json!({})).await;
    server.change(&bike, &json!({"notes": "changed"})).await.ok();
    server.remove(&bike).await.with(204);
    let trail = server.all("/audit").await;
    assert!(trail.len() >= 3, "{trail:?}");
    assert_eq!(server.other_workshop().count("/audit").await, 0);
    let token = server.post("/tokens", &json!({"name": "reader", "scopes": ["read", "write"]})).await.created();
    server.with_token(token["token"].as_str().unwrap()).get("/audit").await.problem(403);
});

// Everything that has a page of its own, made in one workshop and asked for by the other.
on_both_engines!(nothing_of_one_workshop_is_seen_by_another, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let reading = server.reading(&bike, "2026-05-01", 1000).await.id();
    let hours = server.post(&format!("{bike}/hour-readings"), &json!({"on": "2026-05-01", "reading": 5})).await.id();
    let owner = server.post("/owners", &json!({"name": "Ada Birch"})).await.id();
    let token = server.post("/tokens", &json!({"name": "a", "scopes": ["read"]})).await.id();
    let rule = json!({"name": "Oil", "component": "engine_oil", "operation": "replace", "every": {"months": 12}});
    let rule = server.post("/interval-rules", &rule).await.id();
    let limit = json!({"component": "tire", "quantity": "tread_depth", "lower": 1.6, "unit": "mm", "kind": "legal"});
    let limit = server.post("/limits", &limit).await.id();
    let fastener =
        json!({"key": "axle_nut", "name": "Axle nut", "component": "axle", "stages": [{"lower": 90, "upper": 110, "unit": "N.m"}]});
    let fastener = server.post("/fasteners", &fastener).await.id();
    let other = server.other_workshop();
    let paths = [
        bike.clone(),
        format!("/odometer-readings/{reading}"),
        format!("/hour-readings/{hours}"),
        format!("/owners/{owner}"),
        format!("/tokens/{token}"),
        format!("/interval-rules/{rule}"),
        format!("/limits/{limit}"),
        format!("/fasteners/{fastener}"),
    ];
    for path in &paths {
        let answer = server.get(path).await;
        let etag = answer.etag();
        answer.ok();
        other.get(path).await.problem(404);
        for method in [Method::PATCH, Method::DELETE] {
            let request = other.request(method, &format!("{path}?reason=theirs")).header("if-match", &etag).json(&json!({}));
            let answer = other.send(request).await;
            assert!(matches!(answer.status, 404 | 405), "{}: {}", answer.request, answer.text);
        }
        assert_eq!(server.get(path).await.etag(), etag, "{path} is as it was");
    }
    for below in ["odometer-readings", "hour-readings", "odometers", "hour-meters", "due", "forecast", "visits"] {
        server.get(&format!("{bike}/{below}")).await.ok();
        other.get(&format!("{bike}/{below}")).await.problem(404);
    }
    for list in ["/motorcycles", "/owners", "/interval-rules", "/limits", "/fasteners", "/due"] {
        assert!(server.count(list).await > 0, "{list}");
        assert_eq!(other.count(list).await, 0, "{list}");
    }
    // A reference to what is another's is a reference to nothing.
    let rule = json!({"name": "Oil", "component": "engine_oil", "operation": "replace", "every": {"months": 12},
        "applies_to": {"motorcycle_id": bike.rsplit('/').next().unwrap()}});
    assert_eq!(other.post("/interval-rules", &rule).await.wrong(), ["/applies_to/motorcycle_id"]);
});
