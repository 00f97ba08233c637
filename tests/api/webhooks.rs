//! Webhooks: their settings, what is told to them, and a receiver that hears it, refuses it or sends it elsewhere.
use std::sync::{Arc, Mutex};

use axum::{
    Router,
    http::{HeaderMap, StatusCode, header},
    response::{IntoResponse, Response},
    routing::post,
};
use serde_json::{Value, json};
use time::Duration;
use tokio::net::TcpListener;
use witnessmark::{actions::App, clock::Clock, feeds::webhooks as sender, store::Store};

use crate::harness::{Server, on_both_engines, server::now};

type Heard = Arc<Mutex<Vec<(HeaderMap, String)>>>;

/// A receiver that answers with these statuses in turn, the last one for ever; a redirect leads to its path `/elsewhere`.
async fn receiver(statuses: &[u16]) -> (String, Heard) {
    let heard = Heard::default();
    let (kept, statuses) = (Arc::clone(&heard), statuses.to_vec());
    let hook = move |headers: HeaderMap, body: String| async move {
        let mut heard = kept.lock().unwrap();
        let status = statuses[heard.len().min(statuses.len() - 1)];
        heard.push((headers, body));
        let mut response = StatusCode::from_u16(status).unwrap().into_response();
        if (300..400).contains(&status) {
            response.headers_mut().insert(header::LOCATION, "/elsewhere".parse().unwrap());
        }
        response
    };
    let elsewhere = || async { panic!("a redirect was followed") as Response };
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = format!("http://{}", listener.local_addr().unwrap());
    let router = Router::new().route("/hook", post(hook)).route("/elsewhere", post(elsewhere).get(elsewhere));
    tokio::spawn(async move { axum::serve(listener, router).await.unwrap() });
    (format!("{address}/hook"), heard)
}

/// The sender, some seconds later than the tests' clock.
async fn sender(server: &Server, seconds: i64, private: bool) -> Arc<App> {
    let store = Store::open(&server.url).await.unwrap();
    Arc::new(App::new(store, Clock::Fixed(now() + Duration::seconds(seconds))).with_private_webhooks(private))
}
async fn send(server: &Server, seconds: i64) -> usize {
    let app = sender(server, seconds, true).await;
    let sent = sender::send_pending(&app).await.unwrap();
    app.store.close().await;
    sent
}
/// A webhook to any address, as if the server had been started to allow private ones.
async fn hook(server: &Server, url: &str, events: Value) -> Value {
    let open = server.allowing_private_webhooks().await;
    open.post("/webhooks", &json!({"url": url, "events": events})).await.created()
}
async fn deliveries(server: &Server, hook: &Value) -> Vec<Value> {
    server.all(&format!("/webhooks/{}/deliveries?limit=1", hook["id"].as_str().unwrap())).await
}

on_both_engines!(its_secret_is_shown_once, async |server| {
    let body = json!({"url": "https://hooks.example.org/x", "events": ["due.changed", "service.logged"], "name": "Shop calendar"});
    let answer = server.post("/webhooks", &body).await;
    let tag = answer.etag();
    let made = answer.created();
    let secret = made["secret"].as_str().unwrap();
    assert!(secret.starts_with("whsec_") && secret.len() == "whsec_".len() + 44, "{secret}");
    let path = format!("/webhooks/{}", made["id"].as_str().unwrap());
    let shown = server.get(&path).await;
    assert_eq!(shown.etag(), tag);
    assert!(shown.body.get("secret").is_none() && !shown.text.contains("whsec_"), "{}", shown.text);
    assert!(server.get("/webhooks").await.items()[0].get("secret").is_none());
    assert_eq!(server.patch(&path, &tag, &json!({"active": false})).await.ok()["active"], false);
    server.patch(&path, &tag, &json!({"active": true})).await.problem(412);
    assert_eq!(server.change(&path, &json!({"secret": "whsec_mine"})).await.wrong(), ["/secret"]);
    assert_eq!(server.other_workshop().get(&path).await.status, 404);
    assert_eq!(server.other_workshop().get(&format!("{path}/deliveries")).await.status, 404);
    assert_eq!(server.remove(&path).await.status, 204);
    assert_eq!((server.get(&path).await.status, server.count("/webhooks").await), (404, 0));
});

on_both_engines!(what_cannot_be_a_webhook, async |server| {
    let wrong = async |body: Value| server.post("/webhooks", &body).await.wrong();
    assert_eq!(wrong(json!({})).await, ["/events", "/url"]);
    assert_eq!(wrong(json!({"url": "https://hooks.example.org", "events": []})).await, ["/events"]);
    assert_eq!(wrong(json!({"url": "https://hooks.example.org", "events": ["rain"]})).await, ["/events/0"]);
    for url in [
        "ftp://hooks.example.org",
        "http://localhost:8080",
        "http://127.0.0.1",
        "http://[::1]/",
        "http://169.254.169.254/",
        "https://10.0.0.1",
        "nonsense",
        "https://a:b@example.org",
    ] {
        assert_eq!(wrong(json!({"url": url, "events": ["due.changed"]})).await, ["/url"], "{url}");
    }
    assert_eq!(server.count("/webhooks").await, 0);
});

on_both_engines!(a_reading_is_told_and_signed, async |server| {
    let (url, heard) = receiver(&[204]).await;
    let told = hook(&server, &url, json!(["reading.recorded"])).await;
    let other = hook(&server, &url, json!(["service.logged"])).await;
    let bike = server.motorcycle(json!({})).await;
    let reading = server.reading(&bike, "2026-05-02", 12345).await.id();
    assert_eq!(deliveries(&server, &told).await[0]["status"], "pending");
    assert_eq!((send(&server, 0).await, send(&server, 0).await), (1, 0));
    let (headers, body) = heard.lock().unwrap()[0].clone();
    let delivery = deliveries(&server, &told).await[0].clone();
    let sent: Value = serde_json::from_str(&body).unwrap();
    let bike_id = bike.trim_start_matches("/motorcycles/");
    assert_eq!(
        sent,
        json!({"type": "reading.recorded", "timestamp": "2026-06-15T12:00:00Z", "data": {"motorcycle_id": bike_id, "id": reading}})
    );
    assert_eq!((&delivery["payload"], &delivery["status"], &delivery["attempts"]), (&sent, &json!("delivered"), &json!(1)));
    assert_eq!((&delivery["last_answer"], &delivery["next_try_at"]), (&json!("Answered with 204."), &Value::Null));
    let text = |name: &str| headers[name].to_str().unwrap().to_owned();
    assert_eq!((text("webhook-id"), text("content-type")), (delivery["id"].as_str().unwrap().to_owned(), "application/json".into()));
    let at = text("webhook-timestamp").parse().unwrap();
    assert_eq!(at, now().unix_timestamp());
    assert_eq!(text("webhook-signature"), sender::sign(told["secret"].as_str().unwrap(), &text("webhook-id"), at, &body).unwrap());
    assert!(deliveries(&server, &other).await.is_empty());
});

on_both_engines!(a_refused_write_tells_nothing, async |server| {
    let told = hook(&server, "http://127.0.0.1:9/", json!(["reading.recorded", "due.changed"])).await;
    let bike = server.motorcycle(json!({})).await;
    server.reading(&bike, "2026-05-02", -1).await.wrong();
    assert!(deliveries(&server, &told).await.is_empty());
});

on_both_engines!(it_is_tried_again_and_given_up_in_the_end, async |server| {
    let (url, heard) = receiver(&[500, 302, 200]).await;
    let told = hook(&server, &url, json!(["reading.recorded"])).await;
    let bike = server.motorcycle(json!({})).await;
    server.reading(&bike, "2026-05-02", 1).await.created();
    assert_eq!(send(&server, 0).await, 1);
    let first = deliveries(&server, &told).await[0].clone();
    assert_eq!((&first["status"], &first["last_answer"]), (&json!("pending"), &json!("Answered with 500.")));
    assert_eq!(first["next_try_at"], "2026-06-15T12:00:05Z");
    assert_eq!((send(&server, 4).await, send(&server, 5).await), (0, 1));
    assert_eq!(deliveries(&server, &told).await[0]["last_answer"], "Answered with 302; redirects are not followed.");
    assert_eq!(send(&server, 65).await, 1);
    let last = deliveries(&server, &told).await[0].clone();
    assert_eq!((&last["status"], &last["attempts"]), (&json!("delivered"), &json!(3)));
    let ids: Vec<_> = heard.lock().unwrap().iter().map(|(headers, _)| headers["webhook-id"].clone()).collect();
    assert!(ids.iter().all(|id| *id == ids[0]) && ids.len() == 3, "{ids:?}");
    // Nobody listens there: after eight tries it is given up.
    let deaf = hook(&server, "http://127.0.0.1:9/", json!(["reading.recorded"])).await;
    server.reading(&bike, "2026-05-03", 2).await.created();
    let mut tries = 0;
    for day in 0..20 {
        tries += send(&server, day * 86_400).await;
    }
    // Eight to the deaf one, one to the other.
    assert_eq!(tries, 9);
    let given_up = deliveries(&server, &deaf).await[0].clone();
    assert_eq!((&given_up["status"], &given_up["attempts"], &given_up["next_try_at"]), (&json!("given_up"), &json!(8), &Value::Null));
});

on_both_engines!(private_addresses_are_refused_when_it_is_sent, async |server| {
    let (url, heard) = receiver(&[200]).await;
    let told = hook(&server, &url, json!(["reading.recorded"])).await;
    let bike = server.motorcycle(json!({})).await;
    server.reading(&bike, "2026-05-02", 1).await.created();
    let app = sender(&server, 0, false).await;
    assert_eq!(sender::send_pending(&app).await.unwrap(), 1);
    app.store.close().await;
    assert!(heard.lock().unwrap().is_empty());
    let delivery = deliveries(&server, &told).await[0].clone();
    assert!(delivery["last_answer"].as_str().unwrap().contains("private network"), "{delivery}");
});

on_both_engines!(services_and_what_is_due_are_told, async |server| {
    let told = hook(&server, "http://127.0.0.1:9/", json!(["due.changed", "service.logged", "service.struck_out"])).await;
    let bike = server.motorcycle(json!({"in_service_on": "2025-08-01"})).await;
    let bike_id = bike.trim_start_matches("/motorcycles/");
    let rule = json!({"name": "Chain", "component": "drive_chain", "operation": "adjust", "every": {"months": 12}});
    server.post("/interval-rules", &rule).await.created();
    let event = server
        .post(
            &format!("{bike}/service-events"),
            &json!({"on": "2026-05-02", "work": [{"component": "drive_chain", "operation": "adjust"}]}),
        )
        .await
        .id();
    server.remove(&format!("/service-events/{event}?reason=typed+wrong")).await;
    let mut kinds: Vec<_> = deliveries(&server, &told)
        .await
        .iter()
        .map(|delivery| (delivery["type"].as_str().unwrap().to_owned(), delivery["payload"]["data"].clone()))
        .collect();
    kinds.reverse();
    let due = ("due.changed".to_owned(), json!({"motorcycle_id": bike_id, "id": null}));
    assert_eq!(kinds[0], due, "{kinds:?}");
    assert!(kinds.contains(&("service.logged".into(), json!({"motorcycle_id": bike_id, "id": event}))), "{kinds:?}");
    assert!(kinds.contains(&("service.struck_out".into(), json!({"motorcycle_id": bike_id, "id": event}))), "{kinds:?}");
});

on_both_engines!(what_comes_due_by_the_calendar_is_told_once, async |server| {
    let told = hook(&server, "http://127.0.0.1:9/", json!(["due.changed"])).await;
    let bike = server.motorcycle(json!({"in_service_on": "2025-08-01"})).await;
    let rule = json!({"name": "Chain", "component": "drive_chain", "operation": "adjust", "every": {"months": 12}});
    server.post("/interval-rules", &rule).await.created();
    let before = deliveries(&server, &told).await.len();
    let item = server.get(&format!("{bike}/due")).await.ok()["items"][0].clone();
    assert_eq!(item["due_from"], "2026-08-01", "{item}");
    for (day, more) in [(0, 0), (47, 1), (47, 1), (48, 1)] {
        // 47 days on it is 1 August.
        let app = sender(&server, day * 86_400, true).await;
        witnessmark::actions::webhook::tell_what_turned(&app).await.unwrap();
        app.store.close().await;
        assert!(deliveries(&server, &told).await.len() >= before + more, "day {day}");
        if day < 48 {
            assert_eq!(deliveries(&server, &told).await.len(), before + more, "day {day}");
        }
    }
});

on_both_engines!(a_test_message_is_signed_sent_once_and_logged, async |server| {
    let (url, heard) = receiver(&[503, 204]).await;
    let told = hook(&server, &url, json!(["service.logged"])).await;
    let id = told["id"].as_str().unwrap().to_owned();
    let path = format!("/webhooks/{id}");
    let sent = server.post(&format!("{path}/test"), &json!({})).await.with(202);
    assert_eq!((&sent["type"], &sent["status"]), (&json!("webhook.test"), &json!("pending")), "{sent}");
    assert_eq!(send(&server, 0).await, 1);
    let (headers, body) = heard.lock().unwrap()[0].clone();
    let said: Value = serde_json::from_str(&body).unwrap();
    assert_eq!(said, json!({"type": "webhook.test", "timestamp": "2026-06-15T12:00:00Z", "data": {"motorcycle_id": null, "id": id}}));
    let text = |name: &str| headers[name].to_str().unwrap().to_owned();
    let at = text("webhook-timestamp").parse().unwrap();
    assert_eq!(text("webhook-signature"), sender::sign(told["secret"].as_str().unwrap(), &text("webhook-id"), at, &body).unwrap());
    assert_eq!(text("webhook-id"), sent["id"].as_str().unwrap());
    // It is tried a single time: whoever tests looks now.
    let logged = deliveries(&server, &told).await[0].clone();
    assert_eq!((&logged["status"], &logged["last_answer"]), (&json!("given_up"), &json!("Answered with 503.")), "{logged}");
    assert_eq!(send(&server, 600).await, 0);
    // One that is not active is tested too, and a repeated request sends nothing more.
    server.allowing_private_webhooks().await.change(&path, &json!({"active": false})).await.ok();
    let twice = async || {
        let request = server.request(reqwest::Method::POST, &format!("{path}/test")).header("idempotency-key", "once");
        server.send(request).await.with(202)
    };
    assert_eq!(twice().await, twice().await);
    assert_eq!((send(&server, 0).await, deliveries(&server, &told).await.len()), (1, 2));
    assert_eq!(deliveries(&server, &told).await[0]["status"], "delivered");
    // No event of this name can be asked for, and nobody else's webhook tested.
    let wrong = server.post("/webhooks", &json!({"url": "https://hooks.example.org", "events": ["webhook.test"]})).await;
    assert_eq!(wrong.wrong(), ["/events/0"]);
    assert_eq!(server.other_workshop().post(&format!("{path}/test"), &json!({})).await.status, 404);
});

on_both_engines!(one_that_is_switched_off_hears_nothing_of_what_waits, async |server| {
    let (url, heard) = receiver(&[200]).await;
    let hook = hook(&server, &url, json!(["reading.recorded"])).await;
    let bike = server.motorcycle(json!({})).await;
    server.reading(&bike, "2026-06-01", 100).await.created();
    // It stops although its address is not allowed any more.
    let path = format!("/webhooks/{}", hook["id"].as_str().unwrap());
    server.change(&path, &json!({"active": false})).await.ok();
    server.change(&path, &json!({"active": true})).await.problem(422);
    assert_eq!(send(&server, 1).await, 0);
    assert!(heard.lock().unwrap().is_empty());
    assert_eq!(deliveries(&server, &hook).await[0]["status"], "given_up");
});

on_both_engines!(one_with_much_to_hear_does_not_keep_the_others_waiting, async |server| {
    let ((busy, _), (quiet, heard)) = (receiver(&[200]).await, receiver(&[200]).await);
    hook(&server, &busy, json!(["reading.recorded"])).await;
    let bike = server.motorcycle(json!({})).await;
    for day in 1..=9 {
        server.reading(&bike, &format!("2026-06-{day:02}"), 100 * day).await.created();
    }
    hook(&server, &quiet, json!(["service.logged"])).await;
    server.post(&format!("{bike}/service-events"), &json!({"on": "2026-06-10", "summary": "Looked at"})).await.created();
    let sent = send(&server, 1).await;
    assert!(sent < 9 && heard.lock().unwrap().len() == 1, "{sent} were sent, and the one of the other among them");
    while send(&server, 1).await > 0 {}
    assert_eq!(server.all("/webhooks").await.len(), 2);
});
