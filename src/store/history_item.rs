//! Where in the other tables the things stand that make up a motorcycle's history, newest first.
use sqlx::FromRow;
use time::{Date, macros::date};
use uuid::Uuid;

use super::{Stretch, Tx, on};
use crate::{
    domain::{id::Id, motorcycle::Motorcycle, workshop::Workshop},
    error::Result,
};

/// Something that happened: the day, the id that orders it, what it is, and where it stands.
#[derive(Clone, Debug, FromRow)]
pub struct Place {
    /// The day.
    pub on_date: Date,
    /// The order of entry: the id of the thing, or of the entry that ended a fitting.
    pub entry: Uuid,
    /// 0 event, 1 reading, 2 fitted, 3 removed, 4 value, 5 instrument, 6 amendment.
    pub what: i64,
    /// The id of the row.
    pub thing: Uuid,
}
/// The place in the list behind an item.
pub type PlaceKey = (Date, Uuid, i64);

/// The branch of one table; `$3` to `$5` are the place after which the list goes on.
macro_rules! branch {
    ($what:literal, $entry:literal, $thing:literal, $day:literal, $from:literal) => {
        concat!(
            "select * from (select ",
            $day,
            " as on_date, ",
            $entry,
            " as entry, cast(",
            $what,
            " as bigint) as what, ",
            $thing,
            " as thing from ",
            $from,
            " and (",
            $day,
            ", ",
            $entry,
            ") <= ($3, $4) and (",
            $day,
            ", ",
            $entry,
            ", ",
            $what,
            ") < ($3, $4, $5) order by ",
            $day,
            " desc, ",
            $entry,
            " desc limit $6) as t",
            $what
        )
    };
}

/// Things of a motorcycle's history, newest first: by day, then in the order entered.
pub async fn list(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>, stretch: Stretch<PlaceKey>) -> Result<Vec<Place>> {
    let sql = concat!(
        branch!("0", "e.id", "e.id", "e.on_date", "service_event e where e.workshop_id = $1 and e.motorcycle_id = $2"),
        " union all ",
        branch!("1", "r.id", "r.id", "r.on_date", "reading r where r.workshop_id = $1 and r.motorcycle_id = $2"),
        " union all ",
        branch!("2", "f.id", "f.id", "f.fitted_on", "fitting f where f.workshop_id = $1 and f.motorcycle_id = $2"),
        " union all ",
        branch!(
            "3",
            "f.removed_entry",
            "f.id",
            "f.removed_on",
            "fitting f where f.workshop_id = $1 and f.motorcycle_id = $2 and f.struck_at is null and f.removed_on is not null"
        ),
        " union all ",
        branch!("4", "m.id", "m.id", "m.on_date", "measured_value m where m.workshop_id = $1 and m.motorcycle_id = $2"),
        " union all ",
        branch!("5", "i.id", "i.id", "i.on_date", "instrument i where i.workshop_id = $1 and i.motorcycle_id = $2"),
        " union all ",
        branch!(
            "6",
            "a.id",
            "a.id",
            "a.on_date",
            // In this order: from the motorcycle's events to their amendments, not through those of the whole workshop.
            "service_event e cross join amendment a
             where e.workshop_id = $1 and e.motorcycle_id = $2 and a.workshop_id = e.workshop_id and a.service_event_id = e.id"
        ),
        " order by on_date desc, entry desc, what desc limit $6"
    );
    // Beyond everything: an index is searched from there, which it could not be from a null.
    let (day, entry, what) = stretch.after.unwrap_or((date!(9999 - 12 - 31), Uuid::max(), 9));
    Ok(on!(tx, sqlx::query_as::<_, Place>(sql).bind(workshop).bind(bike).bind(day).bind(entry).bind(what).bind(stretch.limit), fetch_all)?)
}
