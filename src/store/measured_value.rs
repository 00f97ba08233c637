//! Measured values, with their verdicts as they were judged.
use sqlx::FromRow;
use time::Date;

use super::{
    Stretch, Tx, execute,
    many::{fetch_of, insert_many},
    on,
    types::{Instant, Json},
};
use crate::{
    domain::{
        id::Id,
        motorcycle::{Motorcycle, Reading, StruckOut},
        part::InstalledPart,
        service::{MeasuredValue, ServiceEvent},
        words::Measurand,
        workshop::Workshop,
    },
    error::Result,
};

/// A value with what only the store knows of it.
#[derive(Clone, Debug)]
pub struct Stored {
    /// The value; its `installed_part_id` is the part that it is of.
    pub value: MeasuredValue,
    /// The part that it was said to be of, where that was said: it stays, whatever else is entered.
    pub named: Option<Id<InstalledPart>>,
    /// The odometer reading that came with it.
    pub reading: Option<Id<Reading>>,
}

#[derive(FromRow)]
struct Row {
    /// As it was entered and judged; its `installed_part_id` is the part that was named.
    body: Json<MeasuredValue>,
    reading_id: Option<Id<Reading>>,
    part_id: Option<Id<InstalledPart>>,
    struck_at: Option<Instant>,
    struck_reason: Option<String>,
}
impl From<Row> for Stored {
    fn from(row: Row) -> Self {
        let struck_out = row.struck_at.map(|at| StruckOut { at: at.0, reason: row.struck_reason.unwrap_or_default() });
        let named = row.body.0.installed_part_id;
        Self { value: MeasuredValue { installed_part_id: row.part_id, struck_out, ..row.body.0 }, named, reading: row.reading_id }
    }
}

macro_rules! values {
    () => {
        "select body, reading_id, part_id, struck_at, struck_reason from measured_value "
    };
}

/// Stores new values.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, values: &[Stored]) -> Result<()> {
    insert_many!(
        tx,
        "insert into measured_value (workshop_id, id, motorcycle_id, service_event_id, reading_id, part_id, on_date, component, position, quantity,
                                     body, created_at, updated_at)",
        values,
        |row| [
            workshop,
            row.value.id,
            row.value.motorcycle_id,
            row.value.service_event_id,
            row.reading,
            row.value.installed_part_id,
            row.value.on,
            &row.value.component,
            row.value.position,
            row.value.quantity,
            Json(MeasuredValue { installed_part_id: row.named, ..row.value.clone() }),
            Instant(row.value.created_at),
            Instant(row.value.created_at),
        ]
    );
    Ok(())
}

/// The value of an id, struck out or not.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<MeasuredValue>) -> Result<Option<Stored>> {
    let sql = concat!(values!(), "where workshop_id = $1 and id = $2");
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(row.map(Stored::from))
}
/// Values by their ids, struck out or not.
pub async fn by_ids(tx: &mut Tx, workshop: Id<Workshop>, ids: &[Id<MeasuredValue>]) -> Result<Vec<Stored>> {
    let sql = concat!(values!(), "where workshop_id = $1 and id in ({})");
    Ok(fetch_of!(tx, Row, sql, workshop, ids).into_iter().map(Stored::from).collect())
}
/// The values that came with these events, struck out or not, in the order entered.
pub async fn of_events(tx: &mut Tx, workshop: Id<Workshop>, events: &[Id<ServiceEvent>]) -> Result<Vec<Stored>> {
    let sql = concat!(values!(), "where workshop_id = $1 and service_event_id in ({}) order by coalesce(id, id)");
    Ok(fetch_of!(tx, Row, sql, workshop, events).into_iter().map(Stored::from).collect())
}
/// Every value of a motorcycle that stands and did not name its part.
pub async fn unnamed(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>) -> Result<Vec<Stored>> {
    let sql = concat!(values!(), "where workshop_id = $1 and motorcycle_id = $2 and struck_at is null order by coalesce(id, id)");
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(bike), fetch_all)?;
    Ok(rows.into_iter().map(Stored::from).filter(|stored| stored.named.is_none()).collect())
}
/// Values that stand of these parts, whichever motorcycle they were on.
pub async fn of_parts(tx: &mut Tx, workshop: Id<Workshop>, parts: &[Id<InstalledPart>]) -> Result<Vec<Stored>> {
    let sql = concat!(values!(), "where workshop_id = $1 and part_id in ({}) and struck_at is null order by coalesce(id, id)");
    Ok(fetch_of!(tx, Row, sql, workshop, parts).into_iter().map(Stored::from).collect())
}

/// Which values are wanted.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// Of this component.
    pub component: Option<String>,
    /// Of this quantity.
    pub quantity: Option<Measurand>,
    /// From this day on.
    pub since: Option<Date>,
}

/// Values of a motorcycle, struck-out ones too, newest first: by day, then by id.
pub async fn list(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    bike: Id<Motorcycle>,
    wanted: &Wanted,
    stretch: Stretch<(Date, Id<MeasuredValue>)>,
) -> Result<Vec<Stored>> {
    let sql = concat!(
        values!(),
        "where workshop_id = $1 and motorcycle_id = $2 and ($3 is null or component = $3) and ($4 is null or quantity = $4)
           and ($5 is null or on_date >= $5) and ($6 is null or (on_date, id) < ($6, $7))
         order by on_date desc, id desc limit $8"
    );
    let (day, id) = stretch.after.unzip();
    let rows = on!(
        tx,
        sqlx::query_as::<_, Row>(sql)
            .bind(workshop)
            .bind(bike)
            .bind(&wanted.component)
            .bind(wanted.quantity)
            .bind(wanted.since)
            .bind(day)
            .bind(id)
            .bind(stretch.limit),
        fetch_all
    )?;
    Ok(rows.into_iter().map(Stored::from).collect())
}

/// Says which part a value is of.
pub async fn set_part(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    id: Id<MeasuredValue>,
    part: Option<Id<InstalledPart>>,
    now: Instant,
) -> Result<()> {
    let sql = "update measured_value set part_id = $3, updated_at = $4 where workshop_id = $1 and id = $2";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(part).bind(now))?;
    Ok(())
}

/// Strikes out the values that came with an event.
pub async fn strike_out(tx: &mut Tx, workshop: Id<Workshop>, event: Id<ServiceEvent>, struck: &StruckOut) -> Result<()> {
    let sql = "update measured_value set struck_at = $3, struck_reason = $4, updated_at = $3
               where workshop_id = $1 and service_event_id = $2 and struck_at is null";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(event).bind(Instant(struck.at)).bind(&struck.reason))?;
    Ok(())
}
