//! The job sheet of one visit.
use time::Date;

use super::{Work, due, procedure};
use crate::{
    access::Sight,
    domain::{
        due::{DueItemId, DueItemOn},
        fastener::Fastener,
        history::History,
        job_sheet::{EventNotes, JobSheet, Making, OnBike, SheetProcedure},
        limit::Limit,
        motorcycle::Motorcycle,
        procedure::Procedure,
        road::Roads,
        service::FollowUp,
        words::{FollowUpStatus, Status},
    },
    error::{Error, Result},
    store::{self, Stretch},
};

/// The job sheet for these due items; without any, for everything that is due or nearly due.
///
/// # Errors
/// 422 for a due item that this motorcycle does not have.
pub async fn of_motorcycle(work: &mut Work, bike: &Motorcycle, wanted: Option<&[DueItemId]>) -> Result<JobSheet> {
    let all = due::of_motorcycle(work, bike, None).await?;
    let operations = wanted_items(&all, wanted)?;
    let known = Known::load(work, bike).await?;
    Ok(known.sheet(&Roads::new(&known.history), work.today, operations, &all))
}

/// What each of these due items takes by itself, in this order.
///
/// # Errors
/// Where the database refuses.
pub async fn of_each(work: &mut Work, bike: &Motorcycle, items: &[DueItemOn]) -> Result<Vec<JobSheet>> {
    if items.is_empty() {
        return Ok(Vec::new());
    }
    let known = Known::load(work, bike).await?;
    let roads = Roads::new(&known.history);
    Ok(items.iter().map(|item| known.sheet(&roads, work.today, vec![item.clone()], &[])).collect())
}

/// A procedure with the figures of the motorcycle.
///
/// # Errors
/// Where the database refuses.
pub async fn with_figures(work: &mut Work, bike: &Motorcycle, procedure: &Procedure) -> Result<SheetProcedure> {
    let known = Known::load(work, bike).await?;
    let roads = Roads::new(&known.history);
    Ok(known.making(&roads, work.today, Vec::new(), &[]).with_figures(procedure))
}

/// What every sheet of a motorcycle is made from.
struct Known {
    history: History,
    parts: Vec<OnBike>,
    fasteners: Vec<Fastener>,
    limits: Vec<Limit>,
    procedures: Vec<Procedure>,
    notes: Vec<EventNotes>,
    follow_ups: Vec<FollowUp>,
}
impl Known {
    async fn load(work: &mut Work, bike: &Motorcycle) -> Result<Self> {
        let workshop = work.workshop_id();
        let history = store::history::load(&mut work.tx, &work.workshop, bike).await?;
        let on_bike: Vec<_> = history.parts_on().map(|(part, _)| part.id).collect();
        let parts = store::part::by_ids(&mut work.tx, workshop, &on_bike).await?.into_iter();
        let parts = parts.map(|part| OnBike { id: part.id, part_number: part.part_number, single_use: part.single_use }).collect();
        let fasteners = store::fastener::perhaps_for(&mut work.tx, workshop, bike.id).await?;
        let limits = store::limit_range::perhaps_for(&mut work.tx, workshop, bike.id).await?;
        let procedures = procedure::for_motorcycle(work, bike).await?;
        let all = store::service_event::Wanted::default();
        let events = store::service_event::list(&mut work.tx, workshop, bike.id, &all, Stretch::ALL).await?;
        let notes = events
            .into_iter()
            .filter(|event| event.struck_at.is_none())
            .map(|event| EventNotes { id: event.id, on: event.on_date, as_found: event.body.0.as_found, filled: event.body.0.filled })
            .collect();
        let open = Some(FollowUpStatus::Open);
        let follow_ups = store::follow_up::list(&mut work.tx, workshop, Sight::All, Some(bike.id), open, Stretch::ALL).await?;
        Ok(Self { history, parts, fasteners, limits, procedures, notes, follow_ups })
    }
    fn sheet(&self, roads: &Roads, today: Date, operations: Vec<DueItemOn>, others: &[DueItemOn]) -> JobSheet {
        self.making(roads, today, operations, others).sheet()
    }
    fn making<'a>(&'a self, roads: &'a Roads<'a>, today: Date, operations: Vec<DueItemOn>, others: &'a [DueItemOn]) -> Making<'a> {
        Making {
            roads,
            today,
            operations,
            others,
            fasteners: &self.fasteners,
            limits: &self.limits,
            procedures: &self.procedures,
            parts: &self.parts,
            notes: &self.notes,
            follow_ups: self.follow_ups.clone(),
        }
    }
}

fn wanted_items(items: &[DueItemOn], wanted: Option<&[DueItemId]>) -> Result<Vec<DueItemOn>> {
    let Some(wanted) = wanted else {
        let soon = |item: &DueItemOn| matches!(item.status, Status::Overdue | Status::Due | Status::NearlyDue);
        return Ok(items.iter().filter(|item| soon(item)).cloned().collect());
    };
    let unknown: Vec<_> = wanted.iter().filter(|id| items.iter().all(|item| item.id != **id)).map(ToString::to_string).collect();
    if !unknown.is_empty() {
        return Err(Error::invalid(
            "/due",
            format!("This motorcycle has no due item {}; take the ids from what is due on it.", unknown.join(", ")),
        ));
    }
    Ok(items.iter().filter(|item| wanted.contains(&item.id)).cloned().collect())
}
