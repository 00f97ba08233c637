//! What a cell of an imported file means, and what came of it, row by row.
use serde::{Deserialize, Serialize};
use time::{Date, macros::format_description};
use utoipa::ToSchema;

use super::{
    id::Id,
    motorcycle::Motorcycle,
    quantity::Figure,
    words::{OdometerUnit, words},
};

words! {
    /// What a file holds.
    ImportKind {
        Motorcycles => "motorcycles", OdometerReadings => "odometer_readings", ServiceEvents => "service_events", Export => "export",
        Packet => "packet",
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
    /// The row in the file, counted as a spreadsheet does: the row that names the columns is 1. In a packet the motorcycle is 1, its first entry 2.
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
    /// The motorcycle that a packet became, or has become before; null for other kinds of files, and where it was only tried.
    pub motorcycle_id: Option<Id<Motorcycle>>,
    /// What to know about it, in sentences: what a packet does not hold.
    pub remarks: Vec<String>,
}
impl Imported {
    /// Rows as they turned out; nothing is created yet.
    #[must_use]
    pub const fn of(rows: Vec<RowResult>) -> Self {
        Self { dry_run: false, rows, created: 0, motorcycle_id: None, remarks: Vec::new() }
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

words! {
    /// The order of day, month and year in dates that are not written YYYY-MM-DD.
    DateOrder { Dmy => "dmy", Mdy => "mdy", }
}

/// A day as a cell says it.
///
/// # Errors
/// What to write instead, or which parameter decides what is meant.
pub fn day(text: &str, order: Option<DateOrder>) -> Result<Date, String> {
    if let Ok(day) = Date::parse(text, format_description!("[year]-[month]-[day]")) {
        return Ok(day);
    }
    let pieces: Vec<_> = text.split(['.', '/', '-']).map(str::trim).collect();
    let numbers: Option<Vec<i32>> = pieces.iter().map(|piece| piece.parse().ok()).collect();
    let whole = matches!(pieces[..], [_, _, year] if year.len() == 4);
    let (Some(numbers), true) = (numbers, whole) else {
        return Err(format!("{} is not a date; write YYYY-MM-DD.", shown(text)));
    };
    let Some(order) = order else {
        return Err(format!(
            "{} is not YYYY-MM-DD; where day, month and year stand in another order, say date_order=dmy or date_order=mdy.",
            shown(text)
        ));
    };
    let (day, month) = if order == DateOrder::Dmy { (numbers[0], numbers[1]) } else { (numbers[1], numbers[0]) };
    let date = || {
        let month = time::Month::try_from(u8::try_from(month).ok()?).ok()?;
        Date::from_calendar_date(numbers[2], month, u8::try_from(day).ok()?).ok()
    };
    date().ok_or_else(|| format!("{} is not in the calendar with date_order={order}; correct it, or say the other order.", shown(text)))
}

/// A figure as a cell says it, with the unit that stands behind it, if one does. `exact`: its point cannot be meant otherwise.
///
/// # Errors
/// Where it is no number, or could mean two.
pub fn figure(text: &str, exact: bool) -> Result<(Figure, Option<OdometerUnit>), String> {
    let (number, unit) = match text.split_once(char::is_whitespace) {
        Some((number, unit)) if unit.trim().chars().all(char::is_alphabetic) => {
            let unit = unit.trim().to_lowercase();
            let known = match unit.as_str() {
                "mi" | "mile" | "miles" => OdometerUnit::Mi,
                "km" | "kms" => OdometerUnit::Km,
                _ => return Err(format!("{} is not a unit of distance; use mi or km.", shown(&unit))),
            };
            (number, Some(known))
        }
        _ => (text, None),
    };
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|digit| digit.is_ascii_digit());
    let plain = number.strip_prefix('-').unwrap_or(number);
    let (whole, decimals) = plain.split_once('.').unwrap_or((plain, "0"));
    if exact {
        return Figure::parse(number).map(|figure| (figure, unit));
    }
    if digits(whole) && digits(decimals) {
        // 12.345 may be twelve thousand to whoever parts thousands by a point; nobody reads an odometer to a thousandth.
        if plain.contains('.') && decimals.len() == 3 && whole.len() <= 3 && whole != "0" {
            return Err(format!("{} may be {whole}{decimals} or {whole} and a fraction; write thousands without a point.", shown(number)));
        }
        return Figure::parse(number).map(|figure| (figure, unit));
    }
    let separated = plain.contains([',', '\'', '\u{a0}', '\u{202f}', ' ', '.']) && plain.bytes().any(|byte| byte.is_ascii_digit());
    Err(if separated {
        format!("{} can be read in two ways; write digits alone, with a point before decimals, such as 12345 or 12345.6.", shown(number))
    } else {
        format!("{} is not a number; write digits alone, such as 12345.", shown(number))
    })
}

/// A cell in a message: its beginning, in quotation marks.
#[must_use]
pub fn shown(text: &str) -> String {
    let cut: String = text.chars().take(40).collect();
    if cut.len() < text.len() { format!("{cut:?}…") } else { format!("{cut:?}") }
}

#[cfg(test)]
mod tests {
    use time::macros::date;

    use super::*;

    #[test]
    fn a_day_is_never_guessed() {
        assert_eq!(day("2026-05-02", None), Ok(date!(2026 - 05 - 02)));
        assert_eq!(day("2026-05-02", Some(DateOrder::Mdy)), Ok(date!(2026 - 05 - 02)));
        for (text, dmy, mdy) in [
            ("2.5.2026", Some(date!(2026 - 05 - 02)), Some(date!(2026 - 02 - 05))),
            ("02/05/2026", Some(date!(2026 - 05 - 02)), Some(date!(2026 - 02 - 05))),
            ("13-05-2026", Some(date!(2026 - 05 - 13)), None),
            ("31/02/2026", None, None),
            ("2/5/26", None, None),
            ("May 2nd", None, None),
            ("", None, None),
        ] {
            assert!(day(text, None).is_err(), "{text}");
            assert_eq!(day(text, Some(DateOrder::Dmy)).ok(), dmy, "{text}");
            assert_eq!(day(text, Some(DateOrder::Mdy)).ok(), mdy, "{text}");
        }
        assert!(day("2/5/2026", None).unwrap_err().contains("date_order=dmy"));
    }
    #[test]
    fn a_figure_is_never_guessed() {
        for (text, digits, unit) in [
            ("12345", "12345", None),
            ("12345.60", "12345.60", None),
            ("0.500", "0.500", None),
            ("1234.567", "1234.567", None),
            ("12345 mi", "12345", Some(OdometerUnit::Mi)),
            ("200 Km", "200", Some(OdometerUnit::Km)),
        ] {
            let (figure, of) = figure(text, false).unwrap_or_else(|why| panic!("{text}: {why}"));
            assert_eq!((figure.text().as_str(), of), (digits, unit), "{text}");
        }
        for text in ["12,345", "12.345", "1,5", "12 345", "12'345", "1.234,5", "twelve", "12345 ft", "", "1e3", "--5", "12345mi"] {
            assert!(figure(text, false).is_err(), "{text}");
        }
        assert_eq!(figure("12.345", true).unwrap().0.text(), "12.345");
        assert!(figure("12,345", false).unwrap_err().contains("two ways"));
    }
}
