//! Many rows in few statements: a service with hundreds of lines is stored and read in a handful of round trips.

/// How many rows one statement inserts: well below the 32,766 placeholders that SQLite takes.
pub const ROWS_AT_ONCE: usize = 250;

/// `($1, $2), ($3, $4)`: so many groups of so many placeholders.
#[must_use]
pub fn groups(rows: usize, columns: usize) -> String {
    let group = |row: usize| {
        let places: Vec<_> = (1..=columns).map(|column| format!("${}", row * columns + column)).collect();
        format!("({})", places.join(", "))
    };
    (0..rows).map(group).collect::<Vec<_>>().join(", ")
}
/// `$2, $3, $4`: placeholders for a list of ids that begins at `first`. Lists are filled up to a power of two by repeating the last
/// id, so that only a few different statements are prepared.
#[must_use]
pub fn places(first: usize, count: usize) -> String {
    (first..first + count.next_power_of_two()).map(|place| format!("${place}")).collect::<Vec<_>>().join(", ")
}

/// Inserts rows: `insert_many!(tx, "insert into t (a, b)", &rows, |row| [row.a, row.b])`.
macro_rules! insert_many {
    ($tx:expr, $head:expr, $rows:expr, |$row:ident| [$($value:expr),+ $(,)?]) => {
        for chunk in $rows.chunks($crate::store::many::ROWS_AT_ONCE) {
            let columns = [$(stringify!($value)),+].len();
            let sql = sqlx::AssertSqlSafe(format!("{} values {}", $head, $crate::store::many::groups(chunk.len(), columns)));
            match $tx {
                $crate::store::Tx::Sqlite(tx) => {
                    let mut query = sqlx::query(sql);
                    for $row in chunk {
                        $(query = query.bind($value);)+
                    }
                    query.execute(&mut **tx).await?;
                }
                $crate::store::Tx::Postgres(tx) => {
                    let mut query = sqlx::query(sql);
                    for $row in chunk {
                        $(query = query.bind($value);)+
                    }
                    query.execute(&mut **tx).await?;
                }
            }
        }
    };
}
/// Reads the rows of several ids: `$1` of the statement is the workshop, the ids stand where `{}` is. Nothing is asked for no ids.
///
/// Where the ids are not the rows' own, the order is `coalesce(id, id)`: SQLite does not know how many rows a workshop has, and would rather walk
/// the key of the whole table, which is in that order, than use the index and sort the few that it finds (`tests/api/plans.rs`).
macro_rules! fetch_of {
    ($tx:expr, $row:ty, $sql:expr, $workshop:expr, $ids:expr) => {{
        let ids = $ids;
        let mut rows: Vec<$row> = Vec::new();
        for chunk in ids.chunks(1024) {
            let Some(last) = chunk.last() else { continue };
            let sql = sqlx::AssertSqlSafe($sql.replace("{}", &$crate::store::many::places(2, chunk.len())));
            let padded = chunk.iter().chain(std::iter::repeat_n(last, chunk.len().next_power_of_two() - chunk.len()));
            rows.extend(match $tx {
                $crate::store::Tx::Sqlite(tx) => {
                    let query = sqlx::query_as::<_, $row>(sql).bind($workshop);
                    padded.fold(query, |query, id| query.bind(*id)).fetch_all(&mut **tx).await?
                }
                $crate::store::Tx::Postgres(tx) => {
                    let query = sqlx::query_as::<_, $row>(sql).bind($workshop);
                    padded.fold(query, |query, id| query.bind(*id)).fetch_all(&mut **tx).await?
                }
            });
        }
        rows
    }};
}
pub(crate) use {fetch_of, insert_many};

#[cfg(test)]
mod tests {
    #[test]
    fn placeholders_are_numbered_through() {
        assert_eq!(super::groups(2, 3), "($1, $2, $3), ($4, $5, $6)");
        assert_eq!(super::places(2, 1), "$2");
        assert_eq!(super::places(2, 3), "$2, $3, $4, $5");
    }
}
