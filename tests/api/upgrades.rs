//! Databases of every schema that was ever in use, as they stood then: they open, are brought up to date, and hold together.
use std::process::Command;

use serde_json::json;
use sqlx::{Executor, PgPool, SqlitePool};
use time::macros::datetime;
use witnessmark::{
    actions::check,
    clock::Clock,
    store::{Store, token},
};

use super::databases::within_a_minute;
use crate::harness::{
    Engine, Server,
    database::{Database, empty},
};

/// The token that stands in every fixture.
const TOKEN: &str = "wmk_w0lhIcbFQBCULXTBlQMOjLYko8LCUOzw93bmWEhRC4s";
const ROOT: &str = env!("CARGO_MANIFEST_DIR");
/// The schemas of which there is a fixture.
const SCHEMAS: [usize; 8] = [1, 2, 3, 4, 5, 6, 13, 15];
/// The table in which migrations are listed, as the library that runs them makes it.
const LIST: [&str; 2] = [
    "create table _sqlx_migrations (version bigint primary key, description text not null, installed_on timestamp not null
     default current_timestamp, success boolean not null, checksum blob not null, execution_time bigint not null)",
    "create table _sqlx_migrations (version bigint primary key, description text not null, installed_on timestamptz not null
     default now(), success boolean not null, checksum bytea not null, execution_time bigint not null)",
];

/// The migrations up to a number, in their order, as they stand in the repository.
fn migrations(folder: &str, last: usize) -> String {
    let mut files: Vec<_> = std::fs::read_dir(format!("{ROOT}/migrations/{folder}")).unwrap().map(|file| file.unwrap().path()).collect();
    files.sort();
    let number = |path: &std::path::Path| path.file_name().unwrap().to_str().unwrap()[..4].parse::<usize>().unwrap();
    files.iter().filter(|file| number(file) <= last).map(|file| std::fs::read_to_string(file).unwrap()).collect()
}
/// The fixture's statements for one engine; SQLite's way to write bytes becomes PostgreSQL's.
fn rows(engine: Engine, last: usize) -> String {
    let read = |number: usize| std::fs::read_to_string(format!("{ROOT}/tests/upgrade/{number:04}.sql")).unwrap();
    let text = if last == 15 { read(13) + &read(15) } else { read(last) };
    let other = if engine == Engine::Sqlite { "-- postgres" } else { "-- sqlite" };
    let text: String = text.lines().filter(|line| !line.ends_with(other)).map(|line| format!("{line}\n")).collect();
    spelled(engine, &text)
}
fn spelled(engine: Engine, text: &str) -> String {
    if engine == Engine::Sqlite {
        return text.to_owned();
    }
    let mut parts = text.split("x'");
    let mut written = parts.next().unwrap().to_owned();
    for part in parts {
        let (hex, rest) = part.split_once('\'').unwrap();
        assert!(hex.bytes().all(|letter| letter.is_ascii_hexdigit()), "{hex}");
        // Of the bytes in these fixtures those of ids alone are 16.
        let prefix = if hex.len() == 32 { "" } else { "\\x" };
        written.extend(["'", prefix, hex, "'", rest]);
    }
    written
}
async fn at(engine: Engine, last: usize) -> Database {
    with(engine, last, "").await
}
/// With further rows.
async fn with(engine: Engine, last: usize, further: &str) -> Database {
    let database = empty(engine).await;
    let further = spelled(engine, further);
    let sql = |text: String| sqlx::raw_sql(sqlx::AssertSqlSafe(text));
    match engine {
        Engine::Sqlite => {
            let pool = SqlitePool::connect(&format!("{}?mode=rwc", database.url)).await.unwrap();
            for text in [migrations("sqlite", last), LIST[0].into(), rows(engine, last), further] {
                pool.execute(sql(text)).await.unwrap();
            }
            pool.close().await;
        }
        Engine::Postgres => {
            let pool = PgPool::connect(&database.url).await.unwrap();
            for text in [migrations("postgres", last), LIST[1].into(), rows(engine, last), further] {
                pool.execute(sql(text)).await.unwrap();
            }
            pool.close().await;
        }
    }
    database
}

async fn comes_up(engine: Engine, last: usize) {
    let database = at(engine, last).await;
    let program = |arguments: &[&str]| {
        let output = within_a_minute(Command::new(env!("CARGO_BIN_EXE_witnessmark")).args(arguments));
        let words = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        (output.status.code(), words)
    };
    let elsewhere = empty(Engine::Sqlite).await;
    let (code, words) = program(&["move", "--from", &database.url, "--to", &elsewhere.url]);
    assert!(code == Some(3) && words.contains("older version"), "{last} {engine:?}: {words}");
    // The first program that opens it brings it up to date, and goes on with it.
    let (code, words) = program(&["check", "--database", &database.url]);
    assert_eq!(code, Some(0), "{last} {engine:?}: {words}");
    assert!(words.contains("8 due items on 1 motorcycle in 1 workshop"), "{last} {engine:?}: {words}");
    let clock = Clock::Fixed(datetime!(2026-11-26 15:00 UTC));
    let server = Server::start(&database.url, [TOKEN.into(), String::new()], clock).await;
    let checked = check::check(&server.app.store).await.unwrap();
    assert_eq!((checked.due_items, checked.differences), (8, vec![]));
    let bikes = server.all("/motorcycles").await;
    assert_eq!(bikes.len(), 1, "{bikes:?}");
    assert_eq!(bikes[0]["name"], "Ledger");
    let path = format!("/motorcycles/{}", bikes[0]["id"].as_str().unwrap());
    let due = server.all(&format!("{path}/due")).await;
    let titles: Vec<_> = due.iter().map(|item| item["title"].as_str().unwrap()).collect();
    assert!(due.len() == 8 && titles.contains(&"Drive belt, replace") && titles.contains(&"Brake fluid, replace"), "{titles:?}");
    assert!(due.iter().all(|item| !item["because"].as_array().unwrap().is_empty()));
    assert!(server.get(&format!("{path}/history")).await.items().len() > 5);
    assert_eq!(server.count("/motorcycles?archived=true").await, 1);
    assert_eq!(server.count("/attachments").await, 1);
    server.get("/owners").await.ok();
    server.get("/workshop").await.ok();
    // It is worked with from there.
    server.reading(&path, "2026-11-26", 22_500).await.created();
    let body = json!({"on": "2026-11-26", "work": [{"component": "brake_fluid", "operation": "replace"}]});
    server.post(&format!("{path}/service-events"), &body).await.created();
    assert_eq!(check::check(&server.app.store).await.unwrap().differences, vec![]);
    server.app.store.close().await;
    let again = Store::open(&database.url).await.unwrap();
    again.close().await;
    database.remove().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_earlier_file() {
    for last in SCHEMAS {
        comes_up(Engine::Sqlite, last).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_earlier_postgres() {
    for last in SCHEMAS {
        comes_up(Engine::Postgres, last).await;
    }
}

/// Whoever adds a migration adds a fixture of the schema before it, if there is none yet.
#[test]
fn the_schema_before_the_newest_has_a_fixture() {
    for folder in ["sqlite", "postgres"] {
        let newest = std::fs::read_dir(format!("{ROOT}/migrations/{folder}")).unwrap().count();
        assert_eq!(migrations(folder, newest), migrations(folder, usize::MAX), "they are numbered from 1 without a gap");
        assert!(SCHEMAS[SCHEMAS.len() - 1] >= newest - 1, "tests/upgrade/{:04}.sql is missing; its README says how to make it", newest - 1);
    }
}

/// A migration that was changed after it landed is found out by the checksum that stands in the fixture.
#[tokio::test]
async fn a_landed_migration_stays_as_it_is() {
    let database = at(Engine::Sqlite, 13).await;
    let pool = SqlitePool::connect(&database.url).await.unwrap();
    sqlx::query("update _sqlx_migrations set checksum = x'00' where version = 3").execute(&pool).await.unwrap();
    pool.close().await;
    let error = Store::open(&database.url).await.expect_err("the migration is another one");
    assert!(error.to_string().contains("migration 3"), "{error}");
}

/// Tokens of the time before 0009: a person made one, which made a second, which rotated into a third; setup's made a fourth.
const MADE_BY_TOKENS: &str = "insert into api_token (workshop_id, id, name, scopes, token_hash, created_by, created_at, updated_at) values
(x'01a2160ac7d574c6b0616e204997aa96', x'01a2160b15007000800000000000000a', 'Inez', '[\"admin\"]', x'0a', 'Inez Calder', '1', '1'),
(x'01a2160ac7d574c6b0616e204997aa96', x'01a2160b15007000800000000000000b', 'Hers', '[\"admin\"]', x'0b', 'token Inez', '1', '1'),
(x'01a2160ac7d574c6b0616e204997aa96', x'01a2160b15007000800000000000000c', 'Hers', '[\"admin\"]', x'0c', 'token Hers', '1', '1'),
(x'01a2160ac7d574c6b0616e204997aa96', x'01a2160b15007000800000000000000d', 'Other', '[\"read\"]', x'0d', 'token made at setup', '1', '1');
insert into audit (workshop_id, id, at, who, action, subject_kind, subject_id, person_id, token_id) values
(x'01a2160ac7d574c6b0616e204997aa96', x'01a2160b15007000800000000000001a', '1', 'Inez Calder', 'make', 'token',
    x'01a2160b15007000800000000000000a', x'01a2160ac7d574c6b0616e1f096dada2', null),
(x'01a2160ac7d574c6b0616e204997aa96', x'01a2160b15007000800000000000001b', '1', 'token Inez', 'make', 'token',
    x'01a2160b15007000800000000000000b', null, x'01a2160b15007000800000000000000a'),
(x'01a2160ac7d574c6b0616e204997aa96', x'01a2160b15007000800000000000001c', '1', 'token Hers', 'rotate', 'token',
    x'01a2160b15007000800000000000000b', null, x'01a2160b15007000800000000000000b'),
(x'01a2160ac7d574c6b0616e204997aa96', x'01a2160b15007000800000000000001d', '1', 'token Hers', 'make', 'token',
    x'01a2160b15007000800000000000000c', null, x'01a2160b15007000800000000000000b'),
(x'01a2160ac7d574c6b0616e204997aa96', x'01a2160b15007000800000000000001e', '1', 'token made at setup', 'make', 'token',
    x'01a2160b15007000800000000000000d', null, x'01a2160ac7d574c6b0616e22c001635f');
";

/// Whoever answers for a token answers for those that it made, however long ago: they go together.
async fn makers_are_found(engine: Engine) {
    let database = with(engine, 6, MADE_BY_TOKENS).await;
    let store = Store::open(&database.url).await.unwrap();
    let mut tx = store.read().await.unwrap();
    let (workshop, inez) =
        ("01a2160a-c7d5-74c6-b061-6e204997aa96".parse().unwrap(), "01a2160a-c7d5-74c6-b061-6e1f096dada2".parse().unwrap());
    let made = token::made_by(&mut tx, workshop, inez).await.unwrap();
    let ends: Vec<_> = made.iter().map(|(id, in_use)| (id.to_string().pop().unwrap(), *in_use)).collect();
    assert_eq!(ends, [('a', true), ('b', true), ('c', true)], "{engine:?}");
    drop(tx);
    store.close().await;
    database.remove().await;
}
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn makers_of_tokens_are_found() {
    for engine in [Engine::Sqlite, Engine::Postgres] {
        makers_are_found(engine).await;
    }
}
