//! The times in which motorcycles stand.
use sqlx::FromRow;
use time::{Date, OffsetDateTime};

use super::{Stretch, Tx, execute, on, types::Instant};
use crate::{
    domain::{
        id::Id,
        lay_up::{LayUp, NewLayUp, Period},
        motorcycle::Motorcycle,
        workshop::Workshop,
    },
    error::Result,
};

/// What every query on this table selects.
macro_rules! columns {
    () => {
        "id, motorcycle_id, from_date, to_date, note, created_at"
    };
}

#[derive(FromRow)]
struct Row {
    id: Id<LayUp>,
    motorcycle_id: Id<Motorcycle>,
    from_date: Date,
    to_date: Option<Date>,
    note: String,
    created_at: Instant,
}
impl From<Row> for LayUp {
    fn from(row: Row) -> Self {
        let new = NewLayUp { from: row.from_date, to: row.to_date, note: row.note };
        Self::from_new(row.id, new, row.motorcycle_id, row.created_at.0)
    }
}

/// Stores a new lay-up.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, lay_up: &LayUp) -> Result<()> {
    let sql = "insert into lay_up (workshop_id, id, motorcycle_id, from_date, to_date, note, created_at, updated_at)
               values ($1, $2, $3, $4, $5, $6, $7, $7)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(lay_up.id)
            .bind(lay_up.motorcycle_id)
            .bind(lay_up.from)
            .bind(lay_up.to)
            .bind(&lay_up.note)
            .bind(Instant(lay_up.created_at))
    )?;
    Ok(())
}

/// Stores what was changed on a lay-up.
pub async fn update(tx: &mut Tx, workshop: Id<Workshop>, lay_up: &LayUp, now: OffsetDateTime) -> Result<()> {
    let sql = "update lay_up set from_date = $3, to_date = $4, note = $5, updated_at = $6 where workshop_id = $1 and id = $2";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(lay_up.id).bind(lay_up.from).bind(lay_up.to).bind(&lay_up.note).bind(Instant(now)))?;
    Ok(())
}

/// Takes a lay-up away.
pub async fn remove(tx: &mut Tx, workshop: Id<Workshop>, id: Id<LayUp>) -> Result<()> {
    execute!(tx, sqlx::query("delete from lay_up where workshop_id = $1 and id = $2").bind(workshop).bind(id))?;
    Ok(())
}

/// The lay-up of an id.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<LayUp>) -> Result<Option<LayUp>> {
    let sql = concat!("select ", columns!(), " from lay_up where workshop_id = $1 and id = $2");
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(row.map(LayUp::from))
}

/// The lay-ups of a motorcycle, newest first: by first day, then by id.
pub async fn list(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>, stretch: Stretch<(Date, Id<LayUp>)>) -> Result<Vec<LayUp>> {
    let sql = concat!(
        "select ",
        columns!(),
        " from lay_up where workshop_id = $1 and motorcycle_id = $2 and ($3 is null or (from_date, id) < ($3, $4))
          order by from_date desc, id desc limit $5"
    );
    let (day, id) = stretch.after.unzip();
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(bike).bind(day).bind(id).bind(stretch.limit), fetch_all)?;
    Ok(rows.into_iter().map(LayUp::from).collect())
}

/// The lay-ups of a motorcycle that share a day with a period.
pub async fn meeting(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>, period: Period) -> Result<Vec<LayUp>> {
    let sql = concat!(
        "select ",
        columns!(),
        " from lay_up where workshop_id = $1 and motorcycle_id = $2 and (to_date is null or to_date >= $3) and ($4 is null or from_date <= $4)
          order by from_date, id"
    );
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(bike).bind(period.from).bind(period.to), fetch_all)?;
    Ok(rows.into_iter().map(LayUp::from).collect())
}

/// When a motorcycle stands, oldest first.
pub async fn periods(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>) -> Result<Vec<Period>> {
    let sql = "select from_date, to_date from lay_up where workshop_id = $1 and motorcycle_id = $2 order by from_date, id";
    let rows: Vec<(Date, Option<Date>)> = on!(tx, sqlx::query_as(sql).bind(workshop).bind(bike), fetch_all)?;
    Ok(rows.into_iter().map(|(from, to)| Period { from, to }).collect())
}
