//! `/`: what is due across the workshop, soonest first.
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};
use time::Date;

use super::{
    answer::Page,
    due_rows::DueRows,
    fault::Fault,
    form::{Asked, Form},
    frame::{Frame, Nav},
    guard::Visitor,
    links, offers, paging, words,
};
use crate::{
    actions::{App, Work, due as actions, motorcycle, owner},
    domain::{due::DueItemId, due::DueItemOn, words::Status},
    error::Result,
    store::{Stretch, due_item, motorcycle::Wanted},
};

/// How many rows: with all their reasons they stay well under 60 KB.
const SIZE: i64 = 25;

#[derive(Template)]
#[template(path = "due.html", whitespace = "minimize")]
struct DuePage {
    frame: Frame,
    /// What is offered to the visitor.
    offers: Vec<(String, String)>,
    day: String,
    waiting: Waiting,
    nothing_waits: bool,
    filters: Vec<Way>,
    /// Id and name; the first stands for all.
    owners: Vec<(String, String)>,
    owner: String,
    status: Option<Status>,
    list: DueRows,
    next: Option<String>,
    empty: Option<Empty>,
}
/// A way to show only some.
struct Way {
    href: String,
    name: &'static str,
    here: bool,
}
/// Why there is nothing in the list.
#[derive(Clone, Copy)]
enum Empty {
    NoMotorcycles,
    NothingKnown,
    NoneOfThese,
}
/// The motorcycles on which work is waiting, and those that come next.
#[derive(Default)]
struct Waiting {
    now: Vec<String>,
    more: bool,
    next: Vec<String>,
}

impl Waiting {
    /// From the first rows of the list: it is in the order of days.
    fn on(items: &[DueItemOn]) -> Self {
        let names = |wanted: &[Status]| {
            items.iter().filter(|item| wanted.contains(&item.status)).fold(Vec::new(), |mut names: Vec<String>, item| {
                if !names.contains(&item.motorcycle.name) {
                    names.push(item.motorcycle.name.clone());
                }
                names
            })
        };
        let mut now = names(&[Status::Overdue, Status::Due]);
        let mut next = names(&[Status::NearlyDue]);
        next.retain(|name| !now.contains(name));
        next.truncate(2);
        let more = now.len() > 4;
        now.truncate(4);
        Self { now, more, next }
    }
}

pub(super) async fn show(State(app): State<Arc<App>>, visitor: Visitor, Asked(asked): Asked) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let status = asked.value("status").parse::<Status>().ok();
    let wanted = due_item::Wanted {
        statuses: status.into_iter().collect(),
        owner: asked.value("owner").parse().ok(),
        ..due_item::Wanted::default()
    };
    let stretch: Stretch<(Date, DueItemId)> = paging::stretch(&asked, SIZE)?;
    let is_top = stretch.after.is_none();
    let mut due = actions::of_workshop(&mut work, &wanted, None, &stretch).await?;
    let next = paging::cut(&mut due, SIZE, due_item::key);
    let is_whole = status.is_none() && wanted.owner.is_none();
    let empty = if due.is_empty() { Some(why_empty(&mut work, is_whole && is_top).await?) } else { None };
    let waiting = if is_top && status.is_none() { Waiting::on(&due) } else { Waiting::default() };
    let page = DuePage {
        frame: visitor.frame(&work, Nav::Due).with_caution(),
        offers: if is_top { offers::offered(&mut work).await? } else { Vec::new() },
        day: words::long_day(work.today),
        nothing_waits: is_top && status.is_none() && empty.is_none() && waiting.now.is_empty(),
        waiting,
        filters: if empty.is_some() && is_whole { Vec::new() } else { filters(&asked, status) },
        owners: owners(&mut work).await?,
        owner: asked.value("owner").to_owned(),
        status,
        list: DueRows::new(&due, work.today, true),
        next: next.map(|next| with(&asked, status.map_or("", Status::as_str), &next)),
        empty,
    };
    Ok(Page(page).into_response())
}

async fn why_empty(work: &mut Work, is_whole: bool) -> Result<Empty> {
    if !is_whole {
        return Ok(Empty::NoneOfThese);
    }
    let any = motorcycle::list(work, &Wanted::default(), Stretch { after: None, limit: 1 }).await?;
    Ok(if any.is_empty() { Empty::NoMotorcycles } else { Empty::NothingKnown })
}
async fn owners(work: &mut Work) -> Result<Vec<(String, String)>> {
    let all = owner::list(work, Stretch { after: None, limit: 200 }).await?;
    let everybody = [(String::new(), "all owners".to_owned())];
    Ok(everybody.into_iter().chain(all.into_iter().map(|owner| (owner.id.to_string(), owner.name))).collect())
}
fn with(asked: &Form, status: &str, after: &str) -> String {
    links::with_query("/", [("status", status), ("owner", asked.value("owner")), ("after", after)])
}
fn filters(asked: &Form, status: Option<Status>) -> Vec<Way> {
    let all = Way { href: with(asked, "", ""), name: "Everything", here: status.is_none() };
    let only = |one: &Status| Way { href: with(asked, one.as_str(), ""), name: words::status(*one), here: status == Some(*one) };
    std::iter::once(all).chain(Status::ALL.iter().map(only)).collect()
}
