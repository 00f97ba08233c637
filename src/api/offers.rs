//! `/motorcycles/{id}/offers`, `/offers`
use std::sync::Arc;

use axum::{
    extract::State,
    http::{HeaderMap, Uri},
    response::Response,
};
use serde::{Deserialize, Serialize};
use time::OffsetDateTime;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, Page, PageQuery, page, unchanged},
    body::Body,
    extract::{Key, PathId, Query, Reads, Works, Writes},
};
use crate::{
    actions::{App, motorcycle, offer as actions},
    domain::{
        id::Id,
        motorcycle::{Motorcycle, Owner},
        offer::{NewOffer, Offer, OfferState},
    },
    error::{Error, Result},
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new()
        .routes(routes!(list, make))
        .routes(routes!(show, withdraw))
        .routes(routes!(accept))
        .routes(routes!(decline))
        .routes(routes!(accept_linked))
        .routes(routes!(decline_linked))
}

/// An offer that was just made; one to another workshop has its link.
#[derive(Debug, Serialize, ToSchema)]
struct MadeOffer {
    /// Its id, a UUIDv7 (RFC 9562).
    id: Id<Offer>,
    /// The motorcycle.
    motorcycle_id: Id<Motorcycle>,
    /// What it is called.
    motorcycle_name: String,
    /// The owner of this workshop to whom it is offered.
    to_owner_id: Option<Id<Owner>>,
    /// The address that its link is meant for.
    to_email: Option<String>,
    /// What came of it: nothing yet.
    state: OfferState,
    /// Who offered it: a person's or token's name.
    created_by: String,
    /// Until when it can be accepted, RFC 3339 in UTC.
    #[serde(with = "time::serde::rfc3339")]
    expires_at: OffsetDateTime,
    /// When it was settled: not yet.
    #[serde(with = "time::serde::rfc3339::option")]
    settled_at: Option<OffsetDateTime>,
    /// When it was made, RFC 3339 in UTC.
    #[serde(with = "time::serde::rfc3339")]
    created_at: OffsetDateTime,
    /// The link by which another workshop accepts it, once. It is shown here and never again; null in a replayed answer, and for an offer to
    /// an owner of this workshop. Where the server's public address is not set, it is a path.
    link: Option<String>,
}
impl MadeOffer {
    fn new(offer: Offer, link: Option<String>) -> Self {
        let Offer { id, motorcycle_id, motorcycle_name, to_owner_id, to_email, state, created_by, expires_at, settled_at, created_at } =
            offer;
        Self { id, motorcycle_id, motorcycle_name, to_owner_id, to_email, state, created_by, expires_at, settled_at, created_at, link }
    }
}

/// An answer that needs no more words.
#[derive(Debug, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({}))]
struct Plain {}

/// The secret of a link: what stands behind `/offers/` in it.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"secret": "yGZ0n1vQ4b7kq9XwTt2mZ5sJcE8rLhU3aVfDpoNiB6A"}))]
struct Secret {
    /// What stands behind `/offers/` in the link.
    secret: String,
}

/// List the offers of a motorcycle
///
/// To whom it was offered and what came of it, newest first.
#[utoipa::path(get, path = "/motorcycles/{id}/offers", operation_id = "list_offers", tag = "motorcycles",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id"), PageQuery),
    responses((status = 200, description = "A page of offers", body = Page<Offer>)))]
async fn list(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    PathId(id): PathId<Motorcycle>,
    uri: Uri,
    Query(query): Query<PageQuery>,
) -> Result<Response> {
    let stretch = query.stretch()?;
    let limit = stretch.limit;
    let mut work = app.read(&caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let offers = actions::list(&mut work, bike.id, stretch).await?;
    page(offers, limit, &uri, |offer| offer.id)
}

/// Offer a motorcycle
///
/// To another owner of the workshop who has an account, or (by a manager) to another workshop on this server. It changes hands once the
/// receiver accepts, within 30 days. This answer alone holds the link for another workshop.
#[utoipa::path(post, path = "/motorcycles/{id}/offers", operation_id = "make_offer", tag = "motorcycles", request_body = NewOffer,
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id")),
    responses((status = 201, description = "The offer, with its link", body = MadeOffer)))]
async fn make(State(app): State<Arc<App>>, Works(caller): Works, PathId(id): PathId<Motorcycle>, key: Key, body: Body) -> Result<Answer> {
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let (offer, path) = actions::make(&mut work, &bike, body.json()?).await?;
    let location = format!("/offers/{}", offer.id);
    match path {
        Some(path) => Answer::with_secret(work, &location, &offer, |link| MadeOffer::new(offer.clone(), link), app.site.link(&path)).await,
        None => Answer::created(&location, &MadeOffer::new(offer, None))?.after(work).await,
    }
}

/// Show an offer
///
/// To those who see the motorcycle, and to the owner to whom it is offered.
#[utoipa::path(get, path = "/offers/{id}", operation_id = "show_offer", tag = "motorcycles",
    params(("id" = Id<Offer>, Path, description = "Its id")),
    responses((status = 200, description = "The offer, without its link", body = Offer)))]
async fn show(State(app): State<Arc<App>>, Reads(caller): Reads, PathId(id): PathId<Offer>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    Ok(Answer::one(&actions::get(&mut work, id).await?)?.unless_known(&headers))
}

/// Withdraw an offer
///
/// It can be accepted no more.
#[utoipa::path(delete, path = "/offers/{id}", operation_id = "withdraw_offer", tag = "motorcycles",
    params(("id" = Id<Offer>, Path, description = "Its id")),
    responses((status = 204, description = "Withdrawn")))]
async fn withdraw(State(app): State<Arc<App>>, Works(caller): Works, PathId(id): PathId<Offer>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let offer = actions::get(&mut work, id).await?;
    unchanged(&headers, &offer)?;
    actions::withdraw(&mut work, &offer).await?;
    Answer::nothing().after(work).await
}

/// Accept an offer
///
/// By the owner to whom the motorcycle is offered: from now on it is his.
#[utoipa::path(post, path = "/offers/{id}/acceptance", operation_id = "accept_offer", tag = "motorcycles", request_body = Plain,
    params(("id" = Id<Offer>, Path, description = "Its id")),
    responses((status = 200, description = "The motorcycle", body = Motorcycle)))]
async fn accept(State(app): State<Arc<App>>, Writes(caller): Writes, PathId(id): PathId<Offer>, key: Key, body: Body) -> Result<Answer> {
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    actions::get(&mut work, id).await?;
    body.json::<Plain>()?;
    let bike = actions::accept(&mut work, id).await?;
    Answer::one(&bike)?.after(work).await
}

/// Decline an offer
///
/// By the owner to whom the motorcycle is offered.
#[utoipa::path(post, path = "/offers/{id}/refusal", operation_id = "decline_offer", tag = "motorcycles", request_body = Plain,
    params(("id" = Id<Offer>, Path, description = "Its id")),
    responses((status = 200, description = "The offer", body = Offer)))]
async fn decline(State(app): State<Arc<App>>, Writes(caller): Writes, PathId(id): PathId<Offer>, key: Key, body: Body) -> Result<Answer> {
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    actions::get(&mut work, id).await?;
    body.json::<Plain>()?;
    let offer = actions::decline(&mut work, id).await?;
    Answer::one(&offer)?.after(work).await
}

/// The path names nothing that could be missing; the body does.
fn at_the_secret(error: Error) -> Error {
    match error {
        Error::NotFound("offer") => Error::invalid("/secret", "is of no offer on this server; copy what stands behind /offers/ whole"),
        other => other,
    }
}

/// Take over a motorcycle from another workshop
///
/// By the secret of its link: the motorcycle comes into the caller's workshop with its history, under new ids, and is archived where it was.
/// Internal notes, prices and the owner stay behind; the workshop's rules, limits and fasteners that hold for it come along as its own.
#[utoipa::path(post, path = "/offers/acceptance", operation_id = "accept_linked_offer", tag = "motorcycles", request_body = Secret,
    responses((status = 201, description = "The motorcycle in this workshop", body = Motorcycle)))]
async fn accept_linked(State(app): State<Arc<App>>, Works(caller): Works, key: Key, body: Body) -> Result<Answer> {
    let sent: Secret = body.json()?;
    let (work, bike) = actions::accept_linked(&app, &caller, key.with(body.bytes())?, &sent.secret).await.map_err(at_the_secret)?;
    Answer::created(&format!("/motorcycles/{}", bike.id), &bike)?.after(work).await
}

/// Decline a motorcycle from another workshop
///
/// By the secret of its link, which works no more then.
#[utoipa::path(post, path = "/offers/refusal", operation_id = "decline_linked_offer", tag = "motorcycles", request_body = Secret,
    responses((status = 204, description = "Declined")))]
async fn decline_linked(State(app): State<Arc<App>>, Works(caller): Works, key: Key, body: Body) -> Result<Answer> {
    let sent: Secret = body.json()?;
    let work = actions::decline_linked(&app, &caller, key.with(body.bytes())?, &sent.secret).await.map_err(at_the_secret)?;
    Answer::nothing().after(work).await
}
