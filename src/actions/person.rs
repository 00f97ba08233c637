//! The people of a workshop: who has come in, who is invited, and the links that let them in.
use time::Duration;

use super::{
    App, Subject, Work,
    account::{Happening, note},
    notice::{self, Notice},
    sign_in::{self, Refused, SignedIn},
    throttle::{self, Guess},
};
use crate::{
    access::{password, secret, whence::Whence},
    domain::{
        id::Id,
        person::{Member, MemberDetails, NewMember, OpenInvitation, wrong_address},
        validate::Problem,
        workshop::{Person, Workshop},
    },
    error::{Error, Result},
    store::{
        self, Stretch, Tx,
        account::{self, Account},
        account_link::{self, ResetLink},
        member as store_member, session,
    },
};

/// How long an invitation holds.
pub const INVITATION: Duration = Duration::days(7);
/// How long a link to a new password holds that a manager made.
pub const MANAGERS_RESET: Duration = Duration::hours(24);

/// The person of an id.
///
/// # Errors
/// 404 where the workshop has none.
pub async fn get(work: &mut Work, id: Id<Member>) -> Result<Member> {
    let workshop = work.workshop_id();
    store_member::find(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("person"))
}

/// People by name, then id.
///
/// # Errors
/// Where the database refuses.
pub async fn list(work: &mut Work, stretch: Stretch<(String, Id<Member>)>) -> Result<Vec<Member>> {
    let workshop = work.workshop_id();
    store_member::list(&mut work.tx, workshop, stretch).await
}

/// Invites a person; the second value is the path of the link, whose secret is not kept. Nothing in the answer, nor the time that it takes, says
/// whether the address has an account on this server.
///
/// # Errors
/// 422 with what is wrong where, 409 where the person is here or invited already.
pub async fn invite(work: &mut Work, app: &App, new: NewMember) -> Result<(Member, String)> {
    let mut details = MemberDetails { name: new.name, roles: new.roles, owner_id: new.owner_id };
    let email = new.email.trim().to_lowercase();
    details.tidy();
    let mut problems = details.problems();
    problems.extend(wrong_address(&email));
    problems.extend(no_such_owner(work, &details).await?);
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let workshop = work.workshop_id();
    if let Some(there) = store_member::find_by_email(&mut work.tx, workshop, &email).await? {
        let detail = match there.joined_at {
            Some(_) => format!("{email} belongs to this workshop already; change the roles there."),
            None => format!("{email} is invited already; send that invitation again, or take it back first."),
        };
        return Err(Error::conflict(detail, [there.id.uuid()]));
    }
    let until = work.now + INVITATION;
    let new = NewMember { email, name: details.name, roles: details.roles, owner_id: details.owner_id };
    let member = Member::from_new(work.new_id(), new, None, Some(OpenInvitation { expires_at: until }), work.now);
    let plain = secret::new("");
    store_member::invite(&mut work.tx, workshop, &member, &secret::hash(&plain), until).await?;
    work.audit("invite", Subject::new("person", member.id), None, Some(&member)).await?;
    let path = format!("/welcome/{plain}");
    let letter = Notice::invitation(&work.workshop.name, &member, &app.site.link(&path));
    notice::queue(work, app, letter).await?;
    Ok((member, path))
}

/// Makes a new link for an open invitation; the one before works no more.
///
/// # Errors
/// 409 where the person has come in.
pub async fn invite_again(work: &mut Work, app: &App, member: &Member) -> Result<String> {
    if member.joined_at.is_some() {
        return Err(Error::conflict(format!("{} has come in already and needs no invitation.", member.name), [member.id.uuid()]));
    }
    let (workshop, until) = (work.workshop_id(), work.now + INVITATION);
    let plain = secret::new("");
    store_member::invite_again(&mut work.tx, workshop, member.id, &secret::hash(&plain), until).await?;
    work.audit::<Member>("invite_again", Subject::new("person", member.id), None, None).await?;
    let path = format!("/welcome/{plain}");
    let letter = Notice::invitation(&work.workshop.name, member, &app.site.link(&path));
    notice::queue(work, app, letter).await?;
    Ok(path)
}

async fn no_such_owner(work: &mut Work, details: &MemberDetails) -> Result<Option<Problem>> {
    let Some(owner) = details.owner_id else { return Ok(None) };
    let workshop = work.workshop_id();
    let found = store::owner::find(&mut work.tx, workshop, owner).await?;
    Ok(found.is_none().then(|| Problem::new("/owner_id", "there is no owner with this id here; look it up in the list of owners")))
}

/// Changes what a person is called here, and what they are. Whoever is no longer a manager keeps no token either.
///
/// # Errors
/// 422 with what is wrong where, 409 where the workshop would be left without a manager.
pub async fn change(work: &mut Work, old: &Member, mut new: MemberDetails) -> Result<Member> {
    new.tidy();
    let mut problems = new.problems();
    if new.owner_id != old.owner_id {
        problems.extend(no_such_owner(work, &new).await?);
    }
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let member = Member { name: new.name, roles: new.roles, owner_id: new.owner_id, ..old.clone() };
    if old.is_manager() && !member.is_manager() {
        must_not_be_last(work, old, 0).await?;
    }
    let workshop = work.workshop_id();
    store_member::update(&mut work.tx, workshop, &member).await?;
    if (&member.roles, member.owner_id) != (&old.roles, old.owner_id) {
        revoke_calendars(work, member.id).await?;
    }
    if old.is_manager()
        && !member.is_manager()
        && let Some(person) = store_member::account(&mut work.tx, workshop, member.id).await?
    {
        super::token::revoke_made_by(work, person).await?;
    }
    work.audit("change", Subject::new("person", member.id), Some(old), Some(&member)).await?;
    Ok(member)
}

/// Takes a person out of the workshop, with their sessions in it and the tokens that they answer for, or their invitation back. What they did
/// stays in the records.
///
/// # Errors
/// 409 where the workshop would be left without a manager.
pub async fn remove(work: &mut Work, member: &Member) -> Result<()> {
    if member.is_manager() {
        must_not_be_last(work, member, 0).await?;
    }
    let workshop = work.workshop_id();
    revoke_calendars(work, member.id).await?;
    if let Some(person) = store_member::account(&mut work.tx, workshop, member.id).await? {
        session::delete_in(&mut work.tx, person, workshop).await?;
        super::token::revoke_made_by(work, person).await?;
    }
    store_member::delete(&mut work.tx, workshop, member.id).await?;
    work.audit("remove", Subject::new("person", member.id), Some(member), None).await
}

/// Calendar addresses see what their maker saw when they were made. Once that changes, they are to be made anew.
pub(super) async fn revoke_calendars(work: &mut Work, member: Id<Member>) -> Result<()> {
    let (workshop, now) = (work.workshop_id(), work.now);
    if let Some(person) = store_member::account(&mut work.tx, workshop, member).await? {
        store::calendar::revoke_made_by(&mut work.tx, workshop, person.uuid(), now).await?;
    }
    Ok(())
}

/// Refuses what would leave the workshop without a manager: this one goes, and so many others with them.
pub(super) async fn must_not_be_last(work: &mut Work, member: &Member, others: i64) -> Result<()> {
    let workshop = work.workshop_id();
    // Of two managers who take each other's role away at once, the second finds the first one's done.
    store::workshop::lock(&mut work.tx, workshop).await?;
    if store_member::other_managers(&mut work.tx, workshop, member.id).await? > others {
        return Ok(());
    }
    let detail =
        format!("{} is the only manager of this workshop; give the role to somebody else first, or nobody could run it.", member.name);
    Err(Error::conflict(detail, [member.id.uuid()]))
}

/// Makes a link to a new password for somebody who belongs to this workshop alone; gives its path. Whoever may open another workshop too
/// gets one by mail only: else a manager here could take over what they may do there.
///
/// # Errors
/// 409 where the person may not be helped from here.
pub async fn reset_link(work: &mut Work, member: &Member) -> Result<String> {
    let workshop = work.workshop_id();
    let by_mail = || {
        let detail =
            format!("No link can be made for {} here; they can ask for one themselves, by mail, on the page to sign in.", member.name);
        Error::conflict(detail, [member.id.uuid()])
    };
    let person = store_member::account(&mut work.tx, workshop, member.id).await?.ok_or_else(by_mail)?;
    if account::workshops_of(&mut work.tx, person).await? != [workshop] {
        return Err(by_mail());
    }
    let plain = secret::new("");
    let link = ResetLink { person_id: person, workshop_id: Some(workshop) };
    let (now, until) = (work.now, work.now + MANAGERS_RESET);
    account_link::insert_reset(&mut work.tx, &secret::hash(&plain), &link, now, until).await?;
    work.audit::<Member>("make_reset_link", Subject::new("person", member.id), None, None).await?;
    Ok(format!("/reset/{plain}"))
}

/// What the page of an invitation says.
#[derive(Clone, Debug)]
pub struct Welcome {
    /// The workshop that invites.
    pub workshop: String,
    /// Who is invited, as what.
    pub member: Member,
}

/// The invitation behind a link.
///
/// # Errors
/// 404 where it is unknown, used or too old.
pub async fn invitation(app: &App, plain: &str) -> Result<Welcome> {
    let mut tx = app.store.read().await?;
    let found = store_member::find_invitation(&mut tx, &secret::hash(plain), app.clock.now()).await?;
    let found = found.ok_or(Error::NotFound("invitation"))?;
    let workshop = store::workshop::find(&mut tx, found.workshop).await?.ok_or(Error::NotFound("invitation"))?;
    Ok(Welcome { workshop: workshop.name, member: found.member })
}

/// Accepts an invitation: with a new password where the address has no account that could open anything, else with the password that it
/// has (and its second factor). One form serves both, so the page says to nobody which of them it is.
///
/// # Errors
/// 404 where the invitation is unknown, used or too old, 422 where the password will not do, 429 after many failures.
pub async fn accept(app: &App, whence: &Whence, plain: &str, name: &str, password: String) -> Result<SignedIn> {
    let welcome = invitation(app, plain).await?;
    let (email, hash) = (welcome.member.email.clone(), secret::hash(plain));
    let details = MemberDetails { name: name.trim().to_owned(), ..welcome.member.changeable() };
    let problems: Vec<_> = details.problems().into_iter().filter(|problem| problem.pointer == "/name").collect();
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let guesses = [Guess::Account(&email), Guess::Address(&whence.address)];
    throttle::attempt(app, &guesses).await?;
    let (account, workshops) = sign_in::look_up(app, &email).await?;
    match account {
        Some(account) if !workshops.is_empty() => {
            if !password::verify(password, Some(account.password_hash.clone())).await? {
                sign_in::note_refused(app, whence, Some(account.person_id), Refused::Password);
                let detail = "This address has an account here already, and this is not its password. Give that password, or set a new one on the page to sign in.";
                return Err(Error::invalid("/password", detail));
            }
            throttle::succeeded(app, &guesses).await?;
            let mut tx = app.store.write().await?;
            let signed_in = sign_in::go_on(app, &mut tx, whence, account.person_id, workshops[0], Some(hash)).await?;
            tx.commit().await?;
            Ok(signed_in)
        }
        account => {
            // Nothing was guessed at.
            throttle::succeeded(app, &guesses).await?;
            let known = [email.as_str(), details.name.as_str(), welcome.workshop.as_str()];
            password::check(&password, &known).map_err(|why| Error::invalid("/password", why))?;
            let person_id = account.as_ref().map_or_else(|| app.clock.new_id(), |account| account.person_id);
            let new = Account { person_id, email: email.clone(), name: details.name, password_hash: password::hash(password).await? };
            let mut tx = app.store.write().await?;
            begin_account(app, &mut tx, &new, account.is_some()).await?;
            let workshop = join(app, &mut tx, &hash, person_id).await?;
            let session = sign_in::begin(app, &mut tx, whence, person_id, workshop, None).await?;
            tx.commit().await?;
            Ok(SignedIn::Session(session))
        }
    }
}

/// Stores a new account. One that is there and belongs to no workshop opens nothing, and is begun anew.
async fn begin_account(app: &App, tx: &mut Tx, new: &Account, is_there: bool) -> Result<()> {
    if !is_there {
        return account::insert(tx, new, app.clock.now()).await;
    }
    let person = new.person_id;
    account::set_password(tx, person, &new.password_hash).await?;
    account::set_name(tx, person, &new.name).await?;
    store::second_factor::delete(tx, person).await?;
    store::second_factor::delete_steps(tx, person).await?;
    account_link::delete_all(tx, person).await?;
    session::delete_others(tx, person, &[]).await
}

/// Accepts an invitation for somebody who is signed in under the invited address.
///
/// # Errors
/// 404 where the invitation is unknown, used or too old, 409 where it is for another address.
pub async fn accept_signed_in(app: &App, plain: &str, person: &Person, cookie: &str) -> Result<()> {
    let welcome = invitation(app, plain).await?;
    if welcome.member.email != person.email {
        let detail = format!(
            "This invitation is for {}, and you are signed in as {}. Sign out, then open it again.",
            welcome.member.email, person.email
        );
        return Err(Error::conflict(detail, []));
    }
    let mut tx = app.store.write().await?;
    let workshop = join(app, &mut tx, &secret::hash(plain), person.id).await?;
    session::open_workshop(&mut tx, &secret::hash(cookie), person.id, workshop).await?;
    tx.commit().await
}

/// Uses an invitation up and makes the person a member; gives the workshop.
pub(super) async fn join(app: &App, tx: &mut Tx, hash: &[u8], person: Id<Person>) -> Result<Id<Workshop>> {
    let now = app.clock.now();
    let found = store_member::find_invitation(tx, hash, now).await?.ok_or(Error::NotFound("invitation"))?;
    if !store_member::use_up(tx, found.workshop, hash).await? {
        return Err(Error::NotFound("invitation"));
    }
    let workshop = found.workshop;
    if account::workshops_of(tx, person).await?.contains(&workshop) {
        return Ok(workshop);
    }
    account::insert_membership(tx, workshop, person, &found.member, now).await?;
    let member = Member { joined_at: Some(now), invitation: None, created_at: now, ..found.member };
    let happening = Happening { member: Some(&member), ..Happening::new("join", person, &member.name) };
    note(app, tx, &[workshop], &happening).await?;
    Ok(workshop)
}
