//! The copies of the database on the workshop's page: listed for managers, and given out only where nobody else's workshop is in them.
use std::path::Path;

use time::macros::time;
use witnessmark::{
    actions::{
        App,
        backup::{self, Backups},
        session,
    },
    store::Store,
};

use crate::{
    harness::{
        Engine, Server,
        database::{PASSWORD, empty},
        server,
    },
    reader::Reader,
};

async fn with_copies(server: &Server, folder: &Path) -> Server {
    let backups = Backups::new(server.url.trim_start_matches("sqlite:").into(), folder.into(), time!(03:30), 2);
    let serving = server.like(|app| app.with_backups(Some(backups))).await;
    backup::make_if_due(&serving.app).await.expect("a copy");
    serving
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_workshop_may_fetch_its_copy() {
    let database = empty(Engine::Sqlite).await;
    let app = App::new(Store::open(&database.url).await.unwrap(), server::clock());
    let setup = session::Setup {
        workshop: "Quayside Works".into(),
        time_zone: "Europe/Lisbon".into(),
        email: "first@example.org".into(),
        name: "first".into(),
        password: PASSWORD.into(),
    };
    let token = session::set_up(&app, setup).await.unwrap().1;
    app.store.close().await;
    let alone = Server::start(&database.url, [token.clone(), token], server::clock()).await;
    let reader = Reader::signed_in(&alone).await;
    reader.get("/workshop").await.says("This server makes no copies by itself.");

    let folder = tempfile::tempdir().unwrap();
    let serving = with_copies(&alone, folder.path()).await;
    let reader = reader.at(&serving);
    let path = "/workshop/copies/witnessmark-2026-06-15T120000Z.db";
    let page = reader.get("/workshop").await;
    page.says(path).says("15 Jun 2026, 13:00").says("Opened and checked").says("Made every day at 03:30 UTC");
    // Its bytes are no text: they are counted.
    let size = std::fs::metadata(folder.path().join("witnessmark-2026-06-15T120000Z.db")).unwrap().len();
    let copy = reader.get_bytes(path).await;
    assert!(copy.starts_with(b"SQLite format 3\0") && copy.len() as u64 == size, "{} of {size} bytes", copy.len());
    assert!(alone.get("/audit").await.text.contains("fetch copy"));
    std::fs::write(folder.path().join("secret.db"), "x").unwrap();
    for other in ["secret.db", "..%2F..%2Fetc%2Fpasswd", "witnessmark-2026-06-15T120000Z.failed.db"] {
        assert_eq!(reader.get(&format!("/workshop/copies/{other}")).await.status, 404, "{other}");
    }
    assert_eq!(Reader::new(&serving).get(path).await.status, 303, "signed in first");
    // A disk that cannot be read is said, and nothing else of the page is lost.
    std::fs::remove_dir_all(folder.path()).unwrap();
    std::fs::write(folder.path(), "no folder").unwrap();
    reader.get("/workshop").await.says("The copies cannot be listed").hides(&folder.path().display().to_string()).says("Time zone");
    std::fs::remove_file(folder.path()).unwrap();
    for server in [&alone, &serving] {
        server.app.store.close().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn several_workshops_see_them_and_fetch_none() {
    server::run(Engine::Sqlite, async |server| {
        let folder = tempfile::tempdir().unwrap();
        let serving = with_copies(&server, folder.path()).await;
        let reader = Reader::signed_in(&serving).await;
        reader.get("/workshop").await.says("Opened and checked").says("every workshop of this server").hides("/workshop/copies/");
        assert_eq!(reader.get("/workshop/copies/witnessmark-2026-06-15T120000Z.db").await.status, 404);
        serving.app.store.close().await;
    })
    .await;
}
