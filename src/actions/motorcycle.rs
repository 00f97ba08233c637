//! Motorcycles: add, change, archive.
use super::{Subject, Work};
use crate::{
    domain::{
        id::Id,
        motorcycle::{Motorcycle, NewMotorcycle},
    },
    error::{Error, Result},
    store::{Stretch, motorcycle as store},
};

/// The motorcycle of an id, archived or not.
///
/// # Errors
/// 404 where the workshop has none.
pub async fn get(work: &mut Work, id: Id<Motorcycle>) -> Result<Motorcycle> {
    let workshop = work.workshop_id();
    store::find(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("motorcycle"))
}

/// Adds a motorcycle.
///
/// # Errors
/// 422 with what is wrong where.
pub async fn add(work: &mut Work, new: NewMotorcycle) -> Result<Motorcycle> {
    let warnings = new.warnings();
    let bike = Motorcycle::from_new(work.new_id(), new, false, None, warnings, work.now);
    let workshop = work.workshop_id();
    store::insert(&mut work.tx, workshop, &bike).await?;
    work.touch(bike.id);
    work.audit("add", Subject::of("motorcycle", bike.id, bike.id), None, Some(&bike)).await?;
    Ok(bike)
}

/// Motorcycles by name, then id.
///
/// # Errors
/// Where the database refuses.
pub async fn list(work: &mut Work, wanted: &store::Wanted, stretch: Stretch<(String, Id<Motorcycle>)>) -> Result<Vec<Motorcycle>> {
    let workshop = work.workshop_id();
    store::list(&mut work.tx, workshop, wanted, stretch).await
}

/// Changes a motorcycle.
///
/// # Errors
/// 422 with what is wrong where.
pub async fn change(work: &mut Work, old: Motorcycle, new: NewMotorcycle) -> Result<Motorcycle> {
    let warnings = new.warnings();
    let bike = Motorcycle::from_new(old.id, new, old.archived, old.odometer.clone(), warnings, old.created_at);
    save(work, "change", &old, bike).await
}

/// Archives a motorcycle: it is left out of lists, its history stays.
///
/// # Errors
/// Where the database refuses.
pub async fn archive(work: &mut Work, old: Motorcycle) -> Result<Motorcycle> {
    let bike = Motorcycle { archived: true, ..old.clone() };
    save(work, "archive", &old, bike).await
}

async fn save(work: &mut Work, action: &str, old: &Motorcycle, bike: Motorcycle) -> Result<Motorcycle> {
    let (workshop, now) = (work.workshop_id(), work.now);
    store::update(&mut work.tx, workshop, &bike, now).await?;
    work.touch(bike.id);
    work.audit(action, Subject::of("motorcycle", bike.id, bike.id), Some(old), Some(&bike)).await?;
    Ok(bike)
}
