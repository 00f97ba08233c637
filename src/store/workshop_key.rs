//! What each workshop signs its packets with.
use time::OffsetDateTime;

use super::{Tx, execute, on, types::Instant};
use crate::{
    domain::{id::Id, packet::signature::Seed, workshop::Workshop},
    error::{Error, Result},
};

/// The workshop's seed, if it has one by now.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>) -> Result<Option<Seed>> {
    let sql = "select seed from workshop_key where workshop_id = $1";
    let row: Option<(Vec<u8>,)> = on!(tx, sqlx::query_as(sql).bind(workshop), fetch_optional)?;
    let seed = |(bytes,): (Vec<u8>,)| bytes.try_into().map(Seed).map_err(|_| Error::internal("a workshop's key is not 32 bytes long"));
    row.map(seed).transpose()
}

/// Stores a seed unless there is one: whoever is first decides.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, seed: &Seed, now: OffsetDateTime) -> Result<()> {
    let sql = "insert into workshop_key (workshop_id, seed, created_at) values ($1, $2, $3) on conflict do nothing";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(seed.0.to_vec()).bind(Instant(now)))?;
    Ok(())
}
