//! Links that stand for an account: to a new password, and to confirm a new e-mail address. Their secrets are stored as hashes.
use sqlx::FromRow;
use time::OffsetDateTime;

use super::{Tx, execute, on, types::Instant};
use crate::{
    domain::{
        id::Id,
        workshop::{Person, Workshop},
    },
    error::Result,
};

/// A link to a new password.
#[derive(Clone, Debug, FromRow)]
pub struct ResetLink {
    /// Whose password.
    pub person_id: Id<Person>,
    /// The workshop whose manager made it; None where the person asked for it by mail.
    pub workshop_id: Option<Id<Workshop>>,
}
/// Stores a link to a new password; those that are over are cleared away.
pub async fn insert_reset(tx: &mut Tx, hash: &[u8], link: &ResetLink, now: OffsetDateTime, until: OffsetDateTime) -> Result<()> {
    execute!(tx, sqlx::query("delete from reset_link where expires_at <= $1").bind(Instant(now)))?;
    let sql = "insert into reset_link (secret_hash, person_id, workshop_id, expires_at) values ($1, $2, $3, $4)";
    execute!(tx, sqlx::query(sql).bind(hash).bind(link.person_id).bind(link.workshop_id).bind(Instant(until)))?;
    Ok(())
}
/// The link of a secret's hash. One that a manager made counts only while the person belongs to that workshop alone: whoever came in
/// elsewhere meanwhile must not be taken over from here.
pub async fn find_reset(tx: &mut Tx, hash: &[u8], now: OffsetDateTime) -> Result<Option<ResetLink>> {
    let sql = "select person_id, workshop_id from reset_link where secret_hash = $1 and expires_at > $2
               and (workshop_id is null
                 or exists (select 1 from membership where membership.person_id = reset_link.person_id
                            and membership.workshop_id = reset_link.workshop_id)
                 and not exists (select 1 from membership where membership.person_id = reset_link.person_id
                                 and membership.workshop_id <> reset_link.workshop_id))";
    Ok(on!(tx, sqlx::query_as(sql).bind(hash).bind(Instant(now)), fetch_optional)?)
}
/// Uses a link up; says whether it was still there.
pub async fn use_reset(tx: &mut Tx, hash: &[u8]) -> Result<bool> {
    Ok(execute!(tx, sqlx::query("delete from reset_link where secret_hash = $1").bind(hash))? == 1)
}

/// A change of e-mail address that is under way.
#[derive(Clone, Debug, FromRow)]
pub struct EmailChange {
    /// Whose.
    pub person_id: Id<Person>,
    /// The new address.
    pub email: String,
    /// The hash of the secret that went to the old address.
    pub old_hash: Vec<u8>,
    /// The hash of the secret that went to the new one.
    pub new_hash: Vec<u8>,
    /// When the old address confirmed it.
    pub old_confirmed_at: Option<Instant>,
    /// When the new one did.
    pub new_confirmed_at: Option<Instant>,
}
/// Begins a change, in place of one that was under way.
pub async fn begin_email_change(tx: &mut Tx, change: &EmailChange, until: OffsetDateTime) -> Result<()> {
    execute!(tx, sqlx::query("delete from email_change where person_id = $1").bind(change.person_id))?;
    let sql = "insert into email_change (person_id, email, old_hash, new_hash, expires_at) values ($1, $2, $3, $4, $5)";
    execute!(
        tx,
        sqlx::query(sql).bind(change.person_id).bind(&change.email).bind(&change.old_hash).bind(&change.new_hash).bind(Instant(until))
    )?;
    Ok(())
}
/// The change that a secret's hash belongs to.
pub async fn find_email_change(tx: &mut Tx, hash: &[u8], now: OffsetDateTime) -> Result<Option<EmailChange>> {
    let sql = "select person_id, email, old_hash, new_hash, old_confirmed_at, new_confirmed_at from email_change
               where (old_hash = $1 or new_hash = $1) and expires_at > $2";
    Ok(on!(tx, sqlx::query_as(sql).bind(hash).bind(Instant(now)), fetch_optional)?)
}
/// The change of a person that is under way.
pub async fn email_change_of(tx: &mut Tx, person: Id<Person>, now: OffsetDateTime) -> Result<Option<EmailChange>> {
    let sql = "select person_id, email, old_hash, new_hash, old_confirmed_at, new_confirmed_at from email_change
               where person_id = $1 and expires_at > $2";
    Ok(on!(tx, sqlx::query_as(sql).bind(person).bind(Instant(now)), fetch_optional)?)
}
/// Notes that one side has confirmed a change. PostgreSQL lets the other side wait until this one is done.
pub async fn confirm_email_change(tx: &mut Tx, hash: &[u8], now: OffsetDateTime) -> Result<Option<EmailChange>> {
    let sql = "update email_change set old_confirmed_at = case when old_hash = $1 then $2 else old_confirmed_at end,
                 new_confirmed_at = case when new_hash = $1 then $2 else new_confirmed_at end
               where (old_hash = $1 or new_hash = $1) and expires_at > $2
               returning person_id, email, old_hash, new_hash, old_confirmed_at, new_confirmed_at";
    Ok(on!(tx, sqlx::query_as(sql).bind(hash).bind(Instant(now)), fetch_optional)?)
}
/// Ends what is under way for a person: links to a new password, and a change of address.
pub async fn delete_all(tx: &mut Tx, person: Id<Person>) -> Result<()> {
    for sql in ["delete from reset_link where person_id = $1", "delete from email_change where person_id = $1"] {
        execute!(tx, sqlx::query(sql).bind(person))?;
    }
    Ok(())
}
