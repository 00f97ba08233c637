//! What a page answers: HTML, or after a form was done a way to the next page with a few words on what was done.
use askama::Template;
use axum::{
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use base64::{Engine, engine::general_purpose::URL_SAFE_NO_PAD};

use super::fault::{self, Fault};
use crate::{
    actions::{StoredAnswer, Work},
    error::Error,
};

/// What was done, on its way to the next page: [`super::guard`] makes a cookie of it. It is shown once, as text.
#[derive(Clone, Debug)]
pub struct Said(pub String);

/// A template as an answer.
#[derive(Clone, Copy, Debug)]
pub struct Page<T>(pub T);

impl<T: Template> IntoResponse for Page<T> {
    fn into_response(self) -> Response {
        match self.0.render() {
            Ok(html) => ([(header::CONTENT_TYPE, "text/html; charset=utf-8")], html).into_response(),
            Err(error) => {
                tracing::error!(%error, "a template failed");
                fault::page(500, Error::internal(error).detail())
            }
        }
    }
}

impl<T: Template> Page<T> {
    /// The page with another status code: a form with something wrong in it is a 422.
    #[must_use]
    pub fn with_status(self, status: u16) -> Response {
        let mut response = self.into_response();
        if let (StatusCode::OK, Ok(status)) = (response.status(), StatusCode::from_u16(status)) {
            *response.status_mut() = status;
        }
        response
    }
}

/// 303: look there.
#[must_use]
pub fn redirect(to: &str) -> Response {
    let to = HeaderValue::from_str(to).unwrap_or(HeaderValue::from_static("/"));
    (StatusCode::SEE_OTHER, [(header::LOCATION, to)]).into_response()
}

/// A form was done: where to go, and what to say there.
#[derive(Clone, Debug)]
pub struct Done {
    to: String,
    said: String,
}
impl Done {
    /// Where to go, and what to say there.
    #[must_use]
    pub fn new(to: impl Into<String>, said: impl Into<String>) -> Self {
        Self { to: to.into(), said: said.into() }
    }
    /// Commits the work, and keeps this answer under the form's one-time key: a second tap leads to the same place.
    ///
    /// # Errors
    /// Where the database refuses; then nothing is stored.
    pub async fn after(self, work: Work) -> Result<Response, Fault> {
        let answer = StoredAnswer { status: 303, location: Some(self.to.clone()), etag: None, body: self.said.clone() };
        work.finish(Some(&answer)).await?;
        Ok(self.into_response())
    }
}
impl From<StoredAnswer> for Done {
    fn from(answer: StoredAnswer) -> Self {
        Self { to: answer.location.unwrap_or_else(|| "/".into()), said: answer.body }
    }
}
impl IntoResponse for Done {
    fn into_response(self) -> Response {
        let mut response = redirect(&self.to);
        // A cookie holds 4 KB; a name may be longer than anybody wants to read.
        let said: String = self.said.chars().take(400).collect();
        response.extensions_mut().insert(Said(URL_SAFE_NO_PAD.encode(said)));
        response
    }
}

/// What was said by the answer before.
#[must_use]
pub fn said(cookie: &str) -> Option<String> {
    URL_SAFE_NO_PAD.decode(cookie).ok().and_then(|bytes| String::from_utf8(bytes).ok())
}
