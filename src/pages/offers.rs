//! `/motorcycles/{id}/hand-on`: offer a motorcycle, take the offer back. `/offers/{key}`: answer one, by its id within the workshop, by the
//! secret of its link from another.
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::{Path, State},
    response::{IntoResponse, Response},
};

use super::{
    answer::{Done, Page},
    fault::Fault,
    form::Form,
    frame::{Frame, Nav},
    guard::{Mechanic, PathId, SecondId, Visitor},
    links, motorcycles,
    people::{Link, elsewhere},
    welcome::{over, private},
};
use crate::{
    access::Standing,
    actions::{App, Work, motorcycle, offer as actions, owner},
    domain::{
        calendar,
        id::Id,
        motorcycle::Motorcycle,
        offer::{NewOffer, Offer, OfferState},
    },
    error::{Error, Result},
    store::Stretch,
};

#[derive(Template)]
#[template(path = "hand_on.html", whitespace = "minimize")]
struct HandOnPage {
    frame: Frame,
    form: Form,
    path: String,
    name: String,
    archived: bool,
    link: Option<Link>,
    open: Option<Row>,
    before: Vec<Row>,
    owners: Vec<(String, String)>,
}
struct Row {
    id: Id<Offer>,
    to: String,
    state: String,
}

impl HandOnPage {
    async fn new(visitor: &Visitor, work: &mut Work, bike: &Motorcycle, form: Form, link: Option<Link>) -> Result<Self> {
        let mut rows = Vec::new();
        let mut open = None;
        for offer in actions::list(work, bike.id, Stretch { after: None, limit: 50 }).await? {
            let row = row(work, &offer).await?;
            if offer.state == OfferState::Open {
                open = Some(row);
            } else {
                rows.push(row);
            }
        }
        let all = owner::list(work, Stretch { after: None, limit: 500 }).await?;
        let others = all.into_iter().filter(|owner| Some(owner.id) != bike.owner_id);
        Ok(Self {
            frame: visitor.frame(work, Nav::Motorcycles).below(),
            form,
            path: format!("{}/hand-on", links::motorcycle(bike.id)),
            name: bike.name.clone(),
            archived: bike.archived,
            link,
            open,
            before: rows,
            owners: [(String::new(), "nobody here".to_owned())]
                .into_iter()
                .chain(others.map(|owner| (owner.id.to_string(), owner.name)))
                .collect(),
        })
    }
}
async fn row(work: &mut Work, offer: &Offer) -> Result<Row> {
    let to = match (offer.to_owner_id, &offer.to_email) {
        (Some(id), _) => owner::get(work, id).await.map_or_else(|_| "an owner taken out of the list".into(), |owner| owner.name),
        (None, email) => format!("another workshop, by {}", email.as_deref().unwrap_or("a link")),
    };
    let day = |at: Option<time::OffsetDateTime>| at.map(|at| calendar::words(at.date())).unwrap_or_default();
    let state = match offer.state {
        OfferState::Open => format!("open until {}", day(Some(offer.expires_at))),
        OfferState::Expired => format!("not answered by {}", day(Some(offer.expires_at))),
        other => format!("{other} on {}", day(offer.settled_at)),
    };
    Ok(Row { id: offer.id, to, state })
}
fn fresh() -> Form {
    Form::showing([("to_owner_id", String::new()), ("to_email", String::new())])
}

/// `GET /motorcycles/{id}/hand-on`
pub(super) async fn hand_on(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<Motorcycle>,
) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    Ok(Page(HandOnPage::new(&visitor, &mut work, &bike, fresh(), None).await?).into_response())
}

/// `POST /motorcycles/{id}/hand-on`
pub(super) async fn offer(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<Motorcycle>,
    mut form: Form,
) -> Result<Response, Fault> {
    let new = NewOffer { to_owner_id: form.chosen("to_owner_id"), to_email: form.optional("to_email") };
    let mut work = visitor.write(&app, &mut form).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let made = match form.ready(Some(new)) {
        Ok(new) => actions::make(&mut work, &bike, new).await,
        Err(error) => Err(error),
    };
    let here = format!("{}/hand-on", links::motorcycle(id));
    match made {
        Ok((_, Some(path))) => {
            let link = Link::new(&app, format!("The offer of {} to another workshop", bike.name), &path, false);
            let page = HandOnPage::new(&visitor, &mut work, &bike, fresh(), Some(link)).await?;
            // The secret is not kept for a second tap.
            let said = "This offer was made before, and its link shown then. If it was not copied, withdraw it and make a new one.";
            work.finish(Some(&elsewhere(&here, said))).await?;
            Ok(private(Page(page).into_response()))
        }
        Ok((_, None)) => Done::new(here, format!("{} is offered; it changes hands once it is accepted.", bike.name)).after(work).await,
        Err(error) => {
            let status = error.status();
            form.refused(error)?;
            Ok(Page(HandOnPage::new(&visitor, &mut work, &bike, form, None).await?).with_status(status))
        }
    }
}

/// `POST /motorcycles/{id}/hand-on/{below}/withdraw`
pub(super) async fn withdraw(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<Motorcycle>,
    SecondId(below): SecondId<Offer>,
) -> Result<Response, Fault> {
    let mut work = app.write(&visitor.caller, None).await?;
    let offer = actions::get(&mut work, below).await?;
    if offer.motorcycle_id != id {
        return Err(Error::NotFound("offer").into());
    }
    actions::withdraw(&mut work, &offer).await?;
    Done::new(format!("{}/hand-on", links::motorcycle(id)), "The offer is withdrawn.").after(work).await
}

/// What is offered to somebody, as lines on their pages: the way to the answer, and the motorcycle's name.
pub(super) async fn offered(work: &mut Work) -> Result<Vec<(String, String)>> {
    let offers = actions::to_me(work).await?;
    Ok(offers.into_iter().map(|offer| (format!("/offers/{}", offer.id), offer.motorcycle_name)).collect())
}

#[derive(Template)]
#[template(path = "offer.html", whitespace = "minimize")]
struct OfferPage {
    frame: Frame,
    form: Form,
    action: String,
    name: String,
    about: String,
    by: String,
    until: String,
    /// The workshop that it comes from and the one that it would come into; none within one workshop.
    workshops: Option<(String, String)>,
    /// Why this visitor cannot answer.
    cannot: Option<&'static str>,
}

/// The page of what can be answered, or the one that says why not.
async fn page(app: &App, visitor: &Visitor, key: &str, form: Form) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    if let Ok(id) = key.parse::<Id<Offer>>() {
        let offer = actions::get(&mut work, id).await?;
        if let Some(why) = offer.over() {
            return Ok(over("This offer is over", why));
        }
        let mine = actions::is_receiver(&mut work, &offer).await?;
        let bike = motorcycle::unseen(&mut work, offer.motorcycle_id).await?;
        let cannot = (!mine).then_some("Only the owner to whom it is offered can answer.");
        return Ok(Page(OfferPage::new(visitor, &work, key, form, &offer, &bike, None, cannot)).into_response());
    }
    let linked = match actions::linked(app, key).await {
        Err(Error::NotFound(_)) => return Ok(unknown_link()),
        Err(Error::Conflict { detail, .. }) => {
            return Err(Error::conflict(detail, []).into());
        }
        other => other?,
    };
    let cannot = if linked.workshop.id == visitor.caller.workshop {
        Some("This is the workshop that offers it. Open the workshop that it is for on the page of your account, then open the link again.")
    } else if visitor.caller.standing < Standing::Mechanic {
        Some(
            "Somebody who works in the receiving workshop answers this. Open a workshop in which you are manager or mechanic on the page of your account, then open the link again.",
        )
    } else {
        None
    };
    let workshops = Some((linked.workshop.name, work.workshop.name.clone()));
    let page = OfferPage::new(visitor, &work, key, form, &linked.offer, &linked.bike, workshops, cannot);
    Ok(private(Page(page).into_response()))
}
fn unknown_link() -> Response {
    over(
        "This offer does not work",
        "Its address was not copied whole, or it is none of this server. Ask the workshop that offers for a new one.",
    )
}
impl OfferPage {
    #[expect(clippy::too_many_arguments, reason = "what stands on the page comes from as many places")]
    fn new(
        visitor: &Visitor,
        work: &Work,
        key: &str,
        form: Form,
        offer: &Offer,
        bike: &Motorcycle,
        workshops: Option<(String, String)>,
        cannot: Option<&'static str>,
    ) -> Self {
        Self {
            frame: visitor.frame(work, Nav::Motorcycles).below(),
            form,
            action: format!("/offers/{}", links::encode(key)),
            name: bike.name.clone(),
            about: motorcycles::about(bike),
            by: offer.created_by.clone(),
            until: calendar::words(offer.expires_at.date()),
            workshops,
            cannot,
        }
    }
}

/// `GET /offers/{key}`
pub(super) async fn show(State(app): State<Arc<App>>, visitor: Visitor, Path(key): Path<String>) -> Result<Response, Fault> {
    page(&app, &visitor, &key, Form::showing([])).await
}

/// `POST /offers/{key}`
pub(super) async fn answer(
    State(app): State<Arc<App>>,
    visitor: Visitor,
    Path(key): Path<String>,
    mut form: Form,
) -> Result<Response, Fault> {
    let accepts = form.is("answer", "accept");
    if !accepts && !form.is("answer", "decline") {
        return page(&app, &visitor, &key, form).await;
    }
    if let Ok(id) = key.parse::<Id<Offer>>() {
        let mut work = visitor.write(&app, &mut form).await?;
        if accepts {
            let bike = actions::accept(&mut work, id).await?;
            return Done::new(links::motorcycle(bike.id), format!("{} is yours now.", bike.name)).after(work).await;
        }
        let offer = actions::decline(&mut work, id).await?;
        return Done::new("/motorcycles", format!("You declined {}.", offer.motorcycle_name)).after(work).await;
    }
    visitor.caller.must_be(Standing::Mechanic)?;
    if accepts {
        let (work, bike) = match actions::accept_linked(&app, &visitor.caller, form.once(), &key).await {
            Err(Error::NotFound(_)) => return Ok(unknown_link()),
            other => other?,
        };
        let said = format!("{} is in {} now, with its history.", bike.name, work.workshop.name);
        return Done::new(links::motorcycle(bike.id), said).after(work).await;
    }
    let work = match actions::decline_linked(&app, &visitor.caller, form.once(), &key).await {
        Err(Error::NotFound(_)) => return Ok(unknown_link()),
        other => other?,
    };
    Done::new("/motorcycles", "The offer is declined.").after(work).await
}
