//! What a monitoring system wants to know about the whole database, across all workshops: sums, and nothing of anybody's.
use sqlx::FromRow;

use super::{Tx, on};
use crate::{
    domain::{letter::LetterStatus, webhook::DeliveryStatus},
    error::Result,
};

/// The sums.
#[derive(Clone, Copy, Debug, FromRow)]
pub struct Numbers {
    /// Letters that wait for a try.
    pub letters_pending: i64,
    /// Letters that were given up.
    pub letters_given_up: i64,
    /// Messages to webhooks that wait for a try.
    pub deliveries_pending: i64,
    /// Messages to webhooks that were given up.
    pub deliveries_given_up: i64,
}

/// The sums, and the database's size in bytes.
///
/// # Errors
/// Where the database cannot be reached.
pub async fn read(tx: &mut Tx) -> Result<(Numbers, i64)> {
    let sql = "select (select count(*) from letter where status = $1) as letters_pending,
                 (select count(*) from letter where status = $2) as letters_given_up,
                 (select count(*) from webhook_delivery where status = $3) as deliveries_pending,
                 (select count(*) from webhook_delivery where status = $4) as deliveries_given_up";
    let (letters, deliveries) = ([LetterStatus::Pending, LetterStatus::GivenUp], [DeliveryStatus::Pending, DeliveryStatus::GivenUp]);
    let numbers = on!(tx, sqlx::query_as(sql).bind(letters[0]).bind(letters[1]).bind(deliveries[0]).bind(deliveries[1]), fetch_one)?;
    let bytes = match tx {
        Tx::Sqlite(tx) => {
            let sql = "select page_count * page_size from pragma_page_count(), pragma_page_size()";
            sqlx::query_scalar(sql).fetch_one(&mut **tx).await?
        }
        Tx::Postgres(tx) => sqlx::query_scalar("select pg_database_size(current_database())").fetch_one(&mut **tx).await?,
    };
    Ok((numbers, bytes))
}
