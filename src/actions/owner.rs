//! Owners: add, change, hide.
use super::{Subject, Work};
use crate::{
    domain::{
        id::Id,
        motorcycle::{NewOwner, Owner},
        validate,
    },
    error::{Error, Result},
    store::{Stretch, owner as store},
};

/// The owner of an id.
///
/// # Errors
/// 404 where the workshop has none, or no longer; and for whoever sees one owner's motorcycles alone, where it is another one.
pub async fn get(work: &mut Work, id: Id<Owner>) -> Result<Owner> {
    let (workshop, sight) = (work.workshop_id(), work.caller.sight);
    if sight.is_narrow() && sight.owner() != Some(id) {
        return Err(Error::NotFound("owner"));
    }
    store::find(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("owner"))
}

/// Owners by name, then id. Whoever sees one owner's motorcycles alone needs no list.
///
/// # Errors
/// Where the database refuses.
pub async fn list(work: &mut Work, stretch: Stretch<(String, Id<Owner>)>) -> Result<Vec<Owner>> {
    if work.caller.sight.is_narrow() {
        return Ok(Vec::new());
    }
    let workshop = work.workshop_id();
    store::list(&mut work.tx, workshop, stretch).await
}

/// Adds an owner.
///
/// # Errors
/// 422 with what is wrong where.
pub async fn add(work: &mut Work, new: NewOwner) -> Result<Owner> {
    let owner = Owner::from_new(work.new_id(), checked(new)?, work.now);
    let workshop = work.workshop_id();
    store::insert(&mut work.tx, workshop, &owner).await?;
    super::report::owner_asks(work, None, &owner).await?;
    work.audit("add", Subject::new("owner", owner.id), None, Some(&owner)).await?;
    Ok(owner)
}

/// Changes an owner.
///
/// # Errors
/// 422 with what is wrong where.
pub async fn change(work: &mut Work, old: &Owner, new: NewOwner) -> Result<Owner> {
    let owner = Owner::from_new(old.id, checked(new)?, old.created_at);
    let (workshop, now) = (work.workshop_id(), work.now);
    store::update(&mut work.tx, workshop, &owner, now).await?;
    super::report::owner_asks(work, Some(old), &owner).await?;
    work.audit("change", Subject::new("owner", owner.id), Some(old), Some(&owner)).await?;
    Ok(owner)
}

/// Hides an owner who has no motorcycle in use.
///
/// # Errors
/// 409 that names the motorcycles in use.
pub async fn hide(work: &mut Work, owner: &Owner) -> Result<()> {
    let (workshop, now) = (work.workshop_id(), work.now);
    let bikes = store::motorcycles(&mut work.tx, workshop, owner.id).await?;
    if !bikes.is_empty() {
        let detail = format!("{} still has motorcycles here; give them another owner, or archive them, first.", owner.name);
        return Err(Error::conflict(detail, bikes.into_iter().map(Id::uuid)));
    }
    store::hide(&mut work.tx, workshop, owner.id, now).await?;
    work.audit("delete", Subject::new("owner", owner.id), Some(owner), None).await
}

fn checked(mut new: NewOwner) -> Result<NewOwner> {
    let trimmed = |text: Option<String>| text.map(|text| text.trim().to_owned()).filter(|text| !text.is_empty());
    for text in [&mut new.name, &mut new.notes] {
        *text = text.trim().to_owned();
    }
    new.email = trimmed(new.email);
    new.phone = trimmed(new.phone);
    let problems = validate::owner(&new);
    if problems.is_empty() { Ok(new) } else { Err(Error::Invalid(problems)) }
}
