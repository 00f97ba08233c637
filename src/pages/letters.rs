//! `/letters`: what was, or is still to be, mailed; and what the mail "What is due" would say now.
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};

use super::{
    answer::{Done, Page},
    fault::Fault,
    form::{Asked, Form},
    frame::{Frame, Nav},
    guard::{Manager, Mechanic, PathId, Visitor},
    links, paging, words,
};
use crate::{
    actions::{App, letter as actions, owner, report},
    domain::{
        id::Id,
        letter::{Letter, LetterStatus},
        motorcycle::Owner,
    },
    error::Result,
    mail::what_is_due::InWords,
    store::Stretch,
};

const SIZE: i64 = 50;

/// How mail leaves the server, in a sentence; where it does not, what to do.
pub(super) fn way_out(app: &App) -> String {
    match &app.mail.route {
        Some(route) => format!("Mail leaves {route}, from {}.", app.mail.from.address),
        None => {
            "Mail does not leave this server: letters wait, and no reports are written. Whoever runs the server sets WITNESSMARK_SMTP_URL \
                 and WITNESSMARK_MAIL_FROM, or starts it with --mail-to-files."
                .into()
        }
    }
}

#[derive(Template)]
#[template(path = "letters.html", whitespace = "minimize")]
struct LettersPage {
    frame: Frame,
    way_out: String,
    rows: Vec<Row>,
    next: Option<String>,
}
struct Row {
    id: Id<Letter>,
    written: String,
    to: String,
    kind: &'static str,
    subject: String,
    state: String,
    answer: String,
    may_retry: bool,
}

fn row(letter: Letter, zone: &str) -> Row {
    let at = |at| words::instant(at, zone);
    let tries = match letter.attempts {
        0 => String::new(),
        1 => " after one try".into(),
        many => format!(" after {many} tries"),
    };
    let settled = letter.settled_at.map(at).unwrap_or_default();
    let state = match letter.status {
        LetterStatus::Sent => format!("Sent {settled}"),
        LetterStatus::GivenUp => format!("Given up {settled}{tries}"),
        LetterStatus::Pending if letter.attempts == 0 => "Pending".into(),
        LetterStatus::Pending => format!("Pending{tries}, next try {}", at(letter.next_try_at)),
    };
    Row {
        id: letter.id,
        written: at(letter.created_at),
        to: letter.to.address,
        kind: letter.kind.words(),
        subject: letter.subject,
        state,
        answer: letter.last_answer,
        may_retry: match letter.status {
            LetterStatus::Sent => false,
            LetterStatus::GivenUp => !letter.kind.is_secret(),
            LetterStatus::Pending => letter.attempts > 0,
        },
    }
}

/// `GET /letters`
pub(super) async fn list(State(app): State<Arc<App>>, Manager(visitor): Manager, Asked(asked): Asked) -> Result<Response, Fault> {
    let stretch: Stretch<Id<Letter>> = paging::stretch(&asked, SIZE)?;
    let mut work = app.read(&visitor.caller).await?;
    let mut letters = actions::list(&mut work, stretch).await?;
    let next = paging::cut(&mut letters, SIZE, |letter| letter.id);
    let page = LettersPage {
        frame: visitor.frame(&work, Nav::Workshop).below(),
        way_out: way_out(&app),
        rows: letters.into_iter().map(|letter| row(letter, &work.workshop.time_zone)).collect(),
        next: next.map(|next| links::with_query("/letters", [("after", next.as_str())])),
    };
    Ok(Page(page).into_response())
}

/// `POST /letters/{id}/retry`
pub(super) async fn retry(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<Letter>,
    mut form: Form,
) -> Result<Response, Fault> {
    let mut work = visitor.write(&app, &mut form).await?;
    let letter = actions::get(&mut work, id).await?;
    actions::retry(&mut work, &letter).await?;
    Done::new("/letters", "It is tried again.").after(work).await
}

#[derive(Template)]
#[template(path = "mail_preview.html", whitespace = "minimize")]
struct PreviewPage {
    frame: Frame,
    about: String,
    subject: String,
    says_something: bool,
    way_out: String,
    back: String,
    said: InWords,
}

async fn preview(app: &App, visitor: &Visitor, whom: report::Whom, about: String, back: String) -> Result<Response, Fault> {
    let (work, report) = report::preview(app, visitor.caller.workshop, &whom).await?;
    let for_owner = matches!(whom, report::Whom::Owner(_));
    let page = PreviewPage {
        frame: visitor.frame(&work, Nav::Workshop).below(),
        about,
        subject: report.subject(),
        says_something: report.says_something(),
        way_out: way_out(app),
        back,
        // Links of a page stay on the page's own host.
        said: InWords::new(&report, &work.workshop, "", for_owner, None),
    };
    Ok(Page(page).into_response())
}

/// `GET /owners/{id}/mail`
pub(super) async fn for_owner(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<Owner>,
) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let owner = owner::get(&mut work, id).await?;
    drop(work);
    let (about, back) = (format!("To {}, about their motorcycles", owner.name), format!("/owners/{id}/edit"));
    preview(&app, &visitor, report::Whom::Owner(Box::new(owner)), about, back).await
}

/// `GET /workshop/mail`
pub(super) async fn for_workshop(State(app): State<Arc<App>>, Manager(visitor): Manager) -> Result<Response, Fault> {
    let work = app.read(&visitor.caller).await?;
    let address = work.workshop.reports.to.first().cloned().unwrap_or_default();
    drop(work);
    preview(&app, &visitor, report::Whom::Everything(address), "About all motorcycles".into(), "/workshop".into()).await
}
