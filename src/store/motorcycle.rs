//! Motorcycles.
use sqlx::FromRow;
use time::OffsetDateTime;

use super::{
    Stretch, Tx, execute, on,
    types::{Instant, Json},
};
use crate::{
    access::Sight,
    domain::{
        id::Id,
        motorcycle::{LastReading, Motorcycle, NewMotorcycle, Owner},
        workshop::Workshop,
    },
    error::Result,
};

/// What every query on this table selects. (SQLite takes `min(name)` for an order by name and walks through all motorcycles;
/// an expression makes it look up the VIN.)
macro_rules! columns {
    () => {
        "bike.id, bike.body, bike.last_reading, bike.archived_at, bike.created_at, (select min(twin.name || '') from motorcycle twin
           where twin.workshop_id = bike.workshop_id and twin.vin = bike.vin and twin.id <> bike.id) as same_vin"
    };
}

#[derive(FromRow)]
struct Row {
    id: Id<Motorcycle>,
    body: Json<NewMotorcycle>,
    last_reading: Option<Json<LastReading>>,
    archived_at: Option<Instant>,
    created_at: Instant,
    same_vin: Option<String>,
}
impl From<Row> for Motorcycle {
    fn from(row: Row) -> Self {
        let mut warnings = row.body.0.warnings();
        warnings.extend(row.same_vin.map(|name| format!("the motorcycle {name} has the same VIN: is it one motorcycle entered twice?")));
        let reading = row.last_reading.map(|reading| reading.0);
        Self::from_new(row.id, row.body.0, row.archived_at.is_some(), reading, warnings, row.created_at.0)
    }
}

/// What a search looks in, in small letters.
pub(crate) fn words(bike: &Motorcycle) -> String {
    let known = [&bike.registration, &bike.vin, &bike.frame_number].into_iter().flatten();
    let words: Vec<_> = [&bike.name, &bike.make, &bike.model].into_iter().chain(known).map(String::as_str).collect();
    words.join(" ").to_lowercase()
}

/// Stores a new motorcycle.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, bike: &Motorcycle) -> Result<()> {
    let sql =
        "insert into motorcycle (workshop_id, id, owner_id, name, registration, vin, odometer_unit, body, words, created_at, updated_at)
               values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $10)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(bike.id)
            .bind(bike.owner_id)
            .bind(&bike.name)
            .bind(&bike.registration)
            .bind(&bike.vin)
            .bind(bike.odometer_unit)
            .bind(Json(bike.details()))
            .bind(words(bike))
            .bind(Instant(bike.created_at))
    )?;
    Ok(())
}

/// Stores what was changed on a motorcycle.
pub async fn update(tx: &mut Tx, workshop: Id<Workshop>, bike: &Motorcycle, now: OffsetDateTime) -> Result<()> {
    let sql =
        "update motorcycle set owner_id = $3, name = $4, registration = $5, vin = $6, odometer_unit = $7, body = $8, last_reading = $9,
                      archived_at = case when $10 then coalesce(archived_at, $11) end, updated_at = $11, words = $12
               where workshop_id = $1 and id = $2";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(bike.id)
            .bind(bike.owner_id)
            .bind(&bike.name)
            .bind(&bike.registration)
            .bind(&bike.vin)
            .bind(bike.odometer_unit)
            .bind(Json(bike.details()))
            .bind(bike.odometer.as_ref().map(Json))
            .bind(bike.archived)
            .bind(Instant(now))
            .bind(words(bike))
    )?;
    Ok(())
}

/// Keeps the odometer reading that counts as the last one.
pub async fn keep_last_reading(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    id: Id<Motorcycle>,
    last: Option<&LastReading>,
    now: OffsetDateTime,
) -> Result<()> {
    let sql = "update motorcycle set last_reading = $3, updated_at = $4 where workshop_id = $1 and id = $2";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(last.map(Json)).bind(Instant(now)))?;
    Ok(())
}

/// The motorcycle of an id, archived or not.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Motorcycle>) -> Result<Option<Motorcycle>> {
    let sql = concat!("select ", columns!(), " from motorcycle bike where workshop_id = $1 and id = $2");
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(row.map(Motorcycle::from))
}

/// Since when the motorcycle has the owner that it has, where it had another one before.
pub async fn owned_since(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Motorcycle>) -> Result<Option<OffsetDateTime>> {
    let sql = "select owned_since from motorcycle where workshop_id = $1 and id = $2";
    let at = on!(tx, sqlx::query_scalar::<_, Option<Instant>>(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(at.flatten().map(|at| at.0))
}
/// Notes that the motorcycle has another owner from now on.
pub async fn changed_hands(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Motorcycle>, now: OffsetDateTime) -> Result<()> {
    let sql = "update motorcycle set owned_since = $3 where workshop_id = $1 and id = $2";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(Instant(now)))?;
    Ok(())
}

/// Which motorcycles are wanted.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// Of this owner.
    pub owner: Option<Id<Owner>>,
    /// With these words in name, make, model, registration, VIN or frame number.
    pub words: Option<String>,
    /// Archived ones instead of those in use.
    pub archived: bool,
    /// Changed at or after this instant.
    pub changed_since: Option<OffsetDateTime>,
}

/// Motorcycles by name, then id.
pub async fn list(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    sight: Sight,
    wanted: &Wanted,
    stretch: Stretch<(String, Id<Motorcycle>)>,
) -> Result<Vec<Motorcycle>> {
    let sql = concat!(
        "select ",
        columns!(),
        " from motorcycle bike where workshop_id = $1 and (archived_at is not null) = $2
           and ($3 is null or owner_id = $3) and ($4 is null or updated_at >= $4)
           and ($5 is null or words like $5 escape '!') and ($6 is null or (name, id) > ($6, $7))
           and ($9 is null or owner_id = $9) and ($10 is null or id = $10)
          order by name, id limit $8"
    );
    let pattern = wanted.words.as_ref().map(|words| super::types::containing(words));
    let (name, id) = stretch.after.unzip();
    let rows = on!(
        tx,
        sqlx::query_as::<_, Row>(sql)
            .bind(workshop)
            .bind(wanted.archived)
            .bind(wanted.owner)
            .bind(wanted.changed_since.map(Instant))
            .bind(&pattern)
            .bind(&name)
            .bind(id)
            .bind(stretch.limit)
            .bind(sight.owner())
            .bind(sight.motorcycle()),
        fetch_all
    )?;
    Ok(rows.into_iter().map(Motorcycle::from).collect())
}

/// Every motorcycle in use, by id: for working out what is due on many.
pub async fn all_in_use(tx: &mut Tx, workshop: Id<Workshop>) -> Result<Vec<Motorcycle>> {
    let sql = concat!("select ", columns!(), " from motorcycle bike where workshop_id = $1 and archived_at is null order by id");
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop), fetch_all)?;
    Ok(rows.into_iter().map(Motorcycle::from).collect())
}

/// Whether anything stands that holds figures in the motorcycle's odometer unit.
pub async fn has_figures(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Motorcycle>) -> Result<bool> {
    for sql in [
        "select count(*) from reading where workshop_id = $1 and motorcycle_id = $2 and counter = 'odometer' and struck_at is null",
        "select count(*) from instrument where workshop_id = $1 and motorcycle_id = $2 and counter = 'odometer'",
        "select count(*) from service_event where workshop_id = $1 and motorcycle_id = $2 and struck_at is null",
        "select count(*) from fitting where workshop_id = $1 and motorcycle_id = $2 and struck_at is null",
    ] {
        if on!(tx, sqlx::query_scalar::<_, i64>(sql).bind(workshop).bind(id), fetch_one)? > 0 {
            return Ok(true);
        }
    }
    Ok(false)
}
