//! The copies of the database, as a manager sees them on `/workshop`.
//!
//! A copy holds every workshop of the server, with the hashes of its people's passwords. It is given out only where this workshop is the only
//! one on the server: then its manager is in charge of everything in it. Where there are several, whoever runs the server takes it from the folder.
use std::sync::Arc;

use axum::{
    body::{Body, Bytes},
    extract::{Path, State},
    http::header,
    response::{IntoResponse, Response},
};
use futures_util::stream;
use tokio::io::AsyncReadExt;

use super::{fault::Fault, guard::Manager, words};
use crate::{
    actions::{
        App, Subject, Work,
        backup::{Backups, Copied, State as CopyState},
    },
    error::{Error, Result},
    store,
};

/// So much is read of a file at once.
const PIECE: usize = 256 * 1024;

/// What the page says of copies.
#[derive(Debug, Default)]
pub struct Copies {
    /// Where they come from.
    pub about: String,
    /// Why the last try gave none.
    pub failed: Option<String>,
    /// The copies, newest first.
    pub rows: Vec<CopyRow>,
}
/// One copy.
#[derive(Debug)]
pub struct CopyRow {
    /// When it was made.
    pub made: String,
    /// How large it is.
    pub size: String,
    /// Whether it is good.
    pub state: String,
    /// Where it is given out, if it is.
    pub href: Option<String>,
}

/// The copies of the database.
///
/// # Errors
/// Where the database refuses.
pub async fn copies(app: &App, work: &mut Work) -> Result<Copies> {
    let Some(backups) = &app.backups else {
        let about = "This server makes no copies by itself. Whoever runs it starts it with --backup-dir, or runs witnessmark backup; a PostgreSQL \
                     database is copied by pg_dump.";
        return Ok(Copies { about: about.into(), ..Copies::default() });
    };
    let alone = is_alone(work).await?;
    let given = if alone {
        "A copy can be fetched here: it holds everything, also what signs people in, so keep it like a key."
    } else {
        "A copy holds every workshop of this server, so it is not given out here; whoever runs the server has the files."
    };
    let at = format!("{:02}:{:02}", backups.at.hour(), backups.at.minute());
    let kept = if backups.keep == 1 { "one good copy is".into() } else { format!("{} good copies are", backups.keep) };
    let about = format!("Made every day at {at} UTC, then opened and worked out again; {kept} kept. {given}");
    let zone = &work.workshop.time_zone;
    let tried = backups.tried().and_then(|tried| Some((tried.at, tried.failed?)));
    let mut failed = tried.map(|(at, why)| {
        format!("On {} no copy could be made ({}). It is tried again.", words::instant(at, zone), without_paths(backups, &why))
    });
    let rows = backups.list().unwrap_or_else(|error| {
        failed = Some(format!("The copies cannot be listed ({}).", without_paths(backups, &error.to_string())));
        Vec::new()
    });
    let row = |copied: Copied| CopyRow {
        made: words::instant(copied.made_at, zone),
        size: megabytes(copied.size),
        href: (alone && copied.state == CopyState::Good).then(|| format!("/workshop/copies/{}", copied.file)),
        state: match copied.state {
            CopyState::Good => "Opened and checked".into(),
            // What differs names motorcycles of other workshops.
            CopyState::Failed(why) if alone => format!("Failed the check; do not rely on it. {why}"),
            CopyState::Failed(_) => "Failed the check; do not rely on it.".into(),
            CopyState::Unchecked => "Not checked".into(),
        },
    };
    Ok(Copies { about, failed, rows: rows.into_iter().map(row).collect() })
}
/// The reason without the paths on the server's disk.
fn without_paths(backups: &Backups, why: &str) -> String {
    let path = |path: &std::path::Path| path.display().to_string();
    why.replace(&path(&backups.folder), "the folder").replace(&path(&backups.database), "the database")
}
fn megabytes(bytes: u64) -> String {
    let tenths = bytes.div_ceil(104_858).max(1);
    format!("{}.{} MiB", tenths / 10, tenths % 10)
}
/// Whether the workshop is the only one on the server.
async fn is_alone(work: &mut Work) -> Result<bool> {
    Ok(store::workshop::all(&mut work.tx).await?.len() == 1)
}

/// `GET /workshop/copies/{file}`
pub(super) async fn download(State(app): State<Arc<App>>, Manager(visitor): Manager, Path(file): Path<String>) -> Result<Response, Fault> {
    let mut work = app.write(&visitor.caller, None).await?;
    let backups = app.backups.as_ref().ok_or(Error::NotFound("copy"))?;
    if !is_alone(&mut work).await? {
        return Err(Error::NotFound("copy").into());
    }
    // Only a name that is in the list: nothing else of the disk can be asked for.
    let known = backups.list()?.into_iter().find(|copied| copied.file == file && copied.state == CopyState::Good);
    let copied = known.ok_or(Error::NotFound("copy"))?;
    let opened = tokio::fs::File::open(backups.path(&copied.file)).await;
    let opened = opened.map_err(|error| Error::Unavailable(format!("cannot read a copy: {error}")))?;
    let workshop = work.workshop_id();
    work.audit("fetch copy", Subject::new("workshop", workshop), None, Some(&copied.file)).await?;
    work.finish(None).await?;
    let pieces = stream::try_unfold(opened, |mut opened| async move {
        let mut piece = vec![0; PIECE];
        let read = opened.read(&mut piece).await?;
        piece.truncate(read);
        Ok::<_, std::io::Error>((read > 0).then(|| (Bytes::from(piece), opened)))
    });
    let headers = [
        (header::CONTENT_TYPE, "application/vnd.sqlite3".to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{}\"", copied.file)),
        (header::CONTENT_LENGTH, copied.size.to_string()),
        (header::CACHE_CONTROL, "no-store".to_owned()),
    ];
    Ok((headers, Body::from_stream(pieces)).into_response())
}
