//! The second factor: codes that change every thirty seconds (TOTP, RFC 6238, on HOTP, RFC 4226), with HMAC-SHA-1 and six digits, which is
//! what every authenticator takes.
use std::fmt::Write;

use hmac::{Hmac, KeyInit, Mac};
use rand::Rng;
use sha1::Sha1;

/// How long a code holds, in seconds.
pub const STEP: u64 = 30;
/// How many digits a code has.
pub const DIGITS: u32 = 6;
/// How many steps a clock may be off, either way.
pub const SKEW: u64 = 1;

/// Base 32 (RFC 4648): also what people type well, without 0, 1, 8 and 9.
const LETTERS: &[u8; 32] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZ234567";

/// A new secret of 160 bits, as RFC 4226 recommends.
#[must_use]
pub fn new_secret() -> Vec<u8> {
    let mut bytes = [0_u8; 20];
    rand::rng().fill_bytes(&mut bytes);
    bytes.to_vec()
}

/// Bytes in base 32 without padding.
#[must_use]
pub fn base32(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(bytes.len().div_ceil(5) * 8);
    let (mut held, mut bits) = (0_u32, 0);
    for byte in bytes {
        held = held << 8 | u32::from(*byte);
        bits += 8;
        while bits >= 5 {
            bits -= 5;
            text.push(letter(held >> bits));
        }
    }
    if bits > 0 {
        text.push(letter(held << (5 - bits)));
    }
    text
}
fn letter(five_bits: u32) -> char {
    char::from(LETTERS[(five_bits & 31) as usize])
}

/// The code of a counter with this many digits (RFC 4226, 5.3).
#[must_use]
pub fn code(secret: &[u8], counter: u64, digits: u32) -> String {
    // A key of any length is taken, so the error cannot occur; an empty code fits nothing.
    let Ok(mut mac) = Hmac::<Sha1>::new_from_slice(secret) else { return String::new() };
    mac.update(&counter.to_be_bytes());
    let hash = mac.finalize().into_bytes();
    let at = usize::from(hash[19] & 15);
    let word = u32::from_be_bytes([hash[at] & 127, hash[at + 1], hash[at + 2], hash[at + 3]]);
    let width = digits as usize;
    format!("{:0width$}", word % 10_u32.pow(digits))
}

/// The step that a second since 1970 lies in.
#[must_use]
pub fn step(second: i64) -> u64 {
    u64::try_from(second).unwrap_or(0) / STEP
}

/// The step whose code this is, if it is one of now or of a step beside it and later than `last`, the step of the last code that was taken:
/// a code that was seen over a shoulder is good for nothing any more.
#[must_use]
pub fn step_of(secret: &[u8], typed: &str, second: i64, last: u64) -> Option<u64> {
    let typed: String = typed.chars().filter(|letter| !letter.is_whitespace()).collect();
    let now = step(second);
    // All are computed, and each is compared to its end, so that the time taken says nothing.
    let fitting: Vec<_> = (now.saturating_sub(SKEW)..=now + SKEW).filter(|step| same(&code(secret, *step, DIGITS), &typed)).collect();
    fitting.into_iter().find(|step| *step > last)
}
fn same(left: &str, right: &str) -> bool {
    left.len() == right.len() && left.bytes().zip(right.bytes()).fold(0, |differs, (left, right)| differs | (left ^ right)) == 0
}

/// The address that an authenticator reads from the picture.
#[must_use]
pub fn address(secret: &[u8], email: &str) -> String {
    let label: String = email.bytes().fold(String::new(), |mut text, byte| {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            text.push(char::from(byte));
        } else {
            let _ = write!(text, "%{byte:02X}");
        }
        text
    });
    format!("otpauth://totp/Witnessmark:{label}?secret={}&issuer=Witnessmark&algorithm=SHA1&digits={DIGITS}&period={STEP}", base32(secret))
}

/// A recovery code: 160 random bits, so that a plain hash of it cannot be guessed backwards.
#[must_use]
pub fn new_recovery_code() -> String {
    let mut bytes = [0_u8; 20];
    rand::rng().fill_bytes(&mut bytes);
    let text = base32(&bytes).to_lowercase();
    let groups: Vec<_> = text.as_bytes().chunks(4).map(String::from_utf8_lossy).collect();
    groups.join("-")
}
/// A recovery code as it is hashed, however it was typed: without the dashes, in lower case.
#[must_use]
pub fn plain_recovery_code(typed: &str) -> String {
    typed.chars().filter(char::is_ascii_alphanumeric).collect::<String>().to_lowercase()
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECRET: &[u8] = b"12345678901234567890";

    #[test]
    fn base32_is_as_the_rfc_shows_it() {
        // RFC 4648, 10, without the padding.
        for (bytes, text) in
            [("", ""), ("f", "MY"), ("fo", "MZXQ"), ("foo", "MZXW6"), ("foob", "MZXW6YQ"), ("fooba", "MZXW6YTB"), ("foobar", "MZXW6YTBOI")]
        {
            assert_eq!(base32(bytes.as_bytes()), text);
        }
    }
    #[test]
    fn a_clock_may_be_one_step_off_and_no_more() {
        for (second, good) in [(1000 - 60, false), (1000 - 30, true), (1000, true), (1000 + 30, true), (1000 + 60, false)] {
            let typed = code(SECRET, step(1000), DIGITS);
            assert_eq!(step_of(SECRET, &typed, second, 0).is_some(), good, "{second}");
        }
    }
    #[test]
    fn a_code_is_taken_once_and_none_before_it_any_more() {
        let now = step(1000);
        let typed = code(SECRET, now, DIGITS);
        assert_eq!(step_of(SECRET, &typed, 1000, now - 1), Some(now));
        assert_eq!(step_of(SECRET, &typed, 1000, now), None);
        assert_eq!(step_of(SECRET, &code(SECRET, now - 1, DIGITS), 1000, now), None);
    }
    #[test]
    fn spaces_are_let_pass_and_anything_else_is_no_code() {
        let typed = code(SECRET, step(1000), DIGITS);
        let (left, right) = typed.split_at(3);
        assert!(step_of(SECRET, &format!(" {left} {right} "), 1000, 0).is_some());
        for wrong in ["", "12345", &format!("{typed}0"), "abcdef", "١٢٣٤٥٦"] {
            assert_eq!(step_of(SECRET, wrong, 1000, 0), None, "{wrong}");
        }
    }
    #[test]
    fn an_address_holds_no_character_that_would_end_it() {
        let text = address(SECRET, "a&b?c@example.org");
        assert!(text.starts_with("otpauth://totp/Witnessmark:a%26b%3Fc%40example.org?secret=GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ&"), "{text}");
    }
    #[test]
    fn recovery_codes_are_read_as_people_type_them() {
        let code = new_recovery_code();
        assert_eq!(code.len(), 39);
        assert_ne!(code, new_recovery_code());
        let typed = code.to_uppercase().replace('-', " ");
        assert_eq!(plain_recovery_code(&typed), plain_recovery_code(&code));
        assert_eq!(plain_recovery_code(&code).len(), 32);
    }
}
