//! What the server is put through, from outside, as a process: `sh tests/load/faults`.
#[path = "../harness/forwarder.rs"]
mod forwarder;
mod idle;
mod kill;
mod postgres;
mod program;
mod replica;

use std::process::ExitCode;

#[tokio::main]
async fn main() -> ExitCode {
    let arguments: Vec<_> = std::env::args().skip(1).filter(|argument| argument != "--bench").collect();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["kill", rounds] => kill::run(rounds.parse().expect("a number of rounds")).await,
        ["postgres", rounds] => postgres::restarts(rounds.parse().expect("a number of rounds")).await,
        ["failover", _] => postgres::failover().await,
        ["replica", _] => replica::run().await,
        ["idle", count] => idle::run(count.parse().expect("a number of connections")).await,
        _ => {
            println!("run sh tests/load/faults");
            ExitCode::SUCCESS
        }
    }
}
