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
    tracing_subscriber::fmt().with_env_filter(filter).with_ansi(ansi).with_writer(std::io::stderr).init();
    witnessmark::cli::run(command).await
}
