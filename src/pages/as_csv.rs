//! `/as-csv/{list}`: the lists of the pages for a spreadsheet program, whole. The API gives the same, page by page, to whoever asks for `text/csv`.
use std::sync::Arc;

use axum::{
    extract::{Path, State},
    http::{HeaderName, header},
    response::{IntoResponse, Response},
};

use super::{
    fault::Fault,
    guard::{Mechanic, Visitor},
};
use crate::{
    actions::{App, due, fastener, limit, motorcycle, owner, procedure, rule},
    api::csv,
    error::{Error, Result},
    store::{Stretch, due_item, motorcycle::Wanted},
};

/// `GET /as-csv/{list}` of what whoever is signed in sees
pub(super) async fn seen(State(app): State<Arc<App>>, visitor: Visitor, Path(list): Path<String>) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let table = match list.as_str() {
        "motorcycles.csv" => csv::of(&motorcycle::list(&mut work, &Wanted::default(), Stretch::ALL).await?)?,
        "due.csv" => csv::of(&due::of_workshop(&mut work, &due_item::Wanted::default(), None, &Stretch::ALL).await?)?,
        _ => return Err(Error::NotFound("page").into()),
    };
    Ok(answer(&list, table))
}
/// `GET /as-csv/workshop/{list}` of what the workshop goes by
pub(super) async fn of_workshop(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    Path(list): Path<String>,
) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let table = match list.as_str() {
        "owners.csv" => csv::of(&owner::list(&mut work, Stretch::ALL).await?)?,
        "rules.csv" => csv::of(&rule::list(&mut work, None, None, Stretch::ALL).await?)?,
        "limits.csv" => csv::of(&limit::list(&mut work, &limit::Wanted::default(), Stretch::ALL).await?)?,
        "procedures.csv" => csv::of(&procedure::list(&mut work, None, None, Stretch::ALL).await?)?,
        "fasteners.csv" => csv::of(&fastener::list(&mut work, &fastener::Wanted::default(), Stretch::ALL).await?)?,
        _ => return Err(Error::NotFound("page").into()),
    };
    Ok(answer(&list, table))
}
fn answer(list: &str, table: String) -> Response {
    let headers: [(HeaderName, String); 2] = [
        (header::CONTENT_TYPE, "text/csv; charset=utf-8; header=present".into()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{list}\"")),
    ];
    (headers, table).into_response()
}
