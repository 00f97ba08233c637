//! Second floor: the only place that knows SQL. One file per noun, named like its table.
//!
//! One SQL text serves both engines: `$1` placeholders and the common subset (row-value comparisons, `RETURNING`, `ON CONFLICT`).
//! A query is written once and run on the engine at hand by [`on!`](crate::store::on); every statement on a tenant's table filters by `workshop_id`.
//!
//! To add a noun: a table in both `migrations/` folders, a file here with `insert`, `find`, `list`, and its actions one floor up.
pub mod account;
pub mod account_link;
pub mod attachment;
pub mod audit;
pub mod calendar;
pub mod component;
pub mod copy;
pub mod due_item;
mod engine;
pub mod erasure;
pub mod exchange;
pub mod fastener;
pub mod fitting;
pub mod follow_up;
pub mod history;
pub mod history_item;
pub mod idempotency;
pub mod import_draft;
pub mod instrument;
pub mod interval_rule;
pub mod lay_up;
pub mod letter;
pub mod limit_range;
pub mod many;
pub mod measured_value;
pub mod member;
pub mod motorcycle;
pub mod numbers;
pub mod offer;
pub mod owner;
pub mod packet_import;
pub mod part;
pub mod photo_draft;
pub mod procedure;
pub mod reading;
pub mod replica;
pub mod report;
pub mod search;
pub mod second_factor;
pub mod service_event;
pub mod session;
pub mod single_use;
pub mod throttle;
pub mod thumbnail;
pub mod token;
pub mod transfer;
pub mod types;
pub mod webhook;
pub mod workshop;
pub mod workshop_key;

pub use engine::{Store, Tx};
pub(crate) use engine::{WAIT, WRITERS};

/// Runs one query expression on whichever engine the transaction is on:
/// `on!(tx, sqlx::query_as::<_, Row>("select …").bind(id), fetch_all)`.
macro_rules! on {
    ($tx:expr, $query:expr, $run:ident) => {
        match $tx {
            $crate::store::Tx::Sqlite(tx) => $query.$run(&mut **tx).await,
            $crate::store::Tx::Postgres(tx) => $query.$run(&mut **tx).await,
        }
    };
}
/// Runs a statement and gives the number of rows that it changed.
macro_rules! execute {
    ($tx:expr, $query:expr) => {
        match $tx {
            $crate::store::Tx::Sqlite(tx) => $query.execute(&mut **tx).await.map(|done| done.rows_affected()),
            $crate::store::Tx::Postgres(tx) => $query.execute(&mut **tx).await.map(|done| done.rows_affected()),
        }
    };
}
pub(crate) use {execute, on};

/// Which stretch of a list is wanted: what comes after `after`, at most `limit` rows.
#[derive(Clone, Debug)]
pub struct Stretch<K> {
    /// The key of the last row seen.
    pub after: Option<K>,
    /// How many rows.
    pub limit: i64,
}
impl<K> Stretch<K> {
    /// The whole list.
    pub const ALL: Self = Self { after: None, limit: i64::MAX };
}
