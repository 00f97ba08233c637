//! Components: list them, add one, and ask whether a key is one.
use super::{Subject, Work};
use crate::{
    domain::{
        component::{self, Component, NewComponent},
        validate::Problem,
    },
    error::{Error, Result},
    store::component as store,
};

/// Every component that the workshop has, by key: those that are always there and its own.
///
/// # Errors
/// Where the database refuses.
pub async fn all(work: &mut Work) -> Result<Vec<Component>> {
    let workshop = work.workshop_id();
    let mut all: Vec<_> = component::always_there().chain(store::all(&mut work.tx, workshop).await?).collect();
    all.sort_by(|a, b| a.key.cmp(&b.key));
    Ok(all)
}

/// The component of a key, built in or the workshop's own.
///
/// # Errors
/// Where the database refuses.
pub async fn known(work: &mut Work, key: &str) -> Result<Option<Component>> {
    if let Some(found) = component::always_there().find(|component| component.key == key) {
        return Ok(Some(found));
    }
    Ok(all(work).await?.into_iter().find(|component| component.key == key))
}

/// What is wrong with the components of a request: each with its pointer and key.
///
/// # Errors
/// Where the database refuses.
pub async fn check(work: &mut Work, named: &[(&str, &str)]) -> Result<Vec<Problem>> {
    let built_in = |key: &str| component::always_there().any(|component| component.key == key);
    if named.iter().all(|(_, key)| built_in(key)) {
        return Ok(Vec::new());
    }
    let all = all(work).await?;
    let wrong = named.iter().filter(|(_, key)| all.iter().all(|component| component.key != *key));
    Ok(wrong.map(|(pointer, key)| Problem::new(*pointer, component::unknown(key, &all))).collect())
}

/// Adds a component of the workshop's own.
///
/// # Errors
/// 422 with what is wrong where, 409 where the key is taken.
pub async fn add(work: &mut Work, mut new: NewComponent) -> Result<Component> {
    new.name = new.name.trim().to_owned();
    let problems = component::check(&new);
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    if let Some(known) = known(work, &new.key).await? {
        return Err(Error::conflict(
            format!("The component {} ({}) is there already; use it, or choose another key.", known.key, known.name),
            [],
        ));
    }
    let component = Component { key: new.key, name: new.name, part: new.part, own: true };
    let (workshop, now) = (work.workshop_id(), work.now);
    store::insert(&mut work.tx, workshop, &component, now).await?;
    let subject = Subject { kind: "component", id: None, motorcycle: None };
    work.audit("add", subject, None, Some(&component)).await?;
    Ok(component)
}
