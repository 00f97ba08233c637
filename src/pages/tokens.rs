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
    actions::{App, StoredAnswer, Work, motorcycle, owner, token as actions},
    domain::{
        calendar,
        id::Id,
        workshop::{NewToken, Token, TokenRotation},
    },
    error::Result,
    store::{Stretch, motorcycle::Wanted},
};

const SIZE: i64 = 50;

#[derive(Template)]
#[template(path = "tokens.html", whitespace = "minimize")]
struct TokensPage {
    frame: Frame,
    secret: Option<String>,
    rows: Vec<Row>,
    next: Option<String>,
    /// What a token may be bound to: an owner's motorcycles, or one motorcycle.
    bounds: Vec<(String, String)>,
    form: Form,
}
struct Row {
    id: Id<Token>,
    name: String,
    scopes: String,
    until: String,
    used: String,
    rotated: bool,
}

impl TokensPage {
    async fn new(visitor: &Visitor, work: &mut Work, asked: &Form, form: Form) -> Result<Self> {
        let stretch: Stretch<Id<Token>> = paging::stretch(asked, SIZE)?;
        let mut tokens = actions::list(work, stretch).await?;
        let next = paging::cut(&mut tokens, SIZE, |token| token.id);
        let bounds = bounds(work).await?;
        let mut rows = Vec::new();
        for token in tokens {
            rows.push(row(work, token).await?);
        }
        Ok(Self {
            frame: visitor.frame(work, Nav::Workshop).below(),
            secret: None,
            rows,
            next: next.map(|next| links::with_query("/tokens", [("after", next.as_str())])),
            bounds,
            form,
        })
    }
}
/// So many owners and motorcycles are offered; a token for another one is made over the API.
const OFFERED: i64 = 200;

async fn bounds(work: &mut Work) -> Result<Vec<(String, String)>> {
    let mut bounds = vec![(String::new(), "the whole workshop".to_owned())];
    for owner in owner::list(work, Stretch { after: None, limit: OFFERED }).await? {
        bounds.push((format!("owner {}", owner.id), format!("{}’s motorcycles", owner.name)));
    }
    for bike in motorcycle::list(work, &Wanted::default(), Stretch { after: None, limit: OFFERED }).await? {
        bounds.push((format!("motorcycle {}", bike.id), format!("{} alone", bike.name)));
    }
    Ok(bounds)
}
async fn row(work: &mut Work, token: Token) -> Result<Row> {
    let mut scopes = words::list(&token.scopes.iter().map(ToString::to_string).collect::<Vec<_>>());
    if let Some(id) = token.motorcycle_id {
        scopes = format!("{scopes}; {} alone", motorcycle::get(work, id).await?.name);
    }
    if let Some(id) = token.owner_id {
        let name = owner::get(work, id).await.map_or_else(|_| "nobody any more: its owner was taken out".into(), |owner| owner.name);
        scopes = format!("{scopes}; the motorcycles of {name}");
    }
    let ends = token.ends_at.map(|at| format!("rotated: its old secret ends on {}", calendar::words(at.date())));
    Ok(Row {
        id: token.id,
        name: token.name,
        scopes,
        rotated: token.ends_at.is_some(),
        until: ends.unwrap_or_else(|| token.expires_on.map_or_else(|| "no end".into(), calendar::words)),
        used: token.last_used_at.map_or_else(|| "never".into(), |at| calendar::words(at.date())),
    })
}
fn fresh() -> Form {
    Form::showing([("name", String::new()), ("scopes", "read".into()), ("expires_on", String::new()), ("bound", String::new())])
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
    let bound = form.value("bound").split_once(' ');
    let new = NewToken {
        name: form.value("name").to_owned(),
        scopes,
        expires_on,
        owner_id: bound.and_then(|(kind, id)| (kind == "owner").then(|| id.parse().ok())?),
        motorcycle_id: bound.and_then(|(kind, id)| (kind == "motorcycle").then(|| id.parse().ok())?),
    };
    let mut work = visitor.write(&app, &mut form).await?;
    let made = match form.ready(Some(new)) {
        Ok(new) => actions::make(&mut work, new).await,
        Err(error) => Err(error),
    };
    match made {
        Ok((_, secret)) => show_once(&visitor, work, secret).await,
        Err(error) => {
            form.refused(error)?;
            Ok(Page(TokensPage::new(&visitor, &mut work, &Form::default(), form).await?).with_status(422))
        }
    }
}

/// The list with a secret that is shown this once.
async fn show_once(visitor: &Visitor, mut work: Work, secret: String) -> Result<Response, Fault> {
    let mut page = TokensPage::new(visitor, &mut work, &Form::default(), fresh()).await?;
    page.secret = Some(secret);
    // The secret is not kept for a second tap: it leads to the list.
    let said = "This token was made before, and shown then. If it was not copied, revoke it and make another one.";
    let again = StoredAnswer { status: 303, location: Some("/tokens".into()), etag: None, body: said.into() };
    work.finish(Some(&again)).await?;
    let mut response = Page(page).into_response();
    response.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    Ok(response)
}

/// `POST /tokens/{id}/rotate`: a new secret; the old one works for another day.
pub(super) async fn rotate(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<Token>,
    mut form: Form,
) -> Result<Response, Fault> {
    let mut work = visitor.write(&app, &mut form).await?;
    let token = actions::get(&mut work, id).await?;
    let (_, secret) = actions::rotate(&mut work, &token, &TokenRotation { overlap_hours: 24 }).await?;
    let shown = show_once(&visitor, work, secret).await;
    app.tokens.forget();
    shown
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
