//! Passwords: argon2id with the crate's defaults (RFC 9106's second recommended choice is stronger in memory than OWASP's minimum).
use argon2::{
    Argon2,
    password_hash::{PasswordHasher, PasswordVerifier, phc::PasswordHash},
};
use tokio::sync::Semaphore;

use super::common::why_common;
use crate::error::{Error, Result};

/// The least length of a password.
pub const LEAST: usize = 12;

/// Whether a password is long enough.
///
/// # Errors
/// A sentence that says how long it must be.
pub fn check_length(password: &str) -> std::result::Result<(), String> {
    match password.chars().count() {
        count if count < LEAST => {
            Err(format!("The password has {count} characters; use at least {LEAST}. A few words are easy to keep in mind."))
        }
        count if count > 1000 => Err("The password is longer than 1,000 characters; use a shorter one.".into()),
        _ => Ok(()),
    }
}

/// Whether a password may be chosen: long enough, and none of the common ones. `known` is what anybody knows about its owner.
///
/// # Errors
/// A sentence that says why not, and what to do.
pub fn check(password: &str, known: &[&str]) -> std::result::Result<(), String> {
    check_length(password)?;
    why_common(password, known).map_or(Ok(()), |why| Err(why.into()))
}

/// So many passwords are worked on at once: each takes 19 MiB, so a crowd at the door must not fill the memory.
static ROOM: Semaphore = Semaphore::const_new(8);

/// The hash to store, with its salt and parameters. Takes a tenth of a second on purpose, so it runs beside the other requests.
pub async fn hash(password: String) -> Result<String> {
    let _room = ROOM.acquire().await.map_err(Error::internal)?;
    tokio::task::spawn_blocking(move || Argon2::default().hash_password(password.as_bytes()).map(|hash| hash.to_string()))
        .await
        .map_err(Error::internal)?
        .map_err(Error::internal)
}

/// Whether a password is the one of a hash. Without a hash (no such account) it takes as long and says no.
pub async fn verify(password: String, hash: Option<String>) -> Result<bool> {
    const NOBODY: &str = "$argon2id$v=19$m=19456,t=2,p=1$c29tZXNhbHRzb21lc2FsdA$q6ZnZ0m3mTjzd6K3a2C0gk3N0aV2b7kUj8x8XlFq4bE";
    let _room = ROOM.acquire().await.map_err(Error::internal)?;
    tokio::task::spawn_blocking(move || {
        let known = hash.is_some();
        let text = hash.unwrap_or_else(|| NOBODY.into());
        let right = PasswordHash::new(&text).is_ok_and(|hash| Argon2::default().verify_password(password.as_bytes(), &hash).is_ok());
        right && known
    })
    .await
    .map_err(Error::internal)
}
