//! Limits: write, change, delete. Two that contradict are refused.
use uuid::Uuid;

use super::{Subject, Work, component, rule};
use crate::{
    domain::{
        id::Id,
        limit::{self, Limit, NewLimit},
        motorcycle::Motorcycle,
        validate,
        words::Measurand,
    },
    error::{Error, Result},
    store::{Stretch, limit_range},
};

/// The limit of an id.
///
/// # Errors
/// 404 where there is none, or it was deleted.
pub async fn get(work: &mut Work, id: Id<Limit>) -> Result<Limit> {
    let workshop = work.workshop_id();
    limit_range::find(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("limit"))
}

/// Which limits are wanted.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// Of this component.
    pub component: Option<String>,
    /// Of this quantity.
    pub quantity: Option<Measurand>,
    /// Written for this one motorcycle.
    pub motorcycle: Option<Id<Motorcycle>>,
}

/// Limits, oldest first.
///
/// # Errors
/// Where the database refuses.
pub async fn list(work: &mut Work, wanted: &Wanted, stretch: Stretch<Id<Limit>>) -> Result<Vec<Limit>> {
    let workshop = work.workshop_id();
    limit_range::list(&mut work.tx, workshop, wanted.component.as_deref(), wanted.quantity, wanted.motorcycle, stretch).await
}

/// Writes a limit. It judges what is measured from now on; values that were judged keep their verdicts.
///
/// # Errors
/// 422 with what is wrong where, 409 with the limits that it contradicts.
pub async fn add(work: &mut Work, new: NewLimit) -> Result<Limit> {
    check(work, &new).await?;
    let others = contradicting(work, None, &new).await?;
    refuse(others)?;
    let limit = insert(work, new).await?;
    rule::touch_meant(work, &[&limit.applies_to]).await?;
    Ok(limit)
}

async fn insert(work: &mut Work, new: NewLimit) -> Result<Limit> {
    let limit = Limit::from_new(work.new_id(), new, work.now);
    let workshop = work.workshop_id();
    limit_range::insert(&mut work.tx, workshop, &limit).await?;
    work.audit("add", subject(&limit), None, Some(&limit)).await?;
    Ok(limit)
}

/// Changes a limit. Values that were judged by it keep their verdicts.
///
/// # Errors
/// 422 with what is wrong where, 409 with the limits that it would contradict.
pub async fn change(work: &mut Work, old: Limit, new: NewLimit) -> Result<Limit> {
    check(work, &new).await?;
    let others = contradicting(work, Some(old.id), &new).await?;
    refuse(others)?;
    let limit = Limit::from_new(old.id, new, old.created_at);
    let (workshop, now) = (work.workshop_id(), work.now);
    limit_range::update(&mut work.tx, workshop, &limit, now).await?;
    rule::touch_meant(work, &[&old.applies_to, &limit.applies_to]).await?;
    work.audit("change", subject(&limit), Some(&old), Some(&limit)).await?;
    Ok(limit)
}

/// Deletes a limit: nothing is judged by it any more.
///
/// # Errors
/// Where the database refuses.
pub async fn delete(work: &mut Work, old: &Limit) -> Result<()> {
    let (workshop, now) = (work.workshop_id(), work.now);
    limit_range::hide(&mut work.tx, workshop, old.id, now).await?;
    rule::touch_meant(work, &[&old.applies_to]).await?;
    work.audit("delete", subject(old), Some(old), None).await
}

/// Copies to another motorcycle the limits that were written for one alone, except those that contradict what is there.
pub(super) async fn copy(work: &mut Work, from: Id<Motorcycle>, to: Id<Motorcycle>) -> Result<()> {
    let workshop = work.workshop_id();
    for limit in limit_range::list(&mut work.tx, workshop, None, None, Some(from), Stretch::ALL).await? {
        let mut new = limit.details();
        new.applies_to.motorcycle_id = Some(to);
        if contradicting(work, None, &new).await?.is_empty() {
            insert(work, new).await?;
        }
    }
    Ok(())
}

fn subject(limit: &Limit) -> Subject {
    Subject { motorcycle: limit.applies_to.motorcycle_id, ..Subject::new("limit", limit.id) }
}

async fn check(work: &mut Work, new: &NewLimit) -> Result<()> {
    let mut problems = validate::limit(new);
    problems.extend(component::check(work, &[("/component", &new.component)]).await?);
    rule::motorcycle_must_be_there(work, new.applies_to.motorcycle_id, &mut problems).await?;
    if problems.is_empty() { Ok(()) } else { Err(Error::Invalid(problems)) }
}

async fn contradicting(work: &mut Work, itself: Option<Id<Limit>>, new: &NewLimit) -> Result<Vec<Uuid>> {
    let workshop = work.workshop_id();
    let beside = limit_range::beside(&mut work.tx, workshop, &new.component, new.quantity, new.applies_to.motorcycle_id).await?;
    let others = beside.iter().filter(|other| Some(other.id) != itself && limit::overlaps(new, &other.details()));
    Ok(others.map(|other| other.id.uuid()).collect())
}

fn refuse(others: Vec<Uuid>) -> Result<()> {
    if others.is_empty() {
        return Ok(());
    }
    let detail = "Another limit of this kind holds for the same motorcycles, force and part ages, so a value could not be judged by one of them. \
                  Change or delete that one, or let the ranges of part distance, hours or months meet without overlapping.";
    Err(Error::conflict(detail, others))
}
