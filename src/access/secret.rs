//! Secrets handed out once and stored as hashes: API tokens, session cookies.
use base64::{Engine, engine::general_purpose::URL_SAFE_NO_PAD};
use rand::Rng;
use sha2::{Digest, Sha256};

/// What an API token starts with, so that a leaked one is recognised.
pub const TOKEN_PREFIX: &str = "wmk_";

/// A new secret of 256 random bits behind a prefix.
#[must_use]
pub fn new(prefix: &str) -> String {
    let mut bytes = [0_u8; 32];
    rand::rng().fill_bytes(&mut bytes);
    format!("{prefix}{}", URL_SAFE_NO_PAD.encode(bytes))
}

/// What is stored of a secret. It has 256 random bits, so a plain hash cannot be guessed backwards.
#[must_use]
pub fn hash(secret: &str) -> Vec<u8> {
    Sha256::digest(secret.as_bytes()).to_vec()
}
