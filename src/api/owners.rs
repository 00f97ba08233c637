//! `/owners`
use std::sync::Arc;

use axum::{
    extract::State,
    http::{HeaderMap, Uri},
    response::Response,
};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, EraseQuery, Page, PageQuery, page, unchanged},
    body::Body,
    extract::{Key, PathId, Query, Sees, Works},
};
use crate::{
    access::Standing,
    actions::{App, erasure, owner as actions},
    domain::{
        id::Id,
        motorcycle::{NewOwner, Owner},
        words::TokenScope,
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
///
/// With `erase=true` the owner is erased (GDPR, article 17): wherever the workshop keeps the name, a neutral one such as "Erased person 3" stands in its place,
/// in records, signatures, amendments, letters, the audit trail and answers kept for repeated requests; e-mail addresses and telephone numbers
/// go, letters on their way to them are not sent, calendars and tokens are revoked, sessions, invitations and links end, of
/// those who come in as this owner too. Motorcycles in use are left without an owner.
/// The history of the motorcycles stays. A history packet is worked out anew each time, so one made later has another chain and
/// signature than one made before. It is found by spelling: nicknames and what stands in attached files are not, and backups made before hold
/// what they held. Another record with the same name is another person's until it is erased too. Whoever was taken out before can still be
/// erased: send `If-Match: *`.
#[utoipa::path(delete, path = "/owners/{id}", operation_id = "delete_owner", tag = "owners",
    params(("id" = Id<Owner>, Path, description = "Their id"), EraseQuery),
    responses((status = 204, description = "Hidden")))]
async fn hide(
    State(app): State<Arc<App>>,
    Works(caller): Works,
    PathId(id): PathId<Owner>,
    Query(query): Query<EraseQuery>,
    headers: HeaderMap,
) -> Result<Answer> {
    if query.erase {
        caller.may(TokenScope::Admin)?;
        caller.must_be(Standing::Manager)?;
    }
    let mut work = app.write(&caller, None).await?;
    if query.erase {
        let now = erasure::find_owner(&mut work, id).await?;
        unchanged(&headers, &now)?;
        erasure::erase_owner(&mut work, &now).await?;
    } else {
        let now = actions::get(&mut work, id).await?;
        unchanged(&headers, &now)?;
        actions::hide(&mut work, &now).await?;
    }
    Answer::nothing().after(work).await
}
