//! `/motorcycles/{id}/forecast`
use std::sync::Arc;

use axum::{extract::State, http::HeaderMap};
use serde::Deserialize;
use time::Date;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::Answer,
    extract::{PathId, Query, Reads},
};
use crate::{
    actions::{App, forecast as actions, motorcycle},
    domain::{forecast::Forecast, id::Id, motorcycle::Motorcycle},
    error::Result,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(show))
}

/// For which day, and as of which.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct ForecastQuery {
    /// The day, not before the last reading; today unless said.
    on: Option<Date>,
    /// Leaves out all history after this day.
    as_of: Option<Date>,
}

/// Forecast a motorcycle's distance and the wear of its parts
///
/// What the odometer now on the motorcycle will show on a day: as many futures lie below `p50` as above, one in ten lies below `p10` and one
/// in ten above `p90`. And when each part, by its measured values, meets each limit that holds for it.
#[utoipa::path(get, path = "/motorcycles/{id}/forecast", operation_id = "forecast_of_motorcycle", tag = "bench",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle"), ForecastQuery),
    responses((status = 200, description = "The forecast", body = Forecast)))]
async fn show(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    PathId(id): PathId<Motorcycle>,
    Query(query): Query<ForecastQuery>,
    headers: HeaderMap,
) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let forecast = actions::of_motorcycle(&mut work, &bike, query.on, query.as_of).await?;
    Ok(Answer::one(&forecast)?.unless_known(&headers))
}
