//! `/calendars`
use std::sync::Arc;

use axum::{
    extract::State,
    http::{HeaderMap, Uri, header},
    response::Response,
};
use serde::Serialize;
use time::OffsetDateTime;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, Page, PageQuery, page, unchanged},
    body::Body,
    extract::{Key, PathId, Query, Reads, Writes},
};
use crate::{
    actions::{App, calendar as actions},
    domain::{
        calendar_feed::{CalendarAddress, NewCalendar},
        id::Id,
        motorcycle::Motorcycle,
    },
    error::Result,
};

pub(super) fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list, add)).routes(routes!(show, revoke))
}

/// A calendar address that was just made.
#[derive(Debug, Serialize, ToSchema)]
struct MadeCalendar {
    /// Its id, a UUIDv7 (RFC 9562).
    id: Id<CalendarAddress>,
    /// Only this motorcycle; null: every one that its maker saw.
    motorcycle_id: Option<Id<Motorcycle>>,
    /// Who made it: a person's or token's name.
    made_by: String,
    /// When it was made, RFC 3339 in UTC.
    #[serde(with = "time::serde::rfc3339")]
    created_at: OffsetDateTime,
    /// What a calendar program fetches; whoever knows it can read it. It is shown here and never again; null in a replayed answer.
    #[schema(example = "https://bikes.example.org/calendar/fX2kq0T9rD7wQv1nB5mZs8yLc4hJp6gKa3eUiW_oRtE.ics")]
    url: Option<String>,
}

/// The address of the server as the one who asks has it: what is public, or else the host that was asked. It is only told back to whoever
/// named it, and a link that goes to anybody else is made of the public address alone.
#[must_use]
pub fn site(app: &App, headers: &HeaderMap) -> String {
    let plain = |host: &&str| !host.is_empty() && host.bytes().all(|byte| byte.is_ascii_alphanumeric() || b".-:[]".contains(&byte));
    let host = headers.get(header::HOST).and_then(|host| host.to_str().ok()).filter(plain);
    app.site.public_url.clone().or_else(|| host.map(|host| format!("http://{host}"))).unwrap_or_default()
}

/// List calendar addresses
///
/// In the order in which they were made; without their secrets.
#[utoipa::path(get, path = "/calendars", operation_id = "list_calendars", tag = "exchange", params(PageQuery),
    responses((status = 200, description = "A page of calendar addresses", body = Page<CalendarAddress>)))]
async fn list(State(app): State<Arc<App>>, Reads(caller): Reads, uri: Uri, Query(query): Query<PageQuery>) -> Result<Response> {
    let stretch = query.stretch()?;
    let limit = stretch.limit;
    let mut work = app.read(&caller).await?;
    let addresses = actions::list(&mut work, stretch).await?;
    page(addresses, limit, &uri, |address| address.id)
}

/// Make a calendar address
///
/// What is due as a calendar (RFC 5545): an all-day entry on `due_from` of each due item, for one motorcycle or for every one that the
/// caller sees. Only a hash of its secret is kept, so this answer alone holds the `url`; whoever lost it makes another and revokes this one.
#[utoipa::path(post, path = "/calendars", operation_id = "make_calendar", tag = "exchange", request_body = NewCalendar,
    responses((status = 201, description = "The address, with its secret", body = MadeCalendar)))]
async fn add(State(app): State<Arc<App>>, Writes(caller): Writes, key: Key, headers: HeaderMap, body: Body) -> Result<Answer> {
    let new: NewCalendar = body.json()?;
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let (address, secret) = actions::add(&mut work, new).await?;
    let made = |url| {
        let CalendarAddress { id, motorcycle_id, made_by, created_at } = address.clone();
        MadeCalendar { id, motorcycle_id, made_by, created_at, url }
    };
    let url = format!("{}/calendar/{secret}.ics", site(&app, &headers));
    Answer::with_secret(work, &format!("/calendars/{}", address.id), &address, made, url).await
}

/// Show a calendar address
#[utoipa::path(get, path = "/calendars/{id}", operation_id = "show_calendar", tag = "exchange",
    params(("id" = Id<CalendarAddress>, Path, description = "Its id")),
    responses((status = 200, description = "The address, without its secret", body = CalendarAddress)))]
async fn show(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    PathId(id): PathId<CalendarAddress>,
    headers: HeaderMap,
) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    Ok(Answer::one(&actions::get(&mut work, id).await?)?.unless_known(&headers))
}

/// Revoke a calendar address
///
/// From now on there is nothing at it.
#[utoipa::path(delete, path = "/calendars/{id}", operation_id = "revoke_calendar", tag = "exchange",
    params(("id" = Id<CalendarAddress>, Path, description = "Its id")),
    responses((status = 204, description = "Revoked")))]
async fn revoke(
    State(app): State<Arc<App>>,
    Writes(caller): Writes,
    PathId(id): PathId<CalendarAddress>,
    headers: HeaderMap,
) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let address = actions::get(&mut work, id).await?;
    unchanged(&headers, &address)?;
    actions::revoke(&mut work, &address).await?;
    Answer::nothing().after(work).await
}
