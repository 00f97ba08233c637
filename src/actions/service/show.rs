//! Service events as people read them: the event's own row, and what stands in the other tables.
use std::collections::BTreeMap;

use time::{Date, OffsetDateTime};

use crate::{
    actions::{Work, motorcycle, part::lives::Lives},
    clock::Clock,
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        part::InstalledPart,
        quantity::Figure,
        road::Roads,
        service::{Fitted, FollowUp, MeasuredValue, Removed, ServiceEvent},
    },
    error::Result,
    store::{
        follow_up, measured_value, motorcycle as bikes,
        part::{self as parts, FittingRow, PartRow},
        service_event::{self as store, EventRow},
    },
};

/// Lines of many events, each under its event.
struct ByEvent<T>(BTreeMap<Id<ServiceEvent>, Vec<T>>);
impl<T> ByEvent<T> {
    fn new(lines: impl IntoIterator<Item = (Option<Id<ServiceEvent>>, T)>) -> Self {
        let mut by_event: BTreeMap<_, Vec<T>> = BTreeMap::new();
        for (event, line) in lines {
            if let Some(event) = event {
                by_event.entry(event).or_default().push(line);
            }
        }
        Self(by_event)
    }
    fn take(&mut self, event: Id<ServiceEvent>) -> Vec<T> {
        self.0.remove(&event).unwrap_or_default()
    }
}

/// The events of these rows, in this order. All of them are of one motorcycle.
///
/// # Errors
/// Where the database refuses.
pub async fn events(work: &mut Work, rows: Vec<EventRow>) -> Result<Vec<ServiceEvent>> {
    let Some(bike) = rows.first().map(|row| row.motorcycle_id) else { return Ok(Vec::new()) };
    let workshop = work.workshop_id();
    let ids: Vec<_> = rows.iter().map(|row| row.id).collect();
    let mut lines = ByEvent::new(store::work_of(&mut work.tx, workshop, &ids).await?.into_iter().map(|(event, line)| (Some(event), line)));
    let amendments = store::amendments_of(&mut work.tx, workshop, &ids).await?;
    let mut amendments = ByEvent::new(amendments.into_iter().map(|(event, amendment)| (Some(event), amendment)));
    let values = measured_value::of_events(&mut work.tx, workshop, &ids).await?;
    let mut values: ByEvent<MeasuredValue> = ByEvent::new(values.into_iter().map(|stored| (stored.value.service_event_id, stored.value)));
    let left = follow_up::left_in(&mut work.tx, workshop, &ids).await?;
    let mut left: ByEvent<FollowUp> = ByEvent::new(left.into_iter().map(|it| (Some(it.service_event_id), it)));
    let done = follow_up::done_in(&mut work.tx, workshop, &ids).await?;
    let mut done = ByEvent::new(done.into_iter().map(|it| (it.done_in, it.id)));
    let mut moved = moved(work, &ids).await?;
    let worked_out = estimates(work, bike, &rows).await?;
    let veil = Veil::over(work, bike).await?;

    let event = |row: EventRow| {
        let struck_out = row.struck_out();
        let (mut fitted, mut removed) = moved.remove(&row.id).unwrap_or_default();
        let mut follow_ups_done = done.take(row.id);
        if let Some(undone) = row.body.0.undone {
            (fitted, removed, follow_ups_done) = (undone.fitted, undone.removed, undone.follow_ups_done);
        }
        let estimated = row.odometer.is_none();
        ServiceEvent {
            id: row.id,
            motorcycle_id: row.motorcycle_id,
            on: row.on_date,
            odometer: row.odometer.or_else(|| worked_out.get(&row.id).cloned()),
            hours: row.hours,
            unit: row.unit,
            estimated,
            performed_by: row.performed_by,
            summary: row.summary,
            work: lines.take(row.id),
            fitted,
            removed,
            measured: values.take(row.id),
            tightened: row.body.0.tightened,
            filled: row.body.0.filled,
            procedures: row.body.0.procedures,
            as_found: row.body.0.as_found,
            follow_ups: left.take(row.id),
            follow_ups_done,
            labor_minutes: row.body.0.labor_minutes,
            cost: row.body.0.cost.filter(|_| veil.shows_price(row.on_date, row.created_at.0)),
            notes: row.notes,
            internal_notes: if veil.narrow { String::new() } else { row.internal_notes },
            at_home: row.at_home,
            signature: row.signature.map(|signature| signature.0),
            amendments: amendments.take(row.id),
            struck_out,
            created_at: row.created_at.0,
        }
    };
    Ok(rows.into_iter().map(event).collect())
}

/// What an owner does not see of the history of his own motorcycle: the workshop's internal notes, and what earlier owners paid.
#[derive(Clone, Copy, Debug)]
pub struct Veil {
    narrow: bool,
    owned_since: Option<OffsetDateTime>,
    owned_from: Option<Date>,
}
impl Veil {
    /// What lies over a motorcycle's history for the one who asks.
    ///
    /// # Errors
    /// Where the database refuses.
    pub async fn over(work: &mut Work, bike: Id<Motorcycle>) -> Result<Self> {
        let narrow = work.caller.sight.is_narrow();
        let workshop = work.workshop_id();
        let since = if narrow { bikes::owned_since(&mut work.tx, workshop, bike).await? } else { None };
        Ok(Self { narrow, owned_since: since, owned_from: since.map(|at| Clock::Fixed(at).today(&work.workshop.time_zone)) })
    }
    /// Whether the price of an event of this day, entered at this time, is shown: it was done and entered while the motorcycle was theirs.
    #[must_use]
    pub fn shows_price(&self, on: Date, entered: OffsetDateTime) -> bool {
        self.owned_from.is_none_or(|from| on >= from) && self.owned_since.is_none_or(|since| entered >= since)
    }
}

/// The odometer of events that came without one, by the readings around them.
async fn estimates(work: &mut Work, bike: Id<Motorcycle>, rows: &[EventRow]) -> Result<BTreeMap<Id<ServiceEvent>, Figure>> {
    if rows.iter().all(|row| row.odometer.is_some()) {
        return Ok(BTreeMap::new());
    }
    let bike = motorcycle::get(work, bike).await?;
    let lives = Lives::load(work, &bike, &[]).await?;
    let roads = Roads::new(&lives.history);
    let figure = |row: &EventRow| {
        let shown = lives.estimated(bike.id, row.on_date, &roads)?;
        let figure = if shown.unit == row.unit { shown.value } else { Figure::rounded(shown.in_unit(row.unit).ok()?, 3) };
        Some((row.id, figure))
    };
    Ok(rows.iter().filter(|row| row.odometer.is_none()).filter_map(figure).collect())
}

type Moved = BTreeMap<Id<ServiceEvent>, (Vec<Fitted>, Vec<Removed>)>;

/// What these events fitted and removed.
async fn moved(work: &mut Work, events: &[Id<ServiceEvent>]) -> Result<Moved> {
    let workshop = work.workshop_id();
    let fitted = parts::fitted_in(&mut work.tx, workshop, events).await?;
    let removed = parts::removed_in(&mut work.tx, workshop, events).await?;
    let ids: Vec<_> = fitted.iter().map(|row| row.part_id).collect();
    let known: BTreeMap<_, _> = parts::by_ids(&mut work.tx, workshop, &ids).await?.into_iter().map(|part| (part.id, part)).collect();
    let mut moved = Moved::new();
    for row in &fitted {
        if let (Some(event), Some(part)) = (row.fitted_event_id, known.get(&row.part_id)) {
            let entry = fitted_entry(row, part, replaced_by(row, &removed));
            moved.entry(event).or_default().0.push(entry);
        }
    }
    for row in removed {
        if let Some(event) = row.removed_event_id {
            let entry =
                Removed { installed_part_id: row.part_id, component: row.component, position: row.position, reason: row.removed_reason };
            moved.entry(event).or_default().1.push(entry);
        }
    }
    Ok(moved)
}
fn fitted_entry(row: &FittingRow, part: &PartRow, replaces: Option<Id<InstalledPart>>) -> Fitted {
    Fitted {
        installed_part_id: row.part_id,
        component: part.component.clone(),
        position: row.position,
        description: part.description.clone(),
        part_number: part.part_number.clone(),
        condition: part.condition,
        prior_distance: part.prior_distance.clone(),
        single_use: part.single_use,
        date_code: part.date_code.clone(),
        replaces,
    }
}
/// The part that came off the same place in the same event, to make room or by name.
fn replaced_by(row: &FittingRow, removed: &[FittingRow]) -> Option<Id<InstalledPart>> {
    let same = |off: &&FittingRow| {
        off.removed_entry == Some(row.id)
            || off.removed_event_id == row.fitted_event_id && (&off.component, off.position) == (&row.component, row.position)
    };
    removed.iter().filter(same).map(|off| off.part_id).find(|part| *part != row.part_id)
}
