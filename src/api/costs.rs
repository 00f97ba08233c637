//! `/motorcycles/{id}/costs`
use std::sync::Arc;

use axum::{extract::State, http::HeaderMap};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::Answer,
    extract::{PathId, Reads},
};
use crate::{
    actions::{App, cost as actions, motorcycle},
    domain::{cost::Costs, id::Id, motorcycle::Motorcycle},
    error::Result,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(show))
}

/// Add up what a motorcycle costs
///
/// By calendar year, the latest first, and in all; each currency by itself, and per 1,000 of the odometer's unit. Struck-out events do not
/// count.
#[utoipa::path(get, path = "/motorcycles/{id}/costs", operation_id = "costs_of_motorcycle", tag = "records",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle")),
    responses((status = 200, description = "The costs", body = Costs)))]
async fn show(State(app): State<Arc<App>>, Reads(caller): Reads, PathId(id): PathId<Motorcycle>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    Ok(Answer::one(&actions::of_motorcycle(&mut work, &bike).await?)?.unless_known(&headers))
}
