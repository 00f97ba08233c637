//! Looks whether what is stored holds together: due items against history, and the stays of parts against each other.
use super::due::{self, Checked, Difference};
use crate::{
    error::Result,
    store::{self, Store},
};

/// Works everything out again and compares.
///
/// # Errors
/// Where the database cannot be read.
pub async fn check(store: &Store) -> Result<Checked> {
    let mut checked = due::check(store).await?;
    let mut tx = store.read().await?;
    for workshop in store::workshop::all(&mut tx).await? {
        for found in store::fitting::contradictions(&mut tx, workshop.id).await? {
            checked.differences.push(Difference { motorcycle: found.motorcycle, what: found.what });
        }
    }
    Ok(checked)
}
