//! `/tokens`
use std::sync::Arc;

use axum::{
    extract::State,
    http::{HeaderMap, Uri},
    response::Response,
};
use serde::Serialize;
use time::{Date, OffsetDateTime};
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, Page, PageQuery, page, unchanged},
    body::Body,
    extract::{Administers, Key, PathId, Query},
};
use crate::{
    actions::{App, Work, token as actions},
    domain::{
        id::Id,
        motorcycle::{Motorcycle, Owner},
        words::TokenScope,
        workshop::{NewToken, Token, TokenRotation},
    },
    error::Result,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list, make)).routes(routes!(show, revoke)).routes(routes!(rotate))
}

/// A token that was just made, with its secret.
#[derive(Debug, Serialize, ToSchema)]
struct MadeToken {
    /// Its id, a UUIDv7 (RFC 9562).
    id: Id<Token>,
    /// What it is for.
    name: String,
    /// What it may do.
    scopes: Vec<TokenScope>,
    /// The last day on which it works; null: no end.
    expires_on: Option<Date>,
    /// The owner whose motorcycles are all that it sees; null: no such bound.
    owner_id: Option<Id<Owner>>,
    /// The motorcycle that is all it sees; null: no such bound.
    motorcycle_id: Option<Id<Motorcycle>>,
    /// When it was last used: never yet.
    #[serde(with = "time::serde::rfc3339::option")]
    last_used_at: Option<OffsetDateTime>,
    /// Set once it was rotated: not yet.
    #[serde(with = "time::serde::rfc3339::option")]
    ends_at: Option<OffsetDateTime>,
    /// When it was made, RFC 3339 in UTC.
    #[serde(with = "time::serde::rfc3339")]
    created_at: OffsetDateTime,
    /// What to send as `Authorization: Bearer …`. It is shown here and never again; null in a replayed answer.
    token: Option<String>,
}
impl MadeToken {
    fn new(made: Token, token: Option<String>) -> Self {
        let Token { id, name, scopes, expires_on, owner_id, motorcycle_id, last_used_at, ends_at, created_at } = made;
        Self { id, name, scopes, expires_on, owner_id, motorcycle_id, last_used_at, ends_at, created_at, token }
    }
}

/// List tokens
///
/// Those in use, oldest first.
#[utoipa::path(get, path = "/tokens", operation_id = "list_tokens", tag = "workshop", params(PageQuery),
    responses((status = 200, description = "A page of tokens", body = Page<Token>)))]
async fn list(State(app): State<Arc<App>>, Administers(caller): Administers, uri: Uri, Query(query): Query<PageQuery>) -> Result<Response> {
    let stretch = query.stretch()?;
    let limit = stretch.limit;
    let mut work = app.read(&caller).await?;
    let tokens = actions::list(&mut work, stretch).await?;
    page(tokens, limit, &uri, |token| token.id)
}

/// Make a token
///
/// This answer alone holds the secret. It is not kept, so the answer replayed for a repeated Idempotency-Key has null in its place:
/// where the first answer was lost, revoke the token and make another.
#[utoipa::path(post, path = "/tokens", operation_id = "make_token", tag = "workshop", request_body = NewToken,
    responses((status = 201, description = "The token with its secret", body = MadeToken)))]
async fn make(State(app): State<Arc<App>>, Administers(caller): Administers, key: Key, body: Body) -> Result<Answer> {
    let new: NewToken = body.json()?;
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let (token, secret) = actions::make(&mut work, new).await?;
    made(work, &token, secret).await
}
async fn made(work: Work, token: &Token, secret: String) -> Result<Answer> {
    let made = |secret| MadeToken::new(token.clone(), secret);
    Answer::with_secret(work, &format!("/tokens/{}", token.id), token, made, secret).await
}

/// Rotate a token
///
/// Makes a token with the same rights under a new secret, which this answer alone holds. The old secret works on for `overlap_hours`.
#[utoipa::path(post, path = "/tokens/{id}/rotation", operation_id = "rotate_token", tag = "workshop",
    params(("id" = Id<Token>, Path, description = "Its id")), request_body = TokenRotation,
    responses((status = 201, description = "The token that takes its place, with its secret", body = MadeToken)))]
async fn rotate(
    State(app): State<Arc<App>>,
    Administers(caller): Administers,
    PathId(id): PathId<Token>,
    key: Key,
    body: Body,
) -> Result<Answer> {
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let old = actions::get(&mut work, id).await?;
    let (token, secret) = actions::rotate(&mut work, &old, &body.json()?).await?;
    let answer = made(work, &token, secret).await;
    app.tokens.forget();
    answer
}

/// Show a token
#[utoipa::path(get, path = "/tokens/{id}", operation_id = "show_token", tag = "workshop", params(("id" = Id<Token>, Path, description = "Its id")),
    responses((status = 200, description = "The token, without its secret", body = Token)))]
async fn show(
    State(app): State<Arc<App>>,
    Administers(caller): Administers,
    PathId(id): PathId<Token>,
    headers: HeaderMap,
) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    Ok(Answer::one(&actions::get(&mut work, id).await?)?.unless_known(&headers))
}

/// Revoke a token
///
/// It stops working at once, on other servers of the same database within five seconds.
#[utoipa::path(delete, path = "/tokens/{id}", operation_id = "revoke_token", tag = "workshop", params(("id" = Id<Token>, Path, description = "Its id")),
    responses((status = 204, description = "Revoked")))]
async fn revoke(
    State(app): State<Arc<App>>,
    Administers(caller): Administers,
    PathId(id): PathId<Token>,
    headers: HeaderMap,
) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    // A token that was used since is still the same token.
    let unused = Token { last_used_at: None, ..now.clone() };
    unchanged(&headers, &now).or_else(|_| unchanged(&headers, &unused))?;
    actions::revoke(&mut work, &now).await?;
    let answer = Answer::nothing().after(work).await?;
    app.tokens.forget();
    Ok(answer)
}
