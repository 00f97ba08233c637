//! Importing: files of rows, and whole workshops. Every row is looked at and answered; stored is all of it or nothing.
//!
//! To add a kind: a word in [`ImportKind`], a file here that reads its columns, and a line in [`import`]. An export and a packet are no tables:
//! each has a reader of its own.
mod bikes;
mod events;
mod motorcycles;
pub mod packet;
mod readings;
mod table;
pub mod whole;

use self::table::{Column, Table};
use super::{Subject, Work};
use crate::{
    domain::{
        import::{DateOrder, ImportKind, Imported},
        sheet::{Sheet, Unreadable, decode},
        words::OdometerUnit,
    },
    error::{Error, Result},
};

/// What a file is read as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// Comma-separated values (RFC 4180).
    Csv,
    /// A JSON object on each line.
    Ndjson,
    /// One JSON value.
    Json,
}

/// What is to be imported, and how its dates and figures are meant.
#[derive(Clone, Copy, Debug)]
pub struct Wanted {
    /// What the file holds.
    pub kind: ImportKind,
    /// How it is written.
    pub format: Format,
    /// The order of dates that are not written YYYY-MM-DD.
    pub date_order: Option<DateOrder>,
    /// The unit of every odometer figure, where it is not each motorcycle's own.
    pub unit: Option<OdometerUnit>,
}

/// Imports a file into the caller's workshop. Where the answer is not [good](Imported::is_good), or it was only to be tried, the work
/// is not to be finished: nothing of it may stay.
///
/// # Errors
/// 400 where the file cannot be read at all, 415 where its kind is not written like that.
pub async fn import(work: &mut Work, wanted: Wanted, file: &[u8]) -> Result<Imported> {
    let unreadable = |why: Unreadable| Error::Malformed(why.0);
    if (wanted.kind, wanted.format) == (ImportKind::Export, Format::Csv) {
        return Err(Error::WrongMediaType("application/x-ndjson, as /export gives it"));
    }
    if (wanted.kind == ImportKind::Packet) != (wanted.format == Format::Json) {
        return Err(Error::WrongMediaType(if wanted.kind == ImportKind::Packet {
            "application/json, as a motorcycle's /packet gives it"
        } else {
            "text/csv or application/x-ndjson"
        }));
    }
    let text = decode(file).map_err(unreadable)?;
    let sheet = match (wanted.kind, wanted.format) {
        (ImportKind::Export, _) => return whole::import(work, &text).await,
        (ImportKind::Packet, _) => return packet::import(work, &text).await,
        (_, Format::Csv) => Sheet::from_csv(&text),
        (_, Format::Ndjson | Format::Json) => Sheet::from_ndjson(&text),
    };
    rows(work, wanted, sheet.map_err(unreadable)?).await
}

/// The columns that a kind of file may have.
#[must_use]
pub fn columns(kind: ImportKind) -> Vec<&'static str> {
    columns_of(kind).iter().map(|(name, _)| *name).collect()
}
const fn columns_of(kind: ImportKind) -> &'static [Column] {
    match kind {
        ImportKind::Motorcycles => motorcycles::COLUMNS,
        ImportKind::OdometerReadings => readings::COLUMNS,
        ImportKind::ServiceEvents => events::COLUMNS,
        ImportKind::Export | ImportKind::Packet => &[],
    }
}
/// The column that one of this name probably is: it is called so, or by a word that people use for it.
#[must_use]
pub fn likely_column(kind: ImportKind, name: &str) -> Option<&'static str> {
    const CALLED: &[(&str, &[&str])] = &[
        ("on", &["date", "day", "when", "datum"]),
        ("odometer", &["miles", "mileage", "km", "kilometers", "kilometres", "odo", "reading"]),
        ("reading", &["miles", "mileage", "km", "kilometers", "kilometres", "odo", "odometer"]),
        ("summary", &["what_i_did", "what", "work", "job", "description", "done", "what_was_done", "service"]),
        ("motorcycle", &["bike", "name", "vehicle"]),
        ("cost", &["price", "paid", "amount"]),
        ("performed_by", &["by", "who", "mechanic", "done_by"]),
        ("note", &["notes", "remarks", "comment"]),
        ("name", &["motorcycle", "bike"]),
    ];
    let known = columns(kind);
    let own = known.iter().find(|column| **column == name).copied();
    own.or_else(|| {
        let mut meant = CALLED.iter().filter(|(_, words)| words.contains(&name)).map(|(column, _)| *column);
        meant.find_map(|column| known.iter().find(|known| **known == column).copied())
    })
}

/// Imports the rows of a table.
///
/// # Errors
/// Where the database refuses.
pub async fn rows(work: &mut Work, wanted: Wanted, sheet: Sheet) -> Result<Imported> {
    let mut table = match Table::new(sheet, columns_of(wanted.kind), wanted) {
        Ok(table) => table,
        Err(wrong) => return Ok(Imported::of(vec![wrong])),
    };
    match wanted.kind {
        ImportKind::Motorcycles => motorcycles::import(work, &mut table).await?,
        ImportKind::OdometerReadings => readings::import(work, &mut table).await?,
        ImportKind::ServiceEvents => events::import(work, &mut table).await?,
        ImportKind::Export | ImportKind::Packet => return Err(Error::internal("this is no table")),
    }
    let imported = Imported::of(table.results);
    if imported.is_good() && imported.new_rows() > 0 {
        let new = serde_json::json!({"kind": wanted.kind, "created": imported.new_rows()});
        let workshop = work.workshop_id();
        work.audit("import", Subject::new("workshop", workshop), None, Some(&new)).await?;
    }
    Ok(imported)
}
