//! Procedures: write, change, withdraw. A change is a new version; every version stays readable.
use super::{Subject, Work, component, rule};
use crate::{
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        procedure::{NewProcedure, Procedure, ProcedureVersion},
        validate::{self, Problem},
    },
    error::{Error, Result},
    store::{Stretch, fastener as fasteners, procedure as store},
};

/// The procedure of an id.
///
/// # Errors
/// 404 where there is none, or it was withdrawn.
pub async fn get(work: &mut Work, id: Id<Procedure>) -> Result<Procedure> {
    let workshop = work.workshop_id();
    store::find(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("procedure"))
}

/// Procedures, oldest first; of one component, or written for one motorcycle, if wanted.
///
/// # Errors
/// Where the database refuses.
pub async fn list(
    work: &mut Work,
    component: Option<&str>,
    motorcycle: Option<Id<Motorcycle>>,
    stretch: Stretch<Id<Procedure>>,
) -> Result<Vec<Procedure>> {
    let workshop = work.workshop_id();
    store::list(&mut work.tx, workshop, component, motorcycle, stretch).await
}

/// The procedures that are for a motorcycle, by title; none for those who see their own motorcycles alone.
///
/// # Errors
/// Where the database refuses.
pub async fn for_motorcycle(work: &mut Work, bike: &Motorcycle) -> Result<Vec<Procedure>> {
    if work.caller.sight.is_narrow() {
        return Ok(Vec::new());
    }
    let workshop = work.workshop_id();
    let mut all = store::perhaps_for(&mut work.tx, workshop, bike.id).await?;
    all.retain(|procedure| procedure.applies_to.matches(bike));
    all.sort_by_cached_key(|procedure| (procedure.title.to_lowercase(), procedure.id));
    Ok(all)
}

/// The versions of a procedure, oldest first; also those of one that was withdrawn.
///
/// # Errors
/// 404 where there is no such procedure.
pub async fn versions(work: &mut Work, id: Id<Procedure>, stretch: Stretch<Id<ProcedureVersion>>) -> Result<Vec<ProcedureVersion>> {
    version(work, id, 1).await?;
    let workshop = work.workshop_id();
    store::versions(&mut work.tx, workshop, id, stretch).await
}

/// One version of a procedure, also of one that was withdrawn.
///
/// # Errors
/// 404 where there is none.
pub async fn version(work: &mut Work, id: Id<Procedure>, version: u32) -> Result<ProcedureVersion> {
    let workshop = work.workshop_id();
    store::find_version(&mut work.tx, workshop, id, version).await?.ok_or(Error::NotFound("version of a procedure"))
}

/// Writes a procedure: its first version.
///
/// # Errors
/// 422 with what is wrong where.
pub async fn add(work: &mut Work, new: NewProcedure) -> Result<Procedure> {
    check(work, &new).await?;
    insert(work, new).await
}

async fn insert(work: &mut Work, new: NewProcedure) -> Result<Procedure> {
    let id = work.new_id();
    let (workshop, now) = (work.workshop_id(), work.now);
    store::insert(&mut work.tx, workshop, id, now).await?;
    write_version(work, id, 1, new).await?;
    let procedure = get(work, id).await?;
    work.audit("add", subject(&procedure), None, Some(&procedure)).await?;
    Ok(procedure)
}

async fn write_version(work: &mut Work, id: Id<Procedure>, number: u32, new: NewProcedure) -> Result<()> {
    let version = ProcedureVersion::new(work.new_id(), id, number, new, work.caller.name(), work.now);
    let workshop = work.workshop_id();
    store::insert_version(&mut work.tx, workshop, &version).await
}

/// Changes a procedure: its next version. Where nothing is different there is none.
///
/// # Errors
/// 422 with what is wrong where; 412 where it was changed since it was read.
pub async fn change(work: &mut Work, old: Procedure, new: NewProcedure) -> Result<Procedure> {
    check(work, &new).await?;
    unchanged(work, &old).await?;
    if new == old.details() {
        return Ok(old);
    }
    write_version(work, old.id, old.version.saturating_add(1), new).await?;
    let procedure = get(work, old.id).await?;
    work.audit("change", subject(&procedure), Some(&old), Some(&procedure)).await?;
    Ok(procedure)
}

/// Withdraws a procedure: it is offered no more. Its versions stay readable, and so does what followed them.
///
/// # Errors
/// 412 where it was changed since it was read.
pub async fn withdraw(work: &mut Work, old: &Procedure) -> Result<()> {
    unchanged(work, old).await?;
    let (workshop, now) = (work.workshop_id(), work.now);
    store::hide(&mut work.tx, workshop, old.id, now).await?;
    work.audit("delete", subject(old), Some(old), None).await
}

/// Copies to another motorcycle the procedures that were written for one alone, except those that it has already.
pub(super) async fn copy(work: &mut Work, from: Id<Motorcycle>, to: Id<Motorcycle>) -> Result<()> {
    let there: Vec<_> = list(work, None, Some(to), Stretch::ALL).await?.iter().map(Procedure::details).collect();
    for procedure in list(work, None, Some(from), Stretch::ALL).await? {
        let mut new = procedure.details();
        new.applies_to.motorcycle_id = Some(to);
        if !there.contains(&new) {
            insert(work, new).await?;
        }
    }
    Ok(())
}

fn subject(procedure: &Procedure) -> Subject {
    Subject { motorcycle: procedure.applies_to.motorcycle_id, ..Subject::new("procedure", procedure.id) }
}

/// Refuses where it is not what was read any more, once nobody else can write to it.
async fn unchanged(work: &mut Work, old: &Procedure) -> Result<()> {
    let (workshop, now) = (work.workshop_id(), work.now);
    store::touch(&mut work.tx, workshop, old.id, now).await?;
    if get(work, old.id).await? == *old { Ok(()) } else { Err(Error::Stale) }
}

async fn check(work: &mut Work, new: &NewProcedure) -> Result<()> {
    let mut problems = validate::procedure(new);
    let measured = new.steps.iter().enumerate().filter_map(|(place, step)| Some((place, step.limit.as_ref()?)));
    let mut named = vec![("/component".to_owned(), new.component.as_str())];
    named.extend(measured.map(|(place, limit)| (format!("/steps/{place}/limit/component"), limit.component.as_str())));
    let named: Vec<_> = named.iter().map(|(pointer, key)| (pointer.as_str(), *key)).filter(|(_, key)| !key.trim().is_empty()).collect();
    problems.extend(component::check(work, &named).await?);
    rule::motorcycle_must_be_there(work, new.applies_to.motorcycle_id, &mut problems).await?;
    if problems.is_empty() {
        problems = unknown_fasteners(work, new).await?;
    }
    if problems.is_empty() { Ok(()) } else { Err(Error::Invalid(problems)) }
}

/// A step names a fastener by its key, which may mean another one on each motorcycle; some fastener must have it.
async fn unknown_fasteners(work: &mut Work, new: &NewProcedure) -> Result<Vec<Problem>> {
    let workshop = work.workshop_id();
    let mut problems = Vec::new();
    for (place, step) in new.steps.iter().enumerate() {
        let Some(key) = &step.fastener else { continue };
        let one = Stretch { after: None, limit: 1 };
        if fasteners::list(&mut work.tx, workshop, Some(key), None, None, one).await?.is_empty() {
            let shown: String = key.chars().take(60).collect();
            let detail = format!("{shown:?} is the key of no fastener; GET /fasteners lists them, POST /fasteners adds one");
            problems.push(Problem::new(format!("/steps/{place}/fastener"), detail));
        }
    }
    Ok(problems)
}
