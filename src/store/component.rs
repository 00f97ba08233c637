//! Components that a workshop added.
use sqlx::FromRow;
use time::OffsetDateTime;

use super::{Tx, execute, on, types::Instant};
use crate::{
    domain::{component::Component, id::Id, workshop::Workshop},
    error::Result,
};

#[derive(FromRow)]
struct Row {
    key: String,
    name: String,
    part: bool,
}
impl From<Row> for Component {
    fn from(row: Row) -> Self {
        Self { key: row.key, name: row.name, part: row.part, own: true }
    }
}

/// Stores a new component.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, component: &Component, now: OffsetDateTime) -> Result<()> {
    let sql = "insert into component (workshop_id, key, name, part, created_at) values ($1, $2, $3, $4, $5)";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(&component.key).bind(&component.name).bind(component.part).bind(Instant(now)))?;
    Ok(())
}

/// Every component that the workshop added, by key.
pub async fn all(tx: &mut Tx, workshop: Id<Workshop>) -> Result<Vec<Component>> {
    let sql = "select key, name, part from component where workshop_id = $1 order by key";
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop), fetch_all)?;
    Ok(rows.into_iter().map(Component::from).collect())
}
