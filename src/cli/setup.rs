//! `witnessmark setup`
use std::{path::PathBuf, process::ExitCode};

use clap::Args;

use super::{environment, print};
use crate::{
    actions::{App, session},
    clock::Clock,
    config::Database,
    error::Result,
    store::Store,
};

/// Makes a workshop and its manager.
#[derive(Debug, Args)]
pub struct Setup {
    #[command(flatten)]
    database: Database,
    /// The workshop's name
    #[arg(long, value_name = "NAME", env = "WITNESSMARK_WORKSHOP")]
    workshop: String,
    /// Its time zone, such as Europe/Lisbon
    #[arg(long, value_name = "TZ", env = "WITNESSMARK_TIMEZONE")]
    timezone: String,
    /// The manager's e-mail address
    #[arg(long, value_name = "ADDR", env = "WITNESSMARK_EMAIL")]
    email: String,
    /// A file that holds the manager's password (at least 12 characters), or - to read it from standard input
    #[arg(long, value_name = "FILE", env = "WITNESSMARK_PASSWORD_FILE")]
    password_file: PathBuf,
}

impl Setup {
    /// Runs the command.
    ///
    /// # Errors
    /// Where the values are wrong or the database cannot be used.
    pub async fn run(self) -> Result<ExitCode> {
        let read = match self.password_file.to_str() {
            Some("-") => std::io::read_to_string(std::io::stdin()),
            _ => std::fs::read_to_string(&self.password_file),
        };
        let password =
            read.map_err(|error| environment(format!("cannot read the password file {}: {error}", self.password_file.display())))?;
        let app = App::new(Store::open(&self.database.url).await?, Clock::System);
        let name = self.email.split('@').next().unwrap_or("manager").to_owned();
        let setup = session::Setup {
            workshop: self.workshop,
            time_zone: self.timezone,
            email: self.email,
            name,
            password: password.trim_end_matches(['\r', '\n']).to_owned(),
        };
        let (workshop, token) = session::set_up(&app, setup).await?;
        app.store.close().await;
        print(&format!("The workshop is made; its id is {workshop}. Keep this token safe, it is not shown again:"));
        print(&token);
        Ok(ExitCode::SUCCESS)
    }
}
