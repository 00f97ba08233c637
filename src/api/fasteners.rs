//! `/fasteners`
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
    actions::{App, fastener as actions},
    domain::{
        fastener::{Fastener, NewFastener},
        id::Id,
        motorcycle::Motorcycle,
    },
    error::Result,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list, add)).routes(routes!(show, change, delete))
}

/// Which fasteners are asked for.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct ListQuery {
    /// Of this key.
    key: Option<String>,
    /// Of this component.
    component: Option<String>,
    /// Written for this one motorcycle.
    motorcycle: Option<Id<Motorcycle>>,
    /// How many items, 1 to 200.
    #[param(value_type = Option<i64>, minimum = 1, maximum = 200, default = 50)]
    limit: Option<String>,
    /// `next` of the page before.
    cursor: Option<String>,
}

/// List fasteners
///
/// Oldest first.
#[utoipa::path(get, path = "/fasteners", operation_id = "list_fasteners", tag = "rules", params(ListQuery),
    responses((status = 200, description = "A page of fasteners", body = Page<Fastener>)))]
async fn list(State(app): State<Arc<App>>, Sees(caller): Sees, uri: Uri, Query(query): Query<ListQuery>) -> Result<Response> {
    let stretch = PageQuery { limit: query.limit, cursor: query.cursor }.stretch()?;
    let limit = stretch.limit;
    let mut work = app.read(&caller).await?;
    let wanted = actions::Wanted { key: query.key, component: query.component, motorcycle: query.motorcycle };
    let found = actions::list(&mut work, &wanted, stretch).await?;
    page(found, limit, &uri, |one| one.id)
}

/// Add a fastener
///
/// A second one of the same key for the same motorcycles at one rank is refused (409).
#[utoipa::path(post, path = "/fasteners", operation_id = "add_fastener", tag = "rules", request_body = NewFastener,
    responses((status = 201, description = "The fastener", body = Fastener)))]
async fn add(State(app): State<Arc<App>>, Governs(caller): Governs, key: Key, body: Body) -> Result<Answer> {
    let new: NewFastener = body.json()?;
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let added = actions::add(&mut work, new).await?;
    Answer::created(&format!("/fasteners/{}", added.id), &added)?.after(work).await
}

/// Show a fastener
#[utoipa::path(get, path = "/fasteners/{id}", operation_id = "show_fastener", tag = "rules", params(("id" = Id<Fastener>, Path, description = "Its id")),
    responses((status = 200, description = "The fastener", body = Fastener)))]
async fn show(State(app): State<Arc<App>>, Sees(caller): Sees, PathId(id): PathId<Fastener>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    Ok(Answer::one(&actions::get(&mut work, id).await?)?.unless_known(&headers))
}

/// Change a fastener
///
/// What was tightened by it keeps its verdicts.
#[utoipa::path(patch, path = "/fasteners/{id}", operation_id = "change_fastener", tag = "rules", params(("id" = Id<Fastener>, Path, description = "Its id")),
    request_body(content = NewFastener, content_type = "application/merge-patch+json", description = "The fields to change (RFC 7396)"),
    responses((status = 200, description = "The fastener", body = Fastener)))]
async fn change(
    State(app): State<Arc<App>>,
    Governs(caller): Governs,
    PathId(id): PathId<Fastener>,
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

/// Delete a fastener
///
/// Its key then means the next most specific fastener, or nothing.
#[utoipa::path(delete, path = "/fasteners/{id}", operation_id = "delete_fastener", tag = "rules", params(("id" = Id<Fastener>, Path, description = "Its id")),
    responses((status = 204, description = "Deleted")))]
async fn delete(State(app): State<Arc<App>>, Governs(caller): Governs, PathId(id): PathId<Fastener>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    unchanged(&headers, &now)?;
    actions::delete(&mut work, &now).await?;
    Answer::nothing().after(work).await
}
