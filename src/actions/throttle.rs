//! Repeated failures slow down: each further one doubles the wait before the next try, up to a quarter of an hour, for what is guessed at and
//! for where the guesses come from. Nobody is locked out for good, and whoever is signed in already notices nothing.
use sha2::{Digest, Sha256};
use time::Duration;

use super::App;
use crate::{
    error::{Error, Result},
    store::throttle as store,
};

/// The longest wait.
const LONGEST: i64 = 15 * 60;
/// After this long without a try everything is forgotten.
const FORGOTTEN: Duration = Duration::hours(24);

/// What is slowed down.
#[derive(Clone, Copy, Debug)]
pub enum Guess<'a> {
    /// The password of an e-mail address, whether it has an account or not.
    Account(&'a str),
    /// Anything that comes from an address. Several people may share one, so it waits only after more failures.
    Address(&'a str),
    /// The code of a person's second factor.
    Code(&'a str),
    /// The password that a person who is signed in gives again.
    Again(&'a str),
    /// A letter asked for to an e-mail address.
    Letter(&'a str),
}

impl Guess<'_> {
    /// How many failures in a row are let pass: people mistype.
    const fn free(self) -> i64 {
        match self {
            Self::Account(_) | Self::Code(_) | Self::Again(_) | Self::Letter(_) => 2,
            Self::Address(_) => 20,
        }
    }
    /// A hash: what people type as their address may be anything, and is nobody else's business.
    fn key(self) -> Option<Vec<u8>> {
        let (kind, text) = match self {
            Self::Account(text) => ("account", text),
            Self::Address(text) => ("address", text),
            Self::Code(text) => ("code", text),
            Self::Again(text) => ("again", text),
            Self::Letter(text) => ("letter", text),
        };
        (!text.is_empty()).then(|| Sha256::digest(format!("{kind} {text}")).to_vec())
    }
}

/// How long the next try waits after so many failures, of which some are free: 1 s, 2 s, 4 s … 15 min.
#[must_use]
pub fn wait(failures: i64, free: i64) -> Duration {
    match failures - free {
        ..=0 => Duration::ZERO,
        beyond => {
            let doubled = u32::try_from(beyond - 1).ok().and_then(|times| 2_i64.checked_pow(times));
            Duration::seconds(doubled.map_or(LONGEST, |wait| wait.min(LONGEST)))
        }
    }
}

/// Counts a try before it is judged, so that many at once gain nothing. [`succeeded`] takes it back.
///
/// # Errors
/// [`Error::TooOften`] with the wait, where one of the guesses has to wait; then nothing is counted.
pub async fn attempt(app: &App, guesses: &[Guess<'_>]) -> Result<()> {
    let now = app.clock.now();
    let mut tx = app.store.write().await?;
    store::forget_before(&mut tx, now - FORGOTTEN).await?;
    let mut held = Vec::new();
    let mut longest = Duration::ZERO;
    for guess in guesses {
        let Some(key) = guess.key() else { continue };
        let known = store::hold(&mut tx, &key, now).await?;
        // Noted by a clock that was set back since: how long that one would have it wait is no measure.
        if known.last_at.0 - now <= Duration::seconds(LONGEST) {
            longest = longest.max(known.blocked_until.0 - now);
        }
        held.push((key, known.failures + 1, guess.free()));
    }
    if longest > Duration::ZERO {
        return Err(too_often(longest));
    }
    for (key, failures, free) in held {
        store::note(&mut tx, &key, failures, now + wait(failures, free), now).await?;
    }
    tx.commit().await
}
fn too_often(wait: Duration) -> Error {
    let seconds = wait.whole_seconds() + i64::from(wait.subsec_nanoseconds() > 0);
    Error::TooOften(u64::try_from(seconds).unwrap_or(1).max(1))
}

/// The try was right: what was guessed at is forgotten; where it came from only gets back this one, or whoever has one account could guess at others.
///
/// # Errors
/// Where the database refuses.
pub async fn succeeded(app: &App, guesses: &[Guess<'_>]) -> Result<()> {
    let mut tx = app.store.write().await?;
    for guess in guesses {
        match (guess, guess.key()) {
            (Guess::Address(_), Some(key)) => store::take_back(&mut tx, &key).await?,
            (_, Some(key)) => store::forget(&mut tx, &key).await?,
            (_, None) => {}
        }
    }
    tx.commit().await
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_failure_doubles_the_wait_up_to_a_quarter_of_an_hour() {
        let waits: Vec<_> = (0..=14).map(|failures| wait(failures, 2).whole_seconds()).collect();
        assert_eq!(waits, [0, 0, 0, 1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 900, 900]);
        for many in [40, 64, 65, 66, 100, i64::MAX] {
            assert_eq!(wait(many, 2).whole_seconds(), 900, "{many}");
        }
    }
}
