//! Two servers read from a streaming copy: whoever has just been told that something is written finds it at once, at either of them, while
//! the copy follows, while it stands still, and once it is gone.
use std::{
    process::ExitCode,
    sync::Arc,
    time::{Duration, Instant},
};

use reqwest::Client;
use serde_json::{Value, json};
use tokio::task::JoinSet;

use super::{
    kill::{client, motorcycle},
    postgres::{Cluster, url},
    program::Program,
};

/// How many write and read at once.
const READERS: usize = 6;

/// How often each server read from the copy, and from the primary where it might have been the copy.
async fn reads(client: &Client, servers: &[Arc<Program>]) -> [u64; 2] {
    let mut sums = [0; 2];
    for server in servers {
        let answer = client.get(format!("http://{}/metrics", server.address)).send().await.expect("an answer");
        let text = answer.text().await.expect("text");
        for (sum, from) in sums.iter_mut().zip(["replica", "primary"]) {
            let begin = format!("witnessmark_replica_reads_total{{from=\"{from}\"}} ");
            *sum += text.lines().find_map(|line| line.strip_prefix(&begin)?.parse::<u64>().ok()).expect("the count");
        }
    }
    sums
}

/// Writes a reading at one server and reads the motorcycle at the other, in turns; gives how often, and what was older than the write.
async fn write_and_read(client: Client, servers: Vec<Arc<Program>>, bike: String, mut reading: u32, until: Instant) -> (u32, Vec<String>) {
    let (mut times, mut stale) = (0, Vec::new());
    while Instant::now() < until {
        let (writes, reads) = (&servers[times as usize % 2], &servers[(times as usize + 1) % 2]);
        reading += 1;
        let body = json!({"on": "2026-01-02", "reading": reading, "confirmed": true});
        let write = client.post(format!("http://{}/api/v1/motorcycles/{bike}/odometer-readings", writes.address));
        let written = write.bearer_auth(&writes.token).json(&body).send().await.expect("an answer");
        assert_eq!(written.status(), 201, "{}", written.text().await.unwrap_or_default());
        let read = client.get(format!("http://{}/api/v1/motorcycles/{bike}", reads.address)).bearer_auth(&reads.token);
        let found: Value = read.send().await.expect("an answer").json().await.expect("JSON");
        if found["odometer"]["reading"] != json!(reading) {
            stale.push(format!("{reading} was written, {} is read", found["odometer"]));
        }
        times += 1;
    }
    (times, stale)
}

/// One stretch of time; gives how often the copy and the primary were read.
async fn stretch(client: &Client, servers: &[Arc<Program>], bikes: &[String], what: &str, begin: u32) -> Result<[u64; 2], String> {
    let before = reads(client, servers).await;
    let until = Instant::now() + Duration::from_secs(6);
    let mut tasks = JoinSet::new();
    for bike in bikes {
        tasks.spawn(write_and_read(client.clone(), servers.to_vec(), bike.clone(), begin, until));
    }
    let all = tasks.join_all().await;
    let after = reads(client, servers).await;
    let times: u32 = all.iter().map(|(times, _)| times).sum();
    let stale: Vec<_> = all.into_iter().flat_map(|(_, stale)| stale).collect();
    let counts = [after[0] - before[0], after[1] - before[1]];
    println!(
        "{what}: written and read back {times} times; the copy answered {}, the primary {}; older than the write: {}",
        counts[0],
        counts[1],
        stale.len()
    );
    if times == 0 || !stale.is_empty() {
        return Err(format!("{what}: {} of {times} reads were older than the write before them, such as {:?}", stale.len(), stale.first()));
    }
    Ok(counts)
}

/// Writes and reads while the copy follows, stands still, follows again, and is gone.
pub async fn run() -> ExitCode {
    let folder = tempfile::tempdir().expect("a folder");
    let first = Cluster::make(folder.path().join("first"));
    let one = Program::of(url(first.address));
    let copy = first.copied_to(folder.path().join("copy"));
    first.run("alone", &[]);
    let servers = [Arc::new(one.beside()), Arc::new(one)];
    let client = client();
    let replica = url(copy.address);
    let mut processes: Vec<_> = servers.iter().map(|server| server.serve_with(&["--database-replica", &replica])).collect();
    for server in &servers {
        server.ready(&client).await;
    }
    let mut bikes = Vec::new();
    for _ in 0..READERS {
        bikes.push(motorcycle(&client, &servers[0]).await);
    }
    let done = stages(&client, &servers, &bikes, &copy).await;
    for process in &mut processes {
        process.kill().expect("it is ours");
        process.wait().expect("it ends");
    }
    if let Err(why) = done {
        println!("{why}");
        return ExitCode::FAILURE;
    }
    ExitCode::SUCCESS
}
async fn stages(client: &Client, servers: &[Arc<Program>], bikes: &[String], copy: &Cluster) -> Result<(), String> {
    let [from_copy, from_primary] = stretch(client, servers, bikes, "the copy follows", 0).await?;
    if from_copy < from_primary {
        return Err("the copy was hardly read".into());
    }
    copy.run("pause", &[]);
    let [from_copy, _] = stretch(client, servers, bikes, "it stands still", 100_000).await?;
    if from_copy > 0 {
        return Err("a copy that stands still was read".into());
    }
    copy.run("resume", &[]);
    let [from_copy, from_primary] = stretch(client, servers, bikes, "it follows again", 200_000).await?;
    if from_copy < from_primary {
        return Err("the copy was hardly read again".into());
    }
    copy.run("stop", &[]);
    stretch(client, servers, bikes, "it is gone", 300_000).await?;
    Ok(())
}
