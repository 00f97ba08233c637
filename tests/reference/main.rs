//! Checks against published and independently computed values; each file of values says where they come from.
#![expect(clippy::unwrap_used, reason = "tests stop at the first row that is not as described")]

mod student_t;

/// The rows of one kind in a file of values.
fn rows(text: &str, kind: &str) -> Vec<serde_json::Value> {
    let all: Vec<serde_json::Value> = serde_json::from_str(text).expect("a list of rows");
    let rows: Vec<_> = all.into_iter().filter(|row| row["kind"] == kind).collect();
    assert!(!rows.is_empty(), "no row of kind {kind}");
    rows
}

/// Refuses a value that is further from the wanted one than the fraction `within` of it (where zero is wanted, than `within`).
#[track_caller]
fn close(found: f64, wanted: f64, within: f64, what: &str) {
    let scale = if wanted == 0.0 { 1.0 } else { wanted.abs() };
    assert!((found - wanted).abs() <= within * scale, "{what}: found {found}, wanted {wanted}");
}
