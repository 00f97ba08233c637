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
        person::Member,
        words::Role,
        workshop::{Person, Workshop},
    },
    error::{Error, Result},
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
///
/// # Errors
/// 409 where the address has one by now: somebody else came in under it in this moment.
pub async fn insert(tx: &mut Tx, account: &Account, now: OffsetDateTime) -> Result<()> {
    let sql = "insert into person (person_id, email, name, password_hash, created_at) values ($1, $2, $3, $4, $5)";
    let done = execute!(
        tx,
        sqlx::query(sql).bind(account.person_id).bind(&account.email).bind(&account.name).bind(&account.password_hash).bind(Instant(now))
    );
    taken(done, "This address was given an account in this moment; begin again.")
}
/// Another account has this e-mail address.
fn taken(done: sqlx::Result<u64>, detail: &str) -> Result<()> {
    match done {
        Err(error) if error.as_database_error().is_some_and(sqlx::error::DatabaseError::is_unique_violation) => {
            Err(Error::conflict(detail, []))
        }
        done => done.map(|_| ()).map_err(Error::from),
    }
}

/// The account of an e-mail address (in lower case).
pub async fn find_by_email(tx: &mut Tx, email: &str) -> Result<Option<Account>> {
    let sql = "select person_id, email, name, password_hash from person where email = $1";
    Ok(on!(tx, sqlx::query_as::<_, Account>(sql).bind(email), fetch_optional)?)
}

/// The account of an id.
pub async fn find(tx: &mut Tx, person: Id<Person>) -> Result<Option<Account>> {
    let sql = "select person_id, email, name, password_hash from person where person_id = $1";
    Ok(on!(tx, sqlx::query_as::<_, Account>(sql).bind(person), fetch_optional)?)
}

/// Stores a new hash of a password.
pub async fn set_password(tx: &mut Tx, person: Id<Person>, hash: &str) -> Result<()> {
    execute!(tx, sqlx::query("update person set password_hash = $2 where person_id = $1").bind(person).bind(hash))?;
    Ok(())
}

/// Stores what a person calls themselves: every workshop that they belong to calls them so from now on.
pub async fn set_name(tx: &mut Tx, person: Id<Person>, name: &str) -> Result<()> {
    execute!(tx, sqlx::query("update person set name = $2 where person_id = $1").bind(person).bind(name))?;
    execute!(tx, sqlx::query("update membership set name = $2 where person_id = $1").bind(person).bind(name))?;
    Ok(())
}

/// Stores a person's new e-mail address.
///
/// # Errors
/// 409 where another account has it.
pub async fn set_email(tx: &mut Tx, person: Id<Person>, email: &str) -> Result<()> {
    let done = execute!(tx, sqlx::query("update person set email = $2 where person_id = $1").bind(person).bind(email));
    taken(done, "This e-mail address cannot be used any more; begin the change again with another one.")
}

/// Makes a person a member of a workshop.
pub async fn insert_membership(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    person: Id<Person>,
    member: &Member,
    now: OffsetDateTime,
) -> Result<()> {
    let sql = "insert into membership (workshop_id, person_id, id, name, roles, owner_id, created_at) values ($1, $2, $3, $4, $5, $6, $7)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(person)
            .bind(member.id)
            .bind(&member.name)
            .bind(Json(&member.roles))
            .bind(member.owner_id)
            .bind(Instant(now))
    )?;
    Ok(())
}

/// The workshops that a person has a role in, the oldest first.
pub async fn workshops_of(tx: &mut Tx, person: Id<Person>) -> Result<Vec<Id<Workshop>>> {
    let sql = "select workshop_id from membership where person_id = $1 order by created_at, workshop_id";
    let rows: Vec<(Id<Workshop>,)> = on!(tx, sqlx::query_as(sql).bind(person), fetch_all)?;
    Ok(rows.into_iter().map(|row| row.0).collect())
}

/// The workshops that a person has a role in, with what each calls them.
pub async fn names_of(tx: &mut Tx, person: Id<Person>) -> Result<Vec<(Id<Workshop>, String)>> {
    let sql = "select workshop_id, name from membership where person_id = $1 order by created_at, workshop_id";
    Ok(on!(tx, sqlx::query_as(sql).bind(person), fetch_all)?)
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
