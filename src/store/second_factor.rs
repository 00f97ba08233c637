//! The second factor of an account, its recovery codes, and the step of signing in that waits for one of them.
use sqlx::FromRow;
use time::OffsetDateTime;

use super::{Tx, execute, on, types::Instant};
use crate::{
    domain::{id::Id, workshop::Person},
    error::Result,
};

/// A second factor.
#[derive(Clone, Debug, FromRow)]
pub struct SecondFactor {
    /// The secret that the authenticator holds too.
    pub secret: Vec<u8>,
    /// Since when it is asked for; None until its first code was given.
    pub confirmed_at: Option<Instant>,
    /// The step of the last code that was taken.
    pub last_step: i64,
}

/// A person's second factor, confirmed or not.
pub async fn find(tx: &mut Tx, person: Id<Person>) -> Result<Option<SecondFactor>> {
    let sql = "select secret, confirmed_at, last_step from second_factor where person_id = $1";
    Ok(on!(tx, sqlx::query_as(sql).bind(person), fetch_optional)?)
}
/// Begins a second factor with a new secret, in place of one that was begun and never confirmed.
pub async fn begin(tx: &mut Tx, person: Id<Person>, secret: &[u8]) -> Result<()> {
    let sql = "insert into second_factor (person_id, secret, confirmed_at, last_step) values ($1, $2, null, 0)
               on conflict (person_id) do update set secret = $2, last_step = 0 where second_factor.confirmed_at is null";
    execute!(tx, sqlx::query(sql).bind(person).bind(secret))?;
    Ok(())
}
/// From now on it is asked for.
pub async fn confirm(tx: &mut Tx, person: Id<Person>, now: OffsetDateTime) -> Result<()> {
    let sql = "update second_factor set confirmed_at = $2 where person_id = $1 and confirmed_at is null";
    execute!(tx, sqlx::query(sql).bind(person).bind(Instant(now)))?;
    Ok(())
}
/// Notes the step of a code that is taken; says false where one as late was taken meanwhile.
pub async fn take_step(tx: &mut Tx, person: Id<Person>, step: i64) -> Result<bool> {
    let sql = "update second_factor set last_step = $2 where person_id = $1 and last_step < $2";
    Ok(execute!(tx, sqlx::query(sql).bind(person).bind(step))? == 1)
}
/// Takes the second factor off, with its recovery codes.
pub async fn delete(tx: &mut Tx, person: Id<Person>) -> Result<()> {
    for sql in ["delete from recovery_code where person_id = $1", "delete from second_factor where person_id = $1"] {
        execute!(tx, sqlx::query(sql).bind(person))?;
    }
    Ok(())
}

/// Stores new recovery codes as hashes, in place of all before.
pub async fn set_recovery_codes(tx: &mut Tx, person: Id<Person>, hashes: &[Vec<u8>]) -> Result<()> {
    execute!(tx, sqlx::query("delete from recovery_code where person_id = $1").bind(person))?;
    for hash in hashes {
        let sql = "insert into recovery_code (person_id, code_hash) values ($1, $2)";
        execute!(tx, sqlx::query(sql).bind(person).bind(hash))?;
    }
    Ok(())
}
/// Uses a recovery code up; says whether it was one that was not used yet.
pub async fn use_recovery_code(tx: &mut Tx, person: Id<Person>, hash: &[u8], now: OffsetDateTime) -> Result<bool> {
    let sql = "update recovery_code set used_at = $3 where person_id = $1 and code_hash = $2 and used_at is null";
    Ok(execute!(tx, sqlx::query(sql).bind(person).bind(hash).bind(Instant(now)))? == 1)
}
/// How many recovery codes are left.
pub async fn recovery_codes_left(tx: &mut Tx, person: Id<Person>) -> Result<i64> {
    let sql = "select count(*) from recovery_code where person_id = $1 and used_at is null";
    Ok(on!(tx, sqlx::query_scalar(sql).bind(person), fetch_one)?)
}

/// Signing in, half way.
#[derive(Clone, Debug, FromRow)]
pub struct Step {
    /// Who gave their password.
    pub person_id: Id<Person>,
    /// The invitation that is accepted with it.
    pub invitation_hash: Option<Vec<u8>>,
}
/// Stores a step by the hash of its secret; those that are over are cleared away.
pub async fn insert_step(tx: &mut Tx, hash: &[u8], step: &Step, now: OffsetDateTime, until: OffsetDateTime) -> Result<()> {
    execute!(tx, sqlx::query("delete from sign_in_step where expires_at <= $1").bind(Instant(now)))?;
    let sql = "insert into sign_in_step (secret_hash, person_id, invitation_hash, expires_at) values ($1, $2, $3, $4)";
    execute!(tx, sqlx::query(sql).bind(hash).bind(step.person_id).bind(&step.invitation_hash).bind(Instant(until)))?;
    Ok(())
}
/// The step of a secret's hash.
pub async fn find_step(tx: &mut Tx, hash: &[u8], now: OffsetDateTime) -> Result<Option<Step>> {
    let sql = "select person_id, invitation_hash from sign_in_step where secret_hash = $1 and expires_at > $2";
    Ok(on!(tx, sqlx::query_as(sql).bind(hash).bind(Instant(now)), fetch_optional)?)
}
/// Uses a step up; says whether it was still there.
pub async fn use_step(tx: &mut Tx, hash: &[u8]) -> Result<bool> {
    Ok(execute!(tx, sqlx::query("delete from sign_in_step where secret_hash = $1").bind(hash))? == 1)
}
/// Ends every half sign-in of a person.
pub async fn delete_steps(tx: &mut Tx, person: Id<Person>) -> Result<()> {
    execute!(tx, sqlx::query("delete from sign_in_step where person_id = $1").bind(person))?;
    Ok(())
}
