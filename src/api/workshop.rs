//! `/workshop`
use std::sync::Arc;

use axum::{extract::State, http::HeaderMap};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, unchanged},
    body::Body,
    extract::{Administers, Sees},
};
use crate::{
    actions::{App, workshop as actions},
    domain::workshop::{Workshop, WorkshopSettings},
    error::Result,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(show, change))
}

/// Show the workshop and its settings
#[utoipa::path(get, path = "/workshop", operation_id = "show_workshop", tag = "workshop",
    responses((status = 200, description = "The workshop", body = Workshop)))]
async fn show(State(app): State<Arc<App>>, Sees(caller): Sees, headers: HeaderMap) -> Result<Answer> {
    let work = app.read(&caller).await?;
    Ok(Answer::one(&work.workshop)?.unless_known(&headers))
}

/// Change the workshop's settings
///
/// What is due is worked out again where the time zone or the default yearly distance changes.
#[utoipa::path(patch, path = "/workshop", operation_id = "change_workshop", tag = "workshop",
    request_body(content = WorkshopSettings, content_type = "application/merge-patch+json", description = "The fields to change (RFC 7396)"),
    responses((status = 200, description = "The workshop", body = Workshop)))]
async fn change(State(app): State<Arc<App>>, Administers(caller): Administers, headers: HeaderMap, body: Body) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    body.patch()?;
    unchanged(&headers, &work.workshop)?;
    let settings: WorkshopSettings = body.merged_into(&work.workshop.details())?;
    let workshop = actions::change(&mut work, settings).await?;
    let answer = Answer::one(&workshop)?.after(work).await?;
    // The time zone is kept with the tokens: it decides the day on which they expire.
    app.tokens.forget();
    Ok(answer)
}
