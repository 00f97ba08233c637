//! Attachments: attach, show, list, hide.
use sha2::{Digest, Sha256};
use uuid::Uuid;

use super::{Subject, Work, service};
use crate::{
    domain::{
        attachment::{Attachment, BelongsTo, MediaType, safe_name},
        id::Id,
        motorcycle::Motorcycle,
    },
    error::{Error, Result},
    store::{Stretch, attachment as store},
};

/// The largest file, 10 MiB.
pub const LARGEST: usize = 10 * 1024 * 1024;

/// A file as it was sent, its type seen from its bytes.
#[derive(Debug)]
pub struct SentFile {
    /// The name that the sender gave it.
    pub name: String,
    /// What it is.
    pub media_type: MediaType,
    /// Its bytes.
    pub content: Vec<u8>,
    /// SHA-256 of the bytes.
    pub sha256: [u8; 32],
}

impl SentFile {
    /// Looks at a file.
    ///
    /// # Errors
    /// 415 where it is none of the types that are kept.
    pub fn look_at(name: String, content: Vec<u8>) -> Result<Self> {
        let media_type = MediaType::of(&content).ok_or(Error::WrongMediaType(
            "multipart/form-data whose file is a JPEG, PNG or WebP picture or a PDF (its bytes decide, not its name)",
        ))?;
        let sha256 = Sha256::digest(&content).into();
        Ok(Self { name, media_type, content, sha256 })
    }
}

/// Attaches a file to a service event, a part or a motorcycle.
///
/// # Errors
/// 422 where the workshop has nothing with this id.
pub async fn attach(work: &mut Work, belongs_to: Uuid, file: SentFile) -> Result<Attachment> {
    let workshop = work.workshop_id();
    let unknown =
        || Error::invalid("/belongs_to", "There is no service event, part or motorcycle here with this id; look it up in its list.");
    let (kind, motorcycle) = store::owner_of(&mut work.tx, workshop, belongs_to).await?.ok_or_else(unknown)?;
    seen(work, motorcycle).await.map_err(|error| if matches!(error, Error::NotFound(_)) { unknown() } else { error })?;
    if kind == BelongsTo::ServiceEvent {
        service::must_have_entered(work, Id::new(belongs_to)).await?;
    }
    let attachment = Attachment {
        id: work.new_id(),
        belongs_to,
        belongs_to_kind: kind,
        motorcycle_id: motorcycle,
        name: safe_name(&file.name, file.media_type),
        media_type: file.media_type,
        size: i64::try_from(file.content.len()).map_err(Error::internal)?,
        sha256: hex(&file.sha256),
        created_at: work.now,
    };
    store::insert(&mut work.tx, workshop, &attachment, &file.content).await?;
    work.audit("attach", subject(&attachment), None, Some(&attachment)).await?;
    Ok(attachment)
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

/// The bytes of an attachment.
///
/// # Errors
/// 404 where the workshop has none, or it was hidden.
pub async fn content(work: &mut Work, id: Id<Attachment>) -> Result<Vec<u8>> {
    get(work, id).await?;
    let workshop = work.workshop_id();
    store::content(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("attachment"))
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
/// Where the database refuses.
pub async fn hide(work: &mut Work, attachment: &Attachment) -> Result<()> {
    let (workshop, now) = (work.workshop_id(), work.now);
    store::hide(&mut work.tx, workshop, attachment.id, now).await?;
    work.audit("hide", subject(attachment), Some(attachment), None).await
}

fn subject(attachment: &Attachment) -> Subject {
    Subject { kind: "attachment", id: Some(attachment.id.uuid()), motorcycle: attachment.motorcycle_id }
}
