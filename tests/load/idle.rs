//! Thousands of clients that connect and say nothing: what they cost, whether others are served meanwhile, and whether they are let go.
use std::{
    process::ExitCode,
    time::{Duration, Instant},
};

use reqwest::Client;
use tokio::{io::AsyncReadExt, net::TcpStream, time::timeout};

use super::program::{Program, memory};

/// By then a client that sent nothing has to be let go; the server gives it 30 seconds.
const LET_GO: Duration = Duration::from_mins(1);
/// The most that an idle connection may cost, in kB.
const MOST_EACH: u64 = 16;

/// Opens `count` connections and prints the figures.
pub async fn run(count: u32) -> ExitCode {
    let program = Program::new();
    let client = Client::builder().timeout(Duration::from_secs(10)).pool_max_idle_per_host(0).build().expect("a client");
    let mut server = program.serve();
    program.ready(&client).await;
    for _ in 0..100 {
        ask(&client, &program).await;
    }
    let resident = || memory(server.id(), "VmRSS").unwrap_or(0);
    let before = resident();
    let began = Instant::now();
    let mut open = Vec::new();
    for _ in 0..count {
        open.push(TcpStream::connect(program.address).await.expect("the server accepts"));
    }
    println!("idle connections: {count}, opened in {:.1} s", began.elapsed().as_secs_f64());
    let mut slowest = Duration::ZERO;
    for _ in 0..100 {
        slowest = slowest.max(ask(&client, &program).await);
    }
    let during = resident();
    println!("slowest of 100 new clients meanwhile: {:.1} ms", slowest.as_secs_f64() * 1e3);
    let mut let_go = 0_u32;
    for mut stream in open {
        let left = LET_GO.saturating_sub(began.elapsed()).max(Duration::from_millis(1));
        // The end of the stream, or 408 before it.
        let mut said = Vec::new();
        let_go += u32::from(timeout(left, stream.read_to_end(&mut said)).await.is_ok());
    }
    println!("let go by the server: {let_go}, after {:.0} s", began.elapsed().as_secs_f64());
    ask(&client, &program).await;
    let after = resident();
    println!("resident memory: {before} kB before, {during} kB with them, {after} kB after");
    server.kill().expect("it is ours");
    server.wait().expect("it ends");
    let each = during.saturating_sub(before) / u64::from(count.max(1));
    println!("{each} kB for each, at most {MOST_EACH}");
    ExitCode::from(u8::from(let_go != count || each > MOST_EACH || slowest > Duration::from_secs(1)))
}

/// One request on a connection of its own.
async fn ask(client: &Client, program: &Program) -> Duration {
    let began = Instant::now();
    let request = client.get(format!("http://{}/api/v1/motorcycles", program.address)).bearer_auth(&program.token);
    let answer = request.send().await.expect("an answer");
    assert_eq!(answer.status(), 200);
    began.elapsed()
}
