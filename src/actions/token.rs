//! API tokens: make, list, revoke; and the few seconds for which a token that was looked up is kept in memory.
use std::{
    collections::HashMap,
    sync::{Arc, RwLock},
};

use time::OffsetDateTime;

use super::{Subject, Work};
use crate::{
    access::secret,
    domain::{
        id::Id,
        workshop::{NewToken, Token, Workshop},
    },
    error::{Error, Result},
    store::{Stretch, token as store},
};

/// A token that was looked up a moment ago.
#[derive(Debug)]
pub struct KeptToken {
    /// Its workshop.
    pub workshop: Id<Workshop>,
    /// The token.
    pub token: Token,
    /// The workshop's time zone: decides the day on which it expires.
    pub time_zone: String,
    /// When it is looked up again: another server may have revoked it.
    pub until: OffsetDateTime,
}

/// Tokens that were looked up in the last seconds, by the hash of their secret.
#[derive(Debug, Default)]
pub struct KeptTokens(RwLock<HashMap<Vec<u8>, Arc<KeptToken>>>);

impl KeptTokens {
    /// The token, if it was looked up recently.
    #[must_use]
    pub fn get(&self, hash: &[u8], now: OffsetDateTime) -> Option<Arc<KeptToken>> {
        self.0.read().ok()?.get(hash).filter(|kept| kept.until > now).cloned()
    }
    /// Keeps a token.
    pub fn keep(&self, hash: Vec<u8>, token: KeptToken) -> Arc<KeptToken> {
        let token = Arc::new(token);
        if let Ok(mut all) = self.0.write() {
            if all.len() > 10_000 {
                all.clear();
            }
            all.insert(hash, Arc::clone(&token));
        }
        token
    }
    /// Forgets all: something was revoked.
    pub fn forget(&self) {
        if let Ok(mut all) = self.0.write() {
            all.clear();
        }
    }
}

/// Makes a token; the second value is its secret, which is not kept anywhere.
///
/// # Errors
/// 422 with what is wrong where.
pub async fn make(work: &mut Work, new: NewToken) -> Result<(Token, String)> {
    if new.name.trim().is_empty() {
        return Err(Error::invalid("/name", "Say what the token is for."));
    }
    if new.expires_on.is_some_and(|last| last < work.today) {
        return Err(Error::invalid("/expires_on", "This day is over; give today or a later one, or none."));
    }
    let token = Token::from_new(work.new_id(), new, None, None, work.now);
    let plain = secret::new(secret::TOKEN_PREFIX);
    let (workshop, by) = (work.workshop_id(), work.caller.name());
    store::insert(&mut work.tx, workshop, &token, &secret::hash(&plain), &by).await?;
    work.audit("make", Subject::new("token", token.id), None, Some(&token)).await?;
    Ok((token, plain))
}

/// The token of an id.
///
/// # Errors
/// 404 where there is none in use.
pub async fn get(work: &mut Work, id: Id<Token>) -> Result<Token> {
    let workshop = work.workshop_id();
    store::find(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("token"))
}

/// Tokens in use, oldest first.
///
/// # Errors
/// Where the database refuses.
pub async fn list(work: &mut Work, stretch: Stretch<Id<Token>>) -> Result<Vec<Token>> {
    let workshop = work.workshop_id();
    store::list(&mut work.tx, workshop, stretch).await
}

/// Revokes a token: it stops working at once here, on other servers of the same database within five seconds.
///
/// # Errors
/// Where the database refuses.
pub async fn revoke(work: &mut Work, token: &Token) -> Result<()> {
    let (workshop, now) = (work.workshop_id(), work.now);
    store::revoke(&mut work.tx, workshop, token.id, now).await?;
    work.audit("revoke", Subject::new("token", token.id), Some(token), None).await
}
