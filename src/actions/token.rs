//! API tokens: make, list, revoke; and the few seconds for which a token that was looked up is kept in memory.
use std::{
    collections::HashMap,
    sync::{
        Arc, RwLock,
        atomic::{AtomicU64, Ordering},
    },
};

use time::{Duration, OffsetDateTime};

use super::{Subject, Work};
use crate::{
    access::secret,
    domain::{
        id::Id,
        validate::Problem,
        words::TokenScope,
        workshop::{NewToken, Person, Token, TokenRotation, Workshop},
    },
    error::{Error, Result},
    store::{
        self as stores, Stretch,
        token::{self as store, Maker},
    },
};

/// How long a token that was looked up is good for: another server may have revoked it meanwhile.
const GOOD_FOR: Duration = Duration::seconds(5);

/// A token that was looked up a moment ago.
#[derive(Debug)]
pub struct KeptToken {
    /// Its workshop.
    pub workshop: Id<Workshop>,
    /// The token.
    pub token: Token,
    /// The workshop's time zone: decides the day on which it expires.
    pub time_zone: String,
    /// When it was looked up.
    pub at: OffsetDateTime,
}

/// Tokens that were looked up in the last seconds, by the hash of their secret.
#[derive(Debug, Default)]
pub struct KeptTokens {
    all: RwLock<HashMap<Vec<u8>, Arc<KeptToken>>>,
    /// Counts how often all were forgotten: what was looked up before must not be kept after it.
    forgotten: AtomicU64,
}

impl KeptTokens {
    /// The token, if it was looked up recently.
    #[must_use]
    pub fn get(&self, hash: &[u8], now: OffsetDateTime) -> Option<Arc<KeptToken>> {
        // Not one from later either: the clock was set back.
        self.all.read().ok()?.get(hash).filter(|kept| (Duration::ZERO..GOOD_FOR).contains(&(now - kept.at))).cloned()
    }
    /// How often all were forgotten, to be asked before a token is looked up.
    #[must_use]
    pub fn forgotten(&self) -> u64 {
        self.forgotten.load(Ordering::SeqCst)
    }
    /// Keeps a token, unless all were forgotten since it was looked up.
    pub fn keep(&self, hash: Vec<u8>, token: KeptToken, forgotten: u64) -> Arc<KeptToken> {
        let token = Arc::new(token);
        if let Ok(mut all) = self.all.write()
            && self.forgotten() == forgotten
        {
            if all.len() > 10_000 {
                all.clear();
            }
            all.insert(hash, Arc::clone(&token));
        }
        token
    }
    /// Forgets all: something was revoked.
    pub fn forget(&self) {
        if let Ok(mut all) = self.all.write() {
            self.forgotten.fetch_add(1, Ordering::SeqCst);
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
    let problems = wrong_bounds(work, &new).await?;
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let token = Token::from_new(work.new_id(), new, None, None, work.now);
    let plain = secret::new(secret::TOKEN_PREFIX);
    let (workshop, by) = (work.workshop_id(), maker(work).await?);
    store::insert(&mut work.tx, workshop, &token, &secret::hash(&plain), &by).await?;
    work.audit("make", Subject::new("token", token.id), None, Some(&token)).await?;
    Ok((token, plain))
}

/// Who makes a token: for one that a script makes, whoever answers for that script's token does.
async fn maker(work: &mut Work) -> Result<Maker> {
    let workshop = work.workshop_id();
    let person = match (work.caller.person_id(), work.caller.token_id()) {
        (None, Some(token)) => store::answers_for(&mut work.tx, workshop, token).await?,
        (person, _) => person,
    };
    Ok(Maker { name: work.caller.name(), person })
}

/// What is wrong with what a token is bound to.
async fn wrong_bounds(work: &mut Work, new: &NewToken) -> Result<Vec<Problem>> {
    let workshop = work.workshop_id();
    let mut problems = Vec::new();
    if let Some(owner) = new.owner_id
        && stores::owner::find(&mut work.tx, workshop, owner).await?.is_none()
    {
        problems.push(Problem::new("/owner_id", "is not the id of an owner here; look it up in /owners"));
    }
    if let Some(bike) = new.motorcycle_id
        && stores::motorcycle::find(&mut work.tx, workshop, bike).await?.is_none()
    {
        problems.push(Problem::new("/motorcycle_id", "is not the id of a motorcycle here; look it up in /motorcycles"));
    }
    if new.owner_id.is_some() && new.motorcycle_id.is_some() {
        problems.push(Problem::new("/motorcycle_id", "A token is bound to one owner or to one motorcycle, not to both; leave one out."));
    }
    if (new.owner_id.is_some() || new.motorcycle_id.is_some()) && new.scopes.contains(&TokenScope::Admin) {
        problems
            .push(Problem::new("/scopes", "The scope admin is about the whole workshop; a token that sees a part of it cannot have it."));
    }
    Ok(problems)
}

/// Makes a token that takes the place of another: the same rights under a new secret. The old secret works on for a while, so that every
/// script can be told the new one without a gap.
///
/// # Errors
/// 409 where it was rotated before; 422 for an overlap of less than nothing or more than 30 days.
pub async fn rotate(work: &mut Work, old: &Token, rotation: &TokenRotation) -> Result<(Token, String)> {
    if !(0..=720).contains(&rotation.overlap_hours) {
        return Err(Error::invalid("/overlap_hours", "The old secret works on for 0 to 720 hours (30 days)."));
    }
    if old.ends_at.is_some() {
        return Err(Error::conflict("This token was rotated before; rotate the one that took its place.", [old.id.uuid()]));
    }
    let new = Token::from_new(work.new_id(), old.details(), None, None, work.now);
    let ended = Token { ends_at: Some(work.now + Duration::hours(rotation.overlap_hours)), ..old.clone() };
    let plain = secret::new(secret::TOKEN_PREFIX);
    let (workshop, by, now) = (work.workshop_id(), maker(work).await?, work.now);
    store::insert(&mut work.tx, workshop, &new, &secret::hash(&plain), &by).await?;
    store::end(&mut work.tx, workshop, &ended, now).await?;
    work.audit("rotate", Subject::new("token", old.id), Some(old), Some(&ended)).await?;
    work.audit("make", Subject::new("token", new.id), None, Some(&new)).await?;
    Ok((new, plain))
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

/// Revokes a token, with the calendar addresses that it made: it stops working at once here, on other servers of the same database within five seconds.
///
/// # Errors
/// Where the database refuses.
pub async fn revoke(work: &mut Work, token: &Token) -> Result<()> {
    let (workshop, now) = (work.workshop_id(), work.now);
    store::revoke(&mut work.tx, workshop, token.id, now).await?;
    stores::calendar::revoke_made_by(&mut work.tx, workshop, token.id.uuid(), now).await?;
    work.audit("revoke", Subject::new("token", token.id), Some(token), None).await
}

/// Revokes every token that a person answers for: whoever leaves keeps no way in. Gives the ids of all that they ever had here.
///
/// # Errors
/// Where the database refuses.
pub async fn revoke_made_by(work: &mut Work, person: Id<Person>) -> Result<Vec<Id<Token>>> {
    let workshop = work.workshop_id();
    let made = store::made_by(&mut work.tx, workshop, person).await?;
    for (id, in_use) in &made {
        if *in_use && let Some(token) = store::find(&mut work.tx, workshop, *id).await? {
            revoke(work, &token).await?;
            work.forgets = true;
        }
    }
    Ok(made.into_iter().map(|made| made.0).collect())
}

#[cfg(test)]
mod tests {
    use time::macros::datetime;
    use uuid::Uuid;

    use super::*;

    #[test]
    fn a_token_is_kept_for_five_seconds_that_pass_and_not_past_a_revocation() {
        let (now, kept) = (datetime!(2026-05-02 09:00 UTC), KeptTokens::default());
        let new =
            NewToken { name: "A script".into(), scopes: vec![TokenScope::Read], expires_on: None, owner_id: None, motorcycle_id: None };
        let token = || KeptToken {
            workshop: Id::new(Uuid::nil()),
            token: Token::from_new(Id::new(Uuid::nil()), new.clone(), None, None, now),
            time_zone: "UTC".into(),
            at: now,
        };
        let is_kept = |seconds| kept.get(b"hash", now + Duration::seconds(seconds)).is_some();
        kept.keep(b"hash".to_vec(), token(), kept.forgotten());
        assert_eq!([-1, 0, 4, 5].map(is_kept), [false, true, true, false], "a clock that was set back keeps nothing alive");
        let before = kept.forgotten();
        kept.forget();
        kept.keep(b"hash".to_vec(), token(), before);
        assert!(!is_kept(0), "it was looked up before something was revoked");
    }
}
