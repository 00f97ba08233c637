//! `/calendar/{secret}.ics`: what a calendar program fetches. It signs in by nothing but the secret in the address.
use std::sync::Arc;

use axum::{
    Router,
    extract::{Path, State},
    http::{HeaderMap, HeaderValue, header},
    response::{IntoResponse, Response},
    routing::get,
};

use crate::{
    actions::{App, StoredAnswer, calendar::feed},
    api::answer::{Answer, etag},
    error::{Error, Result},
};

/// The route, outside the API's base.
pub fn routes() -> Router<Arc<App>> {
    Router::new().route("/calendar/{file}", get(show))
}

async fn show(State(app): State<Arc<App>>, Path(file): Path<String>, headers: HeaderMap) -> Result<Response> {
    let secret = file.strip_suffix(".ics").ok_or(Error::NotFound("calendar"))?;
    let body = feed(&app, secret).await?;
    let answer = Answer(StoredAnswer { status: 200, location: None, etag: Some(etag(&body)), body }).unless_known(&headers);
    let mut response = answer.into_response();
    let headers = response.headers_mut();
    if headers.contains_key(header::CONTENT_TYPE) {
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("text/calendar; charset=utf-8"));
        headers.insert(header::CONTENT_DISPOSITION, HeaderValue::from_static("inline; filename=\"what-is-due.ics\""));
    }
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("private, no-cache"));
    // The address is a secret: it must not be told to a page that a link leads to.
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
    Ok(response)
}
