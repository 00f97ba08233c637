//! A whole database moved to the other engine and back: every table and column of the schema, the same answers there, and what is refused.
use std::process::{Command, Output};

use serde_json::Value;
use sqlx::SqlitePool;
use witnessmark::store::{
    Store, Tx,
    transfer::{self, Progress},
};

use super::{
    databases::{url, within_a_minute},
    exchange::demo_on,
};
use crate::harness::{
    Engine, Server,
    database::{Database, empty},
    server::clock,
};

fn moved(from: &str, to: &str) -> Output {
    within_a_minute(Command::new(env!("CARGO_BIN_EXE_witnessmark")).args(["move", "--from", from, "--to", to]))
}
/// Its exit code and everything that it said.
fn told(output: &Output) -> (Option<i32>, String) {
    (output.status.code(), format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr)))
}
#[track_caller]
fn refused(from: &str, to: &str, code: i32, words: &str) {
    let (found, said) = told(&moved(from, to));
    assert_eq!(found, Some(code), "{said}");
    assert!(said.contains(words), "{said}");
}

async fn open(file: &str) -> SqlitePool {
    SqlitePool::connect(file).await.unwrap()
}
/// The tables that are moved: the index of words is made again.
async fn tables(pool: &SqlitePool) -> Vec<String> {
    let sql = "select name from sqlite_schema where type = 'table' and name not like 'sqlite!_%' escape '!' and name <> '_sqlx_migrations'
               and name not like 'search!_%' escape '!' order by name";
    sqlx::query_scalar(sql).fetch_all(pool).await.unwrap()
}
/// The columns of a table: name, declared type, whether it must hold something.
async fn columns(pool: &SqlitePool, table: &str) -> Vec<(String, String, bool)> {
    sqlx::query_as("select name, type, \"notnull\" from pragma_table_info($1)").bind(table).fetch_all(pool).await.unwrap()
}
/// Every row of a SQLite file as SQL literals, told by the engine itself and not by what moves them.
async fn dump(file: &str) -> Vec<(String, Vec<String>)> {
    let pool = open(file).await;
    let mut all = Vec::new();
    for table in tables(&pool).await {
        let names: Vec<_> = columns(&pool, &table).await.into_iter().map(|column| format!("quote(\"{}\")", column.0)).collect();
        let sql = format!("select {} as row from \"{table}\" order by row", names.join(" || ', ' || "));
        all.push((table, sqlx::query_scalar(sqlx::AssertSqlSafe(sql)).fetch_all(&pool).await.unwrap()));
    }
    pool.close().await;
    all
}
fn same(one: &[(String, Vec<String>)], other: &[(String, Vec<String>)]) {
    for (left, right) in one.iter().zip(other) {
        assert_eq!(left, right);
    }
    assert_eq!(one.len(), other.len());
}

/// What a server says of its workshop: everything due, each motorcycle with its history and its packet, and the bytes of each file.
async fn said(server: &Server) -> Vec<String> {
    let mut said: Vec<_> = server.all("/due?limit=200").await.iter().map(Value::to_string).collect();
    assert!(said.len() > 50, "{} due items", said.len());
    for bike in server.all("/motorcycles?limit=200").await {
        let path = format!("/motorcycles/{}", bike["id"].as_str().unwrap());
        said.push(bike.to_string());
        for list in ["history", "packet", "forecast"] {
            said.push(server.get(&format!("{path}/{list}")).await.ok().to_string());
        }
    }
    let files = server.all("/attachments").await;
    assert!(!files.is_empty());
    for file in files {
        let path = format!("/attachments/{}", file["id"].as_str().unwrap());
        let bytes = server.request(reqwest::Method::GET, &path).send().await.unwrap().bytes().await.unwrap();
        said.push(format!("{file} {bytes:?}"));
    }
    said
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_demo_there_and_back() {
    let (first, postgres, back) =
        (Database::with_two_workshops(Engine::Sqlite).await, empty(Engine::Postgres).await, empty(Engine::Sqlite).await);
    let server = Server::start(&first.url, first.tokens.clone(), clock()).await;
    let demo = demo_on(&server).await;
    // A first packet makes the workshop's key, which goes along.
    let before = said(&demo).await;
    refused(&first.url, &back.url, 3, "locked by another program");
    server.app.store.close().await;
    let kept = dump(&first.url).await;

    let (code, words) = told(&moved(&first.url, &postgres.url));
    assert_eq!(code, Some(0), "{words}");
    assert!(words.contains("nothing differs") && words.contains("motorcycle: 12 rows"), "{words}");
    same(&kept, &dump(&first.url).await);
    refused(&first.url, &postgres.url, 2, "is not empty");
    let (code, words) = told(&moved(&postgres.url, &back.url));
    assert_eq!(code, Some(0), "{words}");
    same(&kept, &dump(&back.url).await);
    refused(&postgres.url, &first.url, 2, "is not empty");

    let token = demo.token.clone();
    for database in [&postgres, &back] {
        let server = Server::start(&database.url, first.tokens.clone(), clock()).await;
        assert_eq!(said(&server.with_token(&token)).await, before);
        if database.url == postgres.url {
            let other = empty(Engine::Sqlite).await;
            refused(&postgres.url, &other.url, 3, "stop the servers");
        }
        server.app.store.close().await;
    }
    postgres.remove().await;
}

#[tokio::test]
async fn what_cannot_be_moved() {
    let (source, target) = (Database::with_two_workshops(Engine::Sqlite).await, empty(Engine::Sqlite).await);
    refused("sqlite:nowhere/at/all.db", &target.url, 2, "There is no file");
    refused(&source.url, &source.url, 2, "the same database");
    refused(&source.url, "witnessmark.db", 2, "sqlite:PATH");
    refused(&source.url, "sqlite:/nowhere/at/all/test.db", 3, "does its folder exist");
    let folder = tempfile::TempDir::new().unwrap();
    let text = folder.path().join("notes.txt");
    std::fs::write(&text, "A well-kept paper record. ".repeat(500)).unwrap();
    refused(&url(&text), &target.url, 3, "not a database");
    let bare = folder.path().join("bare.db");
    let pool = open(&format!("{}?mode=rwc", url(&bare))).await;
    sqlx::query("create table motorcycle (id integer primary key)").execute(&pool).await.unwrap();
    pool.close().await;
    refused(&url(&bare), &target.url, 3, "not a database of Witnessmark");
    refused(&source.url, &source.url.replacen("sqlite:", "sqlite://", 1), 2, "the same database");
    // Between two files it works too, and nothing above has left anything behind.
    let (code, words) = told(&moved(&source.url, &target.url));
    assert_eq!(code, Some(0), "{words}");
    same(&dump(&source.url).await, &dump(&target.url).await);
}

/// Two rows in every table that there is: one that fills every column, one that leaves out what may be left out. All ids in a row are the
/// same, so that each row refers to the one of its own in every other table.
async fn fill(file: &str) {
    let pool = open(file).await;
    let mut connection = pool.acquire().await.unwrap();
    sqlx::query("pragma foreign_keys = off").execute(&mut *connection).await.unwrap();
    for table in tables(&pool).await {
        let columns = columns(&pool, &table).await;
        for (id, day, sparse) in [(7, "2026-01-31", false), (9, "2024-02-29", true)] {
            let value = |(_, kind, must): &(String, String, bool)| match kind.as_str() {
                _ if sparse && !must => "null".to_owned(),
                "BLOB" => format!("x'{}'", format!("{id:02x}").repeat(16)),
                "TEXT" => format!("'{day}'"),
                "INTEGER" => "1".to_owned(),
                other => panic!("{table} has a column of {other}"),
            };
            let (names, values): (Vec<_>, Vec<_>) = columns.iter().map(|column| (format!("\"{}\"", column.0), value(column))).unzip();
            let sql = format!("insert into \"{table}\" ({}) values ({})", names.join(", "), values.join(", "));
            sqlx::query(sqlx::AssertSqlSafe(sql)).execute(&mut *connection).await.unwrap();
        }
    }
    drop(connection);
    pool.close().await;
}

const fn quiet() -> &'static (dyn Fn(Progress) + Sync) {
    &|_| ()
}
async fn copied(from: &str, to: &str) -> Vec<String> {
    let (source, mut from) = Store::hold(from).await.unwrap();
    let target = Store::open(to).await.unwrap();
    let mut to = target.write().await.unwrap();
    assert_eq!(transfer::filled(&mut to).await.unwrap(), None);
    let moved = transfer::copy(&mut from, &mut to, quiet()).await.unwrap();
    assert!(moved.iter().all(|table| table.rows == 2), "{moved:?}");
    let found = transfer::differences(&mut from, &mut to, quiet()).await.unwrap();
    to.commit().await.unwrap();
    drop(from);
    source.close().await;
    target.close().await;
    let mut names: Vec<_> = moved.into_iter().map(|table| table.table).collect();
    names.sort();
    assert_eq!(found, Vec::<String>::new());
    names
}

#[tokio::test]
async fn every_column_of_every_table() {
    let (first, postgres, back) = (empty(Engine::Sqlite).await, empty(Engine::Postgres).await, empty(Engine::Sqlite).await);
    Store::open(&first.url).await.unwrap().close().await;
    fill(&first.url).await;
    let kept = dump(&first.url).await;
    let all: Vec<_> = kept.iter().map(|table| table.0.clone()).collect();
    assert!(all.len() > 40 && kept.iter().all(|table| table.1.len() == 2), "{kept:?}");
    assert_eq!(copied(&first.url, &postgres.url).await, all);
    assert_eq!(copied(&postgres.url, &back.url).await, all);
    same(&kept, &dump(&back.url).await);
    postgres.remove().await;
}

/// The comparison sees what it is there for.
#[tokio::test]
async fn a_row_that_differs_is_named() {
    let (first, postgres) = (empty(Engine::Sqlite).await, empty(Engine::Postgres).await);
    Store::open(&first.url).await.unwrap().close().await;
    fill(&first.url).await;
    let (source, mut from) = Store::hold(&first.url).await.unwrap();
    let target = Store::open(&postgres.url).await.unwrap();
    let mut to = target.write().await.unwrap();
    transfer::copy(&mut from, &mut to, quiet()).await.unwrap();
    let Tx::Postgres(tx) = &mut to else { panic!("this is the server engine") };
    for change in [
        "update reading set on_date = '2026-02-01', confirmed = false where on_date = '2026-01-31'",
        "delete from lay_up where to_date is null",
        "insert into component (workshop_id, key, name, part, created_at) select workshop_id, 'zz', name, part, created_at from component
         where key = '2024-02-29'",
    ] {
        assert_eq!(sqlx::query(change).execute(&mut **tx).await.unwrap().rows_affected(), 1, "{change}");
    }
    let (seven, nine) = ("07070707-0707-0707-0707-070707070707", "09090909-0909-0909-0909-090909090909");
    let mut found = transfer::differences(&mut from, &mut to, quiet()).await.unwrap();
    found.sort();
    assert_eq!(
        found,
        [
            format!("component {nine} / zz: is in the target alone"),
            format!("lay_up {nine} / {nine}: is not in the target"),
            format!("reading {seven} / {seven}: confirmed, on_date differs"),
        ]
    );
    drop((from, to));
    source.close().await;
    target.close().await;
    postgres.remove().await;
}
