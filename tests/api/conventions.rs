//! What holds for every resource, tried on motorcycles: who may ask, what a body may be, in which order things are checked.
use reqwest::Method;
use serde_json::{Value, json};

use crate::harness::on_both_engines;

const NOBODY: &str = "/motorcycles/01933b6e-9a44-7cc0-8000-3f2a5c1d9e77";

fn bike() -> Value {
    json!({"name": "Courier 3", "final_drive": "chain", "odometer_unit": "mi"})
}

on_both_engines!(without_a_known_token_401, async |server| {
    for token in ["", "wmk_wrong", "ünknown"] {
        let stranger = server.with_token(token);
        for answer in [stranger.get("/motorcycles").await, stranger.get(NOBODY).await, stranger.post("/motorcycles", &json!([1])).await] {
            answer.problem(401);
            assert!(answer.header("www-authenticate").starts_with("Bearer"), "{:?}", answer.headers);
        }
    }
    let basic = server.with_token("");
    basic.send(basic.request(Method::GET, "/motorcycles").basic_auth("a", Some("b"))).await.problem(401);
});

on_both_engines!(unknown_ids_and_paths_are_404, async |server| {
    for id in ["01933b6e-9a44-7cc0-8000-3f2a5c1d9e77", "no-uuid", "1", "%00", "%F0%9F%8F%8D", "'%20or%201=1"] {
        server.get(&format!("/motorcycles/{id}")).await.problem(404);
    }
    server.get("/nothing-here").await.problem(404);
    server.get("/motorcycles/").await.problem(404);
});

on_both_engines!(another_method_is_405, async |server| {
    let answer = server.send(server.request(Method::PUT, "/motorcycles")).await;
    answer.problem(405);
    assert!(answer.header("allow").contains("POST"), "{:?}", answer.headers);
});

on_both_engines!(a_body_that_cannot_be_read, async |server| {
    for body in ["", "{", "nonsense", r#"{"name": "Courier 3""#, r#"{"name": NaN}"#, r#"{"name": Infinity}"#, "\u{0}", "{'name': 1}"] {
        server.post_text("/motorcycles", body).await.problem(400);
    }
    // Not UTF-8.
    let request = server.request(Method::POST, "/motorcycles").header("content-type", "application/json");
    server.send(request.body(b"{\"name\": \"\xff\xfe\"}".to_vec())).await.problem(400);
    // Deeper than any of ours.
    server.post_text("/motorcycles", "[".repeat(100_000)).await.problem(400);
    assert_eq!(server.count("/motorcycles").await, 0);
});

on_both_engines!(a_body_of_another_type_is_415, async |server| {
    for kind in ["text/plain", "application/x-www-form-urlencoded", "application/xml", "application/jsonx"] {
        let request = server.request(Method::POST, "/motorcycles").header("content-type", kind).body(bike().to_string());
        server.send(request).await.problem(415);
    }
    server.send(server.request(Method::POST, "/motorcycles").body(bike().to_string())).await.problem(415);
    let request = server.request(Method::POST, "/motorcycles").header("content-type", "application/json; charset=utf-8");
    server.send(request.body(bike().to_string())).await.created();
});

on_both_engines!(a_body_over_one_mebibyte_is_413, async |server| {
    let mut body = bike();
    body["notes"] = "x".repeat(1024 * 1024).into();
    server.post("/motorcycles", &body).await.problem(413);
    // The size is said before the type: nobody reads on to find out what it is.
    let request = server.request(Method::POST, "/motorcycles").header("content-type", "text/plain").body(body.to_string());
    server.send(request).await.problem(413);
    assert_eq!(server.count("/motorcycles").await, 0);
});

on_both_engines!(every_wrong_place_is_named_and_nothing_stored, async |server| {
    let answer = server
        .post(
            "/motorcycles",
            &json!({"name": 3, "final_drive": "rope", "odometer_unit": "mi", "year": "new", "color": "red",
            "records_begin": {"on": "2024-02-30", "odometer": 1, "why": ""}}),
        )
        .await;
    assert_eq!(answer.wrong(), ["/color", "/final_drive", "/name", "/records_begin/on", "/records_begin/why", "/year"]);
    assert_eq!(server.post("/motorcycles", &json!({})).await.wrong(), ["/final_drive", "/name", "/odometer_unit"]);
    for body in [json!([]), json!("Courier 3"), json!(null), json!(7)] {
        server.post("/motorcycles", &body).await.problem(422);
    }
    assert_eq!(server.count("/motorcycles").await, 0);
});

on_both_engines!(a_field_said_twice_is_not_guessed_at, async |server| {
    let answer = server.post_text("/motorcycles", r#"{"name": "A", "name": "B", "final_drive": "belt", "odometer_unit": "km"}"#).await;
    assert!(answer.status == 400 || answer.status == 422 || answer.created()["name"] == "B");
});

on_both_engines!(entity_tags, async |server| {
    let path = server.motorcycle(json!({})).await;
    let first = server.get(&path).await;
    let etag = first.etag();
    let known = |tag: &str| server.request(Method::GET, &path).header("if-none-match", tag.to_owned());
    for tag in [etag.as_str(), "*", &format!("W/{etag}"), &format!("\"other\", {etag}")] {
        let answer = server.send(known(tag)).await;
        assert_eq!((answer.status, answer.text.as_str(), answer.etag()), (304, "", etag.clone()), "{tag}");
    }
    assert_eq!(server.send(known("\"other\"")).await.ok(), first.body);

    server.send(server.request(Method::PATCH, &path).json(&json!({"notes": "a"}))).await.problem(428);
    server.send(server.request(Method::DELETE, &path)).await.problem(428);
    server.patch(&path, "\"other\"", &json!({"notes": "a"})).await.problem(412);
    server.delete(&path, "\"other\"").await.problem(412);
    // Weak tags never match for a change (RFC 9110, 13.1.1).
    server.patch(&path, &format!("W/{etag}"), &json!({"notes": "a"})).await.problem(412);
    assert_eq!(server.get(&path).await.ok(), first.body);

    let changed = server.patch(&path, &etag, &json!({"notes": "a"})).await;
    assert_ne!(changed.etag(), etag);
    assert_eq!(changed.etag(), server.get(&path).await.etag());
    server.patch(&path, &etag, &json!({"notes": "b"})).await.problem(412);
    server.delete(&path, &etag).await.problem(412);
    assert_eq!(server.get(&path).await.ok()["notes"], "a");
});

on_both_engines!(merge_patch, async |server| {
    let path = server.motorcycle(json!({"year": 2021, "notes": "old", "records_begin": {"on": "2024-03-01", "odometer": 18250}})).await;
    let change = async |body: Value| server.change(&path, &body).await;
    // null takes a value away, or sets its default; what is not named stays; objects are merged.
    let bike = change(json!({"year": null, "records_begin": {"odometer": 18300}})).await.ok();
    assert_eq!((&bike["year"], &bike["notes"]), (&Value::Null, &json!("old")));
    assert_eq!(bike["records_begin"], json!({"on": "2024-03-01", "odometer": 18300}));
    assert_eq!(change(json!({"records_begin": null, "notes": null})).await.ok()["records_begin"], Value::Null);
    assert_eq!(change(json!({})).await.ok()["name"], "Courier 3");

    assert_eq!(change(json!({"name": null})).await.wrong(), ["/name"]);
    assert_eq!(change(json!({"color": "red", "year": "x"})).await.wrong(), ["/color", "/year"]);
    assert_eq!(change(json!({"id": "01933b6e-9a44-7cc0-8000-3f2a5c1d9e77"})).await.wrong(), ["/id"]);
    change(json!(["name"])).await.problem(422);

    let etag = server.get(&path).await.etag();
    for (kind, status) in [("application/json", 200), ("text/plain", 415)] {
        let request = server.request(Method::PATCH, &path).header("content-type", kind).header("if-match", &etag);
        server.send(request.body("{}")).await.with(status);
    }
});

on_both_engines!(the_order_of_checks, async |server| {
    let path = server.motorcycle(json!({})).await;
    let patch = |path: &str, kind: &str, etag: &str, body: &str| {
        let request = server.request(Method::PATCH, path).header("content-type", kind.to_owned()).body(body.to_owned());
        if etag.is_empty() { request } else { request.header("if-match", etag.to_owned()) }
    };
    let stranger = server.with_token("wmk_wrong");
    // 401 before 404, 404 before 415, 415 and 400 before 428 and 412, these before 422.
    stranger.send(stranger.request(Method::PATCH, NOBODY)).await.problem(401);
    server.send(patch(NOBODY, "text/plain", "", "{")).await.problem(404);
    server.send(patch(&path, "text/plain", "", "{")).await.problem(415);
    server.send(patch(&path, "application/json", "", "{")).await.problem(400);
    server.send(patch(&path, "application/json", "", "")).await.problem(400);
    server.send(server.request(Method::POST, "/motorcycles")).await.problem(400);
    server.send(patch(&path, "application/json", "", r#"{"name": 1}"#)).await.problem(428);
    server.send(patch(&path, "application/json", "\"other\"", r#"{"name": 1}"#)).await.problem(412);
    let etag = server.get(&path).await.etag();
    assert_eq!(server.send(patch(&path, "application/json", &etag, r#"{"name": 1}"#)).await.wrong(), ["/name"]);
});

on_both_engines!(every_answer_says_how_it_may_be_used, async |server| {
    let path = server.motorcycle(json!({})).await;
    for answer in [server.get(&path).await, server.get(NOBODY).await, server.get("/motorcycles").await] {
        assert_eq!(answer.header("x-content-type-options"), "nosniff");
        assert!(answer.header("content-security-policy").contains("default-src 'none'"));
        assert!(answer.header("cache-control").contains("private"), "{:?}", answer.headers);
        assert!(!answer.header("x-request-id").is_empty());
    }
});

on_both_engines!(health, async |server| {
    for path in ["/healthz", "/readyz"] {
        let answer = reqwest::get(format!("{}{path}", server.address)).await.unwrap();
        assert_eq!(answer.status(), 200);
    }
    let document = reqwest::get(format!("{}/api/v1/openapi.json", server.address)).await.unwrap();
    assert_eq!(document.json::<Value>().await.unwrap()["openapi"].as_str().unwrap().get(..3), Some("3.1"));
});

// A merge patch (RFC 7396) that takes away what no motorcycle has: a mistyped name is said, not lost.
on_both_engines!(null_for_an_unknown_field, async |server| {
    let path = server.motorcycle(json!({"notes": "kept"})).await;
    let etag = server.get(&path).await.etag();
    assert_eq!(server.patch(&path, &etag, &json!({"nme": null, "notes": "new"})).await.wrong(), ["/nme"]);
    assert_eq!(server.get(&path).await.body["notes"], "kept");
    let begin = server.patch(&path, &etag, &json!({"records_begin": {"on": "2026-01-02", "odometer": 5}})).await.etag();
    let wrong = server.patch(&path, &begin, &json!({"records_begin": {"onn": null}})).await.wrong();
    assert_eq!(wrong, ["/records_begin/onn"]);
    server.patch(&path, &begin, &json!({"records_begin": null, "notes": ""})).await.ok();
});

// RFC 6750, section 3.1.
on_both_engines!(what_is_asked_of_a_token, async |server| {
    let asked = async |request| {
        let answer = server.send(request).await;
        (answer.status, answer.header("www-authenticate").to_owned())
    };
    let plain = server.with_token("").request(Method::GET, "/motorcycles");
    assert_eq!(asked(plain).await, (401, "Bearer realm=\"witnessmark\"".into()));
    let unknown = server.with_token("wmk_unknown");
    let invalid = (401, "Bearer realm=\"witnessmark\", error=\"invalid_token\"".to_owned());
    assert_eq!(asked(unknown.request(Method::GET, "/motorcycles")).await, invalid);
    let made = server.post("/tokens", &json!({"name": "Reads", "scopes": ["read"]})).await.created();
    let reads = server.with_token(made["token"].as_str().unwrap());
    let narrow = (403, "Bearer realm=\"witnessmark\", error=\"insufficient_scope\"".to_owned());
    assert_eq!(asked(reads.request(Method::POST, "/motorcycles").json(&json!({}))).await, narrow);
});

on_both_engines!(without_its_database_503, async |server| {
    server.app.store.close().await;
    for answer in [server.get("/motorcycles").await, server.post("/motorcycles", &bike()).await] {
        answer.problem(503);
        assert!(!answer.header("retry-after").is_empty());
    }
    assert_eq!(reqwest::get(format!("{}/readyz", server.address)).await.unwrap().status(), 503);
});
