//! Parts and their fittings.
use sqlx::FromRow;
use time::{Date, OffsetDateTime};

use super::{
    Stretch, Tx, execute,
    many::{fetch_of, insert_many},
    on,
    types::Instant,
};
use crate::{
    domain::{
        id::Id,
        motorcycle::{Motorcycle, Reading, StruckOut},
        part::{Fitting, InstalledPart},
        quantity::{Figure, Quantity, Unit},
        service::ServiceEvent,
        words::{Condition, Position},
        workshop::Workshop,
    },
    error::Result,
};

/// A part without its fittings.
#[derive(Clone, Debug, FromRow)]
pub struct PartRow {
    /// Its id.
    pub id: Id<InstalledPart>,
    /// The component's key.
    pub component: String,
    /// What it is.
    pub description: String,
    /// Its number.
    pub part_number: Option<String>,
    /// What it was when first fitted.
    pub condition: Condition,
    /// Whether it may be fitted once only.
    pub single_use: bool,
    /// A tire's date code.
    pub date_code: Option<String>,
    /// What it had run before its first fitting, as entered.
    pub prior_distance: Figure,
    /// The same in millimetres.
    pub prior_mm: i64,
    /// When it was entered.
    pub created_at: Instant,
}

/// One stay of a part on a motorcycle.
#[derive(Clone, Debug, PartialEq, FromRow)]
pub struct FittingRow {
    /// Its id; the order of entry.
    pub id: Id<Fitting>,
    /// The part.
    pub part_id: Id<InstalledPart>,
    /// The part's component.
    pub component: String,
    /// The motorcycle.
    pub motorcycle_id: Id<Motorcycle>,
    /// Where.
    pub position: Option<Position>,
    /// From.
    pub fitted_on: Date,
    /// The odometer reading that came with it.
    pub fitted_reading_id: Option<Id<Reading>>,
    /// The event that it came with.
    pub fitted_event_id: Option<Id<ServiceEvent>>,
    /// To.
    pub removed_on: Option<Date>,
    /// The odometer reading that came with the removal.
    pub removed_reading_id: Option<Id<Reading>>,
    /// The event that the removal came with.
    pub removed_event_id: Option<Id<ServiceEvent>>,
    /// The entry that ended it: the fitting that took its place, or an id of the removal's own.
    pub removed_entry: Option<Id<Fitting>>,
    /// Why it came off.
    pub removed_reason: Option<String>,
    /// When it was struck out.
    pub struck_at: Option<Instant>,
    /// Why it was struck out.
    pub struck_reason: Option<String>,
}
impl FittingRow {
    /// Set once it was struck out.
    #[must_use]
    pub fn struck_out(&self) -> Option<StruckOut> {
        self.struck_at.map(|at| StruckOut { at: at.0, reason: self.struck_reason.clone().unwrap_or_default() })
    }
}

/// What every query on fittings selects; `f` is the fitting, `p` its part.
macro_rules! fittings {
    () => {
        "select f.id, f.part_id, p.component, f.motorcycle_id, f.position, f.fitted_on, f.fitted_reading_id, f.fitted_event_id, f.removed_on,
                f.removed_reading_id, f.removed_event_id, f.removed_entry, f.removed_reason, f.struck_at, f.struck_reason
         from fitting f join installed_part p on p.workshop_id = f.workshop_id and p.id = f.part_id "
    };
}

/// Stores new parts.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, parts: &[PartRow]) -> Result<()> {
    insert_many!(
        tx,
        "insert into installed_part (workshop_id, id, component, description, part_number, condition, single_use, date_code, prior_distance,
                                     prior_mm, created_at, updated_at)",
        parts,
        |part| [
            workshop,
            part.id,
            &part.component,
            &part.description,
            &part.part_number,
            part.condition,
            part.single_use,
            &part.date_code,
            part.prior_distance.clone(),
            part.prior_mm,
            part.created_at,
            part.created_at,
        ]
    );
    Ok(())
}

/// Stores new fittings.
pub async fn insert_fittings(tx: &mut Tx, workshop: Id<Workshop>, fittings: &[FittingRow]) -> Result<()> {
    insert_many!(
        tx,
        "insert into fitting (workshop_id, id, part_id, motorcycle_id, position, fitted_on, fitted_reading_id, fitted_event_id, removed_on,
                              removed_reading_id, removed_event_id, removed_entry, removed_reason)",
        fittings,
        |row| [
            workshop,
            row.id,
            row.part_id,
            row.motorcycle_id,
            row.position,
            row.fitted_on,
            row.fitted_reading_id,
            row.fitted_event_id,
            row.removed_on,
            row.removed_reading_id,
            row.removed_event_id,
            row.removed_entry,
            &row.removed_reason,
        ]
    );
    Ok(())
}

/// Stores how a fitting ends, or that it has not ended.
pub async fn set_end(tx: &mut Tx, workshop: Id<Workshop>, row: &FittingRow) -> Result<()> {
    let sql = "update fitting set removed_on = $3, removed_reading_id = $4, removed_event_id = $5, removed_entry = $6, removed_reason = $7
               where workshop_id = $1 and id = $2";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(row.id)
            .bind(row.removed_on)
            .bind(row.removed_reading_id)
            .bind(row.removed_event_id)
            .bind(row.removed_entry)
            .bind(&row.removed_reason)
    )?;
    Ok(())
}

/// Lets nobody else write about a motorcycle and these parts until this transaction ends. `SQLite` has one writer anyway.
pub async fn lock(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>, parts: &[Id<InstalledPart>]) -> Result<()> {
    if let Tx::Postgres(postgres) = &mut *tx {
        let sql = "select id from motorcycle where workshop_id = $1 and id = $2 for update";
        sqlx::query(sql).bind(workshop).bind(bike).execute(&mut **postgres).await?;
        let sql = "select id from installed_part where workshop_id = $1 and id in ({}) order by id for update";
        fetch_of!(tx, (Id<InstalledPart>,), sql, workshop, parts);
    }
    Ok(())
}

/// Says that parts were changed now.
pub async fn changed(tx: &mut Tx, workshop: Id<Workshop>, part: Id<InstalledPart>, now: OffsetDateTime) -> Result<()> {
    let sql = "update installed_part set updated_at = $3 where workshop_id = $1 and id = $2";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(part).bind(Instant(now)))?;
    Ok(())
}

/// Strikes out what an event fitted.
pub async fn strike_out(tx: &mut Tx, workshop: Id<Workshop>, event: Id<ServiceEvent>, struck: &StruckOut) -> Result<()> {
    let sql = "update fitting set struck_at = $3, struck_reason = $4 where workshop_id = $1 and fitted_event_id = $2 and struck_at is null";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(event).bind(Instant(struck.at)).bind(&struck.reason))?;
    Ok(())
}

/// Parts by their ids.
pub async fn by_ids(tx: &mut Tx, workshop: Id<Workshop>, ids: &[Id<InstalledPart>]) -> Result<Vec<PartRow>> {
    let sql = "select id, component, description, part_number, condition, single_use, date_code, prior_distance, prior_mm, created_at
               from installed_part where workshop_id = $1 and id in ({})";
    Ok(fetch_of!(tx, PartRow, sql, workshop, ids))
}

/// Every fitting of these parts, struck-out ones too, oldest first.
pub async fn fittings_of(tx: &mut Tx, workshop: Id<Workshop>, parts: &[Id<InstalledPart>]) -> Result<Vec<FittingRow>> {
    let sql = concat!(fittings!(), "where f.workshop_id = $1 and f.part_id in ({}) order by f.fitted_on, f.id");
    Ok(fetch_of!(tx, FittingRow, sql, workshop, parts))
}

/// Fittings by their ids, struck out or not.
pub async fn fittings_by_ids(tx: &mut Tx, workshop: Id<Workshop>, ids: &[Id<Fitting>]) -> Result<Vec<FittingRow>> {
    let sql = concat!(fittings!(), "where f.workshop_id = $1 and f.id in ({})");
    Ok(fetch_of!(tx, FittingRow, sql, workshop, ids))
}

/// Every fitting that stands of every part that is or was on a motorcycle, also those on other motorcycles.
pub async fn standing(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>) -> Result<Vec<FittingRow>> {
    let sql = concat!(
        fittings!(),
        "where f.workshop_id = $1 and f.struck_at is null
           and f.part_id in (select g.part_id from fitting g where g.workshop_id = $1 and g.motorcycle_id = $2 and g.struck_at is null)
         order by f.fitted_on, f.id"
    );
    Ok(on!(tx, sqlx::query_as::<_, FittingRow>(sql).bind(workshop).bind(bike), fetch_all)?)
}

/// What these events fitted, struck out or not, in the order entered.
pub async fn fitted_in(tx: &mut Tx, workshop: Id<Workshop>, events: &[Id<ServiceEvent>]) -> Result<Vec<FittingRow>> {
    let sql = concat!(fittings!(), "where f.workshop_id = $1 and f.fitted_event_id in ({}) order by coalesce(f.id, f.id)");
    Ok(fetch_of!(tx, FittingRow, sql, workshop, events))
}
/// What these events removed, in the order in which it ended.
pub async fn removed_in(tx: &mut Tx, workshop: Id<Workshop>, events: &[Id<ServiceEvent>]) -> Result<Vec<FittingRow>> {
    let sql = concat!(
        fittings!(),
        "where f.workshop_id = $1 and f.removed_event_id in ({}) and f.struck_at is null order by f.removed_entry, f.id"
    );
    Ok(fetch_of!(tx, FittingRow, sql, workshop, events))
}

/// Which parts of a motorcycle are wanted.
#[derive(Clone, Copy, Debug)]
pub struct Wanted {
    /// As it stood at the end of this day.
    pub on: Date,
    /// Those that had come off by then instead of those that were on.
    pub removed: bool,
    /// Changed at or after this instant.
    pub changed_since: Option<OffsetDateTime>,
}

/// Where in the list of a motorcycle's parts one stands: component, then position, then id.
pub type PartKey = (String, String, Id<InstalledPart>);

/// Parts of a motorcycle, each with its place in the list.
pub async fn list(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    bike: Id<Motorcycle>,
    wanted: Wanted,
    stretch: Stretch<PartKey>,
) -> Result<Vec<PartKey>> {
    // A part that came off, or went on, several times is listed once: by the last stay that had begun on the day.
    let sql = "select p.component, coalesce(f.position, '') as place, p.id
               from fitting f join installed_part p on p.workshop_id = f.workshop_id and p.id = f.part_id
               where f.workshop_id = $1 and f.motorcycle_id = $2 and f.struck_at is null and f.fitted_on <= $3
                 and (f.removed_on is not null and f.removed_on <= $3) = $4
                 and not exists (select 1 from fitting g where g.workshop_id = $1 and g.part_id = f.part_id and g.motorcycle_id = $2
                                 and g.struck_at is null and g.fitted_on <= $3 and (g.fitted_on, g.id) > (f.fitted_on, f.id))
                 and ($5 is null or p.updated_at >= $5)
                 and ($6 is null or (p.component, coalesce(f.position, ''), p.id) > ($6, $7, $8))
               order by p.component, coalesce(f.position, ''), p.id limit $9";
    let (component, position, id) = match stretch.after {
        Some((component, position, id)) => (Some(component), Some(position), Some(id)),
        None => (None, None, None),
    };
    Ok(on!(
        tx,
        sqlx::query_as::<_, PartKey>(sql)
            .bind(workshop)
            .bind(bike)
            .bind(wanted.on)
            .bind(wanted.removed)
            .bind(wanted.changed_since.map(Instant))
            .bind(&component)
            .bind(&position)
            .bind(id)
            .bind(stretch.limit),
        fetch_all
    )?)
}

/// Other motorcycles that a part was on which is or was on this one: what this one runs may change what is due there.
pub async fn bikes_sharing_parts(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>) -> Result<Vec<Id<Motorcycle>>> {
    // Without `distinct`: SQLite would begin with all fittings of the workshop to get its order.
    let sql = "select g.motorcycle_id from fitting f
               join fitting g on g.workshop_id = f.workshop_id and g.part_id = f.part_id and g.motorcycle_id <> f.motorcycle_id
               where f.workshop_id = $1 and f.motorcycle_id = $2 and f.struck_at is null and g.struck_at is null";
    let rows = on!(tx, sqlx::query_as::<_, (Id<Motorcycle>,)>(sql).bind(workshop).bind(bike), fetch_all)?;
    Ok(rows.into_iter().map(|row| row.0).collect())
}

/// What the instruments showed at these readings, as entered.
pub async fn figures(tx: &mut Tx, workshop: Id<Workshop>, readings: &[Id<Reading>]) -> Result<Vec<(Id<Reading>, Quantity)>> {
    let sql = "select id, reading, unit from reading where workshop_id = $1 and id in ({})";
    let rows = fetch_of!(tx, (Id<Reading>, Figure, Unit), sql, workshop, readings);
    Ok(rows.into_iter().map(|(id, value, unit)| (id, Quantity { value, unit })).collect())
}
