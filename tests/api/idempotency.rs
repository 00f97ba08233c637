//! A second tap on "save", a lost answer, a retried script: done once.
use reqwest::Method;
use serde_json::{Value, json};

use crate::harness::{Answer, Server, on_both_engines, server::now};

async fn post(server: &Server, path: &str, key: &str, body: &Value) -> Answer {
    server.send(server.request(Method::POST, path).header("idempotency-key", key).json(body)).await
}
fn bike(name: &str) -> Value {
    json!({"name": name, "final_drive": "shaft", "odometer_unit": "km"})
}

on_both_engines!(the_same_request_again_gives_the_first_answer, async |server| {
    let first = post(&server, "/motorcycles", "one", &bike("A")).await;
    let again = post(&server, "/motorcycles", "one", &bike("A")).await;
    assert_eq!((first.status, &first.text, first.etag()), (201, &again.text, again.etag()));
    assert_eq!((again.status, again.header("location")), (201, first.header("location")));
    assert_eq!((first.header("idempotency-replayed"), again.header("idempotency-replayed")), ("", "true"));
    assert_eq!(server.count("/motorcycles").await, 1);
    // Later changes do not change what is replayed.
    let path = format!("/motorcycles/{}", first.body["id"].as_str().unwrap());
    server.change(&path, &json!({"notes": "changed"})).await.ok();
    assert_eq!(post(&server, "/motorcycles", "one", &bike("A")).await.text, first.text);
});

on_both_engines!(the_same_key_for_another_request_is_422, async |server| {
    let path = format!("/motorcycles/{}", post(&server, "/motorcycles", "one", &bike("A")).await.id());
    post(&server, "/motorcycles", "one", &bike("B")).await.problem(422);
    post(&server, &format!("{path}/odometer-readings"), "one", &bike("A")).await.problem(422);
    assert_eq!(server.count("/motorcycles").await, 1);
    post(&server, "/motorcycles", "two", &bike("B")).await.created();
});

on_both_engines!(a_refused_request_may_be_corrected_under_its_key, async |server| {
    post(&server, "/motorcycles", "one", &json!({"name": "A"})).await.problem(422);
    post(&server, "/motorcycles", "one", &bike("A")).await.created();
});

on_both_engines!(keys_belong_to_a_workshop, async |server| {
    post(&server, "/motorcycles", "one", &bike("A")).await.created();
    let other = post(&server.other_workshop(), "/motorcycles", "one", &bike("A")).await;
    assert_eq!(other.header("idempotency-replayed"), "");
    other.created();
});

on_both_engines!(wrong_keys, async |server| {
    post(&server, "/motorcycles", "", &bike("A")).await.problem(422);
    post(&server, "/motorcycles", &"k".repeat(256), &bike("A")).await.problem(422);
    post(&server, "/motorcycles", &"k".repeat(255), &bike("A")).await.created();
});

on_both_engines!(many_at_once_are_done_once, async |server| {
    let mut tasks = tokio::task::JoinSet::new();
    for _ in 0..12 {
        let server = server.clone();
        tasks.spawn(async move { post(&server, "/motorcycles", "one", &bike("A")).await });
    }
    let mut bodies = Vec::new();
    while let Some(answer) = tasks.join_next().await {
        let answer = answer.unwrap();
        match answer.status {
            201 => bodies.push(answer.text),
            _ => {
                // The first is still running.
                answer.problem(409);
            }
        }
    }
    bodies.dedup();
    assert_eq!(bodies.len(), 1, "{bodies:?}");
    assert_eq!(server.count("/motorcycles").await, 1);
});

on_both_engines!(two_servers_keep_one_book_of_keys, async |server| {
    let second = server.at(now()).await;
    let mut tasks = tokio::task::JoinSet::new();
    for number in 0..8 {
        let server = if number % 2 == 0 { server.clone() } else { second.clone() };
        tasks.spawn(async move { post(&server, "/motorcycles", "one", &bike("A")).await });
    }
    while let Some(answer) = tasks.join_next().await {
        let answer = answer.unwrap();
        assert!(matches!(answer.status, 201 | 409 | 503), "{}", answer.text);
    }
    assert_eq!(server.count("/motorcycles").await, 1);
    assert_eq!(post(&second, "/motorcycles", "one", &bike("A")).await.header("idempotency-replayed"), "true");
});

on_both_engines!(a_key_is_forgotten_after_a_day, async |server| {
    post(&server, "/motorcycles", "one", &bike("A")).await.created();
    let hours = |hours| now() + time::Duration::hours(hours);
    let later = server.at(hours(23)).await;
    assert_eq!(post(&later, "/motorcycles", "one", &bike("A")).await.header("idempotency-replayed"), "true");
    let next_day = server.at(hours(25)).await;
    let again = post(&next_day, "/motorcycles", "one", &bike("A")).await;
    assert_eq!(again.header("idempotency-replayed"), "");
    again.created();
});
