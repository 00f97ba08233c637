//! Interval rules: write, change, delete, and hand on to another motorcycle.
use std::collections::BTreeSet;

use super::{Subject, Work, component};
use crate::{
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        rule::{AppliesTo, AppliesToBike, IntervalRule, NewIntervalRule},
        validate::{self, Problem},
    },
    error::{Error, Result},
    store::{self, Stretch, interval_rule},
};

/// The rule of an id.
///
/// # Errors
/// 404 where there is none, or it was deleted.
pub async fn get(work: &mut Work, id: Id<IntervalRule>) -> Result<IntervalRule> {
    let workshop = work.workshop_id();
    interval_rule::find(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("interval rule"))
}

/// Rules, oldest first; of one component, or written for one motorcycle, if wanted.
///
/// # Errors
/// Where the database refuses.
pub async fn list(
    work: &mut Work,
    component: Option<&str>,
    motorcycle: Option<Id<Motorcycle>>,
    stretch: Stretch<Id<IntervalRule>>,
) -> Result<Vec<IntervalRule>> {
    let workshop = work.workshop_id();
    interval_rule::list(&mut work.tx, workshop, component, motorcycle, stretch).await
}

/// Writes a rule. What is due by it is worked out on every motorcycle that it is for.
///
/// # Errors
/// 422 with what is wrong where.
pub async fn add(work: &mut Work, new: NewIntervalRule) -> Result<IntervalRule> {
    check(work, &new).await?;
    let rule = insert(work, new).await?;
    touch(work, &[&rule.applies_to]).await?;
    Ok(rule)
}

async fn insert(work: &mut Work, new: NewIntervalRule) -> Result<IntervalRule> {
    let rule = IntervalRule::from_new(work.new_id(), new, work.now);
    let workshop = work.workshop_id();
    interval_rule::insert(&mut work.tx, workshop, &rule).await?;
    work.audit("add", subject(&rule), None, Some(&rule)).await?;
    Ok(rule)
}

/// Changes a rule. What is due by it is worked out on every motorcycle that it was for or is for now.
///
/// # Errors
/// 422 with what is wrong where.
pub async fn change(work: &mut Work, old: IntervalRule, new: NewIntervalRule) -> Result<IntervalRule> {
    check(work, &new).await?;
    let rule = IntervalRule::from_new(old.id, new, old.created_at);
    let (workshop, now) = (work.workshop_id(), work.now);
    interval_rule::update(&mut work.tx, workshop, &rule, now).await?;
    touch(work, &[&old.applies_to, &rule.applies_to]).await?;
    work.audit("change", subject(&rule), Some(&old), Some(&rule)).await?;
    Ok(rule)
}

/// Deletes a rule: nothing is due by it any more.
///
/// # Errors
/// Where the database refuses.
pub async fn delete(work: &mut Work, old: &IntervalRule) -> Result<()> {
    let (workshop, now) = (work.workshop_id(), work.now);
    interval_rule::hide(&mut work.tx, workshop, old.id, now).await?;
    touch(work, &[&old.applies_to]).await?;
    work.audit("delete", subject(old), Some(old), None).await
}

/// The rules that hold for a motorcycle, oldest first.
///
/// # Errors
/// Where the database refuses.
pub async fn for_motorcycle(work: &mut Work, bike: &Motorcycle) -> Result<Vec<IntervalRule>> {
    let workshop = work.workshop_id();
    let fitted = store::history::load(&mut work.tx, &work.workshop, bike).await?;
    let mut rules = interval_rule::perhaps_for(&mut work.tx, workshop, bike.id).await?;
    rules.retain(|rule| rule.applies_to.matches(bike, |component| fitted.has_fitted(component)));
    Ok(rules)
}

/// Copies to another motorcycle what was written for one alone: rules, limits, fasteners and procedures.
/// What that other one has of its own already is left as it is, and nothing is copied that would collide with it.
///
/// # Errors
/// 404 where one of the two is not there.
pub async fn copy_rules(work: &mut Work, from: Id<Motorcycle>, to: Id<Motorcycle>) -> Result<()> {
    super::motorcycle::get(work, from).await?;
    super::motorcycle::get(work, to).await?;
    let workshop = work.workshop_id();
    let there = interval_rule::list(&mut work.tx, workshop, None, Some(to), Stretch::ALL).await?;
    let there: Vec<_> = there.iter().map(IntervalRule::details).collect();
    for rule in interval_rule::list(&mut work.tx, workshop, None, Some(from), Stretch::ALL).await? {
        let mut rule = rule.details();
        rule.applies_to.motorcycle_id = Some(to);
        if !there.contains(&rule) {
            insert(work, rule).await?;
        }
    }
    super::limit::copy(work, from, to).await?;
    super::fastener::copy(work, from, to).await?;
    super::procedure::copy(work, from, to).await?;
    work.touch(to);
    Ok(())
}

/// Writes rules for one motorcycle alone, such as those picked from the [usual operations](crate::domain::usual) with the figures
/// from its manual.
///
/// # Errors
/// 422 with what is wrong where; the pointer begins with the place in `picks`.
pub async fn add_usual(work: &mut Work, bike: Id<Motorcycle>, picks: Vec<NewIntervalRule>) -> Result<Vec<IntervalRule>> {
    let mut problems = Vec::new();
    let mut rules = Vec::new();
    for (place, mut pick) in picks.into_iter().enumerate() {
        pick.applies_to = AppliesTo { motorcycle_id: Some(bike), ..AppliesTo::default() };
        match check(work, &pick).await {
            Err(Error::Invalid(found)) => {
                problems.extend(found.into_iter().map(|problem| Problem::new(format!("/{place}{}", problem.pointer), problem.detail)));
            }
            checked => checked?,
        }
        rules.push(pick);
    }
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let mut added = Vec::new();
    for rule in rules {
        added.push(insert(work, rule).await?);
    }
    work.touch(bike);
    Ok(added)
}

fn subject(rule: &IntervalRule) -> Subject {
    Subject { motorcycle: rule.applies_to.motorcycle_id, ..Subject::new("interval_rule", rule.id) }
}

async fn check(work: &mut Work, new: &NewIntervalRule) -> Result<()> {
    let mut problems = validate::interval_rule(new);
    let mut named = vec![("/component", new.component.as_str())];
    named.extend(new.applies_to.component_fitted.as_deref().map(|key| ("/applies_to/component_fitted", key)));
    problems.extend(component::check(work, &named).await?);
    motorcycle_must_be_there(work, new.applies_to.motorcycle_id, &mut problems).await?;
    if problems.is_empty() { Ok(()) } else { Err(Error::Invalid(problems)) }
}

/// Adds a problem where the one motorcycle that a rule, limit or fastener is for is not there.
pub(super) async fn motorcycle_must_be_there(work: &mut Work, id: Option<Id<Motorcycle>>, problems: &mut Vec<Problem>) -> Result<()> {
    let Some(id) = id else { return Ok(()) };
    let workshop = work.workshop_id();
    if store::motorcycle::find(&mut work.tx, workshop, id).await?.is_none() {
        problems.push(Problem::new("/applies_to/motorcycle_id", "There is no motorcycle here with this id; look it up in its list."));
    }
    Ok(())
}

/// Touches every motorcycle that one of these is for. Whether a part of a component is fitted is left open here:
/// that would take the history of each motorcycle, and working out one too many does no harm.
async fn touch(work: &mut Work, applies: &[&AppliesTo]) -> Result<()> {
    let workshop = work.workshop_id();
    let one_each: Option<BTreeSet<_>> = applies.iter().map(|applies| applies.motorcycle_id).collect();
    let touched: Vec<_> = if let Some(ids) = one_each {
        ids.into_iter().collect()
    } else {
        let bikes = store::motorcycle::all_in_use(&mut work.tx, workshop).await?;
        let meant = |bike: &&Motorcycle| applies.iter().any(|applies| applies.matches(bike, |_| true));
        bikes.iter().filter(meant).map(|bike| bike.id).collect()
    };
    for bike in touched {
        work.touch(bike);
    }
    Ok(())
}

/// Touches every motorcycle that a limit is for: a wear forecast toward it may make something due.
pub(super) async fn touch_meant(work: &mut Work, applies: &[&AppliesToBike]) -> Result<()> {
    let widened: Vec<_> = applies
        .iter()
        .map(|applies| AppliesTo {
            motorcycle_id: applies.motorcycle_id,
            make: applies.make.clone(),
            model: applies.model.clone(),
            years: applies.years.clone(),
            ..AppliesTo::default()
        })
        .collect();
    touch(work, &widened.iter().collect::<Vec<_>>()).await
}
