//! `/search`
use std::sync::Arc;

use axum::{extract::State, http::Uri, response::Response};
use serde::Deserialize;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Page, PageQuery, page},
    extract::{Query, Reads},
};
use crate::{
    actions::{App, search as actions},
    domain::search::Found,
    error::{Error, Result},
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(find))
}

/// What to look for.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct SearchQuery {
    /// One word or several, at most 10; all of them must be there, in any order.
    #[param(value_type = String, required = true)]
    q: Option<String>,
    /// How many items, 1 to 200.
    #[param(value_type = Option<i64>, minimum = 1, maximum = 200, default = 50)]
    limit: Option<String>,
    /// `next` of the page before.
    cursor: Option<String>,
}

/// Search history, parts and notes
///
/// Service events with all that was done and noted, amendments, parts, follow-ups, names of attachments; newest first. All the words must
/// be there, in any order, without regard to case and accents; the last may be the beginning of one. Struck-out entries are marked.
/// `When were the rear pads last changed?` is answered by what it is about.
#[utoipa::path(get, path = "/search", operation_id = "search", tag = "records", params(SearchQuery),
    responses((status = 200, description = "A page of what was found", body = Page<Found>)))]
async fn find(State(app): State<Arc<App>>, Reads(caller): Reads, uri: Uri, Query(query): Query<SearchQuery>) -> Result<Response> {
    let stretch = PageQuery { limit: query.limit, cursor: query.cursor }.stretch()?;
    let question = query.q.ok_or_else(|| Error::invalid("/q", "Say what to look for: one word or several."))?;
    let mut work = app.read(&caller).await?;
    let found = actions::search(&mut work, &question, &stretch).await?;
    page(found, stretch.limit, &uri, |found| (found.on, found.id))
}
