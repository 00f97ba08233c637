//! `/webhooks`: other programs that are told what happens; a new one's secret is shown once, what was sent to each stands on its page.
use std::sync::Arc;

use askama::Template;
use axum::{
    Router,
    extract::State,
    http::{HeaderValue, header},
    response::{IntoResponse, Response},
    routing::{get, post},
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
    actions::{App, StoredAnswer, Work, webhook as actions},
    domain::{
        id::Id,
        webhook::{Delivery, DeliveryStatus, HookEvent, MessageKind, NewWebhook, Webhook},
    },
    error::Result,
    store::Stretch,
};

const SIZE: i64 = 50;

/// The pages of webhooks.
pub(super) fn routes() -> Router<Arc<App>> {
    Router::new()
        .route("/webhooks", get(list).post(add))
        .route("/webhooks/{id}", get(show))
        .route("/webhooks/{id}/test", post(test))
        .route("/webhooks/{id}/active", post(set_active))
        .route("/webhooks/{id}/delete", post(delete))
}

/// What an event is called.
const fn event(event: HookEvent) -> &'static str {
    match event {
        HookEvent::DueChanged => "What is due changed",
        HookEvent::ServiceLogged => "Work was written up",
        HookEvent::ServiceStruckOut => "Work was struck out",
        HookEvent::ReadingRecorded => "A reading was noted",
        HookEvent::ReadingStruckOut => "A reading was struck out",
    }
}
fn message(kind: MessageKind) -> &'static str {
    HookEvent::ALL.iter().copied().find(|known| MessageKind::from(*known) == kind).map_or("Test", event)
}
fn events() -> Vec<(String, &'static str)> {
    HookEvent::ALL.iter().map(|known| (known.to_string(), event(*known))).collect()
}

#[derive(Template)]
#[template(path = "webhooks.html", whitespace = "minimize")]
struct WebhooksPage {
    frame: Frame,
    secret: Option<String>,
    rows: Vec<Row>,
    next: Option<String>,
    events: Vec<(String, &'static str)>,
    form: Form,
}
struct Row {
    id: Id<Webhook>,
    name: String,
    told: String,
    state: &'static str,
}
fn name(hook: &Webhook) -> String {
    if hook.name.trim().is_empty() { hook.url.clone() } else { hook.name.clone() }
}
fn told(hook: &Webhook) -> String {
    words::list(&hook.events.iter().map(|known| event(*known).to_lowercase()).collect::<Vec<_>>())
}
const fn state(hook: &Webhook) -> &'static str {
    if hook.active { "told" } else { "not told for now" }
}

impl WebhooksPage {
    async fn new(visitor: &Visitor, work: &mut Work, asked: &Form, form: Form) -> Result<Self> {
        let stretch: Stretch<Id<Webhook>> = paging::stretch(asked, SIZE)?;
        let mut hooks = actions::list(work, stretch).await?;
        let next = paging::cut(&mut hooks, SIZE, |hook| hook.id);
        let row = |hook: &Webhook| Row { id: hook.id, name: name(hook), told: told(hook), state: state(hook) };
        Ok(Self {
            frame: visitor.frame(work, Nav::Workshop).below(),
            secret: None,
            rows: hooks.iter().map(row).collect(),
            next: next.map(|next| links::with_query("/webhooks", [("after", next.as_str())])),
            events: events(),
            form,
        })
    }
}
fn fresh() -> Form {
    let mut form = Form::showing([("name", String::new()), ("url", String::new())]);
    form.offer("events", "");
    form
}

/// `GET /webhooks`
async fn list(State(app): State<Arc<App>>, Manager(visitor): Manager, Asked(asked): Asked) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    Ok(Page(WebhooksPage::new(&visitor, &mut work, &asked, fresh()).await?).into_response())
}

/// `POST /webhooks`
async fn add(State(app): State<Arc<App>>, Manager(visitor): Manager, mut form: Form) -> Result<Response, Fault> {
    let new = NewWebhook {
        name: form.value("name").trim().to_owned(),
        url: form.value("url").trim().to_owned(),
        events: form.values("events").filter_map(|event| event.parse().ok()).collect(),
        active: true,
    };
    let mut work = visitor.write(&app, &mut form).await?;
    match actions::add(&mut work, new, app.private_webhooks).await {
        Ok((hook, secret)) => show_once(&visitor, work, &hook, secret).await,
        Err(error) => {
            form.refused(error)?;
            Ok(Page(WebhooksPage::new(&visitor, &mut work, &Form::default(), form).await?).with_status(422))
        }
    }
}

/// The list with a secret that is shown this once.
async fn show_once(visitor: &Visitor, mut work: Work, hook: &Webhook, secret: String) -> Result<Response, Fault> {
    let mut page = WebhooksPage::new(visitor, &mut work, &Form::default(), fresh()).await?;
    page.secret = Some(secret);
    // The secret is not kept for a second tap: it leads to the webhook.
    let said = "This webhook was added before, and its secret shown then. If it was not copied, delete the webhook and add it again.";
    let again = StoredAnswer { status: 303, location: Some(format!("/webhooks/{}", hook.id)), etag: None, body: said.into() };
    work.finish(Some(&again)).await?;
    let mut response = Page(page).into_response();
    response.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    Ok(response)
}

#[derive(Template)]
#[template(path = "webhook.html", whitespace = "minimize")]
struct WebhookPage {
    frame: Frame,
    id: Id<Webhook>,
    name: String,
    url: String,
    told: String,
    active: bool,
    rows: Vec<DeliveryRow>,
    next: Option<String>,
    form: Form,
}
struct DeliveryRow {
    at: String,
    what: &'static str,
    bike: Option<String>,
    state: String,
    answer: String,
}
fn delivery(delivery: Delivery, zone: &str) -> DeliveryRow {
    let tries = match delivery.attempts {
        0 => String::new(),
        1 => " after one try".into(),
        many => format!(" after {many} tries"),
    };
    let state = match (delivery.status, delivery.next_try_at) {
        (DeliveryStatus::Delivered, _) => "Delivered".into(),
        (DeliveryStatus::GivenUp, _) => format!("Given up{tries}"),
        (DeliveryStatus::Pending, Some(at)) if delivery.attempts > 0 => format!("Pending{tries}, next try {}", words::instant(at, zone)),
        (DeliveryStatus::Pending, _) => "On its way".into(),
    };
    DeliveryRow {
        at: words::instant(delivery.created_at, zone),
        what: message(delivery.kind),
        bike: delivery.payload.data.motorcycle_id.map(links::motorcycle),
        state,
        answer: delivery.last_answer.unwrap_or_default(),
    }
}

/// `GET /webhooks/{id}`
async fn show(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<Webhook>,
    Asked(asked): Asked,
) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let hook = actions::get(&mut work, id).await?;
    let stretch: Stretch<Id<Delivery>> = paging::stretch(&asked, SIZE)?;
    let mut deliveries = actions::deliveries(&mut work, &hook, stretch).await?;
    let next = paging::cut(&mut deliveries, SIZE, |delivery| delivery.id);
    let page = WebhookPage {
        frame: visitor.frame(&work, Nav::Workshop).below(),
        id,
        name: name(&hook),
        url: hook.url.clone(),
        told: told(&hook),
        active: hook.active,
        rows: deliveries.into_iter().map(|one| delivery(one, &work.workshop.time_zone)).collect(),
        next: next.map(|next| links::with_query(&format!("/webhooks/{id}"), [("after", next.as_str())])),
        form: Form::showing([]),
    };
    Ok(Page(page).into_response())
}

/// `POST /webhooks/{id}/test`
async fn test(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<Webhook>,
    mut form: Form,
) -> Result<Response, Fault> {
    let mut work = visitor.write(&app, &mut form).await?;
    let hook = actions::get(&mut work, id).await?;
    actions::test(&mut work, &hook).await?;
    let said = "A test message is on its way. Look at this page again in a moment: what came of it stands below.";
    Done::new(format!("/webhooks/{id}"), said).after(work).await
}

/// `POST /webhooks/{id}/active`: tells it nothing for now, or goes on.
async fn set_active(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<Webhook>,
    mut form: Form,
) -> Result<Response, Fault> {
    let mut work = visitor.write(&app, &mut form).await?;
    let hook = actions::get(&mut work, id).await?;
    let new = NewWebhook { active: form.is("active", "yes"), ..hook.details() };
    let said = if new.active { "It is told again." } else { "It is told nothing for now." };
    actions::change(&mut work, &hook, new, app.private_webhooks).await?;
    Done::new(format!("/webhooks/{id}"), said).after(work).await
}

/// `POST /webhooks/{id}/delete`
async fn delete(State(app): State<Arc<App>>, Manager(visitor): Manager, PathId(id): PathId<Webhook>) -> Result<Response, Fault> {
    let mut work = app.write(&visitor.caller, None).await?;
    let hook = actions::get(&mut work, id).await?;
    actions::delete(&mut work, &hook).await?;
    Done::new("/webhooks", format!("{} is told nothing any more.", name(&hook))).after(work).await
}
