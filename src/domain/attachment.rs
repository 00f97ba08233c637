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
    /// The ending of a file's name.
    #[must_use]
    pub const fn ending(self) -> &'static str {
        match self {
            Self::Jpeg => "jpg",
            Self::Png => "png",
            Self::Webp => "webp",
            Self::Pdf => "pdf",
        }
    }
}

/// What else the bytes of a file are, so that another program would take it for that: a file that is two things at once is made to deceive.
#[must_use]
pub fn second_nature(bytes: &[u8], media_type: MediaType) -> Option<&'static str> {
    const ZIP_END: &[u8] = b"PK\x05\x06";
    // Readers of PDF look for its header in the first 1,024 bytes, browsers for a page's tags.
    let head = bytes.get(..bytes.len().min(1024)).unwrap_or_default().to_ascii_lowercase();
    let holds = |what: &[u8]| head.windows(what.len()).any(|window| window == what);
    if media_type.is_image() && holds(b"%pdf-") {
        return Some("a PDF");
    }
    if [&b"<script"[..], b"<html", b"<!doctype", b"<svg", b"<?php"].iter().any(|tag| holds(tag)) {
        return Some("a web page");
    }
    // An archive ends in a record of 22 bytes, whose last two say how long a comment follows.
    let tail = &bytes[bytes.len().saturating_sub(22 + usize::from(u16::MAX))..];
    let ends_here = |place: usize| {
        let length = tail.get(place + 20..place + 22).map(|pair| usize::from(u16::from_le_bytes([pair[0], pair[1]])));
        length.is_some_and(|length| place + 22 + length == tail.len())
    };
    let mut places = tail.windows(ZIP_END.len()).enumerate().filter(|(_, window)| *window == ZIP_END);
    places.any(|(place, _)| ends_here(place)).then_some("an archive")
}
/// Whether the bytes are a picture as newer telephones store it (HEIF, ISO/IEC 23008-12, or AVIF), which not every browser shows.
#[must_use]
pub fn is_heif(bytes: &[u8]) -> bool {
    const BRANDS: [&[u8]; 9] = [b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1", b"avif", b"avis"];
    bytes.get(4..8) == Some(b"ftyp") && bytes.get(8..12).is_some_and(|brand| BRANDS.contains(&brand))
}

/// The list of an event and the place in it that a JSON Pointer such as `/work/0` names; `None` where it names no line.
#[must_use]
pub fn line(pointer: &str) -> Option<(&'static str, usize)> {
    const LISTS: [&str; 8] = ["work", "fitted", "removed", "measured", "tightened", "filled", "as_found", "follow_ups"];
    let (list, place) = pointer.strip_prefix('/')?.split_once('/')?;
    let place: usize = place.parse().ok().filter(|number: &usize| number.to_string() == place)?;
    LISTS.iter().find(|known| **known == list).map(|list| (*list, place))
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
    /// Which line of a service event it shows, as a JSON Pointer into the event, such as `/work/0` or `/as_found/1`; null for the whole.
    #[schema(example = "/as_found/0")]
    pub line: Option<String>,
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
    fn what_is_two_things_at_once_is_seen() {
        let jpeg = |rest: &[u8]| [b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01\x01", rest].concat();
        let zip = b"PK\x03\x04 a file PK\x05\x06\0\0\0\0\x01\0\x01\0\0\0\0\0\0\0\0\0\x05\0hello";
        for (bytes, seen) in [
            (jpeg(b"%PDF-1.7"), Some("a PDF")),
            (jpeg(b"<SCRIPT>alert(1)</SCRIPT>"), Some("a web page")),
            (jpeg(zip), Some("an archive")),
            (jpeg(&[&zip[..], b"more"].concat()), None),
            (jpeg(b"plain"), None),
            (jpeg(&[0; 2000]), None),
            (Vec::new(), None),
        ] {
            assert_eq!(second_nature(&bytes, MediaType::Jpeg), seen, "{:?}", String::from_utf8_lossy(&bytes));
        }
        assert_eq!(second_nature(b"%PDF-1.7 words", MediaType::Pdf), None);
    }
    #[test]
    fn pictures_of_newer_telephones_are_told_apart() {
        assert!(is_heif(b"\0\0\0\x18ftypheic\0\0\0\0") && is_heif(b"\0\0\0\x18ftypavif"));
        assert!(!is_heif(b"\0\0\0\x18ftypisom") && !is_heif(b"ftyp"));
    }
    #[test]
    fn a_line_is_one_place_in_a_list_of_an_event() {
        assert_eq!(line("/work/0"), Some(("work", 0)));
        assert_eq!(line("/as_found/12"), Some(("as_found", 12)));
        for wrong in ["", "work/0", "/work", "/work/", "/work/01", "/work/-1", "/work/0/note", "/notes/0", "/work/+1"] {
            assert_eq!(line(wrong), None, "{wrong}");
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
