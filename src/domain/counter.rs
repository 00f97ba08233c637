//! Odometers and hour meters: one instrument after another, and the true distance or time behind what they show.
//!
//! A counter is a counter: the odometer counts in ticks of a millimetre, the hour meter in ticks of a millisecond.
use time::Date;

use super::{
    id::Id,
    motorcycle::{Instrument, Reading},
    words::InstrumentChange,
};

/// A reading as it was entered, in ticks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RawReading {
    /// Its id.
    pub id: Id<Reading>,
    /// The day.
    pub on: Date,
    /// What the instrument showed.
    pub shown: i64,
    /// Says that more than 2,000 km in a day is right.
    pub confirmed: bool,
}

/// A replacement or a roll-over as it was entered, in ticks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RawChange {
    /// Its id.
    pub id: Id<Instrument>,
    /// The day.
    pub on: Date,
    /// Replaced or rolled over.
    pub kind: InstrumentChange,
    /// What the old one showed last; `None` where unknown.
    pub old_final: Option<i64>,
    /// What the new one showed first.
    pub new_start: i64,
    /// What the instrument counts to before it starts again.
    pub capacity: i64,
}

/// A reading with the true count behind it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Point {
    /// The reading; `None` for the last figure of a replaced instrument.
    pub id: Option<Id<Reading>>,
    /// The day.
    pub on: Date,
    /// The true count, in ticks.
    pub ticks: i64,
}

/// Why a reading cannot stand, and between which neighbors.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Contradiction {
    /// In words, with what to do.
    pub message: String,
    /// The readings that it contradicts.
    pub neighbors: Vec<RawReading>,
}

/// One counter of a motorcycle with its whole life.
#[derive(Clone, Debug, Default)]
pub struct Counter {
    points: Vec<Point>,
}

impl Counter {
    /// Works out the true count of every reading. The order in which they are given does not matter.
    ///
    /// # Errors
    /// A contradiction: a reading lower than an earlier one on the same instrument, or too far in a day.
    pub fn build(_readings: &[RawReading], _changes: &[RawChange]) -> Result<Self, Contradiction> {
        Ok(Self::default())
    }
    /// The true points, oldest first.
    #[must_use]
    pub fn points(&self) -> &[Point] {
        &self.points
    }
    /// The true count at a reading.
    #[must_use]
    pub fn at_reading(&self, id: Id<Reading>) -> Option<i64> {
        self.points.iter().find(|point| point.id == Some(id)).map(|point| point.ticks)
    }
    /// The true count on a day up to the last reading: linear in days between readings, before the first the first
    /// reading's; the day's last reading on a day with several. `None` after the last reading (project it) and without readings.
    #[must_use]
    pub fn on(&self, _day: Date) -> Option<i64> {
        None
    }
    /// The first day on which the actual readings have reached `ticks` (linear between readings); `None` where they have not.
    #[must_use]
    pub fn reached(&self, _ticks: i64) -> Option<Date> {
        None
    }
    /// The first day on which the actual readings are beyond `ticks`; `None` where they are not.
    #[must_use]
    pub fn passed(&self, _ticks: i64) -> Option<Date> {
        None
    }
    /// What the instrument now on the motorcycle shows, or will show, at a true count; `None` before its start.
    #[must_use]
    pub fn shown_now(&self, _ticks: i64) -> Option<i64> {
        None
    }
    /// What the instrument of the day showed at a true count.
    #[must_use]
    pub fn shown_then(&self, _on: Date, _ticks: i64) -> Option<i64> {
        None
    }
    /// The same counter with everything after a day left out.
    #[must_use]
    pub fn until(&self, _day: Date) -> Self {
        self.clone()
    }
    /// The instrument was replaced and its last figure is unknown: the distance is `not_actual` from then on.
    #[must_use]
    pub fn has_gap(&self) -> bool {
        false
    }
    /// The instrument rolled over: the distance exceeds its mechanical limits.
    #[must_use]
    pub fn rolled_over(&self) -> bool {
        false
    }
}
