//! The audit trail: who did what, when, from where, with the value before and after. Appended by every write, never changed, except that
//! a person who is erased gives up the name.
use super::Work;
use crate::{
    domain::id::Id,
    error::Result,
    store::{
        Stretch,
        audit::{self as store, Entry, Wanted},
    },
};

/// Entries, newest first.
///
/// # Errors
/// Where the database refuses.
pub async fn list(work: &mut Work, wanted: &Wanted, stretch: Stretch<Id<Entry>>) -> Result<Vec<Entry>> {
    let workshop = work.workshop_id();
    store::list(&mut work.tx, workshop, wanted, stretch).await
}
