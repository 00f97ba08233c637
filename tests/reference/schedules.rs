//! Published service schedules, ridden through to their due points in miles, kilometres, hours and months.
#![expect(clippy::unwrap_used, reason = "a test stops where its own figures are wrong")]
use serde_json::{Value, json};
use time::{Date, Duration, OffsetDateTime, macros::date};
use uuid::Uuid;
use witnessmark::domain::{
    calendar::add_months,
    counter::{Counter, RawReading, to_ticks},
    due::{DueItem, work_out},
    history::{Done, DoneEvent, History, Mark, PartLife, Ride, Stay},
    id::Id,
    motorcycle::{Motorcycle, NewMotorcycle},
    quantity::{Distance, Figure, Unit},
    rule::IntervalRule,
    words::{Condition, CounterKind, Governs, OdometerUnit, Operation, Status},
};

use crate::table::{date, rows, text, whole};

const TABLE: &str = include_str!("schedules.json");
const NEW: Date = date!(2020 - 02 - 29);
const KM_PER_MI: f64 = 1.609_344;

/// A motorcycle ridden evenly, with its oil changed where the test says.
struct Ridden {
    unit: OdometerUnit,
    in_service: Date,
    factor: &'static str,
    /// Day, odometer, hours.
    readings: Vec<(Date, f64, Option<f64>)>,
    /// Places in `readings` at which it was done.
    done: Vec<usize>,
    fitted: Option<usize>,
}

fn ridden(readings: &[(Date, f64, Option<f64>)], done: &[usize]) -> Ridden {
    Ridden { unit: OdometerUnit::Mi, in_service: NEW, factor: "1", readings: readings.to_vec(), done: done.to_vec(), fitted: None }
}
fn number(value: usize) -> u128 {
    u128::try_from(value).unwrap()
}
fn rule(figures: &Value) -> IntervalRule {
    let mut new = json!({"name": "Service", "component": "drive_belt", "operation": "adjust"});
    for (name, value) in figures.as_object().unwrap() {
        new[name] = value.clone();
    }
    IntervalRule::from_new(Id::new(Uuid::from_u128(9)), serde_json::from_value(new).unwrap(), OffsetDateTime::UNIX_EPOCH)
}
fn miles(miles: i64) -> Value {
    json!({"value": miles, "unit": "mi"})
}

impl Ridden {
    fn mark(&self, place: usize) -> Mark {
        let (on, _, hours) = self.readings[place];
        let odometer = Some(Id::new(Uuid::from_u128(100 + number(place))));
        Mark { on, odometer, hours: hours.map(|_| Id::new(Uuid::from_u128(500 + number(place)))), order: number(place) }
    }
    fn counter(&self, kind: CounterKind) -> Counter {
        let (first, unit) = if kind == CounterKind::Odometer { (100, Unit::from(self.unit)) } else { (500, Unit::H) };
        let shown = |(place, (on, odometer, hours)): (usize, &(Date, f64, Option<f64>))| {
            let figure = if kind == CounterKind::Odometer { Some(*odometer) } else { *hours };
            let id = Id::new(Uuid::from_u128(first + number(place)));
            let shown = to_ticks(kind, &Figure::rounded(figure?, 6), unit).unwrap();
            Some(RawReading { id, on: *on, shown, confirmed: true })
        };
        Counter::build(kind, &self.readings.iter().enumerate().filter_map(shown).collect::<Vec<_>>(), &[]).unwrap()
    }
    fn history(&self) -> History {
        let bike: NewMotorcycle =
            serde_json::from_value(json!({"name": "Reference", "final_drive": "belt", "odometer_unit": self.unit.as_str(),
            "in_service_on": self.in_service.to_string(), "interval_factor": self.factor.parse::<f64>().unwrap()}))
            .unwrap();
        let motorcycle = Motorcycle::from_new(Id::new(Uuid::from_u128(1)), bike, false, None, vec![], OffsetDateTime::UNIX_EPOCH);
        let line = || Done { component: "drive_belt".into(), position: None, operation: Operation::Adjust };
        let events = self.done.iter().map(|place| DoneEvent {
            id: Id::new(Uuid::from_u128(1000 + number(*place))),
            mark: self.mark(*place),
            work: vec![line()],
        });
        let stay =
            |place: usize| Stay { motorcycle_id: motorcycle.id, position: None, fitted: self.mark(place), fitted_in: None, removed: None };
        let part = |place| PartLife {
            id: Id::new(Uuid::from_u128(3)),
            component: "drive_belt".into(),
            condition: Condition::New,
            description: String::new(),
            prior: Distance::ZERO,
            date_code: None,
            stays: vec![stay(place)],
        };
        let parts = self.fitted.map(part).into_iter().collect();
        let (odometer, hours) = (self.counter(CounterKind::Odometer), self.counter(CounterKind::Hours));
        let start = witnessmark::domain::road::start_of(&motorcycle);
        let ride = Ride { motorcycle_id: motorcycle.id, odometer, hours, start, lay_ups: vec![], events: events.collect() };
        let default_yearly = Distance::new(3000.0, OdometerUnit::Mi);
        History { motorcycle, rides: vec![ride], parts, follow_ups: vec![], values: vec![], default_yearly, lead_days: 30 }
    }
    fn items(&self, figures: &Value) -> Vec<DueItem> {
        work_out(&self.history(), &[rule(figures)])
    }
    fn due(&self, figures: &Value) -> DueItem {
        let mut items = self.items(figures);
        assert_eq!(items.len(), 1);
        items.remove(0)
    }
}
fn odometer(item: &DueItem) -> f64 {
    item.due_at.odometer.as_ref().unwrap().value.value()
}
fn hours(item: &DueItem) -> f64 {
    item.due_at.hours.as_ref().unwrap().value()
}

#[test]
fn whichever_occurs_first_in_miles_and_in_kilometres() {
    for row in rows(TABLE, "whichever_first") {
        let (months, far) = (whole(&row, "months"), whole(&row, "miles"));
        let figures = json!({"every": {"distance": miles(far), "months": months}});
        let mut at = 0.0;
        // Ten services in a row, each 40 mi late: the next is counted from where it was really done.
        let mut readings = Vec::new();
        for service in 0..10_i64 {
            let on = NEW + Duration::days(61 * (service + 1));
            at += f64::from(i32::try_from(far).unwrap()) + 40.0;
            readings.push((on, at, None));
            let done: Vec<usize> = (0..readings.len()).collect();
            let by_miles = ridden(&readings, &done);
            let item = by_miles.due(&figures);
            assert!((odometer(&item) - (at + f64::from(i32::try_from(far).unwrap()))).abs() < 1e-9, "{row}");
            assert_eq!(item.due_at.on, Some(add_months(on, months)), "{row}");
            // The same road on a motorcycle that counts in kilometres.
            let in_km: Vec<_> = readings.iter().map(|(on, mi, hours)| (*on, mi * KM_PER_MI, *hours)).collect();
            let by_km = Ridden { unit: OdometerUnit::Km, ..ridden(&in_km, &done) };
            let twin = by_km.due(&figures);
            assert!((odometer(&twin) - odometer(&item) * KM_PER_MI).abs() < 0.001, "{row}");
            assert_eq!((twin.due_at.on, twin.dates, twin.governs), (item.due_at.on, item.dates, item.governs), "{row}");
        }
    }
}

#[test]
fn a_little_used_vehicle_is_serviced_by_the_calendar() {
    for row in rows(TABLE, "low_use") {
        let ridden_far = f64::from(i32::try_from(whole(&row, "ridden")).unwrap());
        let half_a_year = add_months(NEW, whole(&row, "months"));
        let bike = ridden(&[(NEW, 0.0, None), (half_a_year, ridden_far, None)], &[]);
        let item = bike.due(&json!({"every": {"distance": miles(whole(&row, "miles")), "months": whole(&row, "months")}}));
        let on = item.on(half_a_year);
        assert_eq!((on.status, on.certain, on.governs), (Status::Due, true, Some(Governs::Time)));
        assert_eq!(item.on(half_a_year - Duration::DAY).status, Status::NearlyDue);
        assert_eq!(item.on(half_a_year + Duration::DAY).status, Status::Overdue);
    }
}

#[test]
fn mileage_alone_whatever_the_calendar() {
    for row in rows(TABLE, "distance_alone") {
        // Ten years on a shelf, then ridden to the very figure.
        let far = f64::from(i32::try_from(whole(&row, "miles")).unwrap());
        let later = add_months(NEW, 120);
        let figures = json!({"every": {"distance": miles(whole(&row, "miles"))}});
        let short = ridden(&[(NEW, 0.0, None), (later, far - 601.0, None)], &[]).due(&figures);
        assert_eq!((short.due_at.on, short.on(later).status), (None, Status::Later));
        let there = ridden(&[(NEW, 0.0, None), (later, far, None)], &[]).due(&figures);
        assert_eq!(there.on(later).status, Status::Due);
    }
}

#[test]
fn the_first_hours_then_every_so_many() {
    for row in rows(TABLE, "first_then_every") {
        let (first, every) = (whole(&row, "first_hours"), whole(&row, "every_hours"));
        let figures = json!({"first": {"hours": first}, "every": {"hours": every}});
        let readings =
            [(NEW, 0.0, Some(0.0)), (NEW + Duration::days(50), 900.0, Some(52.0)), (NEW + Duration::days(80), 1500.0, Some(70.0))];
        let wanted = f64::from(i32::try_from(first).unwrap());
        assert!((hours(&ridden(&readings, &[]).due(&figures)) - wanted).abs() < 1e-9);
        let next = 52.0 + f64::from(i32::try_from(every).unwrap());
        assert!((hours(&ridden(&readings, &[1]).due(&figures)) - next).abs() < 1e-9);
    }
}

#[test]
fn hours_beside_months_and_beside_miles() {
    // About the default distance a year, which the projection mixes in where there are few readings; hours have no such default.
    let end = NEW + Duration::days(60);
    let readings = [(NEW, 0.0, Some(0.0)), (end, 400.0, Some(20.0))];
    for row in rows(TABLE, "hours_or_months") {
        let figures = json!({"every": {"hours": whole(&row, "hours"), "months": whole(&row, "months")}});
        let item = ridden(&readings, &[1]).due(&figures);
        assert!((hours(&item) - 20.0 - f64::from(i32::try_from(whole(&row, "hours")).unwrap())).abs() < 1e-9, "{row}");
        assert_eq!(item.due_at.on, Some(add_months(end, whole(&row, "months"))), "{row}");
    }
    for row in rows(TABLE, "miles_or_hours") {
        let figures = json!({"every": {"hours": whole(&row, "hours"), "distance": miles(whole(&row, "miles"))}});
        let item = ridden(&readings, &[1]).due(&figures);
        assert!((hours(&item) - 20.0 - f64::from(i32::try_from(whole(&row, "hours")).unwrap())).abs() < 1e-9, "{row}");
        assert!((odometer(&item) - 400.0 - f64::from(i32::try_from(whole(&row, "miles")).unwrap())).abs() < 1e-9, "{row}");
        // At 400 mi for 20 h the miles, ten to the hour, come first.
        assert_eq!(item.governs, Some(Governs::Distance), "{row}");
    }
}

#[test]
fn after_the_first_miles_once() {
    for row in rows(TABLE, "first_alone") {
        let figures = json!({"first": {"distance": miles(whole(&row, "miles"))}});
        let readings = [(NEW, 0.0, None), (NEW + Duration::days(5), 130.0, None)];
        let item = ridden(&readings, &[]).due(&figures);
        assert!((odometer(&item) - f64::from(i32::try_from(whole(&row, "miles")).unwrap())).abs() < 1e-9);
        assert_eq!(item.on(NEW + Duration::days(5)).status, Status::Overdue);
        assert!(ridden(&readings, &[1]).items(&figures).is_empty());
    }
}

#[test]
fn so_many_hours_after_a_new_belt() {
    for row in rows(TABLE, "after_fitting") {
        let fitted = NEW + Duration::days(400);
        let readings = [(NEW, 0.0, Some(0.0)), (fitted, 8000.0, Some(310.0))];
        let bike = Ridden { fitted: Some(1), ..ridden(&readings, &[]) };
        let item = bike.due(&json!({"scope": "part", "first": {"hours": whole(&row, "hours")}}));
        assert!((hours(&item) - 310.0 - f64::from(i32::try_from(whole(&row, "hours")).unwrap())).abs() < 1e-9);
        // Nothing is due on a motorcycle without the belt.
        assert!(ridden(&readings, &[]).items(&json!({"scope": "part", "first": {"hours": whole(&row, "hours")}})).is_empty());
    }
}

#[test]
fn the_window_of_a_tenth_in_days_keeps_the_anchor_inside_and_moves_it_outside() {
    for row in rows(TABLE, "window_by_days") {
        let due = date(&row, "due");
        let (opens, closes) = (date(&row, "opens"), date(&row, "closes"));
        assert_eq!(
            (due - opens, closes - due),
            (Duration::days(whole(&row, "days")), Duration::days(whole(&row, "days"))),
            "{}",
            text(&row, "text")
        );
        let next = |on: Date| {
            let bike = Ridden { in_service: add_months(due, -12), ..ridden(&[(on, 100.0, None)], &[0]) };
            bike.due(&json!({"every": {"months": 12}, "window": 0.1})).due_at.on
        };
        let scheduled = Some(add_months(due, 12));
        for inside in [opens, due, closes] {
            assert_eq!(next(inside), scheduled, "{inside}");
        }
        for outside in [opens - Duration::DAY, closes + Duration::DAY] {
            assert_eq!(next(outside), Some(add_months(outside, 12)), "{outside}");
        }
        // On a fixed schedule the window opens on the same day, and what comes late still leaves the grid where it is.
        let on_grid = |on: Date| {
            let bike = Ridden { in_service: add_months(due, -12), ..ridden(&[(on, 100.0, None)], &[0]) };
            bike.due(&json!({"every": {"months": 12}, "counts_from": "schedule"})).due_at.on
        };
        assert_eq!((on_grid(opens - Duration::DAY), on_grid(opens), on_grid(closes + Duration::DAY)), (Some(due), scheduled, scheduled));
    }
}

#[test]
fn the_window_of_a_tenth_in_miles() {
    for row in rows(TABLE, "window_by_distance") {
        let far = f64::from(i32::try_from(whole(&row, "miles")).unwrap());
        let share = f64::from(i32::try_from(whole(&row, "percent")).unwrap()) / 100.0;
        let figures = json!({"every": {"distance": miles(whole(&row, "miles"))}, "window": share});
        let next = |at: f64| odometer(&ridden(&[(NEW, 0.0, None), (NEW + Duration::days(90), at, None)], &[1]).due(&figures));
        for inside in [far * (1.0 - share), far, far * (1.0 + share)] {
            assert!((next(inside) - 2.0 * far).abs() < 1e-9, "{inside}");
        }
        for outside in [far * (1.0 - share) - 1.0, far * (1.0 + share) + 1.0] {
            assert!((next(outside) - outside - far).abs() < 1e-9, "{outside}");
        }
    }
}

#[test]
fn a_schedule_printed_in_kilometres_comes_due_at_the_printed_mile() {
    for row in rows(TABLE, "printed_pair") {
        let figures = json!({"every": {"distance": {"value": whole(&row, "km_printed"), "unit": "km"}}});
        let item = ridden(&[(NEW, 0.0, None)], &[]).due(&figures);
        let printed = f64::from(i32::try_from(whole(&row, "miles")).unwrap());
        // Printed to the kilometre: within the half of one.
        assert!((odometer(&item) - printed).abs() <= 0.5 / KM_PER_MI, "{row}: {}", odometer(&item));
    }
}

#[test]
fn severe_service_halves_every_interval() {
    for severe in rows(TABLE, "severe_service") {
        assert!((severe["factor"].as_f64().unwrap() - 0.5).abs() < f64::EPSILON);
        for row in rows(TABLE, "whichever_first") {
            let figures = json!({"every": {"distance": miles(whole(&row, "miles")), "months": whole(&row, "months")}});
            let bike = Ridden { factor: "0.5", ..ridden(&[(NEW, 0.0, None)], &[]) };
            let item = bike.due(&figures);
            assert!((odometer(&item) - f64::from(i32::try_from(whole(&row, "miles")).unwrap()) / 2.0).abs() < 1e-9, "{row}");
            // Whole months, rounded down: a quarter becomes one month.
            assert_eq!(item.due_at.on, Some(add_months(NEW, whole(&row, "months") / 2)), "{row}");
        }
    }
}
