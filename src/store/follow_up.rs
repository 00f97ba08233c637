//! Follow-ups.
use sqlx::FromRow;
use time::{Date, OffsetDateTime};

use super::{
    Stretch, Tx, execute,
    many::{fetch_of, insert_many},
    on,
    types::{Instant, Json},
};
use crate::{
    access::Sight,
    domain::{
        id::Id,
        motorcycle::{Motorcycle, StruckOut},
        service::{FollowUp, FollowUpIn, ServiceEvent},
        words::{FollowUpStatus, Position},
        workshop::Workshop,
    },
    error::Result,
};

#[derive(FromRow)]
struct Row {
    id: Id<FollowUp>,
    motorcycle_id: Id<Motorcycle>,
    service_event_id: Id<ServiceEvent>,
    on_date: Date,
    text: String,
    component: Option<String>,
    position: Option<Position>,
    due_in: Option<Json<FollowUpIn>>,
    status: FollowUpStatus,
    reason: Option<String>,
    done_in: Option<Id<ServiceEvent>>,
    struck_at: Option<Instant>,
    struck_reason: Option<String>,
    created_at: Instant,
}
impl From<Row> for FollowUp {
    fn from(row: Row) -> Self {
        Self {
            id: row.id,
            motorcycle_id: row.motorcycle_id,
            service_event_id: row.service_event_id,
            on: row.on_date,
            text: row.text,
            component: row.component,
            position: row.position,
            due_in: row.due_in.map(|due_in| due_in.0),
            status: row.status,
            reason: row.reason,
            done_in: row.done_in,
            // Struck out with its event only, so the event's reason is its own.
            struck_out: row.struck_at.map(|at| StruckOut { at: at.0, reason: row.struck_reason.unwrap_or_default() }),
            created_at: row.created_at.0,
        }
    }
}

macro_rules! follow_ups {
    () => {
        "select u.id, u.motorcycle_id, u.service_event_id, e.on_date, u.text, u.component, u.position, u.due_in, u.status, u.reason, u.done_in,
                u.struck_at, e.struck_reason, u.created_at
         from follow_up u join service_event e on e.workshop_id = u.workshop_id and e.id = u.service_event_id "
    };
}

/// Stores new follow-ups.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, follow_ups: &[FollowUp]) -> Result<()> {
    insert_many!(
        tx,
        "insert into follow_up (workshop_id, id, motorcycle_id, service_event_id, text, component, position, due_in, status, created_at, updated_at)",
        follow_ups,
        |row| [
            workshop,
            row.id,
            row.motorcycle_id,
            row.service_event_id,
            &row.text,
            &row.component,
            row.position,
            row.due_in.as_ref().map(Json),
            row.status,
            Instant(row.created_at),
            Instant(row.created_at),
        ]
    );
    Ok(())
}

/// The follow-up of an id, struck out or not.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<FollowUp>) -> Result<Option<FollowUp>> {
    let sql = concat!(follow_ups!(), "where u.workshop_id = $1 and u.id = $2");
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(row.map(FollowUp::from))
}
/// Follow-ups by their ids.
pub async fn by_ids(tx: &mut Tx, workshop: Id<Workshop>, ids: &[Id<FollowUp>]) -> Result<Vec<FollowUp>> {
    let sql = concat!(follow_ups!(), "where u.workshop_id = $1 and u.id in ({})");
    Ok(fetch_of!(tx, Row, sql, workshop, ids).into_iter().map(FollowUp::from).collect())
}
/// What these events left, struck out or not, in the order entered.
pub async fn left_in(tx: &mut Tx, workshop: Id<Workshop>, events: &[Id<ServiceEvent>]) -> Result<Vec<FollowUp>> {
    let sql = concat!(follow_ups!(), "where u.workshop_id = $1 and u.service_event_id in ({}) order by coalesce(u.id, u.id)");
    Ok(fetch_of!(tx, Row, sql, workshop, events).into_iter().map(FollowUp::from).collect())
}
/// What these events settled, in the order entered.
pub async fn done_in(tx: &mut Tx, workshop: Id<Workshop>, events: &[Id<ServiceEvent>]) -> Result<Vec<FollowUp>> {
    let sql = concat!(follow_ups!(), "where u.workshop_id = $1 and u.done_in in ({}) order by coalesce(u.id, u.id)");
    Ok(fetch_of!(tx, Row, sql, workshop, events).into_iter().map(FollowUp::from).collect())
}

/// Follow-ups that stand, newest first; of one motorcycle or status, if wanted.
pub async fn list(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    sight: Sight,
    bike: Option<Id<Motorcycle>>,
    status: Option<FollowUpStatus>,
    stretch: Stretch<Id<FollowUp>>,
) -> Result<Vec<FollowUp>> {
    macro_rules! standing {
        ($whose:literal) => {
            concat!(
                follow_ups!(),
                "where u.workshop_id = $1 and ",
                $whose,
                " and u.struck_at is null and ($4 is null or u.id < $4) and ($7 is null or u.motorcycle_id = $7)
                   and ($6 is null or exists (select 1 from motorcycle b where b.workshop_id = $1 and b.id = u.motorcycle_id and b.owner_id = $6))
                 order by u.id desc limit $5"
            )
        };
    }
    let sql = match (bike, status) {
        (Some(_), _) => standing!("u.motorcycle_id = $2 and ($3 is null or u.status = $3)"),
        (None, Some(_)) => standing!("$2 is null and u.status = $3"),
        (None, None) => standing!("$2 is null and $3 is null"),
    };
    let rows = on!(
        tx,
        sqlx::query_as::<_, Row>(sql)
            .bind(workshop)
            .bind(bike)
            .bind(status)
            .bind(stretch.after)
            .bind(stretch.limit)
            .bind(sight.owner())
            .bind(sight.motorcycle()),
        fetch_all
    )?;
    Ok(rows.into_iter().map(FollowUp::from).collect())
}

/// Stores how a follow-up stands, and the day from which it does.
pub async fn settle(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    follow_up: &FollowUp,
    settled_on: Option<Date>,
    now: OffsetDateTime,
) -> Result<()> {
    let sql =
        "update follow_up set status = $3, reason = $4, done_in = $5, settled_on = $6, updated_at = $7 where workshop_id = $1 and id = $2";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(follow_up.id)
            .bind(follow_up.status)
            .bind(&follow_up.reason)
            .bind(follow_up.done_in)
            .bind(settled_on)
            .bind(Instant(now))
    )?;
    // The event that left it shows how it stands.
    let sql = "update service_event set updated_at = $3 where workshop_id = $1 and id = $2";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(follow_up.service_event_id).bind(Instant(now)))?;
    Ok(())
}

/// Strikes out what an event left, and opens again what it settled.
pub async fn strike_out(tx: &mut Tx, workshop: Id<Workshop>, event: Id<ServiceEvent>, now: OffsetDateTime) -> Result<()> {
    for sql in [
        "update service_event set updated_at = $3 where workshop_id = $1
           and id in (select service_event_id from follow_up where workshop_id = $1 and done_in = $2)",
        "update follow_up set struck_at = $3, updated_at = $3 where workshop_id = $1 and service_event_id = $2",
        "update follow_up set status = 'open', done_in = null, settled_on = null, updated_at = $3 where workshop_id = $1 and done_in = $2",
    ] {
        execute!(tx, sqlx::query(sql).bind(workshop).bind(event).bind(Instant(now)))?;
    }
    Ok(())
}
