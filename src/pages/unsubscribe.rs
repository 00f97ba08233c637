//! `/unsubscribe/{secret}`: stopping the mail "What is due", by a link in it and by the mail program's own button (RFC 8058).
use std::sync::Arc;

use askama::Template;
use axum::{
    body::Bytes,
    extract::{Path, State},
    http::{HeaderValue, header},
    response::{IntoResponse, Response},
};

use super::{answer::Page, fault::Fault, frame::Frame};
use crate::{
    actions::{App, report as actions},
    error::Error,
};

#[derive(Template)]
#[template(path = "unsubscribe.html", whitespace = "minimize")]
struct UnsubscribePage {
    frame: Frame,
    workshop: String,
    address: String,
    wanted: bool,
}
fn page(stopping: actions::Stopping, wanted: bool) -> Response {
    let page = UnsubscribePage { frame: Frame::outside(), workshop: stopping.workshop, address: stopping.address, wanted };
    let mut response = Page(page).into_response();
    // The address of the page is a secret.
    response.headers_mut().insert(header::REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
    response.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    response
}

/// `GET /unsubscribe/{secret}`: asks; programs that look through mail for links follow this one, and change nothing.
pub(super) async fn ask(State(app): State<Arc<App>>, Path(secret): Path<String>) -> Result<Response, Fault> {
    let stopping = actions::by_secret(&app, &secret).await?;
    let wanted = stopping.wanted;
    Ok(page(stopping, wanted))
}

/// `POST /unsubscribe/{secret}`: does it. The mail program sends `List-Unsubscribe=One-Click`, as a form of either kind.
pub(super) async fn stop(State(app): State<Arc<App>>, Path(secret): Path<String>, body: Bytes) -> Result<Response, Fault> {
    let stopping = actions::by_secret(&app, &secret).await?;
    let said = String::from_utf8_lossy(&body);
    if !(said.contains("List-Unsubscribe") && said.contains("One-Click")) {
        return Err(Error::Malformed("Nothing was stopped: the form must say List-Unsubscribe=One-Click.".into()).into());
    }
    actions::stop(&app, &stopping).await?;
    Ok(page(stopping, false))
}
