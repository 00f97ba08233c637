//! `/limits`
use std::sync::Arc;

use axum::{
    extract::State,
    http::{HeaderMap, Uri},
    response::Response,
};
use serde::Deserialize;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, Page, PageQuery, page, unchanged},
    body::Body,
    extract::{Governs, Key, PathId, Query, Sees},
};
use crate::{
    actions::{App, limit as actions},
    domain::{
        id::Id,
        limit::{Limit, NewLimit},
        motorcycle::Motorcycle,
        words::Measurand,
    },
    error::Result,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list, add)).routes(routes!(show, change, delete))
}

/// Which limits are asked for.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct ListQuery {
    /// Of this component.
    component: Option<String>,
    /// Of this quantity.
    quantity: Option<Measurand>,
    /// Written for this one motorcycle.
    motorcycle: Option<Id<Motorcycle>>,
    /// How many items, 1 to 200.
    #[param(value_type = Option<i64>, minimum = 1, maximum = 200, default = 50)]
    limit: Option<String>,
    /// `next` of the page before.
    cursor: Option<String>,
}

/// List limits
///
/// Oldest first.
#[utoipa::path(get, path = "/limits", operation_id = "list_limits", tag = "rules", params(ListQuery),
    responses((status = 200, description = "A page of limits", body = Page<Limit>)))]
async fn list(State(app): State<Arc<App>>, Sees(caller): Sees, uri: Uri, Query(query): Query<ListQuery>) -> Result<Response> {
    let stretch = PageQuery { limit: query.limit, cursor: query.cursor }.stretch()?;
    let limit = stretch.limit;
    let mut work = app.read(&caller).await?;
    let wanted = actions::Wanted { component: query.component, quantity: query.quantity, motorcycle: query.motorcycle };
    let found = actions::list(&mut work, &wanted, stretch).await?;
    page(found, limit, &uri, |one| one.id)
}

/// Add a limit
///
/// It judges what is measured from now on. One that overlaps another of its kind at its rank is refused (409).
#[utoipa::path(post, path = "/limits", operation_id = "add_limit", tag = "rules", request_body = NewLimit,
    responses((status = 201, description = "The limit", body = Limit)))]
async fn add(State(app): State<Arc<App>>, Governs(caller): Governs, key: Key, body: Body) -> Result<Answer> {
    let new: NewLimit = body.json()?;
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let added = actions::add(&mut work, new).await?;
    Answer::created(&format!("/limits/{}", added.id), &added)?.after(work).await
}

/// Show a limit
#[utoipa::path(get, path = "/limits/{id}", operation_id = "show_limit", tag = "rules", params(("id" = Id<Limit>, Path, description = "Its id")),
    responses((status = 200, description = "The limit", body = Limit)))]
async fn show(State(app): State<Arc<App>>, Sees(caller): Sees, PathId(id): PathId<Limit>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    Ok(Answer::one(&actions::get(&mut work, id).await?)?.unless_known(&headers))
}

/// Change a limit
///
/// Values that were judged by it keep their verdicts; `?judge=now` on a value shows both.
#[utoipa::path(patch, path = "/limits/{id}", operation_id = "change_limit", tag = "rules", params(("id" = Id<Limit>, Path, description = "Its id")),
    request_body(content = NewLimit, content_type = "application/merge-patch+json", description = "The fields to change (RFC 7396)"),
    responses((status = 200, description = "The limit", body = Limit)))]
async fn change(
    State(app): State<Arc<App>>,
    Governs(caller): Governs,
    PathId(id): PathId<Limit>,
    headers: HeaderMap,
    body: Body,
) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    body.patch()?;
    unchanged(&headers, &now)?;
    let new = body.merged_into(&now.details())?;
    let changed = actions::change(&mut work, now, new).await?;
    Answer::one(&changed)?.after(work).await
}

/// Delete a limit
///
/// Nothing is judged by it any more. Values that were keep their verdicts.
#[utoipa::path(delete, path = "/limits/{id}", operation_id = "delete_limit", tag = "rules", params(("id" = Id<Limit>, Path, description = "Its id")),
    responses((status = 204, description = "Deleted")))]
async fn delete(State(app): State<Arc<App>>, Governs(caller): Governs, PathId(id): PathId<Limit>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    unchanged(&headers, &now)?;
    actions::delete(&mut work, &now).await?;
    Answer::nothing().after(work).await
}
