//! When a report is mailed: by the clock on the workshop's wall, right across the change to and from daylight-saving time.
use jiff::{Timestamp, civil};
use time::{Date, Month, OffsetDateTime};

use super::{
    motorcycle::Reports,
    words::{Frequency, Weekday},
    workshop::WorkshopReports,
};

/// On which days and at which hour a report is mailed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Schedule {
    /// How often.
    pub frequency: Frequency,
    /// The hour, 0 to 23.
    pub hour: u8,
    /// The day of a weekly report.
    pub weekday: Weekday,
    /// The day of a monthly report; the last one where the month is shorter.
    pub day: u8,
}

impl Schedule {
    fn new(frequency: Frequency, hour: Option<u8>, weekday: Option<Weekday>, day: Option<u8>) -> Self {
        Self { frequency, hour: hour.unwrap_or(7).min(23), weekday: weekday.unwrap_or(Weekday::Monday), day: day.unwrap_or(1).clamp(1, 31) }
    }

    /// The day on which the period begins that holds a day: that day, the weekday on or before it, the day of the month on or before it.
    /// `None` where no reports are wanted.
    #[must_use]
    pub fn period(&self, day: Date) -> Option<Date> {
        let back = match self.frequency {
            Frequency::Off => return None,
            Frequency::Daily => 0,
            Frequency::Weekly => {
                let wanted = Weekday::ALL.iter().position(|one| *one == self.weekday).unwrap_or(0);
                (i64::from(day.weekday().number_days_from_monday()) + 7 - i64::try_from(wanted).unwrap_or(0)) % 7
            }
            Frequency::Monthly => {
                let clamped = |year, month: Month| Date::from_calendar_date(year, month, self.day.min(month.length(year))).ok();
                let this = clamped(day.year(), day.month())?;
                if this <= day {
                    return Some(this);
                }
                let year = if day.month() == Month::January { day.year() - 1 } else { day.year() };
                return clamped(year, day.month().previous());
            }
        };
        day.checked_sub(time::Duration::days(back))
    }

    /// The instant at which the report of a period is mailed. An hour that a change of the clocks leaves out counts as the moment after the
    /// change; one that comes twice counts when it comes first.
    #[must_use]
    pub fn begins(&self, period: Date, zone: &str) -> Option<OffsetDateTime> {
        let number = |number: u8| i8::try_from(number).ok();
        let day = civil::Date::new(i16::try_from(period.year()).ok()?, number(u8::from(period.month()))?, number(period.day())?).ok()?;
        let local = day.at(number(self.hour)?, 0, 0, 0);
        // What this takes for a time that is left out, or comes twice, is what this function says.
        let instant = local.in_tz(zone).ok()?.timestamp();
        OffsetDateTime::from_unix_timestamp_nanos(instant.as_nanosecond()).ok()
    }

    /// The latest period whose report was to be mailed by now, with the instant.
    #[must_use]
    pub fn latest(&self, now: OffsetDateTime, zone: &str) -> Option<(Date, OffsetDateTime)> {
        let mut day = local_date(now, zone)?;
        // One period back is enough: the hour of today may still be to come.
        for _ in 0..2 {
            let period = self.period(day)?;
            let begins = self.begins(period, zone)?;
            if begins <= now {
                return Some((period, begins));
            }
            day = period.previous_day()?;
        }
        None
    }
}
impl From<&Reports> for Schedule {
    fn from(reports: &Reports) -> Self {
        Self::new(reports.frequency, reports.hour, reports.weekday, reports.day)
    }
}
impl From<&WorkshopReports> for Schedule {
    fn from(reports: &WorkshopReports) -> Self {
        Self::new(reports.frequency, reports.hour, reports.weekday, reports.day)
    }
}

fn local_date(now: OffsetDateTime, zone: &str) -> Option<Date> {
    let instant = Timestamp::from_nanosecond(now.unix_timestamp_nanos()).ok()?;
    let day = instant.in_tz(zone).ok()?.date();
    let month = Month::try_from(u8::try_from(day.month()).ok()?).ok()?;
    Date::from_calendar_date(day.year().into(), month, u8::try_from(day.day()).ok()?).ok()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use time::macros::{date, datetime};

    use super::*;

    fn daily(hour: u8) -> Schedule {
        Schedule::new(Frequency::Daily, Some(hour), None, None)
    }

    #[test]
    fn across_the_changes_of_the_clocks_in_three_zones() {
        // From the rules of the IANA time zone database: the European Union changes at 01:00 UTC on the last Sundays of March and October,
        // New York at 02:00 local time on the second Sunday of March and the first of November, Lord Howe by half an hour at 02:00 local
        // time on the first Sundays of October and April.
        let cases = [
            // An ordinary day on each side of a change: the same hour on the wall, another one in UTC.
            ("Europe/Lisbon", 7, date!(2026 - 03 - 28), datetime!(2026-03-28 07:00 UTC)),
            ("Europe/Lisbon", 7, date!(2026 - 03 - 29), datetime!(2026-03-29 06:00 UTC)),
            ("Europe/Lisbon", 7, date!(2026 - 10 - 25), datetime!(2026-10-25 07:00 UTC)),
            // 01:00 is left out in March, and comes twice in October.
            ("Europe/Lisbon", 1, date!(2026 - 03 - 29), datetime!(2026-03-29 01:00 UTC)),
            ("Europe/Lisbon", 1, date!(2026 - 10 - 25), datetime!(2026-10-25 00:00 UTC)),
            ("America/New_York", 7, date!(2026 - 03 - 07), datetime!(2026-03-07 12:00 UTC)),
            ("America/New_York", 7, date!(2026 - 03 - 08), datetime!(2026-03-08 11:00 UTC)),
            ("America/New_York", 2, date!(2026 - 03 - 08), datetime!(2026-03-08 07:00 UTC)),
            ("America/New_York", 1, date!(2026 - 11 - 01), datetime!(2026-11-01 05:00 UTC)),
            ("America/New_York", 7, date!(2026 - 11 - 01), datetime!(2026-11-01 12:00 UTC)),
            ("Australia/Lord_Howe", 7, date!(2026 - 10 - 03), datetime!(2026-10-02 20:30 UTC)),
            ("Australia/Lord_Howe", 7, date!(2026 - 10 - 04), datetime!(2026-10-03 20:00 UTC)),
            ("Australia/Lord_Howe", 2, date!(2026 - 10 - 04), datetime!(2026-10-03 15:30 UTC)),
            ("Australia/Lord_Howe", 7, date!(2027 - 04 - 04), datetime!(2027-04-03 20:30 UTC)),
        ];
        for (zone, hour, period, instant) in cases {
            assert_eq!(daily(hour).begins(period, zone), Some(instant), "{zone} {hour} {period}");
            assert_eq!(daily(hour).latest(instant, zone), Some((period, instant)), "{zone} {hour} {period}");
            let before = daily(hour).latest(instant - time::Duration::seconds(1), zone).unwrap();
            assert_eq!(before.0, period.previous_day().unwrap(), "{zone} {hour} {period}");
        }
        assert_eq!(daily(7).begins(date!(2026 - 03 - 29), "Nowhere/At_All"), None);
    }

    #[test]
    fn weeks_and_months_have_their_day() {
        let weekly = Schedule::new(Frequency::Weekly, None, Some(Weekday::Thursday), None);
        assert_eq!(weekly.period(date!(2026 - 06 - 18)), Some(date!(2026 - 06 - 18)));
        assert_eq!(weekly.period(date!(2026 - 06 - 17)), Some(date!(2026 - 06 - 11)));
        assert_eq!(weekly.period(date!(2026 - 06 - 21)), Some(date!(2026 - 06 - 18)));
        let last = Schedule::new(Frequency::Monthly, None, None, Some(31));
        assert_eq!(last.period(date!(2026 - 02 - 28)), Some(date!(2026 - 02 - 28)));
        assert_eq!(last.period(date!(2026 - 02 - 27)), Some(date!(2026 - 01 - 31)));
        assert_eq!(last.period(date!(2028 - 02 - 28)), Some(date!(2028 - 01 - 31)));
        let first = Schedule::new(Frequency::Monthly, None, None, None);
        assert_eq!(first.period(date!(2026 - 01 - 01)), Some(date!(2026 - 01 - 01)));
        assert_eq!(Schedule::new(Frequency::Monthly, None, None, Some(15)).period(date!(2026 - 01 - 14)), Some(date!(2025 - 12 - 15)));
        assert_eq!(Schedule::new(Frequency::Off, None, None, None).period(date!(2026 - 01 - 01)), None);
    }

    proptest! {
        /// Whoever looks every ten minutes finds each day's report once, in order, in any zone and at any hour.
        #[test]
        fn no_day_is_left_out_and_none_comes_twice(
            zone in prop::sample::select(vec!["Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "Pacific/Chatham"]),
            hour in 0_u8..24,
            start in 0_i64..700,
        ) {
            let begin = datetime!(2026-01-05 00:00 UTC) + time::Duration::days(start);
            let mut seen = Vec::new();
            for step in 0..(6 * 24 * 12) {
                let (period, begins) = daily(hour).latest(begin + time::Duration::minutes(step * 10), zone).unwrap();
                if seen.last() != Some(&(period, begins)) {
                    seen.push((period, begins));
                }
            }
            for pair in seen.windows(2) {
                prop_assert_eq!(pair[0].0.next_day().unwrap(), pair[1].0);
                prop_assert!(pair[0].1 < pair[1].1);
            }
        }
    }
}
