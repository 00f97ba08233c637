//! The only place that knows what time it is, and that makes ids: everything else is handed both.
use time::{Date, OffsetDateTime};
use uuid::Uuid;

use crate::domain::id::Id;

/// Gives the time. Tests give it a fixed one.
#[derive(Clone, Copy, Debug, Default)]
pub enum Clock {
    /// The machine's clock.
    #[default]
    System,
    /// Always the same instant.
    Fixed(OffsetDateTime),
}

impl Clock {
    /// Now, cut to microseconds: PostgreSQL keeps no more.
    #[must_use]
    #[expect(clippy::disallowed_methods, reason = "this is the clock")]
    pub fn now(self) -> OffsetDateTime {
        let now = match self {
            Self::System => OffsetDateTime::now_utc(),
            Self::Fixed(instant) => instant,
        };
        now.replace_microsecond(now.microsecond()).unwrap_or(now)
    }
    /// A new id; later ones sort after earlier ones.
    #[must_use]
    #[expect(clippy::disallowed_methods, reason = "this is the clock")]
    pub fn new_id<T>(self) -> Id<T> {
        Id::new(Uuid::now_v7())
    }
    /// Today in a time zone; UTC where the zone is unknown (it is checked when it is set).
    #[must_use]
    pub fn today(self, time_zone: &str) -> Date {
        let now = self.now();
        let civil = jiff::Timestamp::from_microsecond(i64::try_from(now.unix_timestamp_nanos() / 1000).unwrap_or(0))
            .ok()
            .and_then(|instant| instant.in_tz(time_zone).ok())
            .map(|zoned| zoned.date());
        civil
            .and_then(|day| {
                let month = time::Month::try_from(u8::try_from(day.month()).ok()?).ok()?;
                Date::from_calendar_date(day.year().into(), month, u8::try_from(day.day()).ok()?).ok()
            })
            .unwrap_or(now.date())
    }
}

/// The instant at which a day begins in a time zone; in UTC where the zone is unknown.
#[must_use]
pub fn day_begins(day: Date, time_zone: &str) -> OffsetDateTime {
    let civil = || {
        let month = i8::try_from(u8::from(day.month())).ok()?;
        let day = jiff::civil::Date::new(i16::try_from(day.year()).ok()?, month, i8::try_from(day.day()).ok()?).ok()?;
        let begins = day.in_tz(time_zone).ok()?.timestamp();
        OffsetDateTime::from_unix_timestamp_nanos(begins.as_nanosecond()).ok()
    };
    civil().unwrap_or_else(|| day.midnight().assume_utc())
}

/// The hour and minute that a clock on the wall shows at an instant, in a time zone; in UTC where the zone is unknown.
#[must_use]
pub fn wall_clock(at: OffsetDateTime, time_zone: &str) -> (i8, i8) {
    let zoned = jiff::Timestamp::from_second(at.unix_timestamp()).ok().and_then(|instant| instant.in_tz(time_zone).ok());
    zoned.map_or((at.hour().cast_signed(), at.minute().cast_signed()), |zoned| (zoned.hour(), zoned.minute()))
}

/// Whether a time zone of this name is known (IANA time zone database).
#[must_use]
pub fn knows_time_zone(name: &str) -> bool {
    jiff::tz::TimeZone::get(name).is_ok()
}
