//! `/sign-in`, `/sign-in/code`, `/sign-out`
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::State,
    http::{HeaderMap, HeaderValue, header},
    response::{IntoResponse, Response},
};

use super::{
    answer::{Page, redirect},
    fault::Fault,
    form::{Asked, Form},
    frame::Frame,
    guard::{cookie, half_cookie, session_cookie, set_half, set_session},
    links::{local, with_query},
};
use crate::{
    access::whence::Whence,
    actions::{
        App, session,
        sign_in::{self as actions, SignedIn},
    },
    error::Error,
};

#[derive(Template)]
#[template(path = "sign_in.html", whitespace = "minimize")]
struct SignInPage {
    frame: Frame,
    form: Form,
    next: String,
}
impl SignInPage {
    fn new(form: Form) -> Self {
        let next = local(form.value("next")).to_owned();
        Self { frame: Frame::outside(), form, next }
    }
}

#[derive(Template)]
#[template(path = "sign_in_code.html", whitespace = "minimize")]
struct CodePage {
    frame: Frame,
    form: Form,
    next: String,
}
impl CodePage {
    fn new(form: Form) -> Self {
        let next = local(form.value("next")).to_owned();
        Self { frame: Frame::outside(), form, next }
    }
}

/// `GET /sign-in`
pub(super) async fn show(Asked(asked): Asked) -> Response {
    Page(SignInPage::new(asked)).into_response()
}

/// `POST /sign-in`
pub(super) async fn sign_in(State(app): State<Arc<App>>, headers: HeaderMap, whence: Whence, mut form: Form) -> Result<Response, Fault> {
    let (email, password) = (form.value("email").to_owned(), form.password());
    match actions::sign_in(&app, &whence, &email, password).await {
        Ok(signed_in) => come_in(&app, &headers, &signed_in, local(form.value("next"))).await,
        Err(error) => {
            let again = form.must_try_again("email", error)?;
            Ok(again.of(Page(SignInPage::new(form))))
        }
    }
}

/// `GET /sign-in/code`
pub(super) async fn show_code(Asked(asked): Asked) -> Response {
    Page(CodePage::new(asked)).into_response()
}

/// `POST /sign-in/code`
pub(super) async fn sign_in_by_code(
    State(app): State<Arc<App>>,
    headers: HeaderMap,
    whence: Whence,
    mut form: Form,
) -> Result<Response, Fault> {
    let half = cookie(&headers, half_cookie(&app)).unwrap_or_default();
    match actions::second_step(&app, &whence, half, form.value("code")).await {
        Ok(secret) => {
            let mut response = come_in(&app, &headers, &SignedIn::Session(secret), local(form.value("next"))).await?;
            set_cookie(&mut response, &set_half(&app, ""));
            Ok(response)
        }
        Err(Error::Unauthenticated(why)) => {
            let mut form = Form::showing([("email", String::new()), ("next", form.value("next").to_owned())]);
            form.complain("email", why);
            Ok(Page(SignInPage::new(form)).with_status(401))
        }
        Err(error) => {
            let again = form.must_try_again("code", error)?;
            form.set("code", "");
            Ok(again.of(Page(CodePage::new(form))))
        }
    }
}

/// What comes after a right password. A session that the browser had before ends: nobody goes on in one that was not begun just now.
pub(super) async fn come_in(app: &App, headers: &HeaderMap, signed_in: &SignedIn, next: &str) -> Result<Response, Fault> {
    if let Some(old) = cookie(headers, session_cookie(app)).filter(|old| !old.is_empty()) {
        session::sign_out(app, old).await?;
    }
    Ok(match signed_in {
        SignedIn::Session(secret) => {
            let mut response = redirect(next);
            set_cookie(&mut response, &set_session(app, secret));
            response
        }
        SignedIn::Half(secret) => {
            let mut response = redirect(&with_query("/sign-in/code", [("next", next)]));
            set_cookie(&mut response, &set_half(app, secret));
            response
        }
    })
}

/// `POST /sign-out`
pub(super) async fn sign_out(State(app): State<Arc<App>>, headers: HeaderMap, whence: Whence) -> Result<Response, Fault> {
    if let Some(secret) = cookie(&headers, session_cookie(&app)) {
        actions::sign_out(&app, &whence, secret).await?;
    }
    let mut response = redirect("/sign-in");
    set_cookie(&mut response, &set_session(&app, ""));
    // Pages and drafts that the browser kept go, too, where it is asked over https.
    response.headers_mut().insert("clear-site-data", HeaderValue::from_static("\"cache\", \"storage\""));
    Ok(response)
}

/// Adds a cookie to an answer.
pub(super) fn set_cookie(response: &mut Response, cookie: &str) {
    if let Ok(cookie) = HeaderValue::from_str(cookie) {
        response.headers_mut().append(header::SET_COOKIE, cookie);
    }
}
