//! Erasing a person (GDPR, article 17): the name goes everywhere in the workshop, and a neutral one stands in its place. What was done to the
//! motorcycles stays.
//!
//! A member and the owner record that they come in as are one human being, and are erased together. In the words of other people a name is
//! found by how it is spelled; what stands in attached files and in backups is not looked at.
use serde::Serialize;

use super::{Subject, Work, motorcycle, person, token};
use crate::{
    domain::{
        erasure::Erasure,
        id::Id,
        motorcycle::Owner,
        person::{Member, NewMember},
        workshop::{Person, WorkshopReports},
    },
    error::{Error, Result},
    store::{
        self, account,
        erasure::{self as store_erasure, Gone, Known},
        member as store_member, owner as store_owner, session,
    },
};

/// What the audit trail says of it.
#[derive(Debug, Serialize)]
struct Named<'a> {
    name: &'a str,
}

/// The person of an id, also one who was taken out before and not erased yet.
///
/// # Errors
/// 404 where the workshop has, and had, none.
pub async fn find_person(work: &mut Work, id: Id<Member>) -> Result<Member> {
    let workshop = work.workshop_id();
    if let Some(member) = store_member::find(&mut work.tx, workshop, id).await? {
        return Ok(member);
    }
    let former = store_erasure::former(&mut work.tx, workshop, id.uuid()).await?.ok_or(Error::NotFound("person"))?;
    let text = |field: &str| former.get(field).and_then(|value| value.as_str()).unwrap_or_default().to_owned();
    let new = NewMember { email: text("email"), name: text("name"), roles: Vec::new(), owner_id: None };
    Ok(Member::from_new(id, new, None, None, work.now))
}

/// The owner of an id, also one who was deleted before and not erased yet.
///
/// # Errors
/// 404 where the workshop has, and had, none.
pub async fn find_owner(work: &mut Work, id: Id<Owner>) -> Result<Owner> {
    let workshop = work.workshop_id();
    if let Some(owner) = store_owner::find(&mut work.tx, workshop, id).await? {
        return Ok(owner);
    }
    store_erasure::former(&mut work.tx, workshop, id.uuid()).await?.ok_or(Error::NotFound("owner"))?;
    store_owner::find_even_hidden(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("owner"))
}

/// Erases a person, with the owner that they come in as, unless others come in as that owner too. Gives what stands in place of the name.
///
/// # Errors
/// 409 where the workshop would be left without a manager.
pub async fn erase_person(work: &mut Work, member: &Member) -> Result<String> {
    let workshop = work.workshop_id();
    let mut gone = Gone { members: vec![member.id.uuid()], ..Gone::default() };
    if let Some(owner) = member.owner_id
        && store_erasure::members_of(&mut work.tx, workshop, owner).await?.iter().all(|other| *other == member.id.uuid())
    {
        gone.owners.push(owner);
    }
    erase(work, gone, Subject::new("person", member.id)).await
}

/// Erases an owner, with those who come in as that owner. Motorcycles in use are left without an owner. Gives what stands in place of the name.
///
/// # Errors
/// 409 where the workshop would be left without a manager.
pub async fn erase_owner(work: &mut Work, owner: &Owner) -> Result<String> {
    let workshop = work.workshop_id();
    let members = store_erasure::members_of(&mut work.tx, workshop, owner.id).await?;
    erase(work, Gone { members, owners: vec![owner.id], ..Gone::default() }, Subject::new("owner", owner.id)).await
}

async fn erase(work: &mut Work, mut gone: Gone, subject: Subject) -> Result<String> {
    let workshop = work.workshop_id();
    let mut known = Known::default();
    let mut managers = Vec::new();
    for id in gone.members.clone() {
        let member = find_person(work, Id::new(id)).await?;
        known.names.push(member.name.clone());
        known.emails.push(member.email.clone());
        gone.people.extend(account_of(work, &member).await?);
        managers.extend(Some(member).filter(Member::is_manager));
    }
    if let Some(manager) = managers.first() {
        person::must_not_be_last(work, manager, i64::try_from(managers.len() - 1).unwrap_or(0)).await?;
    }
    for id in &gone.owners {
        let owner = store_owner::find_even_hidden(&mut work.tx, workshop, *id).await?.ok_or(Error::NotFound("owner"))?;
        known.names.push(owner.name);
        known.emails.extend(owner.email.map(|email| email.to_lowercase()));
        known.phones.extend(owner.phone);
    }
    store_erasure::known(&mut work.tx, workshop, &gone, &mut known).await?;
    let alias = format!("Erased person {}", store_erasure::next_number(&mut work.tx, workshop).await?);
    end(work, &mut gone, &known, &alias).await?;
    work.audit("erase", subject, None, Some(&Named { name: &alias })).await?;
    // Last of all, so that what was written just now is looked at too.
    let erasure = Erasure::new(alias.clone(), &known.names, &known.emails, &known.phones);
    store_erasure::walk(&mut work.tx, workshop, &gone, &erasure).await?;
    let nobody = work.new_id::<Person>().uuid();
    store_erasure::untie(&mut work.tx, workshop, &gone, nobody).await?;
    // An entry of the search holds words of other rows too, such as those of the part that an event fitted.
    store::search::reindex(&mut work.tx, workshop).await?;
    for person in &gone.people {
        store_erasure::delete_account(&mut work.tx, *person).await?;
    }
    work.workshop = store::workshop::find(&mut work.tx, workshop).await?.ok_or(Error::NotFound("workshop"))?;
    work.forgets = true;
    Ok(alias)
}

/// The account of a member; of one who was taken out, the account that came in as them, or that of their address.
async fn account_of(work: &mut Work, member: &Member) -> Result<Option<Id<Person>>> {
    let workshop = work.workshop_id();
    if let Some(person) = store_member::account(&mut work.tx, workshop, member.id).await? {
        return Ok(Some(person));
    }
    let person = match store_erasure::came_in_as(&mut work.tx, workshop, member.id).await? {
        Some(person) => person,
        None => match account::find_by_email(&mut work.tx, &member.email).await? {
            Some(account) if store_erasure::was_here(&mut work.tx, workshop, account.person_id).await? => account.person_id,
            _ => return Ok(None),
        },
    };
    // Somebody who came in again is another member now, and is erased as that one.
    let is_here = account::workshops_of(&mut work.tx, person).await?.contains(&workshop);
    Ok((!is_here).then_some(person))
}

/// Ends what the person can do, and what is done for them.
async fn end(work: &mut Work, gone: &mut Gone, known: &Known, alias: &str) -> Result<()> {
    let (workshop, now) = (work.workshop_id(), work.now);
    for id in &gone.members {
        person::revoke_calendars(work, Id::new(*id)).await?;
        store_member::delete(&mut work.tx, workshop, Id::new(*id)).await?;
    }
    for person in &gone.people {
        session::delete_in(&mut work.tx, *person, workshop).await?;
        gone.tokens.extend(token::revoke_made_by(work, *person).await?.into_iter().map(Id::uuid));
    }
    for owner in &gone.owners {
        for id in store_owner::motorcycles(&mut work.tx, workshop, *owner).await? {
            let bike = motorcycle::unseen(work, id).await?;
            let new = crate::domain::motorcycle::NewMotorcycle { owner_id: None, ..bike.details() };
            motorcycle::change(work, bike, new).await?;
        }
    }
    let emails = &known.emails;
    if work.workshop.reports.to.iter().any(|address| emails.contains(&address.to_lowercase())) {
        let to = work.workshop.reports.to.iter().filter(|address| !emails.contains(&address.to_lowercase())).cloned().collect();
        work.workshop.reports = WorkshopReports { to, ..work.workshop.reports.clone() };
        store::workshop::update(&mut work.tx, &work.workshop, now).await?;
    }
    store_erasure::empty_letters(&mut work.tx, workshop, emails, alias, now).await?;
    store_erasure::empty_offers(&mut work.tx, workshop, gone, emails, now).await?;
    store_erasure::end_invitations_and_reports(&mut work.tx, workshop, gone, emails, now).await
}
