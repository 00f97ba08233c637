//! The facts of a workshop, table by table, as they leave it and come into another: what each table holds that nothing else says.
//!
//! A column that is kept only to search by, or that follows from others, is [derived](Table::derived): it is not exported, and worked out
//! again on the way in. What is due follows from all of it. Left out altogether: accounts, tokens, sessions, webhooks, calendars, keys, the
//! outbox and the audit trail, which belong to the server that they are on.
//!
//! To add a table: an entry in [`TABLES`], behind those that it refers to.
use base64::{Engine, engine::general_purpose::STANDARD};
use serde_json::{Map, Value};
use sqlx::{ColumnIndex, Decode, Row, Type};
use time::{Date, OffsetDateTime, format_description::well_known::Rfc3339, macros::format_description};
use uuid::Uuid;

use super::{Tx, many::ROWS_AT_ONCE};
use crate::{
    domain::{
        attachment::{BelongsTo, MediaType},
        id::Id,
        quantity::{Figure, Unit},
        words::{Condition, CounterKind, FollowUpStatus, Frequency, InstrumentChange, Measurand, OdometerUnit, Operation, Position},
        workshop::Workshop,
    },
    error::Result,
};

/// What a column holds.
#[derive(Clone, Copy)]
pub enum Kind {
    /// An id of its own.
    Id,
    /// The id of a row of another table.
    Of(&'static str),
    /// A text without control characters other than line breaks and tabs.
    Text,
    /// One of a list of words.
    Word(fn(&str) -> Result<(), String>),
    /// A number with its digits as entered.
    Figure,
    /// A whole number.
    Whole,
    /// True or false.
    Flag,
    /// A day.
    Day,
    /// An instant.
    Instant,
    /// A nested value, stored as JSON text.
    Json,
    /// Bytes, in base64 (RFC 4648).
    Bytes,
}

/// A column of a table.
#[derive(Clone, Copy)]
pub struct Column {
    /// Its name.
    pub name: &'static str,
    /// What it holds.
    pub kind: Kind,
    /// Whether it may be null.
    pub optional: bool,
}

/// A table with what it says of itself.
pub struct Table {
    /// Its name.
    pub name: &'static str,
    /// What the rows are found by: an id, or what else is unique in a workshop.
    pub key: &'static [&'static str],
    /// The facts.
    pub facts: &'static [Column],
    /// What follows from them.
    pub derived: &'static [Column],
}

fn word<T: std::str::FromStr<Err = String>>(text: &str) -> Result<(), String> {
    text.parse::<T>().map(|_| ())
}
const fn must(name: &'static str, kind: Kind) -> Column {
    Column { name, kind, optional: false }
}
const fn may(name: &'static str, kind: Kind) -> Column {
    Column { name, kind, optional: true }
}
const ID: Column = must("id", Kind::Id);
const BODY: Column = must("body", Kind::Json);
const CREATED: Column = must("created_at", Kind::Instant);
const UPDATED: Column = must("updated_at", Kind::Instant);
const DELETED: Column = may("deleted_at", Kind::Instant);
const STRUCK: Column = may("struck_at", Kind::Instant);
const WHY_STRUCK: Column = may("struck_reason", Kind::Text);
const BIKE: Column = must("motorcycle_id", Kind::Of("motorcycle"));
const OF_BIKE: Column = may("motorcycle_id", Kind::Of("motorcycle"));
const DAY: Column = must("on_date", Kind::Day);
const COMPONENT: Column = must("component", Kind::Text);
const POSITION: Column = may("position", Kind::Word(word::<Position>));
const UNIT: Column = must("unit", Kind::Word(word::<Unit>));
const COUNTER: Column = must("counter", Kind::Word(word::<CounterKind>));

/// Every table, those that others refer to first.
pub const TABLES: &[Table] = &[
    Table {
        name: "component",
        key: &["key"],
        facts: &[must("key", Kind::Text), must("name", Kind::Text), must("part", Kind::Flag), CREATED],
        derived: &[],
    },
    Table {
        name: "owner",
        key: &["id"],
        facts: &[ID, BODY, DELETED, CREATED],
        derived: &[must("name", Kind::Text), must("reports_frequency", Kind::Word(word::<Frequency>)), UPDATED],
    },
    Table {
        name: "motorcycle",
        key: &["id"],
        facts: &[ID, BODY, may("owned_since", Kind::Instant), may("archived_at", Kind::Instant), CREATED],
        derived: &[
            may("owner_id", Kind::Of("owner")),
            must("name", Kind::Text),
            may("registration", Kind::Text),
            may("vin", Kind::Text),
            must("words", Kind::Text),
            must("odometer_unit", Kind::Word(word::<OdometerUnit>)),
            UPDATED,
        ],
    },
    Table {
        name: "interval_rule",
        key: &["id"],
        facts: &[ID, BODY, DELETED, CREATED],
        derived: &[must("name", Kind::Text), COMPONENT, OF_BIKE, UPDATED],
    },
    Table {
        name: "limit_range",
        key: &["id"],
        facts: &[ID, BODY, DELETED, CREATED],
        derived: &[COMPONENT, must("quantity", Kind::Word(word::<Measurand>)), OF_BIKE, UPDATED],
    },
    Table {
        name: "fastener",
        key: &["id"],
        facts: &[ID, BODY, DELETED, CREATED],
        derived: &[must("key", Kind::Text), COMPONENT, OF_BIKE, UPDATED],
    },
    Table { name: "procedure", key: &["id"], facts: &[ID, DELETED, CREATED], derived: &[UPDATED] },
    Table {
        name: "procedure_version",
        key: &["id"],
        facts: &[
            ID,
            must("procedure_id", Kind::Of("procedure")),
            must("version", Kind::Whole),
            BODY,
            must("written_by", Kind::Text),
            CREATED,
        ],
        derived: &[must("title", Kind::Text), COMPONENT, OF_BIKE],
    },
    Table {
        name: "service_event",
        key: &["id"],
        facts: &[
            ID,
            BIKE,
            DAY,
            may("odometer", Kind::Figure),
            may("hours", Kind::Figure),
            UNIT,
            must("summary", Kind::Text),
            may("performed_by", Kind::Text),
            must("notes", Kind::Text),
            must("internal_notes", Kind::Text),
            must("at_home", Kind::Flag),
            BODY,
            may("signature", Kind::Json),
            STRUCK,
            WHY_STRUCK,
            CREATED,
        ],
        derived: &[UPDATED],
    },
    Table {
        name: "work_line",
        key: &["service_event_id", "line"],
        facts: &[
            must("service_event_id", Kind::Of("service_event")),
            must("line", Kind::Whole),
            BIKE,
            COMPONENT,
            POSITION,
            must("operation", Kind::Word(word::<Operation>)),
            must("note", Kind::Text),
        ],
        derived: &[],
    },
    Table {
        name: "amendment",
        key: &["id"],
        facts: &[
            ID,
            must("service_event_id", Kind::Of("service_event")),
            DAY,
            must("written_by", Kind::Text),
            must("text", Kind::Text),
            CREATED,
        ],
        derived: &[],
    },
    Table {
        name: "reading",
        key: &["id"],
        facts: &[
            ID,
            BIKE,
            COUNTER,
            DAY,
            must("reading", Kind::Figure),
            UNIT,
            may("read_by", Kind::Text),
            must("confirmed", Kind::Flag),
            may("service_event_id", Kind::Of("service_event")),
            STRUCK,
            WHY_STRUCK,
            CREATED,
        ],
        derived: &[UPDATED],
    },
    Table {
        name: "instrument",
        key: &["id"],
        facts: &[
            ID,
            BIKE,
            COUNTER,
            DAY,
            must("kind", Kind::Word(word::<InstrumentChange>)),
            may("old_final", Kind::Figure),
            may("new_start", Kind::Figure),
            may("capacity", Kind::Figure),
            UNIT,
            must("reason", Kind::Text),
            CREATED,
        ],
        derived: &[],
    },
    Table {
        name: "lay_up",
        key: &["id"],
        facts: &[ID, BIKE, must("from_date", Kind::Day), may("to_date", Kind::Day), must("note", Kind::Text), CREATED],
        derived: &[UPDATED],
    },
    Table {
        name: "installed_part",
        key: &["id"],
        facts: &[
            ID,
            COMPONENT,
            must("description", Kind::Text),
            may("part_number", Kind::Text),
            must("condition", Kind::Word(word::<Condition>)),
            must("single_use", Kind::Flag),
            may("date_code", Kind::Text),
            must("prior_distance", Kind::Figure),
            must("prior_mm", Kind::Whole),
            CREATED,
        ],
        derived: &[UPDATED],
    },
    Table {
        name: "fitting",
        key: &["id"],
        facts: &[
            ID,
            must("part_id", Kind::Of("installed_part")),
            BIKE,
            POSITION,
            must("fitted_on", Kind::Day),
            may("fitted_reading_id", Kind::Of("reading")),
            may("fitted_event_id", Kind::Of("service_event")),
            may("removed_on", Kind::Day),
            may("removed_reading_id", Kind::Of("reading")),
            may("removed_event_id", Kind::Of("service_event")),
            may("removed_entry", Kind::Id),
            may("removed_reason", Kind::Text),
            STRUCK,
            WHY_STRUCK,
        ],
        derived: &[],
    },
    Table {
        name: "measured_value",
        key: &["id"],
        facts: &[ID, may("reading_id", Kind::Of("reading")), may("part_id", Kind::Of("installed_part")), BODY, STRUCK, WHY_STRUCK, CREATED],
        derived: &[
            BIKE,
            may("service_event_id", Kind::Of("service_event")),
            DAY,
            COMPONENT,
            POSITION,
            must("quantity", Kind::Word(word::<Measurand>)),
            UPDATED,
        ],
    },
    Table {
        name: "follow_up",
        key: &["id"],
        facts: &[
            ID,
            BIKE,
            must("service_event_id", Kind::Of("service_event")),
            must("text", Kind::Text),
            may("component", Kind::Text),
            POSITION,
            may("due_in", Kind::Json),
            must("status", Kind::Word(word::<FollowUpStatus>)),
            may("reason", Kind::Text),
            may("done_in", Kind::Of("service_event")),
            may("settled_on", Kind::Day),
            STRUCK,
            CREATED,
        ],
        derived: &[UPDATED],
    },
    Table {
        name: "packet_import",
        key: &["id"],
        facts: &[
            ID,
            BIKE,
            must("packet_motorcycle", Kind::Text),
            must("packet_workshop", Kind::Text),
            must("fingerprint", Kind::Text),
            must("head", Kind::Text),
            must("entries", Kind::Whole),
            must("made_on", Kind::Day),
            CREATED,
        ],
        derived: &[],
    },
    Table {
        name: "attachment",
        key: &["id"],
        facts: &[
            ID,
            OF_BIKE,
            must("belongs_to_kind", Kind::Word(word::<BelongsTo>)),
            must("belongs_to", Kind::Id),
            may("line", Kind::Text),
            must("name", Kind::Text),
            must("media_type", Kind::Word(word::<MediaType>)),
            must("size", Kind::Whole),
            must("sha256", Kind::Text),
            must("content", Kind::Bytes),
            DELETED,
            CREATED,
        ],
        derived: &[],
    },
];

/// The table of a name.
#[must_use]
pub fn table(name: &str) -> Option<&'static Table> {
    TABLES.iter().find(|table| table.name == name)
}

/// A value on its way into the database or out of it; `None` is null.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell {
    /// An id.
    Id(Option<Uuid>),
    /// A text, a word, a figure, nested JSON.
    Text(Option<String>),
    /// A whole number, an instant.
    Whole(Option<i64>),
    /// True or false.
    Flag(Option<bool>),
    /// A day.
    Day(Option<Date>),
    /// Bytes.
    Bytes(Option<Vec<u8>>),
}

const ISO_DAY: &[time::format_description::BorrowedFormatItem<'static>] = format_description!("[year]-[month]-[day]");

impl Column {
    /// The value as the column takes it.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn cell(&self, value: &Value) -> Result<Cell, String> {
        let given = Some(value).filter(|value| !value.is_null());
        if given.is_none() && !self.optional {
            return Err("is missing; it must be given".into());
        }
        let text = |what: &str| given.map(|value| value.as_str().ok_or_else(|| format!("must be {what}, as text"))).transpose();
        Ok(match self.kind {
            Kind::Id | Kind::Of(_) => {
                let id = text("a UUID")?.map(|text| text.parse().map_err(|_| "is not a UUID".to_owned())).transpose()?;
                Cell::Id(id)
            }
            Kind::Text => Cell::Text(text("a text")?.map(plain).transpose()?),
            Kind::Word(check) => Cell::Text(text("a word")?.map(|text| check(text).map(|()| text.to_owned())).transpose()?),
            Kind::Figure => Cell::Text(
                given
                    .map(|value| {
                        serde_json::from_value::<Figure>(value.clone()).map(|figure| figure.text()).map_err(|_| "must be a number")
                    })
                    .transpose()?,
            ),
            Kind::Whole => Cell::Whole(given.map(|value| value.as_i64().ok_or("must be a whole number")).transpose()?),
            Kind::Flag => Cell::Flag(given.map(|value| value.as_bool().ok_or("must be true or false")).transpose()?),
            Kind::Day => {
                let day = |text| {
                    let day = Date::parse(text, ISO_DAY).ok().filter(|day| (1885..=2200).contains(&day.year()));
                    day.ok_or_else(|| "is not a day between 1885 and 2200; write YYYY-MM-DD".to_owned())
                };
                Cell::Day(text("a day")?.map(day).transpose()?)
            }
            Kind::Instant => {
                let instant = |text| {
                    let wrong = || "is not an instant; write it as RFC 3339 says, in UTC".to_owned();
                    let at = OffsetDateTime::parse(text, &Rfc3339).map_err(|_| wrong())?;
                    i64::try_from(at.unix_timestamp_nanos() / 1000).map_err(|_| wrong())
                };
                Cell::Whole(text("an instant")?.map(instant).transpose()?)
            }
            Kind::Json => Cell::Text(given.map(Value::to_string)),
            Kind::Bytes => {
                let bytes = |text| STANDARD.decode(text).map_err(|_| "is not base64".to_owned());
                Cell::Bytes(text("bytes in base64")?.map(bytes).transpose()?)
            }
        })
    }

    /// The value as it is exported.
    #[must_use]
    pub fn value(&self, cell: Cell) -> Value {
        match cell {
            Cell::Id(id) => id.map(|id| id.to_string()).into(),
            Cell::Text(text) => text.map_or(Value::Null, |text| match self.kind {
                Kind::Json | Kind::Figure => serde_json::from_str(&text).unwrap_or(Value::String(text)),
                _ => Value::String(text),
            }),
            Cell::Whole(number) => number.map_or(Value::Null, |number| match self.kind {
                Kind::Instant => instant(number).into(),
                _ => number.into(),
            }),
            Cell::Flag(flag) => flag.into(),
            Cell::Day(day) => day.and_then(|day| day.format(ISO_DAY).ok()).into(),
            Cell::Bytes(bytes) => bytes.map(|bytes| STANDARD.encode(bytes)).into(),
        }
    }
}
fn plain(text: &str) -> Result<String, String> {
    match text.chars().find(|letter| letter.is_control() && !matches!(letter, '\n' | '\r' | '\t')) {
        Some(letter) => Err(format!("holds the control character U+{:04X}; leave it out", u32::from(letter))),
        None if text.chars().count() > 10_000 => Err("has more than 10,000 characters; shorten it".into()),
        None => Ok(text.to_owned()),
    }
}
fn instant(microseconds: i64) -> Option<String> {
    OffsetDateTime::from_unix_timestamp_nanos(i128::from(microseconds) * 1000).ok()?.format(&Rfc3339).ok()
}

/// Where the reading of a table goes on: behind this id, and of work lines behind this line.
pub type Place = (Uuid, i64);

/// Rows of a table in the order of their keys, behind a place; few at a time where they hold files. Gives the place of the last one
/// where there may be more.
///
/// # Errors
/// Where the database refuses.
pub async fn rows(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    table: &Table,
    after: Option<Place>,
) -> Result<(Vec<Map<String, Value>>, Option<Place>)> {
    let limit: i64 = if table.name == "attachment" { 1 } else { 500 };
    let columns: Vec<_> = table.facts.iter().map(|column| column.name).collect();
    let (id, line) = after.unwrap_or((Uuid::nil(), -1));
    let (behind, order) = match table.key {
        ["id"] => ("id > $2 and $3 is not null", "id"),
        ["service_event_id", "line"] => ("(service_event_id, line) > ($2, $3)", "service_event_id, line"),
        // A workshop's own components are few.
        _ => ("$2 is not null and $3 is not null", "key"),
    };
    let columns = columns.join(", ");
    let limit = if order == "key" { i64::MAX } else { limit };
    let sql = format!("select {columns} from {} where workshop_id = $1 and {behind} order by {order} limit $4", table.name);
    let sql = sqlx::AssertSqlSafe(sql);
    macro_rules! fetched {
        ($tx:expr) => {{
            let rows = sqlx::query(sql).bind(workshop).bind(id).bind(line).bind(limit).fetch_all(&mut **$tx).await?;
            rows.iter().map(|row| read(row, table)).collect::<sqlx::Result<Vec<_>>>()?
        }};
    }
    let rows = match tx {
        Tx::Sqlite(tx) => fetched!(tx),
        Tx::Postgres(tx) => fetched!(tx),
    };
    let more = i64::try_from(rows.len()).is_ok_and(|count| count == limit);
    let last = rows.last().filter(|_| more).and_then(|row| {
        let id = row.get(table.key[0])?.as_str()?.parse().ok()?;
        Some((id, row.get("line").and_then(Value::as_i64).unwrap_or(0)))
    });
    Ok((rows, last))
}

/// The rows of a table that belong to one motorcycle, in the order of their keys; of the workshop's own components all of them, and no owner.
/// Files are many bytes: of them only the one of an id, if one is given.
///
/// # Errors
/// Where the database refuses.
pub async fn rows_of(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    table: &Table,
    motorcycle: Uuid,
    one: Option<Uuid>,
) -> Result<Vec<Map<String, Value>>> {
    // Its newest version says for which one a procedure is.
    macro_rules! written_for {
        ($id:literal) => {
            concat!(
                $id,
                " in (select v.procedure_id from procedure_version v where v.workshop_id = $1 and v.motorcycle_id = $2
                  and v.version = (select max(n.version) from procedure_version n where n.workshop_id = $1 and n.procedure_id = v.procedure_id))"
            )
        };
    }
    let belongs = match table.name {
        "component" => "$2 is not null",
        "owner" => "$2 is null",
        "motorcycle" => "id = $2",
        "amendment" => "service_event_id in (select id from service_event where workshop_id = $1 and motorcycle_id = $2)",
        "procedure" => written_for!("id"),
        "procedure_version" => written_for!("procedure_id"),
        "installed_part" => "id in (select part_id from fitting where workshop_id = $1 and motorcycle_id = $2)",
        _ => "motorcycle_id = $2",
    };
    let columns: Vec<_> = table.facts.iter().map(|column| column.name).collect();
    let which = if table.key == ["id"] { "and ($3 is null or id = $3)" } else { "and $3 is null" };
    let sql = format!(
        "select {} from {} where workshop_id = $1 and {belongs} {which} order by {}",
        columns.join(", "),
        table.name,
        table.key.join(", ")
    );
    let sql = sqlx::AssertSqlSafe(sql);
    macro_rules! fetched {
        ($tx:expr) => {{
            let rows = sqlx::query(sql).bind(workshop).bind(motorcycle).bind(one).fetch_all(&mut **$tx).await?;
            rows.iter().map(|row| read(row, table)).collect::<sqlx::Result<Vec<_>>>()?
        }};
    }
    Ok(match tx {
        Tx::Sqlite(tx) => fetched!(tx),
        Tx::Postgres(tx) => fetched!(tx),
    })
}

/// The ids of the files of a motorcycle that are shown.
///
/// # Errors
/// Where the database refuses.
pub async fn files_of(tx: &mut Tx, workshop: Id<Workshop>, motorcycle: Uuid) -> Result<Vec<Uuid>> {
    let sql = "select id from attachment where workshop_id = $1 and motorcycle_id = $2 and deleted_at is null order by id";
    Ok(super::on!(tx, sqlx::query_scalar(sql).bind(workshop).bind(motorcycle), fetch_all)?)
}

fn read<'r, R: Row>(row: &'r R, table: &Table) -> sqlx::Result<Map<String, Value>>
where
    usize: ColumnIndex<R>,
    Uuid: Decode<'r, R::Database> + Type<R::Database>,
    String: Decode<'r, R::Database> + Type<R::Database>,
    i64: Decode<'r, R::Database> + Type<R::Database>,
    bool: Decode<'r, R::Database> + Type<R::Database>,
    Date: Decode<'r, R::Database> + Type<R::Database>,
    Vec<u8>: Decode<'r, R::Database> + Type<R::Database>,
{
    let mut facts = Map::new();
    for (place, column) in table.facts.iter().enumerate() {
        let cell = match column.kind {
            Kind::Id | Kind::Of(_) => Cell::Id(row.try_get(place)?),
            Kind::Text | Kind::Word(_) | Kind::Figure | Kind::Json => Cell::Text(row.try_get(place)?),
            Kind::Whole | Kind::Instant => Cell::Whole(row.try_get(place)?),
            Kind::Flag => Cell::Flag(row.try_get(place)?),
            Kind::Day => Cell::Day(row.try_get(place)?),
            Kind::Bytes => Cell::Bytes(row.try_get(place)?),
        };
        facts.insert(column.name.into(), column.value(cell));
    }
    Ok(facts)
}

/// Stores rows of one table: the cells of its facts, then of what follows from them.
///
/// # Errors
/// Where the database refuses.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, table: &Table, rows: &[Vec<Cell>]) -> Result<()> {
    let columns: Vec<_> = table.facts.iter().chain(table.derived).map(|column| column.name).collect();
    let head = format!("insert into {} (workshop_id, {})", table.name, columns.join(", "));
    macro_rules! inserted {
        ($tx:expr, $chunk:expr, $sql:expr) => {{
            let mut query = sqlx::query($sql);
            for row in $chunk {
                query = query.bind(workshop);
                for cell in row {
                    query = match cell {
                        Cell::Id(value) => query.bind(*value),
                        Cell::Text(value) => query.bind(value),
                        Cell::Whole(value) => query.bind(*value),
                        Cell::Flag(value) => query.bind(*value),
                        Cell::Day(value) => query.bind(*value),
                        Cell::Bytes(value) => query.bind(value),
                    };
                }
            }
            query.execute(&mut **$tx).await?;
        }};
    }
    for chunk in rows.chunks(ROWS_AT_ONCE) {
        let sql = sqlx::AssertSqlSafe(format!("{head} values {}", super::many::groups(chunk.len(), columns.len() + 1)));
        match tx {
            Tx::Sqlite(tx) => inserted!(tx, chunk, sql),
            Tx::Postgres(tx) => inserted!(tx, chunk, sql),
        }
    }
    Ok(())
}

/// Whether nothing was entered in a workshop yet.
///
/// # Errors
/// Where the database refuses.
pub async fn is_empty(tx: &mut Tx, workshop: Id<Workshop>) -> Result<bool> {
    for table in TABLES {
        let sql =
            sqlx::AssertSqlSafe(format!("select count(*) from (select 1 as one from {} where workshop_id = $1 limit 1) found", table.name));
        let some: i64 = super::on!(tx, sqlx::query_scalar(sql).bind(workshop), fetch_one)?;
        if some > 0 {
            return Ok(false);
        }
    }
    Ok(true)
}

#[cfg(test)]
mod tests {
    use super::TABLES;

    #[test]
    fn each_table_is_written_out_once() {
        let mut names: Vec<&str> = TABLES.iter().map(|table| table.name).collect();
        names.sort_unstable();
        assert!(names.windows(2).all(|pair| pair[0] != pair[1]), "{names:?}");
    }
}
