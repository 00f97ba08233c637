//! Photographs for tests, made here: with a position as a camera writes it, lying on their side, or claiming to be enormous.
use image::{ImageEncoder, Rgb, RgbImage, codecs::jpeg::JpegEncoder};

/// A whole picture of two pixels, as PNG; written by hand from the specification (W3C PNG, chunks 11.2).
pub const PHOTO: &[u8] = b"\x89\x50\x4e\x47\x0d\x0a\x1a\x0a\x00\x00\x00\x0d\x49\x48\x44\x52\x00\x00\x00\x02\x00\x00\x00\x01\x08\x02\x00\x00\x00\x7b\x40\xe8\xdd\x00\x00\x00\x0d\x49\x44\x41\x54\x78\x9c\x63\xf8\xcf\x00\x04\xff\x01\x07\x00\x01\xff\xe2\x23\x9e\x59\x00\x00\x00\x00\x49\x45\x4e\x44\xae\x42\x60\x82";

/// The tag that points to a position (CIPA DC-008, GPS IFD), as it stands in the directory.
const PLACE: &[u8] = &[0x88, 0x25, 0, 4, 0, 0, 0, 1];

/// Whether a file has a position in it.
pub fn has_place(bytes: &[u8]) -> bool {
    bytes.windows(PLACE.len()).any(|window| window == PLACE)
}

/// A JPEG, its left half red and its right half blue, with an orientation and a position.
pub fn jpeg(width: u32, height: u32, orientation: u8) -> Vec<u8> {
    let picture = RgbImage::from_fn(width, height, |x, _| if x < width / 2 { Rgb([250, 10, 10]) } else { Rgb([10, 10, 250]) });
    let mut exif = b"MM\0\x2a\0\0\0\x08\0\x02".to_vec();
    exif.extend([0x01, 0x12, 0, 3, 0, 0, 0, 1, 0, orientation, 0, 0]);
    exif.extend(PLACE);
    exif.extend([0, 0, 0, 38, 0, 0, 0, 0]);
    // The position itself: 47 degrees north.
    exif.extend([0, 2, 0, 1, 0, 2, 0, 0, 0, 2, b'N', 0, 0, 0, 0, 2, 0, 5, 0, 0, 0, 1, 0, 0, 0, 68, 0, 0, 0, 0, 0, 0, 0, 47, 0, 0, 0, 1]);
    let mut bytes = Vec::new();
    let mut encoder = JpegEncoder::new_with_quality(&mut bytes, 90);
    encoder.set_exif_metadata(exif).unwrap();
    encoder.encode_image(&picture).unwrap();
    bytes
}

/// A JPEG with a comment behind its beginning.
pub fn with_comment(jpeg: &[u8], comment: &[u8]) -> Vec<u8> {
    let length = u16::try_from(comment.len() + 2).unwrap().to_be_bytes();
    [&jpeg[..2], &[0xff, 0xfe], &length, comment, &jpeg[2..]].concat()
}

/// A small PNG whose head claims 65,535 by 65,535 pixels.
pub fn enormous_png() -> Vec<u8> {
    let mut png = PHOTO.to_vec();
    png[16..24].copy_from_slice(&[0, 0, 0xff, 0xff, 0, 0, 0xff, 0xff]);
    let shift = |sum: u32| if sum & 1 == 1 { (sum >> 1) ^ 0xedb8_8320 } else { sum >> 1 };
    let sum = png[12..29].iter().fold(u32::MAX, |sum, byte| (0..8).fold(sum ^ u32::from(*byte), |sum, _| shift(sum)));
    png[29..33].copy_from_slice(&(!sum).to_be_bytes());
    png
}
/// A small JPEG whose frame claims 65,535 by 65,535 pixels.
pub fn enormous_jpeg() -> Vec<u8> {
    let mut jpeg = jpeg(16, 16, 1);
    let frame = jpeg.windows(2).position(|pair| pair == [0xff, 0xc0]).unwrap();
    jpeg[frame + 5..frame + 9].copy_from_slice(&[0xff; 4]);
    jpeg
}
