//! Follow-ups: what service events left to do later.

use super::{Subject, Work, motorcycle, part};
use crate::{
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        service::{FollowUp, FollowUpChange},
        validate,
        words::FollowUpStatus,
    },
    error::{Error, Result},
    store::{Stretch, follow_up as store},
};

/// The follow-up of an id, struck out or not.
///
/// # Errors
/// 404 where the workshop has none.
pub async fn get(work: &mut Work, id: Id<FollowUp>) -> Result<FollowUp> {
    let workshop = work.workshop_id();
    let follow_up = store::find(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("follow-up"))?;
    motorcycle::must_see(work, follow_up.motorcycle_id, "follow-up").await?;
    Ok(follow_up)
}

/// Follow-ups that stand, newest first.
///
/// # Errors
/// Where the database refuses.
pub async fn list(
    work: &mut Work,
    bike: Option<Id<Motorcycle>>,
    status: Option<FollowUpStatus>,
    stretch: Stretch<Id<FollowUp>>,
) -> Result<Vec<FollowUp>> {
    let (workshop, sight) = (work.workshop_id(), work.caller.sight);
    store::list(&mut work.tx, workshop, sight, bike, status, stretch).await
}

/// What may be changed in a follow-up.
#[must_use]
pub fn details(follow_up: &FollowUp) -> FollowUpChange {
    FollowUpChange { status: follow_up.status, reason: follow_up.reason.clone() }
}

/// Says how a follow-up stands: done, dropped with a reason, or open again.
///
/// # Errors
/// 422 where it is dropped without a reason; 409 where it was struck out, or a service event settled it.
pub async fn change(work: &mut Work, old: &FollowUp, mut new: FollowUpChange) -> Result<FollowUp> {
    part::lock(work, old.motorcycle_id, []).await?;
    if get(work, old.id).await? != *old {
        return Err(Error::Stale);
    }
    if old.struck_out.is_some() {
        return Err(Error::conflict("The event that left this follow-up is struck out, and the follow-up with it.", [old.id.uuid()]));
    }
    if new == details(old) {
        return Ok(old.clone());
    }
    if let Some(event) = old.done_in {
        return Err(Error::conflict("A service event did this; strike out that event to open it again.", [event.uuid()]));
    }
    new.reason = new.reason.map(|reason| reason.trim().to_owned()).filter(|reason| !reason.is_empty());
    let problems = validate::strings_and_lists(&new);
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    if new.status == FollowUpStatus::Dropped && new.reason.is_none() {
        return Err(Error::invalid("/reason", "Say why it is dropped; the reason stays with it."));
    }
    // A reason belongs to what is settled.
    let reason = new.reason.filter(|_| new.status != FollowUpStatus::Open);
    let follow_up = FollowUp { status: new.status, reason, ..old.clone() };
    let settled_on = (new.status != FollowUpStatus::Open).then_some(work.today);
    let (workshop, now) = (work.workshop_id(), work.now);
    store::settle(&mut work.tx, workshop, &follow_up, settled_on, now).await?;
    work.touch(old.motorcycle_id);
    work.audit("change", Subject::of("follow_up", old.id, old.motorcycle_id), Some(old), Some(&follow_up)).await?;
    Ok(follow_up)
}
