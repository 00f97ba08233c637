//! Signing in: the password, then the second factor where there is one. Each time the session has a fresh secret, so one that was put into
//! the browser beforehand is good for nothing.
use super::{
    App, person,
    throttle::{self, Guess},
};
use crate::{
    access::{password, secret, totp, whence::Whence},
    domain::{
        id::Id,
        workshop::{Person, Workshop},
    },
    error::{Error, Result},
    store::{
        Tx,
        account::{self, Account},
        second_factor,
        session::{self, NewSession},
    },
};
use time::Duration;

/// How long a session lasts, however much it is used.
pub const SESSION: Duration = Duration::days(30);
/// How long the code of the second factor may take.
pub const STEP: Duration = Duration::minutes(10);

const WRONG: Error = Error::Unauthenticated("This e-mail address and password do not belong together; try again.");
const STEP_OVER: Error = Error::Unauthenticated("This took too long; sign in again with your password.");

/// How far signing in has come.
#[derive(Debug)]
pub enum SignedIn {
    /// All the way; the secret for the session's cookie.
    Session(String),
    /// Half way: the code of the second factor is to come; the secret for the cookie of this step.
    Half(String),
}

/// Signs a person in. The answer for a wrong password and for no such account is the same, and takes as long.
///
/// # Errors
/// 401 where e-mail address and password do not belong together, 429 after many failures.
pub async fn sign_in(app: &App, whence: &Whence, email: &str, password: String) -> Result<SignedIn> {
    let email = email.trim().to_lowercase();
    let guesses = [Guess::Account(&email), Guess::Address(&whence.address)];
    throttle::attempt(app, &guesses).await?;
    let (account, workshops) = look_up(app, &email).await?;
    let right = password::verify(password, account.as_ref().map(|account| account.password_hash.clone())).await?;
    let (Some(account), true, Some(workshop)) = (account, right, workshops.first()) else {
        tracing::info!(address = %whence.address, "a sign-in failed");
        return Err(WRONG);
    };
    throttle::succeeded(app, &guesses).await?;
    let mut tx = app.store.write().await?;
    let signed_in = go_on(app, &mut tx, whence, account.person_id, *workshop, None).await?;
    tx.commit().await?;
    Ok(signed_in)
}

/// The account of an e-mail address and the workshops that it may open.
///
/// # Errors
/// Where the database refuses.
pub async fn look_up(app: &App, email: &str) -> Result<(Option<Account>, Vec<Id<Workshop>>)> {
    let mut tx = app.store.read().await?;
    let account = account::find_by_email(&mut tx, email).await?;
    // Asked for nobody too, so that both ways take as long.
    let person = account.as_ref().map_or_else(|| Id::new(uuid::Uuid::nil()), |account| account.person_id);
    let workshops = account::workshops_of(&mut tx, person).await?;
    Ok((account, workshops))
}

/// What comes after a right password: the second factor where there is one, else the session. An invitation, by the hash of its secret, is
/// accepted with it.
///
/// # Errors
/// Where the database refuses.
pub(super) async fn go_on(
    app: &App,
    tx: &mut Tx,
    whence: &Whence,
    person: Id<Person>,
    workshop: Id<Workshop>,
    invitation: Option<Vec<u8>>,
) -> Result<SignedIn> {
    let factor = second_factor::find(tx, person).await?;
    if factor.is_some_and(|factor| factor.confirmed_at.is_some()) {
        let (plain, now) = (secret::new(""), app.clock.now());
        let step = second_factor::Step { person_id: person, invitation_hash: invitation };
        second_factor::insert_step(tx, &secret::hash(&plain), &step, now, now + STEP).await?;
        return Ok(SignedIn::Half(plain));
    }
    let workshop = match invitation {
        Some(hash) => person::join(app, tx, &hash, person).await?,
        None => workshop,
    };
    begin(app, tx, whence, person, workshop).await.map(SignedIn::Session)
}

/// Begins a session; gives the secret for its cookie.
///
/// # Errors
/// Where the database refuses.
pub(super) async fn begin(app: &App, tx: &mut Tx, whence: &Whence, person: Id<Person>, workshop: Id<Workshop>) -> Result<String> {
    let (plain, now) = (secret::new(""), app.clock.now());
    let hash = secret::hash(&plain);
    let new = NewSession { id: app.clock.new_id(), hash: &hash, person, workshop, whence, now, until: now + SESSION };
    session::insert(tx, &new).await?;
    tracing::info!(%person, address = %whence.address, "signed in");
    Ok(plain)
}

/// The second step: a code of the authenticator or a recovery code. Gives the secret for the session's cookie.
///
/// # Errors
/// 401 where the first step is unknown or too old, 422 for a wrong code, 429 after many of them.
pub async fn second_step(app: &App, whence: &Whence, half: &str, code: &str) -> Result<String> {
    let (hash, now) = (secret::hash(half), app.clock.now());
    let mut tx = app.store.read().await?;
    let step = second_factor::find_step(&mut tx, &hash, now).await?.ok_or(STEP_OVER)?;
    drop(tx);
    let key = step.person_id.to_string();
    let guesses = [Guess::Code(&key), Guess::Address(&whence.address)];
    throttle::attempt(app, &guesses).await?;
    let mut tx = app.store.write().await?;
    if !check_code(app, &mut tx, step.person_id, code).await? {
        tracing::info!(person = %step.person_id, address = %whence.address, "a code did not fit");
        return Err(Error::invalid("/code", "This code does not fit, or was used already; wait for the next one and type that."));
    }
    if !second_factor::use_step(&mut tx, &hash).await? {
        return Err(STEP_OVER);
    }
    let workshop = match &step.invitation_hash {
        Some(hash) => person::join(app, &mut tx, hash, step.person_id).await?,
        None => *account::workshops_of(&mut tx, step.person_id).await?.first().ok_or(STEP_OVER)?,
    };
    let plain = begin(app, &mut tx, whence, step.person_id, workshop).await?;
    tx.commit().await?;
    throttle::succeeded(app, &guesses).await?;
    Ok(plain)
}

/// Whether a code is one of the person's authenticator or recovery codes; either is good once.
///
/// # Errors
/// Where the database refuses.
pub(super) async fn check_code(app: &App, tx: &mut Tx, person: Id<Person>, code: &str) -> Result<bool> {
    let Some(factor) = second_factor::find(tx, person).await? else { return Ok(false) };
    let now = app.clock.now();
    let last = u64::try_from(factor.last_step).unwrap_or(0);
    if let Some(step) = totp::step_of(&factor.secret, code, now.unix_timestamp(), last) {
        return second_factor::take_step(tx, person, i64::try_from(step).map_err(Error::internal)?).await;
    }
    let plain = totp::plain_recovery_code(code);
    second_factor::use_recovery_code(tx, person, &secret::hash(&plain), now).await
}

/// The password of a person who is signed in, asked for again before something that matters.
///
/// # Errors
/// 422 beside the field where it is wrong, 429 after many failures.
pub async fn confirm_password(app: &App, person: Id<Person>, password: String, field: &str) -> Result<Account> {
    let key = person.to_string();
    let guesses = [Guess::Again(&key)];
    throttle::attempt(app, &guesses).await?;
    let mut tx = app.store.read().await?;
    let account = account::find(&mut tx, person).await?.ok_or(WRONG)?;
    drop(tx);
    if !password::verify(password, Some(account.password_hash.clone())).await? {
        tracing::info!(%person, "a password given again was wrong");
        return Err(Error::invalid(field, "This is not your password; try again."));
    }
    throttle::succeeded(app, &guesses).await?;
    Ok(account)
}
