//! `/people`: who may come in, and what they are.
use reqwest::Method;
use serde_json::{Value, json};
use time::Duration;

use crate::harness::{Server, on_both_engines, server::now};

fn mechanic() -> Value {
    json!({"email": "Ada@Example.org", "name": " Ada Birch ", "roles": ["mechanic"], "owner_id": null})
}
async fn manager(server: &Server) -> String {
    let people = server.get("/people").await.items();
    let manager = people.iter().find(|person| person["roles"].as_array().is_some_and(|roles| roles.contains(&json!("manager"))));
    format!("/people/{}", manager.expect("the manager")["id"].as_str().unwrap())
}

on_both_engines!(an_invitation_shows_its_link_once, async |server| {
    let made = server.post("/people", &mechanic()).await;
    let tag = made.etag();
    let made = made.created();
    assert_eq!((&made["email"], &made["name"]), (&json!("ada@example.org"), &json!("Ada Birch")));
    assert_eq!((&made["joined_at"], &made["invitation"]), (&Value::Null, &json!({"expires_at": "2026-06-22T12:00:00Z"})));
    let link = made["link"].as_str().unwrap();
    assert!(link.starts_with("/welcome/") && link.len() > 45, "{link}");
    let shown = server.get(&format!("/people/{}", made["id"].as_str().unwrap())).await;
    assert_eq!(shown.etag(), tag);
    assert!(!shown.text.contains("welcome") && shown.body.get("link").is_none(), "{}", shown.text);
    assert!(!server.get("/people").await.text.contains(link.trim_start_matches("/welcome/")));
    assert!(!server.get("/audit").await.text.contains(link.trim_start_matches("/welcome/")), "the audit trail holds no secret");
});

on_both_engines!(a_repeated_invitation_answers_without_the_link, async |server| {
    let ask = async || {
        let request = server.request(Method::POST, "/people").header("idempotency-key", "one").json(&mechanic());
        server.send(request).await
    };
    let (first, again) = (ask().await, ask().await);
    assert_eq!((first.header("idempotency-replayed"), again.header("idempotency-replayed")), ("", "true"));
    let (first, again) = (first.created(), again.created());
    assert!(first["link"].is_string());
    assert_eq!((&again["link"], &again["id"]), (&Value::Null, &first["id"]));
    assert_eq!(server.count("/people").await, 2);
});

on_both_engines!(links_are_made_of_the_public_address_and_never_of_the_host, async |server| {
    let public = server.reached_at("https://bikes.example.org").await;
    let poisoned = public.request(Method::POST, "/people").header("host", "evil.example").header("x-forwarded-host", "evil.example");
    let made = public.send(poisoned.json(&mechanic())).await.created();
    assert!(made["link"].as_str().unwrap().starts_with("https://bikes.example.org/welcome/"), "{made}");
    let unknown = server.request(Method::POST, "/people").header("host", "evil.example").header("forwarded", "host=evil.example");
    let made = server.send(unknown.json(&json!({"email": "bo@example.org", "name": "Bo", "roles": ["manager"]}))).await.created();
    assert!(made["link"].as_str().unwrap().starts_with("/welcome/"), "{made}");
});

on_both_engines!(each_wrong_thing_is_named, async |server| {
    let elsewhere = server.other_workshop().post("/owners", &json!({"name": "Cy Marsh"})).await.id();
    for (change, pointer) in [
        (json!({"email": "nobody"}), "/email"),
        (json!({"email": "a@example.org\r\nBcc: b@example.org"}), "/email"),
        (json!({"name": " "}), "/name"),
        (json!({"name": "A\u{0}"}), "/name"),
        (json!({"roles": []}), "/roles"),
        (json!({"roles": ["king"]}), "/roles/0"),
        (json!({"roles": ["owner"]}), "/owner_id"),
        (json!({"roles": ["owner"], "owner_id": elsewhere}), "/owner_id"),
        (json!({"owner_id": elsewhere}), "/owner_id"),
        (json!({"password": "x"}), "/password"),
    ] {
        let mut body = mechanic();
        crate::harness::server::merge(&mut body, change);
        assert!(server.post("/people", &body).await.wrong().contains(&pointer.to_owned()), "{body}");
    }
    assert_eq!(server.count("/people").await, 1);
    let owner = server.post("/owners", &json!({"name": "Ada Birch"})).await.id();
    let body = json!({"email": "ada@example.org", "name": "Ada", "roles": ["owner", "manager", "owner"], "owner_id": owner});
    assert_eq!(server.post("/people", &body).await.created()["roles"], json!(["manager", "owner"]));
});

on_both_engines!(nothing_tells_whether_an_address_has_an_account_elsewhere, async |server| {
    // The second workshop's manager, and an address that nobody ever gave.
    let ask = async |email: &str| {
        let made = server.post("/people", &json!({"email": email, "name": "X", "roles": ["mechanic"]})).await;
        assert_eq!(made.status, 201, "{}", made.text);
        let mut body = made.body.clone();
        for field in ["id", "link", "email"] {
            body[field] = Value::Null;
        }
        (body, made.headers.keys().map(ToString::to_string).collect::<Vec<_>>())
    };
    assert_eq!(ask("second@example.org").await, ask("nobody@example.org").await);
    // Here it is known to be taken.
    let there = server.post("/people", &json!({"email": "first@example.org", "name": "X", "roles": ["mechanic"]})).await;
    assert_eq!(there.problem(409)["conflicts_with"].as_array().map(Vec::len), Some(1));
    let again = server.post("/people", &json!({"email": "second@example.org", "name": "X", "roles": ["mechanic"]})).await;
    assert!(again.problem(409)["detail"].as_str().unwrap().contains("invited already"));
});

on_both_engines!(people_are_changed_and_removed, async |server| {
    let path = format!("/people/{}", server.post("/people", &mechanic()).await.id());
    server.change(&path, &json!({"email": "other@example.org"})).await.problem(422);
    let changed = server.change(&path, &json!({"name": "A. Birch", "roles": ["manager"]})).await.ok();
    assert_eq!((&changed["name"], &changed["roles"]), (&json!("A. Birch"), &json!(["manager"])));
    assert_eq!(server.patch(&path, "\"old\"", &json!({"name": "B"})).await.status, 412);
    assert_eq!(server.send(server.request(Method::DELETE, &path)).await.status, 428);
    let names: Vec<_> = server.all("/people?limit=1").await.iter().map(|person| person["name"].clone()).collect();
    assert_eq!(names, [json!("A. Birch"), json!("first")]);
    assert_eq!(server.remove(&path).await.status, 204);
    server.get(&path).await.problem(404);
    let actions: Vec<_> = server
        .get("/audit")
        .await
        .items()
        .iter()
        .filter(|entry| entry["subject"]["kind"] == "person")
        .map(|entry| entry["action"].clone())
        .collect();
    assert_eq!(actions, ["remove", "change", "invite"]);
});

on_both_engines!(the_last_manager_stays, async |server| {
    let first = manager(&server).await;
    let refused = server.remove(&first).await;
    assert!(refused.problem(409)["detail"].as_str().unwrap().contains("only manager"), "{}", refused.text);
    server.change(&first, &json!({"roles": ["mechanic"]})).await.problem(409);
    // Somebody who is only invited runs nothing yet.
    server.post("/people", &json!({"email": "bo@example.org", "name": "Bo", "roles": ["manager"]})).await.created();
    server.remove(&first).await.problem(409);
    server.change(&first, &json!({"name": "Cy"})).await.ok();
    assert_eq!(server.get(&first).await.ok()["roles"], json!(["manager"]));
});

on_both_engines!(another_workshops_people_are_not_there, async |server| {
    let theirs = manager(&server.other_workshop()).await;
    server.get(&theirs).await.problem(404);
    server.patch(&theirs, "*", &json!({"name": "X"})).await.problem(404);
    server.delete(&theirs, "*").await.problem(404);
    assert_eq!(server.other_workshop().get(&theirs).await.ok()["name"], "second");
});

on_both_engines!(an_invitation_ends_after_seven_days, async |server| {
    let link = server.post("/people", &mechanic()).await.created()["link"].as_str().unwrap().to_owned();
    let later = server.at(now() + Duration::days(7) - Duration::seconds(1)).await;
    let over = server.at(now() + Duration::days(7)).await;
    let page = async |server: &Server| reqwest::get(format!("{}{link}", server.address)).await.unwrap().status().as_u16();
    assert_eq!((page(&server).await, page(&later).await, page(&over).await), (200, 200, 404));
});
