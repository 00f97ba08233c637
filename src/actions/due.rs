//! What is due: worked out when something is written, stored with its three dates, read as a list.
use std::collections::BTreeSet;

use super::Work;
use crate::{
    domain::{id::Id, motorcycle::Motorcycle},
    error::Result,
};

/// Answers kept in memory for each motorcycle.
#[derive(Debug, Default)]
pub struct Kept;
impl Kept {
    /// Drops what is kept about these motorcycles.
    pub fn forget(&self, _bikes: &BTreeSet<Id<Motorcycle>>) {}
}

/// Works out again what is due on these motorcycles and stores it. Gives back all that were worked out.
///
/// # Errors
/// Where the database refuses.
#[expect(clippy::unused_async, reason = "placeholder")]
pub async fn rebuild(_work: &mut Work, touched: BTreeSet<Id<Motorcycle>>) -> Result<BTreeSet<Id<Motorcycle>>> {
    Ok(touched)
}
