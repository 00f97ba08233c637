//! Motorcycles: add, change, archive.
use super::{Subject, Work, reading};
use crate::{
    access::Sight,
    domain::{
        counter::may_follow,
        id::Id,
        motorcycle::{Motorcycle, NewMotorcycle, Owner},
        validate::{self, Problem},
        vin,
        words::{CounterKind, DistanceStatus},
    },
    error::{Error, Result},
    store::{self as stores, Stretch, motorcycle as store},
};

/// The motorcycle of an id, archived or not.
///
/// # Errors
/// 404 where the workshop has none that the caller sees.
pub async fn get(work: &mut Work, id: Id<Motorcycle>) -> Result<Motorcycle> {
    let bike = unseen(work, id).await?;
    let sight = work.caller.sight;
    if !sight.sees(id, bike.owner_id) {
        return Err(Error::NotFound("motorcycle"));
    }
    Ok(as_seen(sight, bike))
}
/// The motorcycle of an id whoever asks: to compute with, never to show.
///
/// # Errors
/// 404 where the workshop has none.
pub async fn unseen(work: &mut Work, id: Id<Motorcycle>) -> Result<Motorcycle> {
    let workshop = work.workshop_id();
    store::find(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("motorcycle"))
}
/// Refuses what belongs to a motorcycle that the caller does not see, as if there were no such `noun`.
///
/// # Errors
/// 404.
pub async fn must_see(work: &mut Work, id: Id<Motorcycle>, noun: &'static str) -> Result<()> {
    if sees(work, id).await? { Ok(()) } else { Err(Error::NotFound(noun)) }
}
/// Whether the caller sees a motorcycle.
///
/// # Errors
/// Where the database refuses.
pub async fn sees(work: &mut Work, id: Id<Motorcycle>) -> Result<bool> {
    if !work.caller.sight.is_narrow() {
        return Ok(true);
    }
    let (workshop, sight) = (work.workshop_id(), work.caller.sight);
    Ok(store::find(&mut work.tx, workshop, id).await?.is_some_and(|bike| sight.sees(id, bike.owner_id)))
}
/// A warning may name another motorcycle, which is nothing to those who see their own alone.
fn as_seen(sight: Sight, bike: Motorcycle) -> Motorcycle {
    if sight.is_narrow() { Motorcycle { warnings: bike.details().warnings(), ..bike } } else { bike }
}

/// Adds a motorcycle.
///
/// # Errors
/// 422 with what is wrong where.
pub async fn add(work: &mut Work, new: NewMotorcycle) -> Result<Motorcycle> {
    let (new, mut problems) = checked(work, new);
    problems.extend(unknown_owner(work, new.owner_id).await?);
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let bike = Motorcycle::from_new(work.new_id(), new, false, None, Vec::new(), work.now);
    let workshop = work.workshop_id();
    store::insert(&mut work.tx, workshop, &bike).await?;
    work.touch(bike.id);
    // Read back: whether another one has the same VIN, the store knows.
    let bike = get(work, bike.id).await?;
    work.audit("add", Subject::of("motorcycle", bike.id, bike.id), None, Some(&bike)).await?;
    Ok(bike)
}

/// Motorcycles by name, then id.
///
/// # Errors
/// Where the database refuses.
pub async fn list(work: &mut Work, wanted: &store::Wanted, stretch: Stretch<(String, Id<Motorcycle>)>) -> Result<Vec<Motorcycle>> {
    let (workshop, sight) = (work.workshop_id(), work.caller.sight);
    let bikes = store::list(&mut work.tx, workshop, sight, wanted, stretch).await?;
    Ok(bikes.into_iter().map(|bike| as_seen(sight, bike)).collect())
}

/// Changes a motorcycle.
///
/// # Errors
/// 422 with what is wrong where.
pub async fn change(work: &mut Work, old: Motorcycle, new: NewMotorcycle) -> Result<Motorcycle> {
    let (new, mut problems) = checked(work, new);
    if new.owner_id != old.owner_id {
        problems.extend(unknown_owner(work, new.owner_id).await?);
    }
    if new.odometer_unit != old.odometer_unit {
        problems.extend(unit_in_use(work, &old).await?);
    }
    if new.distance_status != old.distance_status {
        problems.extend(wrong_status(work, &old, new.distance_status).await?);
    }
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let bike = Motorcycle::from_new(old.id, new, old.archived, old.odometer.clone(), Vec::new(), old.created_at);
    if old.owner_id.is_some() && bike.owner_id != old.owner_id {
        let (workshop, now) = (work.workshop_id(), work.now);
        store::changed_hands(&mut work.tx, workshop, bike.id, now).await?;
    }
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
    let bike = get(work, bike.id).await?;
    work.audit(action, Subject::of("motorcycle", bike.id, bike.id), Some(old), Some(&bike)).await?;
    Ok(bike)
}

/// What was sent, tidied up, and what is wrong with it as far as it alone can tell.
fn checked(work: &Work, mut new: NewMotorcycle) -> (NewMotorcycle, Vec<Problem>) {
    let trimmed = |text: Option<String>| text.map(|text| text.trim().to_owned()).filter(|text| !text.is_empty());
    for text in [&mut new.name, &mut new.make, &mut new.model, &mut new.notes] {
        *text = text.trim().to_owned();
    }
    new.vin = trimmed(new.vin);
    new.frame_number = trimmed(new.frame_number);
    new.registration = trimmed(new.registration);
    let mut problems = validate::motorcycle(&new);
    if let Some(number) = &new.vin {
        match vin::check(number) {
            Ok(vin) => new.vin = Some(vin.number),
            Err(why) => problems.push(Problem::new("/vin", why)),
        }
    }
    let mut past = |pointer: &str, on: Option<time::Date>| {
        if on.is_some_and(|on| on > work.today) {
            problems.push(Problem::new(pointer, format!("lies in the future; today is {} in the workshop's time zone", work.today)));
        }
    };
    past("/in_service_on", new.in_service_on);
    past("/records_begin/on", new.records_begin.as_ref().map(|begin| begin.on));
    (new, problems)
}
async fn unknown_owner(work: &mut Work, owner: Option<Id<Owner>>) -> Result<Option<Problem>> {
    let Some(owner) = owner else { return Ok(None) };
    let workshop = work.workshop_id();
    let known = stores::owner::find(&mut work.tx, workshop, owner).await?.is_some();
    Ok((!known).then(|| Problem::new("/owner_id", "is not the id of an owner here; look it up in /owners, or add the owner first")))
}
async fn unit_in_use(work: &mut Work, bike: &Motorcycle) -> Result<Option<Problem>> {
    let workshop = work.workshop_id();
    let detail = || format!("cannot change any more: figures are entered in {}; strike those out and enter them again", bike.odometer_unit);
    Ok(store::has_figures(&mut work.tx, workshop, bike.id).await?.then(|| Problem::new("/odometer_unit", detail())))
}
/// What keeps a statement about the distance from being made by hand.
async fn wrong_status(work: &mut Work, old: &Motorcycle, new: DistanceStatus) -> Result<Option<Problem>> {
    let at = |detail: String| Some(Problem::new("/distance_status", detail));
    if let Err(why) = may_follow(old.distance_status, new) {
        return Ok(at(why));
    }
    let holds = reading::counter(work, old.id, CounterKind::Odometer).await?.distance_status(new);
    Ok((holds != new).then(|| at(format!("cannot become {new}: by what happened to its odometer the distance is {holds}"))).flatten())
}
