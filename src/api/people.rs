//! `/people`
use std::sync::Arc;

use axum::{
    extract::State,
    http::{HeaderMap, Uri},
    response::Response,
};
use serde::Serialize;
use time::OffsetDateTime;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, EraseQuery, Page, PageQuery, page, unchanged},
    body::Body,
    extract::{Administers, Key, PathId, Query},
};
use crate::{
    actions::{App, erasure, person as actions},
    domain::{
        id::Id,
        motorcycle::Owner,
        person::{Member, MemberDetails, NewMember, OpenInvitation},
        words::Role,
    },
    error::Result,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list, invite)).routes(routes!(show, change, remove))
}

/// A person who was just invited, with the link.
#[derive(Debug, Serialize, ToSchema)]
struct InvitedMember {
    /// Their id, a UUIDv7 (RFC 9562).
    id: Id<Member>,
    /// Their e-mail address.
    email: String,
    /// What the workshop calls them.
    name: String,
    /// What they will be here.
    roles: Vec<Role>,
    /// The owner whose motorcycles are theirs.
    owner_id: Option<Id<Owner>>,
    /// When they came in: not yet.
    #[serde(with = "time::serde::rfc3339::option")]
    joined_at: Option<OffsetDateTime>,
    /// The invitation.
    invitation: Option<OpenInvitation>,
    /// When they were invited, RFC 3339 in UTC.
    #[serde(with = "time::serde::rfc3339")]
    created_at: OffsetDateTime,
    /// The link that lets them in, once. It is shown here and never again; null in a replayed answer. Where the server's public address is not
    /// set, it is a path.
    link: Option<String>,
}
impl InvitedMember {
    fn new(invited: Member, link: Option<String>) -> Self {
        let Member { id, email, name, roles, owner_id, joined_at, invitation, created_at } = invited;
        Self { id, email, name, roles, owner_id, joined_at, invitation, created_at, link }
    }
}

/// List people
///
/// Those who have come in and those who are invited, by name, then id.
#[utoipa::path(get, path = "/people", operation_id = "list_people", tag = "workshop", params(PageQuery),
    responses((status = 200, description = "A page of people", body = Page<Member>)))]
async fn list(State(app): State<Arc<App>>, Administers(caller): Administers, uri: Uri, Query(query): Query<PageQuery>) -> Result<Response> {
    let stretch = query.stretch()?;
    let limit = stretch.limit;
    let mut work = app.read(&caller).await?;
    let people = actions::list(&mut work, stretch).await?;
    page(people, limit, &uri, |person| (person.name.clone(), person.id))
}

/// Invite a person
///
/// This answer alone holds the link, which works once and for seven days. It is not kept, so the answer replayed for a repeated Idempotency-Key
/// has null in its place: where the first answer was lost, take the invitation back and invite again.
#[utoipa::path(post, path = "/people", operation_id = "invite_person", tag = "workshop", request_body = NewMember,
    responses((status = 201, description = "The person with the link", body = InvitedMember)))]
async fn invite(State(app): State<Arc<App>>, Administers(caller): Administers, key: Key, body: Body) -> Result<Answer> {
    let new: NewMember = body.json()?;
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let (member, path) = actions::invite(&mut work, &app, new).await?;
    let invited = |link| InvitedMember::new(member.clone(), link);
    Answer::with_secret(work, &format!("/people/{}", member.id), &member, invited, app.site.link(&path)).await
}

/// Show a person
#[utoipa::path(get, path = "/people/{id}", operation_id = "show_person", tag = "workshop", params(("id" = Id<Member>, Path, description = "Their id")),
    responses((status = 200, description = "The person", body = Member)))]
async fn show(
    State(app): State<Arc<App>>,
    Administers(caller): Administers,
    PathId(id): PathId<Member>,
    headers: HeaderMap,
) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    Ok(Answer::one(&actions::get(&mut work, id).await?)?.unless_known(&headers))
}

/// Change a person
///
/// What they are called here and what they are. The address is their own to change. The only manager keeps that role.
#[utoipa::path(patch, path = "/people/{id}", operation_id = "change_person", tag = "workshop", params(("id" = Id<Member>, Path, description = "Their id")),
    request_body(content = MemberDetails, content_type = "application/merge-patch+json", description = "The fields to change (RFC 7396)"),
    responses((status = 200, description = "The person", body = Member)))]
async fn change(
    State(app): State<Arc<App>>,
    Administers(caller): Administers,
    PathId(id): PathId<Member>,
    headers: HeaderMap,
    body: Body,
) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    body.patch()?;
    unchanged(&headers, &now)?;
    let member = actions::change(&mut work, &now, body.merged_into(&now.changeable())?).await?;
    Answer::one(&member)?.after(work).await
}

/// Remove a person
///
/// They are signed out of this workshop and cannot come in any more, and their tokens are revoked; an open invitation is taken back. The only
/// manager cannot be removed.
///
/// With `erase=true` the person is erased (GDPR, article 17): wherever the workshop keeps the name, a neutral one such as "Erased person 3" stands in its place,
/// in records, signatures, amendments, letters, the audit trail and answers kept for repeated requests; e-mail addresses and telephone numbers
/// go, letters on their way to them are not sent, calendars and tokens are revoked, sessions, invitations and links end,
/// and the account goes once it has no role on this server any more. The owner record that they come in as is erased with them, unless others
/// come in as that owner too.
/// The history of the motorcycles stays. A history packet is worked out anew each time, so one made later has another chain and
/// signature than one made before. It is found by spelling: nicknames and what stands in attached files are not, and backups made before hold
/// what they held. Another record with the same name is another person's until it is erased too. Whoever was taken out before can still be
/// erased: send `If-Match: *`.
#[utoipa::path(delete, path = "/people/{id}", operation_id = "remove_person", tag = "workshop",
    params(("id" = Id<Member>, Path, description = "Their id"), EraseQuery),
    responses((status = 204, description = "Removed")))]
async fn remove(
    State(app): State<Arc<App>>,
    Administers(caller): Administers,
    PathId(id): PathId<Member>,
    Query(query): Query<EraseQuery>,
    headers: HeaderMap,
) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    if query.erase {
        let now = erasure::find_person(&mut work, id).await?;
        unchanged(&headers, &now)?;
        erasure::erase_person(&mut work, &now).await?;
    } else {
        let now = actions::get(&mut work, id).await?;
        unchanged(&headers, &now)?;
        actions::remove(&mut work, &now).await?;
    }
    Answer::nothing().after(work).await
}
