//! The audit trail: appended by every write, never changed, but for the names of people who are erased ([`super::erasure`]).
use serde_json::Value;
use sqlx::FromRow;
use time::OffsetDateTime;
use uuid::Uuid;

use super::{
    Stretch, Tx, execute, on,
    types::{Instant, Json},
};
use crate::{
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        workshop::{Person, Token, Workshop},
    },
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
    /// The person, if it was one.
    pub person_id: Option<Id<Person>>,
    /// The token, if it was one.
    pub token_id: Option<Id<Token>>,
    /// Where the request came from.
    pub address: Option<String>,
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
    let sql = "insert into audit (workshop_id, id, at, who, action, subject_kind, subject_id, motorcycle_id, old_value, new_value,
                                  person_id, token_id, address)
               values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)";
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
            .bind(entry.person_id)
            .bind(entry.token_id)
            .bind(&entry.address)
    )?;
    Ok(())
}

/// Which entries are wanted.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// About this motorcycle.
    pub motorcycle: Option<Id<Motorcycle>>,
    /// At or after this instant.
    pub since: Option<OffsetDateTime>,
    /// Before this instant.
    pub until: Option<OffsetDateTime>,
    /// By this person.
    pub person: Option<Id<Person>>,
    /// By this token.
    pub token: Option<Id<Token>>,
    /// About this kind of thing.
    pub subject_kind: Option<String>,
    /// About this very thing.
    pub subject: Option<Uuid>,
}

/// Entries, newest first.
pub async fn list(tx: &mut Tx, workshop: Id<Workshop>, wanted: &Wanted, stretch: Stretch<Id<Entry>>) -> Result<Vec<Entry>> {
    macro_rules! listed {
        ($first:literal) => {
            concat!(
                "select id, at, who, person_id, token_id, address, action, subject_kind, subject_id, motorcycle_id, old_value, new_value
                 from audit where workshop_id = $1 and ",
                $first,
                " and ($3 is null or at >= $3) and ($4 is null or id < $4) and ($6 is null or at < $6) and ($7 is null or token_id = $7)
                  and ($8 is null or subject_kind = $8) and ($9 is null or subject_id = $9) and ($10 is null or person_id = $10)
                  order by id desc limit $5"
            )
        };
    }
    // What narrows down most decides which index is read.
    let sql = if wanted.motorcycle.is_some() {
        listed!("motorcycle_id = $2")
    } else if wanted.person.is_some() {
        listed!("($2 is null or motorcycle_id = $2) and person_id = $10")
    } else {
        listed!("($2 is null or motorcycle_id = $2)")
    };
    Ok(on!(
        tx,
        sqlx::query_as::<_, Entry>(sql)
            .bind(workshop)
            .bind(wanted.motorcycle)
            .bind(wanted.since.map(Instant))
            .bind(stretch.after)
            .bind(stretch.limit)
            .bind(wanted.until.map(Instant))
            .bind(wanted.token)
            .bind(&wanted.subject_kind)
            .bind(wanted.subject)
            .bind(wanted.person),
        fetch_all
    )?)
}
