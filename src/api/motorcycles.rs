//! `/motorcycles`
use std::sync::Arc;

use axum::{
    extract::State,
    http::{HeaderMap, Uri},
    response::Response,
};
use serde::Deserialize;
use time::OffsetDateTime;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, Page, PageQuery, page, unchanged},
    body::Body,
    extract::{Key, PathId, Query, Reads, Works},
};
use crate::{
    actions::{App, motorcycle as actions},
    domain::{
        id::Id,
        motorcycle::{Motorcycle, NewMotorcycle, Owner},
    },
    error::Result,
    store::motorcycle::Wanted,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list, add)).routes(routes!(show, change, archive))
}

/// Which motorcycles are asked for.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct ListQuery {
    /// Of this owner.
    owner: Option<Id<Owner>>,
    /// With these words in name, make, model, registration, VIN or frame number.
    q: Option<String>,
    /// Only archived ones.
    #[serde(default)]
    archived: bool,
    /// Changed at or after this instant.
    #[serde(default, with = "time::serde::rfc3339::option")]
    changed_since: Option<OffsetDateTime>,
    /// How many items, 1 to 200.
    #[param(value_type = Option<i64>, minimum = 1, maximum = 200, default = 50)]
    limit: Option<String>,
    /// `next` of the page before.
    cursor: Option<String>,
}

/// List motorcycles
///
/// By name, then id.
#[utoipa::path(get, path = "/motorcycles", operation_id = "list_motorcycles", tag = "motorcycles", params(ListQuery),
    responses((status = 200, description = "A page of motorcycles", body = Page<Motorcycle>)))]
async fn list(State(app): State<Arc<App>>, Reads(caller): Reads, uri: Uri, Query(query): Query<ListQuery>) -> Result<Response> {
    let stretch = PageQuery { limit: query.limit, cursor: query.cursor }.stretch()?;
    let limit = stretch.limit;
    let wanted = Wanted { owner: query.owner, words: query.q, archived: query.archived, changed_since: query.changed_since };
    let mut work = app.read(&caller).await?;
    let bikes = actions::list(&mut work, &wanted, stretch).await?;
    page(bikes, limit, &uri, |bike| (bike.name.clone(), bike.id))
}

/// Add a motorcycle
#[utoipa::path(post, path = "/motorcycles", operation_id = "add_motorcycle", tag = "motorcycles", request_body = NewMotorcycle,
    responses((status = 201, description = "The motorcycle", body = Motorcycle)))]
async fn add(State(app): State<Arc<App>>, Works(caller): Works, key: Key, body: Body) -> Result<Answer> {
    let new: NewMotorcycle = body.json()?;
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let bike = actions::add(&mut work, new).await?;
    Answer::created(&format!("/motorcycles/{}", bike.id), &bike)?.after(work).await
}

/// Show a motorcycle
#[utoipa::path(get, path = "/motorcycles/{id}", operation_id = "show_motorcycle", tag = "motorcycles", params(("id" = Id<Motorcycle>, Path, description = "Its id")),
    responses((status = 200, description = "The motorcycle", body = Motorcycle)))]
async fn show(State(app): State<Arc<App>>, Reads(caller): Reads, PathId(id): PathId<Motorcycle>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    Ok(Answer::one(&actions::get(&mut work, id).await?)?.unless_known(&headers))
}

/// Change a motorcycle
#[utoipa::path(patch, path = "/motorcycles/{id}", operation_id = "change_motorcycle", tag = "motorcycles", params(("id" = Id<Motorcycle>, Path, description = "Its id")),
    request_body(content = NewMotorcycle, content_type = "application/merge-patch+json", description = "The fields to change (RFC 7396)"),
    responses((status = 200, description = "The motorcycle", body = Motorcycle)))]
async fn change(
    State(app): State<Arc<App>>,
    Works(caller): Works,
    PathId(id): PathId<Motorcycle>,
    headers: HeaderMap,
    body: Body,
) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    body.patch()?;
    unchanged(&headers, &now)?;
    let bike = actions::change(&mut work, now.clone(), body.merged_into(&now.details())?).await?;
    Answer::one(&bike)?.after(work).await
}

/// Archive a motorcycle
///
/// It is left out of lists; by its id it stays readable.
#[utoipa::path(delete, path = "/motorcycles/{id}", operation_id = "archive_motorcycle", tag = "motorcycles", params(("id" = Id<Motorcycle>, Path, description = "Its id")),
    responses((status = 204, description = "Archived")))]
async fn archive(State(app): State<Arc<App>>, Works(caller): Works, PathId(id): PathId<Motorcycle>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    unchanged(&headers, &now)?;
    actions::archive(&mut work, now).await?;
    Answer::nothing().after(work).await
}
