//! The outbox of letters.
use sqlx::FromRow;
use time::{Duration, OffsetDateTime};
use uuid::Uuid;

use super::{
    Stretch, Tx, execute, on,
    types::{Instant, Json},
};
use crate::{
    domain::{
        id::Id,
        letter::{Header, Letter, LetterKind, LetterStatus, Recipient},
        workshop::Workshop,
    },
    error::Result,
};

macro_rules! columns {
    () => {
        "id, kind, recipient, recipient_name, subject, text, html, headers, message_id, status, attempts, next_try_at, last_answer, settled_at, created_at"
    };
}

#[derive(FromRow)]
struct Row {
    id: Id<Letter>,
    kind: LetterKind,
    recipient: String,
    recipient_name: String,
    subject: String,
    text: String,
    html: String,
    headers: Json<Vec<Header>>,
    message_id: String,
    status: LetterStatus,
    attempts: i64,
    next_try_at: Instant,
    last_answer: String,
    settled_at: Option<Instant>,
    created_at: Instant,
}
impl From<Row> for Letter {
    fn from(row: Row) -> Self {
        Self {
            id: row.id,
            kind: row.kind,
            to: Recipient { name: row.recipient_name, address: row.recipient },
            subject: row.subject,
            text: row.text,
            html: row.html,
            headers: row.headers.0,
            message_id: row.message_id,
            status: row.status,
            attempts: row.attempts,
            next_try_at: row.next_try_at.0,
            last_answer: row.last_answer,
            settled_at: row.settled_at.map(|at| at.0),
            created_at: row.created_at.0,
        }
    }
}

/// Stores a new letter.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, letter: &Letter) -> Result<()> {
    let sql =
        "insert into letter (workshop_id, id, kind, recipient, recipient_name, subject, text, html, headers, message_id, status, attempts,
                 next_try_at, claimed_until, last_answer, created_at, updated_at)
               values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, 0, $14, $15, $15)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(letter.id)
            .bind(letter.kind)
            .bind(&letter.to.address)
            .bind(&letter.to.name)
            .bind(&letter.subject)
            .bind(&letter.text)
            .bind(&letter.html)
            .bind(Json(&letter.headers))
            .bind(&letter.message_id)
            .bind(letter.status)
            .bind(letter.attempts)
            .bind(Instant(letter.next_try_at))
            .bind(&letter.last_answer)
            .bind(Instant(letter.created_at))
    )?;
    Ok(())
}

/// The letter of an id.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Letter>) -> Result<Option<Letter>> {
    let sql = concat!("select ", columns!(), " from letter where workshop_id = $1 and id = $2");
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(row.map(Letter::from))
}

/// Letters, newest first.
pub async fn list(tx: &mut Tx, workshop: Id<Workshop>, stretch: Stretch<Id<Letter>>) -> Result<Vec<Letter>> {
    let sql = concat!("select ", columns!(), " from letter where workshop_id = $1 and ($2 is null or id < $2) order by id desc limit $3");
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(stretch.after).bind(stretch.limit), fetch_all)?;
    Ok(rows.into_iter().map(Letter::from).collect())
}

/// A letter that is to be sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, FromRow)]
pub struct Waiting {
    /// The workshop.
    pub workshop_id: Id<Workshop>,
    /// The letter.
    pub id: Id<Letter>,
}

/// What lies further ahead than this was written down by a clock that was set back since: no hold lasts so long, and no two servers' clocks
/// differ so much.
pub const SET_BACK: Duration = Duration::minutes(10);

/// Letters of all workshops that are to be tried by now, longest waiting first. Those that a sender has in hand are among them only
/// when it has not been heard of for too long. What was written down by a clock that was set back since does not wait for that clock's time.
pub async fn waiting(tx: &mut Tx, by: OffsetDateTime, now: OffsetDateTime, limit: i64) -> Result<Vec<Waiting>> {
    let sql = "select workshop_id, id from letter where status = $1 and (next_try_at <= $2 or updated_at > $5)
                 and (claimed_until < $3 or claimed_until > $5)
               order by next_try_at, id limit $4";
    let (by, now, ahead) = (Instant(by), Instant(now), Instant(now + SET_BACK));
    Ok(on!(tx, sqlx::query_as(sql).bind(LetterStatus::Pending).bind(by).bind(now).bind(limit).bind(ahead), fetch_all)?)
}

/// How many letters are pending, and how many of them a sender has in hand.
pub async fn count_pending(tx: &mut Tx, now: OffsetDateTime) -> Result<(i64, i64)> {
    let sql = "select count(*), coalesce(sum(case when claimed_until >= $2 then 1 else 0 end), 0) from letter where status = $1";
    Ok(on!(tx, sqlx::query_as(sql).bind(LetterStatus::Pending).bind(Instant(now)), fetch_one)?)
}

/// A sender's hold on a letter.
#[derive(Clone, Copy, Debug)]
pub struct Hold {
    /// The letter.
    pub letter: Waiting,
    /// The sender.
    pub by: Uuid,
}

/// Takes a letter in hand until `until`; false where another sender was faster. A try begins with it.
pub async fn claim(tx: &mut Tx, hold: &Hold, until: OffsetDateTime, now: OffsetDateTime) -> Result<bool> {
    let sql = "update letter set claimed_by = $3, claimed_until = $4, attempts = attempts + 1, updated_at = $5
               where workshop_id = $1 and id = $2 and status = $6 and (claimed_until < $5 or claimed_until > $7)";
    let claimed = execute!(
        tx,
        sqlx::query(sql)
            .bind(hold.letter.workshop_id)
            .bind(hold.letter.id)
            .bind(hold.by)
            .bind(Instant(until))
            .bind(Instant(now))
            .bind(LetterStatus::Pending)
            .bind(Instant(now + SET_BACK))
    )?;
    Ok(claimed == 1)
}

/// Says that a sender is still alive; false where the letter is no longer in its hand.
pub async fn keep(tx: &mut Tx, hold: &Hold, until: OffsetDateTime) -> Result<bool> {
    let sql = "update letter set claimed_until = $4 where workshop_id = $1 and id = $2 and claimed_by = $3 and status = $5";
    let kept = execute!(
        tx,
        sqlx::query(sql).bind(hold.letter.workshop_id).bind(hold.letter.id).bind(hold.by).bind(Instant(until)).bind(LetterStatus::Pending)
    )?;
    Ok(kept == 1)
}

/// What is written down after a try.
#[derive(Clone, Debug)]
pub struct Settled {
    /// Where the letter stands now.
    pub status: LetterStatus,
    /// What came of the try.
    pub answer: String,
    /// When it is tried next, where it is pending.
    pub next_try_at: OffsetDateTime,
}

/// Writes down what came of a try, and lets go of the letter; false where it was no longer in this sender's hand.
pub async fn settle(tx: &mut Tx, hold: &Hold, settled: &Settled, now: OffsetDateTime) -> Result<bool> {
    let sql = "update letter set status = $4, last_answer = $5, next_try_at = $6, settled_at = $7, claimed_by = null, claimed_until = 0,
                 updated_at = $8
               where workshop_id = $1 and id = $2 and claimed_by = $3 and status = $9";
    let at = (settled.status != LetterStatus::Pending).then_some(Instant(now));
    let done = execute!(
        tx,
        sqlx::query(sql)
            .bind(hold.letter.workshop_id)
            .bind(hold.letter.id)
            .bind(hold.by)
            .bind(settled.status)
            .bind(&settled.answer)
            .bind(Instant(settled.next_try_at))
            .bind(at)
            .bind(Instant(now))
            .bind(LetterStatus::Pending)
    )?;
    Ok(done == 1)
}

/// Forgets what a settled letter said: it held a secret.
pub async fn forget_text(tx: &mut Tx, letter: Waiting) -> Result<()> {
    let sql = "update letter set text = '', html = '' where workshop_id = $1 and id = $2";
    execute!(tx, sqlx::query(sql).bind(letter.workshop_id).bind(letter.id))?;
    Ok(())
}

/// Puts a letter that was given up, or waits for its next try, at the head of the queue.
pub async fn retry(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Letter>, now: OffsetDateTime) -> Result<()> {
    let sql = "update letter set status = $3, next_try_at = $4, settled_at = null, updated_at = $4
               where workshop_id = $1 and id = $2 and status <> $5";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(LetterStatus::Pending).bind(Instant(now)).bind(LetterStatus::Sent))?;
    Ok(())
}
