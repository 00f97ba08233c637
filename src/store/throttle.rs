//! Repeated failures: how many there were lately and until when the next try waits. Shared by every server on the database.
use sqlx::FromRow;
use time::OffsetDateTime;

use super::{Tx, execute, on, types::Instant};
use crate::error::Result;

/// What is known about a key.
#[derive(Clone, Copy, Debug, FromRow)]
pub struct Failures {
    /// How many tries failed since the last success.
    pub failures: i64,
    /// Until when the next try waits.
    pub blocked_until: Instant,
    /// When the last one was.
    pub last_at: Instant,
}

/// What is known about a key; the row is this transaction's until it ends, so that tries side by side are counted one after the other.
pub async fn hold(tx: &mut Tx, key: &[u8], now: OffsetDateTime) -> Result<Failures> {
    let sql = "insert into throttle (key, failures, blocked_until, last_at) values ($1, 0, 0, $2)
               on conflict (key) do update set failures = throttle.failures returning failures, blocked_until, last_at";
    Ok(on!(tx, sqlx::query_as(sql).bind(key).bind(Instant(now)), fetch_one)?)
}

/// Notes a try.
pub async fn note(tx: &mut Tx, key: &[u8], failures: i64, until: OffsetDateTime, now: OffsetDateTime) -> Result<()> {
    let sql = "update throttle set failures = $2, blocked_until = $3, last_at = $4 where key = $1";
    execute!(tx, sqlx::query(sql).bind(key).bind(failures).bind(Instant(until)).bind(Instant(now)))?;
    Ok(())
}

/// Forgets a key.
pub async fn forget(tx: &mut Tx, key: &[u8]) -> Result<()> {
    execute!(tx, sqlx::query("delete from throttle where key = $1").bind(key))?;
    Ok(())
}
/// Takes one failure off a key: a try that was noted beforehand has gone well.
pub async fn take_back(tx: &mut Tx, key: &[u8]) -> Result<()> {
    let sql = "update throttle set failures = failures - 1, blocked_until = 0 where key = $1 and failures > 0";
    execute!(tx, sqlx::query(sql).bind(key))?;
    Ok(())
}
/// Forgets everything that was last tried before an instant.
pub async fn forget_before(tx: &mut Tx, instant: OffsetDateTime) -> Result<()> {
    execute!(tx, sqlx::query("delete from throttle where last_at < $1").bind(Instant(instant)))?;
    Ok(())
}
