//! An invented motorcycle with its history, put together in a few words for the tests.
#![expect(clippy::needless_pass_by_value, reason = "json!(…) is written in place")]
use serde_json::{Value, json};
use time::{Date, OffsetDateTime, macros::date};
use uuid::Uuid;

use super::{
    counter::{Counter, RawChange, RawReading, to_ticks},
    due::{DueItem, work_out},
    history::{Done, DoneEvent, History, LeftOver, Mark, PartLife, Ride, Stay},
    id::Id,
    lay_up::Period,
    motorcycle::{Motorcycle, NewMotorcycle},
    part::InstalledPart,
    quantity::{Distance, Figure, Unit},
    road::start_of,
    rule::{IntervalRule, NewIntervalRule},
    service::ServiceEvent,
    words::{Condition, CounterKind, InstrumentChange, Position},
};

/// A valid UUIDv7 that counts up.
pub fn uuid(number: u128) -> Uuid {
    Uuid::from_u128((0x0193_0000_0000 + number) << 80 | 0x7000 << 64 | 0x8 << 60 | number)
}
pub fn id<T>(number: u128) -> Id<T> {
    Id::new(uuid(number))
}
/// A date of the form 2026-05-02.
pub fn day(text: &str) -> Date {
    serde_json::from_value(json!(text)).unwrap()
}
/// A rule: what is not said is the default, an engine oil replacement.
pub fn rule(figures: Value) -> IntervalRule {
    let mut new = json!({"name": "Engine oil", "component": "engine_oil", "operation": "replace"});
    new.as_object_mut().unwrap().extend(figures.as_object().unwrap().clone());
    let new: NewIntervalRule = serde_json::from_value(new).unwrap();
    IntervalRule::from_new(id(900), new, OffsetDateTime::UNIX_EPOCH)
}
pub fn mi(value: f64) -> Value {
    json!({"value": value, "unit": "mi"})
}
pub fn km(value: f64) -> Value {
    json!({"value": value, "unit": "km"})
}

/// A motorcycle's history as it is entered.
#[derive(Clone)]
pub struct Bench {
    pub bike: Motorcycle,
    pub readings: Vec<RawReading>,
    pub changes: Vec<RawChange>,
    pub hour_readings: Vec<RawReading>,
    pub lay_ups: Vec<Period>,
    pub events: Vec<DoneEvent>,
    pub parts: Vec<PartLife>,
    pub follow_ups: Vec<LeftOver>,
    pub others: Vec<Ride>,
    entries: u128,
}

impl Bench {
    /// A motorcycle in miles, in service since 10 Apr 2021.
    pub fn new() -> Self {
        Self::with(json!({}))
    }
    pub fn with(details: Value) -> Self {
        let mut new = json!({"name": "Courier 3", "make": "Halden", "model": "650 Twin", "year": 2021, "final_drive": "chain", "odometer_unit": "mi",
            "in_service_on": "2021-04-10"});
        new.as_object_mut().unwrap().extend(details.as_object().unwrap().clone());
        let new: NewMotorcycle = serde_json::from_value(new).unwrap();
        Self {
            bike: Motorcycle::from_new(id(1), new, false, None, vec![], OffsetDateTime::UNIX_EPOCH),
            readings: vec![],
            changes: vec![],
            hour_readings: vec![],
            lay_ups: vec![],
            events: vec![],
            parts: vec![],
            follow_ups: vec![],
            others: vec![],
            entries: 1000,
        }
    }
    fn next(&mut self) -> u128 {
        self.entries += 1;
        self.entries
    }
    fn unit(&self) -> Unit {
        self.bike.odometer_unit.into()
    }
    fn ticks(&self, value: f64) -> i64 {
        Distance::new(value, self.bike.odometer_unit).mm()
    }
    /// An odometer reading.
    pub fn read(&mut self, on: &str, value: f64) -> &mut Self {
        self.reading(day(on), value);
        self
    }
    fn reading(&mut self, on: Date, value: f64) -> u128 {
        let number = self.next();
        let shown = to_ticks(CounterKind::Odometer, &Figure::rounded(value, 6), self.unit()).unwrap();
        self.readings.push(RawReading { id: id(number), on, shown, confirmed: true });
        number
    }
    /// An hour reading.
    pub fn read_hours(&mut self, on: &str, value: f64) -> &mut Self {
        let number = self.next();
        let shown = to_ticks(CounterKind::Hours, &Figure::rounded(value, 6), Unit::H).unwrap();
        self.hour_readings.push(RawReading { id: id(number), on: day(on), shown, confirmed: true });
        self
    }
    pub fn changed(&mut self, on: &str, kind: InstrumentChange, old_final: Option<f64>, new_start: f64, capacity: f64) -> &mut Self {
        let change = RawChange {
            id: id(self.next()),
            on: day(on),
            kind,
            old_final: old_final.map(|value| self.ticks(value)),
            new_start: self.ticks(new_start),
            capacity: self.ticks(capacity),
        };
        self.changes.push(change);
        self
    }
    /// A moment, with an odometer reading where one is given.
    pub fn mark(&mut self, on: &str, odometer: impl Into<Option<f64>>) -> Mark {
        let on = day(on);
        let odometer = odometer.into().map(|value| id(self.reading(on, value)));
        Mark { on, odometer, hours: None, order: self.next() }
    }
    /// A service event with lines "component operation" or "component position operation".
    pub fn event(&mut self, on: &str, odometer: impl Into<Option<f64>>, lines: &[&str]) -> Id<ServiceEvent> {
        let mark = self.mark(on, odometer);
        let work = lines.iter().map(|line| {
            let words: Vec<_> = line.split(' ').collect();
            Done {
                component: words[0].into(),
                position: (words.len() == 3).then(|| words[1].parse().unwrap()),
                operation: words[words.len() - 1].parse().unwrap(),
            }
        });
        let event = DoneEvent { id: Id::new(uuid(mark.order)), mark, work: work.collect() };
        self.events.push(event);
        Id::new(uuid(mark.order))
    }
    /// A part fitted outside an event: "component" or "component position".
    pub fn fit(&mut self, what: &str, condition: Condition, on: &str, odometer: impl Into<Option<f64>>) -> Id<InstalledPart> {
        let (component, position) = place(what);
        let fitted = self.mark(on, odometer);
        let part = id(self.next());
        let stay = Stay { motorcycle_id: self.bike.id, position, fitted, fitted_in: None, removed: None };
        self.parts.push(PartLife {
            id: part,
            component,
            condition,
            description: String::new(),
            prior: Distance::ZERO,
            date_code: None,
            stays: vec![stay],
        });
        part
    }
    pub fn part(&mut self, part: Id<InstalledPart>) -> &mut PartLife {
        self.parts.iter_mut().find(|known| known.id == part).unwrap()
    }
    pub fn remove(&mut self, part: Id<InstalledPart>, on: &str, odometer: f64) {
        let mark = self.mark(on, odometer);
        self.part(part).stays.last_mut().unwrap().removed = Some(mark);
    }
    pub fn fit_again(&mut self, part: Id<InstalledPart>, position: Option<&str>, on: &str, odometer: f64) {
        let (motorcycle_id, fitted) = (self.bike.id, self.mark(on, odometer));
        let position: Option<Position> = position.map(|text| text.parse().unwrap());
        self.part(part).stays.push(Stay { motorcycle_id, position, fitted, fitted_in: None, removed: None });
    }
    pub fn history(&self) -> History {
        let odometer = Counter::build(CounterKind::Odometer, &self.readings, &self.changes).unwrap();
        let hours = Counter::build(CounterKind::Hours, &self.hour_readings, &[]).unwrap();
        let start = start_of(&self.bike);
        let own = Ride { motorcycle_id: self.bike.id, odometer, hours, start, lay_ups: self.lay_ups.clone(), events: self.events.clone() };
        History {
            motorcycle: self.bike.clone(),
            rides: std::iter::once(own).chain(self.others.iter().cloned()).collect(),
            parts: self.parts.clone(),
            follow_ups: self.follow_ups.clone(),
            values: vec![],
            default_yearly: Distance::new(3000.0, super::words::OdometerUnit::Mi),
            lead_days: super::workshop::USUAL_LEAD_DAYS.into(),
        }
    }
    /// The one item of one rule.
    pub fn due(&self, rule: &IntervalRule) -> DueItem {
        let mut items = work_out(&self.history(), std::slice::from_ref(rule));
        assert_eq!(items.len(), 1, "{items:#?}");
        items.remove(0)
    }
    pub fn all(&self, rules: &[IntervalRule]) -> Vec<DueItem> {
        work_out(&self.history(), rules)
    }
}
fn place(what: &str) -> (String, Option<Position>) {
    match what.split_once(' ') {
        Some((component, position)) => (component.into(), Some(position.parse().unwrap())),
        None => (what.into(), None),
    }
}
/// The odometer figure of a due item.
pub fn odometer(item: &DueItem) -> Option<f64> {
    item.due_at.odometer.as_ref().map(|quantity| quantity.value.value())
}
pub const TODAY: Date = date!(2026 - 11 - 25);
