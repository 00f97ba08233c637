//! What the computation is given: the history of one motorcycle, and of those others that its parts have been on.
//!
//! Plain data, filled by the store. Struck-out entries are not in it; [`History::until`] leaves out what happened after a date.
use time::Date;

use super::{
    counter::Counter,
    id::Id,
    lay_up::Period,
    motorcycle::{Motorcycle, Reading},
    part::InstalledPart,
    quantity::{Distance, Quantity, Unit},
    service::{FollowUp, FollowUpIn, MeasuredValue, ServiceEvent},
    words::{Condition, Measurand, Operation, Position},
};

/// When something happened on a motorcycle. Several things on one day are ordered by distance, then by `order`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Mark {
    /// The day.
    pub on: Date,
    /// The odometer reading that came with it; without one the distance is estimated from the day.
    pub odometer: Option<Id<Reading>>,
    /// The hour reading that came with it.
    pub hours: Option<Id<Reading>>,
    /// The order in which things were entered: the UUIDv7 of the entry as a number.
    pub order: u128,
}

/// A work line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Done {
    /// The component's key.
    pub component: String,
    /// Where.
    pub position: Option<Position>,
    /// What was done.
    pub operation: Operation,
}

/// A service event with its work lines (the parts that it fitted are in [`History::parts`]).
#[derive(Clone, Debug)]
pub struct DoneEvent {
    /// Its id.
    pub id: Id<ServiceEvent>,
    /// When.
    pub mark: Mark,
    /// What was done.
    pub work: Vec<Done>,
}

/// One motorcycle's counters and events.
#[derive(Clone, Debug)]
pub struct Ride {
    /// The motorcycle.
    pub motorcycle_id: Id<Motorcycle>,
    /// Its odometer.
    pub odometer: Counter,
    /// Its hour meter.
    pub hours: Counter,
    /// Where its distance starts without any reading; see [`super::road::start_of`].
    pub start: Option<(Date, i64)>,
    /// When it stands, oldest first.
    pub lay_ups: Vec<Period>,
    /// What was done to it, in any order.
    pub events: Vec<DoneEvent>,
}

/// One stay of a part on a motorcycle.
#[derive(Clone, Debug)]
pub struct Stay {
    /// The motorcycle; its [`Ride`] is in [`History::rides`].
    pub motorcycle_id: Id<Motorcycle>,
    /// Where.
    pub position: Option<Position>,
    /// From.
    pub fitted: Mark,
    /// The event that fitted it.
    pub fitted_in: Option<Id<ServiceEvent>>,
    /// To; `None` while it is on.
    pub removed: Option<Mark>,
}

/// A part and its life.
#[derive(Clone, Debug)]
pub struct PartLife {
    /// Its id.
    pub id: Id<InstalledPart>,
    /// The component's key.
    pub component: String,
    /// What it was when first fitted.
    pub condition: Condition,
    /// What people call it (its description); limits of a variant look for their words in it.
    pub description: String,
    /// What it had run before its first fitting.
    pub prior: Distance,
    /// A tire's date code.
    pub date_code: Option<String>,
    /// Every stay, oldest first.
    pub stays: Vec<Stay>,
}

/// A follow-up that was left by an event.
#[derive(Clone, Debug)]
pub struct LeftOver {
    /// Its id.
    pub id: Id<FollowUp>,
    /// The event that left it.
    pub left_in: Id<ServiceEvent>,
    /// When.
    pub mark: Mark,
    /// What.
    pub text: String,
    /// The component that it is about.
    pub component: Option<String>,
    /// Where.
    pub position: Option<Position>,
    /// When it comes due; `None`: next time it is open.
    pub due_in: Option<FollowUpIn>,
    /// The day it was done or dropped.
    pub settled_on: Option<Date>,
}

/// A measured value of a part, for the wear forecast.
#[derive(Clone, Debug)]
pub struct WornValue {
    /// Its id.
    pub id: Id<MeasuredValue>,
    /// The part.
    pub part: Id<InstalledPart>,
    /// The motorcycle on which it was measured.
    pub motorcycle_id: Id<Motorcycle>,
    /// When.
    pub mark: Mark,
    /// What was measured.
    pub quantity: Measurand,
    /// The figure it reduced to.
    pub value: f64,
    /// Its unit.
    pub unit: Unit,
    /// Its expanded uncertainty U, in the same unit.
    pub u: f64,
    /// The force it was measured at.
    pub at_force: Option<Quantity>,
}

/// Everything that decides what is due on one motorcycle, beside the rules.
#[derive(Clone, Debug)]
pub struct History {
    /// The motorcycle.
    pub motorcycle: Motorcycle,
    /// Its counters and events first, then those of other motorcycles that its parts were on.
    pub rides: Vec<Ride>,
    /// Every part that is or was on it.
    pub parts: Vec<PartLife>,
    /// Follow-ups, settled ones too.
    pub follow_ups: Vec<LeftOver>,
    /// Measured values of its parts.
    pub values: Vec<WornValue>,
    /// The workshop's default yearly distance, for a motorcycle with too few readings.
    pub default_yearly: Distance,
    /// The workshop's lead for what is due by the calendar, in days.
    pub lead_days: i64,
}

impl History {
    /// The history as it stood on a day: whatever happened later is left out, however early it was entered. Lay-ups stay: they are
    /// plans too.
    #[must_use]
    pub fn until(&self, day: Date) -> Self {
        let by_then = |mark: &Mark| mark.on <= day;
        let rides = self.rides.iter().map(|ride| Ride {
            motorcycle_id: ride.motorcycle_id,
            odometer: ride.odometer.until(day),
            hours: ride.hours.until(day),
            start: ride.start,
            lay_ups: ride.lay_ups.clone(),
            events: ride.events.iter().filter(|event| by_then(&event.mark)).cloned().collect(),
        });
        let parts = self.parts.iter().map(|part| PartLife {
            stays: part.stays.iter().filter(|stay| by_then(&stay.fitted)).map(|stay| stay.until(day)).collect(),
            ..part.clone()
        });
        let follow_ups = self
            .follow_ups
            .iter()
            .filter(|left| by_then(&left.mark))
            .map(|left| LeftOver { settled_on: left.settled_on.filter(|settled| *settled <= day), ..left.clone() });
        Self {
            motorcycle: self.motorcycle.clone(),
            rides: rides.collect(),
            parts: parts.filter(|part| !part.stays.is_empty()).collect(),
            follow_ups: follow_ups.collect(),
            values: self.values.iter().filter(|value| by_then(&value.mark)).cloned().collect(),
            default_yearly: self.default_yearly,
            lead_days: self.lead_days,
        }
    }
}
impl Stay {
    fn until(&self, day: Date) -> Self {
        Self { removed: self.removed.filter(|removed| removed.on <= day), ..self.clone() }
    }
}
