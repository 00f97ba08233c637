//! `/interval-rules`
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
    actions::{App, rule as actions},
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        rule::{IntervalRule, NewIntervalRule},
    },
    error::Result,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list, add)).routes(routes!(show, change, delete))
}

/// Which interval rules are asked for.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct ListQuery {
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

/// List interval rules
///
/// Oldest first.
#[utoipa::path(get, path = "/interval-rules", operation_id = "list_interval_rules", tag = "rules", params(ListQuery),
    responses((status = 200, description = "A page of interval rules", body = Page<IntervalRule>)))]
async fn list(State(app): State<Arc<App>>, Sees(caller): Sees, uri: Uri, Query(query): Query<ListQuery>) -> Result<Response> {
    let stretch = PageQuery { limit: query.limit, cursor: query.cursor }.stretch()?;
    let limit = stretch.limit;
    let mut work = app.read(&caller).await?;
    let found = actions::list(&mut work, query.component.as_deref(), query.motorcycle, stretch).await?;
    page(found, limit, &uri, |one| one.id)
}

/// Add an interval rule
///
/// It applies to the history entered earlier too: what is due by it is worked out at once on every motorcycle that it is for.
#[utoipa::path(post, path = "/interval-rules", operation_id = "add_interval_rule", tag = "rules", request_body = NewIntervalRule,
    responses((status = 201, description = "The interval rule", body = IntervalRule)))]
async fn add(State(app): State<Arc<App>>, Governs(caller): Governs, key: Key, body: Body) -> Result<Answer> {
    let new: NewIntervalRule = body.json()?;
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let added = actions::add(&mut work, new).await?;
    Answer::created(&format!("/interval-rules/{}", added.id), &added)?.after(work).await
}

/// Show an interval rule
#[utoipa::path(get, path = "/interval-rules/{id}", operation_id = "show_interval_rule", tag = "rules", params(("id" = Id<IntervalRule>, Path, description = "Its id")),
    responses((status = 200, description = "The interval rule", body = IntervalRule)))]
async fn show(State(app): State<Arc<App>>, Sees(caller): Sees, PathId(id): PathId<IntervalRule>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    Ok(Answer::one(&actions::get(&mut work, id).await?)?.unless_known(&headers))
}

/// Change an interval rule
///
/// What is due by it is worked out again on every motorcycle that it was for or is for now.
#[utoipa::path(patch, path = "/interval-rules/{id}", operation_id = "change_interval_rule", tag = "rules", params(("id" = Id<IntervalRule>, Path, description = "Its id")),
    request_body(content = NewIntervalRule, content_type = "application/merge-patch+json", description = "The fields to change (RFC 7396)"),
    responses((status = 200, description = "The interval rule", body = IntervalRule)))]
async fn change(
    State(app): State<Arc<App>>,
    Governs(caller): Governs,
    PathId(id): PathId<IntervalRule>,
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

/// Delete an interval rule
///
/// Nothing is due by it any more. What was done stays.
#[utoipa::path(delete, path = "/interval-rules/{id}", operation_id = "delete_interval_rule", tag = "rules", params(("id" = Id<IntervalRule>, Path, description = "Its id")),
    responses((status = 204, description = "Deleted")))]
async fn delete(
    State(app): State<Arc<App>>,
    Governs(caller): Governs,
    PathId(id): PathId<IntervalRule>,
    headers: HeaderMap,
) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    unchanged(&headers, &now)?;
    actions::delete(&mut work, &now).await?;
    Answer::nothing().after(work).await
}
