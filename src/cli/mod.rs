//! The command line: one file for each command. Exit codes: 0 done, 1 the answer is no, 2 wrong use, 3 the environment failed.
pub mod backup;
pub mod check;
pub mod demo;
pub mod exchange;
pub mod relocate;
pub mod reports;
pub mod serve;
pub mod setup;
pub mod verify;

use std::process::ExitCode;

use crate::{
    config::{Command, Do},
    error::Error,
};

/// Does what the command line says.
pub async fn run(command: Command) -> ExitCode {
    let done = match command.command {
        Do::Demo(demo) => demo.run().await,
        Do::Setup(setup) => setup.run().await,
        Do::Serve(serve) => serve.run().await,
        Do::Check(check) => check.run().await,
        Do::Reports(reports) => Box::pin(reports.run()).await,
        Do::Backup(backup) => backup.run().await,
        Do::Restore(restore) => restore.run().await,
        Do::Move(moving) => moving.run().await,
        Do::Export(export) => export.run().await,
        Do::Import(import) => import.run().await,
        Do::Verify(verify) => verify.run().await,
        Do::Openapi => {
            print(&serde_json::to_string_pretty(&crate::web::openapi()).unwrap_or_default());
            Ok(ExitCode::SUCCESS)
        }
    };
    done.unwrap_or_else(|error| {
        eprintln!("witnessmark: {error}");
        ExitCode::from(if matches!(error.status(), 500..) { 3 } else { 2 })
    })
}

/// Prints a line; a closed pipe ends the output quietly.
pub(crate) fn print(line: &str) {
    use std::io::Write;
    let _ = writeln!(std::io::stdout(), "{line}");
}

/// What a failed command says: the environment (exit code 3).
pub(crate) fn environment(why: impl std::fmt::Display) -> Error {
    Error::Unavailable(why.to_string())
}
