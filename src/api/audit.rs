//! `/audit`
use std::sync::Arc;

use axum::{extract::State, http::Uri, response::Response};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use time::OffsetDateTime;
use utoipa_axum::{router::OpenApiRouter, routes};
use uuid::Uuid;

use super::{
    answer::{Page, PageQuery, page},
    extract::{Administers, Query},
};
use crate::{
    actions::{App, audit as actions},
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        workshop::{Person, Token},
    },
    error::Result,
    store::audit::{Entry, Wanted},
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list))
}

/// What an entry is about.
#[derive(Debug, Serialize, utoipa::ToSchema)]
struct AuditSubject {
    /// The kind of thing.
    #[schema(example = "limit")]
    kind: String,
    /// Its id.
    id: Option<Uuid>,
}
/// Who did what, with the value before and after.
#[derive(Debug, Serialize, utoipa::ToSchema)]
struct AuditEntry {
    /// Its id.
    #[schema(value_type = Uuid)]
    id: Id<Entry>,
    /// When.
    #[serde(with = "time::serde::rfc3339")]
    at: OffsetDateTime,
    /// A person's or token's name.
    who: String,
    /// The person, if it was one.
    #[schema(value_type = Option<Uuid>)]
    person_id: Option<Id<Person>>,
    /// The token, if it was one.
    token_id: Option<Id<Token>>,
    /// Where the request came from, where that is known.
    address: Option<String>,
    /// What was done.
    #[schema(example = "change")]
    action: String,
    /// To what.
    subject: AuditSubject,
    /// The motorcycle that it belongs to.
    motorcycle_id: Option<Id<Motorcycle>>,
    /// The value before; null where there was none.
    old: Option<Value>,
    /// The value after; null where there is none.
    new: Option<Value>,
}
impl From<Entry> for AuditEntry {
    fn from(entry: Entry) -> Self {
        Self {
            id: entry.id,
            at: entry.at.0,
            who: entry.who,
            person_id: entry.person_id,
            token_id: entry.token_id,
            address: entry.address,
            action: entry.action,
            subject: AuditSubject { kind: entry.subject_kind, id: entry.subject_id },
            motorcycle_id: entry.motorcycle_id,
            old: entry.old_value.map(|value| value.0),
            new: entry.new_value.map(|value| value.0),
        }
    }
}

/// Which entries are asked for.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct AuditQuery {
    /// Of this motorcycle.
    motorcycle: Option<Id<Motorcycle>>,
    /// At or after this instant.
    #[serde(default, with = "time::serde::rfc3339::option")]
    since: Option<OffsetDateTime>,
    /// Before this instant.
    #[serde(default, with = "time::serde::rfc3339::option")]
    until: Option<OffsetDateTime>,
    /// By this person.
    #[param(value_type = Option<Uuid>)]
    person: Option<Id<Person>>,
    /// By this token.
    token: Option<Id<Token>>,
    /// About this kind of thing, such as `service_event`.
    subject_kind: Option<String>,
    /// About this very thing.
    subject: Option<Uuid>,
    /// How many items, 1 to 200.
    #[param(value_type = Option<i64>, minimum = 1, maximum = 200, default = 50)]
    limit: Option<String>,
    /// `next` of the page before.
    cursor: Option<String>,
}

/// Read the audit trail
///
/// Who did what, newest first. Needs the scope `admin`.
#[utoipa::path(get, path = "/audit", operation_id = "list_audit", tag = "audit", params(AuditQuery),
    responses((status = 200, description = "A page of entries", body = Page<AuditEntry>)))]
async fn list(
    State(app): State<Arc<App>>,
    Administers(caller): Administers,
    uri: Uri,
    Query(query): Query<AuditQuery>,
) -> Result<Response> {
    let stretch = PageQuery { limit: query.limit, cursor: query.cursor }.stretch()?;
    let limit = stretch.limit;
    let mut work = app.read(&caller).await?;
    let wanted = Wanted {
        motorcycle: query.motorcycle,
        since: query.since,
        until: query.until,
        person: query.person,
        token: query.token,
        subject_kind: query.subject_kind,
        subject: query.subject,
    };
    let entries = actions::list(&mut work, &wanted, stretch).await?;
    page(entries.into_iter().map(AuditEntry::from).collect(), limit, &uri, |entry| entry.id)
}
