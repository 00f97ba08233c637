//! The audit trail: appended by every write, never changed.
use serde_json::Value;
use sqlx::FromRow;
use time::OffsetDateTime;
use uuid::Uuid;

use super::{
    Stretch, Tx, execute, on,
    types::{Instant, Json},
};
use crate::{
    domain::{id::Id, motorcycle::Motorcycle, workshop::Workshop},
    error::Result,
};

/// Who did what, with the value before and after.
#[derive(Clone, Debug, FromRow)]
pub struct Entry {
    /// Its id.
    pub id: Id<Entry>,
    /// When.
    pub at: Instant,
    /// Who: a person's or token's name.
    pub who: String,
    /// What was done, such as `add` or `strike_out`.
    pub action: String,
    /// The kind of thing that it was done to.
    pub subject_kind: String,
    /// That thing.
    pub subject_id: Option<Uuid>,
    /// The motorcycle that it belongs to.
    pub motorcycle_id: Option<Id<Motorcycle>>,
    /// The value before.
    pub old_value: Option<Json<Value>>,
    /// The value after.
    pub new_value: Option<Json<Value>>,
}

/// Appends an entry.
pub async fn append(tx: &mut Tx, workshop: Id<Workshop>, entry: &Entry) -> Result<()> {
    let sql = "insert into audit (workshop_id, id, at, who, action, subject_kind, subject_id, motorcycle_id, old_value, new_value)
               values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(entry.id)
            .bind(entry.at)
            .bind(&entry.who)
            .bind(&entry.action)
            .bind(&entry.subject_kind)
            .bind(entry.subject_id)
            .bind(entry.motorcycle_id)
            .bind(&entry.old_value)
            .bind(&entry.new_value)
    )?;
    Ok(())
}

/// Entries, newest first; of one motorcycle or since an instant if wanted.
pub async fn list(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    motorcycle: Option<Id<Motorcycle>>,
    since: Option<OffsetDateTime>,
    stretch: Stretch<Id<Entry>>,
) -> Result<Vec<Entry>> {
    macro_rules! listed {
        ($motorcycle:literal) => {
            concat!(
                "select id, at, who, action, subject_kind, subject_id, motorcycle_id, old_value, new_value from audit where workshop_id = $1 and ",
                $motorcycle,
                " and ($3 is null or at >= $3) and ($4 is null or id < $4) order by id desc limit $5"
            )
        };
    }
    let sql = if motorcycle.is_some() { listed!("motorcycle_id = $2") } else { listed!("($2 is null or motorcycle_id = $2)") };
    Ok(on!(
        tx,
        sqlx::query_as::<_, Entry>(sql).bind(workshop).bind(motorcycle).bind(since.map(Instant)).bind(stretch.after).bind(stretch.limit),
        fetch_all
    )?)
}
