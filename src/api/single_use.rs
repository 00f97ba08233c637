//! `/single-use`, `/order-list`
use std::sync::Arc;

use axum::{
    extract::State,
    http::{HeaderMap, Uri},
    response::Response,
};
use serde::Deserialize;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, Page, PageQuery, page},
    extract::{Query, Reads, Sees},
};
use crate::{
    actions::{App, single_use as actions},
    domain::{id::Id, motorcycle::Motorcycle, order_list::OrderList, single_use::Reused},
    error::Result,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list)).routes(routes!(order_list))
}

/// Whose are asked for.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct ListQuery {
    /// Of this motorcycle; without it of all that are in use.
    motorcycle: Option<Id<Motorcycle>>,
    /// How many items, 1 to 200.
    #[param(value_type = Option<i64>, minimum = 1, maximum = 200, default = 50)]
    limit: Option<String>,
    /// `next` of the page before.
    cursor: Option<String>,
}

/// List what was used again though it may be used once only
///
/// Fasteners that were tightened again and parts that were fitted again, as long as nothing replaced them since; longest first.
#[utoipa::path(get, path = "/single-use", operation_id = "list_reused", tag = "bench", params(ListQuery),
    responses((status = 200, description = "A page of what is to be replaced", body = Page<Reused>)))]
async fn list(State(app): State<Arc<App>>, Reads(caller): Reads, uri: Uri, Query(query): Query<ListQuery>) -> Result<Response> {
    let stretch = PageQuery { limit: query.limit, cursor: query.cursor }.stretch()?;
    let mut work = app.read(&caller).await?;
    let reused = actions::reused(&mut work, query.motorcycle, &stretch).await?;
    page(reused, stretch.limit, &uri, Reused::key)
}

/// Make the order list
///
/// Parts, fluids and single-use hardware for everything that is due or nearly due in the workshop, the same things added up. Up to 200
/// motorcycles, those with the most pressing work first; `left_out` says how many more there are.
#[utoipa::path(get, path = "/order-list", operation_id = "make_order_list", tag = "bench",
    responses((status = 200, description = "What to order", body = OrderList)))]
async fn order_list(State(app): State<Arc<App>>, Sees(caller): Sees, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    Ok(Answer::one(&actions::order_list(&mut work).await?)?.unless_known(&headers))
}
