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
        audit, second_factor,
        session::{self, NewSession},
        throttle as throttled, types,
    },
};
use serde_json::{Value, json};
use time::Duration;

/// How long a session lasts, however much it is used.
pub const SESSION: Duration = Duration::days(30);
/// How long the code of the second factor may take.
pub const STEP: Duration = Duration::minutes(10);

/// What the audit trail calls a sign-in that was refused.
const REFUSED: &str = "refuse_sign_in";

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

/// What a person proved themselves by beside the password.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Factor {
    /// A code of the authenticator.
    Authenticator,
    /// A recovery code.
    RecoveryCode,
}
impl Factor {
    /// As the audit trail spells it.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Authenticator => "authenticator",
            Self::RecoveryCode => "recovery_code",
        }
    }
}

/// What was wrong at a sign-in that was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Refused {
    /// The password.
    Password,
    /// The code of the second factor.
    Code,
}

/// Leaves a row about a person's account in the audit trail of every workshop that they may open; each calls them as it does.
///
/// # Errors
/// Where the database refuses.
pub(super) async fn note(app: &App, tx: &mut Tx, whence: &Whence, person: Id<Person>, action: &str, new: Option<Value>) -> Result<usize> {
    let workshops = account::names_of(tx, person).await?;
    let is_refused = action == REFUSED;
    for (workshop, name) in &workshops {
        let mut new_value = new.clone();
        if let (true, Some(Value::Object(fields))) = (is_refused, &mut new_value) {
            fields.insert("name".into(), name.as_str().into());
        }
        let entry = audit::Entry {
            id: app.clock.new_id(),
            at: types::Instant(app.clock.now()),
            // Who tried is not known, only whose account it was.
            who: if is_refused { "somebody".into() } else { name.clone() },
            person_id: (!is_refused).then_some(person),
            token_id: None,
            address: Some(whence.address.clone()).filter(|address| !address.is_empty()),
            action: action.into(),
            subject_kind: "account".into(),
            subject_id: Some(person.uuid()),
            motorcycle_id: None,
            old_value: None,
            new_value: new_value.map(types::Json),
        };
        audit::append(tx, *workshop, &entry).await?;
    }
    Ok(workshops.len())
}

/// Leaves a row about a sign-in that was refused. It is written aside, so that the answer waits for it neither for an account that is known
/// nor for one that is not; and where there is nothing to write, as much is written and taken back, so that whoever asks next waits alike.
pub(super) fn note_refused(app: &App, whence: &Whence, person: Option<Id<Person>>, why: Refused) {
    let (app, whence) = (app.clone(), whence.clone());
    tokio::spawn(async move {
        if let Err(error) = write_refused(&app, &whence, person, why).await {
            tracing::warn!(%error, "a refused sign-in could not be noted");
        }
    });
}
async fn write_refused(app: &App, whence: &Whence, person: Option<Id<Person>>, why: Refused) -> Result<()> {
    let why = match why {
        Refused::Password => "password",
        Refused::Code => "code",
    };
    let mut tx = app.store.write().await?;
    // Asked for nobody too.
    let person = person.unwrap_or_else(|| Id::new(uuid::Uuid::nil()));
    if note(app, &mut tx, whence, person, REFUSED, Some(json!({"wrong": why}))).await? == 0 {
        let key = secret::hash(&secret::new(""));
        throttled::hold(&mut tx, &key, app.clock.now()).await?;
        throttled::forget(&mut tx, &key).await?;
    }
    tx.commit().await
}

/// Signs out: the session ends on the server, whatever the browser keeps.
///
/// # Errors
/// Where the database refuses.
pub async fn sign_out(app: &App, whence: &Whence, cookie: &str) -> Result<()> {
    let hash = secret::hash(cookie);
    let mut tx = app.store.write().await?;
    if let Some(person) = session::person_of(&mut tx, &hash).await? {
        note(app, &mut tx, whence, person, "sign_out", None).await?;
        session::delete(&mut tx, &hash).await?;
    }
    tx.commit().await
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
    let person = account.as_ref().map(|account| account.person_id);
    let (Some(account), true, Some(workshop)) = (account, right, workshops.first()) else {
        tracing::info!(address = %whence.address, "a sign-in failed");
        note_refused(app, whence, person, Refused::Password);
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
    begin(app, tx, whence, person, workshop, None).await.map(SignedIn::Session)
}

/// Begins a session, and says so in the audit trail of every workshop that the person may open; gives the secret for its cookie.
///
/// # Errors
/// Where the database refuses.
pub(super) async fn begin(
    app: &App,
    tx: &mut Tx,
    whence: &Whence,
    person: Id<Person>,
    workshop: Id<Workshop>,
    factor: Option<Factor>,
) -> Result<String> {
    let (plain, now) = (secret::new(""), app.clock.now());
    let hash = secret::hash(&plain);
    let new = NewSession { id: app.clock.new_id(), hash: &hash, person, workshop, whence, now, until: now + SESSION };
    session::insert(tx, &new).await?;
    tracing::info!(%person, address = %whence.address, "signed in");
    note(app, tx, whence, person, "sign_in", Some(json!({"second_factor": factor.map(Factor::as_str)}))).await?;
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
    let Some(factor) = check_code(app, &mut tx, step.person_id, code).await? else {
        drop(tx);
        note_refused(app, whence, Some(step.person_id), Refused::Code);
        tracing::info!(person = %step.person_id, address = %whence.address, "a code did not fit");
        return Err(Error::invalid("/code", "This code does not fit, or was used already; wait for the next one and type that."));
    };
    if !second_factor::use_step(&mut tx, &hash).await? {
        return Err(STEP_OVER);
    }
    let workshop = match &step.invitation_hash {
        Some(hash) => person::join(app, &mut tx, hash, step.person_id).await?,
        None => *account::workshops_of(&mut tx, step.person_id).await?.first().ok_or(STEP_OVER)?,
    };
    let plain = begin(app, &mut tx, whence, step.person_id, workshop, Some(factor)).await?;
    tx.commit().await?;
    throttle::succeeded(app, &guesses).await?;
    Ok(plain)
}

/// Which of a person's second factors a code belongs to, if any; it is good once.
///
/// # Errors
/// Where the database refuses.
pub(super) async fn check_code(app: &App, tx: &mut Tx, person: Id<Person>, code: &str) -> Result<Option<Factor>> {
    let Some(factor) = second_factor::find(tx, person).await? else { return Ok(None) };
    let now = app.clock.now();
    let last = u64::try_from(factor.last_step).unwrap_or(0);
    if let Some(step) = totp::step_of(&factor.secret, code, now.unix_timestamp(), last) {
        let taken = second_factor::take_step(tx, person, i64::try_from(step).map_err(Error::internal)?).await?;
        return Ok(taken.then_some(Factor::Authenticator));
    }
    let plain = totp::plain_recovery_code(code);
    let used = second_factor::use_recovery_code(tx, person, &secret::hash(&plain), now).await?;
    Ok(used.then_some(Factor::RecoveryCode))
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
