//! Many events of one motorcycle at once, each of work lines alone: what an import brings. The same is checked as for one event by itself.
use std::collections::{BTreeMap, HashMap};

use time::Date;

use super::{check::Known, row};
use crate::{
    actions::{
        Work,
        part::{
            self,
            plan::{Entry, Plan},
        },
        reading::{self, Another},
    },
    domain::{
        component::Component,
        counter::to_ticks,
        id::Id,
        motorcycle::{Motorcycle, NewReading, Reading},
        part::NewFitted,
        service::{NewServiceEvent, ServiceEvent, WorkLine},
        validate::Problem,
        words::CounterKind,
    },
    error::{Error, Result},
    store::{
        Stretch,
        service_event::{self as store, EventRow, Wanted},
    },
};

/// What comes of one of many events: whether it is new, or is there already; or what is wrong with it.
pub type Logged = Result<bool, Vec<Problem>>;

/// What an event is known by beside its motorcycle: the day, the summary, what the odometer showed.
type Key = (Date, String, Option<i64>);

fn key(bike: &Motorcycle, on: Date, summary: &str, odometer: Option<&crate::domain::quantity::Figure>) -> Key {
    let unit = bike.odometer_unit.into();
    let shown = odometer.and_then(|figure| to_ticks(CounterKind::Odometer, figure, unit).ok());
    (on, summary.trim().to_owned(), shown)
}

/// Logs many events of one motorcycle. Nothing is stored where any is wrong.
///
/// # Errors
/// Where the database refuses.
pub async fn log_many(work: &mut Work, bike: &Motorcycle, many: &[NewServiceEvent], components: &[Component]) -> Result<Vec<Logged>> {
    part::lock(work, bike.id, std::iter::empty()).await?;
    let known = Known::of_components(components.to_vec());
    let there = there(work, bike).await?;
    let mut logged: Vec<Logged> = Vec::with_capacity(many.len());
    let mut new: Vec<(usize, Id<ServiceEvent>)> = Vec::new();
    for (place, event) in many.iter().enumerate() {
        let problems = known.check_plain(work, event);
        logged.push(match there.get(&key(bike, event.on, &event.summary, event.odometer.as_ref())) {
            _ if !problems.is_empty() => Err(problems),
            Some(other) => same(event, other),
            None => {
                new.push((place, work.new_id()));
                Ok(true)
            }
        });
    }
    if logged.iter().all(Result::is_ok) && !new.is_empty() {
        store_all(work, bike, many, &known, &new, &mut logged).await?;
    }
    Ok(logged)
}

/// The events that stand, with their work lines.
async fn there(work: &mut Work, bike: &Motorcycle) -> Result<HashMap<Key, (EventRow, Vec<WorkLine>)>> {
    let workshop = work.workshop_id();
    let rows = store::list(&mut work.tx, workshop, bike.id, &Wanted::default(), Stretch::ALL).await?;
    let rows: Vec<_> = rows.into_iter().filter(|row| row.struck_at.is_none()).collect();
    let ids: Vec<_> = rows.iter().map(|row| row.id).collect();
    let mut lines: BTreeMap<_, Vec<_>> = BTreeMap::new();
    for (event, line) in store::work_of(&mut work.tx, workshop, &ids).await? {
        lines.entry(event).or_default().push(line);
    }
    let of = |row: EventRow| {
        let lines = lines.remove(&row.id).unwrap_or_default();
        (key(bike, row.on_date, &row.summary, row.odometer.as_ref()), (row, lines))
    };
    Ok(rows.into_iter().map(of).collect())
}
/// An event that is there already must say what the file says.
fn same(new: &NewServiceEvent, (row, lines): &(EventRow, Vec<WorkLine>)) -> Logged {
    let other = |field: &str, what: &str| {
        let detail = format!("an event with this summary is there on this day already, with {what}; change it there, or leave the row out");
        Err(vec![Problem::new(field, detail)])
    };
    if new.work != *lines {
        return other("/work", "other work lines");
    }
    if new.performed_by.is_some() && new.performed_by != row.performed_by {
        return other("/performed_by", "somebody else who did it");
    }
    if new.cost.is_some() && new.cost != row.body.0.cost {
        return other("/cost", "another cost");
    }
    Ok(false)
}

async fn store_all(
    work: &mut Work,
    bike: &Motorcycle,
    many: &[NewServiceEvent],
    known: &Known,
    new: &[(usize, Id<ServiceEvent>)],
    logged: &mut [Logged],
) -> Result<()> {
    let workshop = work.workshop_id();
    let mut lines = Vec::new();
    for (place, id) in new {
        let row = row(work, bike, *id, &many[*place], known);
        store::insert(&mut work.tx, workshop, &row).await?;
        lines.extend((0..).zip(&many[*place].work).map(|(number, line)| (*id, number, line)));
    }
    store::insert_work_of_many(&mut work.tx, workshop, bike.id, &lines).await?;
    let readings = record(work, bike, many, new, logged).await?;
    if logged.iter().all(Result::is_ok) {
        replace_parts(work, bike, many, known, new, &readings, logged).await?;
        part::touch(work, bike.id).await?;
    }
    Ok(())
}

/// Records what the odometer showed; gives the readings by their events.
async fn record(
    work: &mut Work,
    bike: &Motorcycle,
    many: &[NewServiceEvent],
    new: &[(usize, Id<ServiceEvent>)],
    logged: &mut [Logged],
) -> Result<HashMap<Id<ServiceEvent>, Id<Reading>>> {
    let mut readings = HashMap::new();
    let (mut of, mut shown) = (Vec::new(), Vec::new());
    for (place, id) in new {
        let event = &many[*place];
        if let Some(figure) = event.odometer.clone() {
            of.push((*place, *id));
            let reading = NewReading { on: event.on, reading: figure, read_by: event.performed_by.clone(), confirmed: event.confirmed };
            shown.push(Another { new: reading, event: Some(*id) });
        }
    }
    let recorded = reading::record_many(work, bike, CounterKind::Odometer, shown).await?;
    for ((place, id), recorded) in of.into_iter().zip(recorded) {
        match recorded {
            Ok(Some(reading)) => {
                readings.insert(id, reading);
            }
            Ok(None) => {}
            Err(problems) => {
                let at_odometer = |problem: Problem| match problem.pointer.as_str() {
                    "/reading" => Problem { pointer: "/odometer".into(), ..problem },
                    _ => problem,
                };
                logged[place] = Err(problems.into_iter().map(at_odometer).collect());
            }
        }
    }
    Ok(readings)
}

/// Starts a new part where a `replace` line says that one was put in, all of them in one plan.
async fn replace_parts(
    work: &mut Work,
    bike: &Motorcycle,
    many: &[NewServiceEvent],
    known: &Known,
    new: &[(usize, Id<ServiceEvent>)],
    readings: &HashMap<Id<ServiceEvent>, Id<Reading>>,
    logged: &mut [Logged],
) -> Result<()> {
    let moving: Vec<_> = new.iter().filter(|(place, _)| !known.replaced(&many[*place]).is_empty()).collect();
    let Some((first, _)) = moving.first() else { return Ok(()) };
    let mut plan = Plan::load(work, bike.id, &[]).await?;
    for (place, id) in &moving {
        let entry = Entry { on: many[*place].on, reading: readings.get(id).copied(), event: Some(*id) };
        for (component, position) in known.replaced(&many[*place]) {
            let fitted = NewFitted { component: Some(component), position, ..NewFitted::default() };
            plan.fit_new(work, part::new_part(work, bike, &fitted), position, entry);
        }
    }
    match plan.settle() {
        Ok(()) => plan.store(work).await,
        // The sentence names part and day.
        Err(Error::Conflict { detail, .. }) => {
            logged[*first] = Err(vec![Problem::new("/component", detail)]);
            Ok(())
        }
        Err(error) => Err(error),
    }
}
