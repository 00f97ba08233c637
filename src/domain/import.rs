//! What came of an import, row by row.
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::words::words;

words! {
    /// What a file holds.
    ImportKind {
        Motorcycles => "motorcycles", OdometerReadings => "odometer_readings", ServiceEvents => "service_events", Export => "export",
    }
}
words! {
    /// What comes of a row: something new, something that is there already, or nothing because it is wrong.
    RowOutcome { New => "new", Same => "same", Error => "error", }
}

/// What is wrong with a row.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RowError {
    /// The column; empty where the row as a whole is meant.
    #[schema(example = "on")]
    pub column: String,
    /// What is wrong and what to do next.
    pub detail: String,
}
impl RowError {
    /// Something wrong in a column.
    #[must_use]
    pub fn new(column: impl Into<String>, detail: impl Into<String>) -> Self {
        Self { column: column.into(), detail: detail.into() }
    }
}

/// What comes of one row.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RowResult {
    /// The row in the file, counted as a spreadsheet does: the row that names the columns is 1.
    #[schema(minimum = 1, example = 2)]
    pub row: usize,
    /// What comes of it.
    pub result: RowOutcome,
    /// What is wrong with it.
    pub errors: Vec<RowError>,
}
impl RowResult {
    /// A row that is fine.
    #[must_use]
    pub const fn good(row: usize, new: bool) -> Self {
        Self { row, result: if new { RowOutcome::New } else { RowOutcome::Same }, errors: Vec::new() }
    }
    /// A row that is wrong.
    #[must_use]
    pub const fn wrong(row: usize, errors: Vec<RowError>) -> Self {
        Self { row, result: RowOutcome::Error, errors }
    }
    /// Adds something wrong.
    pub fn fail(&mut self, error: RowError) {
        self.result = RowOutcome::Error;
        self.errors.push(error);
    }
}

/// What came of an import: all of it, or nothing where any row is wrong.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Imported {
    /// Whether it was only tried.
    pub dry_run: bool,
    /// One entry for each row.
    pub rows: Vec<RowResult>,
    /// How many things were stored; 0 for a dry run.
    #[schema(minimum = 0)]
    pub created: usize,
}
impl Imported {
    /// Rows as they turned out; nothing is created yet.
    #[must_use]
    pub const fn of(rows: Vec<RowResult>) -> Self {
        Self { dry_run: false, rows, created: 0 }
    }
    /// Whether every row can be stored.
    #[must_use]
    pub fn is_good(&self) -> bool {
        self.rows.iter().all(|row| row.result != RowOutcome::Error)
    }
    /// How many rows are new.
    #[must_use]
    pub fn new_rows(&self) -> usize {
        self.rows.iter().filter(|row| row.result == RowOutcome::New).count()
    }
}
