//! Reads the command line and hands over.
use std::{io::IsTerminal, process::ExitCode};

use clap::Parser;
use tracing_subscriber::EnvFilter;

#[tokio::main]
async fn main() -> ExitCode {
    let command = witnessmark::config::Command::parse();
    let wanted = std::env::var("WITNESSMARK_LOG").unwrap_or_else(|_| "witnessmark=info,tower_http=warn".into());
    let filter = match EnvFilter::try_new(&wanted) {
        Ok(filter) => filter,
        Err(error) => {
            eprintln!("witnessmark: WITNESSMARK_LOG={wanted:?} cannot be read ({error}); give a level such as info, or witnessmark=debug");
            return ExitCode::from(2);
        }
    };
    let ansi = std::io::stderr().is_terminal();
    let lines = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    match std::env::var("WITNESSMARK_LOG_FORMAT").as_deref() {
        Ok("json") => lines.json().flatten_event(true).init(),
        Ok("text") | Err(_) => lines.with_ansi(ansi).init(),
        Ok(other) => {
            eprintln!("witnessmark: WITNESSMARK_LOG_FORMAT={other:?} is neither text nor json");
            return ExitCode::from(2);
        }
    }
    witnessmark::cli::run(command).await
}
