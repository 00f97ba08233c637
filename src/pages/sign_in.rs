//! `/sign-in` and `/sign-out`
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
    guard::{cookie, session_cookie, set_session},
    links::local,
};
use crate::{
    actions::{App, session},
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

pub(super) async fn show(Asked(asked): Asked) -> Response {
    Page(SignInPage::new(asked)).into_response()
}

pub(super) async fn sign_in(State(app): State<Arc<App>>, mut form: Form) -> Result<Response, Fault> {
    let (email, password) = (form.value("email").to_owned(), form.password());
    match session::sign_in(&app, &email, password).await {
        Ok(secret) => {
            let mut response = redirect(local(form.value("next")));
            set_cookie(&mut response, &set_session(&app, &secret));
            Ok(response)
        }
        Err(Error::Unauthenticated(why)) => {
            form.complain("email", why);
            Ok(Page(SignInPage::new(form)).with_status(401))
        }
        Err(error) => Err(error.into()),
    }
}

pub(super) async fn sign_out(State(app): State<Arc<App>>, headers: HeaderMap) -> Result<Response, Fault> {
    if let Some(secret) = cookie(&headers, session_cookie(&app)) {
        session::sign_out(&app, secret).await?;
    }
    let mut response = redirect("/sign-in");
    set_cookie(&mut response, &set_session(&app, ""));
    Ok(response)
}

fn set_cookie(response: &mut Response, cookie: &str) {
    if let Ok(cookie) = HeaderValue::from_str(cookie) {
        response.headers_mut().append(header::SET_COOKIE, cookie);
    }
}
