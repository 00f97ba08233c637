//! PostgreSQL stops under concurrent writes and comes back, or a copy takes its place: what was acknowledged has to be there, once, and the
//! server goes on without being started again. Like a proxy with one address in front of both, a forwarder leads to the one that is up.
use std::{
    net::{SocketAddr, TcpListener},
    path::{Path, PathBuf},
    process::{Command, ExitCode},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering::Relaxed},
    },
    time::{Duration, Instant},
};

use super::{
    forwarder::Forwarder,
    kill::{begin, client, verdict, writers},
    program::Program,
};

/// How long they write between two stops, and the longest that PostgreSQL stays away, in milliseconds.
const WRITING: u64 = 800;
const AWAY: u64 = 3000;

/// A PostgreSQL server of its own in a folder.
pub struct Cluster {
    folder: PathBuf,
    pub address: SocketAddr,
}
impl Cluster {
    fn at(folder: PathBuf) -> Self {
        let address = TcpListener::bind("127.0.0.1:0").and_then(|socket| socket.local_addr()).expect("a free port");
        Self { folder, address }
    }
    pub fn run(&self, what: &str, more: &[&str]) {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/load/cluster");
        let done = Command::new(script).arg(what).arg(&self.folder).args(more).status().expect("the script runs");
        assert!(done.success(), "{what}");
    }
    pub fn make(folder: PathBuf) -> Self {
        let cluster = Self::at(folder);
        cluster.run("make", &[&cluster.address.port().to_string()]);
        cluster
    }
    pub fn copied_to(&self, folder: PathBuf) -> Self {
        let copy = Self::at(folder);
        self.run("copy", &[copy.folder.to_str().expect("a path"), &copy.address.port().to_string()]);
        copy
    }
}
/// Stops a server that may be stopped already.
impl Drop for Cluster {
    fn drop(&mut self) {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/load/cluster");
        let _ = Command::new(script).arg("stop").arg(&self.folder).stderr(std::process::Stdio::null()).status();
    }
}

/// Stops it and starts it again, `rounds` times.
pub async fn restarts(rounds: u32) -> ExitCode {
    let folder = tempfile::tempdir().expect("a folder");
    let cluster = Cluster::make(folder.path().join("one"));
    let network = Forwarder::to(cluster.address).await;
    let program = Arc::new(Program::of(url(network.address)));
    let client = client();
    let server = program.serve();
    program.ready(&client).await;
    let mut all = writers(&client, &program).await;
    let (began, mut longest) = (Instant::now(), Duration::ZERO);
    for _ in 0..rounds {
        let (stop, written) = (Arc::default(), Arc::default());
        let tasks = begin(&client, &program, all, &stop, &written);
        tokio::time::sleep(Duration::from_millis(rand::random_range(0..WRITING))).await;
        cluster.run("stop", &[]);
        longest = longest.max(told(&client, &program).await);
        tokio::time::sleep(Duration::from_millis(rand::random_range(0..AWAY))).await;
        cluster.run("start", &[]);
        written.store(false, Relaxed);
        writes_again(&written).await;
        stop.store(true, Relaxed);
        all = tasks.join_all().await;
    }
    for writer in &mut all {
        writer.write(&client, &program, &AtomicBool::new(true), &AtomicBool::new(false)).await;
    }
    println!(
        "stopped and started: {rounds} times in {:.0} s; told so within {:.1} s at most",
        began.elapsed().as_secs_f64(),
        longest.as_secs_f64()
    );
    verdict(&client, &program, server, &all).await
}

/// The first is stopped for good under writes, and its copy takes over.
pub async fn failover() -> ExitCode {
    let folder = tempfile::tempdir().expect("a folder");
    let first = Cluster::make(folder.path().join("first"));
    let network = Forwarder::to(first.address).await;
    let program = Arc::new(Program::of(url(network.address)));
    let client = client();
    let server = program.serve();
    program.ready(&client).await;
    let all = writers(&client, &program).await;
    let copy = first.copied_to(folder.path().join("copy"));
    let (stop, written) = (Arc::default(), Arc::default());
    let tasks = begin(&client, &program, all, &stop, &written);
    tokio::time::sleep(Duration::from_secs(3)).await;
    let began = Instant::now();
    first.run("stop", &[]);
    network.cut();
    copy.run("promote", &[]);
    network.lead_to(copy.address);
    written.store(false, Relaxed);
    writes_again(&written).await;
    println!("the copy took over: written again after {:.1} s", began.elapsed().as_secs_f64());
    tokio::time::sleep(Duration::from_secs(2)).await;
    stop.store(true, Relaxed);
    let mut all = tasks.join_all().await;
    for writer in &mut all {
        writer.write(&client, &program, &AtomicBool::new(true), &AtomicBool::new(false)).await;
    }
    verdict(&client, &program, server, &all).await
}

pub fn url(address: SocketAddr) -> String {
    format!("postgres://witnessmark@{address}/postgres?sslmode=disable")
}
async fn writes_again(written: &AtomicBool) {
    let begun = Instant::now();
    while !written.load(Relaxed) {
        assert!(begun.elapsed() < Duration::from_mins(1), "nothing is written any more");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}
/// How long a reader waits to be told that the database is away: 503 with when to come again.
async fn told(client: &reqwest::Client, program: &Program) -> Duration {
    let begun = Instant::now();
    let request = client.get(format!("http://{}/api/v1/motorcycles", program.address)).bearer_auth(&program.token);
    let answer = request.send().await.expect("an answer");
    assert_eq!(answer.status(), 503);
    assert!(answer.headers().contains_key("retry-after"));
    begun.elapsed()
}
