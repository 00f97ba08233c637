//! Values that come to an event later on the same visit: from a bench page, while the work still goes on.
use time::Duration;

use super::{find, get, locked, log, measure, must_have_entered, save};
use crate::{
    access::Standing,
    actions::{Work, component, part},
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        service::{NewMeasured, NewServiceEvent, ServiceEvent},
        validate::{self, Problem},
        words::CounterKind,
    },
    error::{Error, Result},
    store::{
        Stretch, reading as readings,
        service_event::{self as store, Wanted},
    },
};

/// How long an event counts as work that is still going on.
const OPEN_DAYS: i64 = 30;

/// What was found at the bench.
#[derive(Clone, Debug)]
pub struct Found {
    /// The summary of an event that is begun for it.
    pub summary: String,
    /// The values.
    pub measured: Vec<NewMeasured>,
    /// What the values do not say: where it is high, at which angle. It goes behind the event's notes.
    pub note: String,
}

/// Where it goes.
#[derive(Clone, Copy, Debug)]
pub enum Goes {
    /// To an event that is begun for it today.
    ToNew,
    /// To this one.
    To(Id<ServiceEvent>),
}

/// The events of a motorcycle that values can still be added to, newest first: of the last thirty days, not signed off and not struck out.
/// An owner is offered only what was done at home.
///
/// # Errors
/// Where the database refuses.
pub async fn open_events(work: &mut Work, bike: &Motorcycle) -> Result<Vec<ServiceEvent>> {
    let wanted = Wanted { since: Some(work.today - Duration::days(OPEN_DAYS)), ..Wanted::default() };
    let workshop = work.workshop_id();
    let rows = store::list(&mut work.tx, workshop, bike.id, &wanted, Stretch::ALL).await?;
    let (owner, own) = (work.caller.standing == Standing::Owner, work.caller.id());
    let rows = rows.into_iter().filter(|row| row.struck_at.is_none() && row.signature.is_none() && (!owner || row.entered_by == own));
    super::events(work, rows.collect()).await
}

/// Adds what was found to an event of the motorcycle, or begins a new one today.
///
/// # Errors
/// 404 where the motorcycle has no such event; 403 where an owner did not enter it; 409 where it is signed off or struck out; 422 with
/// what is wrong where.
pub async fn found(work: &mut Work, bike: &Motorcycle, goes: Goes, found: Found) -> Result<ServiceEvent> {
    let Goes::To(id) = goes else {
        let new = NewServiceEvent {
            performed_by: Some(work.caller.name()),
            summary: found.summary,
            measured: found.measured,
            notes: found.note,
            ..NewServiceEvent::on(work.today)
        };
        return log(work, bike, new).await;
    };
    let event = get(work, id).await?;
    if event.motorcycle_id != bike.id {
        return Err(Error::NotFound("service event"));
    }
    must_have_entered(work, id).await?;
    let event = locked(work, &event).await?;
    if event.signature.is_some() {
        return Err(Error::conflict("This event is signed off meanwhile; choose another one, or begin a new one.", [id.uuid()]));
    }
    add(work, bike, &event, found).await
}

async fn add(work: &mut Work, bike: &Motorcycle, event: &ServiceEvent, found: Found) -> Result<ServiceEvent> {
    let mut row = find(work, event.id).await?;
    row.notes = [row.notes.as_str(), found.note.as_str()].into_iter().filter(|text| !text.is_empty()).collect::<Vec<_>>().join("\n");
    let mut details = super::details(event);
    details.notes.clone_from(&row.notes);
    let mut problems = validate::event_details(&details);
    for (place, line) in found.measured.iter().enumerate() {
        problems.extend(validate::measured(line, &format!("/measured/{place}")));
    }
    let pointers: Vec<_> = (0..found.measured.len()).map(|place| format!("/measured/{place}/component")).collect();
    let named: Vec<_> = pointers.iter().map(String::as_str).zip(found.measured.iter().map(|line| line.component.as_str())).collect();
    problems.extend(component::check(work, &named).await?);
    problems.extend(too_many(event, &found));
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let workshop = work.workshop_id();
    let came_with = readings::of_event(&mut work.tx, workshop, event.id).await?;
    let reading = |kind| came_with.iter().find(|reading| reading.counter == kind).map(|reading| reading.id);
    let plan = part::plan::Plan::load(work, bike.id, &[]).await?;
    let taken = measure::Taken {
        bike,
        on: event.on,
        event: Some(event.id),
        reading: reading(CounterKind::Odometer),
        hours: reading(CounterKind::Hours),
    };
    measure::store_all(work, taken, &plan, &found.measured).await?;
    part::touch(work, bike.id).await?;
    save(work, "measure", event, &row).await
}

/// An event can hold so many values and no more, however they came to it.
fn too_many(event: &ServiceEvent, found: &Found) -> Option<Problem> {
    let most = validate::MOST_ENTRIES;
    (event.measured.len() + found.measured.len() > most)
        .then(|| Problem::new("/measured", format!("the event would have more than {most} values; begin a new one")))
}
