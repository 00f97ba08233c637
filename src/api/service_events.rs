//! `/motorcycles/{id}/service-events`, `/service-events/{id}`, its signature and amendments
use std::sync::Arc;

use axum::{
    extract::State,
    http::{HeaderMap, Uri},
    response::Response,
};
use serde::Deserialize;
use time::{Date, OffsetDateTime};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, Page, PageQuery, page, unchanged},
    body::Body,
    extract::{Key, PathId, Query, Reads, Works, Writes},
};
use crate::{
    actions::{App, motorcycle, service as actions},
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        service::{EventDetails, NewAmendment, NewServiceEvent, NewSignature, ServiceEvent},
        words::Operation,
    },
    error::{Error, Result},
    store::service_event::Wanted,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list, log)).routes(routes!(show, change, strike_out)).routes(routes!(sign)).routes(routes!(amend))
}

/// Which events are asked for.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct ListQuery {
    /// From this day on.
    since: Option<Date>,
    /// Up to this day.
    until: Option<Date>,
    /// With a line about this component: worked on, fitted, removed or measured.
    component: Option<String>,
    /// With a line of this operation. A part fitted new or rebuilt also counts as replaced.
    operation: Option<Operation>,
    /// Changed at or after this instant.
    #[serde(default, with = "time::serde::rfc3339::option")]
    changed_since: Option<OffsetDateTime>,
    /// How many items, 1 to 200.
    #[param(value_type = Option<i64>, minimum = 1, maximum = 200, default = 50)]
    limit: Option<String>,
    /// `next` of the page before.
    cursor: Option<String>,
}

/// List service events
///
/// Newest first: by day, then by the order in which they were entered. Struck-out events stay in the list (`struck_out`).
#[utoipa::path(get, path = "/motorcycles/{id}/service-events", operation_id = "list_service_events", tag = "services",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id"), ListQuery),
    responses((status = 200, description = "A page of events", body = Page<ServiceEvent>)))]
async fn list(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    PathId(id): PathId<Motorcycle>,
    uri: Uri,
    Query(query): Query<ListQuery>,
) -> Result<Response> {
    let mut work = app.read(&caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let stretch = PageQuery { limit: query.limit, cursor: query.cursor }.stretch()?;
    let limit = stretch.limit;
    let wanted = Wanted {
        since: query.since,
        until: query.until,
        component: query.component,
        operation: query.operation,
        changed_since: query.changed_since,
    };
    let events = actions::list(&mut work, bike.id, &wanted, stretch).await?;
    page(events, limit, &uri, |event| (event.on, event.id))
}

/// Log a service
///
/// All of it or nothing. `odometer` and `hours` are readings of that day like any other. Fitting a part where one of that component and
/// position sits takes that one off in the same event (`removed` with the reason "made room", and `replaces`). A `replace` line without
/// a `fitted` entry for the same component and position starts a new part by itself, where the component is a part. An older fitting
/// that is entered late ends where the next one begins, so the order in which history is entered does not change the answer.
#[utoipa::path(post, path = "/motorcycles/{id}/service-events", operation_id = "log_service", tag = "services",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id")), request_body = NewServiceEvent,
    responses((status = 201, description = "The whole event with everything that follows from it", body = ServiceEvent)))]
async fn log(State(app): State<Arc<App>>, Writes(caller): Writes, PathId(id): PathId<Motorcycle>, key: Key, body: Body) -> Result<Answer> {
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let new: NewServiceEvent = body.json()?;
    let event = actions::log(&mut work, &bike, new).await?;
    Answer::created(&format!("/service-events/{}", event.id), &event)?.after(work).await
}

/// Show a service event
#[utoipa::path(get, path = "/service-events/{id}", operation_id = "show_service_event", tag = "services",
    params(("id" = Id<ServiceEvent>, Path, description = "Its id")),
    responses((status = 200, description = "The event", body = ServiceEvent)))]
async fn show(State(app): State<Arc<App>>, Reads(caller): Reads, PathId(id): PathId<ServiceEvent>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    Ok(Answer::one(&actions::get(&mut work, id).await?)?.unless_known(&headers))
}

/// Change a service event's texts
///
/// Before it is signed off. Figures and lines are not changed: strike the event out and log it again.
#[utoipa::path(patch, path = "/service-events/{id}", operation_id = "change_service_event", tag = "services",
    params(("id" = Id<ServiceEvent>, Path, description = "Its id")),
    request_body(content = EventDetails, content_type = "application/merge-patch+json", description = "The fields to change (RFC 7396)"),
    responses((status = 200, description = "The event", body = ServiceEvent)))]
async fn change(
    State(app): State<Arc<App>>,
    Writes(caller): Writes,
    PathId(id): PathId<ServiceEvent>,
    headers: HeaderMap,
    body: Body,
) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    body.patch()?;
    unchanged(&headers, &now)?;
    let details = body.merged_into(&actions::details(&now)).map_err(what_stays)?;
    let event = actions::change(&mut work, &now, details).await?;
    Answer::one(&event)?.after(work).await
}

/// What an event is computed from stays as it was logged; says so where somebody wants to change it.
fn what_stays(error: Error) -> Error {
    const STAYS: [&str; 11] =
        ["on", "odometer", "hours", "work", "fitted", "removed", "measured", "tightened", "procedures", "follow_ups", "follow_ups_done"];
    let Error::Invalid(mut problems) = error else { return error };
    for problem in &mut problems {
        if STAYS.contains(&problem.pointer.trim_start_matches('/')) {
            problem.detail = "Other figures follow from this, so it stays as it was logged; strike the event out with the reason, then log it as it was.".into();
        }
    }
    Error::Invalid(problems)
}

/// Why an entry is struck out.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct StrikeOut {
    /// Why; it stays visible.
    #[param(required)]
    reason: Option<String>,
}

/// Strike out a service event
///
/// It stays visible with the reason. Its readings, fittings, removals, values and follow-ups go with it: parts that it removed are on the
/// motorcycle again, follow-ups that it settled are open again. Refused (409) where it is signed off, or where a later entry takes off, fits
/// again or measures by its id a part that it fitted; the answer names that entry.
#[utoipa::path(delete, path = "/service-events/{id}", operation_id = "strike_out_service_event", tag = "services",
    params(("id" = Id<ServiceEvent>, Path, description = "Its id"), StrikeOut),
    responses((status = 204, description = "Struck out")))]
async fn strike_out(
    State(app): State<Arc<App>>,
    Writes(caller): Writes,
    PathId(id): PathId<ServiceEvent>,
    headers: HeaderMap,
    Query(query): Query<StrikeOut>,
) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    unchanged(&headers, &now)?;
    actions::strike_out(&mut work, &now, query.reason.as_deref().unwrap_or_default()).await?;
    Answer::nothing().after(work).await
}

/// Sign a service event off
///
/// Once. From then on there are only amendments.
#[utoipa::path(post, path = "/service-events/{id}/signature", operation_id = "sign_service_event", tag = "services",
    params(("id" = Id<ServiceEvent>, Path, description = "The event's id")), request_body = NewSignature,
    responses((status = 201, description = "The event with its signature", body = ServiceEvent)))]
async fn sign(State(app): State<Arc<App>>, Works(caller): Works, PathId(id): PathId<ServiceEvent>, key: Key, body: Body) -> Result<Answer> {
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let now = actions::get(&mut work, id).await?;
    let event = actions::sign(&mut work, &now, body.json()?).await?;
    Answer::created(&format!("/service-events/{id}"), &event)?.after(work).await
}

/// Amend a signed service event
#[utoipa::path(post, path = "/service-events/{id}/amendments", operation_id = "amend_service_event", tag = "services",
    params(("id" = Id<ServiceEvent>, Path, description = "The event's id")), request_body = NewAmendment,
    responses((status = 201, description = "The event with its amendments", body = ServiceEvent)))]
async fn amend(
    State(app): State<Arc<App>>,
    Works(caller): Works,
    PathId(id): PathId<ServiceEvent>,
    key: Key,
    body: Body,
) -> Result<Answer> {
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let now = actions::get(&mut work, id).await?;
    let event = actions::amend(&mut work, &now, body.json()?).await?;
    Answer::created(&format!("/service-events/{id}"), &event)?.after(work).await
}
