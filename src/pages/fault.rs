//! What a page answers when it cannot do what was asked: a page in words, with the same look, never a problem document.
use askama::Template;
use axum::{
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};

use super::{
    answer::{Done, Page, redirect},
    frame::Frame,
};
use crate::error::Error;

/// Why a page cannot be given.
#[derive(Debug)]
pub enum Fault {
    /// Nobody is signed in: to the sign-in page, and from there back to this path.
    SignIn(String),
    /// An error of the floors below.
    Error(Error),
}
impl From<Error> for Fault {
    fn from(error: Error) -> Self {
        Self::Error(error)
    }
}

#[derive(Template)]
#[template(path = "fault.html", whitespace = "minimize")]
struct FaultPage {
    frame: Frame,
    title: &'static str,
    detail: String,
}

impl IntoResponse for Fault {
    fn into_response(self) -> Response {
        let error = match self {
            Self::SignIn(next) => return redirect(&format!("/sign-in?next={}", super::links::encode(&next))),
            // The first answer to the same form: where the first tap led.
            Self::Error(Error::Replayed(answer)) => return Done::from(*answer).into_response(),
            Self::Error(error) => error,
        };
        match &error {
            Error::Internal(why) => tracing::error!(why, "the server failed"),
            Error::Unavailable(why) | Error::Unsure(why) | Error::Unwritable { why, .. } => {
                tracing::warn!(why, "the database cannot be used");
            }
            _ => {}
        }
        let mut response = page(error.status(), detail(&error));
        if let Error::TooOften(seconds) = error {
            response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        response
    }
}

fn detail(error: &Error) -> String {
    match error {
        Error::NotFound(what) => format!("There is no {what} here, or it is not yours. Go back to the list and choose again."),
        Error::Unauthenticated(why) => (*why).into(),
        other => other.detail(),
    }
}

/// The page of an error with this status code.
#[must_use]
pub fn page(status: u16, detail: String) -> Response {
    let status = StatusCode::from_u16(status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    let title = match status.as_u16() {
        400 => "This cannot be read",
        401 => "Please sign in",
        403 => "This is not allowed",
        404 => "There is nothing here",
        405 => "This page cannot be used like that",
        409 => "Something stands in the way",
        412 => "It was changed meanwhile",
        413 => "This is too large",
        422 => "This cannot be",
        429 => "Too many tries",
        503 => "Not right now",
        _ => "The server failed",
    };
    let mut response = Page(FaultPage { frame: Frame::outside(), title, detail }).into_response();
    *response.status_mut() = status;
    if status == StatusCode::SERVICE_UNAVAILABLE {
        response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static("2"));
    }
    response
}
