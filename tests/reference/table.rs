//! Reads the tables of published values.
use serde_json::Value;

/// The rows of one kind; there is at least one, and each says where it comes from.
pub fn rows(json: &str, kind: &str) -> Vec<Value> {
    let all: Vec<Value> = serde_json::from_str(json).expect("a list of rows");
    let rows: Vec<_> = all.into_iter().filter(|row| row["kind"] == kind).collect();
    assert!(!rows.is_empty(), "no row of kind {kind}");
    for row in &rows {
        assert!(row["source"].is_string() && row["read_or_memory"].is_string(), "no source: {row}");
    }
    rows
}
/// A text of a row.
pub fn text<'a>(row: &'a Value, name: &str) -> &'a str {
    row[name].as_str().unwrap_or_else(|| panic!("no text {name} in {row}"))
}
/// A whole number of a row.
pub fn whole(row: &Value, name: &str) -> i64 {
    row[name].as_i64().unwrap_or_else(|| panic!("no whole number {name} in {row}"))
}
/// A date of a row.
pub fn date(row: &Value, name: &str) -> time::Date {
    parse(text(row, name))
}
/// A date such as 2026-10-02.
pub fn parse(text: &str) -> time::Date {
    time::Date::parse(text, &time::format_description::well_known::Iso8601::DATE).unwrap_or_else(|error| panic!("{text}: {error}"))
}
