//! Coming in: a workshop with its first manager, signing in and out, the caller behind a token or a session.
use std::sync::Arc;

use time::OffsetDateTime;

use super::{App, token::KeptToken};
use crate::{
    access::{Caller, password, secret},
    clock::knows_time_zone,
    domain::{
        id::Id,
        person::{Member, NewMember},
        quantity::{Quantity, Unit},
        words::{OdometerUnit, Role, TokenScope},
        workshop::{Token, Workshop, WorkshopReports},
    },
    error::{Error, Result},
    store::{self, account, session},
};

/// What `setup` is told.
#[derive(Clone, Debug)]
pub struct Setup {
    /// The workshop's name.
    pub workshop: String,
    /// Its time zone.
    pub time_zone: String,
    /// The manager's e-mail address.
    pub email: String,
    /// The manager's name.
    pub name: String,
    /// The manager's password.
    pub password: String,
}

/// Makes a workshop and its manager; gives the workshop and an API token with every scope. An e-mail address that is known already
/// keeps its account, and the password must be its own.
///
/// # Errors
/// 422 with what to do.
pub async fn set_up(app: &App, setup: Setup) -> Result<(Id<Workshop>, String)> {
    let email = setup.email.trim().to_lowercase();
    if !email.contains('@') || email.contains(char::is_whitespace) {
        return Err(Error::invalid("/email", "An e-mail address looks like name@example.org."));
    }
    if !knows_time_zone(&setup.time_zone) {
        return Err(Error::invalid(
            "/time_zone",
            format!("{:?} is not a time zone of the IANA database; one is Europe/Lisbon.", setup.time_zone),
        ));
    }
    if setup.workshop.trim().is_empty() {
        return Err(Error::invalid("/workshop", "A workshop needs a name."));
    }
    let now = app.clock.now();
    let manager = manager_of(app, email, setup.name, setup.password).await?;
    let mut tx = app.store.write().await?;
    let (person, name) = match manager {
        Manager::Known(account) => (account.person_id, account.name),
        Manager::New(account) => {
            account::insert(&mut tx, &account, now).await?;
            (account.person_id, account.name)
        }
    };
    let workshop = Workshop {
        id: app.clock.new_id(),
        name: setup.workshop.trim().into(),
        time_zone: setup.time_zone,
        default_unit: OdometerUnit::Mi,
        currency: "EUR".into(),
        default_yearly_distance: Quantity { value: 3000.into(), unit: Unit::Mi },
        lead_days: crate::domain::workshop::USUAL_LEAD_DAYS,
        reports: WorkshopReports::default(),
        created_at: now,
    };
    store::workshop::insert(&mut tx, &workshop).await?;
    let new = NewMember { email: String::new(), name, roles: vec![Role::Manager], owner_id: None };
    let member = Member::from_new(app.clock.new_id(), new, Some(now), None, now);
    account::insert_membership(&mut tx, workshop.id, person, &member, now).await?;
    let token = Token {
        id: app.clock.new_id(),
        name: "made at setup".into(),
        scopes: TokenScope::ALL.to_vec(),
        expires_on: None,
        owner_id: None,
        motorcycle_id: None,
        last_used_at: None,
        ends_at: None,
        created_at: now,
    };
    let plain = secret::new(secret::TOKEN_PREFIX);
    let maker = store::token::Maker { name: "setup".into(), person: Some(person) };
    store::token::insert(&mut tx, workshop.id, &token, &secret::hash(&plain), &maker).await?;
    tx.commit().await?;
    Ok((workshop.id, plain))
}

/// The account of the manager of a new workshop.
enum Manager {
    Known(account::Account),
    New(account::Account),
}

/// The account of an e-mail address, where the password is its own; else a new one, with the password's hash.
async fn manager_of(app: &App, email: String, name: String, password: String) -> Result<Manager> {
    let mut tx = app.store.read().await?;
    let known = account::find_by_email(&mut tx, &email).await?;
    drop(tx);
    if let Some(account) = known {
        return if password::verify(password, Some(account.password_hash.clone())).await? {
            Ok(Manager::Known(account))
        } else {
            Err(Error::invalid("/password", "This e-mail address has an account already; give its own password."))
        };
    }
    password::check(&password, &[&email, &name]).map_err(|why| Error::invalid("/password", why))?;
    let password_hash = password::hash(password).await?;
    Ok(Manager::New(account::Account { person_id: app.clock.new_id(), email, name, password_hash }))
}

/// Ends a session, such as the one before in a browser where somebody signs in anew; see [`super::sign_in::sign_out`] for people who sign out.
///
/// # Errors
/// Where the database refuses.
pub async fn sign_out(app: &App, cookie: &str) -> Result<()> {
    let mut tx = app.store.write().await?;
    session::delete(&mut tx, &secret::hash(cookie)).await?;
    tx.commit().await
}

/// The caller behind a session's cookie.
///
/// # Errors
/// 401 where the session is unknown or over.
pub async fn session_caller(app: &App, cookie: &str) -> Result<Caller> {
    let (hash, now) = (secret::hash(cookie), app.clock.now());
    let mut tx = app.store.read().await?;
    let found = session::find(&mut tx, &hash, now).await?;
    drop(tx);
    let over = Error::Unauthenticated("Your session is over; sign in again.");
    let Some((person, member, seen)) = found else { return Err(over) };
    // Good to know, but no reason to refuse a page.
    if seen < hour_of(now)
        && let Err(error) = note_session(app, &hash, hour_of(now)).await
    {
        tracing::warn!(%error, "the use of a session could not be noted");
    }
    Caller::person(member.workshop_id, person, &member.roles, member.owner_id).ok_or(over)
}

/// The caller behind an API token. The hour of its use is noted, at most once an hour.
///
/// # Errors
/// 401 where the token is unknown, revoked or expired.
pub async fn token_caller(app: &Arc<App>, plain: &str) -> Result<Caller> {
    let now = app.clock.now();
    let hash = secret::hash(plain);
    let kept = if let Some(kept) = app.tokens.get(&hash, now) {
        kept
    } else {
        let forgotten = app.tokens.forgotten();
        let mut tx = app.store.read().await?;
        let found = store::token::find_by_hash(&mut tx, &hash).await?;
        let (workshop, token) =
            found.ok_or(Error::Unauthenticated("This token is unknown or was revoked; ask a manager of the workshop for a new one."))?;
        if let Some(owner) = token.owner_id
            && store::owner::find(&mut tx, workshop, owner).await?.is_none()
        {
            return Err(Error::Unauthenticated("The owner whose motorcycles this token sees was taken out of the list; ask the workshop."));
        }
        let zone = store::workshop::find(&mut tx, workshop).await?.map(|workshop| workshop.time_zone).unwrap_or_default();
        drop(tx);
        // Good to know, but no reason to refuse a request that only reads.
        if let Err(error) = note_use(app, workshop, &token, now).await {
            tracing::warn!(%error, "the use of a token could not be noted");
        }
        app.tokens.keep(hash, KeptToken { workshop, token, time_zone: zone, at: now }, forgotten)
    };
    if kept.token.expires_on.is_some_and(|last| last < app.clock.today(&kept.time_zone)) {
        return Err(Error::Unauthenticated("This token has expired; ask a manager of the workshop for a new one."));
    }
    if kept.token.ends_at.is_some_and(|end| end <= now) {
        return Err(Error::Unauthenticated("This token was rotated and its time is over; use the one that took its place."));
    }
    Ok(Caller::token(kept.workshop, &kept.token))
}

async fn note_use(app: &App, workshop: Id<Workshop>, token: &Token, now: OffsetDateTime) -> Result<()> {
    let hour = hour_of(now);
    if token.last_used_at.is_none_or(|used| used < hour) {
        let mut tx = app.store.write().await?;
        store::token::used(&mut tx, workshop, token.id, hour).await?;
        tx.commit().await?;
    }
    Ok(())
}

async fn note_session(app: &App, hash: &[u8], hour: OffsetDateTime) -> Result<()> {
    let mut tx = app.store.write().await?;
    store::session::seen(&mut tx, hash, hour).await?;
    tx.commit().await
}

fn hour_of(now: OffsetDateTime) -> OffsetDateTime {
    now.replace_time(time::Time::from_hms(now.hour(), 0, 0).unwrap_or(now.time()))
}
