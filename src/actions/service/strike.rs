//! Striking out a service event: it stays visible with the reason; what it did is taken back.
use std::collections::BTreeSet;

use super::{find, get, must_have_entered, unchanged};
use crate::{
    actions::{
        Subject, Work,
        part::{self, plan::Plan},
        reading,
    },
    domain::{calendar, id::Id, motorcycle::StruckOut, service::ServiceEvent},
    error::{Error, Result},
    store::{
        follow_up, measured_value, part as parts,
        part::FittingRow,
        service_event::{self as store, Undone},
        types::Instant,
    },
};

/// Strikes out an event with its readings, fittings, removals, values and follow-ups. Parts that it removed are on the motorcycle again,
/// follow-ups that it settled are open again.
///
/// # Errors
/// 403 where an owner asks and did not enter it; 422 without a reason; 409 where it is signed off or struck out already, or where a later entry names a part that it fitted.
pub async fn strike_out(work: &mut Work, old: &ServiceEvent, reason: &str) -> Result<ServiceEvent> {
    let reason = reading::checked_reason(reason)?;
    must_have_entered(work, old.id).await?;
    unchanged(work, old).await?;
    if old.signature.is_some() {
        let detail = "This event is signed off; from then on there are only amendments. Say in one what was wrong (POST …/amendments).";
        return Err(Error::conflict(detail, [old.id.uuid()]));
    }
    let struck = StruckOut { at: work.now, reason };
    let mut plan = Plan::load(work, old.motorcycle_id, &[]).await?;
    not_named_later(work, &plan, old).await?;
    // Before the fittings are gone: those that shared a part may share none afterwards.
    part::touch(work, old.motorcycle_id).await?;

    let workshop = work.workshop_id();
    let mut row = find(work, old.id).await?;
    row.struck_at = Some(Instant(struck.at));
    row.struck_reason = Some(struck.reason.clone());
    row.body.0.undone =
        Some(Undone { fitted: old.fitted.clone(), removed: old.removed.clone(), follow_ups_done: old.follow_ups_done.clone() });
    let now = work.now;
    store::update(&mut work.tx, workshop, &row, now).await?;
    plan.undo(old.id);
    plan.settle()?;
    measured_value::strike_out(&mut work.tx, workshop, old.id, &struck).await?;
    plan.store(work).await?;
    parts::strike_out(&mut work.tx, workshop, old.id, &struck).await?;
    follow_up::strike_out(&mut work.tx, workshop, old.id, now).await?;
    reading::strike_out_of_event(work, old.id, &struck).await?;
    let event = get(work, old.id).await?;
    work.audit("strike out", Subject::of("service_event", old.id, old.motorcycle_id), Some(old), Some(&event)).await?;
    Ok(event)
}

/// Refuses where a later entry names a part that the event fitted: takes it off, fits it again, or measures it by its id. A later part
/// that merely took its place is no hindrance.
async fn not_named_later(work: &mut Work, plan: &Plan, event: &ServiceEvent) -> Result<()> {
    let fitted: Vec<&FittingRow> = plan.fitted_in(event.id).collect();
    for row in &fitted {
        let name = plan.name(row.part_id);
        let by_name = row.removed_on.filter(|_| row.removed_event_id != Some(event.id) && !plan.made_room(row));
        if let Some(off) = by_name {
            let detail = format!(
                "On {} another entry takes off the {name}, which this event fitted; strike out that one first.",
                calendar::words(off)
            );
            return Err(Error::conflict(detail, [row.removed_event_id.map_or(row.part_id.uuid(), Id::uuid)]));
        }
        if let Some(later) = plan.later_stays(row).find(|later| later.fitted_event_id != Some(event.id)) {
            let detail = format!(
                "On {} another entry fits the {name} again, which this event fitted; strike out that one first.",
                calendar::words(later.fitted_on)
            );
            return Err(Error::conflict(detail, [later.fitted_event_id.map_or(later.part_id.uuid(), Id::uuid)]));
        }
    }
    let workshop = work.workshop_id();
    let ids: BTreeSet<_> = fitted.iter().map(|row| row.part_id).collect();
    let values = measured_value::of_parts(&mut work.tx, workshop, &ids.into_iter().collect::<Vec<_>>()).await?;
    let since = |part| fitted.iter().filter(|row| row.part_id == part).map(|row| row.fitted_on).min();
    let named = values.iter().find(|stored| {
        let part = stored.named.filter(|_| stored.value.service_event_id != Some(event.id));
        part.is_some_and(|part| since(part).is_some_and(|since| stored.value.on >= since))
    });
    if let Some(stored) = named {
        let name = stored.named.map(|part| plan.name(part)).unwrap_or_default();
        let detail = format!(
            "On {} the {name}, which this event fitted, was measured by its id; strike out that entry first.",
            calendar::words(stored.value.on)
        );
        let with = stored.value.service_event_id.map_or(stored.value.id.uuid(), Id::uuid);
        return Err(Error::conflict(detail, [with]));
    }
    Ok(())
}
