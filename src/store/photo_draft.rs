//! Photographs that wait while their form is looked at once more: a browser does not send a file twice by itself, and the camera of a
//! telephone does not always keep what was taken for a page.
use sqlx::FromRow;
use time::OffsetDateTime;
use uuid::Uuid;

use super::{Tx, execute, on, types::Instant};
use crate::{
    domain::{attachment::MediaType, id::Id, workshop::Workshop},
    error::Result,
};

/// A photograph that waits.
#[derive(Clone, Debug, FromRow)]
pub struct PhotoDraft {
    /// Its id.
    pub id: Id<PhotoDraft>,
    /// The person who sent it; nobody else gets it.
    pub entered_by: Option<Uuid>,
    /// The file's name.
    pub name: String,
    /// What it is.
    pub media_type: MediaType,
    /// Its bytes.
    pub content: Vec<u8>,
}

/// Keeps a photograph, and lets those go that are older than `oldest`.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, draft: &PhotoDraft, now: OffsetDateTime, oldest: OffsetDateTime) -> Result<()> {
    execute!(tx, sqlx::query("delete from photo_draft where workshop_id = $1 and created_at < $2").bind(workshop).bind(Instant(oldest)))?;
    let sql =
        "insert into photo_draft (workshop_id, id, entered_by, name, media_type, content, created_at) values ($1, $2, $3, $4, $5, $6, $7)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(draft.id)
            .bind(draft.entered_by)
            .bind(&draft.name)
            .bind(draft.media_type)
            .bind(&draft.content)
            .bind(Instant(now))
    )?;
    Ok(())
}

/// How many of somebody's photographs wait for their forms.
pub async fn waiting(tx: &mut Tx, workshop: Id<Workshop>, person: Option<Uuid>) -> Result<i64> {
    let sql = "select count(*) from photo_draft where workshop_id = $1 and entered_by = $2";
    Ok(on!(tx, sqlx::query_scalar(sql).bind(workshop).bind(person), fetch_one)?)
}

/// Takes a photograph out, for the one who sent it.
pub async fn take(tx: &mut Tx, workshop: Id<Workshop>, id: Id<PhotoDraft>, person: Option<Uuid>) -> Result<Option<PhotoDraft>> {
    let sql = "select id, entered_by, name, media_type, content from photo_draft where workshop_id = $1 and id = $2 and entered_by = $3";
    let draft = on!(tx, sqlx::query_as::<_, PhotoDraft>(sql).bind(workshop).bind(id).bind(person), fetch_optional)?;
    if draft.is_some() {
        execute!(tx, sqlx::query("delete from photo_draft where workshop_id = $1 and id = $2").bind(workshop).bind(id))?;
    }
    Ok(draft)
}
