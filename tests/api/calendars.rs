//! Calendars, read by a program that knows nothing of this one.
use std::{
    io::Write,
    process::{Command, Stdio},
};

use serde_json::{Value, json};
use time::macros::datetime;

use crate::harness::{Answer, Server, on_both_engines};

/// What one of the checks in `tests/checks` reads out of a text.
pub fn checked(check: &str, text: &str) -> Value {
    let script = format!("{}/tests/checks/{check}", env!("CARGO_MANIFEST_DIR"));
    let mut python = Command::new("python3")
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("python3 is there");
    python.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
    let output = python.wait_with_output().unwrap();
    assert!(output.status.success(), "{}\n{text}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

async fn fetch(server: &Server, url: &str, known: Option<&str>) -> Answer {
    let path = url.split_once("/calendar/").unwrap().1;
    let mut request = reqwest::Client::new().get(format!("{}/calendar/{path}", server.address));
    if let Some(tag) = known {
        request = request.header("if-none-match", tag);
    }
    let response = request.send().await.unwrap();
    let (status, headers) = (response.status().as_u16(), response.headers().clone());
    Answer { request: format!("GET /calendar/{path}"), status, headers, body: Value::Null, text: response.text().await.unwrap() }
}
async fn made(server: &Server, body: Value) -> (String, String) {
    let made = server.post("/calendars", &body).await.created();
    (made["id"].as_str().unwrap().to_owned(), made["url"].as_str().unwrap().to_owned())
}
async fn read(server: &Server, url: &str) -> Value {
    let answer = fetch(server, url, None).await;
    assert_eq!((answer.status, answer.header("content-type")), (200, "text/calendar; charset=utf-8"), "{}", answer.text);
    checked("rfc5545.py", &answer.text)
}
/// A bike with a rule in months, done on a day, and one in distance.
async fn bike(server: &Server, name: &str) -> String {
    let bike = server.motorcycle(json!({"name": name})).await;
    let event = json!({"on": "2026-05-02", "odometer": 1000, "work": [{"component": "engine_oil", "operation": "replace"}, {"component": "drive_chain", "operation": "adjust"}]});
    server.post(&format!("{bike}/service-events"), &event).await.created();
    bike
}
async fn rules(server: &Server) -> String {
    let chain =
        json!({"name": "Chain", "component": "drive_chain", "operation": "adjust", "every": {"distance": {"value": 500, "unit": "mi"}}});
    server.post("/interval-rules", &chain).await.created();
    let oil = json!({"name": "Oil; filter, and a \\ look", "component": "engine_oil", "operation": "replace", "every": {"months": 12}});
    server.post("/interval-rules", &oil).await.id()
}

on_both_engines!(entries_are_what_is_due_and_change_only_with_it, async |server| {
    let oil = rules(&server).await;
    let name = format!("Courier, \"3\"; {}", "ä".repeat(80));
    let path = bike(&server, &name).await;
    bike(&server, "Ferry").await;
    let (_, url) = made(&server, json!({"motorcycle_id": path.rsplit('/').next()})).await;
    assert!(url.starts_with(&server.address) && url.rsplit('.').next() == Some("ics"), "{url}");
    let calendar = read(&server, &url).await;
    let due = server.get(&format!("{path}/due")).await.items();
    let events = calendar["events"].as_array().unwrap().clone();
    let told = |id: &str| -> Vec<Value> {
        due.iter().map(|item| json!([format!("{}@witnessmark", item["id"].as_str().unwrap()), item[id]])).collect()
    };
    assert_eq!(events.iter().map(|event| json!([event["uid"], event["on"]])).collect::<Vec<_>>(), told("due_from"));
    assert!(events.iter().all(|event| event["sequence"] == 0 && event["changed"] == "20260615T120000Z"), "{events:?}");
    let of = |events: &[Value], on: &str| events.iter().find(|event| event["summary"].as_str().unwrap().contains(on)).unwrap().clone();
    let first = of(&events, "look");
    assert!(first["summary"].as_str().unwrap().starts_with(&name), "{first}");

    // Asked again, it is the same text, which a program that has it is not sent again.
    let answer = fetch(&server, &url, None).await;
    assert_eq!(fetch(&server, &url, Some(&answer.etag())).await.status, 304);
    assert!(answer.header("cache-control").starts_with("private"), "{:?}", answer.headers);
    let later = server.at(datetime!(2026-06-16 09:30 UTC)).await;
    assert_eq!(fetch(&later, &url, None).await.text, answer.text, "a day later nothing has changed");

    // Something changes: this entry counts one up, the other stays as it is.
    later.change(&format!("/interval-rules/{oil}"), &json!({"name": "Oil"})).await.ok();
    let now = read(&later, &url).await["events"].as_array().unwrap().clone();
    let changed = now.iter().find(|event| event["uid"] == first["uid"]).unwrap();
    assert_eq!((&changed["sequence"], &changed["changed"]), (&json!(1), &json!("20260616T093000Z")));
    assert_eq!(of(&now, "Chain"), of(&events, "Chain"));
});

on_both_engines!(whose_and_how_long, async |server| {
    rules(&server).await;
    let courier = bike(&server, "Courier 3").await;
    bike(&server, "Ferry").await;
    let (id, url) = made(&server, json!({})).await;
    assert_eq!(read(&server, &url).await["events"].as_array().unwrap().len(), 4);
    let (_, one) = made(&server, json!({"motorcycle_id": courier.rsplit('/').next()})).await;
    assert_eq!(read(&server, &one).await["events"].as_array().unwrap().len(), 2);
    server.remove(&courier).await.with(204);
    assert_eq!(read(&server, &one).await["events"].as_array().unwrap().len(), 0, "nothing is due on an archived motorcycle");

    let shown = server.get(&format!("/calendars/{id}")).await;
    assert!(!shown.text.contains("url") && !server.get("/calendars").await.text.contains(".ics"), "the secret is shown once");
    assert_eq!(server.count("/calendars").await, 2);
    assert_eq!(server.other_workshop().get(&format!("/calendars/{id}")).await.status, 404);
    server.post("/calendars", &json!({"motorcycle_id": id})).await.problem(422);
    assert_eq!(server.post("/calendars", &json!({"color": "red"})).await.wrong(), ["/color"]);
    server.remove(&format!("/calendars/{id}")).await.with(204);
    server.get(&format!("/calendars/{id}")).await.problem(404);
    for gone in [url.as_str(), "x/calendar/guess.ics", "x/calendar/guess"] {
        assert_eq!(fetch(&server, gone, None).await.status, 404, "{gone}");
    }
    // Whoever sees one owner's motorcycles makes a calendar of those.
    let owner = server.post("/owners", &json!({"name": "Ada Birch"})).await.id();
    let own = bike(&server, "Gull").await;
    server.change(&own, &json!({"owner_id": owner})).await.ok();
    let token = server.post("/tokens", &json!({"name": "Ada", "scopes": ["read", "write"], "owner_id": owner})).await.created();
    let narrow = server.with_token(token["token"].as_str().unwrap());
    assert_eq!(narrow.count("/calendars").await, 0);
    let (_, url) = made(&narrow, json!({})).await;
    let events = read(&server, &url).await["events"].as_array().unwrap().clone();
    assert!(events.len() == 2 && events.iter().all(|event| event["summary"].as_str().unwrap().starts_with("Gull")), "{events:?}");
    assert_eq!((narrow.count("/calendars").await, server.count("/calendars").await), (1, 2));
});

on_both_engines!(what_somebody_made_goes_when_they_go, async |server| {
    rules(&server).await;
    bike(&server, "Courier 3").await;
    let token = server.post("/tokens", &json!({"name": "calendar", "scopes": ["read", "write"]})).await.created();
    let (_, url) = made(&server.with_token(token["token"].as_str().unwrap()), json!({})).await;
    let (_, kept) = made(&server, json!({})).await;
    read(&server, &url).await;
    server.remove(&format!("/tokens/{}", token["id"].as_str().unwrap())).await.with(204);
    assert_eq!(fetch(&server, &url, None).await.status, 404);
    read(&server, &kept).await;
});
