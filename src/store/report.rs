//! Whom reports go to, and which were looked after.
use sqlx::FromRow;
use time::{Date, OffsetDateTime};

use super::{
    Tx, execute, on,
    types::{Instant, Json},
};
use crate::{
    domain::{
        id::Id,
        letter::Letter,
        motorcycle::Owner,
        report::{Last, Told},
        workshop::Workshop,
    },
    error::Result,
};

/// Whom reports go to: an owner, or an address of the workshop's settings.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reader {
    /// The id.
    pub id: Id<Reader>,
    /// The owner; `None` for an address of the workshop's settings.
    pub owner: Option<Id<Owner>>,
    /// The address in lower case; empty for an owner, whose own one counts.
    pub address: String,
    /// What stands in the address by which the mails can be stopped.
    pub secret: String,
    /// Reports whose hour came before this are not sent late.
    pub since: OffsetDateTime,
    /// When the recipient stopped them by the link in a mail, if that is how they ended.
    pub stopped_at: Option<OffsetDateTime>,
}

impl Reader {
    /// What makes it this one: the owner, or the address.
    #[must_use]
    pub fn key(&self) -> (Option<Id<Owner>>, String) {
        (self.owner, self.address.clone())
    }
}

#[derive(FromRow)]
struct Row {
    id: Id<Reader>,
    owner_id: Option<Id<Owner>>,
    address: String,
    secret: String,
    since: Instant,
    stopped_at: Option<Instant>,
}
impl From<Row> for Reader {
    fn from(row: Row) -> Self {
        let Row { id, owner_id, address, secret, since, stopped_at } = row;
        Self { id, owner: owner_id, address, secret, since: since.0, stopped_at: stopped_at.map(|at| at.0) }
    }
}

/// Stores a new reader.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, reader: &Reader) -> Result<()> {
    let sql = "insert into report_recipient (workshop_id, id, owner_id, address, secret, since, created_at, updated_at)
               values ($1, $2, $3, $4, $5, $6, $6, $6)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(reader.id)
            .bind(reader.owner)
            .bind(&reader.address)
            .bind(&reader.secret)
            .bind(Instant(reader.since))
    )?;
    Ok(())
}

/// Every reader of a workshop.
pub async fn readers(tx: &mut Tx, workshop: Id<Workshop>) -> Result<Vec<Reader>> {
    let sql = "select id, owner_id, address, secret, since, stopped_at from report_recipient where workshop_id = $1 order by id";
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop), fetch_all)?;
    Ok(rows.into_iter().map(Reader::from).collect())
}

/// The reader that is an owner, or an address of the workshop's settings.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, owner: Option<Id<Owner>>, address: &str) -> Result<Option<Reader>> {
    let sql = "select id, owner_id, address, secret, since, stopped_at from report_recipient
               where workshop_id = $1 and (owner_id = $2 or ($2 is null and owner_id is null)) and address = $3 order by id limit 1";
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(owner).bind(address), fetch_optional)?;
    Ok(row.map(Reader::from))
}

/// The reader of a secret, with the workshop.
pub async fn find_by_secret(tx: &mut Tx, secret: &str) -> Result<Option<(Id<Workshop>, Reader)>> {
    #[derive(FromRow)]
    struct Both {
        workshop_id: Id<Workshop>,
        #[sqlx(flatten)]
        row: Row,
    }
    let sql = "select workshop_id, id, owner_id, address, secret, since, stopped_at from report_recipient where secret = $1";
    let row = on!(tx, sqlx::query_as::<_, Both>(sql).bind(secret), fetch_optional)?;
    Ok(row.map(|both| (both.workshop_id, both.row.into())))
}

/// Says from when on reports count, and when they were stopped by a link in one.
pub async fn update(tx: &mut Tx, workshop: Id<Workshop>, reader: &Reader, now: OffsetDateTime) -> Result<()> {
    let sql = "update report_recipient set since = $3, stopped_at = $4, updated_at = $5 where workshop_id = $1 and id = $2";
    execute!(
        tx,
        sqlx::query(sql).bind(workshop).bind(reader.id).bind(Instant(reader.since)).bind(reader.stopped_at.map(Instant)).bind(Instant(now))
    )?;
    Ok(())
}

/// The readers whose report for a period was looked after.
pub async fn done(tx: &mut Tx, workshop: Id<Workshop>, period: Date) -> Result<Vec<Id<Reader>>> {
    let sql = "select recipient_id from report where workshop_id = $1 and period = $2";
    Ok(on!(tx, sqlx::query_scalar::<_, Id<Reader>>(sql).bind(workshop).bind(period), fetch_all)?)
}

/// Notes that a report was looked after; false where it was before.
pub async fn note(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    reader: Id<Reader>,
    period: Date,
    last: &Last,
    letter: Option<Id<Letter>>,
    now: OffsetDateTime,
) -> Result<bool> {
    let sql = "insert into report (workshop_id, recipient_id, period, about, letter_id, told, created_at)
               values ($1, $2, $3, $4, $5, $6, $7) on conflict (workshop_id, recipient_id, period) do nothing";
    let stored = execute!(
        tx,
        sqlx::query(sql).bind(workshop).bind(reader).bind(period).bind(last.on).bind(letter).bind(Json(&last.told)).bind(Instant(now))
    )?;
    Ok(stored == 1)
}

/// The last report before a period that was mailed to a reader.
pub async fn last(tx: &mut Tx, workshop: Id<Workshop>, reader: Id<Reader>, period: Date) -> Result<Option<Last>> {
    let sql = "select about, told from report where workshop_id = $1 and recipient_id = $2 and period < $3 and letter_id is not null
               order by period desc limit 1";
    let row: Option<(Date, Json<Vec<Told>>)> = on!(tx, sqlx::query_as(sql).bind(workshop).bind(reader).bind(period), fetch_optional)?;
    Ok(row.map(|(on, told)| Last { on, told: told.0 }))
}
