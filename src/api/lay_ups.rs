//! `/motorcycles/{id}/lay-ups` and `/lay-ups`: when a motorcycle stands.
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
    extract::{Key, PathId, Query, Reads, Works},
};
use crate::{
    actions::{App, lay_up as actions, motorcycle},
    domain::{
        id::Id,
        lay_up::{LayUp, NewLayUp},
        motorcycle::Motorcycle,
    },
    error::Result,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list, add)).routes(routes!(show, change, remove))
}

/// List lay-ups
///
/// Newest first: by first day, then in the order entered.
#[utoipa::path(get, path = "/motorcycles/{id}/lay-ups", operation_id = "list_lay_ups", tag = "readings",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id"), PageQuery),
    responses((status = 200, description = "A page of lay-ups", body = Page<LayUp>)))]
async fn list(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    PathId(id): PathId<Motorcycle>,
    uri: Uri,
    Query(query): Query<PageQuery>,
) -> Result<Response> {
    let mut work = app.read(&caller).await?;
    motorcycle::get(&mut work, id).await?;
    let stretch = query.stretch()?;
    let limit = stretch.limit;
    let lay_ups = actions::list(&mut work, id, stretch).await?;
    page(lay_ups, limit, &uri, |lay_up| (lay_up.from, lay_up.id))
}

/// Say when a motorcycle stands
///
/// Nothing is projected to be ridden from the first day to the last, both included; without a last day it stands until one is given.
/// Refused where another lay-up holds one of the days.
#[utoipa::path(post, path = "/motorcycles/{id}/lay-ups", operation_id = "add_lay_up", tag = "readings",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id")), request_body = NewLayUp,
    responses((status = 201, description = "The lay-up", body = LayUp)))]
async fn add(State(app): State<Arc<App>>, Works(caller): Works, PathId(id): PathId<Motorcycle>, key: Key, body: Body) -> Result<Answer> {
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let lay_up = actions::add(&mut work, &bike, body.json::<NewLayUp>()?).await?;
    Answer::created(&format!("/lay-ups/{}", lay_up.id), &lay_up)?.after(work).await
}

/// Show a lay-up
#[utoipa::path(get, path = "/lay-ups/{id}", operation_id = "show_lay_up", tag = "readings", params(("id" = Id<LayUp>, Path, description = "Its id")),
    responses((status = 200, description = "The lay-up", body = LayUp)))]
async fn show(State(app): State<Arc<App>>, Reads(caller): Reads, PathId(id): PathId<LayUp>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    Ok(Answer::one(&actions::get(&mut work, id).await?)?.unless_known(&headers))
}

/// Change a lay-up
///
/// Say its last day when the motorcycle goes on the road again.
#[utoipa::path(patch, path = "/lay-ups/{id}", operation_id = "change_lay_up", tag = "readings", params(("id" = Id<LayUp>, Path, description = "Its id")),
    request_body(content = NewLayUp, content_type = "application/merge-patch+json", description = "The fields to change (RFC 7396)"),
    responses((status = 200, description = "The lay-up", body = LayUp)))]
async fn change(
    State(app): State<Arc<App>>,
    Works(caller): Works,
    PathId(id): PathId<LayUp>,
    headers: HeaderMap,
    body: Body,
) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    body.patch()?;
    unchanged(&headers, &now)?;
    let lay_up = actions::change(&mut work, &now, body.merged_into(&now.details())?).await?;
    Answer::one(&lay_up)?.after(work).await
}

/// Delete a lay-up
///
/// It is gone, as if it had never been entered; the audit trail keeps it.
#[utoipa::path(delete, path = "/lay-ups/{id}", operation_id = "delete_lay_up", tag = "readings", params(("id" = Id<LayUp>, Path, description = "Its id")),
    responses((status = 204, description = "Gone")))]
async fn remove(State(app): State<Arc<App>>, Works(caller): Works, PathId(id): PathId<LayUp>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    unchanged(&headers, &now)?;
    actions::remove(&mut work, &now).await?;
    Answer::nothing().after(work).await
}
