//! Several servers on one PostgreSQL: what one writes the other reads at once, and what is to happen once happens once, whoever does it. That each
//! report is mailed once stands in `mail.rs`, that guesses are counted together in the tests of the pages.
use std::sync::{Arc, Mutex};

use axum::{Router, routing::post};
use reqwest::Method;
use serde_json::{Value, json};
use sqlx::{Connection, PgConnection};
use time::Duration;
use tokio::net::TcpListener;
use witnessmark::{actions, feeds::webhooks, store};

use crate::harness::{Engine, Server, database::PASSWORD, server};

/// What both servers say of a path.
async fn both(one: &Server, other: &Server, path: &str) -> Value {
    let (left, right) = (one.get(path).await.ok(), other.get(path).await.ok());
    assert_eq!(left, right, "{path}");
    right
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_one_writes_the_other_reads() {
    server::run(Engine::Postgres, async |one| {
        let other = one.at(server::now()).await;
        let bike = one.motorcycle(json!({"in_service_on": "2025-01-10"})).await;
        let rule =
            json!({"name": "Oil", "component": "engine_oil", "operation": "replace", "every": {"distance": {"value": 3000, "unit": "mi"}}});
        other.post("/interval-rules", &rule).await.created();
        let lists = ["", "/due", "/history", "/forecast", "/odometer-readings"].map(|list| format!("{bike}{list}"));
        for number in 0..12 {
            let (writer, reader) = if number % 2 == 0 { (&one, &other) } else { (&other, &one) };
            // Both have just read it, so that either might keep it.
            for list in &lists {
                both(&one, &other, list).await;
            }
            let odometer = 1000 + 500 * number;
            writer.reading(&bike, &format!("2026-02-{:02}", number + 1), odometer).await.created();
            let items = reader.get(&format!("{bike}/odometer-readings")).await.items();
            assert_eq!(items[0]["reading"], json!(odometer));
            let body = json!({"on": format!("2026-02-{:02}", number + 1), "odometer": odometer,
                "work": [{"component": "engine_oil", "operation": "replace"}]});
            writer.post(&format!("{bike}/service-events"), &body).await.created();
            let due = both(reader, writer, &format!("{bike}/due")).await;
            assert_eq!(due["items"][0]["due_at"]["odometer"]["value"], json!(odometer + 3000), "{due}");
            assert_eq!(both(reader, writer, "/due").await["items"][0]["last_done"]["odometer"]["value"], json!(odometer));
        }
        // A change made on what is no longer so is refused, wherever it was read.
        let known = other.get(&bike).await.etag();
        one.change(&bike, &json!({"name": "Ferry"})).await.ok();
        other.patch(&bike, &known, &json!({"name": "Tern"})).await.problem(412);
        assert_eq!(both(&one, &other, &bike).await["name"], "Ferry");
        other.app.store.close().await;
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_same_key_at_both_stores_once() {
    server::run(Engine::Postgres, async |one| {
        let other = one.at(server::now()).await;
        let bike = one.motorcycle(json!({})).await;
        for number in 0..10 {
            let body = json!({"on": "2026-03-01", "reading": 1000 + number, "confirmed": true});
            let send = async |server: &Server| {
                let request = server.request(Method::POST, &format!("{bike}/odometer-readings"));
                server.send(request.header("idempotency-key", format!("key-{number}")).json(&body)).await
            };
            let (left, right) = tokio::join!(send(&one), send(&other));
            for answer in [&left, &right] {
                assert!(matches!(answer.status, 201 | 409), "{}: {}", answer.status, answer.text);
            }
            assert!(left.status == 201 || right.status == 201);
            assert_eq!(send(&other).await.created()["id"], send(&one).await.created()["id"]);
            assert_eq!(one.count(&format!("{bike}/odometer-readings")).await, number + 1);
        }
        other.app.store.close().await;
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_token_that_is_revoked_at_one_ends_at_the_other() {
    server::run(Engine::Postgres, async |one| {
        let made = one.post("/tokens", &json!({"name": "A script", "scopes": ["read"]})).await.created();
        let (path, secret) = (format!("/tokens/{}", made["id"].as_str().unwrap()), made["token"].as_str().unwrap());
        let other = one.at(server::now()).await;
        other.with_token(secret).get("/motorcycles").await.ok();
        one.remove(&path).await;
        one.with_token(secret).get("/motorcycles").await.problem(401);
        // One that has just looked it up asks again after five seconds at the latest; one that has not, at once.
        let later = one.at(server::now() + Duration::seconds(5)).await;
        later.with_token(secret).get("/motorcycles").await.problem(401);
        let hash = witnessmark::access::secret::hash(secret);
        assert!(other.app.tokens.get(&hash, server::now() + Duration::seconds(4)).is_some());
        assert!(other.app.tokens.get(&hash, server::now() + Duration::seconds(5)).is_none());
        for server in [later, other] {
            server.app.store.close().await;
        }
    })
    .await;
}

/// One workshop's long write holds up that workshop's writes alone, and nobody's reading: whoever waits in vain is told to come again.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_workshop_that_is_busy_leaves_room_for_the_others() {
    server::run(Engine::Postgres, async |server| {
        let other = server.other_workshop();
        let bike = server.motorcycle(json!({})).await;
        let workshop = server.get("/workshop").await.ok()["id"].as_str().unwrap().to_owned();
        let mut connection = PgConnection::connect(&server.url).await.unwrap();
        let mut long = connection.begin().await.unwrap();
        let sql = format!("select workshop_id from workshop where workshop_id = '{workshop}' for no key update");
        sqlx::raw_sql(sqlx::AssertSqlSafe(sql)).execute(&mut *long).await.unwrap();
        let begun = std::time::Instant::now();
        let body = json!({"on": "2026-05-02", "reading": 100});
        let write = async |server: &Server, bike: &str, body: &Value| server.post(&format!("{bike}/odometer-readings"), body).await;
        let waiting = futures_util::future::join_all((0..40).map(|_| write(&server, &bike, &body)));
        let others = async {
            tokio::time::sleep(std::time::Duration::from_millis(500)).await;
            for _ in 0..20 {
                let asked = std::time::Instant::now();
                server.get(&bike).await.ok();
                other.get("/motorcycles").await.ok();
                assert_eq!(reqwest::get(format!("{}/readyz", server.address)).await.unwrap().status(), 200);
                assert!(asked.elapsed() < std::time::Duration::from_secs(1), "{:?}", asked.elapsed());
            }
            // Its turn comes once those that wait in vain have given up.
            loop {
                let answer = other.post("/motorcycles", &json!({"name": "B", "final_drive": "belt", "odometer_unit": "km"})).await;
                if answer.status == 201 {
                    break;
                }
                answer.problem(503);
                assert!(begun.elapsed() < std::time::Duration::from_secs(20), "the other workshop can write");
            }
        };
        let (refused, ()) = tokio::join!(waiting, others);
        for answer in refused {
            answer.problem(503);
            assert!(!answer.header("retry-after").is_empty());
        }
        assert!(begun.elapsed() < std::time::Duration::from_secs(30), "{:?}", begun.elapsed());
        long.rollback().await.unwrap();
        server.post(&format!("{bike}/odometer-readings"), &body).await.created();
        assert_eq!(server.count(&format!("{bike}/odometer-readings")).await, 1);
    })
    .await;
}

/// A receiver that keeps what it was told.
async fn receiver() -> (String, Arc<Mutex<Vec<Value>>>) {
    let heard = Arc::new(Mutex::new(Vec::new()));
    let kept = Arc::clone(&heard);
    let hook = move |body: String| async move { kept.lock().unwrap().push(serde_json::from_str(&body).unwrap()) };
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = format!("http://{}/hook", listener.local_addr().unwrap());
    tokio::spawn(async move { axum::serve(listener, Router::new().route("/hook", post(hook))).await.unwrap() });
    (address, heard)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn each_schedule_runs_once() {
    server::run(Engine::Postgres, async |server| {
        let (address, heard) = receiver().await;
        let open = server.allowing_private_webhooks().await;
        open.post("/webhooks", &json!({"url": address, "events": ["due.changed"]})).await.created();
        let mut bikes = Vec::new();
        for number in 0..5 {
            bikes.push(server.motorcycle(json!({"name": format!("Ferry {number}"), "in_service_on": "2025-08-01"})).await);
        }
        let rule = json!({"name": "Chain", "component": "drive_chain", "operation": "adjust", "every": {"months": 12}});
        server.post("/interval-rules", &rule).await.created();
        // Four servers of their own, all at the moment at which everything falls due.
        let later = |seconds: i64| server.at(server::now() + Duration::days(47) + Duration::seconds(seconds));
        let run = async |seconds| {
            let mut servers = Vec::new();
            for _ in 0..4 {
                let store = witnessmark::store::Store::open(&server.url).await.unwrap();
                let clock = later(seconds).await.app.clock;
                servers.push(Arc::new(actions::App::new(store, clock).with_private_webhooks(true)));
            }
            let work = servers.iter().map(|app| {
                let app = Arc::clone(app);
                tokio::spawn(async move {
                    actions::webhook::tell_what_turned(&app).await.unwrap();
                    webhooks::send_pending(&app).await.unwrap();
                })
            });
            for done in work.collect::<Vec<_>>() {
                done.await.unwrap();
            }
            for app in servers {
                app.store.close().await;
            }
        };
        run(0).await;
        // What one of them wrote after the others had looked is sent by the next.
        run(1).await;
        run(2).await;
        let told = heard.lock().unwrap().clone();
        for bike in &bikes {
            let id = bike.rsplit('/').next().unwrap();
            let of: Vec<_> = told.iter().filter(|message| message["data"]["motorcycle_id"] == id).collect();
            // Once when the rule was made, and once by the calendar.
            assert_eq!(of.len(), 2, "{of:?}");
        }
    })
    .await;
}

/// Signing in leaves a row in the audit trail that refers to the workshop: it must not wait until a long write there is done.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn signing_in_waits_for_no_write() {
    server::run(Engine::Postgres, async |server| {
        let workshop = server.get("/workshop").await.ok()["id"].as_str().unwrap().parse().unwrap();
        let mut tx = server.app.store.write().await.unwrap();
        store::workshop::lock(&mut tx, workshop).await.unwrap();
        let form = [("email", "first@example.org"), ("password", PASSWORD)];
        let client = reqwest::Client::builder().redirect(reqwest::redirect::Policy::none()).build().unwrap();
        let signed_in = client.post(format!("{}/sign-in", server.address)).form(&form).send();
        let answer = tokio::time::timeout(std::time::Duration::from_secs(20), signed_in).await.expect("it does not wait").unwrap();
        assert_eq!(answer.status(), 303);
        tx.commit().await.unwrap();
    })
    .await;
}
