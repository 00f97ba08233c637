//! `/motorcycles/{id}/job-sheet`
use std::sync::Arc;

use axum::{extract::State, http::HeaderMap};
use serde::Deserialize;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::Answer,
    extract::{PathId, Query, Reads},
};
use crate::{
    actions::{App, job_sheet as actions, motorcycle},
    domain::{due::DueItemId, id::Id, job_sheet::JobSheet, motorcycle::Motorcycle},
    error::{Error, Result},
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(show))
}

/// For what the sheet is.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct SheetQuery {
    /// The ids of due items, joined by commas; everything that is due or nearly due unless said.
    due: Option<String>,
}

/// Make a job sheet
///
/// What is to be done on one visit, with the fasteners, the limits that will apply at the parts' age, the workshop's procedures for it, what
/// to have ready, cautions, how things were found the last time, and what was left for when it is open.
#[utoipa::path(get, path = "/motorcycles/{id}/job-sheet", operation_id = "make_job_sheet", tag = "bench",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle"), SheetQuery),
    responses((status = 200, description = "The job sheet", body = JobSheet)))]
async fn show(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    PathId(id): PathId<Motorcycle>,
    Query(query): Query<SheetQuery>,
    headers: HeaderMap,
) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let wanted = query.due.as_deref().filter(|text| !text.is_empty()).map(ids).transpose()?;
    let sheet = actions::of_motorcycle(&mut work, &bike, wanted.as_deref()).await?;
    Ok(Answer::one(&sheet)?.unless_known(&headers))
}

fn ids(text: &str) -> Result<Vec<DueItemId>> {
    let id = |part: &str| {
        part.trim().parse().map_err(|_| Error::invalid("/due", format!("{part:?} is not an id; join ids of due items by commas.")))
    };
    text.split(',').map(id).collect()
}
