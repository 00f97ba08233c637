//! `/procedures` and their versions
use std::sync::Arc;

use axum::{
    extract::{FromRequestParts, RawPathParams, State},
    http::{HeaderMap, Uri, request::Parts},
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
    actions::{App, procedure as actions},
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        procedure::{NewProcedure, Procedure, ProcedureVersion},
    },
    error::{Error, Result},
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list, add)).routes(routes!(show, change, delete)).routes(routes!(versions)).routes(routes!(version))
}

/// Which procedures are asked for.
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

/// List procedures
///
/// Each as its newest version says, oldest first.
#[utoipa::path(get, path = "/procedures", operation_id = "list_procedures", tag = "rules", params(ListQuery),
    responses((status = 200, description = "A page of procedures", body = Page<Procedure>)))]
async fn list(State(app): State<Arc<App>>, Sees(caller): Sees, uri: Uri, Query(query): Query<ListQuery>) -> Result<Response> {
    let stretch = PageQuery { limit: query.limit, cursor: query.cursor }.stretch()?;
    let limit = stretch.limit;
    let mut work = app.read(&caller).await?;
    let found = actions::list(&mut work, query.component.as_deref(), query.motorcycle, stretch).await?;
    page(found, limit, &uri, |one| one.id)
}

/// Add a procedure
///
/// It is its version 1. A step may name a fastener by its key and what is measured: the figures shown are those of the motorcycle at hand.
#[utoipa::path(post, path = "/procedures", operation_id = "add_procedure", tag = "rules", request_body = NewProcedure,
    responses((status = 201, description = "The procedure", body = Procedure)))]
async fn add(State(app): State<Arc<App>>, Governs(caller): Governs, key: Key, body: Body) -> Result<Answer> {
    let new: NewProcedure = body.json()?;
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let added = actions::add(&mut work, new).await?;
    Answer::created(&format!("/procedures/{}", added.id), &added)?.after(work).await
}

/// Show a procedure
///
/// As its newest version says.
#[utoipa::path(get, path = "/procedures/{id}", operation_id = "show_procedure", tag = "rules", params(("id" = Id<Procedure>, Path, description = "Its id")),
    responses((status = 200, description = "The procedure", body = Procedure)))]
async fn show(State(app): State<Arc<App>>, Sees(caller): Sees, PathId(id): PathId<Procedure>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    Ok(Answer::one(&actions::get(&mut work, id).await?)?.unless_known(&headers))
}

/// Change a procedure
///
/// What is sent becomes its next version; the earlier ones stay as they are. A list of steps is replaced whole. Where nothing is different,
/// no version is made.
#[utoipa::path(patch, path = "/procedures/{id}", operation_id = "change_procedure", tag = "rules", params(("id" = Id<Procedure>, Path, description = "Its id")),
    request_body(content = NewProcedure, content_type = "application/merge-patch+json", description = "The fields to change (RFC 7396)"),
    responses((status = 200, description = "The procedure", body = Procedure)))]
async fn change(
    State(app): State<Arc<App>>,
    Governs(caller): Governs,
    PathId(id): PathId<Procedure>,
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

/// Withdraw a procedure
///
/// It is offered no more. Its versions stay readable, and so does what followed them.
#[utoipa::path(delete, path = "/procedures/{id}", operation_id = "withdraw_procedure", tag = "rules", params(("id" = Id<Procedure>, Path, description = "Its id")),
    responses((status = 204, description = "Withdrawn")))]
async fn delete(
    State(app): State<Arc<App>>,
    Governs(caller): Governs,
    PathId(id): PathId<Procedure>,
    headers: HeaderMap,
) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    unchanged(&headers, &now)?;
    actions::withdraw(&mut work, &now).await?;
    Answer::nothing().after(work).await
}

/// List the versions of a procedure
///
/// Oldest first; also those of a procedure that was withdrawn.
#[utoipa::path(get, path = "/procedures/{id}/versions", operation_id = "list_procedure_versions", tag = "rules",
    params(("id" = Id<Procedure>, Path, description = "The procedure's id"), PageQuery),
    responses((status = 200, description = "A page of versions", body = Page<ProcedureVersion>)))]
async fn versions(
    State(app): State<Arc<App>>,
    Sees(caller): Sees,
    PathId(id): PathId<Procedure>,
    uri: Uri,
    Query(query): Query<PageQuery>,
) -> Result<Response> {
    let stretch = query.stretch()?;
    let limit = stretch.limit;
    let mut work = app.read(&caller).await?;
    let found = actions::versions(&mut work, id, stretch).await?;
    page(found, limit, &uri, |one| one.id)
}

/// The number of a version in the path. What is no number is a version that nothing has.
struct Version(u32);
impl<S: Send + Sync> FromRequestParts<S> for Version {
    type Rejection = Error;
    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self> {
        let unknown = || Error::NotFound("version of a procedure");
        let params = RawPathParams::from_request_parts(parts, state).await.map_err(|_| unknown())?;
        params.iter().find(|(name, _)| *name == "version").and_then(|(_, text)| text.parse().ok()).map(Self).ok_or_else(unknown)
    }
}

/// Show a version of a procedure
///
/// As it was written; it never changes.
#[utoipa::path(get, path = "/procedures/{id}/versions/{version}", operation_id = "show_procedure_version", tag = "rules",
    params(("id" = Id<Procedure>, Path, description = "The procedure's id"), ("version" = u32, Path, description = "The number of the version, from 1")),
    responses((status = 200, description = "The version", body = ProcedureVersion)))]
async fn version(
    State(app): State<Arc<App>>,
    Sees(caller): Sees,
    PathId(id): PathId<Procedure>,
    Version(version): Version,
    headers: HeaderMap,
) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    Ok(Answer::one(&actions::version(&mut work, id, version).await?)?.unless_known(&headers))
}
