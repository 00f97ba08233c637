//! `/tokens`: API tokens; a new one is shown once.
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::State,
    http::{HeaderValue, header},
    response::{IntoResponse, Response},
};

use super::{
    answer::{Done, Page},
    fault::Fault,
    form::{Asked, Form},
    frame::{Frame, Nav},
    guard::{Manager, PathId, Visitor},
    links, paging, words,
};
use crate::{
    actions::{App, StoredAnswer, Work, token as actions},
    domain::{
        calendar,
        id::Id,
        workshop::{NewToken, Token},
    },
    error::Result,
    store::Stretch,
};

const SIZE: i64 = 50;

#[derive(Template)]
#[template(path = "tokens.html", whitespace = "minimize")]
struct TokensPage {
    frame: Frame,
    secret: Option<String>,
    rows: Vec<Row>,
    next: Option<String>,
    form: Form,
}
struct Row {
    id: Id<Token>,
    name: String,
    scopes: String,
    until: String,
    used: String,
}

impl TokensPage {
    async fn new(visitor: &Visitor, work: &mut Work, asked: &Form, form: Form) -> Result<Self> {
        let stretch: Stretch<Id<Token>> = paging::stretch(asked, SIZE)?;
        let mut tokens = actions::list(work, stretch).await?;
        let next = paging::cut(&mut tokens, SIZE, |token| token.id);
        Ok(Self {
            frame: visitor.frame(work, Nav::Workshop).below(),
            secret: None,
            rows: tokens.into_iter().map(row).collect(),
            next: next.map(|next| links::with_query("/tokens", [("after", next.as_str())])),
            form,
        })
    }
}
fn row(token: Token) -> Row {
    let scopes: Vec<_> = token.scopes.iter().map(ToString::to_string).collect();
    Row {
        id: token.id,
        name: token.name,
        scopes: words::list(&scopes),
        until: token.expires_on.map_or_else(|| "no end".into(), calendar::words),
        used: token.last_used_at.map_or_else(|| "never".into(), |at| calendar::words(at.date())),
    }
}
fn fresh() -> Form {
    Form::showing([("name", String::new()), ("scopes", "read".into()), ("expires_on", String::new())])
}

/// `GET /tokens`
pub(super) async fn list(State(app): State<Arc<App>>, Manager(visitor): Manager, Asked(asked): Asked) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    Ok(Page(TokensPage::new(&visitor, &mut work, &asked, fresh()).await?).into_response())
}

/// `POST /tokens`
pub(super) async fn make(State(app): State<Arc<App>>, Manager(visitor): Manager, mut form: Form) -> Result<Response, Fault> {
    let scopes: Vec<_> = form.values("scopes").filter_map(|scope| scope.parse().ok()).collect();
    let expires_on = form.day("expires_on");
    if scopes.is_empty() {
        form.complain("scopes", "Tick at least one thing that the token may do.");
    }
    let new = NewToken { name: form.value("name").to_owned(), scopes, expires_on, owner_id: None, motorcycle_id: None };
    let mut work = visitor.write(&app, &mut form).await?;
    let made = match form.ready(Some(new)) {
        Ok(new) => actions::make(&mut work, new).await,
        Err(error) => Err(error),
    };
    match made {
        Ok((_, secret)) => {
            let mut page = TokensPage::new(&visitor, &mut work, &Form::default(), fresh()).await?;
            page.secret = Some(secret);
            // The secret is not kept for a second tap: it leads to the list.
            let said = "This token was made before, and shown then. If it was not copied, revoke it and make another one.";
            let again = StoredAnswer { status: 303, location: Some("/tokens".into()), etag: None, body: said.into() };
            work.finish(Some(&again)).await?;
            let mut response = Page(page).into_response();
            response.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
            Ok(response)
        }
        Err(error) => {
            form.refused(error)?;
            Ok(Page(TokensPage::new(&visitor, &mut work, &Form::default(), form).await?).with_status(422))
        }
    }
}

/// `POST /tokens/{id}/revoke`
pub(super) async fn revoke(State(app): State<Arc<App>>, Manager(visitor): Manager, PathId(id): PathId<Token>) -> Result<Response, Fault> {
    let mut work = app.write(&visitor.caller, None).await?;
    let token = actions::get(&mut work, id).await?;
    actions::revoke(&mut work, &token).await?;
    let done = Done::new("/tokens", format!("The token for {} is revoked.", token.name)).after(work).await;
    app.tokens.forget();
    done
}
