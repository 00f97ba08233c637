//! Webhooks and what was, or is still to be, delivered to them.
use sqlx::FromRow;
use time::{Date, OffsetDateTime};

use super::{
    Stretch, Tx, execute,
    letter::SET_BACK,
    on,
    types::{Instant, Json},
};
use crate::{
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        webhook::{Delivery, DeliveryStatus, MessageKind, NewWebhook, Payload, Webhook},
        workshop::Workshop,
    },
    error::Result,
};

#[derive(FromRow)]
struct Row {
    id: Id<Webhook>,
    body: Json<NewWebhook>,
    created_at: Instant,
}
impl From<Row> for Webhook {
    fn from(row: Row) -> Self {
        Self::from_new(row.id, row.body.0, row.created_at.0)
    }
}

/// Stores a new webhook. `day` is the day up to which what is due counts as told.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, hook: &Webhook, secret: &str, day: Date) -> Result<()> {
    let sql = "insert into webhook (workshop_id, id, body, secret, told_on, created_at, updated_at) values ($1, $2, $3, $4, $5, $6, $6)";
    execute!(
        tx,
        sqlx::query(sql).bind(workshop).bind(hook.id).bind(Json(hook.details())).bind(secret).bind(day).bind(Instant(hook.created_at))
    )?;
    Ok(())
}

/// Stores what was changed on a webhook.
pub async fn update(tx: &mut Tx, workshop: Id<Workshop>, hook: &Webhook, now: OffsetDateTime) -> Result<()> {
    let sql = "update webhook set body = $3, updated_at = $4 where workshop_id = $1 and id = $2";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(hook.id).bind(Json(hook.details())).bind(Instant(now)))?;
    Ok(())
}

/// Hides a webhook. What is still pending for it is given up.
pub async fn hide(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Webhook>, now: OffsetDateTime) -> Result<()> {
    let sql = "update webhook set deleted_at = $3, updated_at = $3 where workshop_id = $1 and id = $2 and deleted_at is null";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(Instant(now)))?;
    give_up(tx, workshop, id, now).await
}
/// Gives up what waits for a webhook.
pub async fn give_up(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Webhook>, now: OffsetDateTime) -> Result<()> {
    let sql = "update webhook_delivery set status = $3, next_try_at = null, updated_at = $4
               where workshop_id = $1 and webhook_id = $2 and status = $5";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(DeliveryStatus::GivenUp).bind(Instant(now)).bind(DeliveryStatus::Pending))?;
    Ok(())
}

/// The webhook of an id, unless it was hidden.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Webhook>) -> Result<Option<Webhook>> {
    let sql = "select id, body, created_at from webhook where workshop_id = $1 and id = $2 and deleted_at is null";
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(row.map(Webhook::from))
}

/// Webhooks in the order in which they were entered.
pub async fn list(tx: &mut Tx, workshop: Id<Workshop>, stretch: Stretch<Id<Webhook>>) -> Result<Vec<Webhook>> {
    let sql = "select id, body, created_at from webhook
               where workshop_id = $1 and deleted_at is null and ($2 is null or id > $2) order by id limit $3";
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(stretch.after).bind(stretch.limit), fetch_all)?;
    Ok(rows.into_iter().map(Webhook::from).collect())
}

#[derive(FromRow)]
struct DeliveryRow {
    id: Id<Delivery>,
    webhook_id: Id<Webhook>,
    kind: MessageKind,
    payload: Json<Payload>,
    status: DeliveryStatus,
    attempts: i64,
    next_try_at: Option<Instant>,
    last_answer: Option<String>,
    created_at: Instant,
}
impl From<DeliveryRow> for Delivery {
    fn from(row: DeliveryRow) -> Self {
        Self {
            id: row.id,
            webhook_id: row.webhook_id,
            kind: row.kind,
            payload: row.payload.0,
            status: row.status,
            attempts: row.attempts,
            next_try_at: row.next_try_at.map(|at| at.0),
            last_answer: row.last_answer,
            created_at: row.created_at.0,
        }
    }
}

/// Stores a message that is to be sent at once.
pub async fn enqueue(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Delivery>, hook: Id<Webhook>, payload: &Payload) -> Result<()> {
    let sql =
        "insert into webhook_delivery (workshop_id, id, webhook_id, kind, payload, status, attempts, next_try_at, created_at, updated_at)
               values ($1, $2, $3, $4, $5, $6, 0, $7, $7, $7)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(id)
            .bind(hook)
            .bind(payload.kind)
            .bind(Json(payload))
            .bind(DeliveryStatus::Pending)
            .bind(Instant(payload.timestamp))
    )?;
    Ok(())
}

/// Deliveries to a webhook, newest first.
pub async fn deliveries(tx: &mut Tx, workshop: Id<Workshop>, hook: Id<Webhook>, stretch: Stretch<Id<Delivery>>) -> Result<Vec<Delivery>> {
    let sql = "select id, webhook_id, kind, payload, status, attempts, next_try_at, last_answer, created_at from webhook_delivery
               where workshop_id = $1 and webhook_id = $2 and ($3 is null or id < $3) order by id desc limit $4";
    let rows = on!(tx, sqlx::query_as::<_, DeliveryRow>(sql).bind(workshop).bind(hook).bind(stretch.after).bind(stretch.limit), fetch_all)?;
    Ok(rows.into_iter().map(Delivery::from).collect())
}

/// A message that is to be sent, with everything that sending it needs.
#[derive(Clone, Debug, FromRow)]
pub struct Outgoing {
    /// The workshop.
    pub workshop_id: Id<Workshop>,
    /// The delivery.
    pub id: Id<Delivery>,
    /// What it tells.
    pub kind: MessageKind,
    /// How often it was tried before.
    pub attempts: i64,
    /// The body, as it was written: the signature is about these very bytes.
    pub payload: String,
    /// The webhook.
    pub hook: Json<NewWebhook>,
    /// Its secret.
    pub secret: String,
}

/// Of each webhook so many messages are sent before the others have their turn: one that does not answer holds nobody up for long.
const IN_A_ROW: i64 = 4;

/// What is to be sent by now, of all workshops, longest waiting first, and not too many of one webhook.
pub async fn pending(tx: &mut Tx, now: OffsetDateTime, limit: i64) -> Result<Vec<Outgoing>> {
    let sql = "with waiting as (
                 select workshop_id, id, webhook_id, next_try_at,
                        row_number() over (partition by workshop_id, webhook_id order by next_try_at, id) as place
                 from webhook_delivery where status = $1 and (next_try_at <= $2 or updated_at > $4))
               select delivery.workshop_id, delivery.id, delivery.kind, delivery.attempts, delivery.payload, webhook.body as hook, webhook.secret
               from waiting
               join webhook_delivery delivery on delivery.workshop_id = waiting.workshop_id and delivery.id = waiting.id
               join webhook on webhook.workshop_id = waiting.workshop_id and webhook.id = waiting.webhook_id
               where waiting.place <= $5 and webhook.deleted_at is null
               order by waiting.next_try_at, waiting.id limit $3";
    // A clock that was set back since is not waited for, as with letters.
    let (now, ahead) = (Instant(now), Instant(now + SET_BACK));
    Ok(on!(tx, sqlx::query_as(sql).bind(DeliveryStatus::Pending).bind(now).bind(limit).bind(ahead).bind(IN_A_ROW), fetch_all)?)
}

/// Claims a message for one try; false where another server was faster. Until `until` nobody else tries it.
pub async fn claim(tx: &mut Tx, message: &Outgoing, until: OffsetDateTime, now: OffsetDateTime) -> Result<bool> {
    let sql = "update webhook_delivery set attempts = $3 + 1, next_try_at = $4, updated_at = $5
               where workshop_id = $1 and id = $2 and attempts = $3 and status = $6 and (next_try_at <= $5 or updated_at > $7)";
    let claimed = execute!(
        tx,
        sqlx::query(sql)
            .bind(message.workshop_id)
            .bind(message.id)
            .bind(message.attempts)
            .bind(Instant(until))
            .bind(Instant(now))
            .bind(DeliveryStatus::Pending)
            .bind(Instant(now + SET_BACK))
    )?;
    Ok(claimed == 1)
}

/// Writes down what came of a try; `next` is when it is tried again, if it is.
pub async fn settle(
    tx: &mut Tx,
    message: &Outgoing,
    status: DeliveryStatus,
    answer: &str,
    next: Option<OffsetDateTime>,
    now: OffsetDateTime,
) -> Result<()> {
    let sql = "update webhook_delivery set status = $3, last_answer = $4, next_try_at = $5, updated_at = $6
               where workshop_id = $1 and id = $2 and status = $7";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(message.workshop_id)
            .bind(message.id)
            .bind(status)
            .bind(answer)
            .bind(next.map(Instant))
            .bind(Instant(now))
            .bind(DeliveryStatus::Pending)
    )?;
    Ok(())
}

/// A webhook that may have to be told what came due by the calendar alone.
#[derive(Clone, Copy, Debug, FromRow)]
pub struct Told {
    /// The workshop.
    pub workshop_id: Id<Workshop>,
    /// The webhook.
    pub id: Id<Webhook>,
    /// The day up to which it was told.
    pub told_on: Date,
}

/// Webhooks that were last told before a day.
pub async fn told_before(tx: &mut Tx, day: Date) -> Result<Vec<Told>> {
    let sql = "select workshop_id, id, told_on from webhook where deleted_at is null and told_on < $1 order by workshop_id, id";
    Ok(on!(tx, sqlx::query_as(sql).bind(day), fetch_all)?)
}

/// Moves the day up to which a webhook was told; false where another server was faster.
pub async fn tell_until(tx: &mut Tx, told: &Told, day: Date) -> Result<bool> {
    let sql = "update webhook set told_on = $4 where workshop_id = $1 and id = $2 and told_on = $3";
    Ok(execute!(tx, sqlx::query(sql).bind(told.workshop_id).bind(told.id).bind(told.told_on).bind(day))? == 1)
}

/// Motorcycles on which the status of something due changed after one day and up to another, by the calendar alone.
pub async fn turned(tx: &mut Tx, workshop: Id<Workshop>, after: Date, until: Date) -> Result<Vec<Id<Motorcycle>>> {
    let sql = "select distinct motorcycle_id from due_item
               where workshop_id = $1 and ((nearly_due_from > $2 and nearly_due_from <= $3) or (due_from > $2 and due_from <= $3)
                 or (overdue_from > $2 and overdue_from <= $3)) order by motorcycle_id";
    let rows: Vec<(Id<Motorcycle>,)> = on!(tx, sqlx::query_as(sql).bind(workshop).bind(after).bind(until), fetch_all)?;
    Ok(rows.into_iter().map(|row| row.0).collect())
}
