//! `/motorcycles/{id}/measured-values`, `/measured-values/{id}`
use std::sync::Arc;

use axum::{
    extract::State,
    http::{HeaderMap, Uri},
    response::Response,
};
use serde::Deserialize;
use time::Date;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, Page, PageQuery, page},
    body::Body,
    extract::{Key, PathId, Query, Reads, Works},
};
use crate::{
    actions::{App, measure as actions, motorcycle},
    domain::{id::Id, measurement::NewMeasuredValue, motorcycle::Motorcycle, service::MeasuredValue, words::Measurand},
    error::{Error, Result},
    store::measured_value::Wanted,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list, take)).routes(routes!(show))
}

/// Which values are asked for.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct ListQuery {
    /// Of this component.
    component: Option<String>,
    /// Of this quantity.
    quantity: Option<Measurand>,
    /// From this day on.
    since: Option<Date>,
    /// How many items, 1 to 200.
    #[param(value_type = Option<i64>, minimum = 1, maximum = 200, default = 50)]
    limit: Option<String>,
    /// `next` of the page before.
    cursor: Option<String>,
}

/// List measured values
///
/// Those that came with service events too. Newest first: by day, then by the order in which they were entered. Struck-out values stay in
/// the list (`struck_out`).
#[utoipa::path(get, path = "/motorcycles/{id}/measured-values", operation_id = "list_measured_values", tag = "values",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id"), ListQuery),
    responses((status = 200, description = "A page of values", body = Page<MeasuredValue>)))]
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
    let wanted = Wanted { component: query.component, quantity: query.quantity, since: query.since };
    let values = actions::list(&mut work, bike.id, &wanted, stretch).await?;
    page(values, limit, &uri, |value| (value.on, value.id))
}

/// Take a measured value outside a service event
///
/// It is judged at once against the limit of each kind that holds for that part at that age; the verdict stays as it was judged.
#[utoipa::path(post, path = "/motorcycles/{id}/measured-values", operation_id = "take_measured_value", tag = "values",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id")), request_body = NewMeasuredValue,
    responses((status = 201, description = "The value with its verdict", body = MeasuredValue)))]
async fn take(State(app): State<Arc<App>>, Works(caller): Works, PathId(id): PathId<Motorcycle>, key: Key, body: Body) -> Result<Answer> {
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let new: NewMeasuredValue = body.json()?;
    let value = actions::take(&mut work, &bike, new).await?;
    Answer::created(&format!("/measured-values/{}", value.id), &value)?.after(work).await
}

/// Whether to judge again.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct ShowQuery {
    /// `now` adds `judged_now`: the verdicts under today's limits.
    #[param(example = "now")]
    judge: Option<String>,
}

/// Show a measured value
#[utoipa::path(get, path = "/measured-values/{id}", operation_id = "show_measured_value", tag = "values",
    params(("id" = Id<MeasuredValue>, Path, description = "Its id"), ShowQuery),
    responses((status = 200, description = "The value with its verdict as it was judged", body = MeasuredValue)))]
async fn show(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    PathId(id): PathId<MeasuredValue>,
    headers: HeaderMap,
    Query(query): Query<ShowQuery>,
) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    let value = match query.judge.as_deref() {
        None => actions::get(&mut work, id).await?,
        Some("now") => actions::judge_now(&mut work, id).await?,
        Some(_) => return Err(Error::invalid("/judge", "judge is `now`, or left out for the verdict as it was.")),
    };
    Ok(Answer::one(&value)?.unless_known(&headers))
}
