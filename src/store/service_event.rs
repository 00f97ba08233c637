//! Service events with their work lines and amendments. What an event fitted, removed, measured and left stands in those tables.
use serde::{Deserialize, Serialize};
use sqlx::FromRow;
use time::{Date, OffsetDateTime};
use uuid::Uuid;

use super::{
    Stretch, Tx, execute,
    many::{fetch_of, insert_many},
    on,
    types::{Instant, Json},
};
use crate::{
    domain::{
        id::Id,
        motorcycle::{Motorcycle, StruckOut},
        procedure::Followed,
        quantity::{Figure, Unit},
        service::{Amendment, AsFound, Cost, Filled, Fitted, FollowUp, Removed, ServiceEvent, Signature, Tightened, WorkLine},
        words::{Operation, Position},
        workshop::Workshop,
    },
    error::Result,
};

/// What nothing is searched by.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct EventBody {
    /// Fasteners tightened, with the verdict of each stage.
    pub tightened: Vec<Tightened>,
    /// Oils and fluids filled.
    pub filled: Vec<Filled>,
    /// Procedures followed, with what became of each step.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub procedures: Vec<Followed>,
    /// How things were before.
    pub as_found: Vec<AsFound>,
    /// Minutes of labor.
    pub labor_minutes: Option<i32>,
    /// What it cost.
    pub cost: Option<Cost>,
    /// What it had done to parts and follow-ups before it was struck out and that was undone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub undone: Option<Undone>,
}

/// What an event had done to parts and follow-ups before it was struck out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Undone {
    /// Parts fitted.
    pub fitted: Vec<Fitted>,
    /// Parts removed.
    pub removed: Vec<Removed>,
    /// Follow-ups settled.
    pub follow_ups_done: Vec<Id<FollowUp>>,
}

/// An event without its lines.
#[derive(Clone, Debug, FromRow)]
pub struct EventRow {
    /// Its id.
    pub id: Id<ServiceEvent>,
    /// The motorcycle.
    pub motorcycle_id: Id<Motorcycle>,
    /// The day.
    pub on_date: Date,
    /// The odometer as entered.
    pub odometer: Option<Figure>,
    /// The hour meter as entered.
    pub hours: Option<Figure>,
    /// The unit of the odometer.
    pub unit: Unit,
    /// In one line.
    pub summary: String,
    /// Who did it.
    pub performed_by: Option<String>,
    /// Anything else.
    pub notes: String,
    /// What stays inside the workshop.
    pub internal_notes: String,
    /// Whether an owner did it at home.
    pub at_home: bool,
    /// The person or token that entered it.
    pub entered_by: Option<Uuid>,
    /// What nothing is searched by.
    pub body: Json<EventBody>,
    /// Who signed it off.
    pub signature: Option<Json<Signature>>,
    /// When it was struck out.
    pub struck_at: Option<Instant>,
    /// Why it was struck out.
    pub struck_reason: Option<String>,
    /// When it was entered.
    pub created_at: Instant,
}
impl EventRow {
    /// Set once it was struck out.
    #[must_use]
    pub fn struck_out(&self) -> Option<StruckOut> {
        self.struck_at.map(|at| StruckOut { at: at.0, reason: self.struck_reason.clone().unwrap_or_default() })
    }
}

macro_rules! events {
    () => {
        "select e.id, e.motorcycle_id, e.on_date, e.odometer, e.hours, e.unit, e.summary, e.performed_by, e.notes, e.internal_notes, e.at_home, e.entered_by, e.body, e.signature, e.struck_at,
                e.struck_reason, e.created_at
         from service_event e "
    };
}

/// Stores a new event.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, event: &EventRow) -> Result<()> {
    let sql =
        "insert into service_event (workshop_id, id, motorcycle_id, on_date, odometer, hours, unit, summary, performed_by, notes, body,
                                          created_at, updated_at, internal_notes, at_home, entered_by)
               values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $12, $13, $14, $15)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(event.id)
            .bind(event.motorcycle_id)
            .bind(event.on_date)
            .bind(event.odometer.clone())
            .bind(event.hours.clone())
            .bind(event.unit)
            .bind(&event.summary)
            .bind(&event.performed_by)
            .bind(&event.notes)
            .bind(Json(&event.body.0))
            .bind(event.created_at)
            .bind(&event.internal_notes)
            .bind(event.at_home)
            .bind(event.entered_by)
    )?;
    Ok(())
}

/// Stores the work lines of an event.
pub async fn insert_work(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    bike: Id<Motorcycle>,
    event: Id<ServiceEvent>,
    work: &[WorkLine],
) -> Result<()> {
    let numbered: Vec<(i64, &WorkLine)> = (0..).zip(work).collect();
    insert_many!(
        tx,
        "insert into work_line (workshop_id, service_event_id, line, motorcycle_id, component, position, operation, note)",
        numbered,
        |row| [workshop, event, row.0, bike, &row.1.component, row.1.position, row.1.operation, &row.1.note]
    );
    Ok(())
}

/// Stores the work lines of many events of one motorcycle: each with its event and its number in it.
pub async fn insert_work_of_many(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    bike: Id<Motorcycle>,
    lines: &[(Id<ServiceEvent>, i64, &WorkLine)],
) -> Result<()> {
    insert_many!(
        tx,
        "insert into work_line (workshop_id, service_event_id, line, motorcycle_id, component, position, operation, note)",
        lines,
        |row| [workshop, row.0, row.1, bike, &row.2.component, row.2.position, row.2.operation, &row.2.note]
    );
    Ok(())
}

/// Stores what may be changed in an event: who did it, its texts, its body.
pub async fn update(tx: &mut Tx, workshop: Id<Workshop>, event: &EventRow, now: OffsetDateTime) -> Result<()> {
    let sql = "update service_event set summary = $3, performed_by = $4, notes = $5, body = $6, signature = $7, struck_at = $8, struck_reason = $9,
                      updated_at = $10, internal_notes = $11
               where workshop_id = $1 and id = $2";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(event.id)
            .bind(&event.summary)
            .bind(&event.performed_by)
            .bind(&event.notes)
            .bind(Json(&event.body.0))
            .bind(event.signature.as_ref().map(|signature| Json(&signature.0)))
            .bind(event.struck_at)
            .bind(&event.struck_reason)
            .bind(Instant(now))
            .bind(&event.internal_notes)
    )?;
    Ok(())
}

/// The event of an id, struck out or not.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<ServiceEvent>) -> Result<Option<EventRow>> {
    let sql = concat!(events!(), "where e.workshop_id = $1 and e.id = $2");
    Ok(on!(tx, sqlx::query_as::<_, EventRow>(sql).bind(workshop).bind(id), fetch_optional)?)
}
/// Events by their ids, in any order.
pub async fn by_ids(tx: &mut Tx, workshop: Id<Workshop>, ids: &[Id<ServiceEvent>]) -> Result<Vec<EventRow>> {
    let sql = concat!(events!(), "where e.workshop_id = $1 and e.id in ({})");
    Ok(fetch_of!(tx, EventRow, sql, workshop, ids))
}

/// Which events are wanted.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// From this day on.
    pub since: Option<Date>,
    /// Up to this day.
    pub until: Option<Date>,
    /// With a line about this component.
    pub component: Option<String>,
    /// With a line of this operation (about that component, where one is given).
    pub operation: Option<Operation>,
    /// Changed at or after this instant.
    pub changed_since: Option<OffsetDateTime>,
}

/// Events of a motorcycle, struck-out ones too, newest first: by day, then by id.
pub async fn list(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    bike: Id<Motorcycle>,
    wanted: &Wanted,
    stretch: Stretch<(Date, Id<ServiceEvent>)>,
) -> Result<Vec<EventRow>> {
    // A part fitted new or rebuilt counts as replaced, as it does for the interval rules; one fitted again counts as fitted.
    let sql = concat!(
        events!(),
        "where e.workshop_id = $1 and e.motorcycle_id = $2 and ($3 is null or e.on_date >= $3) and ($4 is null or e.on_date <= $4)
           and ($5 is null or e.updated_at >= $5) and ($6 is null or (e.on_date, e.id) < ($6, $7))
           and ($8 is null and $9 is null
             or exists (select 1 from work_line w where w.workshop_id = $1 and w.service_event_id = e.id
                        and ($8 is null or w.component = $8) and ($9 is null or w.operation = $9))
             or exists (select 1 from fitting f join installed_part p on p.workshop_id = f.workshop_id and p.id = f.part_id
                        where f.workshop_id = $1 and f.fitted_event_id = e.id and ($8 is null or p.component = $8)
                          and ($9 is null or $9 = 'fit' or $9 = 'replace' and p.condition in ('new', 'rebuilt')
                            and not exists (select 1 from fitting g where g.workshop_id = $1 and g.part_id = f.part_id and g.struck_at is null
                                            and (g.fitted_on, g.id) < (f.fitted_on, f.id))))
             or exists (select 1 from fitting f join installed_part p on p.workshop_id = f.workshop_id and p.id = f.part_id
                        where f.workshop_id = $1 and f.removed_event_id = e.id and ($8 is null or p.component = $8) and ($9 is null or $9 = 'remove'))
             or exists (select 1 from measured_value m where m.workshop_id = $1 and m.service_event_id = e.id
                        and ($8 is null or m.component = $8) and ($9 is null or $9 = 'measure')))
         order by e.on_date desc, e.id desc limit $10"
    );
    let (day, id) = stretch.after.unzip();
    Ok(on!(
        tx,
        sqlx::query_as::<_, EventRow>(sql)
            .bind(workshop)
            .bind(bike)
            .bind(wanted.since)
            .bind(wanted.until)
            .bind(wanted.changed_since.map(Instant))
            .bind(day)
            .bind(id)
            .bind(&wanted.component)
            .bind(wanted.operation)
            .bind(stretch.limit),
        fetch_all
    )?)
}

#[derive(FromRow)]
struct LineRow {
    service_event_id: Id<ServiceEvent>,
    component: String,
    position: Option<Position>,
    operation: Operation,
    note: String,
}
/// The work lines of these events, in their order.
pub async fn work_of(tx: &mut Tx, workshop: Id<Workshop>, events: &[Id<ServiceEvent>]) -> Result<Vec<(Id<ServiceEvent>, WorkLine)>> {
    let sql = "select service_event_id, component, position, operation, note from work_line
               where workshop_id = $1 and service_event_id in ({}) order by service_event_id, line";
    let line = |row: LineRow| {
        let line = WorkLine { component: row.component, position: row.position, operation: row.operation, note: row.note };
        (row.service_event_id, line)
    };
    Ok(fetch_of!(tx, LineRow, sql, workshop, events).into_iter().map(line).collect())
}

#[derive(FromRow)]
struct AmendmentRow {
    id: Id<Amendment>,
    service_event_id: Id<ServiceEvent>,
    written_by: String,
    text: String,
    created_at: Instant,
}
fn amendment(row: AmendmentRow) -> (Id<ServiceEvent>, Amendment) {
    (row.service_event_id, Amendment { id: row.id, at: row.created_at.0, by: row.written_by, text: row.text })
}
/// Stores an amendment; `on` is its day in the workshop's time zone.
pub async fn insert_amendment(tx: &mut Tx, workshop: Id<Workshop>, event: Id<ServiceEvent>, amendment: &Amendment, on: Date) -> Result<()> {
    let sql = "insert into amendment (workshop_id, id, service_event_id, on_date, written_by, text, created_at) values ($1, $2, $3, $4, $5, $6, $7)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(amendment.id)
            .bind(event)
            .bind(on)
            .bind(&amendment.by)
            .bind(&amendment.text)
            .bind(Instant(amendment.at))
    )?;
    let sql = "update service_event set updated_at = $3 where workshop_id = $1 and id = $2";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(event).bind(Instant(amendment.at)))?;
    Ok(())
}
/// Amendments by their ids, each with its event.
pub async fn amendments_by_ids(tx: &mut Tx, workshop: Id<Workshop>, ids: &[Id<Amendment>]) -> Result<Vec<(Id<ServiceEvent>, Amendment)>> {
    let sql = "select id, service_event_id, written_by, text, created_at from amendment where workshop_id = $1 and id in ({})";
    Ok(fetch_of!(tx, AmendmentRow, sql, workshop, ids).into_iter().map(amendment).collect())
}
/// The amendments of these events, in the order entered.
pub async fn amendments_of(tx: &mut Tx, workshop: Id<Workshop>, events: &[Id<ServiceEvent>]) -> Result<Vec<(Id<ServiceEvent>, Amendment)>> {
    let sql = "select id, service_event_id, written_by, text, created_at from amendment
               where workshop_id = $1 and service_event_id in ({}) order by coalesce(id, id)";
    Ok(fetch_of!(tx, AmendmentRow, sql, workshop, events).into_iter().map(amendment).collect())
}
