//! Parts: what is on a motorcycle, what a part has run, fitting one outside a service event.
pub mod lives;
pub mod plan;

use std::collections::{BTreeSet, HashMap};

use time::Date;
use uuid::Uuid;

use self::{
    lives::Lives,
    plan::{Entry, Plan},
};
use super::{Subject, Work, component, motorcycle, reading};
use crate::{
    domain::{
        component::Component,
        id::Id,
        motorcycle::{Motorcycle, NewReading},
        part::{InstalledPart, NewFitted, NewInstalledPart},
        quantity::{Distance, Figure},
        road::Roads,
        tire,
        validate::{self, Problem},
        words::{Condition, CounterKind},
    },
    error::{Error, Result},
    store::{
        Stretch, history,
        part::{self as store, PartKey, PartRow, Wanted},
        types::Instant,
    },
};

/// The part of an id with its life, struck out or not.
///
/// # Errors
/// 404 where the workshop has none.
pub async fn get(work: &mut Work, id: Id<InstalledPart>) -> Result<InstalledPart> {
    let workshop = work.workshop_id();
    let rows = store::fittings_of(&mut work.tx, workshop, &[id]).await?;
    let standing = rows.iter().rev().find(|row| row.struck_at.is_none()).or(rows.last());
    let bike = standing.ok_or(Error::NotFound("part"))?.motorcycle_id;
    motorcycle::must_see(work, bike, "part").await?;
    let bike = motorcycle::get(work, bike).await?;
    let day = work.today;
    views(work, &bike, &[id], day).await?.pop().ok_or(Error::NotFound("part"))
}

/// Parts of a motorcycle by component, position and id, each with its place in the list.
///
/// # Errors
/// Where the database refuses.
pub async fn list(work: &mut Work, bike: &Motorcycle, wanted: Wanted, stretch: Stretch<PartKey>) -> Result<Vec<(PartKey, InstalledPart)>> {
    let workshop = work.workshop_id();
    let keys = store::list(&mut work.tx, workshop, bike.id, wanted, stretch).await?;
    let ids: Vec<_> = keys.iter().map(|key| key.2).collect();
    let parts = views(work, bike, &ids, wanted.on).await?;
    Ok(keys.into_iter().zip(parts).collect())
}

/// These parts as they stood at the end of a day, in this order.
///
/// # Errors
/// Where the database refuses.
pub async fn views(work: &mut Work, bike: &Motorcycle, ids: &[Id<InstalledPart>], day: Date) -> Result<Vec<InstalledPart>> {
    if ids.is_empty() {
        return Ok(Vec::new());
    }
    let lives = Lives::load(work, bike, ids).await?;
    let roads = Roads::new(&lives.history);
    let mut parts: Vec<_> = ids.iter().filter_map(|id| lives.view(*id, day, &roads)).collect();
    for part in &mut parts {
        leave_out_elsewhere(work, part).await?;
    }
    Ok(parts)
}

/// Leaves out what a part did on motorcycles that the caller does not see. What it has run in all stays: it is the part's age.
pub(super) async fn leave_out_elsewhere(work: &mut Work, part: &mut InstalledPart) -> Result<()> {
    if !work.caller.sight.is_narrow() {
        return Ok(());
    }
    let mut seen = Vec::new();
    for fitting in std::mem::take(&mut part.fittings) {
        if motorcycle::sees(work, fitting.motorcycle_id).await? {
            seen.push(fitting);
        }
    }
    part.fittings = seen;
    let is_elsewhere = match part.motorcycle_id {
        Some(id) => !motorcycle::sees(work, id).await?,
        None => false,
    };
    if let Some(last) = part.fittings.last().filter(|last| is_elsewhere || part.fitted != last.fitted) {
        // It went to another motorcycle since: what it does there is not told.
        (part.motorcycle_id, part.part_distance) = (None, None);
        (part.position, part.fitted, part.removed) = (last.position, last.fitted.clone(), last.removed.clone());
    }
    Ok(())
}

/// The parts of these ids that the caller may name: those that are, or were last, on a motorcycle that they see.
///
/// # Errors
/// Where the database refuses.
pub(super) async fn known(work: &mut Work, ids: &[Id<InstalledPart>]) -> Result<Vec<PartRow>> {
    let workshop = work.workshop_id();
    let mut parts = store::by_ids(&mut work.tx, workshop, ids).await?;
    if work.caller.sight.is_narrow() {
        let rows = store::fittings_of(&mut work.tx, workshop, ids).await?;
        for place in (0..parts.len()).rev() {
            let last = rows.iter().rev().find(|row| row.part_id == parts[place].id && row.struck_at.is_none());
            let seen = match last {
                Some(row) => motorcycle::sees(work, row.motorcycle_id).await?,
                None => false,
            };
            if !seen {
                parts.remove(place);
            }
        }
    }
    Ok(parts)
}

/// Fits a part outside a service event.
///
/// # Errors
/// 422 with what is wrong where, 409 where the part is on a motorcycle already.
pub async fn fit(work: &mut Work, bike: &Motorcycle, new: NewInstalledPart) -> Result<InstalledPart> {
    let fitted = entry_of(&new);
    lock(work, bike.id, fitted.installed_part_id).await?;
    let mut problems = validate::installed_part(&new);
    problems.extend(in_future(work, new.on));
    let workshop = work.workshop_id();
    let known = store::by_ids(&mut work.tx, workshop, fitted.installed_part_id.as_slice()).await?;
    let components = component::all(work).await?;
    problems.extend(check(&fitted, "", new.on, &components, &known));
    let reading = match new.odometer.clone().filter(|_| problems.is_empty()) {
        Some(figure) => {
            let new = NewReading { on: new.on, reading: figure, read_by: None, confirmed: false };
            Some(reading::record(work, bike, CounterKind::Odometer, new, None, "/odometer").await?.id)
        }
        None => None,
    };
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let entry = Entry { on: new.on, reading, event: None };
    let mut plan = Plan::load(work, bike.id, fitted.installed_part_id.as_slice()).await?;
    let id = if let Some(id) = fitted.installed_part_id {
        plan.fit(work, id, fitted.position, entry, "")?;
        id
    } else {
        let part = new_part(work, bike, &fitted);
        let id = part.id;
        plan.fit_new(work, part, fitted.position, entry);
        id
    };
    plan.settle()?;
    plan.store(work).await?;
    touch(work, bike.id).await?;
    let part = get(work, id).await?;
    work.audit("fit", Subject::of("installed_part", id, bike.id), None, Some(&part)).await?;
    Ok(part)
}
fn entry_of(new: &NewInstalledPart) -> NewFitted {
    NewFitted {
        installed_part_id: new.installed_part_id,
        component: new.component.clone(),
        position: new.position,
        description: new.description.clone(),
        part_number: new.part_number.clone(),
        condition: new.condition,
        prior_distance: new.prior_distance.clone(),
        single_use: new.single_use,
        date_code: new.date_code.clone(),
    }
}

/// What is wrong with a day that has not come yet.
pub(super) fn in_future(work: &Work, on: Date) -> Option<Problem> {
    let detail = "lies in the future; today is {} in the workshop's time zone, enter it when it has happened";
    (on > work.today).then(|| Problem::new("/on", detail.replace("{}", &work.today.to_string())))
}

/// What is wrong with a fitted entry as far as the workshop's records tell: its component, its date code, its id.
pub(super) fn check(fitted: &NewFitted, at: &str, on: Date, components: &[Component], known: &[PartRow]) -> Vec<Problem> {
    let mut problems = Vec::new();
    if let Some(id) = fitted.installed_part_id {
        if known.iter().all(|part| part.id != id) {
            problems.push(unknown_part(format!("{at}/installed_part_id")));
        }
        return problems;
    }
    let key = fitted.component.as_deref().unwrap_or_default();
    if key.trim().is_empty() {
        return problems;
    }
    match components.iter().find(|component| component.key == key) {
        None => problems.push(Problem::new(format!("{at}/component"), crate::domain::component::unknown(key, components))),
        Some(component) if !component.part => {
            let detail = format!("{key} is not a part, so nothing of it is fitted; write a work line (replace), or what was `filled`");
            problems.push(Problem::new(format!("{at}/component"), detail));
        }
        Some(_) => {}
    }
    if let Some(code) = &fitted.date_code {
        let wrong = match tire::made_on(code) {
            _ if key != "tire" => Some("only a tire has a date code; leave it out".to_owned()),
            Ok(made) if made > on => Some(format!("{code} names a week that begins on {made}, after the tire was fitted; read it again")),
            Ok(_) => None,
            Err(detail) => Some(detail),
        };
        problems.extend(wrong.map(|detail| Problem::new(format!("{at}/date_code"), detail)));
    }
    problems
}
/// A part that nobody knows here.
pub(super) fn unknown_part(pointer: String) -> Problem {
    Problem::new(pointer, "There is no part here with this id; look it up in the motorcycle's installed parts (also ?removed=true).")
}

/// The part that a fitted entry brings.
pub(super) fn new_part(work: &Work, bike: &Motorcycle, fitted: &NewFitted) -> PartRow {
    let prior = fitted.prior_distance.clone().unwrap_or_else(|| Figure::from(0));
    PartRow {
        id: work.new_id(),
        component: fitted.component.clone().unwrap_or_default(),
        description: fitted.description.clone(),
        part_number: fitted.part_number.clone(),
        condition: fitted.condition.unwrap_or(Condition::New),
        single_use: fitted.single_use,
        date_code: fitted.date_code.as_deref().map(|code| code.trim().to_owned()),
        prior_mm: Distance::new(prior.value(), bike.odometer_unit).mm(),
        prior_distance: prior,
        created_at: Instant(work.now),
    }
}

/// Lets nobody else write about the motorcycle and these parts until this work is done: what is checked must not change meanwhile.
///
/// # Errors
/// Where the database refuses.
pub(super) async fn lock(work: &mut Work, bike: Id<Motorcycle>, parts: impl IntoIterator<Item = Id<InstalledPart>>) -> Result<()> {
    let workshop = work.workshop_id();
    // Always in the same order, so that two of them do not wait for each other.
    let parts: Vec<_> = parts.into_iter().collect::<BTreeSet<_>>().into_iter().collect();
    store::lock(&mut work.tx, workshop, bike, &parts).await
}

/// Other motorcycles that a part was on which is or was on this one: what this one runs may change what is due there.
///
/// # Errors
/// Where the database refuses.
pub async fn bikes_sharing_parts(work: &mut Work, bike: Id<Motorcycle>) -> Result<BTreeSet<Id<Motorcycle>>> {
    let workshop = work.workshop_id();
    Ok(store::bikes_sharing_parts(&mut work.tx, workshop, bike).await?.into_iter().collect())
}
/// Has what is due on a motorcycle, and on those that share parts with it, worked out again.
pub(super) async fn touch(work: &mut Work, bike: Id<Motorcycle>) -> Result<()> {
    work.touch(bike);
    for other in bikes_sharing_parts(work, bike).await? {
        work.touch(other);
    }
    Ok(())
}

/// What a part was before a motorcycle had it, where it was on another.
#[derive(Clone, Copy, Debug)]
pub struct Before {
    /// What it had run.
    pub run: Distance,
    /// It was never fitted new here.
    came_used: bool,
}
impl Before {
    /// Its condition where nothing else tells of the other motorcycle: its first fitting here is not the one of a new part.
    #[must_use]
    pub fn condition(self, known: Condition) -> Condition {
        if self.came_used && known == Condition::New { Condition::Used } else { known }
    }
}

/// What the parts of a motorcycle ran on others before, by the part's id; those that were on no other before are left out. Where its history
/// goes without theirs, that counts as run before they were fitted.
///
/// # Errors
/// Where the database refuses.
pub async fn before(work: &mut Work, bike: &Motorcycle) -> Result<HashMap<Uuid, Before>> {
    let history = history::load(&mut work.tx, &work.workshop, bike).await?;
    let roads = Roads::new(&history);
    let before = history.parts.iter().filter_map(|part| {
        let run = part.run_elsewhere(bike.id, &roads)?;
        let came_used = part.stays.first().is_some_and(|stay| stay.motorcycle_id != bike.id);
        Some((part.id.uuid(), Before { run, came_used }))
    });
    Ok(before.collect())
}
