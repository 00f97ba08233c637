//! Accounts, their memberships in workshops, and sessions.
use sqlx::FromRow;
use time::OffsetDateTime;

use super::{
    Tx, execute, on,
    types::{Instant, Json},
};
use crate::{
    domain::{
        id::Id,
        motorcycle::Owner,
        words::Role,
        workshop::{Person, Workshop},
    },
    error::Result,
};

/// A person with the hash of their password.
#[derive(Debug, FromRow)]
pub struct Account {
    /// The id.
    pub person_id: Id<Person>,
    /// The e-mail address, in lower case.
    pub email: String,
    /// The name.
    pub name: String,
    /// The argon2id hash of the password.
    pub password_hash: String,
}
impl Account {
    /// The person, without the hash.
    #[must_use]
    pub fn person(&self) -> Person {
        Person { id: self.person_id, email: self.email.clone(), name: self.name.clone() }
    }
}

/// Stores a new account.
pub async fn insert(tx: &mut Tx, account: &Account, now: OffsetDateTime) -> Result<()> {
    let sql = "insert into person (person_id, email, name, password_hash, created_at) values ($1, $2, $3, $4, $5)";
    execute!(
        tx,
        sqlx::query(sql).bind(account.person_id).bind(&account.email).bind(&account.name).bind(&account.password_hash).bind(Instant(now))
    )?;
    Ok(())
}

/// The account of an e-mail address (in lower case).
pub async fn find_by_email(tx: &mut Tx, email: &str) -> Result<Option<Account>> {
    let sql = "select person_id, email, name, password_hash from person where email = $1";
    Ok(on!(tx, sqlx::query_as::<_, Account>(sql).bind(email), fetch_optional)?)
}

/// Makes a person a manager of a workshop.
pub async fn add_manager(tx: &mut Tx, workshop: Id<Workshop>, person: Id<Person>, now: OffsetDateTime) -> Result<()> {
    let sql = "insert into membership (workshop_id, person_id, roles, created_at) values ($1, $2, '[\"manager\"]', $3)";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(person).bind(Instant(now)))?;
    Ok(())
}

/// The workshops that a person has a role in, the oldest first.
pub async fn workshops_of(tx: &mut Tx, person: Id<Person>) -> Result<Vec<Id<Workshop>>> {
    let sql = "select workshop_id from membership where person_id = $1 order by created_at, workshop_id";
    let rows: Vec<(Id<Workshop>,)> = on!(tx, sqlx::query_as(sql).bind(person), fetch_all)?;
    Ok(rows.into_iter().map(|row| row.0).collect())
}

/// Starts a session.
pub async fn insert_session(
    tx: &mut Tx,
    hash: &[u8],
    person: Id<Person>,
    workshop: Id<Workshop>,
    now: OffsetDateTime,
    until: OffsetDateTime,
) -> Result<()> {
    execute!(tx, sqlx::query("delete from session where expires_at <= $1").bind(Instant(now)))?;
    let sql = "insert into session (token_hash, person_id, workshop_id, created_at, expires_at) values ($1, $2, $3, $4, $5)";
    execute!(tx, sqlx::query(sql).bind(hash).bind(person).bind(workshop).bind(Instant(now)).bind(Instant(until)))?;
    Ok(())
}

/// What a person is in a workshop.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Membership {
    /// The workshop.
    pub workshop_id: Id<Workshop>,
    /// Their roles there.
    pub roles: Vec<Role>,
    /// The owner whose motorcycles are theirs.
    pub owner_id: Option<Id<Owner>>,
}
#[derive(FromRow)]
struct SessionRow {
    person_id: Id<Person>,
    email: String,
    name: String,
    workshop_id: Id<Workshop>,
    roles: Json<Vec<Role>>,
    owner_id: Option<Id<Owner>>,
}

/// Who a session belongs to, and for which workshop; only while the person still has a role there.
pub async fn find_session(tx: &mut Tx, hash: &[u8], now: OffsetDateTime) -> Result<Option<(Person, Membership)>> {
    let sql = "select person.person_id, person.email, person.name, session.workshop_id, membership.roles, membership.owner_id from session
               join person on person.person_id = session.person_id
               join membership on membership.workshop_id = session.workshop_id and membership.person_id = session.person_id
               where session.token_hash = $1 and session.expires_at > $2";
    let row: Option<SessionRow> = on!(tx, sqlx::query_as(sql).bind(hash).bind(Instant(now)), fetch_optional)?;
    Ok(row.map(|row| {
        let member = Membership { workshop_id: row.workshop_id, roles: row.roles.0, owner_id: row.owner_id };
        (Person { id: row.person_id, email: row.email, name: row.name }, member)
    }))
}

/// Ends a session.
pub async fn delete_session(tx: &mut Tx, hash: &[u8]) -> Result<()> {
    execute!(tx, sqlx::query("delete from session where token_hash = $1").bind(hash))?;
    Ok(())
}
