//! Importing: files of rows, and whole workshops. Every row is looked at and answered; stored is all of it or nothing.
pub mod whole;

use super::Work;
use crate::{
    domain::import::{ImportKind, Imported},
    error::{Error, Result},
};

/// What a file is read as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// Comma-separated values (RFC 4180).
    Csv,
    /// A JSON object on each line.
    Ndjson,
}

/// What is to be imported, and how its figures are meant.
#[derive(Clone, Copy, Debug)]
pub struct Wanted {
    /// What the file holds.
    pub kind: ImportKind,
    /// How it is written.
    pub format: Format,
}

/// Imports a file into the caller's workshop. Where the answer is not [good](Imported::is_good), or it was only to be tried, the work
/// is not to be finished: nothing of it may stay.
///
/// # Errors
/// 400 where the file cannot be read at all, 415 where its kind is not written like that.
pub async fn import(work: &mut Work, wanted: Wanted, file: &[u8]) -> Result<Imported> {
    match (wanted.kind, wanted.format) {
        (ImportKind::Export, Format::Csv) => Err(Error::WrongMediaType("application/x-ndjson, as /export gives it")),
        (ImportKind::Export, Format::Ndjson) => {
            let text = std::str::from_utf8(file).map_err(|error| not_utf8(file, error))?;
            whole::import(work, text.trim_start_matches('\u{feff}')).await
        }
        _ => Err(Error::internal("not yet")),
    }
}

/// Says where a file stops being UTF-8.
fn not_utf8(file: &[u8], error: std::str::Utf8Error) -> Error {
    let line = file[..error.valid_up_to()].iter().filter(|byte| **byte == b'\n').count() + 1;
    Error::Malformed(format!("The file is not UTF-8 (line {line}); save it as UTF-8 and send it again."))
}
