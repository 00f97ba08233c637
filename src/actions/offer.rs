//! Handing on a motorcycle: offers to another owner of the workshop, or by a secret link to another workshop on this server.
pub mod carry;

use super::{App, Once, Subject, Work, motorcycle};
use crate::{
    access::{Caller, secret},
    domain::{
        id::Id,
        motorcycle::{Motorcycle, Owner},
        offer::{HOLDS, NewOffer, Offer, OfferState},
        validate::Problem,
        workshop::Workshop,
    },
    error::{Error, Result},
    store::{
        self, Stretch,
        offer::{self as store_offer, Found},
    },
};

/// The offer of an id: for those who see the motorcycle, and for the owner to whom it is offered.
///
/// # Errors
/// 404 for everybody else.
pub async fn get(work: &mut Work, id: Id<Offer>) -> Result<Offer> {
    let found = found(work, id).await?;
    Ok(as_seen(work, found.offer))
}
async fn found(work: &mut Work, id: Id<Offer>) -> Result<Found> {
    let (workshop, now) = (work.workshop_id(), work.now);
    let found = store_offer::find(&mut work.tx, workshop, id, now).await?.ok_or(Error::NotFound("offer"))?;
    if !is_receiver(work, &found.offer).await? {
        motorcycle::must_see(work, found.offer.motorcycle_id, "offer").await?;
    }
    Ok(found)
}
/// Whether the caller is the owner to whom something is offered.
///
/// # Errors
/// Where the database refuses.
pub async fn is_receiver(work: &mut Work, offer: &Offer) -> Result<bool> {
    Ok(offer.to_owner_id.is_some() && offer.to_owner_id == receiver(work).await?)
}
/// The owner as whom the caller is offered something: a mechanic may have motorcycles here too.
async fn receiver(work: &mut Work) -> Result<Option<Id<Owner>>> {
    let (workshop, sight) = (work.workshop_id(), work.caller.sight);
    match work.caller.person_id() {
        Some(person) if !sight.is_narrow() => store::member::owner_of(&mut work.tx, workshop, person).await,
        _ => Ok(sight.owner()),
    }
}
/// Somebody else's address is nothing to those who see their own motorcycles alone.
fn as_seen(work: &Work, offer: Offer) -> Offer {
    if work.caller.sight.is_narrow() { Offer { to_email: None, ..offer } } else { offer }
}

/// The offers of a motorcycle, newest first.
///
/// # Errors
/// Where the database refuses.
pub async fn list(work: &mut Work, bike: Id<Motorcycle>, stretch: Stretch<Id<Offer>>) -> Result<Vec<Offer>> {
    let (workshop, now) = (work.workshop_id(), work.now);
    let offers = store_offer::of_motorcycle(&mut work.tx, workshop, bike, stretch, now).await?;
    Ok(offers.into_iter().map(|offer| as_seen(work, offer)).collect())
}
/// What is offered to the caller and can be accepted.
///
/// # Errors
/// Where the database refuses.
pub async fn to_me(work: &mut Work) -> Result<Vec<Offer>> {
    let Some(owner) = receiver(work).await? else { return Ok(Vec::new()) };
    let (workshop, now) = (work.workshop_id(), work.now);
    let offers = store_offer::open_to(&mut work.tx, workshop, owner, now).await?;
    Ok(offers.into_iter().map(|offer| as_seen(work, offer)).collect())
}

/// Offers a motorcycle; for another workshop the second value is the path of the link, whose secret is not kept.
///
/// # Errors
/// 422 with what is wrong where, 403 where it is for another workshop and the caller does not run this one, 409 where it is archived or
/// offered already.
pub async fn make(work: &mut Work, bike: &Motorcycle, mut new: NewOffer) -> Result<(Offer, Option<String>)> {
    let mut problems = new.tidy();
    if new.to_email.is_some() {
        work.caller.must_be(crate::access::Standing::Manager)?;
    }
    problems.extend(wrong_receiver(work, bike, &new).await?);
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    must_be_in_use(bike)?;
    let open = list(work, bike.id, Stretch::ALL).await?.into_iter().find(|offer| offer.state == OfferState::Open);
    if let Some(open) = open {
        let detail = format!("{} is offered already; withdraw that offer first.", bike.name);
        return Err(Error::conflict(detail, [open.id.uuid()]));
    }
    let offer = Offer {
        id: work.new_id(),
        motorcycle_id: bike.id,
        motorcycle_name: bike.name.clone(),
        to_owner_id: new.to_owner_id,
        to_email: new.to_email,
        state: OfferState::Open,
        created_by: work.caller.name(),
        expires_at: work.now + HOLDS,
        settled_at: None,
        created_at: work.now,
    };
    let plain = offer.to_email.as_ref().map(|_| secret::new(""));
    let hash = plain.as_deref().map(secret::hash);
    let found = Found { workshop: work.workshop_id(), from_owner: bike.owner_id, offer };
    store_offer::insert(&mut work.tx, &found, hash.as_deref()).await?;
    let offer = found.offer;
    work.audit("offer", subject(&offer), None, Some(&offer)).await?;
    Ok((offer, plain.map(|plain| format!("/offers/{plain}"))))
}
async fn wrong_receiver(work: &mut Work, bike: &Motorcycle, new: &NewOffer) -> Result<Option<Problem>> {
    let Some(owner) = new.to_owner_id else { return Ok(None) };
    let workshop = work.workshop_id();
    let at = |detail: &str| Ok(Some(Problem::new("/to_owner_id", detail)));
    if store::owner::find(&mut work.tx, workshop, owner).await?.is_none() {
        return at("is not the id of an owner here; look it up in /owners");
    }
    if bike.owner_id == Some(owner) {
        return at("has this motorcycle already");
    }
    if !store_offer::has_account(&mut work.tx, workshop, owner).await? {
        return at("has no account here and could not accept it; change the owner of the motorcycle instead, or invite them first");
    }
    Ok(None)
}
fn must_be_in_use(bike: &Motorcycle) -> Result<()> {
    if bike.archived {
        return Err(Error::conflict(format!("{} is archived and cannot be handed on.", bike.name), [bike.id.uuid()]));
    }
    Ok(())
}
fn subject(offer: &Offer) -> Subject {
    Subject::of("offer", offer.id, offer.motorcycle_id)
}

/// Takes an offer back.
///
/// # Errors
/// 409 where it was answered or is too old.
pub async fn withdraw(work: &mut Work, offer: &Offer) -> Result<()> {
    settle(work, offer, OfferState::Withdrawn, "withdraw").await?;
    Ok(())
}
async fn settle(work: &mut Work, offer: &Offer, state: OfferState, action: &str) -> Result<Offer> {
    must_be_open(offer)?;
    let (workshop, now) = (work.workshop_id(), work.now);
    if !store_offer::settle(&mut work.tx, workshop, offer.id, state, now).await? {
        return Err(Error::conflict("This offer was just answered.", [offer.id.uuid()]));
    }
    let settled = Offer { state, settled_at: Some(now), ..offer.clone() };
    work.audit(action, subject(offer), Some(offer), Some(&settled)).await?;
    Ok(settled)
}
fn must_be_open(offer: &Offer) -> Result<()> {
    offer.over().map_or(Ok(()), |why| Err(Error::conflict(why, [offer.id.uuid()])))
}
/// What was offered must still be there to hand on, and still be whose it was then.
fn must_be_as_offered(found: &Found, bike: &Motorcycle) -> Result<()> {
    must_be_in_use(bike)?;
    if bike.owner_id != found.from_owner {
        let detail = format!("{} has changed hands since it was offered; ask for a new offer.", bike.name);
        return Err(Error::conflict(detail, [found.offer.id.uuid()]));
    }
    Ok(())
}
async fn must_be_receiver(work: &mut Work, offer: &Offer) -> Result<()> {
    if is_receiver(work, offer).await? {
        return Ok(());
    }
    let detail = if offer.to_owner_id.is_some() {
        "Only the owner to whom it is offered can answer."
    } else {
        "It is offered to another workshop, which answers by the link."
    };
    Err(Error::conflict(detail, [offer.id.uuid()]))
}

/// Accepts an offer within the workshop: from now on the motorcycle is the caller's.
///
/// # Errors
/// 404 where the caller sees no such offer, 409 where it is not theirs to answer, is over, or the motorcycle is not as it was offered.
pub async fn accept(work: &mut Work, id: Id<Offer>) -> Result<Motorcycle> {
    let found = found(work, id).await?;
    must_be_receiver(work, &found.offer).await?;
    must_be_open(&found.offer)?;
    let bike = motorcycle::unseen(work, found.offer.motorcycle_id).await?;
    must_be_as_offered(&found, &bike)?;
    settle(work, &found.offer, OfferState::Accepted, "accept").await?;
    let mut new = bike.details();
    new.owner_id = found.offer.to_owner_id;
    motorcycle::change(work, bike, new).await
}
/// Declines an offer within the workshop.
///
/// # Errors
/// 404 where the caller sees no such offer, 409 where it is not theirs to answer or is over.
pub async fn decline(work: &mut Work, id: Id<Offer>) -> Result<Offer> {
    let found = found(work, id).await?;
    must_be_receiver(work, &found.offer).await?;
    let declined = settle(work, &found.offer, OfferState::Declined, "decline").await?;
    Ok(as_seen(work, declined))
}

/// What the page of a link says.
#[derive(Clone, Debug)]
pub struct Linked {
    /// The workshop that offers.
    pub workshop: Workshop,
    /// The offer.
    pub offer: Offer,
    /// Make, model and year, as far as they are known.
    pub bike: Motorcycle,
}
/// The offer behind a link.
///
/// # Errors
/// 404 where it is unknown, 409 where it is over.
pub async fn linked(app: &App, plain: &str) -> Result<Linked> {
    let mut tx = app.store.read().await?;
    let unknown = || Error::NotFound("offer");
    let found = store_offer::find_by_secret(&mut tx, &secret::hash(plain), app.clock.now()).await?.ok_or_else(unknown)?;
    must_be_open(&found.offer)?;
    let workshop = store::workshop::find(&mut tx, found.workshop).await?.ok_or_else(unknown)?;
    let bike = store::motorcycle::find(&mut tx, found.workshop, found.offer.motorcycle_id).await?.ok_or_else(unknown)?;
    must_be_as_offered(&found, &bike)?;
    Ok(Linked { workshop, offer: found.offer, bike })
}

/// The answer to an offer by its link: work in both workshops, which stands in the one that offers.
struct Answer {
    work: Work,
    found: Found,
    own: Workshop,
    caller: Caller,
}
impl Answer {
    /// Goes over into the caller's workshop; gives the one that offered.
    async fn go_home(&mut self) -> Result<Workshop> {
        let from = self.work.go_over(self.own.clone()).await?;
        self.work.caller = self.caller.clone();
        Ok(from)
    }
}
/// Begins it. In the workshop that offers, another workshop answers: who does so there is nothing to this one.
async fn begin_answer(app: &App, caller: &Caller, once: Option<Once>, plain: &str) -> Result<Answer> {
    let hash = secret::hash(plain);
    let unknown = || Error::NotFound("offer");
    let from = store_offer::find_by_secret(&mut app.store.read().await?, &hash, app.clock.now()).await?.ok_or_else(unknown)?.workshop;
    if from == caller.workshop {
        let detail = "This motorcycle is in this workshop already; open the workshop that it is for, then answer there.";
        return Err(Error::conflict(detail, []));
    }
    let mut work = app.write_across(caller, once, from).await?;
    let now = work.now;
    let found = store_offer::find_by_secret(&mut work.tx, &hash, now).await?.ok_or_else(unknown)?;
    must_be_open(&found.offer)?;
    let source = store::workshop::find(&mut work.tx, from).await?.ok_or_else(unknown)?;
    let own = work.go_over(source).await?;
    let caller = std::mem::replace(&mut work.caller, Caller::workshop(from, &own.name));
    Ok(Answer { work, found, caller: Caller { workshop: own.id, ..caller }, own })
}

/// What is told in one workshop of the other.
#[derive(serde::Serialize)]
struct HandedOn<'a> {
    from_workshop: &'a str,
    to_workshop: &'a str,
    motorcycle: &'a str,
}

/// Accepts an offer by its link: the motorcycle comes into the caller's workshop with its history, and is archived where it was.
/// The work is to be finished then; until that, nothing has happened.
///
/// # Errors
/// 404 where the link is unknown, 409 where it is over or of the same workshop.
pub async fn accept_linked(app: &App, caller: &Caller, once: Option<Once>, plain: &str) -> Result<(Work, Motorcycle)> {
    let mut answer = begin_answer(app, caller, once, plain).await?;
    let work = &mut answer.work;
    let bike = motorcycle::unseen(work, answer.found.offer.motorcycle_id).await?;
    must_be_as_offered(&answer.found, &bike)?;
    let names = [work.workshop.name.clone(), answer.own.name.clone()];
    let told = HandedOn { from_workshop: &names[0], to_workshop: &names[1], motorcycle: &bike.name };
    let load = carry::take(work, &bike).await?;
    settle(work, &answer.found.offer, OfferState::Accepted, "accept").await?;
    let old = motorcycle::archive(work, bike.clone()).await?;
    work.audit("hand_on", Subject::of("motorcycle", old.id, old.id), None, Some(&told)).await?;
    let source = answer.go_home().await?;
    let mut work = answer.work;
    let id = carry::put(&mut work, source.id, load).await?;
    work.touch(id);
    work.audit("take_over", Subject::of("motorcycle", id, id), None, Some(&told)).await?;
    let new = motorcycle::get(&mut work, id).await?;
    Ok((work, new))
}
/// Declines an offer by its link.
///
/// # Errors
/// 404 where the link is unknown, 409 where it is over or of the same workshop.
pub async fn decline_linked(app: &App, caller: &Caller, once: Option<Once>, plain: &str) -> Result<Work> {
    let mut answer = begin_answer(app, caller, once, plain).await?;
    settle(&mut answer.work, &answer.found.offer, OfferState::Declined, "decline").await?;
    answer.go_home().await?;
    Ok(answer.work)
}
