//! What a motorcycle's pages and answers cost must not grow with the workshop: on SQLite, no statement behind them walks a whole table of it.
//!
//! The demo is asked for everything about one motorcycle, and a service is logged and struck out. Its log gives the statements, and an empty database of the same schema how SQLite
//! would go about each: there as here it has no figures about the tables, so it goes about them alike.
use std::{
    collections::BTreeSet,
    process::{Command, Stdio},
    time::Duration,
};

use reqwest::{Client, redirect::Policy};
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, Row};
use witnessmark::store::Store;

/// Tables that grow with every motorcycle or service.
const LARGE: [&str; 12] = [
    "service_event",
    "reading",
    "measured_value",
    "fitting",
    "installed_part",
    "follow_up",
    "amendment",
    "attachment",
    "instrument",
    "lay_up",
    "due_item",
    "audit",
];
/// Pages of a motorcycle.
const PAGES: [&str; 6] = ["", "/bench", "/job-sheet", "/packet", "/readings", "/write-up"];

/// The statements in a log, each once.
fn statements(log: &str) -> BTreeSet<String> {
    let lines = log.lines().filter_map(|line| serde_json::from_str::<Value>(line).ok());
    let text = |line: &Value| {
        let whole = line["db.statement"].as_str().filter(|text| !text.trim().is_empty());
        whole.or_else(|| line["summary"].as_str()).map(|text| text.trim().to_owned())
    };
    lines.filter(|line| line["target"] == "sqlx::query").filter_map(|line| text(&line)).collect()
}
/// Whether a step of a plan goes through all that a workshop has in a large table.
fn walks(step: &str) -> bool {
    let Some((_, index)) = step.split_once(" INDEX ") else {
        return step.starts_with("SCAN") && LARGE.iter().any(|table| step == format!("SCAN {table}"));
    };
    let index = index.strip_prefix("sqlite_autoindex_").unwrap_or(index);
    let whole = step.starts_with("SCAN") || index.ends_with(" (workshop_id=?)");
    whole && LARGE.iter().any(|table| index.starts_with(&format!("{table}_")))
}

/// Asks the demo for everything about a motorcycle; gives how many answers were good.
async fn ask(address: &str, token: &str, sign_in: (&str, &str)) -> usize {
    let client = Client::builder().cookie_store(true).redirect(Policy::none()).build().unwrap();
    let get = async |path: String| client.get(format!("{address}{path}")).bearer_auth(token).send().await.unwrap();
    let bikes: Value = get("/api/v1/motorcycles".into()).await.json().await.unwrap();
    let bike = bikes["items"].as_array().unwrap().iter().find(|bike| bike["name"] == "Courier 3").expect("the motorcycle")["id"]
        .as_str()
        .unwrap()
        .to_owned();
    let document: Value = get("/api/v1/openapi.json".into()).await.json().await.unwrap();
    let mut good = 0;
    for (path, operations) in document["paths"].as_object().unwrap() {
        if operations.get("get").is_some() && path.starts_with("/api/v1/motorcycles/{id}") {
            good += usize::from(get(path.replace("{id}", &bike) + "?on=2030-01-01").await.status() == 200);
            good += usize::from(get(path.replace("{id}", &bike)).await.status() == 200);
        }
    }
    let signed_in =
        client.post(format!("{address}/sign-in")).header("origin", address).form(&[("email", sign_in.0), ("password", sign_in.1)]);
    assert_eq!(signed_in.send().await.unwrap().status(), 303);
    for page in PAGES {
        assert_eq!(client.get(format!("{address}/motorcycles/{bike}{page}")).send().await.unwrap().status(), 200, "{page}");
    }
    // A service is logged and struck out again.
    let service = json!({"on": "2020-01-02", "work": [{"component": "engine_oil", "operation": "replace"}],
        "measured": [{"component": "battery", "quantity": "voltage", "readings": [12.7], "unit": "V"}],
        "fitted": [{"component": "air_filter"}], "tightened": [{"fastener": "drain_washer", "single_use_was": "reused"}]});
    let made = client.post(format!("{address}/api/v1/motorcycles/{bike}/service-events")).bearer_auth(token).json(&service).send().await;
    let made = made.unwrap();
    assert_eq!(made.status(), 201);
    let (etag, event) = (made.headers()["etag"].clone(), made.json::<Value>().await.unwrap());
    let id = event["id"].as_str().unwrap();
    for list in [
        format!("follow-ups?motorcycle={bike}"),
        "follow-ups?status=open".into(),
        format!("attachments?belongs_to={id}"),
        format!("audit?motorcycle={bike}"),
    ] {
        assert_eq!(get(format!("/api/v1/{list}")).await.status(), 200, "{list}");
    }
    let place = format!("{address}/api/v1/service-events/{id}?reason=Wrong");
    let struck = client.delete(place).bearer_auth(token).header("if-match", etag).send().await.unwrap();
    assert!(struck.status().is_success(), "{}", struck.text().await.unwrap());
    good
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_about_one_motorcycle_walks_a_table_of_the_whole_workshop() {
    let folder = tempfile::tempdir().unwrap();
    let [told, log] = ["told", "log"].map(|name| folder.path().join(name));
    let file = |path| std::fs::File::create(path).unwrap();
    let mut demo = Command::new(env!("CARGO_BIN_EXE_witnessmark"))
        .args(["demo", "--listen", "127.0.0.1:0"])
        .envs([("WITNESSMARK_LOG", "sqlx::query=debug"), ("WITNESSMARK_LOG_FORMAT", "json")])
        .env("TMPDIR", folder.path())
        .stdout(Stdio::from(file(&told)))
        .stderr(Stdio::from(file(&log)))
        .spawn()
        .unwrap();
    let mut said = String::new();
    while !said.contains("token: wmk_") || !said.ends_with('\n') {
        assert!(demo.try_wait().unwrap().is_none(), "the demo runs");
        tokio::time::sleep(Duration::from_millis(100)).await;
        said = std::fs::read_to_string(&told).unwrap();
    }
    let before = std::fs::read_to_string(&log).unwrap().len();
    let line = |name: &str| said.lines().find_map(|line| line.strip_prefix(name)).unwrap().to_owned();
    let (address, token, sign_in) = (line("address: "), line("token: "), line("sign in: "));
    let good = ask(&address, &token, sign_in.split_once(' ').unwrap()).await;
    assert!(good > 20, "only {good} answers were good");
    demo.kill().unwrap();
    demo.wait().unwrap();

    let store = Store::open(&format!("sqlite:{}", folder.path().join("empty.db").display())).await.unwrap();
    let Store::Sqlite { write, .. } = &store else { panic!("this is the file engine") };
    let all = statements(&std::fs::read_to_string(&log).unwrap()[before..]);
    let all: Vec<_> = all.iter().filter(|text| ["select", "with", "update", "delete"].iter().any(|verb| text.starts_with(verb))).collect();
    assert!(all.len() > 40, "only {} statements were seen", all.len());
    let mut wrong = Vec::new();
    for text in all {
        let mut plan = sqlx::query(AssertSqlSafe(format!("explain query plan {text}")));
        let places = (1..=99).filter(|place| text.contains(&format!("${place}"))).count();
        for _ in 0..places {
            plan = plan.bind(None::<i64>);
        }
        let steps: Vec<String> = plan.fetch_all(write).await.expect(text).iter().map(|row| row.get("detail")).collect();
        wrong.extend(steps.into_iter().filter(|step| walks(step)).map(|step| format!("{step}: {text}")));
    }
    store.close().await;
    assert!(wrong.is_empty(), "{} walk a whole table: {wrong:#?}", wrong.len());
}
