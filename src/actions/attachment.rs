//! Attachments: attach, show, list, hide; photographs get a small picture of themselves.
//!
//! The original is kept as it was sent, with what the camera wrote into it: it is the workshop's record, and its SHA-256 stays true. Whoever
//! sees a part of the workshop only (an owner, a token for one motorcycle) gets it without that ([`picture::without_metadata`]): where and
//! when a picture was taken is the workshop's affair. Thumbnails are written anew and say nothing of it. No history packet holds pictures.
use std::sync::Arc;

use sha2::{Digest, Sha256};
use tokio::sync::Semaphore;
use uuid::Uuid;

use super::{App, Subject, Work, service};
use crate::{
    access::Caller,
    domain::{
        attachment::{Attachment, BelongsTo, MediaType, is_heif, line, safe_name, second_nature},
        id::Id,
        motorcycle::Motorcycle,
        picture::{self, MOST_MEGAPIXELS, Thumbnail, Unreadable},
        service::ServiceEvent,
    },
    error::{Error, Result},
    store::{
        Stretch, attachment as store,
        photo_draft::{self as drafts, PhotoDraft},
        thumbnail as thumbnails,
    },
};

/// The largest file, 10 MiB.
pub const LARGEST: usize = 10 * 1024 * 1024;
/// Said of what is none of the types that are kept.
pub const NO_TYPE: &str = "This is no JPEG, PNG or WebP picture and no PDF: its bytes decide, not its name.";

/// Room for pictures that are decoded, in megapixels: so much memory is taken at once and no more, however many pictures come in.
static ROOM: Semaphore = Semaphore::const_new(MOST_MEGAPIXELS as usize);
/// The least that a picture takes of it: so no more than four are decoded at a time.
const LEAST_ROOM: u32 = MOST_MEGAPIXELS / 4;
/// How many pictures may be fetched at a time to make thumbnails of them.
static MAKING: Semaphore = Semaphore::const_new(4);

/// A file as it was sent, its type seen from its bytes.
#[derive(Clone, Debug)]
pub struct SentFile {
    /// The name that the sender gave it.
    pub name: String,
    /// What it is.
    pub media_type: MediaType,
    /// Its bytes.
    pub content: Arc<[u8]>,
    /// SHA-256 of the bytes.
    pub sha256: [u8; 32],
    /// A small picture of it; a document has none.
    pub thumbnail: Option<Thumbnail>,
}

impl SentFile {
    /// Looks at a file.
    ///
    /// # Errors
    /// 415 where it is none of the types that are kept; 422 with what to do where it is a picture that not every browser shows, two things
    /// at once, larger than what is decoded, or damaged.
    pub async fn look_at(name: String, content: Vec<u8>) -> Result<Self> {
        let refuse = |why: String| Error::invalid("/file", why);
        if is_heif(&content) {
            let why = "This is a HEIC or AVIF picture, which not every browser shows. Let the camera save JPEG (telephones call it “most compatible”), or save this one as JPEG and send that.";
            return Err(refuse(why.into()));
        }
        let media_type = MediaType::of(&content).ok_or(Error::WrongMediaType(
            "multipart/form-data whose file is a JPEG, PNG or WebP picture or a PDF (its bytes decide, not its name)",
        ))?;
        if let Some(other) = second_nature(&content, media_type) {
            return Err(refuse(format!("The file is {other} as well as what it seems to be; save it anew as one thing.")));
        }
        let content: Arc<[u8]> = content.into();
        let small = if media_type.is_image() { Some(small(media_type, &content).await?) } else { None };
        let thumbnail = small.transpose().map_err(|why| refuse(why.sentence()))?;
        let sha256 = Sha256::digest(&content).into();
        Ok(Self { name, media_type, content, sha256, thumbnail })
    }
}

/// Makes a thumbnail beside the threads that answer requests, once there is room for the picture.
async fn small(media_type: MediaType, content: &Arc<[u8]>) -> Result<Result<Thumbnail, Unreadable>> {
    let megapixels = match picture::megapixels(media_type, content) {
        Ok(megapixels) => megapixels,
        Err(why) => return Ok(Err(why)),
    };
    let room = ROOM.acquire_many(megapixels.clamp(LEAST_ROOM, MOST_MEGAPIXELS)).await.map_err(Error::internal)?;
    let content = Arc::clone(content);
    // What is begun goes on, also where nobody waits for it any more: it keeps its room until it is done.
    let make = move || {
        let _room = room;
        picture::thumbnail(media_type, &content)
    };
    tokio::task::spawn_blocking(make).await.map_err(Error::internal)
}

/// Attaches a file to a service event, a part or a motorcycle; `shows` says which line of the event it is about.
///
/// # Errors
/// 422 where the workshop has nothing with this id, or the event no such line.
pub async fn attach(work: &mut Work, belongs_to: Uuid, shows: Option<String>, file: SentFile) -> Result<Attachment> {
    let workshop = work.workshop_id();
    let unknown =
        || Error::invalid("/belongs_to", "There is no service event, part or motorcycle here with this id; look it up in its list.");
    let (kind, motorcycle) = store::owner_of(&mut work.tx, workshop, belongs_to).await?.ok_or_else(unknown)?;
    seen(work, motorcycle).await.map_err(|error| if matches!(error, Error::NotFound(_)) { unknown() } else { error })?;
    if kind == BelongsTo::ServiceEvent {
        service::must_have_entered(work, Id::new(belongs_to)).await?;
        service::must_stand(&service::get(work, Id::new(belongs_to)).await?)?;
    }
    if let Some(pointer) = &shows {
        must_be_line(work, kind, belongs_to, pointer).await?;
    }
    let attachment = Attachment {
        id: work.new_id(),
        belongs_to,
        belongs_to_kind: kind,
        motorcycle_id: motorcycle,
        line: shows,
        name: safe_name(&file.name, file.media_type),
        media_type: file.media_type,
        size: i64::try_from(file.content.len()).map_err(Error::internal)?,
        sha256: hex(&file.sha256),
        created_at: work.now,
    };
    store::insert(&mut work.tx, workshop, &attachment, &file.content).await?;
    if let Some(thumbnail) = &file.thumbnail {
        thumbnails::insert(&mut work.tx, workshop, &attachment.sha256, Some(thumbnail)).await?;
    }
    work.audit("attach", subject(&attachment), None, Some(&attachment)).await?;
    Ok(attachment)
}

async fn must_be_line(work: &mut Work, kind: BelongsTo, id: Uuid, pointer: &str) -> Result<()> {
    let none = || Error::invalid("/line", "Name a line of the service event, such as /work/0 for the first one that says what was done.");
    let (list, place) = line(pointer).filter(|_| kind == BelongsTo::ServiceEvent).ok_or_else(none)?;
    let event = service::get(work, Id::<ServiceEvent>::new(id)).await?;
    let lines = match list {
        "work" => event.work.len(),
        "fitted" => event.fitted.len(),
        "removed" => event.removed.len(),
        "measured" => event.measured.len(),
        "tightened" => event.tightened.len(),
        "filled" => event.filled.len(),
        "as_found" => event.as_found.len(),
        _ => event.follow_ups.len(),
    };
    if place < lines { Ok(()) } else { Err(none()) }
}

/// Where a line stands after a list of lines was changed: an equal one, else its own place where there are as many as before, so that it was
/// only worded anew; `None` where it is gone.
fn place_after<T: PartialEq>(place: usize, old: &[T], new: &[T]) -> Option<usize> {
    let line = old.get(place)?;
    let same = || new.iter().position(|other| other == line);
    let worded_anew = || (old.len() == new.len()).then_some(place);
    new.get(place).filter(|other| *other == line).map(|_| place).or_else(same).or_else(worded_anew)
}
/// Lets photographs of an event go along with the lines that they show, once a list of lines was changed. Where a line is gone they are the
/// whole event's.
///
/// # Errors
/// Where the database refuses.
pub async fn follow_lines<T: PartialEq>(work: &mut Work, event: Id<ServiceEvent>, list: &str, old: &[T], new: &[T]) -> Result<()> {
    if old == new {
        return Ok(());
    }
    let workshop = work.workshop_id();
    for attachment in store::of(&mut work.tx, workshop, &[event.uuid()]).await? {
        let Some((of, place)) = attachment.line.as_deref().and_then(line) else { continue };
        if of == list {
            let moved = place_after(place, old, new).map(|place| format!("/{list}/{place}"));
            store::set_line(&mut work.tx, workshop, attachment.id, moved.as_deref()).await?;
        }
    }
    Ok(())
}

/// So many photographs of one person wait for their forms at most.
const MOST_WAITING: i64 = 200;
/// How long a photograph waits for its form.
const WAITS: time::Duration = time::Duration::days(2);

/// Keeps a photograph by itself, until the form that it came with is stored: so that no mistake elsewhere in the form loses it.
///
/// # Errors
/// 409 where too many of the same person wait already.
pub async fn keep_draft(app: &App, caller: &Caller, file: SentFile) -> Result<Id<PhotoDraft>> {
    let mut work = app.write(caller, None).await?;
    let draft = PhotoDraft {
        id: work.new_id(),
        entered_by: caller.id(),
        name: safe_name(&file.name, file.media_type),
        media_type: file.media_type,
        content: file.content.to_vec(),
    };
    let (workshop, now) = (work.workshop_id(), work.now);
    if drafts::waiting(&mut work.tx, workshop, caller.id()).await? >= MOST_WAITING {
        let detail = format!("{MOST_WAITING} photos of yours wait for their forms already; save those first, or come back in two days.");
        return Err(Error::conflict(detail, []));
    }
    drafts::insert(&mut work.tx, workshop, &draft, now, now - WAITS).await?;
    if let Some(thumbnail) = &file.thumbnail {
        thumbnails::insert(&mut work.tx, workshop, &hex(&file.sha256), Some(thumbnail)).await?;
    }
    work.finish(None).await?;
    Ok(draft.id)
}

/// Attaches photographs that were kept by themselves, each with the line that it shows; gives how many there were, for one that waited too
/// long is gone.
///
/// # Errors
/// As [`attach`].
pub async fn attach_drafts(work: &mut Work, belongs_to: Uuid, photos: Vec<(Id<PhotoDraft>, Option<String>)>) -> Result<usize> {
    let (workshop, person) = (work.workshop_id(), work.caller.id());
    let mut attached = 0;
    for (id, shows) in photos {
        if let Some(draft) = drafts::take(&mut work.tx, workshop, id, person).await? {
            let sha256 = Sha256::digest(&draft.content).into();
            let (name, media_type, content) = (draft.name, draft.media_type, draft.content.into());
            attach(work, belongs_to, shows, SentFile { name, media_type, content, sha256, thumbnail: None }).await?;
            attached += 1;
        }
    }
    Ok(attached)
}

/// An attachment with the size of its thumbnail, where there is one.
pub type Shown = (Attachment, Option<(i64, i64)>);

/// What hangs on these things, in the order in which it was entered, as far as the caller sees it.
///
/// # Errors
/// Where the database refuses.
pub async fn of(work: &mut Work, things: &[Uuid]) -> Result<Vec<Shown>> {
    let workshop = work.workshop_id();
    let mut all = store::of(&mut work.tx, workshop, things).await?;
    if work.caller.sight.is_narrow() {
        let mut seen = Vec::new();
        for id in all.iter().filter_map(|attachment| attachment.motorcycle_id).collect::<std::collections::HashSet<_>>() {
            if super::motorcycle::sees(work, id).await? {
                seen.push(id);
            }
        }
        all.retain(|attachment| attachment.motorcycle_id.is_some_and(|id| seen.contains(&id)));
    }
    let files: Vec<_> = all.iter().filter(|attachment| attachment.media_type.is_image()).map(|one| one.sha256.clone()).collect();
    let sizes: std::collections::HashMap<_, _> = thumbnails::sizes(&mut work.tx, workshop, &files)
        .await?
        .into_iter()
        .map(|(sha256, width, height)| (sha256, (width, height)))
        .collect();
    Ok(all
        .into_iter()
        .map(|one| {
            let size = sizes.get(&one.sha256).copied();
            (one, size)
        })
        .collect())
}

/// The thumbnail of a photograph. One that came with an import has none yet: it is made and kept.
///
/// # Errors
/// 404 where the workshop has no such photograph, it was hidden, or no thumbnail can be made of it.
pub async fn thumbnail(app: &App, caller: &Caller, id: Id<Attachment>) -> Result<(Attachment, Thumbnail)> {
    let none = || Error::NotFound("thumbnail");
    let known = async || {
        let mut work = app.read(caller).await?;
        let attachment = get(&mut work, id).await?;
        let workshop = work.workshop_id();
        let kept = thumbnails::find(&mut work.tx, workshop, &attachment.sha256).await?;
        Ok::<_, Error>((work, attachment, kept))
    };
    if let (_, attachment, Some(kept)) = known().await? {
        return Ok((attachment, kept.ok_or_else(none)?));
    }
    let _making = MAKING.acquire().await.map_err(Error::internal)?;
    // Somebody else may have made it in the meantime.
    let (mut work, attachment, kept) = known().await?;
    if let Some(kept) = kept {
        return Ok((attachment, kept.ok_or_else(none)?));
    }
    if !attachment.media_type.is_image() {
        return Err(none());
    }
    let workshop = work.workshop_id();
    let content: Arc<[u8]> = store::content(&mut work.tx, workshop, id).await?.ok_or_else(none)?.into();
    drop(work);
    let made = small(attachment.media_type, &content).await?.ok();
    let mut tx = app.store.write().await?;
    thumbnails::insert(&mut tx, workshop, &attachment.sha256, made.as_ref()).await?;
    tx.commit().await?;
    Ok((attachment, made.ok_or_else(none)?))
}

/// Bytes as hexadecimal digits.
#[must_use]
pub fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// What is known about the attachment of an id.
///
/// # Errors
/// 404 where the workshop has none, or it was hidden.
pub async fn get(work: &mut Work, id: Id<Attachment>) -> Result<Attachment> {
    let workshop = work.workshop_id();
    let attachment = store::find(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("attachment"))?;
    seen(work, attachment.motorcycle_id).await?;
    Ok(attachment)
}

/// What hangs on no motorcycle, such as a part on the shelf, is nobody's but the workshop's.
async fn seen(work: &mut Work, motorcycle: Option<Id<Motorcycle>>) -> Result<()> {
    match motorcycle {
        Some(id) => super::motorcycle::must_see(work, id, "attachment").await,
        None if work.caller.sight.is_narrow() => Err(Error::NotFound("attachment")),
        None => Ok(()),
    }
}

/// Whether somebody gets a picture without what the camera wrote into it.
#[must_use]
pub fn gets_plain(caller: &Caller, attachment: &Attachment) -> bool {
    caller.sight.is_narrow() && attachment.media_type.is_image()
}

/// The bytes of an attachment, as this caller gets them.
///
/// # Errors
/// 404 where the workshop has none, or it was hidden.
pub async fn content(work: &mut Work, id: Id<Attachment>) -> Result<Vec<u8>> {
    let attachment = get(work, id).await?;
    let workshop = work.workshop_id();
    let content = store::content(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("attachment"))?;
    let plain = gets_plain(&work.caller, &attachment);
    Ok(if plain { picture::without_metadata(attachment.media_type, &content) } else { content })
}

/// Attachments in the order in which they were entered; of one thing if wanted.
///
/// # Errors
/// Where the database refuses.
pub async fn list(work: &mut Work, belongs_to: Option<Uuid>, stretch: Stretch<Id<Attachment>>) -> Result<Vec<Attachment>> {
    let (workshop, sight) = (work.workshop_id(), work.caller.sight);
    store::list(&mut work.tx, workshop, sight, belongs_to, stretch).await
}

/// Hides an attachment; its bytes stay in the database.
///
/// # Errors
/// 409 where it belongs to an event that is signed off: what was signed stays whole.
pub async fn hide(work: &mut Work, attachment: &Attachment) -> Result<()> {
    if attachment.belongs_to_kind == BelongsTo::ServiceEvent {
        let event = service::get(work, Id::new(attachment.belongs_to)).await?;
        if event.signature.is_some() {
            let detail = "The event is signed off, with what is attached to it; say in an amendment what is wrong with this.";
            return Err(Error::conflict(detail, [event.id.uuid()]));
        }
    }
    let (workshop, now) = (work.workshop_id(), work.now);
    store::hide(&mut work.tx, workshop, attachment.id, now).await?;
    work.audit("hide", subject(attachment), Some(attachment), None).await
}

fn subject(attachment: &Attachment) -> Subject {
    Subject { kind: "attachment", id: Some(attachment.id.uuid()), motorcycle: attachment.motorcycle_id }
}
