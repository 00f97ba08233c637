//! Photographs: a small upright picture of one that says nothing about where it was taken, and a copy without what the camera wrote into it.
//!
//! What a picture will take is judged by its head before anything is decoded: a small file may claim to be enormous.
use std::io::Cursor;

use image::{
    DynamicImage, ImageDecoder, ImageError, ImageFormat, ImageReader, Limits, Rgb, RgbImage, codecs::jpeg::JpegEncoder,
    metadata::Orientation,
};

use super::attachment::MediaType;

/// The longer side of a thumbnail, in pixels: sharp on a telephone at half the width of its screen.
pub const THUMBNAIL_SIDE: u32 = 360;
/// The most pixels of a picture that is decoded, in millions: what the largest sensor of a telephone gives in one exposure.
pub const MOST_MEGAPIXELS: u32 = 64;
/// The most memory that a decoder may ask for, in bytes.
const MOST_MEMORY: u64 = 320 * 1024 * 1024;
/// The longest side, in pixels: what JPEG can say at all.
const LONGEST_SIDE: u32 = 65_535;
/// The quality of a thumbnail, of 100.
const QUALITY: u8 = 80;

/// A small picture, as JPEG.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Thumbnail {
    /// In pixels.
    pub width: u32,
    /// In pixels.
    pub height: u32,
    /// The JPEG file.
    pub content: Vec<u8>,
}

/// Why a picture is not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unreadable {
    /// It is larger than what is decoded.
    TooLarge,
    /// Its bytes are no whole picture.
    Damaged,
}
impl Unreadable {
    /// What to tell the person.
    #[must_use]
    pub fn sentence(self) -> String {
        match self {
            Self::TooLarge => {
                format!("The picture has over {MOST_MEGAPIXELS} megapixels or takes too much memory; send a smaller copy of it.")
            }
            Self::Damaged => "The picture cannot be read: it is damaged or was cut off. Take it again, or save it as a new JPEG.".into(),
        }
    }
}
impl From<ImageError> for Unreadable {
    fn from(error: ImageError) -> Self {
        if matches!(error, ImageError::Limits(_)) { Self::TooLarge } else { Self::Damaged }
    }
}

const fn format(media_type: MediaType) -> Option<ImageFormat> {
    match media_type {
        MediaType::Jpeg => Some(ImageFormat::Jpeg),
        MediaType::Png => Some(ImageFormat::Png),
        MediaType::Webp => Some(ImageFormat::WebP),
        MediaType::Pdf => None,
    }
}

/// A decoder that has read a picture's head and found it small enough.
fn decoder(media_type: MediaType, bytes: &[u8]) -> Result<impl ImageDecoder, Unreadable> {
    let mut reader = ImageReader::new(Cursor::new(bytes));
    reader.set_format(format(media_type).ok_or(Unreadable::Damaged)?);
    let mut limits = Limits::default();
    (limits.max_image_width, limits.max_image_height, limits.max_alloc) = (Some(LONGEST_SIDE), Some(LONGEST_SIDE), Some(MOST_MEMORY));
    reader.limits(limits);
    let decoder = reader.into_decoder()?;
    let (width, height) = decoder.dimensions();
    let pixels = u64::from(width) * u64::from(height);
    if pixels == 0 {
        return Err(Unreadable::Damaged);
    }
    if pixels > u64::from(MOST_MEGAPIXELS) * 1_000_000 || decoder.total_bytes() > MOST_MEMORY {
        return Err(Unreadable::TooLarge);
    }
    Ok(decoder)
}

/// How many megapixels a picture has, rounded up, by its head alone.
///
/// # Errors
/// Where it has too many, or no head that can be read.
pub fn megapixels(media_type: MediaType, bytes: &[u8]) -> Result<u32, Unreadable> {
    let (width, height) = decoder(media_type, bytes)?.dimensions();
    let pixels = u64::from(width) * u64::from(height);
    u32::try_from(pixels.div_ceil(1_000_000)).map_err(|_| Unreadable::TooLarge)
}

/// A small picture of a photograph, upright and written anew: of what the camera wrote into the file nothing is left.
///
/// # Errors
/// Where it is too large to decode, or damaged.
pub fn thumbnail(media_type: MediaType, bytes: &[u8]) -> Result<Thumbnail, Unreadable> {
    let mut decoder = decoder(media_type, bytes)?;
    let orientation = decoder.orientation().unwrap_or(Orientation::NoTransforms);
    let whole = DynamicImage::from_decoder(decoder)?;
    let mut small =
        if whole.width().max(whole.height()) > THUMBNAIL_SIDE { whole.thumbnail(THUMBNAIL_SIDE, THUMBNAIL_SIDE) } else { whole };
    small.apply_orientation(orientation);
    let small = on_white(&small);
    let mut content = Vec::new();
    JpegEncoder::new_with_quality(&mut content, QUALITY).encode_image(&small)?;
    Ok(Thumbnail { width: small.width(), height: small.height(), content })
}

/// A picture without transparency: JPEG has none.
fn on_white(picture: &DynamicImage) -> RgbImage {
    if !picture.color().has_alpha() {
        return picture.to_rgb8();
    }
    let picture = picture.to_rgba8();
    RgbImage::from_fn(picture.width(), picture.height(), |x, y| {
        let [red, green, blue, alpha] = picture.get_pixel(x, y).0;
        let over = |color: u8| u8::try_from((u16::from(color) * u16::from(alpha) + 255 * (255 - u16::from(alpha))) / 255).unwrap_or(255);
        Rgb([over(red), over(green), over(blue)])
    })
}

/// A copy of a picture with the same pixels and without what the camera wrote into it: place, time, device, comments. Which way up a JPEG is
/// held stays, and so do the colors. A file that is not built as its type says comes out empty after the fault.
#[must_use]
pub fn without_metadata(media_type: MediaType, bytes: &[u8]) -> Vec<u8> {
    match media_type {
        MediaType::Jpeg => plain_jpeg(bytes),
        MediaType::Png => plain_png(bytes),
        MediaType::Webp => plain_webp(bytes),
        MediaType::Pdf => bytes.to_vec(),
    }
}

/// Segments of ITU-T T.81, annex B: all but the application's (0xE0 to 0xEF, of which the header JFIF, color profiles and Adobe's color
/// transform stay) and comments (0xFE), up to the picture's end. What lies behind it goes too.
fn plain_jpeg(bytes: &[u8]) -> Vec<u8> {
    let mut plain = vec![0xff, 0xd8];
    let orientation = decoder(MediaType::Jpeg, bytes).ok().and_then(|mut decoder| decoder.orientation().ok());
    let mut place = 2;
    let mut in_front = true;
    while let Some(&[0xff, kind]) = bytes.get(place..place + 2) {
        if kind == 0xff {
            place += 1;
            continue;
        }
        if kind == 0xd9 {
            plain.extend([0xff, 0xd9]);
            break;
        }
        let Some(&[high, low]) = bytes.get(place + 2..place + 4) else { break };
        let end = place + 2 + usize::from(u16::from_be_bytes([high, low]));
        let Some(segment) = bytes.get(place..end) else { break };
        if segment.len() < 4 {
            break;
        }
        let stays = match kind {
            0xe0 => segment[4..].starts_with(b"JFIF\0"),
            0xe2 => segment[4..].starts_with(b"ICC_PROFILE\0"),
            0xee => segment[4..].starts_with(b"Adobe"),
            0xe1..=0xef | 0xfe => false,
            _ => true,
        };
        // The header JFIF is to come first, and what says which way up right behind it.
        if in_front && kind != 0xe0 {
            plain.extend(upright_exif(orientation));
            in_front = false;
        }
        if stays {
            plain.extend(segment);
        }
        place = end;
        if kind == 0xda {
            let data = scan(&bytes[place..]);
            plain.extend(&bytes[place..place + data]);
            place += data;
        }
    }
    plain
}
/// How many bytes of a scan's data come before the next segment: 0xFF is followed there by 0 or a restart marker.
fn scan(bytes: &[u8]) -> usize {
    let is_marker = |pair: &[u8]| pair[0] == 0xff && !matches!(pair[1], 0 | 0xd0..=0xd7 | 0xff);
    bytes.windows(2).position(is_marker).unwrap_or(bytes.len())
}
/// An Exif segment that says which way up, and nothing else: tag 0x0112, one SHORT, in a directory of one entry (CIPA DC-008).
fn upright_exif(orientation: Option<Orientation>) -> Vec<u8> {
    let Some(orientation) = orientation.filter(|one| *one != Orientation::NoTransforms) else { return Vec::new() };
    let mut segment = vec![0xff, 0xe1, 0, 34];
    segment.extend(b"Exif\0\0MM\0\x2a\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0");
    segment.push(orientation.to_exif());
    segment.extend([0; 6]);
    segment
}

/// The chunks of PNG that make the picture (W3C PNG, chapter 11), and those of WebP (its container specification).
const PNG_KEEPS: [&[u8]; 18] = [
    b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"gAMA", b"cHRM", b"sRGB", b"iCCP", b"cICP", b"sBIT", b"bKGD", b"hIST", b"pHYs", b"sPLT",
    b"acTL", b"fcTL", b"fdAT",
];
const WEBP_KEEPS: [&[u8]; 7] = [b"VP8 ", b"VP8L", b"VP8X", b"ALPH", b"ANIM", b"ANMF", b"ICCP"];

/// Chunks of PNG: texts, the time, Exif and whatever a maker adds go; with Exif which way up goes too, which cameras do not write into PNG.
fn plain_png(bytes: &[u8]) -> Vec<u8> {
    let mut plain = bytes.get(..8).unwrap_or_default().to_vec();
    let mut rest = bytes.get(8..).unwrap_or_default();
    while let Some((length, kind)) = rest.get(..4).and_then(|length| <[u8; 4]>::try_from(length).ok()).zip(rest.get(4..8)) {
        let Some(end) = usize::try_from(u32::from_be_bytes(length)).ok().and_then(|length| length.checked_add(12)) else { break };
        let Some(chunk) = rest.get(..end) else { break };
        if PNG_KEEPS.contains(&kind) {
            plain.extend(chunk);
        }
        if kind == b"IEND" {
            break;
        }
        rest = &rest[end..];
    }
    plain
}

/// Chunks of RIFF: Exif, XMP and whatever a maker adds go, and the flags of those two in the header with them.
fn plain_webp(bytes: &[u8]) -> Vec<u8> {
    let mut body = b"WEBP".to_vec();
    let mut rest = bytes.get(12..).unwrap_or_default();
    while let Some((kind, length)) = rest.get(..4).zip(rest.get(4..8).and_then(|length| <[u8; 4]>::try_from(length).ok())) {
        let length = u64::from(u32::from_le_bytes(length));
        let Ok(end) = usize::try_from(8 + length + length % 2) else { break };
        let Some(chunk) = rest.get(..end) else { break };
        let start = body.len();
        if WEBP_KEEPS.contains(&kind) {
            body.extend(chunk);
        }
        if kind == b"VP8X"
            && let Some(flags) = body.get_mut(start + 8)
        {
            *flags &= !0b0000_1100;
        }
        rest = &rest[end..];
    }
    let mut plain = b"RIFF".to_vec();
    plain.extend(u32::try_from(body.len()).unwrap_or(u32::MAX).to_le_bytes());
    plain.extend(body);
    plain
}

#[cfg(test)]
mod tests {
    use image::{ExtendedColorType, ImageEncoder, codecs::png::PngEncoder, codecs::webp::WebPEncoder};

    use super::*;

    /// A picture whose left half is red and whose right half is blue.
    fn halves(width: u32, height: u32) -> RgbImage {
        RgbImage::from_fn(width, height, |x, _| if x < width / 2 { Rgb([250, 10, 10]) } else { Rgb([10, 10, 250]) })
    }
    /// An Exif block with an orientation and a position in latitude and longitude, as a camera writes it.
    fn exif(orientation: u8) -> Vec<u8> {
        let mut block = b"MM\0\x2a\0\0\0\x08\0\x02".to_vec();
        block.extend([0x01, 0x12, 0, 3, 0, 0, 0, 1, 0, orientation, 0, 0]);
        block.extend([0x88, 0x25, 0, 4, 0, 0, 0, 1, 0, 0, 0, 38, 0, 0, 0, 0]);
        // The position: a directory with the latitude's reference, and its degrees.
        block.extend([0, 2, 0, 1, 0, 2, 0, 0, 0, 2, b'N', 0, 0, 0]);
        block.extend([0, 2, 0, 5, 0, 0, 0, 3, 0, 0, 0, 68, 0, 0, 0, 0]);
        block.extend([0, 0, 0, 47, 0, 0, 0, 1, 0, 0, 0, 22, 0, 0, 0, 1, 0, 0, 0, 9, 0, 0, 0, 1]);
        block
    }
    fn jpeg(picture: &RgbImage, orientation: u8) -> Vec<u8> {
        let mut bytes = Vec::new();
        let mut encoder = JpegEncoder::new_with_quality(&mut bytes, 95);
        encoder.set_exif_metadata(exif(orientation)).unwrap();
        encoder.encode_image(picture).unwrap();
        bytes.extend(b"behind the end: a film of where it was");
        bytes
    }
    fn has(bytes: &[u8], what: &[u8]) -> bool {
        bytes.windows(what.len()).any(|window| window == what)
    }
    const PLACE: &[u8] = &[0x88, 0x25, 0, 4];

    #[test]
    fn a_thumbnail_is_small_upright_and_says_nothing_about_the_place() {
        let photo = jpeg(&halves(1200, 600), 6);
        assert!(has(&photo, PLACE), "the photograph itself has a position");
        let small = thumbnail(MediaType::Jpeg, &photo).unwrap();
        assert_eq!((small.width, small.height), (180, 360));
        assert!(!has(&small.content, b"Exif") && !has(&small.content, &[0xff, 0xe1]), "no APP1");
        // Orientation 6: what was left comes to the top.
        let seen = image::load_from_memory(&small.content).unwrap().to_rgb8();
        let (top, bottom) = (seen.get_pixel(90, 40).0, seen.get_pixel(90, 320).0);
        assert!(top[0] > 200 && top[2] < 60, "{top:?}");
        assert!(bottom[2] > 200 && bottom[0] < 60, "{bottom:?}");
    }
    #[test]
    fn what_is_small_already_keeps_its_size_and_transparency_turns_white() {
        let mut bytes = Vec::new();
        PngEncoder::new(&mut bytes).write_image(&[0; 40 * 20 * 4], 40, 20, ExtendedColorType::Rgba8).unwrap();
        let small = thumbnail(MediaType::Png, &bytes).unwrap();
        assert_eq!((small.width, small.height), (40, 20));
        assert_eq!(image::load_from_memory(&small.content).unwrap().to_rgb8().get_pixel(5, 5).0, [255; 3]);
    }
    #[test]
    fn a_small_file_that_claims_to_be_enormous_is_refused_by_its_head() {
        let mut png = Vec::new();
        PngEncoder::new(&mut png).write_image(&[0; 3], 1, 1, ExtendedColorType::Rgb8).unwrap();
        // Width and height stand behind the signature; the checksum of the head follows from them.
        png[16..24].copy_from_slice(&[0, 0, 0xff, 0xff, 0, 0, 0xff, 0xff]);
        let checksum = crc(&png[12..29]);
        png[29..33].copy_from_slice(&checksum.to_be_bytes());
        assert_eq!(thumbnail(MediaType::Png, &png), Err(Unreadable::TooLarge));
        assert_eq!(megapixels(MediaType::Png, &png), Err(Unreadable::TooLarge));
        let mut large = jpeg(&halves(8, 8), 1);
        let head = large.windows(2).position(|pair| pair == [0xff, 0xc0]).unwrap();
        large[head + 5..head + 9].copy_from_slice(&[0xff, 0xff, 0xff, 0xff]);
        assert_eq!(thumbnail(MediaType::Jpeg, &large), Err(Unreadable::TooLarge));
    }
    fn crc(bytes: &[u8]) -> u32 {
        !bytes.iter().fold(u32::MAX, |sum, byte| {
            (0..8).fold(sum ^ u32::from(*byte), |sum, _| if sum & 1 == 1 { (sum >> 1) ^ 0xedb8_8320 } else { sum >> 1 })
        })
    }
    #[test]
    fn what_is_no_picture_is_said() {
        for bytes in [&b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01\x01"[..], b"\xff\xd8\xff", b""] {
            assert_eq!(thumbnail(MediaType::Jpeg, bytes), Err(Unreadable::Damaged));
        }
        assert_eq!(thumbnail(MediaType::Webp, b"RIFF\x24\x00\x00\x00WEBPVP8 "), Err(Unreadable::Damaged));
    }
    #[test]
    fn a_plain_copy_has_the_same_pixels_and_way_up_and_nothing_else() {
        let photo = jpeg(&halves(64, 32), 6);
        let plain = without_metadata(MediaType::Jpeg, &photo);
        assert!(!has(&plain, PLACE) && !has(&plain, b"where it was"));
        let seen = |bytes: &[u8]| {
            let mut decoder = decoder(MediaType::Jpeg, bytes).unwrap();
            (decoder.orientation().unwrap(), DynamicImage::from_decoder(decoder).unwrap())
        };
        assert_eq!(seen(&plain), seen(&photo));
        assert_eq!(seen(&plain).0, Orientation::Rotate90);
        assert_eq!(without_metadata(MediaType::Jpeg, &plain), plain, "a second time changes nothing");
    }
    #[test]
    fn png_and_webp_lose_what_was_written_into_them() {
        let picture = halves(16, 8);
        let (mut png, mut webp) = (Vec::new(), Vec::new());
        let mut encoder = PngEncoder::new(&mut png);
        encoder.set_exif_metadata(exif(1)).unwrap();
        encoder.write_image(&picture, 16, 8, ExtendedColorType::Rgb8).unwrap();
        let mut encoder = WebPEncoder::new_lossless(&mut webp);
        encoder.set_exif_metadata(exif(1)).unwrap();
        encoder.encode(&picture, 16, 8, ExtendedColorType::Rgb8).unwrap();
        for (kind, bytes) in [(MediaType::Png, png), (MediaType::Webp, webp)] {
            assert!(has(&bytes, PLACE), "{kind}");
            let plain = without_metadata(kind, &bytes);
            assert!(!has(&plain, PLACE), "{kind}");
            assert_eq!(image::load_from_memory(&plain).unwrap().to_rgb8(), picture, "{kind}");
        }
    }
}
