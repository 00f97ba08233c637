//! The first answer to an Idempotency-Key, stored in the transaction of what it protects.
use time::{Duration, OffsetDateTime};

use super::{
    Tx, execute, on,
    types::{Instant, Json},
};
use crate::{
    actions::StoredAnswer,
    domain::{id::Id, workshop::Workshop},
    error::{Error, Result},
};

/// The request (as a hash) that a key was first used for, and its answer; keys are forgotten after 24 hours.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, key: &str, now: OffsetDateTime) -> Result<Option<(Vec<u8>, StoredAnswer)>> {
    let sql = "select request_hash, answer from idempotency_key where workshop_id = $1 and key = $2 and created_at > $3";
    let row = on!(
        tx,
        sqlx::query_as::<_, (Vec<u8>, Json<StoredAnswer>)>(sql).bind(workshop).bind(key).bind(Instant(now - Duration::hours(24))),
        fetch_optional
    )?;
    Ok(row.map(|(hash, answer)| (hash, answer.0)))
}

/// Keeps an answer under its key.
///
/// # Errors
/// 409 where another server has just answered a request with this key: what that one stored is kept, this one stores nothing.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, key: &str, hash: &[u8], answer: &StoredAnswer, now: OffsetDateTime) -> Result<()> {
    let forget = "delete from idempotency_key where workshop_id = $1 and created_at <= $2";
    execute!(tx, sqlx::query(forget).bind(workshop).bind(Instant(now - Duration::hours(24))))?;
    let sql = "insert into idempotency_key (workshop_id, key, request_hash, answer, created_at) values ($1, $2, $3, $4, $5)";
    let done = execute!(tx, sqlx::query(sql).bind(workshop).bind(key).bind(hash).bind(Json(answer)).bind(Instant(now)));
    match done {
        Err(error) if error.as_database_error().is_some_and(sqlx::error::DatabaseError::is_unique_violation) => {
            Err(Error::conflict("The first request with this Idempotency-Key is still running; ask again in a moment.", []))
        }
        done => done.map(|_| ()).map_err(Error::from),
    }
}
