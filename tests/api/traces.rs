//! What is seen of requests from outside: lines of the log with the request's id, and traces for a collector of OpenTelemetry where one is named,
//! a span for each request, in protobuf over HTTP.
use std::{
    process::{Child, Command, Stdio},
    sync::{Arc, Mutex},
    time::Duration,
};

use axum::{Router, body::Bytes, extract::State, http::HeaderMap, routing::post};
use serde_json::{Value, json};

use crate::harness::{
    Engine,
    database::{Database, PASSWORD},
};

type Taken = Arc<Mutex<Vec<u8>>>;

/// Stands in for a collector: takes what comes, and looks at how it is sent.
async fn collector() -> (String, Taken) {
    async fn take(State(taken): State<Taken>, headers: HeaderMap, body: Bytes) {
        assert_eq!(headers["content-type"], "application/x-protobuf");
        taken.lock().unwrap().extend_from_slice(&body);
    }
    let taken = Taken::default();
    let router = Router::new().route("/v1/traces", post(take)).with_state(Arc::clone(&taken));
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = format!("http://{}", listener.local_addr().unwrap());
    tokio::spawn(async move { axum::serve(listener, router).await });
    (address, taken)
}

/// `serve` with these variables, and where it is.
async fn serve(database: &Database, variables: [(&str, &str); 2], log: Stdio) -> (Child, String) {
    let address = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let mut server = Command::new(env!("CARGO_BIN_EXE_witnessmark"))
        .args(["serve", "--database", &database.url, "--listen", &address.to_string()])
        .envs(variables)
        .stderr(log)
        .spawn()
        .unwrap();
    let site = format!("http://{address}");
    while reqwest::get(format!("{site}/readyz")).await.is_err() {
        assert!(server.try_wait().unwrap().is_none(), "it runs");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    (server, site)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_line_of_the_log_names_its_request() {
    let database = Database::with_two_workshops(Engine::Sqlite).await;
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("log");
    let variables = [("WITNESSMARK_LOG", "info"), ("WITNESSMARK_LOG_FORMAT", "json")];
    let (mut server, site) = serve(&database, variables, Stdio::from(std::fs::File::create(&log).unwrap())).await;
    let refused =
        reqwest::Client::new().get(format!("{site}/api/v1/motorcycles/{PASSWORD}")).bearer_auth("wmk_secret").send().await.unwrap();
    assert_eq!(refused.status(), 401);
    let id = refused.headers()["x-request-id"].to_str().unwrap().to_owned();
    server.kill().unwrap();
    server.wait().unwrap();
    let log = std::fs::read_to_string(log).unwrap();
    let lines: Vec<Value> = log.lines().map(|line| serde_json::from_str(line).expect("each line is JSON")).collect();
    let line = lines.iter().find(|line| line["message"] == "refused").expect("a line about it");
    assert_eq!((&line["level"], &line["status"], &line["span"]["id"]), (&json!("WARN"), &json!(401), &json!(id)));
    assert_eq!(line["span"]["route"], "/api/v1/motorcycles/{id}");
    assert!(!log.contains(PASSWORD) && !log.contains("wmk_secret"), "neither a path nor a token is in it");
    database.remove().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_collector_that_is_named_gets_a_span_of_each_request() {
    let (collector, taken) = collector().await;
    let database = Database::with_two_workshops(Engine::Sqlite).await;
    let variables = [("OTEL_EXPORTER_OTLP_ENDPOINT", collector.as_str()), ("WITNESSMARK_LOG", "off")];
    let (mut server, site) = serve(&database, variables, Stdio::inherit()).await;
    let client = reqwest::Client::new();
    let bike = json!({"name": "Not for others to read", "final_drive": "belt", "odometer_unit": "km"});
    // The example of W3C Trace Context, section 3.2.2.
    let parent = "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01";
    let made = client.post(format!("{site}/api/v1/motorcycles")).bearer_auth(&database.tokens[0]).header("traceparent", parent);
    assert_eq!(made.json(&bike).send().await.unwrap().status(), 201);
    assert_eq!(client.get(format!("{site}/motorcycles/{PASSWORD}")).send().await.unwrap().status(), 200, "the page to sign in");
    // What is not sent yet is sent before it ends.
    assert!(Command::new("kill").args(["-TERM", &server.id().to_string()]).status().unwrap().success());
    assert!(server.wait().unwrap().success());
    let spans = taken.lock().unwrap().clone();
    let holds = |wanted: &[u8]| spans.windows(wanted.len()).any(|part| part == wanted);
    for wanted in [
        "POST /api/v1/motorcycles",
        "http.response.status_code",
        "http.route",
        "wait to write",
        "work out what is due",
        "service.name",
        "witnessmark",
    ] {
        assert!(holds(wanted.as_bytes()), "{wanted} is missing in {}", String::from_utf8_lossy(&spans));
    }
    let trace = [0x0a, 0xf7, 0x65, 0x19, 0x16, 0xcd, 0x43, 0xdd, 0x84, 0x48, 0xeb, 0x21, 0x1c, 0x80, 0x31, 0x9c];
    assert!(holds(&trace), "it goes on the trace of the one before it");
    for secret in ["Not for others to read", PASSWORD, &database.tokens[0]] {
        assert!(!holds(secret.as_bytes()), "nothing of a workshop is in it");
    }
    database.remove().await;
}

#[test]
fn a_collector_that_cannot_be_read_is_refused_at_start() {
    let output = Command::new(env!("CARGO_BIN_EXE_witnessmark"))
        .args(["openapi"])
        .env("OTEL_EXPORTER_OTLP_ENDPOINT", "not an address")
        .stdout(Stdio::null())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.code() == Some(2) && said.contains("http://127.0.0.1:4318"), "{said}");
}
