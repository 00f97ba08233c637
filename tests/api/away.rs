//! PostgreSQL out of reach: whoever asks is told so soon, with when to come again, and everything goes on once it is back.
use std::time::{Duration, Instant};

use reqwest::Method;
use serde_json::json;
use sqlx::postgres::PgConnectOptions;

use crate::harness::{
    Engine, Server,
    database::{Database, postgres},
    forwarder::Forwarder,
    server::clock,
};

/// Nobody waits longer than this to be told.
const SOON: Duration = Duration::from_secs(4);

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_database_that_goes_and_comes_back() {
    let database = Database::with_two_workshops(Engine::Postgres).await;
    let far = format!("{}:{}", postgres().get_host(), postgres().get_port()).parse().unwrap();
    let network = Forwarder::to(far).await;
    let through: PgConnectOptions = database.url.parse().unwrap();
    let through = through.host("127.0.0.1").port(network.address.port());
    let url = sqlx::ConnectOptions::to_url_lossy(&through).to_string();
    let server = Server::start(&url, database.tokens.clone(), clock()).await;
    let bike = server.motorcycle(json!({})).await;
    let entry = json!({"on": "2026-05-02", "odometer": 100, "work": [{"component": "drive_chain", "operation": "adjust"}]});
    let log = || server.request(Method::POST, &format!("{bike}/service-events")).header("idempotency-key", "once").json(&entry);

    network.cut();
    // More at once than there are connections: none of them queues behind the others.
    let begun = Instant::now();
    let all = futures_util::future::join_all((0..40).map(|_| server.get(&bike))).await;
    for answer in all {
        answer.problem(503);
        assert!(answer.header("retry-after").parse::<u32>().is_ok(), "{}", answer.text);
    }
    server.send(log()).await.problem(503);
    assert!(begun.elapsed() < 2 * SOON, "{:?}", begun.elapsed());
    let plain = async |path: &str| reqwest::get(format!("{}{path}", server.address)).await.unwrap();
    assert_eq!(plain("/healthz").await.status(), 200, "the program itself is well");
    assert_eq!(plain("/readyz").await.status(), 503);
    let page = plain("/sign-in").await;
    let (status, text) = (page.status(), page.text().await.unwrap());
    assert!(status == 200 || status == 503 && text.contains("Not right now"), "{status} {text}");

    network.lead_to(far);
    let begun = Instant::now();
    while plain("/readyz").await.status() != 200 {
        assert!(begun.elapsed() < Duration::from_secs(20), "it does not find back");
    }
    // Sent again, it is stored once.
    let stored = server.send(log()).await.created();
    assert_eq!(server.send(log()).await.created()["id"], stored["id"]);
    assert_eq!(server.count(&format!("{bike}/service-events")).await, 1);
    server.app.store.close().await;
    database.remove().await;
}
