//! `/account` and what belongs to it: a person's own name, password, address, sessions and workshops.
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::{Path, State},
    response::{IntoResponse, Response},
};

use super::{
    agent,
    answer::{Done, Page, redirect},
    fault::Fault,
    form::Form,
    frame::{Frame, Nav},
    guard::{Own, PathId, set_session},
    sign_in::set_cookie,
    welcome::{over, private},
    words,
};
use crate::{
    access::whence::Whence,
    actions::{
        App,
        account::{self as actions, Account},
        notice,
    },
    domain::{calendar, id::Id, person::Session, workshop::Workshop},
    error::{Error, Result},
};

#[derive(Template)]
#[template(path = "account.html", whitespace = "minimize")]
struct AccountPage {
    frame: Frame,
    form: Form,
    email: String,
    new_email: Option<String>,
    mails: bool,
    second_factor_since: Option<String>,
    recovery_codes_left: i64,
    sessions: Vec<SessionRow>,
    /// Id, name, and whether it is open now.
    workshops: Vec<(Id<Workshop>, String, bool)>,
}
struct SessionRow {
    id: Id<Session>,
    browser: String,
    address: String,
    begun: String,
    seen: String,
    here: bool,
}

impl AccountPage {
    async fn new(app: &App, own: &Own, mut form: Form) -> Result<Self> {
        let account = actions::show(app, &own.person, &own.cookie).await?;
        let work = app.read(&own.visitor.caller).await?;
        form.offer("name", account.person.name.clone());
        Ok(Self {
            frame: own.visitor.frame(&work, Nav::Nowhere),
            form,
            email: account.person.email.clone(),
            mails: notice::can_send(app),
            second_factor_since: account.second_factor_since.map(|at| calendar::words(at.date())),
            recovery_codes_left: account.recovery_codes_left,
            workshops: workshops(&account, own.visitor.caller.workshop),
            new_email: account.new_email,
            sessions: account.sessions.into_iter().map(|session| session_row(session, &work.workshop.time_zone)).collect(),
        })
    }
}
fn workshops(account: &Account, open: Id<Workshop>) -> Vec<(Id<Workshop>, String, bool)> {
    account.workshops.iter().map(|workshop| (workshop.id, workshop.name.clone(), workshop.id == open)).collect()
}
fn session_row((session, here): (Session, bool), time_zone: &str) -> SessionRow {
    SessionRow {
        id: session.id,
        browser: agent::in_words(&session.user_agent),
        address: session.address,
        begun: words::instant(session.begun_at, time_zone),
        seen: words::instant(session.seen_at, time_zone),
        here,
    }
}

/// The page again, with what is wrong beside its field.
async fn again(app: &App, own: &Own, mut form: Form, field: &str, error: Error) -> Result<Response, Fault> {
    let again = form.must_try_again(field, error)?;
    Ok(again.of(Page(AccountPage::new(app, own, form).await?)))
}

/// `GET /account`
pub(super) async fn show(State(app): State<Arc<App>>, own: Own) -> Result<Response, Fault> {
    Ok(Page(AccountPage::new(&app, &own, Form::default()).await?).into_response())
}

/// `POST /account/name`
pub(super) async fn change_name(State(app): State<Arc<App>>, own: Own, form: Form) -> Result<Response, Fault> {
    match actions::change_name(&app, &own.person, form.value("name")).await {
        Ok(()) => Ok(Done::new("/account", "Your name is changed.").into_response()),
        Err(error) => again(&app, &own, form, "name", error).await,
    }
}

/// `POST /account/password`
pub(super) async fn change_password(State(app): State<Arc<App>>, own: Own, form: Form) -> Result<Response, Fault> {
    let (current, new) = (form.untouched("current"), form.untouched("new"));
    match actions::change_password(&app, &own.person, &own.cookie, current, new).await {
        Ok(()) => Ok(Done::new("/account", "Your password is changed. Every other device has to sign in again.").into_response()),
        Err(error) => again(&app, &own, form, "current", error).await,
    }
}

/// `POST /account/email`
pub(super) async fn change_email(State(app): State<Arc<App>>, own: Own, form: Form) -> Result<Response, Fault> {
    let (email, workshop) = (form.value("email").to_owned(), own.visitor.caller.workshop);
    match actions::begin_email_change(&app, &own.person, workshop, form.password(), &email).await {
        Ok(()) => {
            let said = format!("Two letters are on their way: one to {}, one to {}. Open the link in both.", own.person.email, email);
            Ok(Done::new("/account", said).into_response())
        }
        Err(error) => again(&app, &own, form, "password", error).await,
    }
}

/// `POST /account/sessions/{id}/end`
pub(super) async fn end_session(
    State(app): State<Arc<App>>,
    whence: Whence,
    own: Own,
    PathId(id): PathId<Session>,
) -> Result<Response, Fault> {
    actions::end_session(&app, &whence, own.person.id, id).await?;
    Ok(Done::new("/account", "That device is signed out.").into_response())
}

/// `POST /account/sessions/end`
pub(super) async fn end_all_sessions(State(app): State<Arc<App>>, own: Own) -> Result<Response, Fault> {
    actions::end_all_sessions(&app, &own.person).await?;
    let mut response = redirect("/sign-in");
    set_cookie(&mut response, &set_session(&app, ""));
    Ok(response)
}

/// `POST /account/workshop`
pub(super) async fn open_workshop(State(app): State<Arc<App>>, own: Own, form: Form) -> Result<Response, Fault> {
    let id = form.value("workshop").parse().map_err(|_| Error::NotFound("workshop"))?;
    actions::open_workshop(&app, own.person.id, &own.cookie, id).await?;
    Ok(redirect("/"))
}

#[derive(Template)]
#[template(path = "confirm_email.html", whitespace = "minimize")]
struct ConfirmEmailPage {
    frame: Frame,
    email: String,
    action: String,
    /// Whether both sides have confirmed it; None before this one has.
    done: Option<bool>,
}
fn change_over() -> Response {
    over(
        "This link does not work",
        "The change was done already, is older than a day, or was begun anew; or the address of this page was not copied whole. Begin it again on the page of your account.",
    )
}

/// `GET /confirm-email/{secret}`
pub(super) async fn show_confirmation(State(app): State<Arc<App>>, Path(secret): Path<String>) -> Result<Response, Fault> {
    match actions::check_email_change(&app, &secret).await {
        Ok(email) => {
            let page = ConfirmEmailPage { frame: Frame::outside(), email, action: format!("/confirm-email/{secret}"), done: None };
            Ok(private(Page(page).into_response()))
        }
        Err(Error::NotFound(_)) => Ok(change_over()),
        Err(error) => Err(error.into()),
    }
}

/// `POST /confirm-email/{secret}`
pub(super) async fn confirm_email(State(app): State<Arc<App>>, Path(secret): Path<String>) -> Result<Response, Fault> {
    let confirmed = match actions::check_email_change(&app, &secret).await {
        Ok(email) => actions::confirm_email(&app, &secret).await.map(|done| (email, done)),
        Err(error) => Err(error),
    };
    match confirmed {
        Ok((email, done)) => {
            let page = ConfirmEmailPage { frame: Frame::outside(), email, action: String::new(), done: Some(done) };
            Ok(private(Page(page).into_response()))
        }
        Err(Error::NotFound(_)) => Ok(change_over()),
        Err(error) => Err(error.into()),
    }
}
