//! `/search?q=`: words in the history, in parts, notes and papers, over all motorcycles that the visitor sees.
use std::{collections::HashMap, sync::Arc};

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};

use super::{
    answer::Page,
    fault::Fault,
    form::Asked,
    frame::{Frame, Nav},
    guard::Visitor,
    links, paging, words,
};
use crate::{
    actions::{App, Work, motorcycle, search},
    domain::{
        calendar,
        id::Id,
        motorcycle::Motorcycle,
        search::{Found, FoundKind},
    },
    error::{Error, Result},
    store::{Stretch, search::Key},
};

/// How many rows a page of it has.
const SIZE: i64 = 30;

#[derive(Template)]
#[template(path = "search.html", whitespace = "minimize")]
struct SearchPage {
    frame: Frame,
    words: String,
    /// Why nothing was looked for.
    problem: Option<String>,
    rows: Vec<Row>,
    next: Option<String>,
}
struct Row {
    href: String,
    on: String,
    kind: &'static str,
    motorcycle: String,
    text: String,
    struck: bool,
}

/// `GET`
pub(super) async fn show(State(app): State<Arc<App>>, visitor: Visitor, Asked(asked): Asked) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let question = asked.value("q").to_owned();
    let stretch: Stretch<Key> = paging::stretch(&asked, SIZE)?;
    let found = if question.is_empty() { Ok(Vec::new()) } else { search::search(&mut work, &question, &stretch).await };
    let (mut found, problem) = match found {
        Ok(found) => (found, None),
        Err(Error::Invalid(problems)) => (Vec::new(), Some(problems.into_iter().map(|problem| words::capital(&problem.detail)).collect())),
        Err(error) => return Err(error.into()),
    };
    let next = paging::cut(&mut found, SIZE, |found| (found.on, found.id));
    let next = next.map(|next| links::with_query("/search", [("q", question.as_str()), ("after", &next)]));
    let rows = rows(&mut work, found).await?;
    let status = if problem.is_some() { 422 } else { 200 };
    let page = SearchPage { frame: visitor.frame(&work, Nav::Motorcycles).below(), words: question, problem, rows, next };
    Ok(if status == 200 { Page(page).into_response() } else { Page(page).with_status(status) })
}

async fn rows(work: &mut Work, found: Vec<Found>) -> Result<Vec<Row>> {
    let mut names: HashMap<Id<Motorcycle>, String> = HashMap::new();
    let mut rows = Vec::new();
    for found in found {
        if let Some(id) = found.motorcycle_id
            && !names.contains_key(&id)
        {
            names.insert(id, motorcycle::get(work, id).await?.name);
        }
        let of_event = found.service_event_id.map(|id| format!("/service-events/{id}"));
        let (kind, href) = match found.kind {
            FoundKind::ServiceEvent => ("Work", of_event),
            FoundKind::Amendment => ("Added to work", of_event),
            FoundKind::FollowUp => ("Left for later", of_event),
            FoundKind::InstalledPart => ("Part", Some(format!("/installed-parts/{}", found.id))),
            FoundKind::Attachment => ("Photo or paper", of_event.map(|href| href + "#photos")),
        };
        rows.push(Row {
            href: href.unwrap_or_else(|| format!("/attachments/{}", found.id)),
            on: calendar::words(found.on),
            kind,
            motorcycle: found.motorcycle_id.and_then(|id| names.get(&id).cloned()).unwrap_or_default(),
            text: if found.text.is_empty() { "Work done".into() } else { found.text },
            struck: found.struck_out,
        });
    }
    Ok(rows)
}
