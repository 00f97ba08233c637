//! Copies that the server makes by itself: when, which are kept, what becomes of a bad one, and a disk that refuses.
use std::{
    fs,
    path::{Path, PathBuf},
    process::{Command, Stdio},
    time::Duration as StdDuration,
};

use serde_json::json;
use sqlx::Connection;
use time::{Duration, macros::time};
use witnessmark::{
    actions::{
        App,
        backup::{self, Backups, Copied, State},
    },
    clock::Clock,
    store::{Store, copy},
};

use crate::harness::{Engine, Server, server};

fn file(server: &Server) -> PathBuf {
    server.url.trim_start_matches("sqlite:").into()
}
/// What the server does about copies on the day so many days on, a little after their time.
async fn on_day(server: &Server, folder: &Path, day: i64) -> Option<Copied> {
    let clock = Clock::Fixed(server::now() + Duration::days(day));
    let backups = Backups::new(file(server), folder.into(), time!(11:55), 2);
    let app = App::new(Store::open(&server.url).await.unwrap(), clock).with_backups(Some(backups));
    let made = backup::make_if_due(&app).await;
    app.store.close().await;
    made
}
fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<_> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}
/// Something due that is stored otherwise than history says.
async fn falsify(server: &Server, sql: &'static str) {
    let mut connection = sqlx::SqliteConnection::connect(&server.url).await.unwrap();
    sqlx::query(sql).execute(&mut connection).await.unwrap();
    connection.close().await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_a_day_and_the_oldest_goes() {
    server::run(Engine::Sqlite, async |server| {
        let bike = server.motorcycle(json!({})).await;
        let folder = tempfile::tempdir().unwrap();
        let copies = folder.path().join("a/copies");
        for day in 0..4 {
            let made = on_day(&server, &copies, day).await.expect("a copy");
            assert_eq!(made.state, State::Good, "{made:?}");
            assert!(on_day(&server, &copies, day).await.is_none(), "one a day");
            fs::write(copies.join("notes.txt"), "mine").unwrap();
        }
        assert_eq!(names(&copies), ["notes.txt", "witnessmark-2026-06-17T120000Z.db", "witnessmark-2026-06-18T120000Z.db"]);
        // It is a whole database, for nobody else to read.
        let restored = folder.path().join("restored.db");
        let newest = copies.join("witnessmark-2026-06-18T120000Z.db");
        copy::restore(&newest, &restored).await.unwrap();
        let back = Server::start(&format!("sqlite:{}", restored.display()), server.tokens.clone(), server::clock()).await;
        assert_eq!(back.get(&bike).await.ok(), server.get(&bike).await.ok());
        back.app.store.close().await;
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            assert_eq!(fs::metadata(&newest).unwrap().permissions().mode() & 0o077, 0);
            assert_eq!(fs::metadata(&copies).unwrap().permissions().mode() & 0o077, 0);
        }
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_bad_copy_is_called_so_and_pushes_no_good_one_out() {
    server::run(Engine::Sqlite, async |server| {
        server.motorcycle(json!({"in_service_on": "2025-08-01"})).await;
        let rule = json!({"name": "Chain", "component": "drive_chain", "operation": "adjust", "every": {"months": 12}});
        server.post("/interval-rules", &rule).await.created();
        let folder = tempfile::tempdir().unwrap();
        for day in 0..2 {
            on_day(&server, folder.path(), day).await.expect("a copy");
        }
        falsify(&server, "create table kept as select * from due_item").await;
        falsify(&server, "delete from due_item").await;
        for day in 2..6 {
            let made = on_day(&server, folder.path(), day).await.expect("a copy");
            let State::Failed(why) = &made.state else { panic!("{made:?}") };
            assert!(why.contains("Courier 3") && why.contains("not stored"), "{why}");
        }
        let good = ["witnessmark-2026-06-15T120000Z.db", "witnessmark-2026-06-16T120000Z.db"];
        let bad =
            |day: u8| [format!("witnessmark-2026-06-{day}T120000Z.failed.db"), format!("witnessmark-2026-06-{day}T120000Z.failed.txt")];
        let there = names(folder.path());
        assert_eq!(there[..2], good);
        // As many bad ones as good ones are kept, no more.
        assert_eq!(there[2..], [bad(19), bad(20)].concat());
        falsify(&server, "insert into due_item select * from kept").await;
        falsify(&server, "drop table kept").await;
        assert_eq!(on_day(&server, folder.path(), 6).await.expect("a copy").state, State::Good);
        let there = names(folder.path());
        assert_eq!(there.iter().filter(|name| name.contains("failed.db")).count(), 1, "{there:?}");
        assert!(there.contains(&good[1].to_owned()) && there.contains(&"witnessmark-2026-06-21T120000Z.db".to_owned()), "{there:?}");
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_disk_that_refuses_stops_nothing() {
    server::run(Engine::Sqlite, async |server| {
        let folder = tempfile::tempdir().unwrap();
        let in_the_way = folder.path().join("copies");
        fs::write(&in_the_way, "a file, no folder").unwrap();
        let backups = Backups::new(file(&server), in_the_way.clone(), time!(11:55), 2);
        let serving = server.like(|app| app.with_backups(Some(backups))).await;
        let running = tokio::spawn(backup::run(serving.app.clone()));
        let tried = async {
            loop {
                if let Some(tried) = serving.app.backups.as_ref().unwrap().tried() {
                    return tried;
                }
                tokio::time::sleep(StdDuration::from_millis(20)).await;
            }
        };
        let tried = tokio::time::timeout(StdDuration::from_secs(20), tried).await.unwrap();
        assert!(tried.failed.as_ref().unwrap().contains("cannot"), "{tried:?}");
        assert!(!running.is_finished());
        serving.motorcycle(json!({})).await;
        running.abort();
        serving.app.store.close().await;
        // Once the folder can be made, the next try an hour later makes it good again.
        fs::remove_file(&in_the_way).unwrap();
        assert_eq!(on_day(&server, &in_the_way, 0).await.expect("a copy").state, State::Good);
    })
    .await;
}

/// A program that is ended with the test, however that ends.
struct Program(std::process::Child);
impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn serve_makes_them() {
    server::run(Engine::Sqlite, async |server| {
        let folder = tempfile::tempdir().unwrap();
        let copies = folder.path().join("copies");
        let serve = |url: &str| {
            let mut command = Command::new(env!("CARGO_BIN_EXE_witnessmark"));
            command.args(["serve", "--listen", "127.0.0.1:0", "--database", url, "--backup-keep", "1", "--backup-dir"]).arg(&copies);
            command
        };
        let mut running = Program(serve(&server.url).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap());
        let mut waited = 0;
        while !copies.is_dir() || names(&copies).is_empty() || names(&copies).iter().any(|name| !name.ends_with("Z.db")) {
            assert!(running.0.try_wait().unwrap().is_none(), "it goes on serving");
            waited += 1;
            assert!(waited < 600, "no copy came: {:?}", copies.is_dir().then(|| names(&copies)));
            tokio::time::sleep(StdDuration::from_millis(100)).await;
        }
        drop(running);
        // PostgreSQL has its own tool; the option is refused before anything is opened.
        let refused = serve("postgres://nobody@127.0.0.1:9/none").output().unwrap();
        let said = String::from_utf8_lossy(&refused.stderr).into_owned();
        assert_eq!(refused.status.code(), Some(2), "{said}");
        assert!(said.contains("pg_dump") && said.contains("Leave out --backup-dir"), "{said}");
    })
    .await;
}
