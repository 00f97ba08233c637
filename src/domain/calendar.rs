//! Calendar months: added to an anchor, the day clamped to the end of the month.
use time::{Date, Month};

/// `anchor` plus whole months, always from the anchor: 31 Jan + 1 = 28 or 29 Feb, 31 Jan + 2 = 31 Mar. Saturates at the calendar's end.
#[must_use]
pub fn add_months(anchor: Date, months: i64) -> Date {
    let beyond = if months < 0 { Date::MIN } else { Date::MAX };
    let count = months_since_zero(anchor).saturating_add(months);
    let Ok(year) = i32::try_from(count.div_euclid(12)) else { return beyond };
    let Some(month) = u8::try_from(count.rem_euclid(12) + 1).ok().and_then(|number| Month::try_from(number).ok()) else { return beyond };
    let day = anchor.day().min(month.length(year));
    Date::from_calendar_date(year, month, day).unwrap_or(beyond)
}
/// Whole months from one day to another: the most that can be added to `from` without going beyond `to`. 31 Jan to 28 Feb
/// is one month outside a leap year; negative where `to` is the earlier day.
#[must_use]
pub fn months_between(from: Date, to: Date) -> i32 {
    let by_name = months_since_zero(to) - months_since_zero(from);
    let whole = if add_months(from, by_name) > to { by_name - 1 } else { by_name };
    // The calendar has 240,000 months at most.
    i32::try_from(whole).unwrap_or(i32::MAX)
}
fn months_since_zero(day: Date) -> i64 {
    i64::from(day.year()) * 12 + i64::from(u8::from(day.month())) - 1
}
/// A date for people: `2 Oct 2026`.
#[must_use]
pub fn words(day: Date) -> String {
    format!("{} {}", day.day(), month_year(day))
}
/// A month for people: `Oct 2026`.
#[must_use]
pub fn month_year(day: Date) -> String {
    let month = match day.month() {
        Month::January => "Jan",
        Month::February => "Feb",
        Month::March => "Mar",
        Month::April => "Apr",
        Month::May => "May",
        Month::June => "Jun",
        Month::July => "Jul",
        Month::August => "Aug",
        Month::September => "Sep",
        Month::October => "Oct",
        Month::November => "Nov",
        Month::December => "Dec",
    };
    format!("{month} {}", day.year())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use time::macros::date;

    use super::*;

    #[test]
    fn the_day_is_clamped_from_the_anchor() {
        assert_eq!(add_months(date!(2026 - 01 - 31), 1), date!(2026 - 02 - 28));
        assert_eq!(add_months(date!(2028 - 01 - 31), 1), date!(2028 - 02 - 29));
        assert_eq!(add_months(date!(2026 - 01 - 31), 2), date!(2026 - 03 - 31));
        assert_eq!(add_months(date!(2026 - 01 - 31), -11), date!(2025 - 02 - 28));
    }
    #[test]
    fn the_ends_of_the_calendar_hold() {
        assert_eq!(add_months(date!(2026 - 01 - 31), i64::MAX), Date::MAX);
        assert_eq!(add_months(date!(2026 - 01 - 31), i64::MIN), Date::MIN);
        assert_eq!(add_months(date!(2026 - 01 - 31), 12 * 8000), Date::MAX);
        assert_eq!(months_between(Date::MIN, Date::MAX), 19_999 * 12 - 1);
        assert_eq!(add_months(Date::MIN, 19_999 * 12 - 1), date!(9999 - 12 - 01));
    }
    #[test]
    fn whole_months_are_those_that_can_be_added() {
        assert_eq!(months_between(date!(2026 - 01 - 31), date!(2026 - 02 - 27)), 0);
        assert_eq!(months_between(date!(2026 - 01 - 31), date!(2026 - 02 - 28)), 1);
        assert_eq!(months_between(date!(2028 - 01 - 31), date!(2028 - 02 - 28)), 0);
        assert_eq!(months_between(date!(2026 - 03 - 15), date!(2026 - 03 - 14)), -1);
        assert_eq!(months_between(date!(2026 - 03 - 15), date!(2026 - 03 - 15)), 0);
    }
    #[test]
    fn dates_read_as_people_write_them() {
        assert_eq!(words(date!(2026 - 10 - 02)), "2 Oct 2026");
        assert_eq!(month_year(date!(2026 - 05 - 31)), "May 2026");
    }

    fn days() -> impl Strategy<Value = Date> {
        (0..=146_097_i64).prop_map(|day| date!(1900 - 01 - 01) + time::Duration::days(day))
    }
    fn independent(day: Date) -> jiff::civil::Date {
        let fields = (i16::try_from(day.year()), i8::try_from(u8::from(day.month())), i8::try_from(day.day()));
        jiff::civil::date(fields.0.unwrap(), fields.1.unwrap(), fields.2.unwrap())
    }
    proptest! {
        #[test]
        fn months_agree_with_an_independent_calendar(anchor in days(), months in -1200..=1200_i64) {
            let expected = independent(anchor).checked_add(jiff::Span::new().months(months)).unwrap();
            prop_assert_eq!(independent(add_months(anchor, months)), expected);
        }
        #[test]
        fn the_months_between_are_the_most_that_fit(from in days(), to in days()) {
            let months = i64::from(months_between(from, to));
            prop_assert!(add_months(from, months) <= to);
            prop_assert!(add_months(from, months + 1) > to);
        }
    }
}
