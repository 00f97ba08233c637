//! Fasteners: write, change, delete. One key is one fastener for each motorcycle.
use uuid::Uuid;

use super::{Subject, Work, component, rule};
use crate::{
    domain::{
        fastener::{Fastener, NewFastener, contradict},
        id::Id,
        motorcycle::Motorcycle,
        validate,
    },
    error::{Error, Result},
    store::{Stretch, fastener as store},
};

/// The fastener of an id.
///
/// # Errors
/// 404 where there is none, or it was deleted.
pub async fn get(work: &mut Work, id: Id<Fastener>) -> Result<Fastener> {
    let workshop = work.workshop_id();
    store::find(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("fastener"))
}

/// Which fasteners are wanted.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// Of this key.
    pub key: Option<String>,
    /// Of this component.
    pub component: Option<String>,
    /// Written for this one motorcycle.
    pub motorcycle: Option<Id<Motorcycle>>,
}

/// Fasteners, oldest first.
///
/// # Errors
/// Where the database refuses.
pub async fn list(work: &mut Work, wanted: &Wanted, stretch: Stretch<Id<Fastener>>) -> Result<Vec<Fastener>> {
    let workshop = work.workshop_id();
    store::list(&mut work.tx, workshop, wanted.key.as_deref(), wanted.component.as_deref(), wanted.motorcycle, stretch).await
}

/// Writes a fastener. It judges what is tightened from now on.
///
/// # Errors
/// 422 with what is wrong where, 409 with the fastener that its key means already.
pub async fn add(work: &mut Work, new: NewFastener) -> Result<Fastener> {
    check(work, &new).await?;
    let others = contradicting(work, None, &new).await?;
    refuse(others)?;
    insert(work, new).await
}

async fn insert(work: &mut Work, new: NewFastener) -> Result<Fastener> {
    let fastener = Fastener::from_new(work.new_id(), new, work.now);
    let workshop = work.workshop_id();
    store::insert(&mut work.tx, workshop, &fastener).await?;
    work.audit("add", subject(&fastener), None, Some(&fastener)).await?;
    Ok(fastener)
}

/// Changes a fastener. What was tightened by it keeps its verdicts.
///
/// # Errors
/// 422 with what is wrong where, 409 with the fastener that its key means already.
pub async fn change(work: &mut Work, old: Fastener, new: NewFastener) -> Result<Fastener> {
    check(work, &new).await?;
    let others = contradicting(work, Some(old.id), &new).await?;
    refuse(others)?;
    let fastener = Fastener::from_new(old.id, new, old.created_at);
    let (workshop, now) = (work.workshop_id(), work.now);
    store::update(&mut work.tx, workshop, &fastener, now).await?;
    work.audit("change", subject(&fastener), Some(&old), Some(&fastener)).await?;
    Ok(fastener)
}

/// Deletes a fastener: its key means the next most specific one, or nothing.
///
/// # Errors
/// Where the database refuses.
pub async fn delete(work: &mut Work, old: &Fastener) -> Result<()> {
    let (workshop, now) = (work.workshop_id(), work.now);
    store::hide(&mut work.tx, workshop, old.id, now).await?;
    work.audit("delete", subject(old), Some(old), None).await
}

/// Copies to another motorcycle the fasteners that were written for one alone, except those whose key it has already.
pub(super) async fn copy(work: &mut Work, from: Id<Motorcycle>, to: Id<Motorcycle>) -> Result<()> {
    let workshop = work.workshop_id();
    for fastener in store::list(&mut work.tx, workshop, None, None, Some(from), Stretch::ALL).await? {
        let mut new = fastener.details();
        new.applies_to.motorcycle_id = Some(to);
        if contradicting(work, None, &new).await?.is_empty() {
            insert(work, new).await?;
        }
    }
    Ok(())
}

fn subject(fastener: &Fastener) -> Subject {
    Subject { motorcycle: fastener.applies_to.motorcycle_id, ..Subject::new("fastener", fastener.id) }
}

async fn check(work: &mut Work, new: &NewFastener) -> Result<()> {
    let mut problems = validate::fastener(new);
    problems.extend(component::check(work, &[("/component", &new.component)]).await?);
    rule::motorcycle_must_be_there(work, new.applies_to.motorcycle_id, &mut problems).await?;
    if problems.is_empty() { Ok(()) } else { Err(Error::Invalid(problems)) }
}

async fn contradicting(work: &mut Work, itself: Option<Id<Fastener>>, new: &NewFastener) -> Result<Vec<Uuid>> {
    let workshop = work.workshop_id();
    let beside = store::beside(&mut work.tx, workshop, &new.key, new.applies_to.motorcycle_id).await?;
    let others = beside.iter().filter(|other| Some(other.id) != itself && contradict(new, &other.details()));
    Ok(others.map(|other| other.id.uuid()).collect())
}

fn refuse(others: Vec<Uuid>) -> Result<()> {
    if others.is_empty() {
        return Ok(());
    }
    let detail = "This key means another fastener for the same motorcycles already. Change that one, give this one another key, \
                  or narrow down which motorcycles it is for.";
    Err(Error::conflict(detail, others))
}
