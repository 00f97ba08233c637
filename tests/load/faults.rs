//! What the server is put through, from outside, as a process: `sh tests/load/faults`.
mod idle;
mod kill;
mod program;

use std::process::ExitCode;

#[tokio::main]
async fn main() -> ExitCode {
    let arguments: Vec<_> = std::env::args().skip(1).filter(|argument| argument != "--bench").collect();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["kill", rounds] => kill::run(rounds.parse().expect("a number of rounds")).await,
        ["idle", count] => idle::run(count.parse().expect("a number of connections")).await,
        _ => {
            println!("run sh tests/load/faults");
            ExitCode::SUCCESS
        }
    }
}
