//! Interval rules.
use sqlx::FromRow;
use time::OffsetDateTime;

use super::{
    Stretch, Tx, execute, on,
    types::{Instant, Json},
};
use crate::{
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        rule::{IntervalRule, NewIntervalRule},
        workshop::Workshop,
    },
    error::Result,
};

#[derive(FromRow)]
struct Row {
    id: Id<IntervalRule>,
    body: Json<NewIntervalRule>,
    created_at: Instant,
}
impl From<Row> for IntervalRule {
    fn from(row: Row) -> Self {
        Self::from_new(row.id, row.body.0, row.created_at.0)
    }
}

/// Stores a new rule.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, rule: &IntervalRule) -> Result<()> {
    let sql = "insert into interval_rule (workshop_id, id, name, component, motorcycle_id, body, created_at, updated_at)
               values ($1, $2, $3, $4, $5, $6, $7, $7)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(rule.id)
            .bind(&rule.name)
            .bind(&rule.component)
            .bind(rule.applies_to.motorcycle_id)
            .bind(Json(rule.details()))
            .bind(Instant(rule.created_at))
    )?;
    Ok(())
}

/// Stores what was changed on a rule.
pub async fn update(tx: &mut Tx, workshop: Id<Workshop>, rule: &IntervalRule, now: OffsetDateTime) -> Result<()> {
    let sql = "update interval_rule set name = $3, component = $4, motorcycle_id = $5, body = $6, updated_at = $7
               where workshop_id = $1 and id = $2";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(rule.id)
            .bind(&rule.name)
            .bind(&rule.component)
            .bind(rule.applies_to.motorcycle_id)
            .bind(Json(rule.details()))
            .bind(Instant(now))
    )?;
    Ok(())
}

/// Hides a rule.
pub async fn hide(tx: &mut Tx, workshop: Id<Workshop>, id: Id<IntervalRule>, now: OffsetDateTime) -> Result<()> {
    let sql = "update interval_rule set deleted_at = $3, updated_at = $3 where workshop_id = $1 and id = $2 and deleted_at is null";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(Instant(now)))?;
    Ok(())
}

/// The rule of an id, unless it was deleted.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<IntervalRule>) -> Result<Option<IntervalRule>> {
    let sql = "select id, body, created_at from interval_rule where workshop_id = $1 and id = $2 and deleted_at is null";
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(row.map(IntervalRule::from))
}

/// Rules that were not deleted, oldest first; of one component, or written for one motorcycle, if wanted.
pub async fn list(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    component: Option<&str>,
    motorcycle: Option<Id<Motorcycle>>,
    stretch: Stretch<Id<IntervalRule>>,
) -> Result<Vec<IntervalRule>> {
    macro_rules! listed {
        ($motorcycle:literal) => {
            concat!("select id, body, created_at from interval_rule where workshop_id = $1 and deleted_at is null and ($2 is null or component = $2) and ", $motorcycle, " and ($4 is null or id > $4) order by id limit $5")
        };
    }
    let sql = if motorcycle.is_some() { listed!("motorcycle_id = $3") } else { listed!("($3 is null or motorcycle_id = $3)") };
    let rows = on!(
        tx,
        sqlx::query_as::<_, Row>(sql).bind(workshop).bind(component).bind(motorcycle).bind(stretch.after).bind(stretch.limit),
        fetch_all
    )?;
    Ok(rows.into_iter().map(IntervalRule::from).collect())
}

/// The rules that may be for one motorcycle: those for many, and those written for it alone.
pub async fn perhaps_for(tx: &mut Tx, workshop: Id<Workshop>, motorcycle: Id<Motorcycle>) -> Result<Vec<IntervalRule>> {
    // Two searches of an index: SQLite would walk through all rows for an `or`.
    let sql = "select id, body, created_at from interval_rule where workshop_id = $1 and motorcycle_id is null and deleted_at is null
               union all
               select id, body, created_at from interval_rule where workshop_id = $1 and motorcycle_id = $2 and deleted_at is null
               order by id";
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(motorcycle), fetch_all)?;
    Ok(rows.into_iter().map(IntervalRule::from).collect())
}
