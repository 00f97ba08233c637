//! Addresses of calendars, and what their programs were last told about each due item.
use std::collections::HashMap;

use sqlx::FromRow;
use time::OffsetDateTime;
use uuid::Uuid;

use super::{
    Stretch, Tx, execute,
    many::{fetch_of, insert_many},
    on,
    types::Instant,
};
use crate::{
    domain::{
        calendar_feed::CalendarAddress,
        due::DueItemId,
        id::Id,
        motorcycle::{Motorcycle, Owner},
        workshop::Workshop,
    },
    error::Result,
};

/// An address with the part of the workshop that it sees.
#[derive(Clone, Debug, FromRow)]
pub struct CalendarRow {
    /// The workshop.
    pub workshop_id: Id<Workshop>,
    /// Its id.
    pub id: Id<CalendarAddress>,
    /// Only this motorcycle.
    pub motorcycle_id: Option<Id<Motorcycle>>,
    /// Only the motorcycles of this owner.
    pub owner_id: Option<Id<Owner>>,
    /// Who made it.
    pub made_by: String,
    /// That person or token.
    pub made_by_id: Option<Uuid>,
    /// When.
    pub created_at: Instant,
}
impl From<CalendarRow> for CalendarAddress {
    fn from(row: CalendarRow) -> Self {
        Self { id: row.id, motorcycle_id: row.motorcycle_id, made_by: row.made_by, created_at: row.created_at.0 }
    }
}

macro_rules! calendars {
    () => {
        "select workshop_id, id, motorcycle_id, owner_id, made_by, made_by_id, created_at from calendar "
    };
}

/// Stores a new address with the hash of its secret.
pub async fn insert(tx: &mut Tx, row: &CalendarRow, secret_hash: &[u8]) -> Result<()> {
    let sql = "insert into calendar (workshop_id, id, motorcycle_id, owner_id, made_by, secret_hash, created_at, made_by_id) values ($1, $2, $3, $4, $5, $6, $7, $8)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(row.workshop_id)
            .bind(row.id)
            .bind(row.motorcycle_id)
            .bind(row.owner_id)
            .bind(&row.made_by)
            .bind(secret_hash)
            .bind(row.created_at)
            .bind(row.made_by_id)
    )?;
    Ok(())
}
/// The address of a secret, unless it was revoked.
pub async fn find_by_hash(tx: &mut Tx, secret_hash: &[u8]) -> Result<Option<CalendarRow>> {
    let sql = concat!(calendars!(), "where secret_hash = $1 and deleted_at is null");
    Ok(on!(tx, sqlx::query_as::<_, CalendarRow>(sql).bind(secret_hash), fetch_optional)?)
}
/// The address of an id, unless it was revoked.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<CalendarAddress>) -> Result<Option<CalendarRow>> {
    let sql = concat!(calendars!(), "where workshop_id = $1 and id = $2 and deleted_at is null");
    Ok(on!(tx, sqlx::query_as::<_, CalendarRow>(sql).bind(workshop).bind(id), fetch_optional)?)
}
/// Addresses in the order in which they were made; those that see only this owner's motorcycles, or only this motorcycle, if wanted.
pub async fn list(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    owner: Option<Id<Owner>>,
    motorcycle: Option<Id<Motorcycle>>,
    stretch: Stretch<Id<CalendarAddress>>,
) -> Result<Vec<CalendarRow>> {
    let sql = concat!(
        calendars!(),
        "where workshop_id = $1 and deleted_at is null and ($2 is null or owner_id = $2) and ($3 is null or motorcycle_id = $3)
           and ($4 is null or id > $4) order by id limit $5"
    );
    Ok(on!(
        tx,
        sqlx::query_as::<_, CalendarRow>(sql).bind(workshop).bind(owner).bind(motorcycle).bind(stretch.after).bind(stretch.limit),
        fetch_all
    )?)
}
/// Revokes an address.
pub async fn revoke(tx: &mut Tx, workshop: Id<Workshop>, id: Id<CalendarAddress>, now: OffsetDateTime) -> Result<()> {
    let sql = "update calendar set deleted_at = $3 where workshop_id = $1 and id = $2 and deleted_at is null";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(Instant(now)))?;
    Ok(())
}

/// Revokes every address that a person or token made.
pub async fn revoke_made_by(tx: &mut Tx, workshop: Id<Workshop>, maker: Uuid, now: OffsetDateTime) -> Result<()> {
    let sql = "update calendar set deleted_at = $3 where workshop_id = $1 and made_by_id = $2 and deleted_at is null";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(maker).bind(Instant(now)))?;
    Ok(())
}

/// What was last told about a due item.
#[derive(Clone, Debug, PartialEq, FromRow)]
pub struct Told {
    /// The due item.
    pub id: DueItemId,
    /// A hash of what its entry said.
    pub content_hash: Vec<u8>,
    /// How often that has changed.
    pub sequence: i64,
    /// When it last did.
    pub changed_at: Instant,
}
/// What was last told about these due items.
pub async fn told(tx: &mut Tx, workshop: Id<Workshop>, ids: &[DueItemId]) -> Result<HashMap<DueItemId, Told>> {
    let sql = "select id, content_hash, sequence, changed_at from calendar_entry where workshop_id = $1 and id in ({})";
    Ok(fetch_of!(tx, Told, sql, workshop, ids).into_iter().map(|told| (told.id, told)).collect())
}
/// Keeps what is told from now on, in place of what was told before.
pub async fn keep(tx: &mut Tx, workshop: Id<Workshop>, changed: &[Told]) -> Result<()> {
    let ids: Vec<_> = changed.iter().map(|told| told.id).collect();
    for id in ids {
        execute!(tx, sqlx::query("delete from calendar_entry where workshop_id = $1 and id = $2").bind(workshop).bind(id))?;
    }
    insert_many!(tx, "insert into calendar_entry (workshop_id, id, content_hash, sequence, changed_at)", changed, |told| [
        workshop,
        told.id,
        &told.content_hash,
        told.sequence,
        told.changed_at,
    ]);
    Ok(())
}
