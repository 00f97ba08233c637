//! The date code of a tire (49 CFR 574.5): the week and the year in which it was made.
use time::{Date, Duration, Month};

/// The first day of the week that a date code names: two digits of the week, two of the year.
///
/// Week 01 is the first full calendar week, Sunday to Saturday, so it is not the week of ISO 8601, and the last week of a year may
/// run into the next. Four digits are the rule since 2000, so the year is always of this century.
///
/// # Errors
/// A sentence that says how the code is read.
pub fn made_on(code: &str) -> Result<Date, String> {
    let code = code.trim();
    let digits: Vec<i64> = code.chars().filter_map(|digit| digit.to_digit(10)).map(i64::from).collect();
    if digits.len() != code.chars().count() {
        return Err(format!("{code:?} is no date code: it is four digits, the last group of the number on the sidewall, such as 3623"));
    }
    let [week_tens, week_ones, year_tens, year_ones] = digits[..] else {
        return Err(match digits.len() {
            3 => format!("{code} has three digits: the tire was made before 2000, and such a code does not tell in which decade"),
            count => format!("a date code has four digits, week and year, such as 3623; this has {count}"),
        });
    };
    let (week, year) = (week_tens * 10 + week_ones, 2000 + year_tens * 10 + year_ones);
    if !(1..=53).contains(&week) {
        return Err(format!("the first two digits of {code} are the week, 01 to 53, and cannot be {week:02}"));
    }
    first_day(week, year).ok_or_else(|| format!("{code} names no day of the calendar"))
}
// A week 53 is taken as it comes, also in a year that has only 52 by this count: makers who count by ISO 8601 stamp it.
fn first_day(week: i64, year: i64) -> Option<Date> {
    let new_year = Date::from_calendar_date(i32::try_from(year).ok()?, Month::January, 1).ok()?;
    let to_sunday = (7 - i64::from(new_year.weekday().number_days_from_sunday())) % 7;
    new_year.checked_add(Duration::days(to_sunday + 7 * (week - 1)))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use time::Weekday;

    use super::*;

    #[test]
    fn what_is_wrong_is_said() {
        assert!(made_on("0023").unwrap_err().contains("cannot be 00"));
        assert!(made_on("5423").unwrap_err().contains("cannot be 54"));
        assert!(made_on("439").unwrap_err().contains("made before 2000"));
        assert!(made_on("").unwrap_err().contains("this has 0"));
        assert!(made_on("36232").unwrap_err().contains("this has 5"));
        assert!(made_on("36/23").unwrap_err().contains("four digits"));
        assert_eq!(made_on(" 3623 "), made_on("3623"));
    }
    proptest! {
        #[test]
        fn weeks_begin_on_sundays_and_follow_one_another(week in 1..53_i64, year in 0..100_i32) {
            let day = made_on(&format!("{week:02}{year:02}")).unwrap();
            let next = made_on(&format!("{:02}{year:02}", week + 1)).unwrap();
            prop_assert_eq!(day.weekday(), Weekday::Sunday);
            prop_assert_eq!(next - day, Duration::WEEK);
            prop_assert_eq!(day.year(), 2000 + year);
            // The week is full, and the one before week 01 is not.
            prop_assert!(week > 1 || day.ordinal() <= 7);
        }
        #[test]
        fn no_text_is_too_odd(code in "\\PC{0,8}") {
            if made_on(&code).is_ok() {
                prop_assert_eq!(code.trim().len(), 4);
            }
        }
    }
}
