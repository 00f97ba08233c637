//! The program as its users start it: a process of its own on a database file of its own.
#![allow(dead_code, reason = "the load and the faults each use a part of it")]
use std::{
    io::Write,
    net::{SocketAddr, TcpListener},
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    time::Duration,
};

pub const PROGRAM: &str = env!("CARGO_BIN_EXE_witnessmark");

/// A database file with one workshop, and where it is served.
pub struct Program {
    pub address: SocketAddr,
    pub token: String,
    database: String,
    _folder: Option<tempfile::TempDir>,
}

impl Program {
    /// Makes the database.
    pub fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let database = format!("sqlite:{}", file(folder.path()).display());
        Self { _folder: Some(folder), ..Self::of(database) }
    }
    /// Makes a workshop in a database that is empty, by its URL.
    pub fn of(database: String) -> Self {
        let mut setup = Command::new(PROGRAM)
            .args(["setup", "--database", &database, "--workshop", "Quayside Works", "--timezone", "UTC"])
            .args(["--email", "first@example.org", "--password-file", "-"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("setup starts");
        setup.stdin.take().expect("its input").write_all(b"only for these faults").expect("it reads the password");
        let said = setup.wait_with_output().expect("setup ends");
        assert!(said.status.success());
        let token = String::from_utf8_lossy(&said.stdout).lines().last().expect("a token").to_owned();
        Self { address: free_port(), token, database, _folder: None }
    }
    /// A database file that is there, to be served.
    pub fn on(file: &Path) -> Self {
        Self { address: free_port(), token: String::new(), database: format!("sqlite:{}", file.display()), _folder: None }
    }
    /// Starts the server; it is not ready yet.
    pub fn serve(&self) -> Child {
        self.serve_with(&[])
    }
    /// Starts it with more flags.
    pub fn serve_with(&self, more: &[&str]) -> Child {
        let listen = self.address.to_string();
        Command::new(PROGRAM).args(["serve", "--database", &self.database, "--listen", &listen]).args(more).spawn().expect("serve starts")
    }
    /// Another server on the same database.
    pub fn beside(&self) -> Self {
        Self { address: free_port(), token: self.token.clone(), database: self.database.clone(), _folder: None }
    }
    /// Waits until the server answers.
    pub async fn ready(&self, client: &reqwest::Client) {
        for _ in 0..600 {
            if client.get(format!("http://{}/readyz", self.address)).send().await.is_ok_and(|answer| answer.status() == 200) {
                return;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        panic!("the server does not get ready");
    }
    /// What `check` says, and whether nothing differs.
    pub fn check(&self) -> (bool, String) {
        let said = Command::new(PROGRAM).args(["check", "--database", &self.database]).output().expect("check starts");
        (said.status.success(), String::from_utf8_lossy(&said.stdout).trim().to_owned())
    }
}

/// A port that was free a moment ago; the server takes it again and again.
fn free_port() -> SocketAddr {
    TcpListener::bind("127.0.0.1:0").and_then(|socket| socket.local_addr()).expect("a free port")
}
fn file(folder: &Path) -> PathBuf {
    folder.join("faults.db")
}

/// A figure of a process that the kernel gives, such as `VmRSS` (kB); nothing where there is no such kernel.
pub fn memory(process: u32, figure: &str) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    status.lines().find_map(|line| line.strip_prefix(figure)?.strip_prefix(':')?.trim().strip_suffix(" kB")?.parse().ok())
}
