//! Attachments: what is known about them, and their bytes.
use sqlx::FromRow;
use time::OffsetDateTime;
use uuid::Uuid;

use super::{Stretch, Tx, execute, many::fetch_of, on, types::Instant};
use crate::{
    access::Sight,
    domain::{
        attachment::{Attachment, BelongsTo, MediaType},
        id::Id,
        motorcycle::Motorcycle,
        workshop::Workshop,
    },
    error::Result,
};

/// What every query on this table selects; the bytes are fetched by themselves.
macro_rules! columns {
    () => {
        "id, belongs_to, belongs_to_kind, motorcycle_id, line, name, media_type, size, sha256, created_at"
    };
}

#[derive(FromRow)]
struct Row {
    id: Id<Attachment>,
    belongs_to: Uuid,
    belongs_to_kind: BelongsTo,
    motorcycle_id: Option<Id<Motorcycle>>,
    line: Option<String>,
    name: String,
    media_type: MediaType,
    size: i64,
    sha256: String,
    created_at: Instant,
}
impl From<Row> for Attachment {
    fn from(row: Row) -> Self {
        Self {
            id: row.id,
            belongs_to: row.belongs_to,
            belongs_to_kind: row.belongs_to_kind,
            motorcycle_id: row.motorcycle_id,
            line: row.line,
            name: row.name,
            media_type: row.media_type,
            size: row.size,
            sha256: row.sha256,
            created_at: row.created_at.0,
        }
    }
}

/// What an id means, if it is a service event's, a part's or a motorcycle's of the workshop; with the motorcycle (none for a part on the shelf).
pub async fn owner_of(tx: &mut Tx, workshop: Id<Workshop>, id: Uuid) -> Result<Option<(BelongsTo, Option<Id<Motorcycle>>)>> {
    let sql = "select 'service_event' as kind, motorcycle_id from service_event where workshop_id = $1 and id = $2
               union all
               select 'motorcycle', id from motorcycle where workshop_id = $1 and id = $2
               union all
               select 'installed_part', (select fitting.motorcycle_id from fitting
                                         where fitting.workshop_id = $1 and fitting.part_id = $2 and fitting.removed_on is null and fitting.struck_at is null
                                         order by fitting.id desc limit 1)
               from installed_part where workshop_id = $1 and id = $2";
    Ok(on!(tx, sqlx::query_as(sql).bind(workshop).bind(id), fetch_optional)?)
}

/// Stores an attachment with its bytes.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, attachment: &Attachment, content: &[u8]) -> Result<()> {
    let sql = "insert into attachment (workshop_id, id, belongs_to, belongs_to_kind, motorcycle_id, name, media_type, size, sha256, content, created_at,
                                       line)
               values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(attachment.id)
            .bind(attachment.belongs_to)
            .bind(attachment.belongs_to_kind)
            .bind(attachment.motorcycle_id)
            .bind(&attachment.name)
            .bind(attachment.media_type)
            .bind(attachment.size)
            .bind(&attachment.sha256)
            .bind(content)
            .bind(Instant(attachment.created_at))
            .bind(&attachment.line)
    )?;
    Ok(())
}

/// Says which line of its event an attachment shows.
pub async fn set_line(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Attachment>, line: Option<&str>) -> Result<()> {
    let sql = "update attachment set line = $3 where workshop_id = $1 and id = $2";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(line))?;
    Ok(())
}

/// The attachment of an id, unless it was hidden.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Attachment>) -> Result<Option<Attachment>> {
    let sql = concat!("select ", columns!(), " from attachment where workshop_id = $1 and id = $2 and deleted_at is null");
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(row.map(Attachment::from))
}

/// What is known about the attachments of these things, in the order in which they were entered.
pub async fn of(tx: &mut Tx, workshop: Id<Workshop>, things: &[Uuid]) -> Result<Vec<Attachment>> {
    let sql = concat!(
        "select ",
        columns!(),
        " from attachment where workshop_id = $1 and belongs_to in ({}) and deleted_at is null order by coalesce(id, id)"
    );
    Ok(fetch_of!(tx, Row, sql, workshop, things).into_iter().map(Attachment::from).collect())
}

/// The bytes of an attachment.
pub async fn content(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Attachment>) -> Result<Option<Vec<u8>>> {
    let sql = "select content from attachment where workshop_id = $1 and id = $2 and deleted_at is null";
    let row: Option<(Vec<u8>,)> = on!(tx, sqlx::query_as(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(row.map(|row| row.0))
}

/// Attachments in the order in which they were entered; of one thing if wanted.
pub async fn list(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    sight: Sight,
    belongs_to: Option<Uuid>,
    stretch: Stretch<Id<Attachment>>,
) -> Result<Vec<Attachment>> {
    macro_rules! listed {
        ($of:literal) => {
            concat!(
                "select ",
                columns!(),
                " from attachment where workshop_id = $1 and deleted_at is null and ",
                $of,
                " and ($3 is null or id > $3)
                  and ($5 is null or exists (select 1 from motorcycle b where b.workshop_id = $1 and b.id = attachment.motorcycle_id and b.owner_id = $5))
                  and ($6 is null or motorcycle_id = $6)
                order by id limit $4"
            )
        };
    }
    let sql = if belongs_to.is_some() { listed!("belongs_to = $2") } else { listed!("$2 is null") };
    let rows = on!(
        tx,
        sqlx::query_as::<_, Row>(sql)
            .bind(workshop)
            .bind(belongs_to)
            .bind(stretch.after)
            .bind(stretch.limit)
            .bind(sight.owner())
            .bind(sight.motorcycle()),
        fetch_all
    )?;
    Ok(rows.into_iter().map(Attachment::from).collect())
}

/// Hides an attachment; its bytes stay.
pub async fn hide(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Attachment>, now: OffsetDateTime) -> Result<()> {
    let sql = "update attachment set deleted_at = $3 where workshop_id = $1 and id = $2 and deleted_at is null";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(Instant(now)))?;
    Ok(())
}
