//! `/welcome/{secret}`: an invitation. One form serves those who are new and those who have an account, so that it tells nobody which it is.
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::{Path, State},
    http::{HeaderMap, HeaderValue, header},
    response::{IntoResponse, Response},
};

use super::{
    answer::{Done, Page},
    fault::Fault,
    form::Form,
    frame::Frame,
    guard::{cookie, session_cookie},
    people::roles_in_words,
    sign_in::come_in,
};
use crate::{
    access::{Who, whence::Whence},
    actions::{
        App,
        person::{self as actions, Welcome},
        session,
    },
    domain::workshop::Person,
    error::{Error, Result},
};

#[derive(Template)]
#[template(path = "welcome.html", whitespace = "minimize")]
struct WelcomePage {
    frame: Frame,
    form: Form,
    action: String,
    workshop: String,
    email: String,
    roles: String,
    /// Somebody is signed in: who, and whether they are the one who is invited.
    signed_in: Option<(String, bool)>,
}
impl WelcomePage {
    fn new(welcome: Welcome, secret: &str, person: Option<&Person>, form: Form) -> Self {
        Self {
            frame: Frame::outside(),
            form,
            action: format!("/welcome/{secret}"),
            workshop: welcome.workshop,
            signed_in: person.map(|person| (person.email.clone(), person.email == welcome.member.email)),
            roles: roles_in_words(&welcome.member.roles),
            email: welcome.member.email,
        }
    }
}

#[derive(Template)]
#[template(path = "link_over.html", whitespace = "minimize")]
struct LinkOverPage {
    frame: Frame,
    title: &'static str,
    detail: &'static str,
}

/// The page of a link that does not work: what may be the reason, and what to do.
pub(super) fn over(title: &'static str, detail: &'static str) -> Response {
    private(Page(LinkOverPage { frame: Frame::outside(), title, detail }).with_status(404))
}
/// A page whose address is a secret: no cache keeps it, and no link from it carries it on.
pub(super) fn private(mut response: Response) -> Response {
    response.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    response.headers_mut().insert(header::REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
    response
}
fn invitation_over() -> Response {
    over(
        "This invitation does not work",
        "It was used already, is older than seven days, was taken back or replaced by a newer one, or its address was not copied whole. If you have come in before, sign in; else ask the workshop for a new one.",
    )
}

/// Who is signed in, if anybody is.
async fn somebody(app: &App, headers: &HeaderMap) -> Option<(Person, String)> {
    let cookie = cookie(headers, session_cookie(app))?;
    match session::session_caller(app, cookie).await.ok()?.who {
        Who::Person(person) => Some((person, cookie.to_owned())),
        Who::Token(..) | Who::CommandLine | Who::Recipient(_) | Who::Workshop(_) => None,
    }
}

/// `GET /welcome/{secret}`
pub(super) async fn show(State(app): State<Arc<App>>, Path(secret): Path<String>, headers: HeaderMap) -> Result<Response, Fault> {
    let welcome = match actions::invitation(&app, &secret).await {
        Err(Error::NotFound(_)) => return Ok(invitation_over()),
        other => other?,
    };
    let person = somebody(&app, &headers).await;
    let form = Form::showing([("name", welcome.member.name.clone())]);
    Ok(private(Page(WelcomePage::new(welcome, &secret, person.as_ref().map(|(person, _)| person), form)).into_response()))
}

/// `POST /welcome/{secret}`
pub(super) async fn accept(
    State(app): State<Arc<App>>,
    Path(secret): Path<String>,
    headers: HeaderMap,
    whence: Whence,
    mut form: Form,
) -> Result<Response, Fault> {
    let welcome = match actions::invitation(&app, &secret).await {
        Err(Error::NotFound(_)) => return Ok(invitation_over()),
        other => other?,
    };
    if let (true, Some((person, cookie))) = (form.has("join"), somebody(&app, &headers).await) {
        return match actions::accept_signed_in(&app, &secret, &person, &cookie).await {
            Ok(()) => Ok(Done::new("/", format!("You belong to {} now.", welcome.workshop)).into_response()),
            Err(Error::NotFound(_)) => Ok(invitation_over()),
            Err(error) => Err(error.into()),
        };
    }
    match actions::accept(&app, &whence, &secret, form.value("name"), form.password()).await {
        Ok(signed_in) => come_in(&app, &headers, &signed_in, "/").await,
        Err(Error::NotFound(_)) => Ok(invitation_over()),
        Err(error) => {
            let again = form.must_try_again("password", error)?;
            Ok(private(again.of(Page(WelcomePage::new(welcome, &secret, None, form)))))
        }
    }
}
