//! `/motorcycles/{id}/history`
use std::sync::Arc;

use axum::{
    body::{Body as Outgoing, Bytes},
    extract::State,
    http::{HeaderMap, Uri, header},
    response::{IntoResponse, Response},
};
use futures_util::stream;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Page, PageQuery, keyed_page},
    extract::{PathId, Query, Reads},
};
use crate::{
    actions::{App, Work, history as actions, motorcycle},
    domain::{history_item::HistoryItem, id::Id, motorcycle::Motorcycle},
    error::{Error, Result},
    store::{Stretch, history_item::PlaceKey},
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list))
}

const NDJSON: &str = "application/x-ndjson";

/// List everything that happened
///
/// Newest first: by day, then the later entry first. A service event is there with all its lines, and each reading, part and value that came
/// with it is there again as an item of its own (`service_event_id` says with which event). Struck-out entries stay, with `struck_out`.
/// With `Accept: application/x-ndjson` the whole history comes as one stream, an item on each line; `limit` and `cursor` then mean nothing.
#[utoipa::path(get, path = "/motorcycles/{id}/history", operation_id = "list_history", tag = "history",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id"), PageQuery),
    responses((status = 200, description = "A page of the history, or all of it as a stream",
        content((Page<HistoryItem> = "application/json"), (HistoryItem = "application/x-ndjson")))))]
async fn list(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    PathId(id): PathId<Motorcycle>,
    headers: HeaderMap,
    uri: Uri,
    Query(query): Query<PageQuery>,
) -> Result<Response> {
    let mut work = app.read(&caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    if wants_stream(&headers) {
        return Ok(stream_all(work, bike));
    }
    let stretch = query.stretch()?;
    let limit = stretch.limit;
    let mut response = keyed_page(actions::list(&mut work, &bike, stretch).await?, limit, &uri)?;
    response.headers_mut().insert(header::VARY, header::HeaderValue::from_static("accept"));
    Ok(response)
}

fn wants_stream(headers: &HeaderMap) -> bool {
    let accept = headers.get(header::ACCEPT).and_then(|value| value.to_str().ok()).unwrap_or_default();
    accept.split(',').any(|kind| kind.split(';').next().is_some_and(|kind| kind.trim().eq_ignore_ascii_case(NDJSON)))
}

/// The whole history, one page after the other, from one moment of the database: nothing that is entered meanwhile gets in between.
fn stream_all(work: Work, bike: Motorcycle) -> Response {
    let pages = stream::try_unfold((work, bike, Some(None)), |(mut work, bike, next)| async move {
        let Some(after): Option<Option<PlaceKey>> = next else { return Ok(None) };
        let items = actions::list(&mut work, &bike, Stretch { after, limit: 200 }).await?;
        let next = items.last().map(|(key, _)| Some(*key));
        let mut lines = Vec::new();
        for (_, item) in &items {
            serde_json::to_writer(&mut lines, item).map_err(Error::internal)?;
            lines.push(b'\n');
        }
        Ok::<_, Error>(Some((Bytes::from(lines), (work, bike, next))))
    });
    ([(header::CONTENT_TYPE, NDJSON), (header::VARY, "accept")], Outgoing::from_stream(pages)).into_response()
}
