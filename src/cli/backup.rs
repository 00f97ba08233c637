//! `witnessmark backup` and `witnessmark restore`
use std::{path::PathBuf, process::ExitCode};

use clap::Args;

use super::print;
use crate::{
    config::Database,
    error::{Error, Result},
    store::copy,
};

/// Writes a consistent copy of the database while the server runs.
#[derive(Debug, Args)]
pub struct Backup {
    #[command(flatten)]
    database: Database,
    /// The file to write; it must not be there yet
    #[arg(long, value_name = "FILE", env = "WITNESSMARK_TO")]
    to: PathBuf,
}

impl Backup {
    /// Runs the command.
    ///
    /// # Errors
    /// Where the database is PostgreSQL (it has its own tool), or the file is there already or cannot be written.
    pub async fn run(self) -> Result<ExitCode> {
        let postgres = "This is a PostgreSQL database; copy it with its own tool: pg_dump --format=custom --file FILE URL.";
        let database = self.database.file().ok_or_else(|| Error::invalid("/database", postgres))?;
        copy::back_up(&database, &self.to).await?;
        print(&format!("copied to {}", self.to.display()));
        Ok(ExitCode::SUCCESS)
    }
}

/// Puts a copy where no database is yet.
#[derive(Debug, Args)]
pub struct Restore {
    /// The copy
    #[arg(long, value_name = "FILE", env = "WITNESSMARK_FROM")]
    from: PathBuf,
    #[command(flatten)]
    database: Database,
}

impl Restore {
    /// Runs the command.
    ///
    /// # Errors
    /// Where the database is PostgreSQL (it has its own tool), is there already, or the copy is not one.
    pub async fn run(self) -> Result<ExitCode> {
        let postgres = "This is a PostgreSQL database; restore it with its own tool: pg_restore --dbname URL FILE.";
        let database = self.database.file().ok_or_else(|| Error::invalid("/database", postgres))?;
        copy::restore(&self.from, &database).await?;
        print(&format!("restored to {}", database.display()));
        Ok(ExitCode::SUCCESS)
    }
}
