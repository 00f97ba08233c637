//! `/audit`: who did what, when, from where, with the value before and after.
use std::{collections::BTreeSet, sync::Arc};

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};
use serde_json::Value;

use super::{
    answer::Page,
    fault::Fault,
    form::{Asked, Form},
    frame::{Frame, Nav},
    guard::Manager,
    links, paging, words,
};
use crate::{
    actions::{App, audit as actions},
    clock::day_begins,
    domain::id::Id,
    error::Result,
    store::{
        Stretch,
        audit::{Entry, Wanted},
    },
};

const SIZE: i64 = 50;
/// What entries are about, as the trail spells it.
const KINDS: [&str; 19] = [
    "motorcycle",
    "odometer_reading",
    "hour_reading",
    "odometer",
    "hour_meter",
    "service_event",
    "installed_part",
    "measured_value",
    "follow_up",
    "interval_rule",
    "limit",
    "fastener",
    "procedure",
    "owner",
    "person",
    "account",
    "letter",
    "token",
    "workshop",
];

#[derive(Template)]
#[template(path = "audit.html", whitespace = "minimize")]
struct AuditPage {
    frame: Frame,
    kinds: Vec<(String, String)>,
    form: Form,
    rows: Vec<Row>,
    next: Option<String>,
}
struct Row {
    when: String,
    who: String,
    what: String,
    href: Option<String>,
    changes: Vec<Change>,
}
/// One field before and after.
struct Change {
    field: String,
    old: String,
    new: String,
}

fn said(value: Option<&Value>) -> String {
    match value {
        None | Some(Value::Null) => "nothing".into(),
        Some(Value::String(text)) => text.clone(),
        Some(other) => other.to_string(),
    }
}
/// The fields that differ; of a new or a vanished thing nothing is repeated.
fn changes(entry: &Entry) -> Vec<Change> {
    let (Some(old), Some(new)) = (&entry.old_value, &entry.new_value) else { return Vec::new() };
    let (Some(old), Some(new)) = (old.0.as_object(), new.0.as_object()) else { return Vec::new() };
    let fields: BTreeSet<&String> = old.keys().chain(new.keys()).collect();
    let differing = fields.into_iter().filter(|field| old.get(*field) != new.get(*field));
    differing.map(|field| Change { field: field.replace('_', " "), old: said(old.get(field)), new: said(new.get(field)) }).collect()
}
/// A kind of thing, for the list to choose from.
fn kind_in_words(kind: &str) -> String {
    if kind == "account" { "signing in, and accounts".into() } else { kind.replace('_', " ") }
}
/// What happened to an account, said plainly.
fn about_an_account(entry: &Entry) -> Option<String> {
    let new = |field: &str| entry.new_value.as_ref().and_then(|value| value.0.get(field)?.as_str());
    if entry.subject_kind != "account" {
        return None;
    }
    let plain = match entry.action.as_str() {
        "sign_in" => match new("second_factor") {
            Some("authenticator") => "signed in with the password and a code of the authenticator",
            Some("recovery_code") => "signed in with the password and a recovery code",
            _ => "signed in with the password, without a second factor",
        },
        "refuse_sign_in" => {
            let wrong = if new("wrong") == Some("code") { "the password was right, the code was not" } else { "the password was wrong" };
            return Some(format!("tried to sign in as {} and was refused: {wrong}", new("name").unwrap_or("somebody")));
        }
        "sign_out" => "signed out",
        "end_session" => "ended a session on another device",
        "sign_out_everywhere" => "signed out everywhere",
        "change_name" => "changed the name",
        "change_password" => "changed the password",
        "begin_email_change" => "began a change of the e-mail address",
        "change_email" => "changed the e-mail address",
        "switch_on_second_factor" => "switched the second factor on",
        "switch_off_second_factor" => "switched the second factor off",
        "renew_recovery_codes" => "made new recovery codes",
        _ => return None,
    };
    Some(plain.into())
}
fn row(entry: &Entry, time_zone: &str) -> Row {
    let named = entry.new_value.as_ref().or(entry.old_value.as_ref()).and_then(|value| {
        let name = ["name", "summary", "text", "description"].iter().find_map(|field| value.0.get(field)?.as_str());
        name.filter(|name| !name.is_empty()).map(|name| format!(": {name}"))
    });
    let href = match entry.subject_kind.as_str() {
        "service_event" => entry.subject_id.map(|id| format!("/service-events/{id}")),
        "installed_part" => entry.subject_id.map(|id| format!("/installed-parts/{id}")),
        _ => entry.motorcycle_id.map(links::motorcycle),
    };
    Row {
        when: words::instant(entry.at.0, time_zone),
        who: entry.address.as_ref().map_or_else(|| entry.who.clone(), |address| format!("{} from {address}", entry.who)),
        what: about_an_account(entry)
            .unwrap_or_else(|| format!("{} {}{}", entry.action, entry.subject_kind.replace('_', " "), named.unwrap_or_default())),
        href,
        changes: changes(entry),
    }
}

/// `GET /audit`
pub(super) async fn list(State(app): State<Arc<App>>, Manager(visitor): Manager, Asked(mut asked): Asked) -> Result<Response, Fault> {
    let stretch: Stretch<Id<Entry>> = paging::stretch(&asked, SIZE)?;
    let kind = asked.optional("kind");
    let (since, until) = (asked.day("since"), asked.day("until"));
    let mut work = app.read(&visitor.caller).await?;
    let zone = work.workshop.time_zone.clone();
    let wanted = Wanted {
        subject_kind: kind.clone(),
        since: since.map(|day| day_begins(day, &zone)),
        until: until.and_then(time::Date::next_day).map(|day| day_begins(day, &zone)),
        motorcycle: asked.value("motorcycle").parse().ok(),
        ..Wanted::default()
    };
    let mut entries = actions::list(&mut work, &wanted, stretch).await?;
    let next = paging::cut(&mut entries, SIZE, |entry| entry.id);
    let everything = [(String::new(), "everything".to_owned())];
    let kept = ["kind", "since", "until", "motorcycle"].map(|name| (name, asked.value(name).to_owned()));
    let page = AuditPage {
        frame: visitor.frame(&work, Nav::Workshop).below(),
        kinds: everything.into_iter().chain(KINDS.map(|kind| (kind.to_owned(), kind_in_words(kind)))).collect(),
        rows: entries.iter().map(|entry| row(entry, &zone)).collect(),
        next: next.map(|next| {
            let pairs = kept.iter().filter(|(_, value)| !value.is_empty()).map(|(name, value)| (*name, value.as_str()));
            links::with_query("/audit", pairs.chain([("after", next.as_str())]))
        }),
        form: asked,
    };
    Ok(Page(page).into_response())
}
