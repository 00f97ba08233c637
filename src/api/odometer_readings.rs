//! `/motorcycles/{id}/odometer-readings`, `/odometer-readings`, and the same for hour meters: a counter is a counter.
use std::sync::Arc;

use axum::{
    extract::State,
    http::{HeaderMap, Uri},
    response::Response,
};
use serde::Deserialize;
use time::OffsetDateTime;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, Page, PageQuery, page, unchanged},
    body::Body,
    extract::{Key, PathId, Query, Reads, Writes},
};
use crate::{
    access::Caller,
    actions::{App, motorcycle, reading as actions},
    domain::{
        id::Id,
        motorcycle::{Motorcycle, NewReading, Reading},
        words::CounterKind,
    },
    error::Result,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new()
        .routes(routes!(list_odometer_readings, record_odometer_reading))
        .routes(routes!(show_odometer_reading, strike_out_odometer_reading))
        .routes(routes!(list_hour_readings, record_hour_reading))
        .routes(routes!(show_hour_reading, strike_out_hour_reading))
}

/// Which readings are asked for.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct ListQuery {
    /// Changed at or after this instant.
    #[serde(default, with = "time::serde::rfc3339::option")]
    changed_since: Option<OffsetDateTime>,
    /// How many items, 1 to 200.
    #[param(value_type = Option<i64>, minimum = 1, maximum = 200, default = 50)]
    limit: Option<String>,
    /// `next` of the page before.
    cursor: Option<String>,
}

/// Why something is struck out.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct ReasonQuery {
    /// Why; it stays visible with what is struck out.
    #[serde(default)]
    #[param(required = true)]
    reason: String,
}

async fn list(app: &App, caller: &Caller, id: Id<Motorcycle>, kind: CounterKind, uri: &Uri, query: ListQuery) -> Result<Response> {
    let mut work = app.read(caller).await?;
    motorcycle::get(&mut work, id).await?;
    let stretch = PageQuery { limit: query.limit, cursor: query.cursor }.stretch()?;
    let limit = stretch.limit;
    let readings = actions::list(&mut work, id, kind, query.changed_since, stretch).await?;
    page(readings, limit, uri, |reading| (reading.on, reading.id))
}
async fn record(app: &App, caller: &Caller, id: Id<Motorcycle>, kind: CounterKind, key: Key, body: &Body) -> Result<Answer> {
    let mut work = app.write(caller, key.with(body.bytes())?).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let reading = actions::record(&mut work, &bike, kind, body.json::<NewReading>()?, None, "/reading").await?;
    Answer::created(&format!("/{}/{}", path(kind), reading.id), &reading)?.after(work).await
}
fn path(kind: CounterKind) -> &'static str {
    match kind {
        CounterKind::Odometer => "odometer-readings",
        CounterKind::Hours => "hour-readings",
    }
}
async fn show(app: &App, caller: &Caller, id: Id<Reading>, kind: CounterKind, headers: &HeaderMap) -> Result<Answer> {
    let mut work = app.read(caller).await?;
    Ok(Answer::one(&actions::get(&mut work, id, kind).await?)?.unless_known(headers))
}
async fn strike_out(
    app: &App,
    caller: &Caller,
    id: Id<Reading>,
    kind: CounterKind,
    headers: &HeaderMap,
    query: ReasonQuery,
) -> Result<Answer> {
    let mut work = app.write(caller, None).await?;
    let reading = actions::get(&mut work, id, kind).await?;
    unchanged(headers, &reading)?;
    actions::strike_out(&mut work, &reading, &query.reason).await?;
    Answer::nothing().after(work).await
}

/// List odometer readings
///
/// Newest first: by day, then in the order entered. Struck-out ones are among them, and those that came with service events.
#[utoipa::path(get, path = "/motorcycles/{id}/odometer-readings", operation_id = "list_odometer_readings", tag = "readings",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id"), ListQuery),
    responses((status = 200, description = "A page of readings", body = Page<Reading>)))]
async fn list_odometer_readings(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    PathId(id): PathId<Motorcycle>,
    uri: Uri,
    Query(query): Query<ListQuery>,
) -> Result<Response> {
    list(&app, &caller, id, CounterKind::Odometer, &uri, query).await
}

/// Record an odometer reading
///
/// Refused where it contradicts an earlier or a later one; `neighbors` names them.
#[utoipa::path(post, path = "/motorcycles/{id}/odometer-readings", operation_id = "record_odometer_reading", tag = "readings",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id")), request_body = NewReading,
    responses((status = 201, description = "The reading", body = Reading)))]
async fn record_odometer_reading(
    State(app): State<Arc<App>>,
    Writes(caller): Writes,
    PathId(id): PathId<Motorcycle>,
    key: Key,
    body: Body,
) -> Result<Answer> {
    record(&app, &caller, id, CounterKind::Odometer, key, &body).await
}

/// Show an odometer reading
#[utoipa::path(get, path = "/odometer-readings/{id}", operation_id = "show_odometer_reading", tag = "readings", params(("id" = Id<Reading>, Path, description = "Its id")),
    responses((status = 200, description = "The reading", body = Reading)))]
async fn show_odometer_reading(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    PathId(id): PathId<Reading>,
    headers: HeaderMap,
) -> Result<Answer> {
    show(&app, &caller, id, CounterKind::Odometer, &headers).await
}

/// Strike out an odometer reading
///
/// It stays in the list with the reason. A reading that came with a service event is struck out with the event.
#[utoipa::path(delete, path = "/odometer-readings/{id}", operation_id = "strike_out_odometer_reading", tag = "readings",
    params(("id" = Id<Reading>, Path, description = "Its id"), ReasonQuery), responses((status = 204, description = "Struck out")))]
async fn strike_out_odometer_reading(
    State(app): State<Arc<App>>,
    Writes(caller): Writes,
    PathId(id): PathId<Reading>,
    headers: HeaderMap,
    Query(query): Query<ReasonQuery>,
) -> Result<Answer> {
    strike_out(&app, &caller, id, CounterKind::Odometer, &headers, query).await
}

/// List hour meter readings
///
/// Newest first: by day, then in the order entered. Struck-out ones are among them, and those that came with service events.
#[utoipa::path(get, path = "/motorcycles/{id}/hour-readings", operation_id = "list_hour_readings", tag = "readings",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id"), ListQuery),
    responses((status = 200, description = "A page of readings", body = Page<Reading>)))]
async fn list_hour_readings(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    PathId(id): PathId<Motorcycle>,
    uri: Uri,
    Query(query): Query<ListQuery>,
) -> Result<Response> {
    list(&app, &caller, id, CounterKind::Hours, &uri, query).await
}

/// Record an hour meter reading
///
/// Refused where it contradicts an earlier or a later one; `neighbors` names them.
#[utoipa::path(post, path = "/motorcycles/{id}/hour-readings", operation_id = "record_hour_reading", tag = "readings",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id")), request_body = NewReading,
    responses((status = 201, description = "The reading", body = Reading)))]
async fn record_hour_reading(
    State(app): State<Arc<App>>,
    Writes(caller): Writes,
    PathId(id): PathId<Motorcycle>,
    key: Key,
    body: Body,
) -> Result<Answer> {
    record(&app, &caller, id, CounterKind::Hours, key, &body).await
}

/// Show an hour meter reading
#[utoipa::path(get, path = "/hour-readings/{id}", operation_id = "show_hour_reading", tag = "readings", params(("id" = Id<Reading>, Path, description = "Its id")),
    responses((status = 200, description = "The reading", body = Reading)))]
async fn show_hour_reading(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    PathId(id): PathId<Reading>,
    headers: HeaderMap,
) -> Result<Answer> {
    show(&app, &caller, id, CounterKind::Hours, &headers).await
}

/// Strike out an hour meter reading
///
/// It stays in the list with the reason. A reading that came with a service event is struck out with the event.
#[utoipa::path(delete, path = "/hour-readings/{id}", operation_id = "strike_out_hour_reading", tag = "readings",
    params(("id" = Id<Reading>, Path, description = "Its id"), ReasonQuery), responses((status = 204, description = "Struck out")))]
async fn strike_out_hour_reading(
    State(app): State<Arc<App>>,
    Writes(caller): Writes,
    PathId(id): PathId<Reading>,
    headers: HeaderMap,
    Query(query): Query<ReasonQuery>,
) -> Result<Answer> {
    strike_out(&app, &caller, id, CounterKind::Hours, &headers, query).await
}
