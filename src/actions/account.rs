//! What everybody can do with their own account: name, password, address, second factor, sessions, and which workshop is open.
use std::sync::Arc;

use serde::Serialize;
use time::{Duration, OffsetDateTime};

use super::{
    App,
    notice::{self, Notice},
    sign_in::{self, SignedIn},
    throttle::{self, Guess},
};
use crate::{
    access::{password, secret, totp, whence::Whence},
    domain::{
        id::Id,
        person::{Member, Session, wrong_address},
        validate,
        workshop::{Person, Workshop},
    },
    error::{Error, Result},
    store::{
        self, Tx, account,
        account_link::{self, EmailChange, ResetLink},
        audit, second_factor, session, types,
    },
};

/// How long a link to a new password holds that was asked for by mail.
pub const RESET: Duration = Duration::hours(1);
/// How long a change of address waits for both confirmations.
pub const EMAIL_CHANGE: Duration = Duration::hours(24);
/// How many recovery codes there are.
pub const RECOVERY_CODES: usize = 10;

/// Everything that an account's page shows.
#[derive(Debug)]
pub struct Account {
    /// The person.
    pub person: Person,
    /// Since when the second factor is asked for.
    pub second_factor_since: Option<OffsetDateTime>,
    /// How many recovery codes are left.
    pub recovery_codes_left: i64,
    /// The sessions, and which of them this is.
    pub sessions: Vec<(Session, bool)>,
    /// The workshops that may be opened.
    pub workshops: Vec<Workshop>,
    /// The new address of a change that is under way.
    pub new_email: Option<String>,
}

/// A person's account; `cookie` is the secret of the session that asks.
///
/// # Errors
/// Where the database refuses.
pub async fn show(app: &App, person: &Person, cookie: &str) -> Result<Account> {
    let now = app.clock.now();
    let mut tx = app.store.read().await?;
    let factor = second_factor::find(&mut tx, person.id).await?;
    let mut workshops = Vec::new();
    for id in account::workshops_of(&mut tx, person.id).await? {
        workshops.extend(store::workshop::find(&mut tx, id).await?);
    }
    Ok(Account {
        second_factor_since: factor.and_then(|factor| factor.confirmed_at).map(|at| at.0),
        recovery_codes_left: second_factor::recovery_codes_left(&mut tx, person.id).await?,
        sessions: session::list(&mut tx, person.id, &secret::hash(cookie), now).await?,
        workshops,
        new_email: account_link::email_change_of(&mut tx, person.id, now).await?.map(|change| change.email),
        person: person.clone(),
    })
}

/// Something that happened to an account: it stands in the audit trail of every workshop that it opens.
#[derive(Debug)]
pub struct Happening<'a> {
    /// What.
    pub action: &'static str,
    /// To whom, by whom.
    pub person: Id<Person>,
    /// What they are called.
    pub name: &'a str,
    /// The member, where it is about one workshop.
    pub member: Option<&'a Member>,
    /// The address before and the one after, so that whoever is erased is known by both.
    pub emails: Option<(&'a str, &'a str)>,
}
impl<'a> Happening<'a> {
    /// Something that happened to an account as a whole.
    #[must_use]
    pub const fn new(action: &'static str, person: Id<Person>, name: &'a str) -> Self {
        Self { action, person, name, member: None, emails: None }
    }
}
/// Leaves an audit row in each of these workshops.
pub(super) async fn note(app: &App, tx: &mut Tx, workshops: &[Id<Workshop>], happening: &Happening<'_>) -> Result<()> {
    let member = happening.member.map(serde_json::to_value).transpose().map_err(Error::internal)?;
    let email = |email: &str| serde_json::json!({"email": email});
    let old_value = happening.emails.map(|(old, _)| email(old));
    let new_value = member.or_else(|| happening.emails.map(|(_, new)| email(new)));
    for workshop in workshops {
        let entry = audit::Entry {
            id: app.clock.new_id(),
            at: types::Instant(app.clock.now()),
            who: happening.name.to_owned(),
            person_id: Some(happening.person),
            token_id: None,
            address: None,
            action: happening.action.into(),
            subject_kind: if happening.member.is_some() { "person".into() } else { "account".into() },
            subject_id: Some(happening.member.map_or_else(|| happening.person.uuid(), |member| member.id.uuid())),
            motorcycle_id: None,
            old_value: old_value.clone().map(types::Json),
            new_value: new_value.clone().map(types::Json),
        };
        audit::append(tx, *workshop, &entry).await?;
    }
    Ok(())
}
async fn note_everywhere(app: &App, tx: &mut Tx, happening: &Happening<'_>) -> Result<()> {
    let workshops = account::workshops_of(tx, happening.person).await?;
    note(app, tx, &workshops, happening).await
}

/// Changes what a person is called, in every workshop.
///
/// # Errors
/// 422 for a name that cannot be.
pub async fn change_name(app: &App, person: &Person, name: &str) -> Result<()> {
    #[derive(Serialize)]
    struct Named<'a> {
        name: &'a str,
    }
    let name = name.trim();
    if name.is_empty() {
        return Err(Error::invalid("/name", "Say what you are called."));
    }
    let problems = validate::strings_and_lists(&Named { name });
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let mut tx = app.store.write().await?;
    account::set_name(&mut tx, person.id, name).await?;
    note_everywhere(app, &mut tx, &Happening::new("change_name", person.id, name)).await?;
    tx.commit().await
}

/// Changes the password; every other session ends, and so do links to a new password.
///
/// # Errors
/// 422 where the current password is wrong or the new one will not do, 429 after many failures.
pub async fn change_password(app: &App, person: &Person, cookie: &str, current: String, new: String) -> Result<()> {
    let account = sign_in::confirm_password(app, person.id, current, "/current").await?;
    password::check(&new, &[&account.email, &account.name]).map_err(|why| Error::invalid("/new", why))?;
    let hash = password::hash(new).await?;
    let mut tx = app.store.write().await?;
    set_password(app, &mut tx, person.id, &account.name, &hash, &secret::hash(cookie)).await?;
    tx.commit().await
}
/// Stores a password and ends what was begun under the old one, but for the session of a hash.
async fn set_password(app: &App, tx: &mut Tx, person: Id<Person>, name: &str, hash: &str, keep: &[u8]) -> Result<()> {
    account::set_password(tx, person, hash).await?;
    session::delete_others(tx, person, keep).await?;
    second_factor::delete_steps(tx, person).await?;
    account_link::delete_all(tx, person).await?;
    note_everywhere(app, tx, &Happening::new("change_password", person, name)).await
}

/// Asks for a link to a new password by mail. The work is done aside, so that neither the answer nor the time that it takes says whether
/// the address has an account.
pub fn forgot(app: &Arc<App>, whence: &Whence, email: &str) {
    let (app, whence, email) = (Arc::clone(app), whence.clone(), email.trim().to_lowercase());
    tokio::spawn(async move {
        if let Err(error) = send_reset(&app, &whence, &email).await {
            tracing::warn!(%error, "a link to a new password was not sent");
        }
    });
}
async fn send_reset(app: &App, whence: &Whence, email: &str) -> Result<()> {
    throttle::attempt(app, &[Guess::Letter(email), Guess::Address(&whence.address)]).await?;
    let (account, workshops) = sign_in::look_up(app, email).await?;
    let (Some(account), Some(workshop)) = (account, workshops.first()) else { return Ok(()) };
    let (plain, now) = (secret::new(""), app.clock.now());
    let mut tx = app.store.write().await?;
    let link = ResetLink { person_id: account.person_id, workshop_id: None };
    account_link::insert_reset(&mut tx, &secret::hash(&plain), &link, now, now + RESET).await?;
    let letter = Notice::reset(&account.email, &account.name, &app.site.link(&format!("/reset/{plain}")));
    notice::send(&mut tx, app, *workshop, letter).await?;
    tx.commit().await?;
    app.letters.notify_one();
    Ok(())
}

/// Whether a link to a new password still works.
///
/// # Errors
/// 404 where it does not.
pub async fn check_reset(app: &App, plain: &str) -> Result<()> {
    let mut tx = app.store.read().await?;
    let found = account_link::find_reset(&mut tx, &secret::hash(plain), app.clock.now()).await?;
    found.map(|_| ()).ok_or(Error::NotFound("link"))
}

/// Sets a new password by a link; every session ends. The second factor stays, and is asked for next.
///
/// # Errors
/// 404 where the link is unknown, used or too old, 422 where the password will not do.
pub async fn reset(app: &App, whence: &Whence, plain: &str, password: String) -> Result<SignedIn> {
    let (hash, now) = (secret::hash(plain), app.clock.now());
    let mut tx = app.store.read().await?;
    let link = account_link::find_reset(&mut tx, &hash, now).await?.ok_or(Error::NotFound("link"))?;
    let account = account::find(&mut tx, link.person_id).await?.ok_or(Error::NotFound("link"))?;
    drop(tx);
    password::check(&password, &[&account.email, &account.name]).map_err(|why| Error::invalid("/password", why))?;
    let password_hash = password::hash(password).await?;
    let mut tx = app.store.write().await?;
    // Looked at again where nobody can come between: of two at once only one is right.
    account_link::find_reset(&mut tx, &hash, now).await?.ok_or(Error::NotFound("link"))?;
    if !account_link::use_reset(&mut tx, &hash).await? {
        return Err(Error::NotFound("link"));
    }
    set_password(app, &mut tx, account.person_id, &account.name, &password_hash, &[]).await?;
    let workshop = *account::workshops_of(&mut tx, account.person_id).await?.first().ok_or(Error::NotFound("link"))?;
    let signed_in = sign_in::go_on(app, &mut tx, whence, account.person_id, workshop, None).await?;
    tx.commit().await?;
    throttle::succeeded(app, &[Guess::Account(&account.email)]).await?;
    Ok(signed_in)
}

/// Begins a change of the e-mail address: a letter goes to the old one and to the new one, and both have to confirm it. Whether the new one
/// has an account already, only its own mail says.
///
/// # Errors
/// 422 where the password is wrong or the address cannot be, 409 where no mail can be sent, 429 after many failures.
pub async fn begin_email_change(app: &App, person: &Person, workshop: Id<Workshop>, password: String, email: &str) -> Result<()> {
    let email = email.trim().to_lowercase();
    if !notice::can_send(app) {
        return Err(Error::conflict(
            "This server cannot mail links, so a new address cannot be confirmed; ask whoever runs it to set up mail and the public address.",
            [],
        ));
    }
    if let Some(problem) = wrong_address(&email) {
        return Err(Error::Invalid(vec![problem]));
    }
    let account = sign_in::confirm_password(app, person.id, password, "/password").await?;
    if email == account.email {
        return Err(Error::invalid("/email", "This is the address that you have."));
    }
    throttle::attempt(app, &[Guess::Letter(&email)]).await?;
    let (old, new, now) = (secret::new(""), secret::new(""), app.clock.now());
    let mut tx = app.store.write().await?;
    let taken = account::find_by_email(&mut tx, &email).await?.is_some();
    let change = EmailChange {
        person_id: person.id,
        email: email.clone(),
        old_hash: secret::hash(&old),
        new_hash: secret::hash(&new),
        old_confirmed_at: None,
        new_confirmed_at: None,
    };
    account_link::begin_email_change(&mut tx, &change, now + EMAIL_CHANGE).await?;
    let link = |secret: &str| app.site.link(&format!("/confirm-email/{secret}"));
    let arriving = if taken { Notice::taken(&email) } else { Notice::arriving(&email, &link(&new)) };
    for letter in [Notice::leaving(&account.email, &email, &link(&old)), arriving] {
        notice::send(&mut tx, app, workshop, letter).await?;
    }
    note_everywhere(
        app,
        &mut tx,
        &Happening { emails: Some((&account.email, &email)), ..Happening::new("begin_email_change", person.id, &account.name) },
    )
    .await?;
    tx.commit().await?;
    app.letters.notify_one();
    Ok(())
}

/// Whether a link that confirms a new address still works; gives the address.
///
/// # Errors
/// 404 where it does not.
pub async fn check_email_change(app: &App, plain: &str) -> Result<String> {
    let mut tx = app.store.read().await?;
    let found = account_link::find_email_change(&mut tx, &secret::hash(plain), app.clock.now()).await?;
    found.map(|change| change.email).ok_or(Error::NotFound("link"))
}

/// Confirms a new address from one of the two sides; gives whether both have done so, and the address is changed.
///
/// # Errors
/// 404 where the link is unknown or too old, 409 where another account has the address by now.
pub async fn confirm_email(app: &App, plain: &str) -> Result<bool> {
    let now = app.clock.now();
    let mut tx = app.store.write().await?;
    let change = account_link::confirm_email_change(&mut tx, &secret::hash(plain), now).await?.ok_or(Error::NotFound("link"))?;
    let both = change.old_confirmed_at.is_some() && change.new_confirmed_at.is_some();
    if both {
        let old = account::find(&mut tx, change.person_id).await?.ok_or(Error::NotFound("person"))?;
        account::set_email(&mut tx, change.person_id, &change.email).await?;
        account_link::delete_all(&mut tx, change.person_id).await?;
        note_everywhere(
            app,
            &mut tx,
            &Happening { emails: Some((&old.email, &change.email)), ..Happening::new("change_email", change.person_id, &old.name) },
        )
        .await?;
    }
    tx.commit().await?;
    Ok(both)
}

/// Begins a second factor: gives the secret for the authenticator. It is asked for only once a code of it was given.
///
/// # Errors
/// 409 where there is one already.
pub async fn begin_second_factor(app: &App, person: Id<Person>) -> Result<Vec<u8>> {
    let mut tx = app.store.write().await?;
    let known = second_factor::find(&mut tx, person).await?;
    match known {
        Some(known) if known.confirmed_at.is_some() => {
            Err(Error::conflict("Your account has a second factor already; switch it off first to set up another.", []))
        }
        Some(known) => Ok(known.secret),
        None => {
            let secret = totp::new_secret();
            second_factor::begin(&mut tx, person, &secret).await?;
            tx.commit().await?;
            Ok(secret)
        }
    }
}

/// Confirms a second factor by a code of the authenticator; gives the recovery codes, which are shown once.
///
/// # Errors
/// 422 for a wrong password or code, 409 where there is nothing to confirm, 429 after many failures.
pub async fn confirm_second_factor(app: &App, person: &Person, cookie: &str, password: String, code: &str) -> Result<Vec<String>> {
    sign_in::confirm_password(app, person.id, password, "/password").await?;
    let key = person.id.to_string();
    let guesses = [Guess::Code(&key)];
    throttle::attempt(app, &guesses).await?;
    let mut tx = app.store.write().await?;
    let known = second_factor::find(&mut tx, person.id).await?.filter(|known| known.confirmed_at.is_none());
    let known =
        known.ok_or_else(|| Error::conflict("There is no second factor to confirm; begin again on the page of your account.", []))?;
    let now = app.clock.now();
    let Some(step) = totp::step_of(&known.secret, code, now.unix_timestamp(), 0) else {
        return Err(Error::invalid("/code", "This code does not fit; see that the phone's clock is right, and type the next one."));
    };
    second_factor::take_step(&mut tx, person.id, i64::try_from(step).map_err(Error::internal)?).await?;
    second_factor::confirm(&mut tx, person.id, now).await?;
    // Whoever is signed in elsewhere never gave a code.
    session::delete_others(&mut tx, person.id, &secret::hash(cookie)).await?;
    let codes = new_codes(&mut tx, person.id).await?;
    note_everywhere(app, &mut tx, &Happening::new("switch_on_second_factor", person.id, &person.name)).await?;
    tx.commit().await?;
    throttle::succeeded(app, &guesses).await?;
    Ok(codes)
}
async fn new_codes(tx: &mut Tx, person: Id<Person>) -> Result<Vec<String>> {
    let codes: Vec<_> = (0..RECOVERY_CODES).map(|_| totp::new_recovery_code()).collect();
    let hashes: Vec<_> = codes.iter().map(|code| secret::hash(&totp::plain_recovery_code(code))).collect();
    second_factor::set_recovery_codes(tx, person, &hashes).await?;
    Ok(codes)
}

/// Makes new recovery codes; the old ones work no more.
///
/// # Errors
/// 422 where the password is wrong, 409 without a second factor, 429 after many failures.
pub async fn renew_recovery_codes(app: &App, person: &Person, password: String) -> Result<Vec<String>> {
    sign_in::confirm_password(app, person.id, password, "/password").await?;
    let mut tx = app.store.write().await?;
    let known = second_factor::find(&mut tx, person.id).await?;
    if known.is_none_or(|known| known.confirmed_at.is_none()) {
        return Err(Error::conflict("Your account has no second factor, and needs no recovery codes.", []));
    }
    let codes = new_codes(&mut tx, person.id).await?;
    note_everywhere(app, &mut tx, &Happening::new("renew_recovery_codes", person.id, &person.name)).await?;
    tx.commit().await?;
    Ok(codes)
}

/// Switches the second factor off.
///
/// # Errors
/// 422 where the password is wrong, 429 after many failures.
pub async fn drop_second_factor(app: &App, person: &Person, password: String) -> Result<()> {
    sign_in::confirm_password(app, person.id, password, "/password").await?;
    let mut tx = app.store.write().await?;
    second_factor::delete(&mut tx, person.id).await?;
    note_everywhere(app, &mut tx, &Happening::new("switch_off_second_factor", person.id, &person.name)).await?;
    tx.commit().await
}

/// Ends one of a person's sessions.
///
/// # Errors
/// 404 where it is none of theirs.
pub async fn end_session(app: &App, whence: &Whence, person: Id<Person>, id: Id<Session>) -> Result<()> {
    let mut tx = app.store.write().await?;
    if !session::delete_one(&mut tx, person, id).await? {
        return Err(Error::NotFound("session"));
    }
    sign_in::note(app, &mut tx, whence, person, "end_session", None).await?;
    tx.commit().await
}
/// Signs a person out everywhere, here too.
///
/// # Errors
/// Where the database refuses.
pub async fn end_all_sessions(app: &App, person: &Person) -> Result<()> {
    let mut tx = app.store.write().await?;
    session::delete_others(&mut tx, person.id, &[]).await?;
    second_factor::delete_steps(&mut tx, person.id).await?;
    note_everywhere(app, &mut tx, &Happening::new("sign_out_everywhere", person.id, &person.name)).await?;
    tx.commit().await
}

/// Opens another workshop in a session.
///
/// # Errors
/// 404 where the person has no role in it.
pub async fn open_workshop(app: &App, person: Id<Person>, cookie: &str, workshop: Id<Workshop>) -> Result<()> {
    let mut tx = app.store.write().await?;
    if !session::open_workshop(&mut tx, &secret::hash(cookie), person, workshop).await? {
        return Err(Error::NotFound("workshop"));
    }
    tx.commit().await
}
