//! `/motorcycles/{id}/due`, `/due`
use std::sync::Arc;

use axum::{
    extract::State,
    http::{HeaderMap, Uri},
    response::{IntoResponse, Response},
};
use serde::Deserialize;
use time::{Date, macros::format_description};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, Page, PageQuery, page},
    extract::{PathId, Query, Reads},
};
use crate::{
    actions::{App, due as actions, motorcycle},
    domain::{
        due::{DueItemId, DueItemOn},
        id::Id,
        motorcycle::{Motorcycle, Owner},
        words::Status,
    },
    error::{Error, Result},
    store::due_item::{Wanted, key},
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(of_motorcycle)).routes(routes!(of_workshop))
}

/// For which day it is asked, and which page.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct DayQuery {
    /// For this day instead of today; history after it is left out.
    as_of: Option<Date>,
    /// How many items, 1 to 200; without it and without a cursor all of them.
    #[param(value_type = Option<i64>, minimum = 1, maximum = 200)]
    limit: Option<String>,
    /// `next` of the page before.
    cursor: Option<String>,
}

/// What is due on one motorcycle
///
/// Soonest first, items with no history last. All of it comes on one page where neither a limit nor a cursor is given.
#[utoipa::path(get, path = "/motorcycles/{id}/due", operation_id = "due_of_motorcycle", tag = "due",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle"), DayQuery),
    responses((status = 200, description = "Its due items", body = Page<DueItemOn>)))]
async fn of_motorcycle(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    PathId(id): PathId<Motorcycle>,
    Query(query): Query<DayQuery>,
    uri: Uri,
    headers: HeaderMap,
) -> Result<Response> {
    let answer = |items| Answer::one(&Page { items, next: None });
    let in_pages = query.limit.is_some() || query.cursor.is_some();
    if query.as_of.is_none() && !in_pages {
        let kept = actions::answer_of(&app, &caller, id, |items: Vec<DueItemOn>| Ok(answer(items)?.0)).await?;
        return Ok(Answer((*kept).clone()).unless_known(&headers).into_response());
    }
    let mut work = app.read(&caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let mut items = actions::of_motorcycle(&mut work, &bike, query.as_of).await?;
    if !in_pages {
        return Ok(answer(items)?.unless_known(&headers).into_response());
    }
    let stretch = PageQuery { limit: query.limit, cursor: query.cursor }.stretch::<(Date, DueItemId)>()?;
    items.sort_by_key(key);
    items.retain(|item| stretch.after.is_none_or(|after| key(item) > after));
    items.truncate(usize::try_from(stretch.limit).unwrap_or(usize::MAX));
    page(items, stretch.limit, &uri, key)
}

/// Which due items are asked for.
#[derive(Debug, Default, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "its fields are for the OpenAPI document; the query is read pair by pair, since status may be repeated")]
struct DueQuery {
    /// Only these statuses; may be repeated.
    status: Option<Vec<Status>>,
    /// Only motorcycles of this owner.
    owner: Option<Id<Owner>>,
    /// Only what comes due before this day.
    before: Option<Date>,
    /// For this day, from today on.
    as_of: Option<Date>,
    /// How many items, 1 to 200.
    #[param(value_type = Option<i64>, minimum = 1, maximum = 200, default = 50)]
    limit: Option<String>,
    /// `next` of the page before.
    cursor: Option<String>,
}

/// What is due in the whole workshop
///
/// Soonest first, items with no history last.
#[utoipa::path(get, path = "/due", operation_id = "due_of_workshop", tag = "due", params(DueQuery),
    responses((status = 200, description = "A page of due items", body = Page<DueItemOn>)))]
async fn of_workshop(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    uri: Uri,
    Query(pairs): Query<Vec<(String, String)>>,
) -> Result<Response> {
    let (wanted, as_of, paging) = read_query(pairs)?;
    let stretch = paging.stretch()?;
    let mut work = app.read(&caller).await?;
    page(actions::of_workshop(&mut work, &wanted, as_of, &stretch).await?, stretch.limit, &uri, key)
}

fn read_query(pairs: Vec<(String, String)>) -> Result<(Wanted, Option<Date>, PageQuery)> {
    let day = |name: &str, text: &str| {
        Date::parse(text, format_description!("[year]-[month]-[day]"))
            .map_err(|_| Error::invalid(format!("/{name}"), "A date is written YYYY-MM-DD and must be in the calendar."))
    };
    let (mut wanted, mut as_of, mut paging) = (Wanted::default(), None, PageQuery::default());
    for (name, value) in pairs {
        match name.as_str() {
            "status" => wanted.statuses.push(value.parse().map_err(|why: String| Error::invalid("/status", why))?),
            "owner" => wanted.owner = Some(value.parse().map_err(|_| Error::invalid("/owner", "An owner's id is a UUID; see /owners."))?),
            "before" => wanted.before = Some(day(&name, &value)?),
            "as_of" => as_of = Some(day(&name, &value)?),
            "limit" => paging.limit = Some(value),
            "cursor" => paging.cursor = Some(value),
            _ => {}
        }
    }
    Ok((wanted, as_of, paging))
}
