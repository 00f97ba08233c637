//! A whole database into another one, of whichever engine: every table that the schema has, row by row, and a look at both afterward.
//!
//! The tables and their columns are read from the schema itself, so that no table can be forgotten. A value passes through a [`Cell`], which is
//! the same for both engines: an id is its 16 bytes, a day its ten characters, a flag 0 or 1.
use std::collections::{BTreeMap, BTreeSet};

use futures_util::{
    StreamExt, TryStreamExt,
    stream::{self, BoxStream},
};
use sqlx::{Row as _, TypeInfo, ValueRef, postgres::PgRow, sqlite::SqliteRow};
use time::{Date, format_description::BorrowedFormatItem, macros::format_description};
use uuid::Uuid;

use super::{Tx, many};
use crate::error::{Error, Result};

/// A value on its way, the same on both engines.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Cell {
    Null,
    Whole(i64),
    Text(String),
    Bytes(Vec<u8>),
}
type Row = Vec<Cell>;

/// How a column's type stands on its engine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Whole,
    Flag,
    Text,
    Day,
    Id,
    Bytes,
}
impl Kind {
    /// The kind of a declared type: SQLite's in capital letters, PostgreSQL's in small ones, as each engine names them.
    fn of(declared: &str) -> Option<Self> {
        Some(match declared {
            "INTEGER" | "bigint" => Self::Whole,
            "TEXT" | "text" => Self::Text,
            "BLOB" | "bytea" => Self::Bytes,
            "boolean" => Self::Flag,
            "date" => Self::Day,
            "uuid" => Self::Id,
            _ => return None,
        })
    }
}

#[derive(Debug)]
struct Column {
    name: String,
    kind: Kind,
    /// Its place in the primary key, from 1; 0 where it is in none.
    in_key: i64,
}

/// A table as the schema says it is: its columns in the order of their names.
#[derive(Debug)]
pub struct Table {
    /// Its name.
    pub name: String,
    columns: Vec<Column>,
}
impl Table {
    fn names(&self) -> impl Iterator<Item = String> {
        self.columns.iter().map(|column| quoted(&column.name))
    }
    /// The places of the primary key's columns, in the key's order.
    fn key(&self) -> Vec<usize> {
        let mut key: Vec<_> = (0..self.columns.len()).filter(|place| self.columns[*place].in_key > 0).collect();
        key.sort_by_key(|place| self.columns[*place].in_key);
        key
    }
}
fn quoted(name: &str) -> String {
    format!("\"{}\"", name.replace('"', "\"\""))
}

/// How far a move is.
#[derive(Clone, Copy, Debug)]
pub struct Progress<'a> {
    /// Whether rows are compared; otherwise they are copied.
    pub comparing: bool,
    /// The table.
    pub table: &'a str,
    /// How many of its rows are done.
    pub rows: u64,
}

/// What was moved, or how it differs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Moved {
    /// A table.
    pub table: String,
    /// Its rows.
    pub rows: u64,
}

/// Tables that are not moved: which migrations a database has, and the index of words, which each engine has in its own way and which is made
/// again from the other tables.
fn stays_behind(table: &str) -> bool {
    table == "_sqlx_migrations" || table.starts_with("search_")
}

/// Every table of the schema but those that stay behind, those that others refer to first.
///
/// # Errors
/// Where the database refuses, or the schema has something that cannot be moved.
pub async fn tables(tx: &mut Tx) -> Result<Vec<Table>> {
    let columns = match tx {
        Tx::Sqlite(_) => {
            "select t.name, c.name, c.type, c.pk from sqlite_schema t, pragma_table_info(t.name) c
             where t.type = 'table' and t.name not like 'sqlite!_%' escape '!' order by t.name, c.name"
        }
        Tx::Postgres(_) => {
            "select t.relname::text, c.attname::text, format_type(c.atttypid, c.atttypmod),
                    coalesce((select k.place from pg_index i, unnest(i.indkey) with ordinality k (number, place)
                              where i.indrelid = t.oid and i.indisprimary and k.number = c.attnum), 0)
             from pg_class t join pg_attribute c on c.attrelid = t.oid
             where t.relkind in ('r', 'p') and t.relnamespace = current_schema()::text::regnamespace and c.attnum > 0 and not c.attisdropped
             order by t.relname, c.attname"
        }
    };
    let columns: Vec<(String, String, String, i64)> = super::on!(tx, sqlx::query_as(columns), fetch_all)?;
    let mut tables = BTreeMap::<String, Vec<Column>>::new();
    for (table, name, declared, in_key) in columns.into_iter().filter(|(table, ..)| !stays_behind(table)) {
        let kind = Kind::of(&declared).ok_or_else(|| Error::internal(format!("{table}.{name} is {declared}, which no move knows")))?;
        tables.entry(table).or_default().push(Column { name, kind, in_key });
    }
    // The engines do not sort alike.
    for columns in tables.values_mut() {
        columns.sort_by(|a, b| a.name.cmp(&b.name));
    }
    in_order(tables, &references(tx).await?)
}

/// Which table refers to which.
async fn references(tx: &mut Tx) -> Result<BTreeSet<(String, String)>> {
    let sql = match tx {
        Tx::Sqlite(_) => "select t.name, f.\"table\" from sqlite_schema t, pragma_foreign_key_list(t.name) f where t.type = 'table'",
        Tx::Postgres(_) => {
            "select t.relname::text, f.relname::text from pg_constraint c
             join pg_class t on t.oid = c.conrelid join pg_class f on f.oid = c.confrelid
             where c.contype = 'f' and c.connamespace = current_schema()::text::regnamespace"
        }
    };
    let rows: Vec<(String, String)> = super::on!(tx, sqlx::query_as(sql), fetch_all)?;
    Ok(rows.into_iter().filter(|(table, to)| table != to).collect())
}

fn in_order(mut left: BTreeMap<String, Vec<Column>>, references: &BTreeSet<(String, String)>) -> Result<Vec<Table>> {
    let mut tables = Vec::new();
    while !left.is_empty() {
        let waits = |name: &str| references.iter().any(|(table, to)| table == name && left.contains_key(to));
        let next = left.keys().find(|name| !waits(name)).cloned();
        let next = next.and_then(|name| left.remove_entry(&name));
        let (name, columns) = next.ok_or_else(|| Error::internal(format!("these tables refer to each other: {:?}", left.keys())))?;
        tables.push(Table { name, columns });
    }
    Ok(tables)
}

/// Takes the tables of a target for itself alone, and gives the first that holds a row.
///
/// # Errors
/// Where the database refuses.
pub async fn filled(to: &mut Tx) -> Result<Option<String>> {
    let tables = tables(to).await?;
    if let Tx::Postgres(tx) = to {
        // A server that is started on it meanwhile reads an empty database and waits with its first write.
        let names: Vec<_> = tables.iter().map(|table| quoted(&table.name)).collect();
        let lock = sqlx::AssertSqlSafe(format!("lock table {} in exclusive mode", names.join(", ")));
        sqlx::query(lock).execute(&mut **tx).await?;
    }
    for table in tables {
        let sql = sqlx::AssertSqlSafe(format!("select count(*) from (select 1 as one from {} limit 1) found", quoted(&table.name)));
        let some: i64 = super::on!(to, sqlx::query_scalar(sql), fetch_one)?;
        if some > 0 {
            return Ok(Some(table.name));
        }
    }
    Ok(None)
}

/// How much of a table is held at once: rows, and bytes of files.
const AT_ONCE: (usize, usize) = (many::ROWS_AT_ONCE, 4 << 20);

/// Copies every row of every table.
///
/// # Errors
/// Where a database refuses, or a value of the source is none that the target takes.
pub async fn copy(from: &mut Tx, to: &mut Tx, progress: &(dyn Fn(Progress) + Sync)) -> Result<Vec<Moved>> {
    let mut moved = Vec::new();
    for (source, target) in pairs(from, to).await? {
        let (mut rows, mut held, mut bytes, mut done) = (rows(from, &source), Vec::new(), 0, 0);
        while let Some(row) = rows.try_next().await? {
            bytes += row.iter().map(Cell::size).sum::<usize>();
            held.push(row);
            if held.len() == AT_ONCE.0 || bytes > AT_ONCE.1 {
                done += insert(to, &target, &held).await?;
                held.clear();
                bytes = 0;
                progress(Progress { comparing: false, table: &target.name, rows: done });
            }
        }
        done += insert(to, &target, &held).await?;
        drop(rows);
        progress(Progress { comparing: false, table: &target.name, rows: done });
        moved.push(Moved { table: target.name, rows: done });
    }
    Ok(moved)
}

/// Reads both sides in the order of their keys and gives what differs, in words.
///
/// # Errors
/// Where a database refuses.
pub async fn differences(from: &mut Tx, to: &mut Tx, progress: &(dyn Fn(Progress) + Sync)) -> Result<Vec<String>> {
    let mut found = Vec::new();
    for (source, target) in pairs(from, to).await? {
        let (mut left, mut right, mut done) = (rows(from, &source), rows(to, &target), 0);
        let (mut one, mut other) = (left.try_next().await?, right.try_next().await?);
        let key = source.key();
        loop {
            let order = match (&one, &other) {
                (None, None) => break,
                (Some(_), None) => std::cmp::Ordering::Less,
                (None, Some(_)) => std::cmp::Ordering::Greater,
                (Some(one), Some(other)) => by_key(&key, one).cmp(&by_key(&key, other)),
            };
            match (order, &one, &other) {
                (std::cmp::Ordering::Less, Some(row), _) => found.push(format!("{}: is not in the target", named(&source, row))),
                (std::cmp::Ordering::Greater, _, Some(row)) => found.push(format!("{}: is in the target alone", named(&target, row))),
                (_, Some(a), Some(b)) if a != b => found.push(format!("{}: {} differs", named(&source, a), unlike(&source, a, b))),
                _ => {}
            }
            if order.is_le() {
                one = left.try_next().await?;
            }
            if order.is_ge() {
                other = right.try_next().await?;
            }
            done += 1;
            if done % 1000 == 0 {
                progress(Progress { comparing: true, table: &target.name, rows: done });
            }
        }
    }
    Ok(found)
}

/// The tables of both sides, which must be the same.
async fn pairs(from: &mut Tx, to: &mut Tx) -> Result<Vec<(Table, Table)>> {
    let mut sources: BTreeMap<_, _> = tables(from).await?.into_iter().map(|table| (table.name.clone(), table)).collect();
    let targets = tables(to).await?;
    let differ = |table: &str| Error::internal(format!("the schemas of the two databases differ at {table}"));
    let mut pairs = Vec::new();
    for target in targets {
        let source = sources.remove(&target.name).filter(|source| source.names().eq(target.names()));
        pairs.push((source.ok_or_else(|| differ(&target.name))?, target));
    }
    match sources.into_keys().next() {
        Some(left) => Err(differ(&left)),
        None => Ok(pairs),
    }
}

/// The rows of a table in the order of its key, compared byte by byte on both engines.
fn rows<'t>(tx: &'t mut Tx, table: &'t Table) -> BoxStream<'t, Result<Row>> {
    let bytewise = matches!(tx, Tx::Postgres(_));
    let order = |place: usize| {
        let column = &table.columns[place];
        let collation = if bytewise && column.kind == Kind::Text { " collate \"C\"" } else { "" };
        format!("{}{collation}", quoted(&column.name))
    };
    let key: Vec<_> = table.key().into_iter().map(order).collect();
    if key.is_empty() {
        let none = Error::internal(format!("{} has no primary key", table.name));
        return stream::once(async { Err(none) }).boxed();
    }
    let columns: Vec<_> = table.names().collect();
    let sql = sqlx::AssertSqlSafe(format!("select {} from {} order by {}", columns.join(", "), quoted(&table.name), key.join(", ")));
    match tx {
        Tx::Sqlite(tx) => sqlx::query(sql).fetch(&mut **tx).map(|row| Ok(from_sqlite(&row?)?)).boxed(),
        Tx::Postgres(tx) => sqlx::query(sql).fetch(&mut **tx).map(|row| Ok(from_postgres(&row?, table)?)).boxed(),
    }
}

fn from_sqlite(row: &SqliteRow) -> sqlx::Result<Row> {
    let cell = |place| {
        let value = row.try_get_raw(place)?;
        // Where there is nothing, the type is what the column was declared as.
        if value.is_null() {
            return Ok(Cell::Null);
        }
        Ok(match value.type_info().name() {
            "INTEGER" => Cell::Whole(row.try_get(place)?),
            "TEXT" => Cell::Text(row.try_get(place)?),
            _ => Cell::Bytes(row.try_get(place)?),
        })
    };
    (0..row.len()).map(cell).collect()
}

const ISO_DAY: &[BorrowedFormatItem<'static>] = format_description!("[year]-[month]-[day]");

fn from_postgres(row: &PgRow, table: &Table) -> sqlx::Result<Row> {
    let cell = |(place, column): (usize, &Column)| {
        let cell = match column.kind {
            Kind::Whole => row.try_get::<Option<i64>, _>(place)?.map(Cell::Whole),
            Kind::Flag => row.try_get::<Option<bool>, _>(place)?.map(|flag| Cell::Whole(flag.into())),
            Kind::Text => row.try_get::<Option<String>, _>(place)?.map(Cell::Text),
            Kind::Day => {
                let day = row.try_get::<Option<Date>, _>(place)?.map(|day| day.format(ISO_DAY)).transpose();
                day.map_err(|error| sqlx::Error::Decode(error.into()))?.map(Cell::Text)
            }
            Kind::Id => row.try_get::<Option<Uuid>, _>(place)?.map(|id| Cell::Bytes(id.into_bytes().into())),
            Kind::Bytes => row.try_get::<Option<Vec<u8>>, _>(place)?.map(Cell::Bytes),
        };
        Ok(cell.unwrap_or(Cell::Null))
    };
    table.columns.iter().enumerate().map(cell).collect()
}

async fn insert(to: &mut Tx, table: &Table, rows: &[Row]) -> Result<u64> {
    if rows.is_empty() {
        return Ok(0);
    }
    let columns: Vec<_> = table.names().collect();
    let sql = sqlx::AssertSqlSafe(format!(
        "insert into {} ({}) values {}",
        quoted(&table.name),
        columns.join(", "),
        many::groups(rows.len(), columns.len())
    ));
    let done = match to {
        Tx::Sqlite(tx) => {
            let bound = rows.iter().flatten().fold(sqlx::query(sql), |query, cell| match cell {
                Cell::Null => query.bind(None::<i64>),
                Cell::Whole(number) => query.bind(*number),
                Cell::Text(text) => query.bind(text),
                Cell::Bytes(bytes) => query.bind(bytes),
            });
            bound.execute(&mut **tx).await.map(|done| done.rows_affected())
        }
        Tx::Postgres(tx) => {
            let mut query = sqlx::query(sql);
            for row in rows {
                for (column, cell) in table.columns.iter().zip(row) {
                    query = bind(query, column, cell)
                        .ok_or_else(|| Error::Unavailable(format!("{}: what stands in {} cannot be", named(table, row), column.name)))?;
                }
            }
            query.execute(&mut **tx).await.map(|done| done.rows_affected())
        }
    };
    done.map_err(|error| Error::Unavailable(format!("{} cannot be copied: {error}", table.name)))
}

type PostgresQuery<'q> = sqlx::query::Query<'q, sqlx::Postgres, sqlx::postgres::PgArguments>;

/// Binds a value as PostgreSQL's column takes it; `None` where it is none of its kind.
fn bind<'q>(query: PostgresQuery<'q>, column: &Column, cell: &'q Cell) -> Option<PostgresQuery<'q>> {
    Some(match (column.kind, cell) {
        (Kind::Whole, Cell::Null) => query.bind(None::<i64>),
        (Kind::Whole, Cell::Whole(number)) => query.bind(*number),
        (Kind::Flag, Cell::Null) => query.bind(None::<bool>),
        (Kind::Flag, Cell::Whole(flag @ (0 | 1))) => query.bind(*flag == 1),
        (Kind::Text, Cell::Null) => query.bind(None::<String>),
        (Kind::Text, Cell::Text(text)) => query.bind(text),
        (Kind::Day, Cell::Null) => query.bind(None::<Date>),
        (Kind::Day, Cell::Text(day)) => query.bind(Date::parse(day, ISO_DAY).ok()?),
        (Kind::Id, Cell::Null) => query.bind(None::<Uuid>),
        (Kind::Id, Cell::Bytes(id)) => query.bind(Uuid::from_slice(id).ok()?),
        (Kind::Bytes, Cell::Null) => query.bind(None::<Vec<u8>>),
        (Kind::Bytes, Cell::Bytes(bytes)) => query.bind(bytes),
        _ => return None,
    })
}

impl Cell {
    fn size(&self) -> usize {
        match self {
            Self::Null | Self::Whole(_) => 8,
            Self::Text(text) => text.len(),
            Self::Bytes(bytes) => bytes.len(),
        }
    }
    /// In words, for a message: what may be secret is not repeated, only ids and keys come here.
    fn told(&self) -> String {
        match self {
            Self::Null => "nothing".into(),
            Self::Whole(number) => number.to_string(),
            Self::Text(text) => text.clone(),
            Self::Bytes(bytes) => Uuid::from_slice(bytes).map_or_else(|_| format!("{} bytes", bytes.len()), |id| id.to_string()),
        }
    }
}

/// What a row is sorted by. A table's keys hold values of one kind at each place.
fn by_key<'r>(key: &[usize], row: &'r Row) -> Vec<(Option<i64>, &'r [u8])> {
    let part = |place: &usize| match row.get(*place) {
        Some(Cell::Whole(number)) => (Some(*number), &[][..]),
        Some(Cell::Text(text)) => (None, text.as_bytes()),
        Some(Cell::Bytes(bytes)) => (None, bytes.as_slice()),
        Some(Cell::Null) | None => (None, &[][..]),
    };
    key.iter().map(part).collect()
}
/// A row by its table and key.
fn named(table: &Table, row: &Row) -> String {
    let key: Vec<_> = table.key().into_iter().filter_map(|place| row.get(place)).map(Cell::told).collect();
    format!("{} {}", table.name, key.join(" / "))
}
/// The columns in which two rows are not alike.
fn unlike(table: &Table, one: &Row, other: &Row) -> String {
    let pairs = table.columns.iter().zip(one.iter().zip(other));
    pairs.filter(|(_, (one, other))| one != other).map(|(column, _)| column.name.as_str()).collect::<Vec<_>>().join(", ")
}
