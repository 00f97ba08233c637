//! Owners.
use sqlx::FromRow;
use time::OffsetDateTime;

use super::{
    Stretch, Tx, execute, on,
    types::{Instant, Json},
};
use crate::{
    domain::{
        id::Id,
        motorcycle::{Motorcycle, NewOwner, Owner},
        workshop::Workshop,
    },
    error::Result,
};

#[derive(FromRow)]
struct Row {
    id: Id<Owner>,
    body: Json<NewOwner>,
    created_at: Instant,
}
impl From<Row> for Owner {
    fn from(row: Row) -> Self {
        Self::from_new(row.id, row.body.0, row.created_at.0)
    }
}

/// Stores a new owner.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, owner: &Owner) -> Result<()> {
    let sql =
        "insert into owner (workshop_id, id, name, body, reports_frequency, created_at, updated_at) values ($1, $2, $3, $4, $6, $5, $5)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(owner.id)
            .bind(&owner.name)
            .bind(Json(owner.details()))
            .bind(Instant(owner.created_at))
            .bind(owner.reports.frequency.as_str())
    )?;
    Ok(())
}

/// Stores what was changed on an owner.
pub async fn update(tx: &mut Tx, workshop: Id<Workshop>, owner: &Owner, now: OffsetDateTime) -> Result<()> {
    let sql = "update owner set name = $3, body = $4, reports_frequency = $6, updated_at = $5 where workshop_id = $1 and id = $2";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(owner.id)
            .bind(&owner.name)
            .bind(Json(owner.details()))
            .bind(Instant(now))
            .bind(owner.reports.frequency.as_str())
    )?;
    Ok(())
}

/// Hides an owner; what refers to them stays.
pub async fn hide(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Owner>, now: OffsetDateTime) -> Result<()> {
    let sql = "update owner set deleted_at = $3, updated_at = $3 where workshop_id = $1 and id = $2 and deleted_at is null";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(Instant(now)))?;
    Ok(())
}

/// The owner of an id, unless hidden.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Owner>) -> Result<Option<Owner>> {
    let sql = "select id, body, created_at from owner where workshop_id = $1 and id = $2 and deleted_at is null";
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(row.map(Owner::from))
}

/// The owner of an id, hidden or not.
pub async fn find_even_hidden(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Owner>) -> Result<Option<Owner>> {
    let sql = "select id, body, created_at from owner where workshop_id = $1 and id = $2";
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(row.map(Owner::from))
}

/// Owners by name, then id.
pub async fn list(tx: &mut Tx, workshop: Id<Workshop>, stretch: Stretch<(String, Id<Owner>)>) -> Result<Vec<Owner>> {
    let sql = "select id, body, created_at from owner where workshop_id = $1 and deleted_at is null
                 and ($2 is null or (name, id) > ($2, $3)) order by name, id limit $4";
    let (name, id) = stretch.after.unzip();
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(&name).bind(id).bind(stretch.limit), fetch_all)?;
    Ok(rows.into_iter().map(Owner::from).collect())
}

/// The owners who want reports, by id.
pub async fn who_want_reports(tx: &mut Tx, workshop: Id<Workshop>) -> Result<Vec<Owner>> {
    let sql = "select id, body, created_at from owner where workshop_id = $1 and reports_frequency in ('daily', 'weekly', 'monthly')
                 and deleted_at is null order by id";
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop), fetch_all)?;
    Ok(rows.into_iter().map(Owner::from).collect())
}

/// The motorcycles in use that belong to an owner.
pub async fn motorcycles(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Owner>) -> Result<Vec<Id<Motorcycle>>> {
    let sql = "select id from motorcycle where workshop_id = $1 and owner_id = $2 and archived_at is null order by id";
    Ok(on!(tx, sqlx::query_scalar::<_, Id<Motorcycle>>(sql).bind(workshop).bind(id), fetch_all)?)
}
