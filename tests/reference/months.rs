use witnessmark::domain::calendar::{add_months, months_between};

use crate::table::{date, parse, rows, text, whole};

const TABLE: &str = include_str!("months.json");

#[test]
fn months_are_added_as_published() {
    for row in rows(TABLE, "add_months") {
        assert_eq!(add_months(date(&row, "anchor"), whole(&row, "months")), date(&row, "date"), "{row}");
    }
}
#[test]
fn months_are_counted_as_published() {
    for row in rows(TABLE, "months_between") {
        assert_eq!(i64::from(months_between(date(&row, "from"), date(&row, "to"))), whole(&row, "whole_months"), "{row}");
    }
}
#[test]
fn months_are_counted_from_the_anchor() {
    for row in rows(TABLE, "anchored_not_chained") {
        let step = if row["steps_of_12"].is_null() { 1 } else { 12 };
        for (times, right) in (1..).zip(row["right"].as_array().unwrap()) {
            assert_eq!(add_months(date(&row, "anchor"), times * step), parse(right.as_str().unwrap()), "{row}");
        }
    }
}
#[test]
fn leap_years_are_kept() {
    for row in rows(TABLE, "leap_year") {
        let january = parse(&format!("{}-01-31", whole(&row, "year")));
        assert_eq!(i64::from(add_months(january, 1).day()), whole(&row, "february_days"), "{row}");
        assert!(!text(&row, "source").is_empty());
    }
}
