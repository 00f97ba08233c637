//! Sessions: who is signed in, since when, from where.
use sqlx::FromRow;
use time::{Duration, OffsetDateTime};

use super::{
    Tx,
    account::Membership,
    execute, on,
    types::{Instant, Json},
};
use crate::{
    access::whence::Whence,
    domain::{
        id::Id,
        motorcycle::Owner,
        person::Session,
        words::Role,
        workshop::{Person, Workshop},
    },
    error::Result,
};

/// A session ends after this long without use.
pub const IDLE: Duration = Duration::days(14);

#[derive(FromRow)]
struct Row {
    id: Id<Session>,
    created_at: Instant,
    seen_at: Instant,
    user_agent: String,
    address: String,
}
impl From<Row> for Session {
    fn from(row: Row) -> Self {
        Self { id: row.id, begun_at: row.created_at.0, seen_at: row.seen_at.0, user_agent: row.user_agent, address: row.address }
    }
}

/// A new session.
#[derive(Debug)]
pub struct NewSession<'a> {
    /// Its id.
    pub id: Id<Session>,
    /// The hash of its secret.
    pub hash: &'a [u8],
    /// Whose it is.
    pub person: Id<Person>,
    /// The workshop that is open in it.
    pub workshop: Id<Workshop>,
    /// Where it comes from.
    pub whence: &'a Whence,
    /// When it begins.
    pub now: OffsetDateTime,
    /// When it ends, however much it is used.
    pub until: OffsetDateTime,
}

/// Begins a session; those that are over are cleared away.
pub async fn insert(tx: &mut Tx, new: &NewSession<'_>) -> Result<()> {
    let over = "delete from session where expires_at <= $1 or seen_at <= $2";
    execute!(tx, sqlx::query(over).bind(Instant(new.now)).bind(Instant(new.now - IDLE)))?;
    let sql = "insert into session (token_hash, id, person_id, workshop_id, user_agent, address, seen_at, created_at, expires_at)
               values ($1, $2, $3, $4, $5, $6, $7, $8, $9)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(new.hash)
            .bind(new.id)
            .bind(new.person)
            .bind(new.workshop)
            .bind(&new.whence.user_agent)
            .bind(&new.whence.address)
            .bind(Instant(new.now))
            .bind(Instant(new.now))
            .bind(Instant(new.until))
    )?;
    Ok(())
}

#[derive(FromRow)]
struct PersonRow {
    person_id: Id<Person>,
    email: String,
    name: String,
    workshop_id: Id<Workshop>,
    roles: Json<Vec<Role>>,
    owner_id: Option<Id<Owner>>,
    seen_at: Instant,
}

/// Whose a session is, for which workshop, and when it was last used; only while the person still has a role there.
pub async fn find(tx: &mut Tx, hash: &[u8], now: OffsetDateTime) -> Result<Option<(Person, Membership, OffsetDateTime)>> {
    let sql = "select person.person_id, person.email, membership.name, session.workshop_id, membership.roles, membership.owner_id, session.seen_at
               from session
               join person on person.person_id = session.person_id
               join membership on membership.workshop_id = session.workshop_id and membership.person_id = session.person_id
               where session.token_hash = $1 and session.expires_at > $2 and session.seen_at > $3";
    let since = Instant(now - IDLE);
    let row: Option<PersonRow> = on!(tx, sqlx::query_as(sql).bind(hash).bind(Instant(now)).bind(since), fetch_optional)?;
    Ok(row.map(|row| {
        let member = Membership { workshop_id: row.workshop_id, roles: row.roles.0, owner_id: row.owner_id };
        (Person { id: row.person_id, email: row.email, name: row.name }, member, row.seen_at.0)
    }))
}

/// Notes that a session was used.
pub async fn seen(tx: &mut Tx, hash: &[u8], at: OffsetDateTime) -> Result<()> {
    execute!(tx, sqlx::query("update session set seen_at = $2 where token_hash = $1").bind(hash).bind(Instant(at)))?;
    Ok(())
}

/// The sessions of a person, the one used last first, and which of them has this hash.
pub async fn list(tx: &mut Tx, person: Id<Person>, hash: &[u8], now: OffsetDateTime) -> Result<Vec<(Session, bool)>> {
    let sql = "select id, created_at, seen_at, user_agent, address from session
               where person_id = $1 and expires_at > $2 and seen_at > $3 order by seen_at desc, created_at desc, id";
    let since = Instant(now - IDLE);
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(person).bind(Instant(now)).bind(since), fetch_all)?;
    let own: Option<(Id<Session>,)> = on!(tx, sqlx::query_as("select id from session where token_hash = $1").bind(hash), fetch_optional)?;
    Ok(rows.into_iter().map(|row| (Some(row.id) == own.map(|own| own.0), row)).map(|(here, row)| (row.into(), here)).collect())
}

/// Opens another workshop in a session, where the person has a role in it; says whether they have.
pub async fn open_workshop(tx: &mut Tx, hash: &[u8], person: Id<Person>, workshop: Id<Workshop>) -> Result<bool> {
    let sql = "update session set workshop_id = $3 where token_hash = $1 and person_id = $2
               and exists (select 1 from membership where person_id = $2 and workshop_id = $3)";
    Ok(execute!(tx, sqlx::query(sql).bind(hash).bind(person).bind(workshop))? == 1)
}

/// Whose the session of a hash is, whatever they may still open.
pub async fn person_of(tx: &mut Tx, hash: &[u8]) -> Result<Option<Id<Person>>> {
    let sql = "select person_id from session where token_hash = $1";
    Ok(on!(tx, sqlx::query_scalar(sql).bind(hash), fetch_optional)?)
}

/// Ends the session of a hash.
pub async fn delete(tx: &mut Tx, hash: &[u8]) -> Result<()> {
    execute!(tx, sqlx::query("delete from session where token_hash = $1").bind(hash))?;
    Ok(())
}
/// Ends a session of a person; says whether there was one.
pub async fn delete_one(tx: &mut Tx, person: Id<Person>, id: Id<Session>) -> Result<bool> {
    Ok(execute!(tx, sqlx::query("delete from session where person_id = $1 and id = $2").bind(person).bind(id))? == 1)
}
/// Ends every session of a person, but for the one of a hash.
pub async fn delete_others(tx: &mut Tx, person: Id<Person>, but: &[u8]) -> Result<()> {
    execute!(tx, sqlx::query("delete from session where person_id = $1 and token_hash <> $2").bind(person).bind(but))?;
    Ok(())
}
/// Ends every session of a person in a workshop.
pub async fn delete_in(tx: &mut Tx, person: Id<Person>, workshop: Id<Workshop>) -> Result<()> {
    execute!(tx, sqlx::query("delete from session where person_id = $1 and workshop_id = $2").bind(person).bind(workshop))?;
    Ok(())
}
