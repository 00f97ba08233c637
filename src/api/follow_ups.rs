//! `/follow-ups`, `/follow-ups/{id}`
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
    extract::{PathId, Query, Reads, Works},
};
use crate::{
    actions::{App, follow_up as actions},
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        service::{FollowUp, FollowUpChange},
        words::FollowUpStatus,
    },
    error::Result,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list)).routes(routes!(show, change))
}

/// Which follow-ups are asked for.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct ListQuery {
    /// Of this motorcycle.
    motorcycle: Option<Id<Motorcycle>>,
    /// With this status.
    status: Option<FollowUpStatus>,
    /// How many items, 1 to 200.
    #[param(value_type = Option<i64>, minimum = 1, maximum = 200, default = 50)]
    limit: Option<String>,
    /// `next` of the page before.
    cursor: Option<String>,
}

/// List follow-ups
///
/// In the order in which they were entered, newest first. Those of struck-out events are left out; by id they stay readable.
#[utoipa::path(get, path = "/follow-ups", operation_id = "list_follow_ups", tag = "services", params(ListQuery),
    responses((status = 200, description = "A page of follow-ups", body = Page<FollowUp>)))]
async fn list(State(app): State<Arc<App>>, Reads(caller): Reads, uri: Uri, Query(query): Query<ListQuery>) -> Result<Response> {
    let stretch = PageQuery { limit: query.limit, cursor: query.cursor }.stretch()?;
    let limit = stretch.limit;
    let mut work = app.read(&caller).await?;
    let follow_ups = actions::list(&mut work, query.motorcycle, query.status, stretch).await?;
    page(follow_ups, limit, &uri, |follow_up| follow_up.id)
}

/// Show a follow-up
#[utoipa::path(get, path = "/follow-ups/{id}", operation_id = "show_follow_up", tag = "services",
    params(("id" = Id<FollowUp>, Path, description = "Its id")),
    responses((status = 200, description = "The follow-up", body = FollowUp)))]
async fn show(State(app): State<Arc<App>>, Reads(caller): Reads, PathId(id): PathId<FollowUp>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    Ok(Answer::one(&actions::get(&mut work, id).await?)?.unless_known(&headers))
}

/// Say how a follow-up stands
///
/// `done`, `dropped` with a reason, or `open` again. What a service event settled opens again when that event is struck out.
#[utoipa::path(patch, path = "/follow-ups/{id}", operation_id = "change_follow_up", tag = "services",
    params(("id" = Id<FollowUp>, Path, description = "Its id")),
    request_body(content = FollowUpChange, content_type = "application/merge-patch+json", description = "The fields to change (RFC 7396)"),
    responses((status = 200, description = "The follow-up", body = FollowUp)))]
async fn change(
    State(app): State<Arc<App>>,
    Works(caller): Works,
    PathId(id): PathId<FollowUp>,
    headers: HeaderMap,
    body: Body,
) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    body.patch()?;
    unchanged(&headers, &now)?;
    let follow_up = actions::change(&mut work, &now, body.merged_into(&actions::details(&now))?).await?;
    Answer::one(&follow_up)?.after(work).await
}
