//! `/forgot`, `/reset/{secret}`: a new password.
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::{Path, State},
    http::HeaderMap,
    response::{IntoResponse, Response},
};

use super::{
    answer::Page,
    fault::Fault,
    form::Form,
    frame::Frame,
    sign_in::come_in,
    welcome::{over, private},
};
use crate::{
    access::whence::Whence,
    actions::{App, account as actions, notice},
    domain::person::wrong_address,
    error::{Error, Result},
};

#[derive(Template)]
#[template(path = "forgot.html", whitespace = "minimize")]
struct ForgotPage {
    frame: Frame,
    form: Form,
    mails: bool,
    asked: bool,
}

#[derive(Template)]
#[template(path = "reset.html", whitespace = "minimize")]
struct ResetPage {
    frame: Frame,
    form: Form,
    action: String,
}

/// `GET /forgot`
pub(super) async fn forgot(State(app): State<Arc<App>>) -> Response {
    let form = Form::showing([("email", String::new())]);
    Page(ForgotPage { frame: Frame::outside(), form, mails: notice::can_send(&app), asked: false }).into_response()
}

/// `POST /forgot`: the same answer for every address.
pub(super) async fn ask(State(app): State<Arc<App>>, whence: Whence, mut form: Form) -> Response {
    let mails = notice::can_send(&app);
    if let Some(problem) = wrong_address(form.value("email")) {
        form.complain("email", format!("This {}.", problem.detail));
        return Page(ForgotPage { frame: Frame::outside(), form, mails, asked: false }).with_status(422);
    }
    if mails {
        actions::forgot(&app, &whence, form.value("email"));
    }
    Page(ForgotPage { frame: Frame::outside(), form, mails, asked: mails }).into_response()
}

fn reset_over() -> Response {
    over(
        "This link does not work",
        "It was used already, is too old, or its address was not copied whole. Ask for a new one on the page to sign in, or ask a manager of your workshop.",
    )
}

/// `GET /reset/{secret}`
pub(super) async fn show(State(app): State<Arc<App>>, Path(secret): Path<String>) -> Result<Response, Fault> {
    match actions::check_reset(&app, &secret).await {
        Ok(()) => {
            let page = ResetPage { frame: Frame::outside(), form: Form::default(), action: format!("/reset/{secret}") };
            Ok(private(Page(page).into_response()))
        }
        Err(Error::NotFound(_)) => Ok(reset_over()),
        Err(error) => Err(error.into()),
    }
}

/// `POST /reset/{secret}`
pub(super) async fn reset(
    State(app): State<Arc<App>>,
    Path(secret): Path<String>,
    headers: HeaderMap,
    whence: Whence,
    mut form: Form,
) -> Result<Response, Fault> {
    match actions::reset(&app, &whence, &secret, form.password()).await {
        Ok(signed_in) => come_in(&app, &headers, &signed_in, "/").await,
        Err(Error::NotFound(_)) => Ok(reset_over()),
        Err(error) => {
            let again = form.must_try_again("password", error)?;
            let page = ResetPage { frame: Frame::outside(), form, action: format!("/reset/{secret}") };
            Ok(private(again.of(Page(page))))
        }
    }
}
