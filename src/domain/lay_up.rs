//! Lay-ups: the times in which a motorcycle stands, for the winter or for good.
use time::Date;

use super::{id::Id, motorcycle::Motorcycle, noun::noun};

noun! {
    /// A time in which a motorcycle is not ridden.
    pub struct LayUp, sent as
    /// A lay-up as entered.
    #[schema(example = json!({"from": "2026-11-01", "to": "2027-03-01", "note": "Winter"}))]
    NewLayUp {
        /// The first day on which it stands.
        pub from: Date,
        /// The last day on which it stands; null while nobody knows.
        pub to: Option<Date>,
        /// Anything else.
        #[serde(default)]
        pub note: String,
    } and also {
        /// The motorcycle.
        pub motorcycle_id: Id<Motorcycle>,
    }
}

/// The days of a lay-up, both ends included; without an end it goes on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Period {
    /// The first day.
    pub from: Date,
    /// The last day, where there is one.
    pub to: Option<Date>,
}

impl Period {
    /// The last day; the end of the calendar where it is open.
    #[must_use]
    pub fn last(&self) -> Date {
        self.to.unwrap_or(Date::MAX)
    }
    /// Whether a day is in it.
    #[must_use]
    pub fn holds(&self, day: Date) -> bool {
        (self.from..=self.last()).contains(&day)
    }
    /// Whether it shares a day with another one.
    #[must_use]
    pub fn meets(&self, other: &Self) -> bool {
        self.from <= other.last() && other.from <= self.last()
    }
}
impl From<&LayUp> for Period {
    fn from(lay_up: &LayUp) -> Self {
        Self { from: lay_up.from, to: lay_up.to }
    }
}
impl From<&NewLayUp> for Period {
    fn from(lay_up: &NewLayUp) -> Self {
        Self { from: lay_up.from, to: lay_up.to }
    }
}

/// How many days from the first up to and including the last are in none of the periods, which do not meet each other.
#[must_use]
#[expect(clippy::cast_precision_loss, reason = "days")]
pub fn days_ridden(first: Date, last: Date, periods: &[Period]) -> f64 {
    let days = |from: Date, to: Date| ((to - from).whole_days() + 1).max(0);
    let stood: i64 = periods.iter().map(|period| days(period.from.max(first), period.last().min(last))).sum();
    (days(first, last) - stood) as f64
}

#[cfg(test)]
mod tests {
    use time::macros::date;

    use super::*;

    #[test]
    fn days_that_it_stands_are_not_ridden() {
        let winter = Period { from: date!(2026 - 11 - 01), to: Some(date!(2027 - 02 - 28)) };
        let open = Period { from: date!(2027 - 10 - 01), to: None };
        let ridden = |first, last| days_ridden(first, last, &[winter, open]);
        assert_eq!(ridden(date!(2026 - 10 - 01), date!(2026 - 10 - 31)).to_string(), "31");
        assert_eq!(ridden(date!(2026 - 10 - 22), date!(2026 - 11 - 10)).to_string(), "10");
        assert_eq!(ridden(date!(2026 - 12 - 01), date!(2026 - 12 - 31)).to_string(), "0");
        assert_eq!(ridden(date!(2027 - 02 - 28), date!(2027 - 03 - 01)).to_string(), "1");
        assert_eq!(ridden(date!(2027 - 09 - 30), date!(2028 - 12 - 31)).to_string(), "1");
        assert!(winter.holds(date!(2027 - 02 - 28)) && !winter.holds(date!(2027 - 03 - 01)) && open.holds(Date::MAX));
        assert!(!winter.meets(&open) && winter.meets(&Period { from: date!(2027 - 02 - 28), to: None }));
    }
}
