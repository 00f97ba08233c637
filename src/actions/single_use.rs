//! What to mind about things that may be used once only, and what to order for the work that waits.
use std::collections::HashSet;

use super::{Work, due, job_sheet, motorcycle};
use crate::{
    domain::{
        due::MotorcycleRef,
        id::Id,
        motorcycle::Motorcycle,
        order_list::OrderList,
        single_use::{Reused, ReusedKey, fasteners_reused},
        words::Status,
    },
    error::Result,
    store::{Stretch, due_item, fastener, single_use as store},
};

/// For how many motorcycles at most an order list is made at once: each takes its whole history.
const MOST_MOTORCYCLES: usize = 200;

/// What was used again though it may be used once only, and was not replaced since: of all motorcycles in use, or of one; longest first.
///
/// # Errors
/// Where the database refuses.
pub async fn reused(work: &mut Work, bike: Option<Id<Motorcycle>>, stretch: &Stretch<ReusedKey>) -> Result<Vec<Reused>> {
    let (workshop, sight) = (work.workshop_id(), work.caller.sight);
    let mut all = fasteners_reused(&store::uses(&mut work.tx, workshop, sight, bike).await?);
    all.extend(store::parts_reused(&mut work.tx, workshop, sight, bike).await?);
    all.sort_by_cached_key(Reused::key);
    let later = all.into_iter().filter(|one| stretch.after.as_ref().is_none_or(|after| one.key() > *after));
    Ok(later.take(usize::try_from(stretch.limit).unwrap_or(usize::MAX)).collect())
}

/// What to have for everything that is due or nearly due, and in place of what was used again, over all motorcycles that the caller sees.
///
/// # Errors
/// Where the database refuses.
pub async fn order_list(work: &mut Work) -> Result<OrderList> {
    let wanted = due_item::Wanted { statuses: vec![Status::Overdue, Status::Due, Status::NearlyDue], ..due_item::Wanted::default() };
    let waiting = due::of_workshop(work, &wanted, None, &Stretch::ALL).await?;
    let again = reused(work, None, &Stretch::ALL).await?;
    let mut seen = HashSet::new();
    let all = waiting.into_iter().map(|item| item.motorcycle).chain(again.iter().map(|one| one.motorcycle.clone()));
    let bikes: Vec<MotorcycleRef> = all.filter(|bike| seen.insert(bike.id)).collect();
    let mut list = OrderList { left_out: bikes.len().saturating_sub(MOST_MOTORCYCLES), ..OrderList::default() };
    for bike in bikes.iter().take(MOST_MOTORCYCLES) {
        let whole = motorcycle::get(work, bike.id).await?;
        let mut parts = job_sheet::of_motorcycle(work, &whole, None).await?.parts;
        let again: Vec<&Reused> = again.iter().filter(|one| one.motorcycle.id == bike.id).collect();
        if !again.is_empty() {
            let workshop = work.workshop_id();
            let fasteners = fastener::perhaps_for(&mut work.tx, workshop, bike.id).await?;
            for one in again {
                let have = one.to_have(&fasteners, &whole);
                parts.extend(have.filter(|have| !parts.iter().any(|listed| one.is(listed, have))));
            }
        }
        list.add(bike, parts);
    }
    Ok(list)
}
