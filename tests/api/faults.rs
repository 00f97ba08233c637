//! What goes wrong below the server: a disk that takes no more, a clock that is set back, a copy of yesterday put in place of today.
use std::{
    net::TcpListener,
    process::{Child, Command},
    time::Duration as Pause,
};

use reqwest::{Client, Method};
use serde_json::{Value, json};
use tempfile::TempDir;
use time::Duration;
use witnessmark::{
    access::whence::Whence,
    actions::{
        App, letter,
        sign_in::{self, SignedIn},
        throttle::{self, Guess},
        webhook,
    },
    clock::Clock,
    error::Error,
    pages::guard::session_cookie,
    store::{Store, copy},
};

use super::mail::{note, queue};
use crate::harness::{
    Engine, Server,
    database::{Database, PASSWORD},
    on_both_engines,
    server::{clock, now},
};

fn bike(name: &str) -> Value {
    json!({"name": name, "final_drive": "belt", "odometer_unit": "km"})
}

/// No page is left: the write is refused with what to do, reading goes on, and so does writing once there are pages again.
#[tokio::test]
async fn a_disk_that_was_full_once_does_not_stop_later_writes() {
    let database = Database::with_two_workshops(Engine::Sqlite).await;
    let server = Server::start(&database.url, database.tokens.clone(), clock()).await;
    let path = server.motorcycle(json!({})).await;
    let Store::Sqlite { write, .. } = &server.app.store else { panic!("this is the file engine") };
    // No page more than there are.
    sqlx::query("pragma max_page_count = 1").execute(write).await.unwrap();
    let large = json!({"notes": "A long story. ".repeat(700)});
    let etag = server.get(&path).await.etag();
    let mut full = 0;
    for round in 0..4 {
        let answer = server.patch(&path, &etag, &large).await;
        if answer.status == 200 {
            assert!(round > 0, "there was room");
            break;
        }
        full += 1;
        let detail = answer.problem(503)["detail"].as_str().unwrap().to_owned();
        assert!(detail.contains("make room") && detail.contains("Nothing was stored"), "{detail}");
        assert!(!answer.header("retry-after").is_empty());
        assert_eq!(server.get(&path).await.etag(), etag, "reading goes on, and nothing was stored");
    }
    assert!(full > 0);
    server.motorcycle(json!({"name": "B"})).await;
}

/// `serve` as a process of its own, with something wrong around it.
struct Troubled {
    child: Child,
    address: String,
    client: Client,
    token: String,
}
impl Troubled {
    /// `before` is what the shell does before it becomes the server.
    async fn start(database: &Database, before: &str) -> Self {
        let address = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string();
        let child = Command::new("sh")
            .args(["-c", &format!("{before} exec \"$@\""), "sh"])
            .args([env!("CARGO_BIN_EXE_witnessmark"), "serve", "--listen", &address, "--database", &database.url])
            .spawn()
            .unwrap();
        let server = Self { child, address, client: Client::new(), token: database.tokens[0].clone() };
        for _ in 0..600 {
            if server.client.get(format!("http://{}/readyz", server.address)).send().await.is_ok() {
                return server;
            }
            tokio::time::sleep(Pause::from_millis(50)).await;
        }
        panic!("the server does not start");
    }
    async fn send(&self, method: Method, body: Option<&Value>) -> (u16, Value) {
        let mut request = self.client.request(method, format!("http://{}/api/v1/motorcycles?limit=200", self.address));
        if let Some(body) = body {
            // Whatever has a name of its own is one entry, however often it is sent.
            request = request.header("idempotency-key", body["name"].as_str().unwrap()).json(body);
        }
        let answer = request.bearer_auth(&self.token).send().await.unwrap();
        (answer.status().as_u16(), answer.json().await.unwrap())
    }
}
impl Drop for Troubled {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The kernel refuses the write, as it does on a full disk, and lets it pass later.
#[cfg(target_os = "linux")]
#[tokio::test]
async fn a_disk_that_takes_no_more_until_room_is_made() {
    let database = Database::with_two_workshops(Engine::Sqlite).await;
    // Blocks of 512 bytes. Without the trap the signal that comes with the limit ends the process.
    let server = Troubled::start(&database, "trap '' XFSZ; ulimit -S -f 1600;").await;
    let mut acknowledged = Vec::new();
    let refused = loop {
        assert!(acknowledged.len() < 190, "the disk never fills");
        let mut body = bike(&format!("Courier {}", acknowledged.len()));
        body["notes"] = "A long story. ".repeat(600).into();
        match server.send(Method::POST, Some(&body)).await {
            (201, made) => acknowledged.push(made["id"].clone()),
            refused => break refused,
        }
    };
    assert!(!acknowledged.is_empty());
    let detail = |(status, body): &(u16, Value)| {
        assert_eq!(*status, 503, "{body}");
        body["detail"].as_str().unwrap().to_owned()
    };
    assert!(detail(&refused).contains("whoever runs the server"), "{refused:?}");
    let there = async || {
        let (status, body) = server.send(Method::GET, None).await;
        assert_eq!(status, 200, "reading goes on: {body}");
        body["items"].as_array().unwrap().iter().map(|bike| bike["id"].clone()).collect::<Vec<_>>()
    };
    let long = json!({"name": "No room", "final_drive": "belt", "odometer_unit": "km", "notes": "A long story. ".repeat(600)});
    for _ in 0..5 {
        assert!(detail(&server.send(Method::POST, Some(&long)).await).contains("whoever runs the server"));
        assert_eq!(there().await.len(), acknowledged.len());
    }
    let process = server.child.id().to_string();
    assert!(Command::new("prlimit").args(["--pid", &process, "--fsize=unlimited"]).status().unwrap().success());
    let (status, made) = server.send(Method::POST, Some(&long)).await;
    assert_eq!(status, 201, "there is room again: {made}");
    acknowledged.push(made["id"].clone());
    let there = there().await;
    assert_eq!(there.len(), acknowledged.len());
    assert!(acknowledged.iter().all(|id| there.contains(id)), "nothing acknowledged is lost");
    drop(server);
    let check = Command::new(env!("CARGO_BIN_EXE_witnessmark")).args(["check", "--database", &database.url]).output().unwrap();
    assert!(check.status.success(), "{check:?}");
}

/// The disk does not confirm what was written: nothing is acknowledged, whoever sent it is told that nobody knows, and sent again with the same
/// key it is stored once. What was acknowledged is there after the machine went down, as far as a killed process can show it.
#[cfg(target_os = "linux")]
#[tokio::test]
async fn a_disk_that_does_not_confirm() {
    let folder = TempDir::new().unwrap();
    let [library, flag] = ["disk.so", "fails"].map(|name| folder.path().join(name).to_str().unwrap().to_owned());
    let source = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/api/failing_disk.c");
    assert!(Command::new("cc").args(["-shared", "-fPIC", "-o", &library, source, "-ldl"]).status().unwrap().success());
    let before = format!("export LD_PRELOAD='{library}' FAILING_DISK='{flag}';");
    let database = Database::with_two_workshops(Engine::Sqlite).await;
    let mut server = Troubled::start(&database, &before).await;
    let mut acknowledged = Vec::new();
    for round in 0..6 {
        let [first, second] = ["before", "meanwhile"].map(|when| bike(&format!("{when} {round}")));
        let (status, made) = server.send(Method::POST, Some(&first)).await;
        assert_eq!(status, 201, "{made}");
        acknowledged.push(made["name"].clone());
        std::fs::write(&flag, "").unwrap();
        for _ in 0..2 {
            let (status, refused) = server.send(Method::POST, Some(&second)).await;
            assert_eq!(status, 503, "{refused}");
            assert!(refused["detail"].as_str().unwrap().contains("may or may not be there"), "{refused}");
            assert_eq!(server.send(Method::GET, None).await.0, 200, "reading goes on");
        }
        std::fs::remove_file(&flag).unwrap();
        // In every other round the server is killed right after the failure.
        if round % 2 == 1 {
            drop(server);
            server = Troubled::start(&database, &before).await;
        }
        let (status, made) = server.send(Method::POST, Some(&second)).await;
        assert_eq!(status, 201, "{made}");
        acknowledged.push(made["name"].clone());
    }
    let (_, found) = server.send(Method::GET, None).await;
    let mut found: Vec<_> = found["items"].as_array().unwrap().iter().map(|bike| bike["name"].clone()).collect();
    found.sort_by_key(ToString::to_string);
    acknowledged.sort_by_key(ToString::to_string);
    assert_eq!(found, acknowledged, "all that was acknowledged, each once");
    drop(server);
    let check = Command::new(env!("CARGO_BIN_EXE_witnessmark")).args(["check", "--database", &database.url]).output().unwrap();
    assert!(check.status.success(), "{check:?}");
}

/// Another app on the same database, at another time.
async fn at(server: &Server, time: time::OffsetDateTime) -> App {
    App::new(Store::open(&server.url).await.unwrap(), Clock::Fixed(time))
}

on_both_engines!(sessions_outlive_a_clock_that_is_set_back, async |server| {
    let signed_in = sign_in::sign_in(&server.app, &Whence::default(), "first@example.org", PASSWORD.into()).await.unwrap();
    let SignedIn::Session(token) = signed_in else { panic!("no second factor is set up") };
    let earlier = server.at(now() - Duration::days(30)).await;
    let cookie = format!("{}={token}", session_cookie(&earlier.app));
    let client = Client::builder().redirect(reqwest::redirect::Policy::none()).build().unwrap();
    let answer = client.get(format!("{}/motorcycles", earlier.address)).header("cookie", cookie).send().await.unwrap();
    assert_eq!(answer.status(), 200);
});

on_both_engines!(waits_after_failures_do_not_last_until_a_clock_comes_round_again, async |server| {
    let guess = [Guess::Account("first@example.org")];
    let mut waits = false;
    for _ in 0..6 {
        waits |= matches!(throttle::attempt(&server.app, &guess).await, Err(Error::TooOften(_)));
    }
    assert!(waits);
    // A little back, as clocks are set: the wait is still one of seconds.
    let little = at(&server, now() - Duration::seconds(30)).await;
    let Err(Error::TooOften(seconds)) = throttle::attempt(&little, &guess).await else { panic!("it goes on waiting") };
    assert!(seconds <= 60, "{seconds}");
    let much = at(&server, now() - Duration::days(400)).await;
    throttle::attempt(&much, &guess).await.expect("nobody waits for a year");
    for app in [little, much] {
        app.store.close().await;
    }
});

on_both_engines!(keys_hold_when_the_clock_is_set_back, async |server| {
    let post = async |server: &Server, key: &str| {
        server.send(server.request(Method::POST, "/motorcycles").header("idempotency-key", key).json(&bike("A"))).await
    };
    let first = post(&server, "one").await;
    let earlier = server.at(now() - Duration::days(3)).await;
    let again = post(&earlier, "one").await;
    assert_eq!((again.header("idempotency-replayed"), &again.text), ("true", &first.text));
    let second = post(&earlier, "two").await.id();
    assert_eq!(post(&earlier, "two").await.id(), second);
    assert_eq!(server.count("/motorcycles").await, 2);
    // Changing what a clock ahead wrote goes on too.
    let path = format!("/motorcycles/{}", first.body["id"].as_str().unwrap());
    earlier.change(&path, &json!({"notes": "Later, by an earlier clock"})).await.ok();
});

on_both_engines!(the_outbox_does_not_wait_for_a_clock_to_come_round_again, async |server| {
    let hooks = server.allowing_private_webhooks().await;
    hooks.post("/webhooks", &json!({"url": "http://127.0.0.1:9/", "events": ["service.logged"]})).await.created();
    let path = server.motorcycle(json!({})).await;
    let event = json!({"on": "2026-06-01", "odometer": 100, "work": [{"component": "engine_oil", "operation": "replace"}]});
    server.post(&format!("{path}/service-events"), &event).await.created();
    queue(&server.app, note("ada@example.org")).await;
    let earlier = at(&server, now() - Duration::days(30)).await;
    let waiting = letter::waiting(&earlier, false).await.unwrap();
    assert_eq!(waiting.len(), 1);
    let sender = server.app.clock.new_id::<Server>().uuid();
    assert!(letter::claim(&earlier, waiting[0], sender).await.unwrap().is_some());
    assert!(letter::waiting(&earlier, false).await.unwrap().is_empty(), "it is in a sender's hand now");
    let pending = webhook::pending(&earlier).await.unwrap();
    assert_eq!(pending.len(), 1);
    assert!(webhook::claim(&earlier, &pending[0]).await.unwrap());
    assert!(webhook::pending(&earlier).await.unwrap().is_empty());
    earlier.store.close().await;
});

/// Yesterday's copy is put in place of the database: what was done since is gone, and nothing that a client still knows of it is taken for
/// something else.
#[tokio::test]
async fn yesterdays_copy_in_place_of_today() {
    let database = Database::with_two_workshops(Engine::Sqlite).await;
    let folder = TempDir::new().unwrap();
    let file = std::path::PathBuf::from(database.url.strip_prefix("sqlite:").unwrap());
    let saved = folder.path().join("yesterday.db");
    let server = Server::start(&database.url, database.tokens.clone(), clock()).await;
    let path = server.motorcycle(json!({"notes": "first"})).await;
    let yesterday = server.get(&path).await.etag();
    copy::back_up(&file, &saved).await.unwrap();
    let today = server.change(&path, &json!({"notes": "second"})).await.etag();
    let lost = server.post("/motorcycles", &bike("Lost")).await.id();
    let keyed = async |server: &Server| {
        server.send(server.request(Method::POST, "/motorcycles").header("idempotency-key", "one").json(&bike("Keyed"))).await
    };
    let keyed_before = keyed(&server).await.id();
    server.app.store.close().await;
    drop(server);
    for ending in ["", "-wal", "-shm"] {
        let _ = std::fs::remove_file(format!("{}{ending}", file.display()));
    }
    copy::restore(&saved, &file).await.unwrap();
    let server = Server::start(&database.url, database.tokens.clone(), clock()).await;
    assert_eq!(server.get(&path).await.etag(), yesterday);
    server.get(&format!("/motorcycles/{lost}")).await.problem(404);
    // The tag of the state that was lost fits nothing, before and after another change.
    server.patch(&path, &today, &json!({"notes": "third"})).await.problem(412);
    let other = server.patch(&path, &yesterday, &json!({"notes": "third"})).await.etag();
    assert!(other != today && other != yesterday);
    let known = server.send(server.request(Method::GET, &path).header("if-none-match", &today)).await;
    assert_eq!(known.status, 200, "a client that kept the lost state is given this one");
    let new = [server.post("/motorcycles", &bike("New")).await.id(), keyed(&server).await.id()];
    assert!(!new.contains(&lost) && !new.contains(&keyed_before) && new[0] != new[1]);
    assert_eq!(server.count("/motorcycles").await, 3);
}
