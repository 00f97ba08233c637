//! Reads the command line and hands over.
use std::process::ExitCode;

use clap::Parser;
use tracing_subscriber::EnvFilter;

#[tokio::main]
async fn main() -> ExitCode {
    let command = witnessmark::config::Command::parse();
    let filter = EnvFilter::try_from_env("WITNESSMARK_LOG").unwrap_or_else(|_| EnvFilter::new("witnessmark=info,tower_http=warn"));
    tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).init();
    witnessmark::cli::run(command).await
}
