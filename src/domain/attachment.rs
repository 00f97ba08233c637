//! A photo or a document that belongs to a service event, a part or a motorcycle.
use serde::{Deserialize, Serialize};
use time::OffsetDateTime;
use utoipa::ToSchema;
use uuid::Uuid;

use super::{id::Id, motorcycle::Motorcycle, words::words};

words! {
    /// What an attachment may belong to.
    BelongsTo { ServiceEvent => "service_event", InstalledPart => "installed_part", Motorcycle => "motorcycle", }
}
words! {
    /// What an attachment may be. It is seen from its first bytes, whatever the sender says.
    MediaType { Jpeg => "image/jpeg", Png => "image/png", Webp => "image/webp", Pdf => "application/pdf", }
}

impl MediaType {
    /// The type that the first bytes of a file show; `None` for any other.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Option<Self> {
        let at = |place: usize, signature: &[u8]| bytes.get(place..).is_some_and(|rest| rest.starts_with(signature));
        if at(0, b"\xff\xd8\xff") {
            Some(Self::Jpeg)
        } else if at(0, b"\x89PNG\r\n\x1a\n") && at(12, b"IHDR") {
            Some(Self::Png)
        } else if at(0, b"RIFF") && at(8, b"WEBPVP8") {
            Some(Self::Webp)
        } else if at(0, b"%PDF-") {
            Some(Self::Pdf)
        } else {
            None
        }
    }
    /// Whether a browser may show it in place. A PDF is only offered for download: it can carry script.
    #[must_use]
    pub const fn is_image(self) -> bool {
        !matches!(self, Self::Pdf)
    }
    const fn ending(self) -> &'static str {
        match self {
            Self::Jpeg => "jpg",
            Self::Png => "png",
            Self::Webp => "webp",
            Self::Pdf => "pdf",
        }
    }
}

/// The longest file name that is kept, in characters.
const LONGEST_NAME: usize = 120;

/// A file name that is safe to keep and to offer: the last part of a path, without what a file system or a header line could trip
/// over (control and direction characters, separators, quotes, leading dots), and never empty.
#[must_use]
pub fn safe_name(sent: &str, media_type: MediaType) -> String {
    let last = sent.rsplit(['/', '\\']).next().unwrap_or_default();
    let trips = |letter: &char| {
        letter.is_control()
            || matches!(letter, '"' | '<' | '>' | ':' | '|' | '?' | '*' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
    };
    let kept: String = last.chars().filter(|letter| !trips(letter)).take(LONGEST_NAME).collect();
    let kept = kept.trim_matches(|letter: char| letter == '.' || letter.is_whitespace());
    if kept.is_empty() { format!("attachment.{}", media_type.ending()) } else { kept.to_owned() }
}

/// What is known about an attachment; its bytes are fetched by themselves.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Attachment {
    /// Its id.
    pub id: Id<Attachment>,
    /// The id of the service event, part or motorcycle.
    pub belongs_to: Uuid,
    /// Which of the three that is.
    pub belongs_to_kind: BelongsTo,
    /// The motorcycle; null for a part on the shelf.
    pub motorcycle_id: Option<Id<Motorcycle>>,
    /// The file's name.
    #[schema(example = "rear axle.jpg")]
    pub name: String,
    /// What it is, as seen from its bytes.
    pub media_type: MediaType,
    /// How many bytes it has.
    #[schema(minimum = 1)]
    pub size: i64,
    /// SHA-256 of its bytes, 64 hexadecimal digits.
    #[schema(pattern = "^[0-9a-f]{64}$")]
    pub sha256: String,
    /// When it was entered.
    #[serde(with = "time::serde::rfc3339")]
    pub created_at: OffsetDateTime,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_type_is_seen_from_the_first_bytes() {
        let webp = b"RIFF\x24\x00\x00\x00WEBPVP8 ";
        let png = b"\x89PNG\r\n\x1a\n\x00\x00\x00\x0dIHDR";
        for (bytes, seen) in [
            (&b"\xff\xd8\xff\xe0\x00\x10JFIF"[..], Some(MediaType::Jpeg)),
            (png, Some(MediaType::Png)),
            (webp, Some(MediaType::Webp)),
            (b"%PDF-1.7\n", Some(MediaType::Pdf)),
            (b"<svg xmlns='http://www.w3.org/2000/svg'/>", None),
            (b"<html>%PDF-1.7", None),
            (b"GIF89a", None),
            (b"PK\x03\x04", None),
            (b"RIFF\x24\x00\x00\x00WAVEfmt ", None),
            (b"\x89PNG\r\n\x1a\n", None),
            (b"", None),
        ] {
            assert_eq!(MediaType::of(bytes), seen, "{:?}", String::from_utf8_lossy(bytes));
        }
    }

    #[test]
    fn a_name_is_made_safe() {
        for (sent, kept) in [
            ("rear axle.jpg", "rear axle.jpg"),
            ("../../etc/passwd", "passwd"),
            ("C:\\photos\\clip.jpg", "clip.jpg"),
            ("a\r\nSet-Cookie: x.jpg", "aSet-Cookie x.jpg"),
            ("\u{202e}gpj.exe", "gpj.exe"),
            (".hidden", "hidden"),
            ("Kette \u{e4}\u{1f3cd}.jpg", "Kette \u{e4}\u{1f3cd}.jpg"),
            ("..", "attachment.jpg"),
            ("", "attachment.jpg"),
        ] {
            assert_eq!(safe_name(sent, MediaType::Jpeg), kept, "{sent:?}");
        }
        assert_eq!(safe_name(&"x".repeat(500), MediaType::Pdf).chars().count(), LONGEST_NAME);
    }
}
