//! The rows of a file with what comes of each: cells read as what their columns mean, and everything that is wrong with a row said at once.
use std::str::FromStr;

use time::Date;

use super::Wanted;
use crate::domain::{
    import::{RowError, RowResult, day, figure, shown},
    motorcycle::Motorcycle,
    quantity::{Figure, Unit},
    sheet::{Sheet, SheetRow},
    validate::Problem,
    words::OdometerUnit,
};

/// A column that a kind of file may have, and whether every row needs it.
pub type Column = (&'static str, bool);

/// A file's rows, each with what comes of it.
pub struct Table {
    /// What is wanted of it.
    pub wanted: Wanted,
    /// The rows.
    pub rows: Vec<SheetRow>,
    /// What comes of each, in the same order.
    pub results: Vec<RowResult>,
    exact: bool,
}

impl Table {
    /// The rows of a sheet, whose columns must be known ones.
    ///
    /// # Errors
    /// What is wrong with the row that names the columns.
    pub fn new(sheet: Sheet, columns: &[Column], wanted: Wanted) -> Result<Self, RowResult> {
        let known: Vec<_> = columns.iter().map(|(name, _)| *name).collect();
        let mut errors = Vec::new();
        for (place, name) in sheet.columns.iter().enumerate() {
            let filled = sheet.rows.iter().any(|row| row.cells.contains_key(name));
            let base = name.split(' ').next().unwrap_or_default();
            if base != name && !base.is_empty() {
                errors.push(RowError::new(short(base), "This column is there twice; take one of them out."));
            } else if !known.contains(&base) && filled {
                let what =
                    if base.is_empty() { format!("Column {} has no name", place + 1) } else { "There is no such column here".into() };
                errors.push(RowError::new(short(base), format!("{what}; the columns are {}. Rename it or take it out.", known.join(", "))));
            }
        }
        for (name, needed) in columns {
            if *needed && !sheet.columns.iter().any(|column| column == name) {
                errors.push(RowError::new(*name, "This column is missing; every row needs it."));
            }
        }
        if !errors.is_empty() {
            return Err(RowResult::wrong(1, errors));
        }
        let result = |row: &SheetRow| {
            let mut result = RowResult::good(row.number, false);
            if let Some(why) = &row.wrong {
                result.fail(RowError::new("", why.clone()));
            }
            result
        };
        let results = sheet.rows.iter().map(result).collect();
        Ok(Self { wanted, rows: sheet.rows, results, exact: sheet.exact })
    }

    /// Whether nothing is wrong with a row so far.
    #[must_use]
    pub fn is_good(&self, row: usize) -> bool {
        self.results[row].errors.is_empty()
    }
    /// Says that something is wrong in a row.
    pub fn fail(&mut self, row: usize, column: &str, detail: impl Into<String>) {
        self.results[row].fail(RowError::new(column, detail));
    }
    /// Says what is wrong with a row by pointers, whose fields are its columns unless `rename` knows better.
    pub fn fail_all(&mut self, row: usize, problems: Vec<Problem>) {
        for problem in problems {
            let column = problem.pointer.trim_start_matches('/').replace('/', ".");
            self.fail(row, &column, problem.detail);
        }
    }
    /// Says that a row brings something new.
    pub fn is_new(&mut self, row: usize) {
        self.results[row] = RowResult::good(self.rows[row].number, true);
    }
    /// A cell's text; `None` where it is empty.
    #[must_use]
    pub fn text(&self, row: usize, column: &str) -> Option<&str> {
        self.rows[row].cells.get(column).map(String::as_str)
    }
    /// A cell that every row needs.
    pub fn needed(&mut self, row: usize, column: &str) -> Option<String> {
        let text = self.text(row, column).map(str::to_owned);
        if text.is_none() {
            self.fail(row, column, "is empty; it must be given");
        }
        text
    }
    /// A cell as what its type reads out of it.
    pub fn parsed<T: FromStr<Err = String>>(&mut self, row: usize, column: &str) -> Option<T> {
        let text = self.text(row, column)?.to_lowercase();
        text.parse().map_err(|why: String| self.fail(row, column, short(&why))).ok()
    }
    /// A cell as a day.
    pub fn day(&mut self, row: usize, column: &str) -> Option<Date> {
        let text = self.text(row, column)?.to_owned();
        day(&text, self.wanted.date_order).map_err(|why| self.fail(row, column, why)).ok()
    }
    /// A cell as a plain number.
    pub fn number(&mut self, row: usize, column: &str) -> Option<Figure> {
        let text = self.text(row, column)?.to_owned();
        match figure(&text, self.exact) {
            Ok((figure, None)) => Some(figure),
            Ok((_, Some(_))) => {
                self.fail(row, column, format!("{} has a unit; this is a plain number", shown(&text)));
                None
            }
            Err(why) => {
                self.fail(row, column, why);
                None
            }
        }
    }
    /// A cell as what a motorcycle's odometer shows, in its own unit.
    pub fn odometer(&mut self, row: usize, column: &str, bike: &Motorcycle) -> Option<Figure> {
        let text = self.text(row, column)?.to_owned();
        let read = figure(&text, self.exact).and_then(|(figure, unit)| in_unit_of(bike, figure, unit, self.wanted.unit));
        read.map_err(|why| self.fail(row, column, why)).ok()
    }
}

/// A figure in the unit of a motorcycle's odometer: `said` stands behind it in the cell, `all` is meant for the whole file.
fn in_unit_of(bike: &Motorcycle, figure: Figure, said: Option<OdometerUnit>, all: Option<OdometerUnit>) -> Result<Figure, String> {
    let own = bike.odometer_unit;
    match (said, all) {
        (Some(said), Some(all)) if said != all => {
            Err(format!("is in {said}, but unit={all} is said for the whole file; take one of them out"))
        }
        (Some(said), None) if said != own => {
            Err(format!("is in {said}, but the odometer of {} counts in {own}; say unit={said}, and figures are converted", bike.name))
        }
        (said, all) => {
            let from = all.or(said).unwrap_or(own);
            if from == own {
                return Ok(figure);
            }
            let value = Unit::from(from).convert(figure.value(), own.into())?;
            Ok(Figure::rounded(value, 1))
        }
    }
}

/// At most so much of a text that an answer does not grow with what was sent.
fn short(text: &str) -> String {
    text.chars().take(300).collect()
}
