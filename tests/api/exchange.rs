//! What leaves a workshop whole and comes into another: the same answers there, and nothing of a file that is wrong.
use reqwest::Method;
use serde_json::{Value, json};
use witnessmark::{actions::check, cli::demo};

use crate::harness::{Answer, Engine, Server, on_both_engines, server};

const NDJSON: &str = "application/x-ndjson";

async fn import(server: &Server, query: &str, media_type: &str, file: impl Into<reqwest::Body>) -> Answer {
    server.send(server.request(Method::POST, &format!("/imports?{query}")).header("content-type", media_type).body(file)).await
}
async fn export(server: &Server) -> String {
    let answer = server.get("/export").await;
    assert_eq!((answer.status, answer.header("content-type")), (200, NDJSON), "{}", answer.text);
    answer.text
}
/// How many rows turned out like this.
fn counted(imported: &Value, result: &str) -> usize {
    imported["rows"].as_array().unwrap().iter().filter(|row| row["result"] == result).count()
}

/// Imports everything of one workshop into another, empty one, and compares what both say; gives the number of due items.
pub async fn comes_out_the_same(from: &Server, to: &Server) -> usize {
    let file = export(from).await;
    let tried = import(to, "kind=export&dry_run=true", NDJSON, file.clone()).await.ok();
    assert_eq!((&tried["dry_run"], &tried["created"]), (&json!(true), &json!(0)));
    assert_eq!(to.count("/motorcycles").await, 0, "a dry run stores nothing");
    let imported = import(to, "kind=export", NDJSON, file.clone()).await.with(201);
    assert_eq!(counted(&imported, "error"), 0);
    assert_eq!(imported["created"], counted(&imported, "new"));
    let due = from.all("/due?limit=200").await;
    assert_eq!(due, to.all("/due?limit=200").await, "the same is due, with the same ids, dates and reasons");
    for bike in from.all("/motorcycles?limit=200").await.iter().chain(&from.all("/motorcycles?archived=true").await) {
        let path = format!("/motorcycles/{}", bike["id"].as_str().unwrap());
        assert_eq!(&to.get(&path).await.ok(), bike);
        for list in ["installed-parts?removed=true", "lay-ups", "measured-values", "odometers", "hour-readings", "due?as_of=2025-01-01"] {
            assert_eq!(from.all(&format!("{path}/{list}")).await, to.all(&format!("{path}/{list}")).await, "{list}");
        }
        let history = |server: &Server| server.request(Method::GET, &format!("{path}/history")).header("accept", NDJSON);
        assert_eq!(from.send(history(from)).await.text, to.send(history(to)).await.text);
    }
    for list in ["/owners", "/interval-rules", "/limits", "/fasteners", "/procedures", "/components", "/follow-ups", "/attachments"] {
        assert_eq!(from.all(list).await, to.all(list).await, "{list}");
    }
    let again = import(to, "kind=export", NDJSON, file.clone()).await.with(201);
    assert_eq!((counted(&again, "same"), &again["created"]), (again["rows"].as_array().unwrap().len(), &json!(0)), "{again}");
    // What was exported from there is what came in, apart from its name.
    let lines = |text: &str| text.lines().skip(2).map(str::to_owned).collect::<Vec<_>>();
    assert_eq!(lines(&file), lines(&export(to).await));
    let checked = check::check(&to.app.store).await.unwrap();
    assert!(checked.differences.is_empty(), "{:#?}", checked.differences);
    due.len()
}

/// The demo in a workshop of its own on a server, with an attachment and something struck out beside it.
pub async fn demo_on(server: &Server) -> Server {
    let (_, _, token) = demo::fill(&server.app).await.unwrap();
    let demo = server.with_token(&token);
    let bike = demo.all("/motorcycles").await[0]["id"].as_str().unwrap().to_owned();
    let picture = reqwest::multipart::Part::bytes(crate::harness::picture::PHOTO).file_name("axle.png");
    let form = reqwest::multipart::Form::new().text("belongs_to", bike.clone()).part("file", picture);
    demo.send(demo.request(Method::POST, "/attachments").multipart(form)).await.created();
    let component = json!({"key": "side_stand_switch", "name": "Side stand switch", "part": true});
    demo.post("/components", &component).await.created();
    demo.post(&format!("/motorcycles/{bike}/lay-ups"), &json!({"from": "2026-11-01", "to": "2027-03-01", "note": "Winter"}))
        .await
        .created();
    let reading = demo.reading(&format!("/motorcycles/{bike}"), "2026-06-15", 999_999).await.id();
    demo.remove(&format!("/odometer-readings/{reading}?reason=another+motorcycle")).await;
    demo
}

on_both_engines!(the_demo_comes_out_the_same, async |server| {
    let demo = demo_on(&server).await;
    let due = comes_out_the_same(&demo, &server.other_workshop()).await;
    assert!(due > 50, "{due} due items");
    // The first workshop of the test still holds nothing.
    assert_eq!(server.count("/motorcycles").await, 0);
});

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn from_one_engine_to_the_other() {
    server::run(Engine::Sqlite, async |sqlite| {
        let demo = demo_on(&sqlite).await;
        server::run(Engine::Postgres, async |postgres| {
            comes_out_the_same(&demo, &postgres).await;
        })
        .await;
    })
    .await;
}

/// An export of a small workshop.
async fn small(server: &Server) -> Vec<Value> {
    let owner = server.post("/owners", &json!({"name": "Ada Birch"})).await.id();
    let bike = server.motorcycle(json!({"owner_id": owner})).await;
    server.reading(&bike, "2026-01-02", 1000).await.created();
    server.reading(&bike, "2026-02-02", 1500).await.created();
    let event = json!({"on": "2026-03-02", "odometer": 1800, "summary": "Pads", "work": [{"component": "drive_chain", "operation": "adjust"}],
        "fitted": [{"component": "brake_pads", "position": "rear"}],
        "measured": [{"component": "brake_pads", "position": "rear", "quantity": "thickness", "readings": [4.5], "unit": "mm"}]});
    server.post(&format!("{bike}/service-events"), &event).await.created();
    let rule = json!({"name": "Oil", "component": "engine_oil", "operation": "replace", "every": {"months": 12}});
    server.post("/interval-rules", &rule).await.created();
    export(server).await.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}
fn text(lines: &[Value]) -> String {
    lines.iter().map(|line| format!("{line}\n")).collect()
}
/// The first line of a table.
fn line(lines: &[Value], table: &str) -> usize {
    lines.iter().position(|line| line["table"] == table).unwrap()
}

on_both_engines!(a_file_that_is_wrong_leaves_nothing, async |server| {
    let good = small(&server).await;
    let other = server.other_workshop();
    let broken = |table: &'static str, pointer: &'static str, value: Value| {
        let mut lines = good.clone();
        let place = line(&lines, table);
        *lines[place]["row"].pointer_mut(pointer).unwrap_or_else(|| panic!("{table} has {pointer}")) = value;
        (text(&lines), place + 1)
    };
    let stranger = json!("01933b6e-9a44-7cc0-8000-3f2a5c1d9e77");
    let cases = [
        (broken("motorcycle", "/body/owner_id", stranger.clone()), "owner_id"),
        (broken("motorcycle", "/id", json!("Courier 3")), "id"),
        (broken("motorcycle", "/body/name", json!("")), "body.name"),
        (broken("motorcycle", "/body/final_drive", json!("rope")), "body.final_drive"),
        (broken("owner", "/body/name", json!("a\u{0}b")), "body.name"),
        (broken("interval_rule", "/body/every", json!({"months": 0})), "body.every.months"),
        (broken("reading", "/motorcycle_id", stranger.clone()), "motorcycle_id"),
        (broken("reading", "/reading", json!(-1)), "reading"),
        (broken("reading", "/reading", json!("1000")), "reading"),
        (broken("reading", "/reading", json!(9000)), "reading"),
        (broken("reading", "/unit", json!("psi")), "unit"),
        (broken("reading", "/on_date", json!("2026-02-30")), "on_date"),
        (broken("reading", "/created_at", json!("yesterday")), "created_at"),
        (broken("service_event", "/summary", json!("a\u{7}b")), "summary"),
        (broken("service_event", "/body", json!({"tightened": "none"})), "body.tightened"),
        (broken("work_line", "/service_event_id", stranger.clone()), "service_event_id"),
        (broken("installed_part", "/prior_mm", json!(-5)), "prior_mm"),
        (broken("fitting", "/part_id", stranger.clone()), "part_id"),
        (broken("measured_value", "/body/id", stranger.clone()), "body.id"),
        (broken("measured_value", "/body/unit", json!("psi")), "body.unit"),
    ];
    for ((file, row), column) in cases {
        let answer = import(&other, "kind=export", NDJSON, file.clone()).await;
        let body = answer.clone().with(422);
        let wrong = body["rows"].as_array().unwrap().iter().find(|entry| entry["row"] == row && entry["result"] == "error");
        let wrong = wrong.unwrap_or_else(|| panic!("{column}: row {row} is not wrong: {}", answer.text));
        assert_eq!(wrong["errors"][0]["column"], column, "{}", answer.text);
        assert_eq!((&body["created"], &body["dry_run"]), (&json!(0), &json!(false)));
        // A dry run says the same.
        let tried = import(&other, "kind=export&dry_run=true", NDJSON, file).await.ok();
        assert_eq!(tried["rows"], body["rows"]);
        for list in ["/motorcycles", "/owners", "/interval-rules"] {
            assert_eq!(other.count(list).await, 0, "{column}: nothing of it is stored");
        }
    }
    assert_eq!(import(&other, "kind=export", NDJSON, text(&good)).await.status, 201, "the file itself is good");
});

on_both_engines!(a_file_that_is_none, async |server| {
    let good = small(&server).await;
    let other = server.other_workshop();
    let all = text(&good);
    let said = async |file: String| -> Value {
        let body = import(&other, "kind=export", NDJSON, file).await.with(422);
        let rows = body["rows"].as_array().unwrap().clone();
        rows.into_iter().find(|row| row["result"] == "error").unwrap()
    };
    assert_eq!(said("{}\n".into()).await["errors"][0]["column"], "format");
    assert_eq!(said(all.replacen("\"version\":1", "\"version\":2", 1)).await["errors"][0]["column"], "version");
    let cut: String = all.lines().take(5).map(|line| format!("{line}\n")).collect();
    assert!(said(cut).await["errors"][0]["detail"].as_str().unwrap().contains("cut off"));
    let without: String = all.lines().enumerate().filter(|(place, _)| *place != 2).map(|(_, line)| format!("{line}\n")).collect();
    said(without).await;
    let deep = format!("{{\"table\": \"owner\", \"row\": {}{}}}", "[".repeat(100_000), "]".repeat(100_000));
    let mut lines: Vec<_> = all.lines().collect();
    lines[2] = &deep;
    assert_eq!(said(lines.join("\n")).await["row"], 3);
    let twice = all.replace(good[2]["row"]["body"]["name"].as_str().unwrap(), "Somebody else");
    import(&other, "kind=export", NDJSON, all.clone()).await.with(201);
    assert!(said(twice).await["errors"][0]["detail"].as_str().unwrap().contains("says something else"));

    import(&other, "kind=export", NDJSON, &b"\xff\xfe{"[..]).await.problem(400);
    import(&other, "kind=export", NDJSON, "").await.problem(400);
    import(&other, "kind=export", "text/csv", all.clone()).await.problem(415);
    import(&other, "kind=export", "application/json", all.clone()).await.problem(415);
    assert_eq!(import(&other, "kind=spares", NDJSON, all.clone()).await.wrong(), ["/kind"]);
    assert_eq!(import(&other, "dry_run=true", NDJSON, all.clone()).await.wrong(), ["/kind"]);
    import(&other, "kind=export", NDJSON, vec![b' '; 64 * 1024 * 1024 + 1]).await.problem(413);
    // It holds everything, so it needs every right.
    let token = server.post("/tokens", &json!({"name": "till", "scopes": ["read", "write"]})).await.created();
    let narrow = server.with_token(token["token"].as_str().unwrap());
    narrow.get("/export").await.problem(403);
    import(&narrow, "kind=export", NDJSON, all).await.problem(403);
    server.with_token("").get("/export").await.problem(401);
});

#[test]
fn the_command_line_does_the_same() {
    use std::process::{Command, Output};
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let run = |arguments: &[&str]| -> Output {
        Command::new(env!("CARGO_BIN_EXE_witnessmark")).args(arguments).output().expect("the program starts")
    };
    std::fs::write(path("password"), "hay bale under lantern").unwrap();
    let (from, to) = (format!("sqlite:{}", path("a.db")), format!("sqlite:{}", path("b.db")));
    for (url, name) in [(&from, "Quayside Works"), (&to, "Hill Street Garage")] {
        let password = path("password");
        let line = [
            "setup",
            "--database",
            url,
            "--workshop",
            name,
            "--timezone",
            "Europe/Lisbon",
            "--email",
            "m@example.org",
            "--password-file",
            &password,
        ];
        assert!(run(&line).status.success());
    }
    let (file, at) = (path("out.ndjson"), ["--workshop", "Quayside Works"]);
    assert!(run(&["export", "--database", &from, at[0], at[1], "--to", &file]).status.success());
    assert_eq!(run(&["export", "--database", &from, at[0], at[1], "--to", &file]).status.code(), Some(2), "it overwrites nothing");
    assert_eq!(run(&["export", "--database", &from, "--workshop", "Nowhere"]).status.code(), Some(2));
    let into = ["import", "--database", &to, "--workshop", "Hill Street Garage", "--from", &file];
    let done = run(&into);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let text = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, text.replace("Europe/Lisbon", "Europe/Nowhere")).unwrap();
    let wrong = run(&into);
    assert_eq!(wrong.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&wrong.stdout).contains("row 2, settings.time_zone: "), "{}", String::from_utf8_lossy(&wrong.stdout));
}
