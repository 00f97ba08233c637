//! Small pictures of photographs, by the SHA-256 of the file that they were made of. They can be made again, so no export has them.
use sqlx::FromRow;

use super::{Tx, execute, many::fetch_of, on};
use crate::{
    domain::{id::Id, picture::Thumbnail, workshop::Workshop},
    error::Result,
};

#[derive(FromRow)]
struct Row {
    width: i64,
    height: i64,
    content: Vec<u8>,
}

/// Keeps the thumbnail of a file, or that none can be made of it.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, sha256: &str, thumbnail: Option<&Thumbnail>) -> Result<()> {
    let sql = "insert into thumbnail (workshop_id, sha256, width, height, content) values ($1, $2, $3, $4, $5) on conflict do nothing";
    let (width, height, content) =
        thumbnail.map_or((0, 0, &[][..]), |it| (i64::from(it.width), i64::from(it.height), it.content.as_slice()));
    execute!(tx, sqlx::query(sql).bind(workshop).bind(sha256).bind(width).bind(height).bind(content))?;
    Ok(())
}

/// The thumbnail of a file; `Some(None)` where none can be made, `None` where nobody has tried yet.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, sha256: &str) -> Result<Option<Option<Thumbnail>>> {
    let sql = "select width, height, content from thumbnail where workshop_id = $1 and sha256 = $2";
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(sha256), fetch_optional)?;
    let side = |side: i64| u32::try_from(side).unwrap_or(0);
    Ok(row.map(|row| (row.width > 0).then(|| Thumbnail { width: side(row.width), height: side(row.height), content: row.content })))
}

/// How large the thumbnails of these files are: SHA-256, width, height; 0 where none can be made. Those that nobody has made yet are left out.
pub async fn sizes(tx: &mut Tx, workshop: Id<Workshop>, files: &[String]) -> Result<Vec<(String, i64, i64)>> {
    let files: Vec<&str> = files.iter().map(String::as_str).collect();
    let sql = "select sha256, width, height from thumbnail where workshop_id = $1 and sha256 in ({})";
    Ok(fetch_of!(tx, (String, i64, i64), sql, workshop, &files))
}
