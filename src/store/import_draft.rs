//! Files that were uploaded on a page and are still being looked at.
use sqlx::FromRow;
use time::OffsetDateTime;

use super::{Tx, execute, on, types::Instant};
use crate::{
    domain::{id::Id, workshop::Workshop},
    error::Result,
};

/// A file on its way in.
#[derive(Clone, Debug, FromRow)]
pub struct ImportDraft {
    /// Its id.
    pub id: Id<ImportDraft>,
    /// What it holds, as the person said.
    pub kind: String,
    /// The file's name.
    pub name: String,
    /// Its bytes.
    pub content: Vec<u8>,
}

/// Keeps a file, and lets those go that are older than `oldest`.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, draft: &ImportDraft, now: OffsetDateTime, oldest: OffsetDateTime) -> Result<()> {
    execute!(tx, sqlx::query("delete from import_draft where workshop_id = $1 and created_at < $2").bind(workshop).bind(Instant(oldest)))?;
    let sql = "insert into import_draft (workshop_id, id, kind, name, content, created_at) values ($1, $2, $3, $4, $5, $6)";
    execute!(
        tx,
        sqlx::query(sql).bind(workshop).bind(draft.id).bind(&draft.kind).bind(&draft.name).bind(&draft.content).bind(Instant(now))
    )?;
    Ok(())
}

/// The file of an id.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<ImportDraft>) -> Result<Option<ImportDraft>> {
    let sql = "select id, kind, name, content from import_draft where workshop_id = $1 and id = $2";
    Ok(on!(tx, sqlx::query_as::<_, ImportDraft>(sql).bind(workshop).bind(id), fetch_optional)?)
}

/// Lets a file go.
pub async fn delete(tx: &mut Tx, workshop: Id<Workshop>, id: Id<ImportDraft>) -> Result<()> {
    execute!(tx, sqlx::query("delete from import_draft where workshop_id = $1 and id = $2").bind(workshop).bind(id))?;
    Ok(())
}
