//! `witnessmark check`
use std::{
    cell::Cell,
    process::ExitCode,
    time::{Duration, Instant},
};

use clap::Args;

use super::print;
use crate::{actions::check, config::Database, error::Result, store::Store};

/// Works everything out again from history and compares it with what is stored.
#[derive(Debug, Args)]
pub struct Check {
    #[command(flatten)]
    database: Database,
}

impl Check {
    /// Runs the command: 0 where nothing differs, 1 with each difference.
    ///
    /// # Errors
    /// Where the database is not there or cannot be read.
    pub async fn run(self) -> Result<ExitCode> {
        self.database.must_be_there()?;
        let store = Store::open(&self.database.url).await?;
        let said = Cell::new(Instant::now());
        let checked = check::check_saying(&store, |done, all| {
            if said.get().elapsed() >= Duration::from_secs(2) {
                said.set(Instant::now());
                eprintln!("{done} of {} worked out again", counted(all, "motorcycle"));
            }
        })
        .await;
        store.close().await;
        let checked = checked?;
        for difference in &checked.differences {
            print(&format!("{}: {}", difference.motorcycle, difference.what));
        }
        print(&format!(
            "{} on {} in {} worked out again: {}",
            counted(checked.due_items, "due item"),
            counted(checked.motorcycles, "motorcycle"),
            counted(checked.workshops, "workshop"),
            if checked.differences.is_empty() { "nothing differs".to_owned() } else { counted(checked.differences.len(), "difference") }
        ));
        Ok(if checked.differences.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(1) })
    }
}

pub(super) fn counted(count: usize, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}
