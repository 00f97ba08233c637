//! The history of a motorcycle as the computation wants it: read from every table that can change what is due.
use std::collections::{BTreeMap, BTreeSet};

use sqlx::FromRow;
use time::Date;

use super::{Tx, lay_up, motorcycle, on, types::Json};
use crate::{
    domain::{
        counter::{Counter, RawChange, RawReading, to_ticks},
        history::{Done, DoneEvent, History, LeftOver, Mark, PartLife, Ride, Stay, WornValue},
        id::Id,
        motorcycle::{Instrument, Motorcycle, Reading},
        part::InstalledPart,
        quantity::{Distance, Figure, Unit},
        road::start_of,
        service::{FollowUp, FollowUpIn, MeasuredValue, ServiceEvent},
        verdict::expanded_uncertainty,
        words::{Condition, CounterKind, FollowUpStatus, InstrumentChange, Operation, Position},
        workshop::Workshop,
    },
    error::{Error, Result},
};

#[derive(FromRow)]
struct ReadingRow {
    id: Id<Reading>,
    counter: CounterKind,
    on_date: Date,
    reading: Figure,
    unit: Unit,
    confirmed: bool,
    service_event_id: Option<Id<ServiceEvent>>,
}
#[derive(FromRow)]
struct InstrumentRow {
    id: Id<Instrument>,
    counter: CounterKind,
    on_date: Date,
    kind: InstrumentChange,
    old_final: Option<Figure>,
    new_start: Option<Figure>,
    capacity: Option<Figure>,
    unit: Unit,
}
#[derive(FromRow)]
struct LineRow {
    id: Id<ServiceEvent>,
    on_date: Date,
    component: Option<String>,
    position: Option<Position>,
    operation: Option<Operation>,
}
#[derive(FromRow)]
struct StayRow {
    part_id: Id<InstalledPart>,
    component: String,
    condition: Condition,
    description: String,
    prior_mm: i64,
    date_code: Option<String>,
    id: Id<Stay>,
    motorcycle_id: Id<Motorcycle>,
    position: Option<Position>,
    fitted_on: Date,
    fitted_reading_id: Option<Id<Reading>>,
    fitted_event_id: Option<Id<ServiceEvent>>,
    removed_on: Option<Date>,
    removed_reading_id: Option<Id<Reading>>,
    removed_event_id: Option<Id<ServiceEvent>>,
    removed_entry: Option<Id<Stay>>,
}
#[derive(FromRow)]
struct FollowUpRow {
    id: Id<FollowUp>,
    service_event_id: Id<ServiceEvent>,
    on_date: Date,
    text: String,
    component: Option<String>,
    position: Option<Position>,
    due_in: Option<Json<FollowUpIn>>,
    status: FollowUpStatus,
    settled_on: Option<Date>,
}
#[derive(FromRow)]
struct ValueRow {
    id: Id<MeasuredValue>,
    motorcycle_id: Id<Motorcycle>,
    service_event_id: Option<Id<ServiceEvent>>,
    reading_id: Option<Id<Reading>>,
    part_id: Id<InstalledPart>,
    on_date: Date,
    body: Json<MeasuredValue>,
}

/// The readings that came with events: an event, fitting or value of it stands at its reading's distance.
#[derive(Default)]
struct EventReadings(BTreeMap<(Id<ServiceEvent>, CounterKind), Id<Reading>>);

impl EventReadings {
    fn mark(&self, on: Date, event: Option<Id<ServiceEvent>>, odometer: Option<Id<Reading>>, order: u128) -> Mark {
        let of = |kind| event.and_then(|event| self.0.get(&(event, kind)).copied());
        Mark {
            on,
            odometer: odometer.or_else(|| of(CounterKind::Odometer)),
            hours: of(CounterKind::Hours),
            order: event.map_or(order, |event| event.uuid().as_u128()),
        }
    }
}

/// Everything that decides what is due on a motorcycle. Struck-out entries are left out.
pub async fn load(tx: &mut Tx, workshop: &Workshop, bike: &Motorcycle) -> Result<History> {
    let stays = stays(tx, workshop.id, bike.id).await?;
    let mut ids: BTreeSet<_> = stays.iter().map(|stay| stay.motorcycle_id).collect();
    ids.remove(&bike.id);
    let mut readings = EventReadings::default();
    let mut rides = Vec::with_capacity(ids.len() + 1);
    rides.push(ride(tx, workshop.id, bike.id, start_of(bike), &mut readings).await?);
    for id in ids {
        let start = motorcycle::find(tx, workshop.id, id).await?.as_ref().and_then(start_of);
        rides.push(ride(tx, workshop.id, id, start, &mut readings).await?);
    }
    Ok(History {
        motorcycle: bike.clone(),
        follow_ups: follow_ups(tx, workshop.id, bike.id, &readings).await?,
        values: if stays.is_empty() { Vec::new() } else { values(tx, workshop.id, bike.id, &readings).await? },
        parts: parts(stays, &readings),
        rides,
        default_yearly: Distance::from_quantity(&workshop.default_yearly_distance).map_err(Error::internal)?,
        lead_days: i64::from(workshop.lead_days),
    })
}

/// One motorcycle's counters, for whoever needs nothing else.
pub async fn counters(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>) -> Result<(Counter, Counter)> {
    let ride = ride(tx, workshop, bike, None, &mut EventReadings::default()).await?;
    Ok((ride.odometer, ride.hours))
}

async fn ride(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    bike: Id<Motorcycle>,
    start: Option<(Date, i64)>,
    known: &mut EventReadings,
) -> Result<Ride> {
    let sql = "select id, counter, on_date, reading, unit, confirmed, service_event_id from reading
               where workshop_id = $1 and motorcycle_id = $2 and struck_at is null";
    let readings = on!(tx, sqlx::query_as::<_, ReadingRow>(sql).bind(workshop).bind(bike), fetch_all)?;
    let sql = "select id, counter, on_date, kind, old_final, new_start, capacity, unit from instrument where workshop_id = $1 and motorcycle_id = $2";
    let changes = on!(tx, sqlx::query_as::<_, InstrumentRow>(sql).bind(workshop).bind(bike), fetch_all)?;
    for reading in &readings {
        if let Some(event) = reading.service_event_id {
            known.0.insert((event, reading.counter), reading.id);
        }
    }
    Ok(Ride {
        motorcycle_id: bike,
        odometer: counter(CounterKind::Odometer, &readings, &changes)?,
        hours: counter(CounterKind::Hours, &readings, &changes)?,
        start,
        lay_ups: lay_up::periods(tx, workshop, bike).await?,
        events: events(tx, workshop, bike, known).await?,
    })
}

fn counter(kind: CounterKind, readings: &[ReadingRow], changes: &[InstrumentRow]) -> Result<Counter> {
    let ticks = |figure: &Figure, unit| to_ticks(kind, figure, unit).map_err(Error::internal);
    let mut raw = Vec::new();
    for row in readings.iter().filter(|row| row.counter == kind) {
        raw.push(RawReading { id: row.id, on: row.on_date, shown: ticks(&row.reading, row.unit)?, confirmed: row.confirmed });
    }
    let mut raw_changes = Vec::new();
    for row in changes.iter().filter(|row| row.counter == kind) {
        raw_changes.push(RawChange {
            id: row.id,
            on: row.on_date,
            kind: row.kind,
            old_final: row.old_final.as_ref().map(|figure| ticks(figure, row.unit)).transpose()?,
            new_start: row.new_start.as_ref().map_or(Ok(0), |figure| ticks(figure, row.unit))?,
            capacity: row.capacity.as_ref().map_or_else(|| ticks(&Figure::from(100_000), row.unit), |figure| ticks(figure, row.unit))?,
        });
    }
    Counter::build(kind, &raw, &raw_changes).map_err(|why| Error::internal(format!("stored readings contradict each other: {why:?}")))
}

async fn events(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>, known: &EventReadings) -> Result<Vec<DoneEvent>> {
    let sql = "select service_event.id, service_event.on_date, work_line.component, work_line.position, work_line.operation
               from service_event
               left join work_line on work_line.workshop_id = service_event.workshop_id and work_line.service_event_id = service_event.id
               where service_event.workshop_id = $1 and service_event.motorcycle_id = $2 and service_event.struck_at is null
               order by service_event.on_date desc, service_event.id desc, work_line.line";
    let rows = on!(tx, sqlx::query_as::<_, LineRow>(sql).bind(workshop).bind(bike), fetch_all)?;
    let mut events: Vec<DoneEvent> = Vec::new();
    for row in rows {
        if events.last().is_none_or(|event| event.id != row.id) {
            let mark = known.mark(row.on_date, Some(row.id), None, 0);
            events.push(DoneEvent { id: row.id, mark, work: Vec::new() });
        }
        if let (Some(event), Some(component), Some(operation)) = (events.last_mut(), row.component, row.operation) {
            event.work.push(Done { component, position: row.position, operation });
        }
    }
    Ok(events)
}

/// Every stay of every part that is or was on the motorcycle, oldest first.
async fn stays(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>) -> Result<Vec<StayRow>> {
    let sql = "select fitting.part_id, part.component, part.condition, part.description, part.prior_mm, part.date_code,
                      fitting.id, fitting.motorcycle_id, fitting.position, fitting.fitted_on, fitting.fitted_reading_id, fitting.fitted_event_id,
                      fitting.removed_on, fitting.removed_reading_id, fitting.removed_event_id, fitting.removed_entry
               from fitting
               join installed_part part on part.workshop_id = fitting.workshop_id and part.id = fitting.part_id
               where fitting.workshop_id = $1 and fitting.struck_at is null
                 and fitting.part_id in (select part_id from fitting where workshop_id = $1 and motorcycle_id = $2 and struck_at is null)
               order by fitting.part_id, fitting.fitted_on, fitting.id";
    Ok(on!(tx, sqlx::query_as::<_, StayRow>(sql).bind(workshop).bind(bike), fetch_all)?)
}

fn parts(rows: Vec<StayRow>, readings: &EventReadings) -> Vec<PartLife> {
    let mut parts: Vec<PartLife> = Vec::new();
    for row in rows {
        if parts.last().is_none_or(|part| part.id != row.part_id) {
            parts.push(PartLife {
                id: row.part_id,
                component: row.component,
                condition: row.condition,
                description: row.description,
                prior: Distance::from_mm(row.prior_mm),
                date_code: row.date_code,
                stays: Vec::new(),
            });
        }
        let order = row.id.uuid().as_u128();
        let removed = row.removed_on.map(|on| {
            let order = row.removed_entry.map_or(order, |entry| entry.uuid().as_u128());
            readings.mark(on, row.removed_event_id, row.removed_reading_id, order)
        });
        let stay = Stay {
            motorcycle_id: row.motorcycle_id,
            position: row.position,
            fitted: readings.mark(row.fitted_on, row.fitted_event_id, row.fitted_reading_id, order),
            fitted_in: row.fitted_event_id,
            removed,
        };
        if let Some(part) = parts.last_mut() {
            part.stays.push(stay);
        }
    }
    parts
}

async fn follow_ups(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>, readings: &EventReadings) -> Result<Vec<LeftOver>> {
    let sql =
        "select follow_up.id, follow_up.service_event_id, service_event.on_date, follow_up.text, follow_up.component, follow_up.position,
                      follow_up.due_in, follow_up.status, follow_up.settled_on
               from follow_up
               join service_event on service_event.workshop_id = follow_up.workshop_id and service_event.id = follow_up.service_event_id
               where follow_up.workshop_id = $1 and follow_up.motorcycle_id = $2 and follow_up.struck_at is null
               order by follow_up.id";
    let rows = on!(tx, sqlx::query_as::<_, FollowUpRow>(sql).bind(workshop).bind(bike), fetch_all)?;
    let left = rows.into_iter().map(|row| LeftOver {
        id: row.id,
        left_in: row.service_event_id,
        mark: readings.mark(row.on_date, Some(row.service_event_id), None, 0),
        text: row.text,
        component: row.component,
        position: row.position,
        due_in: row.due_in.map(|due_in| due_in.0),
        settled_on: if row.status == FollowUpStatus::Open { None } else { row.settled_on.or(Some(row.on_date)) },
    });
    Ok(left.collect())
}

async fn values(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>, readings: &EventReadings) -> Result<Vec<WornValue>> {
    let sql = "select id, motorcycle_id, service_event_id, reading_id, part_id, on_date, body from measured_value
               where workshop_id = $1 and struck_at is null
                 and part_id in (select part_id from fitting where workshop_id = $1 and motorcycle_id = $2 and struck_at is null)
               order by on_date, id";
    let rows = on!(tx, sqlx::query_as::<_, ValueRow>(sql).bind(workshop).bind(bike), fetch_all)?;
    let values = rows.into_iter().map(|row| WornValue {
        id: row.id,
        part: row.part_id,
        motorcycle_id: row.motorcycle_id,
        mark: readings.mark(row.on_date, row.service_event_id, row.reading_id, row.id.uuid().as_u128()),
        quantity: row.body.0.quantity,
        value: row.body.0.reduced.value(),
        unit: row.body.0.unit,
        u: expanded_uncertainty(row.body.0.uncertainty.as_ref(), row.body.0.resolution.as_ref()),
        at_force: row.body.0.at_force,
    });
    Ok(values.collect())
}

/// Other motorcycles that carry a part which was once on this one: what happened here decides what is due there.
pub async fn sharing_parts(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>) -> Result<Vec<Id<Motorcycle>>> {
    // Without `distinct`: SQLite would begin with all fittings of the workshop to get its order.
    let sql = "select elsewhere.motorcycle_id from fitting here
               join fitting elsewhere on elsewhere.workshop_id = here.workshop_id and elsewhere.part_id = here.part_id
               where here.workshop_id = $1 and here.motorcycle_id = $2 and elsewhere.motorcycle_id <> $2 and elsewhere.removed_on is null";
    let rows: Vec<(Id<Motorcycle>,)> = on!(tx, sqlx::query_as(sql).bind(workshop).bind(bike), fetch_all)?;
    Ok(rows.into_iter().map(|row| row.0).collect())
}
