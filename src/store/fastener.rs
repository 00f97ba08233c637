//! Fasteners.
use sqlx::FromRow;
use time::OffsetDateTime;

use super::{
    Stretch, Tx, execute, on,
    types::{Instant, Json},
};
use crate::{
    domain::{
        fastener::{Fastener, NewFastener},
        id::Id,
        motorcycle::Motorcycle,
        workshop::Workshop,
    },
    error::Result,
};

#[derive(FromRow)]
struct Row {
    id: Id<Fastener>,
    body: Json<NewFastener>,
    created_at: Instant,
}
impl From<Row> for Fastener {
    fn from(row: Row) -> Self {
        Self::from_new(row.id, row.body.0, row.created_at.0)
    }
}

/// Stores a new fastener.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, fastener: &Fastener) -> Result<()> {
    let sql = "insert into fastener (workshop_id, id, key, component, motorcycle_id, body, created_at, updated_at)
               values ($1, $2, $3, $4, $5, $6, $7, $7)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(fastener.id)
            .bind(&fastener.key)
            .bind(&fastener.component)
            .bind(fastener.applies_to.motorcycle_id)
            .bind(Json(fastener.details()))
            .bind(Instant(fastener.created_at))
    )?;
    Ok(())
}

/// Stores what was changed on a fastener.
pub async fn update(tx: &mut Tx, workshop: Id<Workshop>, fastener: &Fastener, now: OffsetDateTime) -> Result<()> {
    let sql = "update fastener set key = $3, component = $4, motorcycle_id = $5, body = $6, updated_at = $7
               where workshop_id = $1 and id = $2";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(fastener.id)
            .bind(&fastener.key)
            .bind(&fastener.component)
            .bind(fastener.applies_to.motorcycle_id)
            .bind(Json(fastener.details()))
            .bind(Instant(now))
    )?;
    Ok(())
}

/// Hides a fastener. What was tightened by it keeps its verdicts.
pub async fn hide(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Fastener>, now: OffsetDateTime) -> Result<()> {
    let sql = "update fastener set deleted_at = $3, updated_at = $3 where workshop_id = $1 and id = $2 and deleted_at is null";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(Instant(now)))?;
    Ok(())
}

/// The fastener of an id, unless it was deleted.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Fastener>) -> Result<Option<Fastener>> {
    let sql = "select id, body, created_at from fastener where workshop_id = $1 and id = $2 and deleted_at is null";
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(row.map(Fastener::from))
}

/// Fasteners that were not deleted, oldest first; of one key or component, or written for one motorcycle, if wanted.
pub async fn list(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    key: Option<&str>,
    component: Option<&str>,
    motorcycle: Option<Id<Motorcycle>>,
    stretch: Stretch<Id<Fastener>>,
) -> Result<Vec<Fastener>> {
    macro_rules! listed {
        ($motorcycle:literal) => {
            concat!("select id, body, created_at from fastener where workshop_id = $1 and deleted_at is null and ($2 is null or key = $2) and ($3 is null or component = $3) and ", $motorcycle, " and ($5 is null or id > $5) order by id limit $6")
        };
    }
    let sql = if motorcycle.is_some() { listed!("motorcycle_id = $4") } else { listed!("($4 is null or motorcycle_id = $4)") };
    let rows = on!(
        tx,
        sqlx::query_as::<_, Row>(sql).bind(workshop).bind(key).bind(component).bind(motorcycle).bind(stretch.after).bind(stretch.limit),
        fetch_all
    )?;
    Ok(rows.into_iter().map(Fastener::from).collect())
}

/// The fasteners that may be on one motorcycle: those for many, and those written for it alone.
/// [`of_key`](crate::domain::fastener::of_key) says which one of a key a tightened line means.
pub async fn perhaps_for(tx: &mut Tx, workshop: Id<Workshop>, motorcycle: Id<Motorcycle>) -> Result<Vec<Fastener>> {
    // Two searches of an index: SQLite would walk through all rows for an `or`.
    let sql = "select id, body, created_at from fastener where workshop_id = $1 and motorcycle_id is null and deleted_at is null
               union all
               select id, body, created_at from fastener where workshop_id = $1 and motorcycle_id = $2 and deleted_at is null
               order by id";
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(motorcycle), fetch_all)?;
    Ok(rows.into_iter().map(Fastener::from).collect())
}

/// The fasteners of a key that stand at the rank of one motorcycle (`Some`) or at another (`None`), oldest first:
/// only those can contradict a new one.
pub async fn beside(tx: &mut Tx, workshop: Id<Workshop>, key: &str, motorcycle: Option<Id<Motorcycle>>) -> Result<Vec<Fastener>> {
    let sql = "select id, body, created_at from fastener
               where workshop_id = $1 and key = $2 and motorcycle_id = $3 and deleted_at is null
               union all
               select id, body, created_at from fastener
               where workshop_id = $1 and key = $2 and motorcycle_id is null and $3 is null and deleted_at is null
               order by id";
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(key).bind(motorcycle), fetch_all)?;
    Ok(rows.into_iter().map(Fastener::from).collect())
}
