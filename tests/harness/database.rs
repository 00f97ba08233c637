//! Fresh databases, cheaply: each engine has a template with two workshops, made once, and every test gets a copy of it.
use std::{
    path::PathBuf,
    sync::atomic::{AtomicU32, Ordering},
};

use sqlx::{ConnectOptions, Connection, Executor, PgConnection, postgres::PgConnectOptions};
use tempfile::TempDir;
use tokio::sync::OnceCell;
use witnessmark::{
    actions::{App, session},
    store::Store,
};

use super::server::clock;

/// The password of both managers.
pub const PASSWORD: &str = "hay bale under lantern";

/// Which database a test runs on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Engine {
    /// The embedded one.
    Sqlite,
    /// The server.
    Postgres,
}

/// A database of one test's own; a SQLite file goes when this is dropped.
#[derive(Debug)]
pub struct Database {
    /// Its URL.
    pub url: String,
    /// A token with every scope for each of the two workshops.
    pub tokens: [String; 2],
    /// Its folder.
    _folder: Option<TempDir>,
}

struct SqliteTemplate {
    _folder: TempDir,
    file: PathBuf,
    tokens: [String; 2],
}
struct PostgresTemplate {
    name: String,
    tokens: [String; 2],
}

static SQLITE: OnceCell<SqliteTemplate> = OnceCell::const_new();
static POSTGRES: OnceCell<PostgresTemplate> = OnceCell::const_new();
static COUNT: AtomicU32 = AtomicU32::new(0);

/// A database name that no other test, and no other run, has.
fn fresh_name() -> String {
    format!("witnessmark_test_{}_{}", std::process::id(), COUNT.fetch_add(1, Ordering::Relaxed))
}

/// The PostgreSQL server's own database, from the environment.
pub fn postgres() -> PgConnectOptions {
    let url = std::env::var("WITNESSMARK_TEST_POSTGRES")
        .expect("WITNESSMARK_TEST_POSTGRES is not set: run the tests with `sh tests/run`, which starts a PostgreSQL server for them");
    url.parse::<PgConnectOptions>().expect("WITNESSMARK_TEST_POSTGRES is a postgres:// URL").disable_statement_logging()
}

async fn administer(statement: String) {
    let mut connection = PgConnection::connect_with(&postgres()).await.expect("the PostgreSQL server of the tests answers");
    connection.execute(sqlx::AssertSqlSafe(statement)).await.expect("the test's user may make databases");
    connection.close().await.expect("closes");
}

/// The URL of a database of the PostgreSQL server.
fn postgres_url(name: &str) -> String {
    postgres().database(name).to_url_lossy().to_string()
}

/// An empty database: no tables yet.
pub async fn empty(engine: Engine) -> Database {
    let (url, folder) = match engine {
        Engine::Sqlite => {
            let folder = TempDir::new().expect("a temporary folder");
            (format!("sqlite:{}", folder.path().join("test.db").display()), Some(folder))
        }
        Engine::Postgres => {
            let name = fresh_name();
            administer(format!("create database {name}")).await;
            (postgres_url(&name), None)
        }
    };
    Database { url, tokens: Default::default(), _folder: folder }
}

async fn set_up(url: &str) -> [String; 2] {
    let app = App::new(Store::open(url).await.expect("a fresh database opens"), clock());
    let mut tokens = [String::new(), String::new()];
    for (token, (workshop, name)) in tokens.iter_mut().zip([("Quayside Works", "first"), ("Hill Street Garage", "second")]) {
        let setup = session::Setup {
            workshop: workshop.into(),
            time_zone: "Europe/Lisbon".into(),
            email: format!("{name}@example.org"),
            name: name.into(),
            password: PASSWORD.into(),
        };
        *token = session::set_up(&app, setup).await.expect("a workshop is set up").1;
    }
    app.store.close().await;
    tokens
}

impl Database {
    /// A database with two workshops, empty otherwise.
    pub async fn with_two_workshops(engine: Engine) -> Self {
        match engine {
            Engine::Sqlite => {
                let template = SQLITE.get_or_init(sqlite_template).await;
                let folder = TempDir::new().expect("a temporary folder");
                let file = folder.path().join("test.db");
                std::fs::copy(&template.file, &file).expect("the template can be copied");
                Self { url: format!("sqlite:{}", file.display()), tokens: template.tokens.clone(), _folder: Some(folder) }
            }
            Engine::Postgres => {
                let template = POSTGRES.get_or_init(postgres_template).await;
                let name = fresh_name();
                administer(format!("create database {name} template {}", template.name)).await;
                Self { url: postgres_url(&name), tokens: template.tokens.clone(), _folder: None }
            }
        }
    }

    /// Removes a PostgreSQL database; where a test failed it stays, for a look at it.
    pub async fn remove(self) {
        if let Some((_, name)) = self.url.strip_prefix("postgres").and_then(|url| url.rsplit_once('/')) {
            let name = name.split('?').next().unwrap_or_default();
            administer(format!("drop database if exists {name} with (force)")).await;
        }
    }
}

async fn sqlite_template() -> SqliteTemplate {
    let folder = TempDir::new().expect("a temporary folder");
    let file = folder.path().join("template.db");
    let tokens = set_up(&format!("sqlite:{}", file.display())).await;
    SqliteTemplate { _folder: folder, file, tokens }
}

async fn postgres_template() -> PostgresTemplate {
    let name = fresh_name();
    administer(format!("create database {name}")).await;
    let tokens = set_up(&postgres_url(&name)).await;
    PostgresTemplate { name, tokens }
}
