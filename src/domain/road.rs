//! What a motorcycle's counters say about any day: by the readings where there are any around it, else by projection.
use time::Date;

use super::{
    counter::Counter,
    due::ExpectedDates,
    history::{History, Mark, Ride},
    id::Id,
    motorcycle::{Motorcycle, Reading},
    projection::Projection,
    quantity::Distance,
};

/// A count with where it comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Count {
    /// The true count, in ticks.
    pub ticks: i64,
    /// Worked out from the day, not read.
    pub estimated: bool,
}

/// A counter with its forecast.
#[derive(Debug)]
pub struct Gauge<'a> {
    /// The readings.
    pub counter: &'a Counter,
    /// What follows after them.
    pub projection: Option<Projection>,
    /// Where it starts without any reading.
    pub start: Option<(Date, i64)>,
}

impl Gauge<'_> {
    /// Whether it says anything at all.
    #[must_use]
    pub fn known(&self) -> bool {
        self.counter.last().is_some() || self.start.is_some()
    }
    /// The count when something happened: at its reading, else on its day (between readings linear, before the first the
    /// first reading's, after the last the projected median).
    #[must_use]
    pub fn at(&self, reading: Option<Id<Reading>>, on: Date) -> Option<Count> {
        if let Some(ticks) = reading.and_then(|id| self.counter.at_reading(id)) {
            return Some(Count { ticks, estimated: false });
        }
        self.on(on).map(|ticks| Count { ticks, estimated: true })
    }
    /// The count on a day.
    #[must_use]
    pub fn on(&self, day: Date) -> Option<i64> {
        if let Some(ticks) = self.counter.on(day) {
            return Some(ticks);
        }
        // Too few readings for a projection: it has at least what was read last.
        let so_far = self.counter.last().map(|point| point.ticks).or(self.start.map(|(_, ticks)| ticks))?;
        Some(self.projection.as_ref().map_or(so_far, |projection| projection.on(day).p50.max(so_far)))
    }
    /// The day on which it gets to a count, by the readings or else by the projected median.
    #[must_use]
    pub fn reaches(&self, ticks: i64) -> Option<Date> {
        self.counter.reached(ticks).or_else(|| self.projection.as_ref()?.reaches(ticks).p50)
    }
    /// The first day on which it is beyond a count, by the readings or else by the projected median.
    #[must_use]
    pub fn passes(&self, ticks: i64) -> Option<Date> {
        self.counter.passed(ticks).or_else(|| self.projection.as_ref()?.passes(ticks))
    }
    /// The days on which it may get to a count; all the same where the readings have.
    #[must_use]
    pub fn expected(&self, ticks: i64) -> ExpectedDates {
        if let Some(day) = self.counter.reached(ticks) {
            return ExpectedDates { p10: Some(day), p50: Some(day), p90: Some(day) };
        }
        self.projection.as_ref().map_or(ExpectedDates { p10: None, p50: None, p90: None }, |projection| projection.reaches(ticks))
    }
}

/// One motorcycle's counters.
#[derive(Debug)]
pub struct Road<'a> {
    /// The readings and events.
    pub ride: &'a Ride,
    /// The odometer, in millimetres.
    pub distance: Gauge<'a>,
    /// The hour meter, in milliseconds.
    pub hours: Gauge<'a>,
}

impl<'a> Road<'a> {
    fn new(ride: &'a Ride, default_yearly: Distance) -> Self {
        let start = ride.start;
        let distance = Projection::around(&ride.odometer, start, Some(default_yearly.mm()), &ride.lay_ups);
        let hours = Projection::around(&ride.hours, None, None, &ride.lay_ups);
        Self {
            ride,
            distance: Gauge { counter: &ride.odometer, projection: distance, start },
            hours: Gauge { counter: &ride.hours, projection: hours, start: None },
        }
    }
    /// The true distance when something happened, in millimetres.
    #[must_use]
    pub fn distance_at(&self, mark: &Mark) -> Option<Count> {
        self.distance.at(mark.odometer, mark.on)
    }
    /// The hours when something happened, in milliseconds.
    #[must_use]
    pub fn hours_at(&self, mark: &Mark) -> Option<Count> {
        self.hours.at(mark.hours, mark.on)
    }
    /// Sorts what happened on this motorcycle: by day, by distance, in the order entered.
    #[must_use]
    pub fn order(&self, mark: &Mark) -> (Date, Option<i64>, u128) {
        (mark.on, self.distance_at(mark).map(|count| count.ticks), mark.order)
    }
}

/// The counters of the motorcycle that a history is about, and of those that its parts have been on.
#[derive(Debug)]
pub struct Roads<'a> {
    /// What they were made from.
    pub history: &'a History,
    roads: Vec<Road<'a>>,
}

impl<'a> Roads<'a> {
    /// Makes the forecast of every counter once.
    #[must_use]
    pub fn new(history: &'a History) -> Self {
        Self { history, roads: history.rides.iter().map(|ride| Road::new(ride, history.default_yearly)).collect() }
    }
    /// A motorcycle's counters; `None` where the history does not hold them.
    #[must_use]
    pub fn of(&self, motorcycle: Id<Motorcycle>) -> Option<&Road<'a>> {
        self.roads.iter().find(|road| road.ride.motorcycle_id == motorcycle)
    }
    /// The counters of the motorcycle that the history is about.
    #[must_use]
    pub fn own(&self) -> Option<&Road<'a>> {
        self.of(self.history.motorcycle.id)
    }
}

/// Where the distance of a motorcycle without any reading starts: with its records, else with its first day on the road.
#[must_use]
pub fn start_of(bike: &Motorcycle) -> Option<(Date, i64)> {
    match &bike.records_begin {
        Some(records) => Some((records.on, Distance::new(records.odometer.value(), bike.odometer_unit).mm())),
        None => bike.in_service_on.map(|on| (on, 0)),
    }
}
