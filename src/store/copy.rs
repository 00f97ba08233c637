//! A copy of a whole SQLite database: made while the server runs, and put back where none is yet.
use std::{
    fs::{self, OpenOptions},
    io,
    path::{Path, PathBuf},
};

use sqlx::{ConnectOptions, Connection, SqliteConnection, sqlite::SqliteConnectOptions};

use super::Store;
use crate::error::{Error, Result};

/// Writes a consistent copy of a database to a new file. Whoever writes meanwhile is not held up.
///
/// # Errors
/// [`Error::Invalid`] where the file is there already; [`Error::Unavailable`] where reading or writing fails.
pub async fn back_up(database: &Path, to: &Path) -> Result<()> {
    must_not_be_there(to)?;
    let mut connection = open(database, true).await?;
    let part = beside(to, ".part");
    let part_name = part.to_str().ok_or_else(|| Error::invalid("/to", "The file's name must be UTF-8; choose another."))?;
    // Made first, so that nobody else may read it: it holds owners and hashes of passwords.
    create_private(&part).map_err(|error| failed("write", &part, &error))?;
    let copied = sqlx::query("vacuum into $1").bind(part_name).execute(&mut connection).await;
    let copied = match copied {
        Ok(_) => finish(&part, to).await,
        Err(error) => Err(failed("write", to, &error)),
    };
    if copied.is_err() {
        let _ = fs::remove_file(&part);
    }
    copied
}

/// Puts a copy where no database is yet, brought up to date.
///
/// # Errors
/// [`Error::Invalid`] where a database is there already; [`Error::Unavailable`] where the copy is none of ours, is damaged, or comes
/// from a newer version.
pub async fn restore(from: &Path, database: &Path) -> Result<()> {
    must_not_be_there(database)?;
    open(from, false).await?.close().await?;
    let part = beside(database, ".part");
    let restored = async {
        let write = |error: &io::Error| failed("write", &part, error);
        let mut target = create_private(&part).map_err(|error| write(&error))?;
        let mut source = fs::File::open(from).map_err(|error| failed("read", from, &error))?;
        io::copy(&mut source, &mut target).map_err(|error| write(&error))?;
        let url = format!("sqlite:{}", part.display());
        Store::open(&url).await?.close().await;
        finish(&part, database).await
    };
    let restored = restored.await;
    if restored.is_err() {
        let _ = fs::remove_file(&part);
    }
    restored
}

/// Looks whether a copy opens, is a database of this program, and is whole.
///
/// # Errors
/// [`Error::Unavailable`] with what is wrong with it.
pub async fn must_be_whole(copy: &Path) -> Result<()> {
    open(copy, false).await?.close().await.map_err(|error| failed("read", copy, &error))
}

/// Checks the new file, makes it last, and gives it its name.
async fn finish(part: &Path, name: &Path) -> Result<()> {
    open(part, false).await?.close().await?;
    let last = || -> io::Result<()> {
        fs::File::open(part)?.sync_all()?;
        fs::rename(part, name)?;
        let folder = name.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        fs::File::open(folder)?.sync_all()
    };
    last().map_err(|error| failed("write", name, &error))
}

/// Opens a database of this program to read, and looks whether it is whole. `live`: a server may be writing to it; otherwise the file
/// must be all there is.
async fn open(path: &Path, live: bool) -> Result<SqliteConnection> {
    if !live && fs::metadata(beside(path, "-wal")).is_ok_and(|log| log.len() > 0) {
        let why = format!("{} is in use: its last entries stand in a log beside it; make a copy with `witnessmark backup`", path.display());
        return Err(Error::Unavailable(why));
    }
    if !path.is_file() {
        return Err(Error::invalid("/database", format!("There is no file {}; name the one that holds the database.", path.display())));
    }
    let cannot = |error| failed("read", path, &error);
    let mut connection = SqliteConnectOptions::new().filename(path).read_only(true).immutable(!live).connect().await.map_err(cannot)?;
    let told: String = sqlx::query_scalar("pragma quick_check(1)").fetch_one(&mut connection).await.map_err(cannot)?;
    if told != "ok" {
        return Err(Error::Unavailable(format!("{} is damaged ({told}); take an older copy", path.display())));
    }
    let known: i64 = sqlx::query_scalar("select count(*) from sqlite_schema where type = 'table' and name in ('workshop', 'due_item')")
        .fetch_one(&mut connection)
        .await
        .map_err(cannot)?;
    if known != 2 {
        return Err(Error::Unavailable(format!("{} is not a database of Witnessmark; name another file", path.display())));
    }
    Ok(connection)
}

/// Neither the file nor a log of one that stood there: SQLite would write that log's entries over the new file.
fn must_not_be_there(path: &Path) -> Result<()> {
    for end in ["", "-wal", "-journal"] {
        let file = beside(path, end);
        if fs::symlink_metadata(&file).is_ok() {
            let what = if end.is_empty() { "" } else { ", the log of a database that stood here," };
            let why = format!("{}{what} is there already and is never overwritten; move it away, or name a new file.", file.display());
            return Err(Error::invalid("/to", why));
        }
    }
    Ok(())
}
fn beside(path: &Path, end: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(end);
    name.into()
}
fn create_private(path: &Path) -> io::Result<fs::File> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path)
}
fn failed(verb: &str, path: &Path, why: &dyn std::fmt::Display) -> Error {
    Error::Unavailable(format!("cannot {verb} {}: {why}", path.display()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn nothing_is_put_beside_the_log_of_another() {
        let folder = tempfile::tempdir().unwrap();
        let (database, copy) = (folder.path().join("a.db"), folder.path().join("copy.db"));
        Store::open(&format!("sqlite:{}", database.display())).await.unwrap().close().await;
        back_up(&database, &copy).await.unwrap();
        for end in ["-wal", "-journal"] {
            let log = beside(&folder.path().join("b.db"), end);
            fs::write(&log, "what was written last before a crash").unwrap();
            let error = restore(&copy, &folder.path().join("b.db")).await.expect_err("the log would be written over the copy");
            assert!(error.to_string().contains(&format!("b.db{end}, the log")), "{error}");
            assert!(back_up(&database, &folder.path().join("b.db")).await.is_err());
            fs::remove_file(log).unwrap();
        }
        restore(&copy, &folder.path().join("b.db")).await.unwrap();
    }

    #[tokio::test]
    async fn a_copy_holds_what_was_stored_and_overwrites_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        let url = |name: &str| format!("sqlite:{}", path(name).display());
        let store = Store::open(&url("a.db")).await.unwrap();
        let Store::Sqlite { write, .. } = &store else { panic!("sqlite was asked for") };
        let insert = "insert into account_test (n) values (41)";
        sqlx::query("create table account_test (n INTEGER)").execute(write).await.unwrap();
        sqlx::query(insert).execute(write).await.unwrap();
        // The server still runs: what it wrote last stands in the log beside the file.
        back_up(&path("a.db"), &path("copy.db")).await.unwrap();
        sqlx::query(insert).execute(write).await.unwrap();
        assert!(matches!(back_up(&path("a.db"), &path("copy.db")).await, Err(Error::Invalid(_))));
        assert!(matches!(restore(&path("copy.db"), &path("a.db")).await, Err(Error::Invalid(_))));
        assert!(matches!(restore(&path("a.db"), &path("b.db")).await, Err(Error::Unavailable(_))), "it is in use");

        restore(&path("copy.db"), &path("b.db")).await.unwrap();
        let restored = Store::open(&url("b.db")).await.unwrap();
        let Store::Sqlite { read, .. } = &restored else { panic!("sqlite was asked for") };
        let rows: i64 = sqlx::query_scalar("select count(*) from account_test").fetch_one(read).await.unwrap();
        assert_eq!(rows, 1);
        assert_eq!(fs::read_dir(folder.path()).unwrap().filter(beside_is_left).count(), 0);
    }
    fn beside_is_left(entry: &io::Result<fs::DirEntry>) -> bool {
        entry.as_ref().is_ok_and(|entry| entry.path().to_string_lossy().contains(".part"))
    }

    #[tokio::test]
    async fn what_is_no_database_of_ours_is_refused_and_leaves_nothing_behind() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        fs::write(path("text.db"), "not a database at all, but long enough to be read as a header of one, were it one. ".repeat(20))
            .unwrap();
        assert!(matches!(restore(&path("text.db"), &path("new.db")).await, Err(Error::Unavailable(_))));
        assert!(matches!(restore(&path("none.db"), &path("new.db")).await, Err(Error::Invalid(_))));
        assert!(matches!(back_up(&path("none.db"), &path("new.db")).await, Err(Error::Invalid(_))));
        let names: Vec<_> = fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
        assert_eq!(names, ["text.db"]);
    }
}
