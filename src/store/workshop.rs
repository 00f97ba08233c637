//! Workshops: the tenants.
use sqlx::{AssertSqlSafe, FromRow};

use super::{
    Tx, execute, on,
    types::{Instant, Json},
};
use crate::{
    domain::{
        id::Id,
        quantity::Quantity,
        words::OdometerUnit,
        workshop::{USUAL_LEAD_DAYS, Workshop, WorkshopReports},
    },
    error::Result,
};

#[derive(FromRow)]
struct Row {
    workshop_id: Id<Workshop>,
    name: String,
    time_zone: String,
    default_unit: OdometerUnit,
    currency: String,
    default_yearly_distance: Json<Quantity>,
    lead_days: i64,
    reports: Json<WorkshopReports>,
    created_at: Instant,
}
impl From<Row> for Workshop {
    fn from(row: Row) -> Self {
        Self {
            id: row.workshop_id,
            name: row.name,
            time_zone: row.time_zone,
            default_unit: row.default_unit,
            currency: row.currency,
            default_yearly_distance: row.default_yearly_distance.0,
            lead_days: u32::try_from(row.lead_days).unwrap_or(USUAL_LEAD_DAYS),
            reports: row.reports.0,
            created_at: row.created_at.0,
        }
    }
}
/// Each column by its name: a statement for "every column" breaks on a connection that was open before a migration added one.
macro_rules! select {
    ($rest:literal) => {
        concat!(
            "select workshop_id, name, time_zone, default_unit, currency, default_yearly_distance, lead_days, reports, created_at from workshop ",
            $rest
        )
    };
}
const FIND: &str = select!("where workshop_id = $1");
const ALL: &str = select!("order by workshop_id");

/// Stores a new workshop.
pub async fn insert(tx: &mut Tx, workshop: &Workshop) -> Result<()> {
    let sql = "insert into workshop (workshop_id, name, time_zone, default_unit, currency, default_yearly_distance, reports, created_at, updated_at,
               lead_days) values ($1, $2, $3, $4, $5, $6, $7, $8, $8, $9)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop.id)
            .bind(&workshop.name)
            .bind(&workshop.time_zone)
            .bind(workshop.default_unit)
            .bind(&workshop.currency)
            .bind(Json(&workshop.default_yearly_distance))
            .bind(Json(&workshop.reports))
            .bind(Instant(workshop.created_at))
            .bind(i64::from(workshop.lead_days))
    )?;
    // Its index of words is up to date from the beginning: nothing has to be made when the server starts the next time.
    super::search::reindex(tx, workshop.id).await
}

/// Stores a workshop's changed settings.
pub async fn update(tx: &mut Tx, workshop: &Workshop, now: time::OffsetDateTime) -> Result<()> {
    let sql = "update workshop set name = $2, time_zone = $3, default_unit = $4, currency = $5, default_yearly_distance = $6, reports = $7,
               updated_at = $8, lead_days = $9 where workshop_id = $1";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop.id)
            .bind(&workshop.name)
            .bind(&workshop.time_zone)
            .bind(workshop.default_unit)
            .bind(&workshop.currency)
            .bind(Json(&workshop.default_yearly_distance))
            .bind(Json(&workshop.reports))
            .bind(Instant(now))
            .bind(i64::from(workshop.lead_days))
    )?;
    Ok(())
}

/// The workshop of an id.
pub async fn find(tx: &mut Tx, id: Id<Workshop>) -> Result<Option<Workshop>> {
    let row = on!(tx, sqlx::query_as::<_, Row>(FIND).bind(id), fetch_optional)?;
    Ok(row.map(Workshop::from))
}

/// Lets one write at a time go on in a workshop until this transaction ends: what is due is worked out from everything there is, so two
/// writes side by side would each miss what the other wrote. Whoever only refers to the workshop, as a row of the audit trail does, need
/// not wait. `SQLite` has one writer anyway.
pub async fn lock(tx: &mut Tx, id: Id<Workshop>) -> Result<()> {
    if let Tx::Postgres(tx) = tx {
        // Whoever waits behind a long import is told to come again; until then the connection is nobody else's.
        let sql = format!(
            "set local lock_timeout = '5s'; select workshop_id from workshop where workshop_id = '{}' for no key update",
            id.uuid()
        );
        sqlx::raw_sql(AssertSqlSafe(sql)).execute(&mut **tx).await?;
    }
    Ok(())
}

/// Every workshop, for commands that go through all of them.
pub async fn all(tx: &mut Tx) -> Result<Vec<Workshop>> {
    let rows = on!(tx, sqlx::query_as::<_, Row>(ALL), fetch_all)?;
    Ok(rows.into_iter().map(Workshop::from).collect())
}
