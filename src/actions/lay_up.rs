//! Lay-ups: say when a motorcycle stands, change it, take it away.
use time::Date;

use super::{Subject, Work, motorcycle};
use crate::{
    domain::{
        calendar,
        id::Id,
        lay_up::{LayUp, NewLayUp, Period},
        motorcycle::Motorcycle,
        validate,
    },
    error::{Error, Result},
    store::{Stretch, lay_up as store},
};

/// The lay-up of an id.
///
/// # Errors
/// 404 where the workshop has none that the caller sees.
pub async fn get(work: &mut Work, id: Id<LayUp>) -> Result<LayUp> {
    let workshop = work.workshop_id();
    let lay_up = store::find(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("lay-up"))?;
    motorcycle::must_see(work, lay_up.motorcycle_id, "lay-up").await?;
    Ok(lay_up)
}

/// The lay-ups of a motorcycle, newest first.
///
/// # Errors
/// Where the database refuses.
pub async fn list(work: &mut Work, bike: Id<Motorcycle>, stretch: Stretch<(Date, Id<LayUp>)>) -> Result<Vec<LayUp>> {
    let workshop = work.workshop_id();
    store::list(&mut work.tx, workshop, bike, stretch).await
}

/// Records that a motorcycle stands, stood or will stand.
///
/// # Errors
/// 422 with what is wrong where, 409 that names the lay-ups of the same days.
pub async fn add(work: &mut Work, bike: &Motorcycle, new: NewLayUp) -> Result<LayUp> {
    let lay_up = LayUp::from_new(work.new_id(), checked(work, bike.id, None, new).await?, bike.id, work.now);
    let workshop = work.workshop_id();
    store::insert(&mut work.tx, workshop, &lay_up).await?;
    work.touch(bike.id);
    work.audit("add", Subject::of("lay_up", lay_up.id, bike.id), None, Some(&lay_up)).await?;
    Ok(lay_up)
}

/// Changes a lay-up: it is over, say.
///
/// # Errors
/// 422 with what is wrong where, 409 that names the lay-ups of the same days.
pub async fn change(work: &mut Work, old: &LayUp, new: NewLayUp) -> Result<LayUp> {
    let new = checked(work, old.motorcycle_id, Some(old.id), new).await?;
    let lay_up = LayUp::from_new(old.id, new, old.motorcycle_id, old.created_at);
    let (workshop, now) = (work.workshop_id(), work.now);
    store::update(&mut work.tx, workshop, &lay_up, now).await?;
    work.touch(lay_up.motorcycle_id);
    work.audit("change", Subject::of("lay_up", lay_up.id, lay_up.motorcycle_id), Some(old), Some(&lay_up)).await?;
    Ok(lay_up)
}

/// Takes a lay-up away, as if it had never been entered.
///
/// # Errors
/// Where the database refuses.
pub async fn remove(work: &mut Work, lay_up: &LayUp) -> Result<()> {
    let workshop = work.workshop_id();
    store::remove(&mut work.tx, workshop, lay_up.id).await?;
    work.touch(lay_up.motorcycle_id);
    work.audit("delete", Subject::of("lay_up", lay_up.id, lay_up.motorcycle_id), Some(lay_up), None).await
}

async fn checked(work: &mut Work, bike: Id<Motorcycle>, own: Option<Id<LayUp>>, mut new: NewLayUp) -> Result<NewLayUp> {
    new.note = new.note.trim().to_owned();
    let problems = validate::lay_up(&new);
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let workshop = work.workshop_id();
    let mut others = store::meeting(&mut work.tx, workshop, bike, Period::from(&new)).await?;
    others.retain(|other| Some(other.id) != own);
    let Some(other) = others.first() else { return Ok(new) };
    let until = other.to.map_or_else(|| "on".into(), |to| format!("to {}", calendar::words(to)));
    let detail = format!("It is laid up from {} {until} already; change that lay-up, or take it away, first.", calendar::words(other.from));
    Err(Error::conflict(detail, others.iter().map(|other| other.id.uuid())))
}
