//! `/motorcycles/{id}/odometers` and `/motorcycles/{id}/hour-meters`: one instrument after another.
use std::sync::Arc;

use axum::{extract::State, http::Uri, response::Response};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, Page, PageQuery, page},
    body::Body,
    extract::{Key, PathId, Query, Reads, Works},
};
use crate::{
    access::Caller,
    actions::{App, motorcycle, reading as actions},
    domain::{
        id::Id,
        motorcycle::{Instrument, Motorcycle, NewInstrument},
        words::CounterKind,
    },
    error::Result,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list_odometers, change_odometer)).routes(routes!(list_hour_meters, change_hour_meter))
}

async fn list(app: &App, caller: &Caller, id: Id<Motorcycle>, kind: CounterKind, uri: &Uri, query: &PageQuery) -> Result<Response> {
    let mut work = app.read(caller).await?;
    motorcycle::get(&mut work, id).await?;
    let stretch = query.stretch()?;
    let limit = stretch.limit;
    let changes = actions::list_instruments(&mut work, id, kind, stretch).await?;
    page(changes, limit, uri, |change| (change.on, change.id))
}
async fn change(app: &App, caller: &Caller, id: Id<Motorcycle>, kind: CounterKind, key: Key, body: &Body) -> Result<Answer> {
    let mut work = app.write(caller, key.with(body.bytes())?).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let change = actions::change_instrument(&mut work, &bike, kind, body.json::<NewInstrument>()?).await?;
    let path = match kind {
        CounterKind::Odometer => "odometers",
        CounterKind::Hours => "hour-meters",
    };
    Answer::created(&format!("/motorcycles/{id}/{path}"), &change)?.after(work).await
}

/// List what happened to the odometer
///
/// Replacements and roll-overs, oldest first: by day, then in the order entered.
#[utoipa::path(get, path = "/motorcycles/{id}/odometers", operation_id = "list_odometers", tag = "readings",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id"), PageQuery),
    responses((status = 200, description = "A page of replacements and roll-overs", body = Page<Instrument>)))]
async fn list_odometers(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    PathId(id): PathId<Motorcycle>,
    uri: Uri,
    Query(query): Query<PageQuery>,
) -> Result<Response> {
    list(&app, &caller, id, CounterKind::Odometer, &uri, &query).await
}

/// Say that the odometer was replaced or rolled over
///
/// The true distance counts on. A replaced odometer whose last figure is unknown makes the distance `not_actual` from then on, a
/// roll-over makes it `exceeds_mechanical_limits`.
#[utoipa::path(post, path = "/motorcycles/{id}/odometers", operation_id = "change_odometer", tag = "readings",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id")), request_body = NewInstrument,
    responses((status = 201, description = "What happened", body = Instrument)))]
async fn change_odometer(
    State(app): State<Arc<App>>,
    Works(caller): Works,
    PathId(id): PathId<Motorcycle>,
    key: Key,
    body: Body,
) -> Result<Answer> {
    change(&app, &caller, id, CounterKind::Odometer, key, &body).await
}

/// List what happened to the hour meter
///
/// Replacements and roll-overs, oldest first: by day, then in the order entered.
#[utoipa::path(get, path = "/motorcycles/{id}/hour-meters", operation_id = "list_hour_meters", tag = "readings",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id"), PageQuery),
    responses((status = 200, description = "A page of replacements and roll-overs", body = Page<Instrument>)))]
async fn list_hour_meters(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    PathId(id): PathId<Motorcycle>,
    uri: Uri,
    Query(query): Query<PageQuery>,
) -> Result<Response> {
    list(&app, &caller, id, CounterKind::Hours, &uri, &query).await
}

/// Say that the hour meter was replaced or rolled over
///
/// The true hours count on.
#[utoipa::path(post, path = "/motorcycles/{id}/hour-meters", operation_id = "change_hour_meter", tag = "readings",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id")), request_body = NewInstrument,
    responses((status = 201, description = "What happened", body = Instrument)))]
async fn change_hour_meter(
    State(app): State<Arc<App>>,
    Works(caller): Works,
    PathId(id): PathId<Motorcycle>,
    key: Key,
    body: Body,
) -> Result<Answer> {
    change(&app, &caller, id, CounterKind::Hours, key, &body).await
}
