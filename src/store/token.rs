//! API tokens.
use sqlx::FromRow;
use time::{Date, OffsetDateTime};

use super::{
    Stretch, Tx, execute, on,
    types::{Instant, Json},
};
use crate::{
    domain::{
        id::Id,
        motorcycle::{Motorcycle, Owner},
        words::TokenScope,
        workshop::{Person, Token, Workshop},
    },
    error::Result,
};

macro_rules! tokens {
    () => {
        "select workshop_id, id, name, scopes, expires_on, owner_id, motorcycle_id, last_used_at, ends_at, created_at from api_token "
    };
}

#[derive(FromRow)]
struct Row {
    workshop_id: Id<Workshop>,
    id: Id<Token>,
    name: String,
    scopes: Json<Vec<TokenScope>>,
    expires_on: Option<Date>,
    owner_id: Option<Id<Owner>>,
    motorcycle_id: Option<Id<Motorcycle>>,
    last_used_at: Option<Instant>,
    ends_at: Option<Instant>,
    created_at: Instant,
}
impl From<Row> for Token {
    fn from(row: Row) -> Self {
        Self {
            id: row.id,
            name: row.name,
            scopes: row.scopes.0,
            expires_on: row.expires_on,
            owner_id: row.owner_id,
            motorcycle_id: row.motorcycle_id,
            last_used_at: row.last_used_at.map(|at| at.0),
            ends_at: row.ends_at.map(|at| at.0),
            created_at: row.created_at.0,
        }
    }
}

/// Who makes a token.
#[derive(Clone, Debug)]
pub struct Maker {
    /// What they are called.
    pub name: String,
    /// The person who answers for the token: it goes when they leave.
    pub person: Option<Id<Person>>,
}

/// Stores a new token by the hash of its secret.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, token: &Token, hash: &[u8], by: &Maker) -> Result<()> {
    let sql = "insert into api_token (workshop_id, id, name, scopes, expires_on, owner_id, motorcycle_id, token_hash, created_by, created_at, updated_at,
                 made_by_id)
               values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $10, $11)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(token.id)
            .bind(&token.name)
            .bind(Json(&token.scopes))
            .bind(token.expires_on)
            .bind(token.owner_id)
            .bind(token.motorcycle_id)
            .bind(hash)
            .bind(&by.name)
            .bind(Instant(token.created_at))
            .bind(by.person)
    )?;
    Ok(())
}

/// The token of a secret's hash, unless it was revoked, with its workshop.
pub async fn find_by_hash(tx: &mut Tx, hash: &[u8]) -> Result<Option<(Id<Workshop>, Token)>> {
    let sql = concat!(tokens!(), "where token_hash = $1 and revoked_at is null");
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(hash), fetch_optional)?;
    Ok(row.map(|row| (row.workshop_id, row.into())))
}

/// The token of an id, unless it was revoked.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Token>) -> Result<Option<Token>> {
    let sql = concat!(tokens!(), "where workshop_id = $1 and id = $2 and revoked_at is null");
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(row.map(Token::from))
}

/// The person who answers for a token.
pub async fn answers_for(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Token>) -> Result<Option<Id<Person>>> {
    let sql = "select made_by_id from api_token where workshop_id = $1 and id = $2";
    let found: Option<(Option<Id<Person>>,)> = on!(tx, sqlx::query_as(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(found.and_then(|row| row.0))
}
/// Every token that a person answers for, and whether it is in use.
pub async fn made_by(tx: &mut Tx, workshop: Id<Workshop>, person: Id<Person>) -> Result<Vec<(Id<Token>, bool)>> {
    let sql = "select id, revoked_at from api_token where workshop_id = $1 and made_by_id = $2 order by id";
    let rows: Vec<(Id<Token>, Option<Instant>)> = on!(tx, sqlx::query_as(sql).bind(workshop).bind(person), fetch_all)?;
    Ok(rows.into_iter().map(|(id, revoked)| (id, revoked.is_none())).collect())
}

/// Tokens in use, oldest first.
pub async fn list(tx: &mut Tx, workshop: Id<Workshop>, stretch: Stretch<Id<Token>>) -> Result<Vec<Token>> {
    let sql = concat!(tokens!(), "where workshop_id = $1 and revoked_at is null and ($2 is null or id > $2) order by id limit $3");
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(stretch.after).bind(stretch.limit), fetch_all)?;
    Ok(rows.into_iter().map(Token::from).collect())
}

/// Notes the hour in which a token was used.
pub async fn used(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Token>, at: OffsetDateTime) -> Result<()> {
    let sql = "update api_token set last_used_at = $3 where workshop_id = $1 and id = $2";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(Instant(at)))?;
    Ok(())
}

/// Stores when a token that was rotated ends.
pub async fn end(tx: &mut Tx, workshop: Id<Workshop>, token: &Token, now: OffsetDateTime) -> Result<()> {
    let sql = "update api_token set ends_at = $3, updated_at = $4 where workshop_id = $1 and id = $2";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(token.id).bind(token.ends_at.map(Instant)).bind(Instant(now)))?;
    Ok(())
}

/// Revokes a token.
pub async fn revoke(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Token>, now: OffsetDateTime) -> Result<()> {
    let sql = "update api_token set revoked_at = $3, updated_at = $3 where workshop_id = $1 and id = $2 and revoked_at is null";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(Instant(now)))?;
    Ok(())
}
