//! The two engines behind one face: opening, migrating, and transactions.
use std::{str::FromStr, time::Duration};

use sqlx::{
    Connection, PgPool, Postgres, Sqlite, SqlitePool, Transaction,
    migrate::{MigrateError, Migrator},
    postgres::PgPoolOptions,
    sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous},
};

use crate::error::{Error, Result};

static SQLITE: Migrator = sqlx::migrate!("migrations/sqlite");
static POSTGRES: Migrator = sqlx::migrate!("migrations/postgres");

/// An open database.
#[derive(Clone, Debug)]
pub enum Store {
    /// The embedded default: one writer behind a fair queue, several readers that cannot write by mistake.
    Sqlite {
        /// Readers.
        read: SqlitePool,
        /// The one writer.
        write: SqlitePool,
    },
    /// PostgreSQL, or what speaks its protocol.
    Postgres(PgPool),
}

/// A transaction: every store function takes one, so that what an action reads and writes is one moment.
#[derive(Debug)]
pub enum Tx {
    /// On SQLite.
    Sqlite(Transaction<'static, Sqlite>),
    /// On PostgreSQL.
    Postgres(Transaction<'static, Postgres>),
}

impl Store {
    /// Opens the database of a URL, `sqlite:PATH` or `postgres://…`, and brings its schema up to date.
    ///
    /// # Errors
    /// [`Error::Unavailable`] with what to do, where it cannot be opened, is not a database, is read-only, or comes from a newer version.
    pub async fn open(url: &str) -> Result<Self> {
        let store = if let Some(path) = url.strip_prefix("sqlite:") {
            Self::open_sqlite_beside_others(path.trim_start_matches("//")).await
        } else if url.starts_with("postgres://") || url.starts_with("postgresql://") {
            let pool = PgPoolOptions::new().max_connections(16).acquire_timeout(Duration::from_secs(5)).connect(url).await;
            pool.map(Self::Postgres)
        } else {
            return Err(Error::Unavailable("a database URL starts with sqlite: or postgres://, such as sqlite:witnessmark.db".into()));
        };
        let store = store.map_err(|error| Error::Unavailable(format!("cannot open the database: {}", explain(&error))))?;
        if let Err(error) = store.migrate().await {
            // A connection left open would go on holding the lock under which migrations run.
            store.close().await;
            return Err(error);
        }
        super::search::catch_up(&store).await?;
        Ok(store)
    }

    /// Where another server opens the same fresh file in this moment, the change to a write-ahead log is refused at once, without the
    /// usual waiting for a lock: it is tried again for a few seconds.
    async fn open_sqlite_beside_others(path: &str) -> sqlx::Result<Self> {
        let busy = |error: &sqlx::Error| {
            let code = error.as_database_error().and_then(sqlx::error::DatabaseError::code).and_then(|code| code.parse::<u32>().ok());
            code.is_some_and(|code| matches!(code & 0xff, 5 | 6))
        };
        let began = tokio::time::Instant::now();
        loop {
            match Self::open_sqlite(path).await {
                Err(error) if busy(&error) && began.elapsed() < Duration::from_secs(5) => {
                    tokio::time::sleep(Duration::from_millis(50)).await;
                }
                done => return done,
            }
        }
    }

    async fn open_sqlite(path: &str) -> sqlx::Result<Self> {
        let options = SqliteConnectOptions::from_str("sqlite:")?
            .filename(path)
            .create_if_missing(true)
            .foreign_keys(true)
            .busy_timeout(Duration::from_secs(10))
            .synchronous(SqliteSynchronous::Full)
            .pragma("cache_size", "-16000");
        let writer = options.clone().journal_mode(SqliteJournalMode::Wal);
        let write = SqlitePoolOptions::new().max_connections(1).acquire_timeout(Duration::from_secs(30)).before_acquire(|writer, _| {
            // Where the disk is full SQLite takes a transaction back by itself. The driver does not notice, counts it as open for ever,
            // and begins no other on this connection: it makes room for a new one.
            Box::pin(async move { Ok(!writer.is_in_transaction()) })
        });
        let write = write.connect_with(writer).await?;
        let reader = options.create_if_missing(false).read_only(true);
        let read = SqlitePoolOptions::new().max_connections(8).acquire_timeout(Duration::from_secs(30)).connect_with(reader).await?;
        Ok(Self::Sqlite { read, write })
    }

    /// Opens a copy of a SQLite database to read it as it is: nothing is migrated, and no file appears beside it. To write to it is an error.
    ///
    /// # Errors
    /// [`Error::Unavailable`] where it cannot be opened.
    pub async fn open_copy(path: &std::path::Path) -> Result<Self> {
        let options = SqliteConnectOptions::new().filename(path).read_only(true).immutable(true);
        let pool = SqlitePoolOptions::new().max_connections(4).connect_with(options).await;
        let pool = pool.map_err(|error| Error::Unavailable(format!("cannot open the copy: {}", explain(&error))))?;
        Ok(Self::Sqlite { read: pool.clone(), write: pool })
    }

    /// Brings the schema up to date. Two servers may do so at once: SQLite's write lock and PostgreSQL's advisory lock let one go first.
    async fn migrate(&self) -> Result<()> {
        let done = match self {
            Self::Sqlite { write, .. } => {
                let mut tx = write.begin_with("BEGIN IMMEDIATE").await.map_err(|error| Error::Unavailable(explain(&error)))?;
                match SQLITE.run_direct(None, &mut *tx, false).await {
                    Ok(()) => tx.commit().await.map_err(MigrateError::Execute),
                    Err(error) => Err(error),
                }
            }
            Self::Postgres(pool) => POSTGRES.run(pool).await,
        };
        done.map_err(|error| match error {
            MigrateError::VersionMissing(_) | MigrateError::VersionTooNew(..) => Error::Unavailable(
                "the database was written by a newer version of Witnessmark; start that version, or restore a copy made before".into(),
            ),
            MigrateError::Execute(error) | MigrateError::ExecuteMigration(error, _) => {
                Error::Unavailable(format!("cannot bring the database up to date: {}", explain(&error)))
            }
            error => Error::Unavailable(format!("cannot bring the database up to date: {error}")),
        })
    }

    /// A transaction that only reads: one moment of the database.
    ///
    /// # Errors
    /// Where the database cannot be reached.
    pub async fn read(&self) -> Result<Tx> {
        Ok(match self {
            Self::Sqlite { read, .. } => Tx::Sqlite(read.begin().await?),
            Self::Postgres(pool) => Tx::Postgres(pool.begin_with("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY").await?),
        })
    }
    /// A transaction that writes. SQLite takes its only writer connection (a fair queue) and locks at once.
    ///
    /// # Errors
    /// Where the database cannot be reached or stays locked.
    pub async fn write(&self) -> Result<Tx> {
        Ok(match self {
            Self::Sqlite { write, .. } => Tx::Sqlite(write.begin_with("BEGIN IMMEDIATE").await?),
            Self::Postgres(pool) => Tx::Postgres(pool.begin().await?),
        })
    }
    /// Waits for running statements and closes the connections.
    pub async fn close(&self) {
        match self {
            Self::Sqlite { read, write } => {
                read.close().await;
                write.close().await;
            }
            Self::Postgres(pool) => pool.close().await,
        }
    }
}

impl Tx {
    /// Makes what was written last.
    ///
    /// # Errors
    /// Where the database refuses; then nothing of it is stored.
    pub async fn commit(self) -> Result<()> {
        match self {
            Self::Sqlite(tx) => tx.commit().await?,
            Self::Postgres(tx) => tx.commit().await?,
        }
        Ok(())
    }
}

/// What a person can do about a database that does not open.
fn explain(error: &sqlx::Error) -> String {
    let code = error.as_database_error().and_then(sqlx::error::DatabaseError::code);
    // PostgreSQL's codes have five letters and speak for themselves in its message; SQLite's are shorter numbers.
    let code = code.filter(|code| code.len() != 5).and_then(|code| code.parse::<u32>().ok()).unwrap_or(0);
    match code & 0xff {
        5 | 6 => "it is locked by another program; stop that one, or wait".into(),
        8 => "it is read-only; give the server's user the right to write the file and its folder".into(),
        10 => "reading or writing it failed; look at the disk".into(),
        11 => "it is damaged; restore the last backup".into(),
        13 => "the disk is full; make room".into(),
        14 => "the file cannot be opened; does its folder exist, and may the server's user write there?".into(),
        26 => "the file is not a database; name another file".into(),
        _ => error.to_string(),
    }
}
