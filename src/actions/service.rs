//! Service events: log one whole, change its texts, sign it off, amend it, strike it out.
pub mod add;
mod check;
pub mod many;
pub mod show;
mod strike;

use time::Date;

pub use self::strike::strike_out;
use self::{check::Known, show::events};
use super::{
    Subject, Work, attachment, measure, motorcycle,
    part::{
        self,
        plan::{Entry, Plan},
    },
    reading,
};
use crate::{
    access::Standing,
    domain::{
        follow_up as later,
        id::Id,
        motorcycle::{Motorcycle, NewReading, Reading},
        part::{InstalledPart, NewFitted},
        service::{
            Amendment, EventDetails, FollowUp, NewAmendment, NewFollowUp, NewServiceEvent, NewSignature, ServiceEvent, Signature, Tightened,
        },
        torque,
        validate::{self, Problem},
        words::{CounterKind, FollowUpStatus},
    },
    error::{Error, Neighbor, Result},
    store::{
        Stretch, follow_up as follow_ups,
        service_event::{self as store, EventBody, EventRow, Wanted},
        types::{Instant, Json},
    },
};

/// The readings that came with an event.
#[derive(Clone, Copy, Debug, Default)]
struct Read {
    odometer: Option<Id<Reading>>,
    hours: Option<Id<Reading>>,
}

/// Logs a service, all of it or nothing.
///
/// # Errors
/// 422 with every place that is wrong, 409 where a part is somewhere else.
pub async fn log(work: &mut Work, bike: &Motorcycle, new: NewServiceEvent) -> Result<ServiceEvent> {
    part::lock(work, bike.id, named_parts(&new)).await?;
    let (mut problems, known) = check::check(work, bike, &new).await?;
    let id = work.new_id();
    let row = row(work, bike, id, &new, &known);
    let workshop = work.workshop_id();
    let readable = problems.iter().all(|problem| !["/on", "/odometer", "/hours"].contains(&problem.pointer.as_str()));
    let (mut read, mut neighbors) = (Read::default(), Vec::new());
    if readable {
        // Nothing of it stays where there are problems: the transaction is given up as a whole.
        store::insert(&mut work.tx, workshop, &row).await?;
        (read, neighbors) = record(work, bike, id, &new, &mut problems).await?;
    }
    if !neighbors.is_empty() {
        return Err(Error::Contradicts { problems, neighbors });
    }
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    store::insert_work(&mut work.tx, workshop, bike.id, id, &new.work).await?;
    let plan = move_parts(work, bike, id, &new, &known, read).await?;
    let problems = measure::check_on(&new.measured, &plan, new.on, |place| format!("/measured/{place}"));
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let taken = measure::Taken { bike, on: new.on, event: Some(id), reading: read.odometer, hours: read.hours };
    measure::store_all(work, taken, &plan, &new.measured).await?;
    leave(work, bike, id, &new, &known).await?;
    for follow_up in known.settled {
        let done = FollowUp { status: FollowUpStatus::Done, done_in: Some(id), reason: None, ..follow_up };
        let now = work.now;
        follow_ups::settle(&mut work.tx, workshop, &done, Some(new.on), now).await?;
    }
    part::touch(work, bike.id).await?;
    let event = get(work, id).await?;
    work.audit("log", Subject::of("service_event", id, bike.id), None, Some(&event)).await?;
    Ok(event)
}

/// The parts that are named by their ids.
fn named_parts(new: &NewServiceEvent) -> impl Iterator<Item = Id<InstalledPart>> {
    let fitted = new.fitted.iter().filter_map(|entry| entry.installed_part_id);
    let removed = new.removed.iter().map(|entry| entry.installed_part_id);
    fitted.chain(removed).chain(new.measured.iter().filter_map(|line| line.installed_part_id))
}

fn row(work: &Work, bike: &Motorcycle, id: Id<ServiceEvent>, new: &NewServiceEvent, known: &Known) -> EventRow {
    let tightened = new.tightened.iter().filter_map(|line| {
        let fastener = known.fasteners.get(&line.fastener)?;
        Some(Tightened {
            fastener: line.fastener.clone(),
            fastener_id: fastener.id,
            name: fastener.name.clone(),
            stages: torque::stage_verdicts(line, fastener),
            adapter: line.adapter.clone(),
            thread: line.thread,
            single_use_was: line.single_use_was,
            witness_mark: line.witness_mark,
        })
    });
    EventRow {
        id,
        motorcycle_id: bike.id,
        on_date: new.on,
        odometer: new.odometer.clone(),
        hours: new.hours.clone(),
        unit: bike.odometer_unit.into(),
        summary: new.summary.clone(),
        performed_by: new.performed_by.clone(),
        notes: new.notes.clone(),
        internal_notes: new.internal_notes.clone(),
        at_home: work.caller.standing == Standing::Owner,
        entered_by: work.caller.id(),
        body: Json(EventBody {
            tightened: tightened.collect(),
            filled: new.filled.clone(),
            procedures: known.followed.clone(),
            as_found: new.as_found.clone(),
            labor_minutes: new.labor_minutes,
            cost: new.cost.clone(),
            undone: None,
        }),
        signature: None,
        struck_at: None,
        struck_reason: None,
        created_at: Instant(work.now),
    }
}

/// Records what the instruments showed. What is wrong with a figure joins the other problems; the second value
/// holds the readings that one contradicts.
async fn record(
    work: &mut Work,
    bike: &Motorcycle,
    id: Id<ServiceEvent>,
    new: &NewServiceEvent,
    problems: &mut Vec<Problem>,
) -> Result<(Read, Vec<Neighbor>)> {
    let (mut read, mut contradicted) = (Read::default(), Vec::new());
    for kind in [CounterKind::Odometer, CounterKind::Hours] {
        let (figure, pointer) = match kind {
            CounterKind::Odometer => (&new.odometer, "/odometer"),
            CounterKind::Hours => (&new.hours, "/hours"),
        };
        let Some(figure) = figure.clone() else { continue };
        let shown = NewReading { on: new.on, reading: figure, read_by: new.performed_by.clone(), confirmed: new.confirmed };
        match (reading::record(work, bike, kind, shown, Some(id), pointer).await, kind) {
            (Ok(reading), CounterKind::Odometer) => read.odometer = Some(reading.id),
            (Ok(reading), CounterKind::Hours) => read.hours = Some(reading.id),
            (Err(Error::Contradicts { problems: more, neighbors }), _) => {
                problems.extend(more);
                contradicted.extend(neighbors);
            }
            (Err(Error::Invalid(more)), _) => problems.extend(more),
            (Err(error), _) => return Err(error),
        }
    }
    Ok((read, contradicted))
}

/// Takes parts off, then fits parts, those of `replace` lines last.
async fn move_parts(
    work: &mut Work,
    bike: &Motorcycle,
    id: Id<ServiceEvent>,
    new: &NewServiceEvent,
    known: &Known,
    read: Read,
) -> Result<Plan> {
    let others: Vec<_> = known.parts.iter().map(|part| part.id).collect();
    let mut plan = Plan::load(work, bike.id, &others).await?;
    let replaced = known.replaced(new);
    if new.removed.is_empty() && new.fitted.is_empty() && replaced.is_empty() {
        return Ok(plan);
    }
    let entry = Entry { on: new.on, reading: read.odometer, event: Some(id) };
    for (place, removed) in new.removed.iter().enumerate() {
        plan.take_off(work, removed.installed_part_id, removed.reason.clone(), entry, &format!("/removed/{place}"))?;
    }
    for (place, fitted) in new.fitted.iter().enumerate() {
        match fitted.installed_part_id {
            Some(part) => plan.fit(work, part, fitted.position, entry, &format!("/fitted/{place}"))?,
            None => plan.fit_new(work, part::new_part(work, bike, fitted), fitted.position, entry),
        }
    }
    for (component, position) in replaced {
        let fitted = NewFitted { component: Some(component), position, ..NewFitted::default() };
        plan.fit_new(work, part::new_part(work, bike, &fitted), position, entry);
    }
    plan.settle()?;
    plan.store(work).await?;
    Ok(plan)
}

/// Stores what the event leaves for later: what was said, and what follows by itself.
async fn leave(work: &mut Work, bike: &Motorcycle, id: Id<ServiceEvent>, new: &NewServiceEvent, known: &Known) -> Result<()> {
    let mut left = new.follow_ups.clone();
    for line in &new.tightened {
        if let Some(fastener) = known.fasteners.get(&line.fastener) {
            left.extend(later::after_tightening(line, fastener, new.on, bike.odometer_unit));
        }
    }
    for fitted in &new.fitted {
        if let Some(part) = fitted.installed_part_id.and_then(|id| known.part(id)).filter(|part| part.single_use) {
            left.push(later::after_fitting_again(&part.description, &part.component, fitted.position, new.on));
        }
    }
    let left: Vec<_> = left.into_iter().map(|new_one| follow_up_of(work, bike, id, new.on, new_one)).collect();
    let workshop = work.workshop_id();
    follow_ups::insert(&mut work.tx, workshop, &left).await
}
fn follow_up_of(work: &Work, bike: &Motorcycle, event: Id<ServiceEvent>, on: Date, new: NewFollowUp) -> FollowUp {
    FollowUp {
        id: work.new_id(),
        motorcycle_id: bike.id,
        service_event_id: event,
        on,
        text: new.text,
        component: new.component,
        position: new.position,
        due_in: new.due_in,
        status: FollowUpStatus::Open,
        reason: None,
        done_in: None,
        struck_out: None,
        created_at: work.now,
    }
}

/// The event of an id, struck out or not.
///
/// # Errors
/// 404 where the workshop has none.
pub async fn get(work: &mut Work, id: Id<ServiceEvent>) -> Result<ServiceEvent> {
    let row = find(work, id).await?;
    events(work, vec![row]).await?.pop().ok_or(Error::NotFound("service event"))
}
async fn find(work: &mut Work, id: Id<ServiceEvent>) -> Result<EventRow> {
    let workshop = work.workshop_id();
    let row = store::find(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("service event"))?;
    motorcycle::must_see(work, row.motorcycle_id, "service event").await?;
    Ok(row)
}
/// Refuses an owner who would touch what the workshop entered.
///
/// # Errors
/// 403 that says whom to ask.
pub async fn must_have_entered(work: &mut Work, id: Id<ServiceEvent>) -> Result<()> {
    if work.caller.standing == Standing::Owner && find(work, id).await?.entered_by != work.caller.id() {
        return Err(Error::Forbidden("The workshop entered this work; ask it to change or strike out what is wrong.".into()));
    }
    Ok(())
}

/// Events of a motorcycle, struck-out ones too, newest first: by day, then by id.
///
/// # Errors
/// Where the database refuses.
pub async fn list(
    work: &mut Work,
    bike: Id<Motorcycle>,
    wanted: &Wanted,
    stretch: Stretch<(Date, Id<ServiceEvent>)>,
) -> Result<Vec<ServiceEvent>> {
    let workshop = work.workshop_id();
    let rows = store::list(&mut work.tx, workshop, bike, wanted, stretch).await?;
    events(work, rows).await
}

/// What may still be changed in an event.
#[must_use]
pub fn details(event: &ServiceEvent) -> EventDetails {
    EventDetails {
        performed_by: event.performed_by.clone(),
        summary: event.summary.clone(),
        labor_minutes: event.labor_minutes,
        cost: event.cost.clone(),
        notes: event.notes.clone(),
        internal_notes: event.internal_notes.clone(),
        as_found: event.as_found.clone(),
        filled: event.filled.clone(),
    }
}

/// Changes the texts of an event that is not signed off.
///
/// # Errors
/// 403 where an owner asks and did not enter it; 409 where it is signed off or struck out, 422 with what is wrong where.
pub async fn change(work: &mut Work, old: &ServiceEvent, new: EventDetails) -> Result<ServiceEvent> {
    must_have_entered(work, old.id).await?;
    unchanged(work, old).await?;
    if old.signature.is_some() {
        return Err(Error::conflict("This event is signed off; add an amendment instead (POST …/amendments).", [old.id.uuid()]));
    }
    let mut problems = validate::event_details(&new);
    let filled = new.filled.iter().enumerate().map(|(place, line)| (format!("/filled/{place}/component"), line.component.as_str()));
    let found = new.as_found.iter().enumerate().map(|(place, line)| (format!("/as_found/{place}/component"), line.component.as_str()));
    let named: Vec<_> = filled.filter(|(_, component)| !component.trim().is_empty()).chain(found).collect();
    let named: Vec<_> = named.iter().map(|(pointer, component)| (pointer.as_str(), *component)).collect();
    problems.extend(super::component::check(work, &named).await?);
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    attachment::follow_lines(work, old.id, "as_found", &old.as_found, &new.as_found).await?;
    attachment::follow_lines(work, old.id, "filled", &old.filled, &new.filled).await?;
    let mut row = find(work, old.id).await?;
    row.summary = new.summary;
    row.performed_by = new.performed_by;
    row.notes = new.notes;
    if !work.caller.sight.is_narrow() {
        row.internal_notes = new.internal_notes;
    }
    // A price that an owner does not see is not one that they took out.
    let veiled = work.caller.sight.is_narrow() && old.cost.is_none() && new.cost.is_none();
    let cost = if veiled { row.body.0.cost.take() } else { new.cost };
    row.body.0 = EventBody { filled: new.filled, as_found: new.as_found, labor_minutes: new.labor_minutes, cost, ..row.body.0 };
    save(work, "change", old, &row).await
}
async fn save(work: &mut Work, action: &str, old: &ServiceEvent, row: &EventRow) -> Result<ServiceEvent> {
    let (workshop, now) = (work.workshop_id(), work.now);
    store::update(&mut work.tx, workshop, row, now).await?;
    let event = get(work, old.id).await?;
    work.audit(action, Subject::of("service_event", old.id, old.motorcycle_id), Some(old), Some(&event)).await?;
    Ok(event)
}
/// The event as it is once nobody else can write about its motorcycle any more.
async fn locked(work: &mut Work, old: &ServiceEvent) -> Result<ServiceEvent> {
    part::lock(work, old.motorcycle_id, old.fitted.iter().map(|entry| entry.installed_part_id)).await?;
    let event = get(work, old.id).await?;
    must_stand(&event)?;
    Ok(event)
}
/// The same, where it must still be what was read: `If-Match` was compared with that.
async fn unchanged(work: &mut Work, old: &ServiceEvent) -> Result<()> {
    if locked(work, old).await? == *old { Ok(()) } else { Err(Error::Stale) }
}
pub(super) fn must_stand(event: &ServiceEvent) -> Result<()> {
    match &event.struck_out {
        Some(_) => Err(Error::conflict("This event is struck out; nothing can be added to it. Log it again as it was.", [event.id.uuid()])),
        None => Ok(()),
    }
}

/// Signs an event off: from then on there are only amendments.
///
/// # Errors
/// 409 where it is signed off already or struck out, 422 where the statement cannot be.
pub async fn sign(work: &mut Work, old: &ServiceEvent, new: NewSignature) -> Result<ServiceEvent> {
    let old = &locked(work, old).await?;
    if old.signature.is_some() {
        return Err(Error::conflict("This event is signed off already; add an amendment instead (POST …/amendments).", [old.id.uuid()]));
    }
    let problems = validate::strings_and_lists(&new);
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let mut row = find(work, old.id).await?;
    row.signature = Some(Json(Signature { at: work.now, by: work.caller.name(), statement: new.statement }));
    save(work, "sign", old, &row).await
}

/// Adds to an event that is signed off.
///
/// # Errors
/// 409 where it is not signed off, or struck out; 422 where the text cannot be.
pub async fn amend(work: &mut Work, old: &ServiceEvent, new: NewAmendment) -> Result<ServiceEvent> {
    let old = &locked(work, old).await?;
    if old.signature.is_none() {
        return Err(Error::conflict("This event is not signed off yet; change it (PATCH) instead of amending it.", [old.id.uuid()]));
    }
    let mut problems = validate::strings_and_lists(&new);
    if new.text.trim().is_empty() {
        problems.push(Problem::new("/text", "must not be empty; say what is to be added"));
    }
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let amendment = Amendment { id: work.new_id(), at: work.now, by: work.caller.name(), text: new.text };
    let (workshop, today) = (work.workshop_id(), work.today);
    store::insert_amendment(&mut work.tx, workshop, old.id, &amendment, today).await?;
    let event = get(work, old.id).await?;
    work.audit("amend", Subject::of("service_event", old.id, old.motorcycle_id), Some(old), Some(&event)).await?;
    Ok(event)
}
