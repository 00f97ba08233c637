//! A forecast of a counter on later days, from its readings. Pure: the same readings give the same forecast.
use time::Date;

use super::{counter::Counter, due::ExpectedDates};

/// What a forecast rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Basis {
    /// The readings.
    Readings,
    /// The workshop's default yearly distance, because there are too few readings.
    Default,
}

/// Percentiles of the true count on a day, in ticks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Band {
    /// One future in ten is lower.
    pub p10: i64,
    /// The median.
    pub p50: i64,
    /// One future in ten is higher.
    pub p90: i64,
}

/// A forecast of one counter.
#[derive(Clone, Debug)]
pub struct Projection {
    basis: Basis,
}

impl Projection {
    /// A forecast from the readings. Without any, it starts at `start` (day and true count), where that is known. With fewer than
    /// two, or under 30 days between first and last, it runs at `default_yearly` ticks a year; with that `None` there is no forecast.
    #[must_use]
    pub fn new(_counter: &Counter, _start: Option<(Date, i64)>, _default_yearly: Option<i64>) -> Option<Self> {
        None
    }
    /// What it rests on.
    #[must_use]
    pub fn basis(&self) -> Basis {
        self.basis
    }
    /// The true count on a day after the last reading; never below that reading.
    #[must_use]
    pub fn on(&self, _day: Date) -> Band {
        Band { p10: 0, p50: 0, p90: 0 }
    }
    /// The first days on which each percentile has reached `ticks`: `p50` by the median, `p10` by the fast band (early),
    /// `p90` by the slow band (late). `None` where it never gets there in 100 years.
    #[must_use]
    pub fn reaches(&self, _ticks: i64) -> ExpectedDates {
        ExpectedDates { p10: None, p50: None, p90: None }
    }
    /// The first day on which the median is beyond `ticks`.
    #[must_use]
    pub fn passes(&self, _ticks: i64) -> Option<Date> {
        None
    }
}
