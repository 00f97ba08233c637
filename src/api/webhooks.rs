//! `/webhooks`
use std::sync::Arc;

use axum::{
    extract::State,
    http::{HeaderMap, Uri},
    response::Response,
};
use serde::Serialize;
use time::OffsetDateTime;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, Page, PageQuery, page, unchanged},
    body::Body,
    extract::{Administers, Key, PathId, Query},
};
use crate::{
    actions::{App, webhook as actions},
    domain::{
        id::Id,
        webhook::{Delivery, HookEvent, NewWebhook, Webhook},
    },
    error::Result,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list, add)).routes(routes!(show, change, delete)).routes(routes!(deliveries)).routes(routes!(test))
}

/// A webhook that was just made, with its secret.
#[derive(Debug, Serialize, ToSchema)]
struct MadeWebhook {
    /// Its id, a UUIDv7 (RFC 9562).
    id: Id<Webhook>,
    /// What it is for.
    name: String,
    /// Where to.
    #[schema(format = "uri")]
    url: String,
    /// What it is told.
    events: Vec<HookEvent>,
    /// False: nothing is told to it for now.
    active: bool,
    /// When it was entered, RFC 3339 in UTC.
    #[serde(with = "time::serde::rfc3339")]
    created_at: OffsetDateTime,
    /// What its messages are signed with (Standard Webhooks). It is shown here and never again; null in a replayed answer.
    #[schema(example = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")]
    secret: Option<String>,
}
impl MadeWebhook {
    fn new(made: Webhook, secret: Option<String>) -> Self {
        let Webhook { id, name, url, events, active, created_at } = made;
        Self { id, name, url, events, active, created_at, secret }
    }
}

/// List webhooks
///
/// In the order in which they were entered.
#[utoipa::path(get, path = "/webhooks", operation_id = "list_webhooks", tag = "workshop", params(PageQuery),
    responses((status = 200, description = "A page of webhooks", body = Page<Webhook>)))]
async fn list(State(app): State<Arc<App>>, Administers(caller): Administers, uri: Uri, Query(query): Query<PageQuery>) -> Result<Response> {
    let stretch = query.stretch()?;
    let limit = stretch.limit;
    let mut work = app.read(&caller).await?;
    let hooks = actions::list(&mut work, stretch).await?;
    page(hooks, limit, &uri, |hook| hook.id)
}

/// Add a webhook
///
/// From now on each of its events is sent to it as `{"type", "timestamp", "data": {"motorcycle_id", "id"}}`, signed as Standard
/// Webhooks 1.0 says: `webhook-id` (the same in every try), `webhook-timestamp`, and `webhook-signature` with `v1,` and the base64 of
/// HMAC-SHA-256 over `id.timestamp.body` under the secret. Any 2xx within 10 seconds is a success; redirects are not followed; otherwise it is
/// tried eight times over some fifteen hours. A message may come twice: keep the ids seen. This answer alone holds the secret.
/// A message of type `webhook.test` comes where somebody tried it (`POST /webhooks/{id}/test`): its `motorcycle_id` is null.
#[utoipa::path(post, path = "/webhooks", operation_id = "add_webhook", tag = "workshop", request_body = NewWebhook,
    responses((status = 201, description = "The webhook with its secret", body = MadeWebhook)))]
async fn add(State(app): State<Arc<App>>, Administers(caller): Administers, key: Key, body: Body) -> Result<Answer> {
    let new: NewWebhook = body.json()?;
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let (hook, secret) = actions::add(&mut work, new, app.private_webhooks).await?;
    let made = |secret| MadeWebhook::new(hook.clone(), secret);
    Answer::with_secret(work, &format!("/webhooks/{}", hook.id), &hook, made, secret).await
}

/// Show a webhook
#[utoipa::path(get, path = "/webhooks/{id}", operation_id = "show_webhook", tag = "workshop", params(("id" = Id<Webhook>, Path, description = "Its id")),
    responses((status = 200, description = "The webhook, without its secret", body = Webhook)))]
async fn show(
    State(app): State<Arc<App>>,
    Administers(caller): Administers,
    PathId(id): PathId<Webhook>,
    headers: HeaderMap,
) -> Result<Answer> {
    let mut work = app.read(&caller).await?;
    Ok(Answer::one(&actions::get(&mut work, id).await?)?.unless_known(&headers))
}

/// Change a webhook
///
/// Its secret stays; for another one, add a new webhook and delete this one.
#[utoipa::path(patch, path = "/webhooks/{id}", operation_id = "change_webhook", tag = "workshop", params(("id" = Id<Webhook>, Path, description = "Its id")),
    request_body(content = NewWebhook, content_type = "application/merge-patch+json", description = "The fields to change (RFC 7396)"),
    responses((status = 200, description = "The webhook", body = Webhook)))]
async fn change(
    State(app): State<Arc<App>>,
    Administers(caller): Administers,
    PathId(id): PathId<Webhook>,
    headers: HeaderMap,
    body: Body,
) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    body.patch()?;
    unchanged(&headers, &now)?;
    let hook = actions::change(&mut work, &now, body.merged_into(&now.details())?, app.private_webhooks).await?;
    Answer::one(&hook)?.after(work).await
}

/// Delete a webhook
///
/// What is still pending for it is given up.
#[utoipa::path(delete, path = "/webhooks/{id}", operation_id = "delete_webhook", tag = "workshop", params(("id" = Id<Webhook>, Path, description = "Its id")),
    responses((status = 204, description = "Deleted")))]
async fn delete(
    State(app): State<Arc<App>>,
    Administers(caller): Administers,
    PathId(id): PathId<Webhook>,
    headers: HeaderMap,
) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let now = actions::get(&mut work, id).await?;
    unchanged(&headers, &now)?;
    actions::delete(&mut work, &now).await?;
    Answer::nothing().after(work).await
}

/// Test a webhook
///
/// Sends it a message of type `webhook.test` now, signed like every other, and tried a single time; also where it is not active. Its
/// `data.motorcycle_id` is null and `data.id` the webhook's. What came of it stands in the webhook's deliveries a moment later.
#[utoipa::path(post, path = "/webhooks/{id}/test", operation_id = "test_webhook", tag = "workshop", params(("id" = Id<Webhook>, Path, description = "Its id")),
    responses((status = 202, description = "The message, on its way", body = Delivery)))]
async fn test(State(app): State<Arc<App>>, Administers(caller): Administers, PathId(id): PathId<Webhook>, key: Key) -> Result<Answer> {
    let mut work = app.write(&caller, key.with(&[])?).await?;
    let hook = actions::get(&mut work, id).await?;
    let mut answer = Answer::plain(&actions::test(&mut work, &hook).await?)?;
    answer.0.status = 202;
    answer.after(work).await
}

/// List deliveries
///
/// What was sent to a webhook, or is still to be, newest first.
#[utoipa::path(get, path = "/webhooks/{id}/deliveries", operation_id = "list_webhook_deliveries", tag = "workshop",
    params(("id" = Id<Webhook>, Path, description = "The webhook's id"), PageQuery),
    responses((status = 200, description = "A page of deliveries", body = Page<Delivery>)))]
async fn deliveries(
    State(app): State<Arc<App>>,
    Administers(caller): Administers,
    PathId(id): PathId<Webhook>,
    uri: Uri,
    Query(query): Query<PageQuery>,
) -> Result<Response> {
    let mut work = app.read(&caller).await?;
    let hook = actions::get(&mut work, id).await?;
    let stretch = query.stretch()?;
    let limit = stretch.limit;
    let deliveries = actions::deliveries(&mut work, &hook, stretch).await?;
    page(deliveries, limit, &uri, |delivery| delivery.id)
}
