//! Opening a database: fresh ones by two servers at once, and everything that can be wrong with one.
use std::{
    path::{Path, PathBuf},
    process::{Command, Output, Stdio},
    time::Duration,
};

use tempfile::TempDir;
use witnessmark::{error::Error, store::Store};

use crate::harness::{
    Engine,
    database::{Database, PASSWORD, empty, postgres},
};

pub fn url(file: &Path) -> String {
    format!("sqlite:{}", file.display())
}
/// A folder that the user of this test may not do everything in: root may, so the test's server does not run as root there.
struct Folder {
    _folder: TempDir,
    path: PathBuf,
}
impl Folder {
    fn new() -> Self {
        let folder = TempDir::new().unwrap();
        let path = folder.path().to_owned();
        Self { _folder: folder, path }
    }
    fn file(&self, name: &str) -> PathBuf {
        self.path.join(name)
    }
}

/// What opening says, in the library and on the command line: the environment failed (3), with what to do.
async fn refused(url: &str, words: &str) {
    let error = Store::open(url).await.expect_err("this database cannot be opened");
    assert!(matches!(error, Error::Unavailable(_)), "{error:?}");
    assert!(error.to_string().contains(words), "{error}");
    for arguments in [vec!["serve", "--listen", "127.0.0.1:0"], setup()] {
        let output = witnessmark(&arguments, url);
        let message = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(3), "{arguments:?}: {message}");
        assert!(message.contains(words), "{arguments:?}: {message}");
        assert!(!message.contains("panicked"), "{message}");
    }
}

fn setup() -> Vec<&'static str> {
    let password = concat!(env!("CARGO_MANIFEST_DIR"), "/Cargo.toml");
    vec!["setup", "--workshop", "W", "--timezone", "UTC", "--email", "a@example.org", "--password-file", password]
}

fn witnessmark(arguments: &[&str], url: &str) -> Output {
    let (command, rest) = arguments.split_first().unwrap();
    within_a_minute(Command::new(env!("CARGO_BIN_EXE_witnessmark")).arg(command).args(["--database", url]).args(rest))
}

/// What a program says; one that is still running after a minute hangs.
pub fn within_a_minute(command: &mut Command) -> Output {
    let mut program = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    for _ in 0..600 {
        if program.try_wait().unwrap().is_some() {
            return program.wait_with_output().unwrap();
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    program.kill().unwrap();
    panic!("{command:?} hangs: {:?}", program.wait_with_output());
}

async fn start_twice_at_once(engine: Engine) {
    let database = empty(engine).await;
    let open = |_| {
        let url = database.url.clone();
        tokio::spawn(async move { Store::open(&url).await })
    };
    let opened: Vec<_> = (0..6).map(open).collect();
    for store in opened {
        let store = store.await.unwrap().expect("each of them opens it");
        drop(store.read().await.unwrap());
        store.close().await;
    }
    database.remove().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn servers_starting_at_once_on_a_fresh_file() {
    start_twice_at_once(Engine::Sqlite).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn servers_starting_at_once_on_a_fresh_postgres() {
    start_twice_at_once(Engine::Postgres).await;
}

/// Two processes, not two tasks: the lock is the database's own.
async fn two_programs_at_once(engine: Engine) {
    let database = empty(engine).await;
    let folder = Folder::new();
    let password = folder.file("password");
    std::fs::write(&password, PASSWORD).unwrap();
    let programs: Vec<_> = (0..3)
        .map(|number| {
            Command::new(env!("CARGO_BIN_EXE_witnessmark"))
                .args(["setup", "--database", &database.url, "--workshop", "W", "--timezone", "UTC"])
                .args(["--email", &format!("manager{number}@example.org"), "--password-file"])
                .arg(&password)
                .stdout(Stdio::piped())
                .stderr(Stdio::piped())
                .spawn()
                .unwrap()
        })
        .collect();
    for program in programs {
        let output = program.wait_with_output().unwrap();
        let message = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{message}");
        let token = String::from_utf8_lossy(&output.stdout).lines().last().unwrap_or_default().to_owned();
        assert!(token.starts_with("wmk_"), "the last line is the token: {token}");
    }
    database.remove().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn programs_starting_at_once_on_a_fresh_file() {
    two_programs_at_once(Engine::Sqlite).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn programs_starting_at_once_on_a_fresh_postgres() {
    two_programs_at_once(Engine::Postgres).await;
}

#[tokio::test]
async fn a_file_that_is_no_database() {
    let folder = Folder::new();
    let file = folder.file("notes.txt");
    std::fs::write(&file, "A well-kept paper record. ".repeat(500)).unwrap();
    refused(&url(&file), "not a database").await;
    assert_eq!(std::fs::read_to_string(&file).unwrap(), "A well-kept paper record. ".repeat(500), "it is left as it was");
}

#[tokio::test]
async fn a_file_that_was_cut_off() {
    let folder = Folder::new();
    let whole = Database::with_two_workshops(Engine::Sqlite).await;
    let bytes = std::fs::read(whole.url.strip_prefix("sqlite:").unwrap()).unwrap();
    let file = folder.file("cut.db");
    std::fs::write(&file, &bytes[..bytes.len() / 2]).unwrap();
    refused(&url(&file), "damaged").await;
}

#[tokio::test]
async fn another_programs_database() {
    let folder = Folder::new();
    let file = folder.file("other.db");
    let pool = sqlx::SqlitePool::connect(&format!("{}?mode=rwc", url(&file))).await.unwrap();
    sqlx::query("create table motorcycle (id integer primary key)").execute(&pool).await.unwrap();
    pool.close().await;
    refused(&url(&file), "cannot bring the database up to date").await;
}

#[tokio::test]
async fn a_file_in_no_folder() {
    refused("sqlite:/nowhere/at/all/test.db", "does its folder exist").await;
    let folder = Folder::new();
    refused(&url(&folder.path), "cannot be opened").await;
}

#[tokio::test]
async fn urls_of_no_engine() {
    for url in ["", "test.db", "mysql://localhost/x", "file:test.db"] {
        let error = Store::open(url).await.expect_err("this is no database of ours");
        assert!(error.to_string().contains("sqlite:"), "{error}");
        // Wrong use, said before anything is tried.
        let output = witnessmark(&["serve"], url);
        let message = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{message}");
        assert!(message.contains("sqlite:PATH"), "{message}");
    }
}

#[tokio::test]
async fn a_file_that_another_program_has_locked() {
    let database = Database::with_two_workshops(Engine::Sqlite).await;
    let pool = sqlx::SqlitePool::connect(&database.url).await.unwrap();
    let mut connection = pool.acquire().await.unwrap();
    sqlx::query("pragma locking_mode = exclusive").execute(&mut *connection).await.unwrap();
    sqlx::query("begin exclusive").execute(&mut *connection).await.unwrap();
    let error = Store::open(&database.url).await.expect_err("it is locked");
    assert!(error.to_string().contains("locked by another program"), "{error}");
    let output = witnessmark(&["serve", "--listen", "127.0.0.1:0"], &database.url);
    let message = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(3), "{message}");
    assert!(message.contains("locked by another program"), "{message}");
}

/// Runs the program as a user who may read the file but not write it. Root may write everything, so root steps down for it.
#[tokio::test]
async fn a_file_that_is_read_only() {
    use std::os::unix::fs::PermissionsExt;
    let folder = Folder::new();
    let database = Database::with_two_workshops(Engine::Sqlite).await;
    let file = folder.file("read-only.db");
    std::fs::copy(database.url.strip_prefix("sqlite:").unwrap(), &file).unwrap();
    std::fs::set_permissions(&file, PermissionsExt::from_mode(0o444)).unwrap();
    std::fs::set_permissions(&folder.path, PermissionsExt::from_mode(0o555)).unwrap();
    let program = folder_for_all().join("witnessmark");
    let root = Command::new("id").arg("-u").output().unwrap().stdout == b"0\n";
    let mut command = if root {
        std::fs::copy(env!("CARGO_BIN_EXE_witnessmark"), &program).unwrap();
        let mut command = Command::new("setpriv");
        command.args(["--reuid=65534", "--regid=65534", "--clear-groups"]).arg(&program);
        command
    } else {
        Command::new(env!("CARGO_BIN_EXE_witnessmark"))
    };
    let output = within_a_minute(command.args(["serve", "--listen", "127.0.0.1:0", "--database", &url(&file)]));
    std::fs::remove_dir_all(program.parent().unwrap()).unwrap();
    std::fs::set_permissions(&folder.path, PermissionsExt::from_mode(0o755)).unwrap();
    let message = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(3), "{message}");
    assert!(message.contains("read-only"), "{message}");
}

/// A folder that every user may enter.
fn folder_for_all() -> PathBuf {
    use std::os::unix::fs::PermissionsExt;
    let folder = TempDir::new().unwrap().keep();
    std::fs::set_permissions(&folder, PermissionsExt::from_mode(0o755)).unwrap();
    folder
}

async fn from_a_newer_version(engine: Engine) {
    let database = Database::with_two_workshops(engine).await;
    let newer = "insert into _sqlx_migrations (version, description, success, checksum, execution_time)
                 select 9999, 'from the future', success, checksum, 0 from _sqlx_migrations limit 1";
    match engine {
        Engine::Sqlite => {
            let pool = sqlx::SqlitePool::connect(&database.url).await.unwrap();
            sqlx::query(newer).execute(&pool).await.unwrap();
            pool.close().await;
        }
        Engine::Postgres => {
            let pool = sqlx::PgPool::connect(&database.url).await.unwrap();
            sqlx::query(newer).execute(&pool).await.unwrap();
            pool.close().await;
        }
    }
    refused(&database.url, "newer version").await;
    database.remove().await;
}

#[tokio::test]
async fn a_file_from_a_newer_version() {
    from_a_newer_version(Engine::Sqlite).await;
}

#[tokio::test]
async fn a_postgres_from_a_newer_version() {
    from_a_newer_version(Engine::Postgres).await;
}

/// `verify-ca` trusts the tests' own authority; `verify-full` does not, because it names another host.
#[tokio::test]
async fn a_postgres_spoken_to_through_tls() {
    let database = empty(Engine::Postgres).await;
    let certificate = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/api/database_authority.pem");
    let through = |mode: &str| format!("{}&sslrootcert={certificate}", database.url.replace("sslmode=disable", &format!("sslmode={mode}")));
    let store = Store::open(&through("verify-ca")).await.unwrap();
    let Store::Postgres(pool) = &store else { panic!("this is the server engine") };
    let sealed: bool = sqlx::query_scalar("select ssl from pg_stat_ssl where pid = pg_backend_pid()").fetch_one(pool).await.unwrap();
    assert!(sealed);
    store.close().await;
    Store::open(&through("verify-full")).await.expect_err("the certificate is another host's");
    database.remove().await;
}

#[tokio::test]
async fn a_postgres_that_is_not_there() {
    use sqlx::ConnectOptions;
    // A port that was free a moment ago.
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    refused(&format!("postgres://nobody@127.0.0.1:{port}/nothing"), "cannot open the database").await;
    refused(postgres().database("never_made").to_url_lossy().as_str(), "never_made").await;
}

/// A disk that takes no more: the write is refused with 503 and the server goes on reading.
#[tokio::test]
async fn a_file_that_became_read_only_under_the_server() {
    let database = Database::with_two_workshops(Engine::Sqlite).await;
    let server = crate::harness::Server::start(&database.url, database.tokens.clone(), crate::harness::server::clock()).await;
    let path = server.motorcycle(serde_json::json!({})).await;
    let Store::Sqlite { write, .. } = &server.app.store else { panic!("this is the file engine") };
    sqlx::query("pragma query_only = on").execute(write).await.unwrap();
    let answer = server.post("/motorcycles", &serde_json::json!({"name": "B", "final_drive": "belt", "odometer_unit": "km"})).await;
    answer.problem(503);
    server.get(&path).await.ok();
    assert_eq!(server.count("/motorcycles").await, 1);
    sqlx::query("pragma query_only = off").execute(write).await.unwrap();
    server.motorcycle(serde_json::json!({"name": "B"})).await;
}
