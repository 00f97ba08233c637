//! `witnessmark verify`
use std::{path::PathBuf, process::ExitCode};

use clap::Args;

use super::{environment, print};
use crate::{
    domain::{
        calendar,
        packet::check::{Wrong, check},
    },
    error::Result,
};

/// Checks that a history packet is as it was made. It needs no database and no server.
#[derive(Debug, Args)]
pub struct Verify {
    /// The packet, as JSON
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// The fingerprint (RFC 7638) that the workshop told you itself; any other key is refused. It may begin with a hyphen
    #[arg(long, value_name = "FINGERPRINT", allow_hyphen_values = true)]
    key: Option<String>,
}

impl Verify {
    /// Runs the command: 0 with a summary, 1 with the first place that does not fit, 3 where the file cannot be read or is no packet.
    ///
    /// # Errors
    /// Where the file cannot be read.
    pub async fn run(self) -> Result<ExitCode> {
        let name = self.file.display();
        let bytes = tokio::fs::read(&self.file).await.map_err(|error| environment(format!("cannot read {name}: {error}")))?;
        let packet = serde_json::from_slice(&bytes).map_err(|error| environment(format!("{name} is not JSON: {error}")))?;
        let found = match check(&packet) {
            Ok(found) => found,
            Err(Wrong::NotAPacket(why)) => return Err(environment(format!("{name} cannot be read as a packet. {why}"))),
            Err(Wrong::Changed(what)) => {
                print(&what);
                return Ok(ExitCode::from(1));
            }
        };
        if self.key.as_ref().is_some_and(|key| *key != found.fingerprint) {
            print(&format!("The packet is whole, but signed with another key: {}.", found.fingerprint));
            return Ok(ExitCode::from(1));
        }
        let entries = if found.entries == 1 { "1 entry".into() } else { format!("{} entries", found.entries) };
        let (motorcycle, workshop) = (plain(&found.motorcycle), plain(&found.workshop));
        print(&format!("{motorcycle}: {entries}, as {workshop} made them on {}.", calendar::words(found.made_on)));
        print(&format!("The last hash: {}", found.head));
        print(&format!("Signed with the key {}", found.fingerprint));
        print("This does not prove that what was written down is true, nor who holds the key: ask the workshop for its fingerprint.");
        Ok(ExitCode::SUCCESS)
    }
}

/// A name out of a file that anybody may have made, without what would move a terminal's cursor or turn its direction.
fn plain(text: &str) -> String {
    let moves =
        |letter: char| letter.is_control() || matches!(letter, '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    text.chars().map(|letter| if moves(letter) { '\u{fffd}' } else { letter }).collect()
}
