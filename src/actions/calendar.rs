//! Calendars: make an address, revoke it, and what a program that fetches it is given.
use sha2::{Digest, Sha256};

use super::{App, Subject, Work, due, motorcycle};
use crate::{
    access::{Caller, Sight, secret},
    domain::{
        calendar_feed::{CalendarAddress, Content, Entry, NewCalendar, text},
        due::DueItemOn,
        id::Id,
    },
    error::{Error, Result},
    store::{
        Stretch,
        calendar::{self as store, CalendarRow, Told},
        due_item::Wanted,
        types::Instant,
    },
};

/// The most addresses of one workshop.
const MOST: usize = 500;

/// Makes an address; the second value is its secret, which is kept nowhere. It sees what its maker sees.
///
/// # Errors
/// 422 where there is no such motorcycle, 409 where there are too many addresses.
pub async fn add(work: &mut Work, new: NewCalendar) -> Result<(CalendarAddress, String)> {
    if let Some(id) = new.motorcycle_id {
        motorcycle::get(work, id).await.map_err(|error| match error {
            Error::NotFound(_) => Error::invalid("/motorcycle_id", "is not the id of a motorcycle here; look it up in /motorcycles"),
            other => other,
        })?;
    }
    if rows(work, Stretch::ALL).await?.len() >= MOST {
        return Err(Error::conflict(format!("There are {MOST} calendar addresses already; revoke one that is no longer used."), []));
    }
    let row = CalendarRow {
        workshop_id: work.workshop_id(),
        id: work.new_id(),
        motorcycle_id: new.motorcycle_id.or(work.caller.sight.motorcycle()),
        owner_id: work.caller.sight.owner(),
        made_by: work.caller.name(),
        made_by_id: work.caller.id(),
        created_at: Instant(work.now),
    };
    let secret = secret::new("");
    store::insert(&mut work.tx, &row, &secret::hash(&secret)).await?;
    let address = CalendarAddress::from(row);
    work.audit("add", subject(&address), None, Some(&address)).await?;
    Ok((address, secret))
}
fn subject(address: &CalendarAddress) -> Subject {
    Subject { kind: "calendar", id: Some(address.id.uuid()), motorcycle: address.motorcycle_id }
}

async fn rows(work: &mut Work, stretch: Stretch<Id<CalendarAddress>>) -> Result<Vec<CalendarRow>> {
    let (workshop, sight) = (work.workshop_id(), work.caller.sight);
    store::list(&mut work.tx, workshop, sight.owner(), sight.motorcycle(), stretch).await
}
/// Addresses in the order in which they were made, as far as the caller sees them.
///
/// # Errors
/// Where the database refuses.
pub async fn list(work: &mut Work, stretch: Stretch<Id<CalendarAddress>>) -> Result<Vec<CalendarAddress>> {
    Ok(rows(work, stretch).await?.into_iter().map(CalendarAddress::from).collect())
}
/// The address of an id.
///
/// # Errors
/// 404 where there is none that the caller sees, or it was revoked.
pub async fn get(work: &mut Work, id: Id<CalendarAddress>) -> Result<CalendarAddress> {
    let (workshop, sight) = (work.workshop_id(), work.caller.sight);
    let found = store::find(&mut work.tx, workshop, id).await?;
    let seen = found.filter(|row| match sight {
        Sight::All => true,
        Sight::Owner(own) => row.owner_id == Some(own),
        Sight::Motorcycle(own) => row.motorcycle_id == Some(own),
    });
    seen.map(CalendarAddress::from).ok_or(Error::NotFound("calendar"))
}
/// Revokes an address: from now on there is nothing at it.
///
/// # Errors
/// Where the database refuses.
pub async fn revoke(work: &mut Work, address: &CalendarAddress) -> Result<()> {
    let (workshop, now) = (work.workshop_id(), work.now);
    store::revoke(&mut work.tx, workshop, address.id, now).await?;
    work.audit("revoke", subject(address), Some(address), None).await
}

/// The calendar of a secret, as text.
///
/// # Errors
/// 404 where no address has this secret, or it was revoked: both take one look at an index, so both take as long.
pub async fn feed(app: &App, plain: &str) -> Result<String> {
    let mut tx = app.store.read().await?;
    let row = store::find_by_hash(&mut tx, &secret::hash(plain)).await?.ok_or(Error::NotFound("calendar"))?;
    drop(tx);
    let sight = row.owner_id.map_or(Sight::All, Sight::Owner);
    let caller = Caller::reader(row.workshop_id, sight);
    let mut work = app.read(&caller).await?;
    let (name, items) = items(&mut work, &row).await?;
    let contents: Vec<_> = items.iter().filter_map(|item| Content::of(item, app.site.public_url.as_deref())).collect();
    let ids: Vec<_> = contents.iter().map(|content| content.id).collect();
    let mut told = store::told(&mut work.tx, row.workshop_id, &ids).await?;
    let hashes = contents.iter().map(hash).collect::<Result<Vec<_>>>()?;
    let as_told = contents.iter().zip(&hashes).all(|(content, hash)| told.get(&content.id).is_some_and(|told| told.content_hash == *hash));
    drop(work);
    if !as_told {
        // Looked at again under the lock: another program may be told the same in this moment.
        let mut work = app.write(&caller, None).await?;
        told = store::told(&mut work.tx, row.workshop_id, &ids).await?;
        let mut changed = Vec::new();
        for (content, hash) in contents.iter().zip(hashes) {
            let before = told.get(&content.id);
            if before.is_none_or(|before| before.content_hash != hash) {
                let sequence = before.map_or(0, |before| before.sequence + 1);
                changed.push(Told { id: content.id, content_hash: hash, sequence, changed_at: Instant(work.now) });
            }
        }
        store::keep(&mut work.tx, row.workshop_id, &changed).await?;
        work.finish(None).await?;
        told.extend(changed.into_iter().map(|told| (told.id, told)));
    }
    let entries: Vec<_> = contents
        .into_iter()
        .filter_map(|content| {
            let told = told.get(&content.id)?;
            Some(Entry { sequence: told.sequence, changed_at: told.changed_at.0, content })
        })
        .collect();
    Ok(text(&name, &entries))
}

/// What the calendar is called, and what is due on what it sees.
async fn items(work: &mut Work, row: &CalendarRow) -> Result<(String, Vec<DueItemOn>)> {
    let workshop = work.workshop.name.clone();
    let Some(id) = row.motorcycle_id else {
        return Ok((workshop, due::of_workshop(work, &Wanted::default(), None, &Stretch::ALL).await?));
    };
    match motorcycle::get(work, id).await {
        Ok(bike) if !bike.archived => Ok((format!("{} · {workshop}", bike.name), due::of_motorcycle(work, &bike, None).await?)),
        // Archived, or somebody else's by now: nothing is due any more.
        Ok(_) | Err(Error::NotFound(_)) => Ok((workshop, Vec::new())),
        Err(error) => Err(error),
    }
}
fn hash(content: &Content) -> Result<Vec<u8>> {
    Ok(Sha256::digest(serde_json::to_vec(content).map_err(Error::internal)?).to_vec())
}
