//! Due items, stored with their three dates in the transaction of the write that changed them.
use std::collections::HashMap;

use time::{Date, macros::date};
use uuid::Uuid;

use super::{Store, Stretch, Tx, execute, on, types::Json};
use crate::{
    domain::{
        due::{DueItem, DueItemId, DueItemOn},
        id::Id,
        motorcycle::{Motorcycle, Owner},
        words::Status,
        workshop::Workshop,
    },
    error::Result,
};

/// Where an item without a due date stands in the order: behind all dates; with no history behind those.
const NEVER: Date = date!(9998 - 12 - 31);
// Not the very last day: `before` stands there where none is asked for.
const NO_HISTORY: Date = date!(9999 - 12 - 30);

/// The day by which an item is sorted that comes due on a day, if on any.
fn day(no_history: bool, due_from: Option<Date>) -> Date {
    if no_history { NO_HISTORY } else { due_from.unwrap_or(NEVER) }
}
fn sort_on(item: &DueItem) -> Date {
    day(item.no_history, item.dates.due_from)
}
/// Where an item stands in a list of them, for its cursor.
#[must_use]
pub fn key(item: &DueItemOn) -> (Date, DueItemId) {
    (day(item.status == Status::NoHistory, item.due_from), item.id)
}

/// What is due on one motorcycle, soonest first.
pub async fn of_motorcycle(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>) -> Result<Vec<DueItem>> {
    let sql = "select body from due_item where workshop_id = $1 and motorcycle_id = $2 order by sort_on, id";
    let rows: Vec<(Json<DueItem>,)> = on!(tx, sqlx::query_as(sql).bind(workshop).bind(bike), fetch_all)?;
    Ok(rows.into_iter().map(|row| row.0.0).collect())
}

/// What is due on a motorcycle that is not archived, soonest first, with its workshop's time zone; `None` where there is no such motorcycle.
/// One statement is one moment by itself: read so, outside a transaction, it is one trip to the database, not five, and one row, not one
/// for each item.
pub async fn in_one_trip(store: &Store, workshop: Id<Workshop>, bike: Id<Motorcycle>) -> Result<Option<(String, Vec<DueItem>)>> {
    let sql = "select (select time_zone from workshop where workshop_id = $1),
                 (select '[' || string_agg(body, ',' order by sort_on, id) || ']' from due_item where workshop_id = $1 and motorcycle_id = $2)
               from motorcycle where workshop_id = $1 and id = $2 and archived_at is null";
    let row: Option<(String, Option<Json<Vec<DueItem>>>)> = match store {
        Store::Sqlite { read, .. } => sqlx::query_as(sql).bind(workshop).bind(bike).fetch_optional(read).await?,
        Store::Postgres(pool) => sqlx::query_as(sql).bind(workshop).bind(bike).fetch_optional(pool).await?,
    };
    Ok(row.map(|(time_zone, items)| (time_zone, items.map(|items| items.0).unwrap_or_default())))
}

/// What is due on one motorcycle whose columns, by which lists are filtered and sorted, do not say what the item itself says.
pub async fn misfiled(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>) -> Result<Vec<DueItem>> {
    type Filed = (Json<DueItem>, Date, Option<Date>, Option<Date>, Option<Date>, bool);
    let sql = "select body, sort_on, nearly_due_from, due_from, overdue_from, no_history from due_item
               where workshop_id = $1 and motorcycle_id = $2";
    let rows: Vec<Filed> = on!(tx, sqlx::query_as(sql).bind(workshop).bind(bike), fetch_all)?;
    let wrong = rows.into_iter().filter(|(item, sort, nearly, due, overdue, no_history)| {
        let dates = &item.0.dates;
        (*sort, *nearly, *due, *overdue, *no_history)
            != (sort_on(&item.0), dates.nearly_due_from, dates.due_from, dates.overdue_from, item.0.no_history)
    });
    Ok(wrong.map(|row| row.0.0).collect())
}

/// Makes what is stored for a motorcycle equal to what was worked out; rows that stay the same are not written. Gives how many were.
pub async fn replace(tx: &mut Tx, workshop: Id<Workshop>, bike: &Motorcycle, items: &[DueItem]) -> Result<u64> {
    let sql = "select id, owner_id, body from due_item where workshop_id = $1 and motorcycle_id = $2";
    let rows: Vec<(DueItemId, Option<Id<Owner>>, String)> = on!(tx, sqlx::query_as(sql).bind(workshop).bind(bike.id), fetch_all)?;
    let mut stored: HashMap<_, _> = rows.into_iter().map(|(id, owner, body)| (id, (owner, body))).collect();
    let mut written = 0;
    for item in items {
        let body = serde_json::to_string(item).map_err(crate::error::Error::internal)?;
        if stored.remove(&item.id).is_some_and(|known| known == (bike.owner_id, body.clone())) {
            continue;
        }
        let sql = "insert into due_item (workshop_id, id, motorcycle_id, owner_id, sort_on, nearly_due_from, due_from, overdue_from, no_history, body)
                   values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)
                   on conflict (workshop_id, id) do update set owner_id = excluded.owner_id, sort_on = excluded.sort_on,
                     nearly_due_from = excluded.nearly_due_from, due_from = excluded.due_from, overdue_from = excluded.overdue_from,
                     no_history = excluded.no_history, body = excluded.body";
        written += execute!(
            tx,
            sqlx::query(sql)
                .bind(workshop)
                .bind(item.id)
                .bind(bike.id)
                .bind(bike.owner_id)
                .bind(sort_on(item))
                .bind(item.dates.nearly_due_from)
                .bind(item.dates.due_from)
                .bind(item.dates.overdue_from)
                .bind(item.no_history)
                .bind(&body)
        )?;
    }
    for id in stored.into_keys() {
        written += execute!(tx, sqlx::query("delete from due_item where workshop_id = $1 and id = $2").bind(workshop).bind(id))?;
    }
    Ok(written)
}

/// Which due items are wanted.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// Only these statuses; empty: all.
    pub statuses: Vec<Status>,
    /// Only motorcycles of this owner.
    pub owner: Option<Id<Owner>>,
    /// Only this motorcycle.
    pub motorcycle: Option<Id<Motorcycle>>,
    /// Only items that come due before this day.
    pub before: Option<Date>,
}

/// The workshop's due items, soonest first: an index scan whose cost follows the rows shown. The key is (`sort_on`, id).
pub async fn of_workshop(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    wanted: &Wanted,
    as_of: Date,
    stretch: &Stretch<(Date, DueItemId)>,
) -> Result<Vec<DueItem>> {
    macro_rules! soonest {
        ($owner:literal) => {
            concat!(
                "select body from due_item where workshop_id = $1 and ",
                $owner,
                " and (sort_on, id) > ($3, $4) and sort_on <= $5 and ($6
                   or ($7 and overdue_from <= $12)
                   or ($8 and due_from <= $12 and (overdue_from is null or overdue_from > $12))
                   or ($9 and nearly_due_from <= $12 and (due_from is null or due_from > $12))
                   or ($10 and not no_history and (nearly_due_from is null or nearly_due_from > $12))
                   or ($11 and no_history))
                 order by sort_on, id limit $13"
            )
        };
    }
    let (sql, whose) = match (wanted.motorcycle, wanted.owner) {
        (Some(motorcycle), _) => (soonest!("motorcycle_id = $2"), Some(motorcycle.uuid())),
        (None, Some(owner)) => (soonest!("owner_id = $2"), Some(owner.uuid())),
        (None, None) => (soonest!("($2 is null or owner_id = $2)"), None),
    };
    let (after, id) = stretch.after.unwrap_or((Date::MIN.max(date!(0001 - 01 - 01)), Id::new(Uuid::nil())));
    // Up to and with the last day there is: those that nobody knows a day of stand there.
    let first_day = date!(0001 - 01 - 01);
    let last = wanted.before.map_or(Date::MAX, |before| before.max(first_day).previous_day().unwrap_or(first_day).max(first_day));
    let of = |status| wanted.statuses.contains(&status);
    let rows: Vec<(Json<DueItem>,)> = on!(
        tx,
        sqlx::query_as(sql)
            .bind(workshop)
            .bind(whose)
            .bind(after)
            .bind(id)
            .bind(last)
            .bind(wanted.statuses.is_empty())
            .bind(of(Status::Overdue))
            .bind(of(Status::Due))
            .bind(of(Status::NearlyDue))
            .bind(of(Status::Later))
            .bind(of(Status::NoHistory))
            .bind(as_of)
            .bind(stretch.limit),
        fetch_all
    )?;
    Ok(rows.into_iter().map(|row| row.0.0).collect())
}

/// How many due items come due from a day on and before another, and on how many motorcycles. Only owner and motorcycle of what is
/// wanted count.
pub async fn between(tx: &mut Tx, workshop: Id<Workshop>, wanted: &Wanted, from: Date, before: Date) -> Result<(i64, i64)> {
    macro_rules! counted {
        ($whose:literal) => {
            concat!(
                "select count(*), count(distinct motorcycle_id) from due_item where workshop_id = $1 and ",
                $whose,
                " and sort_on >= $3 and sort_on < $4"
            )
        };
    }
    let (sql, whose) = match (wanted.motorcycle, wanted.owner) {
        (Some(motorcycle), _) => (counted!("motorcycle_id = $2"), Some(motorcycle.uuid())),
        (None, Some(owner)) => (counted!("owner_id = $2"), Some(owner.uuid())),
        (None, None) => (counted!("($2 is null or owner_id = $2)"), None),
    };
    let counts: (i64, i64) = on!(tx, sqlx::query_as(sql).bind(workshop).bind(whose).bind(from).bind(before), fetch_one)?;
    Ok(counts)
}

/// How many due items are stored for a workshop.
pub async fn count(tx: &mut Tx, workshop: Id<Workshop>) -> Result<i64> {
    let row: (i64,) = on!(tx, sqlx::query_as("select count(*) from due_item where workshop_id = $1").bind(workshop), fetch_one)?;
    Ok(row.0)
}
