//! Calendar months: added to an anchor, the day clamped to the end of the month.
use time::Date;

/// `anchor` plus whole months, always from the anchor: 31 Jan + 1 = 28 or 29 Feb, 31 Jan + 2 = 31 Mar. Saturates at the calendar's end.
#[must_use]
pub fn add_months(anchor: Date, _months: i64) -> Date {
    anchor
}
/// Whole months from one day to a later one; negative where it is earlier.
#[must_use]
pub fn months_between(_from: Date, _to: Date) -> i32 {
    0
}
/// A date for people: `2 Oct 2026`.
#[must_use]
pub fn words(day: Date) -> String {
    day.to_string()
}
