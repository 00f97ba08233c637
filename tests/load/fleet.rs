//! Fleets of invented motorcycles, the same ones every time: 20 events and 20 rules each.
use serde_json::json;
use time::{Date, Duration, OffsetDateTime};
use uuid::Uuid;
use witnessmark::{
    access::Caller,
    actions::{App, Work, rule},
    domain::{
        id::Id,
        motorcycle::{Motorcycle, NewMotorcycle, NewReading, Reading},
        quantity::{Figure, Unit},
        rule::{IntervalRule, NewIntervalRule},
        service::{ServiceEvent, WorkLine},
        words::{CounterKind, Operation},
    },
    error::Result,
    store::{
        self,
        service_event::{EventBody, EventRow},
        types::{Instant, Json},
    },
};

/// Events of one motorcycle, and rules of the workshop.
pub const EVENTS: u32 = 20;
pub const RULES: usize = 20;
/// Motorcycles in one transaction.
const AT_ONCE: u32 = 250;

/// What the rules are about; the operation is what their events do.
const WORK: [(&str, &str); RULES] = [
    ("engine_oil", "replace"),
    ("oil_filter", "inspect"),
    ("air_filter", "clean"),
    ("fuel_filter", "inspect"),
    ("fuel_hose", "inspect"),
    ("spark_plug", "inspect"),
    ("valves", "measure"),
    ("coolant", "replace"),
    ("radiator", "clean"),
    ("drive_chain", "lubricate"),
    ("swingarm_bearing", "lubricate"),
    ("brake_pads", "inspect"),
    ("brake_disc", "measure"),
    ("brake_fluid", "replace"),
    ("tire", "measure"),
    ("wheel_bearing", "inspect"),
    ("fork_oil", "replace"),
    ("steering_bearing", "inspect"),
    ("battery", "measure"),
    ("lights", "inspect"),
];

/// A row of numbers that looks random and is always the same (a linear congruential generator; its high bits are used).
pub struct Numbers(u64);
impl Numbers {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x5851_f42d_4c95_7f2d)
    }
    /// From 0 up to, and without, `below`.
    pub fn below(&mut self, below: u32) -> u32 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        u32::try_from(((self.0 >> 33) * u64::from(below)) >> 31).unwrap_or(0)
    }
}

/// One visit: the day, the odometer in miles, and what was done.
#[derive(Clone, Copy)]
pub struct Visit {
    pub days_ago: u32,
    pub miles: u32,
    pub work: usize,
}

/// The visits of one motorcycle over up to four years, oldest first.
pub fn visits(bike: u32) -> Vec<Visit> {
    let mut numbers = Numbers::new(bike.into());
    let yearly = 1500 + numbers.below(9000);
    let start = 700 + numbers.below(760);
    let mut days: Vec<_> = (0..EVENTS).map(|_| numbers.below(start)).collect();
    days.sort_unstable_by(|one, other| other.cmp(one));
    let first = numbers.below(20);
    let visit = |(nth, days_ago): (u32, u32)| Visit {
        days_ago,
        miles: 600 + (start - days_ago) * yearly / 365,
        work: ((first + nth * 7) % 20) as usize,
    };
    (0..).zip(days).map(visit).collect()
}

/// The workshop's rules: by distance, by months, or both, on every motorcycle.
pub fn rules() -> Vec<NewIntervalRule> {
    let rule = |(nth, (component, operation)): (usize, &(&str, &str))| {
        let distance = json!({"value": 3000 + 1000 * (nth % 7), "unit": "mi"});
        let every = match nth % 3 {
            0 => json!({"distance": distance, "months": 6 + nth}),
            1 => json!({"distance": distance}),
            _ => json!({"months": 6 + nth}),
        };
        json!({"name": format!("Rule {nth}"), "component": component, "operation": operation, "every": every, "source": "Invented"})
    };
    WORK.iter().enumerate().map(|entry| serde_json::from_value(rule(entry)).expect("a rule")).collect()
}

/// Enters a fleet through the store, and lets the actions' own code work out what is due. Gives the motorcycles' ids.
pub async fn build(app: &App, caller: &Caller, count: u32) -> Result<Vec<Id<Motorcycle>>> {
    let mut work = app.write(caller, None).await?;
    for new in rules() {
        rule::add(&mut work, new).await?;
    }
    work.finish(None).await?;
    let mut ids = Vec::new();
    for first in (0..count).step_by(AT_ONCE as usize) {
        let mut work = app.write(caller, None).await?;
        for bike in first..count.min(first + AT_ONCE) {
            ids.push(enter(&mut work, bike).await?);
        }
        work.finish(None).await?;
    }
    Ok(ids)
}

async fn enter(work: &mut Work, number: u32) -> Result<Id<Motorcycle>> {
    let (workshop, now, today) = (work.workshop_id(), work.now, work.today);
    let visits = visits(number);
    let in_service = days_before(today, visits[0].days_ago + 40);
    let new: NewMotorcycle = serde_json::from_value(json!({"name": format!("Fleet {number:05}"), "make": "Halden", "model": "650 Twin",
        "year": in_service.year(), "final_drive": "chain", "odometer_unit": "mi", "in_service_on": in_service}))
    .expect("a motorcycle");
    let bike = Motorcycle::from_new(work.new_id(), new, false, None, Vec::new(), now);
    store::motorcycle::insert(&mut work.tx, workshop, &bike).await?;
    for visit in visits {
        let (id, on, odometer) = (work.new_id(), days_before(today, visit.days_ago), Figure::from(i64::from(visit.miles)));
        let (component, operation) = WORK[visit.work];
        let event = event(id, &bike, on, odometer.clone(), now);
        store::service_event::insert(&mut work.tx, workshop, &event).await?;
        let operation: Operation = operation.parse().expect("an operation");
        let line = WorkLine { component: component.into(), position: None, operation, note: String::new() };
        store::service_event::insert_work(&mut work.tx, workshop, bike.id, id, &[line]).await?;
        let reading = NewReading { on, reading: odometer, read_by: None, confirmed: false };
        let reading_id: Id<Reading> = work.new_id();
        let reading = Reading::from_new(reading_id, reading, bike.id, CounterKind::Odometer, Unit::Mi, Some(id), None, now);
        store::reading::insert(&mut work.tx, workshop, &reading, None).await?;
    }
    work.touch(bike.id);
    Ok(bike.id)
}

fn event(id: Id<ServiceEvent>, bike: &Motorcycle, on: Date, odometer: Figure, now: OffsetDateTime) -> EventRow {
    EventRow {
        id,
        motorcycle_id: bike.id,
        on_date: on,
        odometer: Some(odometer),
        hours: None,
        unit: Unit::Mi,
        summary: "Service".into(),
        performed_by: Some("Inez Calder".into()),
        notes: String::new(),
        internal_notes: String::new(),
        at_home: false,
        entered_by: None,
        body: Json(EventBody::default()),
        signature: None,
        struck_at: None,
        struck_reason: None,
        created_at: Instant(now),
    }
}

pub fn days_before(today: Date, days: u32) -> Date {
    today - Duration::days(days.into())
}

/// A rule as it stands in memory.
pub fn in_memory(new: NewIntervalRule, number: u128) -> IntervalRule {
    IntervalRule::from_new(Id::new(Uuid::from_u128(number)), new, OffsetDateTime::UNIX_EPOCH)
}
