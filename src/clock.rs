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

/// Whether a time zone of this name is known (IANA time zone database).
#[must_use]
pub fn knows_time_zone(name: &str) -> bool {
    jiff::tz::TimeZone::get(name).is_ok()
}
