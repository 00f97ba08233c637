//! Reads rows of values, and compares figures.
use serde_json::Value;

/// The rows of one kind in a file of values.
pub fn rows(text: &str, kind: &str) -> Vec<Value> {
    let all: Vec<Value> = serde_json::from_str(text).expect("a list of rows");
    let rows: Vec<_> = all.into_iter().filter(|row| row["kind"] == kind).collect();
    assert!(!rows.is_empty(), "no row of kind {kind}");
    rows
}

/// A number of a row.
#[track_caller]
pub fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

/// A list of numbers of a row.
#[track_caller]
pub fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(number).collect()
}

/// Refuses a value that is further from the wanted one than the fraction `within` of it (where zero is wanted, than `within`).
#[track_caller]
pub fn close(found: f64, wanted: f64, within: f64, what: &str) {
    let scale = if wanted == 0.0 { 1.0 } else { wanted.abs() };
    assert!((found - wanted).abs() <= within * scale, "{what}: found {found}, wanted {wanted}");
}
