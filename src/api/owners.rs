//! `/owners`
use std::sync::Arc;

use axum::{
    extract::State,
    http::{HeaderMap, Uri},
    response::Response,
};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, Page, PageQuery, page, unchanged},
    body::Body,
    extract::{Key, PathId, Query, Sees, Works},
};
use crate::{
    actions::{App, owner as actions},
    domain::{
        id::Id,
        motorcycle::{NewOwner, Owner},
    },
    error::Result,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list, add)).routes(routes!(show, change, hide))
}

/// List owners
///
/// By name, then id.
#[utoipa::path(get, path = "/owners", operation_id = "list_owners", tag = "owners", params(PageQuery),
    responses((status = 200, description = "A page of owners", body = Page<Owner>)))]
async fn list(State(app): State<Arc<App>>, Sees(caller): Sees, uri: Uri, Query(query): Query<PageQuery>) -> Result<Response> {
    let stretch = query.stretch()?;
    let limit = stretch.limit;
    let mut work = app.read(&caller).await?;
    let owners = actions::list(&mut work, stretch).await?;
    page(owners, limit, &uri, |owner| (owner.name.clone(), owner.id))
}

/// Add an owner
#[utoipa::path(post, path = "/owners", operation_id = "add_owner", tag = "owners", request_body = NewOwner,
    responses((status = 201, description = "The owner", body = Owner)))]
async fn add(State(app): State<Arc<App>>, Works(caller): Works, key: Key, body: Body) -> Result<Answer> {
    let new: NewOwner = body.json()?;
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let owner = actions::add(&mut work, new).await?;
    Answer::created(&format!("/owners/{}", owner.id), &owner)?.after(work).await
}

/// Show an owner
#[utoipa::path(get, path = "/owners/{id}", operation_id = "show_owner", tag = "owners", params(("id" = Id<Owner>, Path, description = "Their id")),
    responses((status = 200, description = "The owner", body = Owner)))]
async fn show(State(app): State<Arc<App>>, Sees(caller): Sees, PathId(id): PathId<Owner>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    Ok(Answer::one(&actions::get(&mut work, id).await?)?.unless_known(&headers))
}

/// Change an owner
#[utoipa::path(patch, path = "/owners/{id}", operation_id = "change_owner", tag = "owners", params(("id" = Id<Owner>, Path, description = "Their id")),
    request_body(content = NewOwner, content_type = "application/merge-patch+json", description = "The fields to change (RFC 7396)"),
    responses((status = 200, description = "The owner", body = Owner)))]
async fn change(
    State(app): State<Arc<App>>,
    Works(caller): Works,
    PathId(id): PathId<Owner>,
    headers: HeaderMap,
    body: Body,
) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    body.patch()?;
    unchanged(&headers, &now)?;
    let owner = actions::change(&mut work, &now, body.merged_into(&now.details())?).await?;
    Answer::one(&owner)?.after(work).await
}

/// Delete an owner
///
/// The owner is hidden; history keeps the name. Refused while a motorcycle in use is theirs.
#[utoipa::path(delete, path = "/owners/{id}", operation_id = "delete_owner", tag = "owners", params(("id" = Id<Owner>, Path, description = "Their id")),
    responses((status = 204, description = "Hidden")))]
async fn hide(State(app): State<Arc<App>>, Works(caller): Works, PathId(id): PathId<Owner>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    unchanged(&headers, &now)?;
    actions::hide(&mut work, &now).await?;
    Answer::nothing().after(work).await
}
