//! `/motorcycles/{id}/installed-parts`, `/installed-parts/{id}`
use std::sync::Arc;

use axum::{
    extract::State,
    http::{HeaderMap, Uri},
    response::Response,
};
use serde::Deserialize;
use time::{Date, OffsetDateTime};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, Page, PageQuery, keyed_page},
    body::Body,
    extract::{Key, PathId, Query, Reads, Works},
};
use crate::{
    actions::{App, motorcycle, part as actions},
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        part::{InstalledPart, NewInstalledPart},
    },
    error::Result,
    store::part::Wanted,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list, fit)).routes(routes!(show))
}

/// Which parts are asked for.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct ListQuery {
    /// As it stood at the end of this day; today unless said. History after it is left out.
    on: Option<Date>,
    /// Only parts that came off this motorcycle and are not on it.
    #[serde(default)]
    removed: bool,
    /// Changed at or after this instant.
    #[serde(default, with = "time::serde::rfc3339::option")]
    changed_since: Option<OffsetDateTime>,
    /// How many items, 1 to 200.
    #[param(value_type = Option<i64>, minimum = 1, maximum = 200, default = 50)]
    limit: Option<String>,
    /// `next` of the page before.
    cursor: Option<String>,
}

/// List a motorcycle's parts
///
/// What is on it, by component, then position, then id.
#[utoipa::path(get, path = "/motorcycles/{id}/installed-parts", operation_id = "list_installed_parts", tag = "parts",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id"), ListQuery),
    responses((status = 200, description = "A page of parts", body = Page<InstalledPart>)))]
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
    let wanted = Wanted { on: query.on.unwrap_or(work.today), removed: query.removed, changed_since: query.changed_since };
    keyed_page(actions::list(&mut work, &bike, wanted, stretch).await?, limit, &uri)
}

/// Fit a part outside a service event
///
/// A part not seen before, or one from the shelf by `installed_part_id`. What sat there comes off.
#[utoipa::path(post, path = "/motorcycles/{id}/installed-parts", operation_id = "fit_part", tag = "parts",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id")), request_body = NewInstalledPart,
    responses((status = 201, description = "The part", body = InstalledPart)))]
async fn fit(State(app): State<Arc<App>>, Works(caller): Works, PathId(id): PathId<Motorcycle>, key: Key, body: Body) -> Result<Answer> {
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let new: NewInstalledPart = body.json()?;
    let part = actions::fit(&mut work, &bike, new).await?;
    Answer::created(&format!("/installed-parts/{}", part.id), &part)?.after(work).await
}

/// Show a part
///
/// With its distance and age, and every fitting that it had. `part_distance` goes up to the last odometer reading.
#[utoipa::path(get, path = "/installed-parts/{id}", operation_id = "show_installed_part", tag = "parts",
    params(("id" = Id<InstalledPart>, Path, description = "Its id")),
    responses((status = 200, description = "The part", body = InstalledPart)))]
async fn show(State(app): State<Arc<App>>, Reads(caller): Reads, PathId(id): PathId<InstalledPart>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    Ok(Answer::one(&actions::get(&mut work, id).await?)?.unless_known(&headers))
}
