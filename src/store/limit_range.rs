//! Limits.
use sqlx::FromRow;
use time::OffsetDateTime;

use super::{
    Stretch, Tx, execute, on,
    types::{Instant, Json},
};
use crate::{
    domain::{
        id::Id,
        limit::{Limit, NewLimit},
        motorcycle::Motorcycle,
        words::Measurand,
        workshop::Workshop,
    },
    error::Result,
};

#[derive(FromRow)]
struct Row {
    id: Id<Limit>,
    body: Json<NewLimit>,
    created_at: Instant,
}
impl From<Row> for Limit {
    fn from(row: Row) -> Self {
        Self::from_new(row.id, row.body.0, row.created_at.0)
    }
}

/// Stores a new limit.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, limit: &Limit) -> Result<()> {
    let sql = "insert into limit_range (workshop_id, id, component, quantity, motorcycle_id, body, created_at, updated_at)
               values ($1, $2, $3, $4, $5, $6, $7, $7)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(limit.id)
            .bind(&limit.component)
            .bind(limit.quantity)
            .bind(limit.applies_to.motorcycle_id)
            .bind(Json(limit.details()))
            .bind(Instant(limit.created_at))
    )?;
    Ok(())
}

/// Stores what was changed on a limit.
pub async fn update(tx: &mut Tx, workshop: Id<Workshop>, limit: &Limit, now: OffsetDateTime) -> Result<()> {
    let sql = "update limit_range set component = $3, quantity = $4, motorcycle_id = $5, body = $6, updated_at = $7
               where workshop_id = $1 and id = $2";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(limit.id)
            .bind(&limit.component)
            .bind(limit.quantity)
            .bind(limit.applies_to.motorcycle_id)
            .bind(Json(limit.details()))
            .bind(Instant(now))
    )?;
    Ok(())
}

/// Hides a limit. Values that were judged by it keep their verdict.
pub async fn hide(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Limit>, now: OffsetDateTime) -> Result<()> {
    let sql = "update limit_range set deleted_at = $3, updated_at = $3 where workshop_id = $1 and id = $2 and deleted_at is null";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(Instant(now)))?;
    Ok(())
}

/// The limit of an id, unless it was deleted.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Limit>) -> Result<Option<Limit>> {
    let sql = "select id, body, created_at from limit_range where workshop_id = $1 and id = $2 and deleted_at is null";
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(row.map(Limit::from))
}

/// Limits that were not deleted, oldest first; of one component or quantity, or written for one motorcycle, if wanted.
pub async fn list(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    component: Option<&str>,
    quantity: Option<Measurand>,
    motorcycle: Option<Id<Motorcycle>>,
    stretch: Stretch<Id<Limit>>,
) -> Result<Vec<Limit>> {
    macro_rules! listed {
        ($motorcycle:literal) => {
            concat!("select id, body, created_at from limit_range where workshop_id = $1 and deleted_at is null and ($2 is null or component = $2) and ($3 is null or quantity = $3) and ", $motorcycle, " and ($5 is null or id > $5) order by id limit $6")
        };
    }
    let sql = if motorcycle.is_some() { listed!("motorcycle_id = $4") } else { listed!("($4 is null or motorcycle_id = $4)") };
    let rows = on!(
        tx,
        sqlx::query_as::<_, Row>(sql)
            .bind(workshop)
            .bind(component)
            .bind(quantity)
            .bind(motorcycle)
            .bind(stretch.after)
            .bind(stretch.limit),
        fetch_all
    )?;
    Ok(rows.into_iter().map(Limit::from).collect())
}

/// The limits of one component's quantity that may judge a value on one motorcycle, oldest first: those for many, and those
/// written for it alone.
pub async fn for_judging(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    motorcycle: Id<Motorcycle>,
    component: &str,
    quantity: Measurand,
) -> Result<Vec<Limit>> {
    let sql = "select id, body, created_at from limit_range
               where workshop_id = $1 and component = $2 and quantity = $3 and motorcycle_id is null and deleted_at is null
               union all
               select id, body, created_at from limit_range
               where workshop_id = $1 and component = $2 and quantity = $3 and motorcycle_id = $4 and deleted_at is null
               order by id";
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(component).bind(quantity).bind(motorcycle), fetch_all)?;
    Ok(rows.into_iter().map(Limit::from).collect())
}

/// The limits that may hold on one motorcycle: those for many, and those written for it alone.
pub async fn perhaps_for(tx: &mut Tx, workshop: Id<Workshop>, motorcycle: Id<Motorcycle>) -> Result<Vec<Limit>> {
    // Two searches of an index: SQLite would walk through all rows for an `or`.
    let sql = "select id, body, created_at from limit_range where workshop_id = $1 and motorcycle_id is null and deleted_at is null
               union all
               select id, body, created_at from limit_range where workshop_id = $1 and motorcycle_id = $2 and deleted_at is null
               order by id";
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(motorcycle), fetch_all)?;
    Ok(rows.into_iter().map(Limit::from).collect())
}

/// The limits of one component's quantity that stand at the rank of one motorcycle (`Some`) or at another (`None`), oldest first:
/// only those can contradict a new one.
pub async fn beside(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    component: &str,
    quantity: Measurand,
    motorcycle: Option<Id<Motorcycle>>,
) -> Result<Vec<Limit>> {
    let sql = "select id, body, created_at from limit_range
               where workshop_id = $1 and component = $2 and quantity = $3 and motorcycle_id = $4 and deleted_at is null
               union all
               select id, body, created_at from limit_range
               where workshop_id = $1 and component = $2 and quantity = $3 and motorcycle_id is null and $4 is null and deleted_at is null
               order by id";
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(component).bind(quantity).bind(motorcycle), fetch_all)?;
    Ok(rows.into_iter().map(Limit::from).collect())
}
