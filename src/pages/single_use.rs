//! `/reused`: what may be used once only and was used again; `/order-list`: what to have for the work that waits, on a phone or on paper.
use std::sync::Arc;

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
    guard::{Mechanic, Visitor},
    links, paging, words,
};
use crate::{
    actions::{App, Work, component, single_use as actions},
    domain::{
        calendar,
        component::Component,
        order_list::OrderLine,
        single_use::{Reused, ReusedKind},
    },
};

/// How many rows a page shows.
const SIZE: i64 = 100;

#[derive(Template)]
#[template(path = "reused.html", whitespace = "minimize")]
struct ReusedPage {
    frame: Frame,
    rows: Vec<Row>,
    next: Option<String>,
}
struct Row {
    motorcycle: String,
    name: String,
    what: String,
    href: Option<String>,
    since: String,
}

/// What was used again, and how often: `Rear axle nut, used again twice`.
pub(super) fn said(known: &[Component], reused: &Reused) -> String {
    let place = match (&reused.component, reused.kind) {
        (Some(key), ReusedKind::Part) => format!("{} ", words::component(known, key, reused.position)),
        _ => String::new(),
    };
    // A part that nobody described has the name of its component already.
    let name = if place.trim().eq_ignore_ascii_case(&reused.name) { place.trim().to_owned() } else { format!("{place}{}", reused.name) };
    let times = match reused.times {
        0 | 1 => "used again".into(),
        2 => "used again twice".into(),
        times => format!("used again {times} times"),
    };
    format!("{}, {times}", words::capital(&name))
}

/// `GET /reused`
pub(super) async fn list(State(app): State<Arc<App>>, Mechanic(visitor): Mechanic, Asked(asked): Asked) -> Result<Response, Fault> {
    let stretch = paging::stretch(&asked, SIZE)?;
    let mut work = app.read(&visitor.caller).await?;
    let known = component::all(&mut work).await?;
    let mut reused = actions::reused(&mut work, None, &stretch).await?;
    let next = paging::cut(&mut reused, SIZE, Reused::key).map(|after| links::with_query("/reused", [("after", after.as_str())]));
    let row = |one: &Reused| Row {
        motorcycle: links::motorcycle(one.motorcycle.id),
        name: one.motorcycle.name.clone(),
        what: said(&known, one),
        href: one.service_event_id.map(|event| format!("/service-events/{event}")),
        since: calendar::words(one.since),
    };
    let rows = reused.iter().map(row).collect();
    Ok(Page(ReusedPage { frame: visitor.frame(&work, Nav::Due).below(), rows, next }).into_response())
}

#[derive(Template)]
#[template(path = "order_list.html", whitespace = "minimize")]
struct OrderPage {
    frame: Frame,
    day: String,
    lines: Vec<Line>,
    left_out: usize,
}
struct Line {
    count: String,
    what: String,
    about: String,
    motorcycles: Vec<(String, String)>,
}
impl Line {
    fn new(known: &[Component], line: &OrderLine) -> Self {
        let component = words::component(known, &line.component, line.position);
        let what = if line.description.is_empty() { component.clone() } else { line.description.clone() };
        let details = [Some(component), line.part_number.clone()].into_iter().flatten();
        let details: Vec<_> = details.filter(|text| *text != what).collect();
        Self {
            count: line.quantity.as_ref().map_or_else(|| line.count.to_string(), words::quantity),
            about: details.join(", "),
            what,
            motorcycles: line.motorcycles.iter().map(|one| (links::job_sheet(one.motorcycle.id), one.motorcycle.name.clone())).collect(),
        }
    }
}

/// `GET /order-list`
pub(super) async fn order_list(State(app): State<Arc<App>>, Mechanic(visitor): Mechanic) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    Ok(Page(order_page(&visitor, &mut work).await?).into_response())
}
async fn order_page(visitor: &Visitor, work: &mut Work) -> crate::error::Result<OrderPage> {
    let known = component::all(work).await?;
    let list = actions::order_list(work).await?;
    Ok(OrderPage {
        frame: visitor.frame(work, Nav::Due).below(),
        day: words::long_day(work.today),
        lines: list.lines.iter().map(|line| Line::new(&known, line)).collect(),
        left_out: list.left_out,
    })
}
