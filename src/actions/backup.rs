//! Copies of the database that `serve` makes by itself: every day at a time, looked at, and the oldest good ones removed.
//!
//! The folder is the whole truth; nothing of it stands in the database. `witnessmark-2026-05-02T033000Z.db` is a copy that opened and passed
//! [`check`](super::check); `….failed.db` one that did not, with the reason in `….failed.txt`; `….unchecked.db` one whose check was broken off.
//! Other files are left alone. Only good copies count among those that are kept, so that a bad one never pushes a good one out.
use std::{
    fs, io,
    path::{Path, PathBuf},
    sync::Mutex,
};

use time::{Duration, OffsetDateTime, PrimitiveDateTime, Time, format_description::BorrowedFormatItem, macros::format_description};

use super::{App, check};
use crate::{
    error::{Error, Result},
    store::{Store, copy},
};

const STAMP: &[BorrowedFormatItem<'static>] = format_description!("[year]-[month]-[day]T[hour][minute][second]Z");
const NAME: &str = "witnessmark-";
/// After a try that failed it is tried again no sooner.
const REST: Duration = Duration::HOUR;
/// A file that is still being written after so long was left behind.
const LEFT_BEHIND: Duration = Duration::DAY;

/// Where and when copies are made, and how many are kept.
#[derive(Debug)]
pub struct Backups {
    /// The database's file.
    pub database: PathBuf,
    /// The folder; it is made where it is not there.
    pub folder: PathBuf,
    /// The time of day, UTC.
    pub at: Time,
    /// How many good copies are kept.
    pub keep: usize,
    tried: Mutex<Option<Tried>>,
}

/// The last try of this process.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tried {
    /// When.
    pub at: OffsetDateTime,
    /// Why there is no copy of it; none where there is one.
    pub failed: Option<String>,
}

/// What is known of a copy.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum State {
    /// It opened and passed the check.
    Good,
    /// It did not; why.
    Failed(String),
    /// Its check was broken off, or is under way.
    Unchecked,
}

/// One copy.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Copied {
    /// Its file's name.
    pub file: String,
    /// When it was made.
    pub made_at: OffsetDateTime,
    /// How many bytes it has.
    pub size: u64,
    /// What is known of it.
    pub state: State,
}

fn name(made_at: OffsetDateTime, ending: &str) -> String {
    format!("{NAME}{}{ending}", made_at.to_offset(time::UtcOffset::UTC).format(STAMP).unwrap_or_default())
}
/// When a copy of this name was made, and what follows the time in it.
fn read_name(name: &str) -> Option<(OffsetDateTime, &str)> {
    let (stamp, ending) = name.strip_prefix(NAME)?.split_once('.')?;
    Some((PrimitiveDateTime::parse(stamp, STAMP).ok()?.assume_utc(), ending))
}

impl Backups {
    /// Copies of a database into a folder.
    #[must_use]
    pub const fn new(database: PathBuf, folder: PathBuf, at: Time, keep: usize) -> Self {
        Self { database, folder, at, keep, tried: Mutex::new(None) }
    }
    /// The last try of this process.
    #[must_use]
    pub fn tried(&self) -> Option<Tried> {
        self.tried.lock().ok()?.clone()
    }
    /// Where a file of the folder is.
    #[must_use]
    pub fn path(&self, file: &str) -> PathBuf {
        self.folder.join(file)
    }

    /// The copies that are there, newest first.
    ///
    /// # Errors
    /// [`Error::Unavailable`] where the folder cannot be read. One that is not there yet holds none.
    pub fn list(&self) -> Result<Vec<Copied>> {
        let entries = match fs::read_dir(&self.folder) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            entries => entries.map_err(|error| self.cannot("read", &error))?,
        };
        let mut copies = Vec::new();
        for entry in entries {
            let entry = entry.map_err(|error| self.cannot("read", &error))?;
            let Some(file) = entry.file_name().to_str().map(str::to_owned) else { continue };
            let Some((made_at, ending)) = read_name(&file) else { continue };
            let state = match ending {
                "db" => State::Good,
                "unchecked.db" => State::Unchecked,
                "failed.db" => State::Failed(fs::read_to_string(self.path(&name(made_at, ".failed.txt"))).unwrap_or_default()),
                _ => continue,
            };
            // Removed since the folder was read: another server keeps it too.
            let Ok(about) = entry.metadata() else { continue };
            copies.push(Copied { file, made_at, size: about.len(), state });
        }
        copies.sort_by(|a, b| b.made_at.cmp(&a.made_at).then_with(|| a.file.cmp(&b.file)));
        Ok(copies)
    }
    fn cannot(&self, verb: &str, error: &io::Error) -> Error {
        Error::Unavailable(format!("cannot {verb} the folder of copies {}: {error}", self.folder.display()))
    }

    /// Whether a copy is to be made now: none was since the time of day last came.
    ///
    /// # Errors
    /// Where the folder cannot be read.
    pub fn is_due(&self, now: OffsetDateTime) -> Result<bool> {
        let today = now.replace_time(self.at);
        let last_time = if today <= now { today } else { today - Duration::DAY };
        if let Some(tried) = self.tried().filter(|tried| tried.failed.is_some()) {
            // A clock that was set back says nothing about how long ago it was.
            return Ok(now < tried.at || now - tried.at >= REST);
        }
        // One from a clock that was ahead says nothing about today.
        Ok(self.list()?.iter().find(|copied| copied.made_at <= now).is_none_or(|newest| newest.made_at < last_time))
    }

    /// Makes a copy, looks at it, and removes what is no longer kept.
    ///
    /// # Errors
    /// Where it cannot be written or read. Nothing that was there is lost by it.
    async fn make(&self, now: OffsetDateTime) -> Result<Copied> {
        let made_at = now.replace_nanosecond(0).unwrap_or(now);
        make_private(&self.folder).map_err(|error| self.cannot("make", &error))?;
        let unchecked = name(made_at, ".unchecked.db");
        copy::back_up(&self.database, &self.path(&unchecked)).await?;
        let state = self.look_at(&unchecked).await;
        let copied = self.named(&unchecked, made_at, state)?;
        // The copy is good whether or not older ones can go.
        if let Err(error) = self.remove_old(now) {
            tracing::warn!(%error, "copies that are no longer kept could not be removed");
        }
        Ok(copied)
    }
    /// What a copy turns out to be: it is opened to read alone, and everything in it worked out again. One that cannot be is a failed one.
    async fn look_at(&self, file: &str) -> State {
        let path = self.path(file);
        let opened = match copy::must_be_whole(&path).await {
            Ok(()) => Store::open_copy(&path).await,
            Err(error) => Err(error),
        };
        let store = match opened {
            Ok(store) => store,
            Err(error) => return State::Failed(error.to_string()),
        };
        let checked = check::check(&store).await;
        store.close().await;
        match checked {
            Ok(checked) => match checked.differences.as_slice() {
                [] => State::Good,
                [first, ..] => State::Failed(format!(
                    "Worked out again, {} did not come out as stored. The first: {}: {}",
                    if checked.differences.len() == 1 { "one thing".into() } else { format!("{} things", checked.differences.len()) },
                    first.motorcycle,
                    first.what
                )),
            },
            Err(error) => State::Failed(error.to_string()),
        }
    }
    /// Gives a copy the name of what it is.
    fn named(&self, file: &str, made_at: OffsetDateTime, state: State) -> Result<Copied> {
        let wrote = |error: io::Error| self.cannot("write to", &error);
        let ending = match &state {
            State::Good => ".db",
            State::Unchecked => ".unchecked.db",
            State::Failed(why) => {
                fs::write(self.path(&name(made_at, ".failed.txt")), why).map_err(wrote)?;
                ".failed.db"
            }
        };
        let new = name(made_at, ending);
        fs::rename(self.path(file), self.path(&new)).map_err(wrote)?;
        let size = fs::metadata(self.path(&new)).map_err(wrote)?.len();
        Ok(Copied { file: new, made_at, size, state })
    }

    /// Removes the oldest good copies beyond those that are kept. Of the others the newest stays, for a look at it; what is older goes once there
    /// is a good one after it, or too many of them.
    fn remove_old(&self, now: OffsetDateTime) -> Result<()> {
        let copies = self.list()?;
        let good: Vec<_> = copies.iter().filter(|copied| copied.state == State::Good).collect();
        let bad: Vec<_> = copies.iter().filter(|copied| copied.state != State::Good).collect();
        let newest = good.first().map(|copied| copied.made_at);
        let keep = self.keep.max(1);
        let mut failed = Ok(());
        let is_over = |place: usize, copied: &Copied| place >= keep || place > 0 && newest.is_some_and(|newest| copied.made_at < newest);
        let over = bad.iter().enumerate().filter(|(place, copied)| is_over(*place, copied)).map(|(_, copied)| copied);
        for copied in good.iter().skip(keep).chain(over) {
            failed = failed.and(self.remove(&copied.file));
            if matches!(copied.state, State::Failed(_)) {
                failed = failed.and(self.remove(&name(copied.made_at, ".failed.txt")));
            }
        }
        for entry in fs::read_dir(&self.folder).map_err(|error| self.cannot("read", &error))?.flatten() {
            let file = entry.file_name();
            let Some((made_at, ending)) = file.to_str().and_then(read_name) else { continue };
            if ending.split('.').next_back() == Some("part") && now - made_at > LEFT_BEHIND {
                failed = failed.and(self.remove(&file.to_string_lossy()));
            }
        }
        failed
    }
    fn remove(&self, file: &str) -> Result<()> {
        match fs::remove_file(self.path(file)) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(self.cannot("remove a copy from", &error)),
            _ => Ok(()),
        }
    }
    fn note(&self, tried: Tried) {
        if let Ok(mut last) = self.tried.lock() {
            *last = Some(tried);
        }
    }
}

fn make_private(folder: &Path) -> io::Result<()> {
    let mut builder = fs::DirBuilder::new();
    builder.recursive(true);
    // A copy holds owners and hashes of passwords.
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(folder)
}

/// Makes a copy where it is time for one; gives it. Whatever goes wrong is noted and logged: serving goes on.
pub async fn make_if_due(app: &App) -> Option<Copied> {
    let backups = app.backups.as_ref()?;
    let now = app.clock.now();
    let made = match backups.is_due(now) {
        Ok(false) => return None,
        Ok(true) => backups.make(now).await,
        Err(error) => Err(error),
    };
    let failed = match &made {
        Ok(Copied { file, state: State::Failed(why), .. }) => {
            tracing::error!(file, why, "a copy of the database was made, but did not pass the check; older good ones are kept");
            None
        }
        Ok(copied) => {
            tracing::info!(file = copied.file, bytes = copied.size, "the database was copied, and the copy checked");
            None
        }
        Err(error) => {
            tracing::error!(%error, "no copy of the database could be made; it is tried again in an hour");
            Some(error.to_string())
        }
    };
    backups.note(Tried { at: now, failed });
    made.ok()
}

/// How often `serve` looks whether it is time for a copy.
const LOOK: std::time::Duration = std::time::Duration::from_secs(30);

/// Makes copies when it is time, for as long as the server runs.
pub async fn run(app: std::sync::Arc<App>) {
    while app.backups.is_some() {
        make_if_due(&app).await;
        tokio::time::sleep(LOOK).await;
    }
}

#[cfg(test)]
mod tests {
    use time::macros::{datetime, time};

    use super::*;

    #[test]
    fn a_name_says_when_and_what() {
        let at = datetime!(2026-05-02 03:30:07 UTC);
        assert_eq!(name(at, ".db"), "witnessmark-2026-05-02T033007Z.db");
        assert_eq!(read_name("witnessmark-2026-05-02T033007Z.failed.db"), Some((at, "failed.db")));
        for other in ["witnessmark.db", "witnessmark-2026-05-02.db", "photos-2026-05-02T033007Z.db", "witnessmark-2026-13-02T033007Z.db"] {
            assert_eq!(read_name(other), None, "{other}");
        }
    }

    #[tokio::test]
    async fn a_copy_that_is_damaged_is_noticed() {
        let folder = tempfile::tempdir().unwrap();
        let live = folder.path().join("live.db");
        let store = Store::open(&format!("sqlite:{}", live.display())).await.unwrap();
        let backups = Backups::new(live.clone(), folder.path().into(), time!(03:30), 3);
        copy::back_up(&live, &backups.path("copy.db")).await.unwrap();
        store.close().await;
        assert_eq!(backups.look_at("copy.db").await, State::Good);
        let whole = fs::read(backups.path("copy.db")).unwrap();
        // Cut off, overwritten in the middle, and something else altogether.
        fs::write(backups.path("cut.db"), &whole[..whole.len() / 2]).unwrap();
        let mut scratched = whole.clone();
        let middle = whole.len() / 2;
        scratched[middle..middle + 8192].fill(0xa5);
        fs::write(backups.path("scratched.db"), scratched).unwrap();
        fs::write(backups.path("other.db"), "no database").unwrap();
        for file in ["cut.db", "scratched.db", "other.db", "none.db"] {
            assert!(matches!(backups.look_at(file).await, State::Failed(_)), "{file}");
        }
    }

    #[test]
    fn it_is_due_once_a_day_from_its_time_on() {
        let folder = tempfile::tempdir().unwrap();
        let backups = Backups::new("none.db".into(), folder.path().join("copies"), time!(03:30), 3);
        let due = |now| backups.is_due(now).unwrap();
        assert!(due(datetime!(2026-05-02 01:00 UTC)), "there is none yet");
        fs::create_dir(folder.path().join("copies")).unwrap();
        fs::write(backups.path("witnessmark-2026-05-02T010000Z.db"), "x").unwrap();
        assert!(!due(datetime!(2026-05-02 03:29:59 UTC)));
        assert!(due(datetime!(2026-05-02 03:30 UTC)));
        fs::write(backups.path("witnessmark-2026-05-02T033000Z.failed.db"), "x").unwrap();
        assert!(!due(datetime!(2026-05-03 03:29 UTC)), "it was made, whatever came of it");
        assert!(due(datetime!(2026-05-05 12:00 UTC)), "the server was off meanwhile");
        backups.note(Tried { at: datetime!(2026-05-05 12:00 UTC), failed: Some("the disk is full".into()) });
        assert!(!due(datetime!(2026-05-05 12:30 UTC)));
        assert!(due(datetime!(2026-05-05 13:00 UTC)));
        assert!(due(datetime!(2026-05-04 12:00 UTC)), "the clock was set back: nobody knows how long ago it failed");
    }
}
