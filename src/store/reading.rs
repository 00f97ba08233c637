//! Odometer and hour readings.
use sqlx::FromRow;
use time::{Date, OffsetDateTime};
use uuid::Uuid;

use super::{Stretch, Tx, execute, many::fetch_of, on, types::Instant};
use crate::{
    domain::{
        id::Id,
        motorcycle::{Motorcycle, NewReading, Reading, StruckOut},
        quantity::{Figure, Unit},
        service::ServiceEvent,
        words::CounterKind,
        workshop::Workshop,
    },
    error::Result,
};

/// What every query on this table selects.
macro_rules! columns {
    () => {
        "id, motorcycle_id, counter, on_date, reading, unit, read_by, confirmed, service_event_id, struck_at, struck_reason, created_at"
    };
}

#[derive(FromRow)]
struct Row {
    id: Id<Reading>,
    motorcycle_id: Id<Motorcycle>,
    counter: CounterKind,
    on_date: Date,
    reading: Figure,
    unit: Unit,
    read_by: Option<String>,
    confirmed: bool,
    service_event_id: Option<Id<ServiceEvent>>,
    struck_at: Option<Instant>,
    struck_reason: Option<String>,
    created_at: Instant,
}
impl From<Row> for Reading {
    fn from(row: Row) -> Self {
        let struck_out = row.struck_at.map(|at| StruckOut { at: at.0, reason: row.struck_reason.unwrap_or_default() });
        let new = NewReading { on: row.on_date, reading: row.reading, read_by: row.read_by, confirmed: row.confirmed };
        Self::from_new(row.id, new, row.motorcycle_id, row.counter, row.unit, row.service_event_id, struck_out, row.created_at.0)
    }
}

/// Stores a new reading, with the person or token that enters it.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, reading: &Reading, by: Option<Uuid>) -> Result<()> {
    let sql = "insert into reading (workshop_id, id, motorcycle_id, counter, on_date, reading, unit, read_by, confirmed, service_event_id, created_at, updated_at, entered_by)
               values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $11, $12)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(reading.id)
            .bind(reading.motorcycle_id)
            .bind(reading.counter)
            .bind(reading.on)
            .bind(reading.reading.clone())
            .bind(reading.unit)
            .bind(&reading.read_by)
            .bind(reading.confirmed)
            .bind(reading.service_event_id)
            .bind(Instant(reading.created_at))
            .bind(by)
    )?;
    Ok(())
}

/// The person or token that entered a reading, where that is known.
pub async fn entered_by(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Reading>) -> Result<Option<Uuid>> {
    let sql = "select entered_by from reading where workshop_id = $1 and id = $2";
    Ok(on!(tx, sqlx::query_scalar::<_, Option<Uuid>>(sql).bind(workshop).bind(id), fetch_optional)?.flatten())
}

/// The reading of an id, struck out or not.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Reading>) -> Result<Option<Reading>> {
    let sql = concat!("select ", columns!(), " from reading where workshop_id = $1 and id = $2");
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(row.map(Reading::from))
}

/// Readings by their ids, struck out or not.
pub async fn by_ids(tx: &mut Tx, workshop: Id<Workshop>, ids: &[Id<Reading>]) -> Result<Vec<Reading>> {
    let sql = concat!("select ", columns!(), " from reading where workshop_id = $1 and id in ({})");
    Ok(fetch_of!(tx, Row, sql, workshop, ids).into_iter().map(Reading::from).collect())
}

/// Every reading of a counter that stands, oldest first.
pub async fn standing(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>, kind: CounterKind) -> Result<Vec<Reading>> {
    let sql = concat!(
        "select ",
        columns!(),
        " from reading where workshop_id = $1 and motorcycle_id = $2 and counter = $3 and struck_at is null order by on_date, id"
    );
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(bike).bind(kind), fetch_all)?;
    Ok(rows.into_iter().map(Reading::from).collect())
}

/// The readings that came with a service event and stand.
pub async fn of_event(tx: &mut Tx, workshop: Id<Workshop>, event: Id<ServiceEvent>) -> Result<Vec<Reading>> {
    let sql = concat!(
        "select ",
        columns!(),
        " from reading where workshop_id = $1 and service_event_id = $2 and struck_at is null order by coalesce(id, id)"
    );
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(event), fetch_all)?;
    Ok(rows.into_iter().map(Reading::from).collect())
}

/// Readings of a counter, struck-out ones too, newest first: by day, then by id.
pub async fn list(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    bike: Id<Motorcycle>,
    kind: CounterKind,
    changed_since: Option<OffsetDateTime>,
    stretch: Stretch<(Date, Id<Reading>)>,
) -> Result<Vec<Reading>> {
    let sql = concat!(
        "select ",
        columns!(),
        " from reading where workshop_id = $1 and motorcycle_id = $2 and counter = $3 and ($4 is null or updated_at >= $4)
          and ($5 is null or (on_date, id) < ($5, $6)) order by on_date desc, id desc limit $7"
    );
    let (day, id) = stretch.after.unzip();
    let rows = on!(
        tx,
        sqlx::query_as::<_, Row>(sql)
            .bind(workshop)
            .bind(bike)
            .bind(kind)
            .bind(changed_since.map(Instant))
            .bind(day)
            .bind(id)
            .bind(stretch.limit),
        fetch_all
    )?;
    Ok(rows.into_iter().map(Reading::from).collect())
}

/// Strikes a reading out. It stays in the table, with the reason.
pub async fn strike_out(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Reading>, struck: &StruckOut) -> Result<()> {
    let sql =
        "update reading set struck_at = $3, struck_reason = $4, updated_at = $3 where workshop_id = $1 and id = $2 and struck_at is null";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(Instant(struck.at)).bind(&struck.reason))?;
    Ok(())
}

/// Takes a reading away from the fittings and measured values that came with it: they keep their day.
pub async fn let_go(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Reading>) -> Result<()> {
    for sql in [
        "update fitting set fitted_reading_id = null where workshop_id = $1 and fitted_reading_id = $2",
        "update fitting set removed_reading_id = null where workshop_id = $1 and removed_reading_id = $2",
        "update measured_value set reading_id = null where workshop_id = $1 and reading_id = $2",
    ] {
        execute!(tx, sqlx::query(sql).bind(workshop).bind(id))?;
    }
    Ok(())
}
