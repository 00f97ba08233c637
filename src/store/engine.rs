//! The two engines behind one face: opening, migrating, and transactions.
use std::{str::FromStr, sync::Arc, time::Duration};

use sqlx::{
    Connection, PgPool, Postgres, Sqlite, SqlitePool, Transaction,
    migrate::{MigrateError, Migrator},
    postgres::PgPoolOptions,
    sqlite::{SqliteConnectOptions, SqliteJournalMode, SqliteLockingMode, SqlitePoolOptions, SqliteSynchronous},
};
use tokio::sync::Semaphore;

use crate::error::{Error, Result};

static SQLITE: Migrator = sqlx::migrate!("migrations/sqlite");
static POSTGRES: Migrator = sqlx::migrate!("migrations/postgres");

/// How long a request waits for a connection to PostgreSQL, also where it is out of reach.
pub(crate) const WAIT: Duration = Duration::from_secs(2);
/// How many connections to PostgreSQL there are at most, and how many of them write at once at most: readers are never shut out by those who
/// wait for each other's writes.
const CONNECTIONS: u32 = 16;
pub(crate) const WRITERS: usize = 12;
/// A reader that nobody needed for so long is closed, with the statements that it has prepared and its cache.
const IDLE: Duration = Duration::from_mins(1);
/// How many read at once: two for each core, for each is a thread of its own.
fn readers() -> u32 {
    let cores = std::thread::available_parallelism().map_or(2, std::num::NonZero::get);
    u32::try_from(2 * cores).unwrap_or(8).clamp(4, 8)
}
/// The most writes that wait for the one writer.
const MOST_WAITING: usize = 128;
/// How a transaction begins on PostgreSQL that only reads: one moment of the database.
pub(super) const READ_ONLY: &str = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY";

/// An open database.
#[derive(Clone, Debug)]
pub enum Store {
    /// The embedded default: one writer behind a fair queue, several readers that cannot write by mistake.
    Sqlite {
        /// Readers.
        read: SqlitePool,
        /// The one writer.
        write: SqlitePool,
        /// Room in the queue for it.
        room: Arc<Semaphore>,
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
            let pool = PgPoolOptions::new().max_connections(CONNECTIONS).acquire_timeout(WAIT).connect(url).await;
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
        if let Self::Sqlite { read, .. } = &store {
            let first = read.acquire().await;
            first.map_err(|error| Error::Unavailable(format!("cannot open the database: {}", explain(&error))))?;
        }
        // The index is made of what is there; where it cannot be made, everything else still works.
        if let Err(error) = super::search::catch_up(&store).await {
            tracing::error!(%error, "the index of words could not be brought up to date");
        }
        Ok(store)
    }

    fn sqlite(read: SqlitePool, write: SqlitePool) -> Self {
        Self::Sqlite { read, write, room: Arc::new(Semaphore::new(MOST_WAITING)) }
    }

    /// Opens a database to take it elsewhere: to read it as it stands, unmigrated, in one transaction, with nobody else at it. A SQLite file
    /// stays locked meanwhile; on PostgreSQL nobody else may be connected to the database.
    ///
    /// # Errors
    /// [`Error::Unavailable`] where it cannot be opened, is in use, is none of ours, or its schema is not this version's.
    pub async fn hold(url: &str) -> Result<(Self, Tx)> {
        let held = if let Some(path) = url.strip_prefix("sqlite:") {
            hold_sqlite(path.trim_start_matches("//")).await
        } else {
            hold_postgres(url).await
        };
        let (store, mut tx) = held.map_err(|error| Error::Unavailable(format!("cannot read the source: {}", explain(&error))))?;
        match as_migrated(&mut tx).await {
            Ok(()) => Ok((store, tx)),
            Err(error) => {
                drop(tx);
                store.close().await;
                Err(error)
            }
        }
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
            // What is erased is overwritten, not only let go.
            .pragma("secure_delete", "on")
            // Of each connection, in KiB; behind it the system keeps the file's pages once for all of them.
            .pragma("cache_size", "-1000");
        let writer = options.clone().pragma("cache_size", "-4000").journal_mode(SqliteJournalMode::Wal);
        let write = SqlitePoolOptions::new().max_connections(1).acquire_timeout(Duration::from_secs(30)).before_acquire(|writer, _| {
            // Where the disk is full SQLite takes a transaction back by itself. The driver does not notice, counts it as open for ever,
            // and begins no other on this connection: it makes room for a new one.
            Box::pin(async move { Ok(!writer.is_in_transaction()) })
        });
        let write = write.connect_with(writer).await?;
        let reader = options.create_if_missing(false).read_only(true);
        // Readers are opened once the schema is up to date: one that had read it before would go on preparing statements for the old one.
        let read = SqlitePoolOptions::new()
            .max_connections(readers())
            .idle_timeout(IDLE)
            .acquire_timeout(Duration::from_secs(30))
            .connect_lazy_with(reader);
        Ok(Self::sqlite(read, write))
    }

    /// Opens a copy of a SQLite database to read it as it is: nothing is migrated, and no file appears beside it. To write to it is an error.
    ///
    /// # Errors
    /// [`Error::Unavailable`] where it cannot be opened.
    pub async fn open_copy(path: &std::path::Path) -> Result<Self> {
        let options = SqliteConnectOptions::new().filename(path).read_only(true).immutable(true);
        let pool = SqlitePoolOptions::new().max_connections(4).connect_with(options).await;
        let pool = pool.map_err(|error| Error::Unavailable(format!("cannot open the copy: {}", explain(&error))))?;
        Ok(Self::sqlite(pool.clone(), pool))
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
            Self::Postgres(pool) => Tx::Postgres(pool.begin_with(READ_ONLY).await?),
        })
    }
    /// Looks whether the database can be read, and, where it is a server, whether it takes writes.
    ///
    /// # Errors
    /// Where it cannot.
    pub async fn ready(&self) -> Result<()> {
        match self {
            Self::Sqlite { read, .. } => drop(sqlx::query("select 1 from workshop limit 1").fetch_optional(read).await?),
            Self::Postgres(pool) => {
                let standby: bool = sqlx::query_scalar("select pg_is_in_recovery() from (select 1 from workshop limit 1) one")
                    .fetch_optional(pool)
                    .await?
                    .unwrap_or(false);
                if standby {
                    return Err(Error::Unavailable("the database is a copy that follows another and takes no writes".into()));
                }
            }
        }
        Ok(())
    }
    /// How many writes wait for SQLite's one writer; PostgreSQL has no such queue.
    #[must_use]
    pub fn waiting_writes(&self) -> Option<usize> {
        match self {
            Self::Sqlite { room, .. } => Some(MOST_WAITING - room.available_permits()),
            Self::Postgres(_) => None,
        }
    }
    /// A transaction that writes. SQLite takes its only writer connection (a fair queue) and locks at once.
    ///
    /// # Errors
    /// Where the database cannot be reached or stays locked; [`Error::Busy`] where the queue is full: whoever is turned away at once can try
    /// again sooner than one who waited in vain.
    pub async fn write(&self) -> Result<Tx> {
        Ok(match self {
            Self::Sqlite { write, room, .. } => {
                let _waiting = room.try_acquire().map_err(|_| Error::Busy)?;
                Tx::Sqlite(write.begin_with("BEGIN IMMEDIATE").await?)
            }
            Self::Postgres(pool) => Tx::Postgres(pool.begin().await?),
        })
    }
    /// Waits for running statements and closes the connections.
    pub async fn close(&self) {
        match self {
            Self::Sqlite { read, write, .. } => {
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
    /// Where the database refuses; then nothing of it is stored. [`Error::Unsure`] where it broke off.
    pub async fn commit(self) -> Result<()> {
        let done = match self {
            Self::Sqlite(tx) => tx.commit().await,
            Self::Postgres(tx) => tx.commit().await,
        };
        done.map_err(Error::at_commit)
    }
}

/// An exclusive lock tells whether a server has the file open, and keeps one from opening it.
async fn hold_sqlite(path: &str) -> sqlx::Result<(Store, Tx)> {
    let options = SqliteConnectOptions::from_str("sqlite:")?.filename(path).locking_mode(SqliteLockingMode::Exclusive);
    let pool = SqlitePoolOptions::new().max_connections(1).connect_with(options.busy_timeout(Duration::from_secs(1))).await?;
    let mut tx = pool.begin_with("BEGIN EXCLUSIVE").await?;
    sqlx::query("pragma query_only = on").execute(&mut *tx).await?;
    Ok((Store::sqlite(pool.clone(), pool), Tx::Sqlite(tx)))
}
async fn hold_postgres(url: &str) -> sqlx::Result<(Store, Tx)> {
    let pool = PgPoolOptions::new().max_connections(1).acquire_timeout(Duration::from_secs(5)).connect(url).await?;
    let others = "select count(*) from pg_stat_activity
                  where datname = current_database() and backend_type = 'client backend' and pid <> pg_backend_pid()";
    // A server that has just been stopped is still counted for a moment.
    for left in (0..20).rev() {
        let others: i64 = sqlx::query_scalar(others).fetch_one(&pool).await?;
        if others == 0 {
            break;
        }
        if left == 0 {
            let why = format!("{others} other connections use it; stop the servers on it, then start again");
            return Err(sqlx::Error::Configuration(why.into()));
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    // Only now: what was written until then is seen.
    let tx = pool.begin_with(READ_ONLY).await?;
    Ok((Store::Postgres(pool), Tx::Postgres(tx)))
}
/// Refuses a schema that is not the one of this version.
async fn as_migrated(tx: &mut Tx) -> Result<()> {
    let (ours, migrator) = match tx {
        Tx::Sqlite(_) => ("select count(*) from sqlite_schema where type = 'table' and name in ('_sqlx_migrations', 'due_item')", &SQLITE),
        Tx::Postgres(_) => {
            let sql = "select count(*) from pg_class where relnamespace = current_schema()::text::regnamespace
                       and relkind in ('r', 'p') and relname in ('_sqlx_migrations', 'due_item')";
            (sql, &POSTGRES)
        }
    };
    let ours: i64 = super::on!(tx, sqlx::query_scalar(ours), fetch_one)?;
    if ours != 2 {
        return Err(Error::Unavailable("the source is not a database of Witnessmark; name another".into()));
    }
    let done: Vec<i64> = super::on!(tx, sqlx::query_scalar("select version from _sqlx_migrations order by version"), fetch_all)?;
    let wanted: Vec<i64> = migrator.iter().map(|migration| migration.version).collect();
    if done.iter().any(|version| !wanted.contains(version)) {
        return Err(Error::Unavailable("the source was written by a newer version of Witnessmark; use that version".into()));
    }
    if done.len() < wanted.len() {
        let how = "the source was written by an older version; bring it up to date first: witnessmark check --database URL";
        return Err(Error::Unavailable(how.into()));
    }
    Ok(())
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
