//! `/motorcycles/{id}/visits`
use std::sync::Arc;

use axum::{extract::State, http::HeaderMap};
use serde::Deserialize;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, Page},
    extract::{PathId, Query, Reads},
};
use crate::{
    actions::{App, motorcycle, visits as actions},
    domain::{id::Id, motorcycle::Motorcycle, visits::Visit},
    error::{Error, Result},
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list))
}

/// How far to look ahead.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct VisitsQuery {
    /// So many months from today, 1 to 120.
    #[param(value_type = Option<i64>, minimum = 1, maximum = 120, default = 12)]
    months: Option<String>,
}

/// Plan the fewest visits
///
/// The fewest days on which everything is done with no item late and none before its `nearly_due_from`; soonest first, all of it on one
/// page. What is overdue already is done today. What may wait beyond the months asked for needs no visit, but goes along with one.
#[utoipa::path(get, path = "/motorcycles/{id}/visits", operation_id = "plan_visits", tag = "bench",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle"), VisitsQuery),
    responses((status = 200, description = "The visits", body = Page<Visit>)))]
async fn list(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    PathId(id): PathId<Motorcycle>,
    Query(query): Query<VisitsQuery>,
    headers: HeaderMap,
) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let months = match &query.months {
        None => 12,
        Some(text) => text
            .parse()
            .ok()
            .filter(|months| (1..=120).contains(months))
            .ok_or_else(|| Error::invalid("/months", "months is a whole number from 1 to 120; leave it out for 12."))?,
    };
    let items = actions::of_motorcycle(&mut work, &bike, months).await?;
    Ok(Answer::one(&Page { items, next: None })?.unless_known(&headers))
}
