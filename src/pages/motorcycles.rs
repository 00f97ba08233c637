//! `/motorcycles`: all of them, to open one, or to choose the one that work or a reading is written up for.
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
    guard::Visitor,
    links, offers, paging, words,
};
use crate::{
    actions::{App, motorcycle as actions},
    domain::{calendar, id::Id, motorcycle::Motorcycle},
    store::{Stretch, motorcycle::Wanted},
};

const SIZE: i64 = 50;

#[derive(Template)]
#[template(path = "motorcycles.html", whitespace = "minimize")]
struct MotorcyclesPage {
    frame: Frame,
    /// What is offered to the visitor.
    offers: Vec<(String, String)>,
    title: &'static str,
    /// What a motorcycle is chosen for.
    purpose: Option<&'static str>,
    words: String,
    archived: bool,
    searchable: bool,
    is_top: bool,
    rows: Vec<Row>,
    next: Option<String>,
}
struct Row {
    href: String,
    name: String,
    about: String,
    odometer: String,
}

pub(super) async fn show(State(app): State<Arc<App>>, visitor: Visitor, Asked(asked): Asked) -> Result<Response, Fault> {
    let (purpose, title) = match asked.value("for") {
        "write-up" => (Some("write-up"), "Write up work: on which motorcycle?"),
        "reading" => (Some("reading"), "Note a reading: of which motorcycle?"),
        _ => (None, "Motorcycles"),
    };
    let archived = purpose.is_none() && asked.is("archived", "yes");
    let wanted = Wanted { owner: asked.value("owner").parse().ok(), words: asked.optional("q"), archived, ..Wanted::default() };
    let stretch: Stretch<(String, Id<Motorcycle>)> = paging::stretch(&asked, SIZE)?;
    let is_top = stretch.after.is_none();
    let mut work = app.read(&visitor.caller).await?;
    let mut bikes = actions::list(&mut work, &wanted, stretch).await?;
    let next = paging::cut(&mut bikes, SIZE, |bike| (bike.name.clone(), bike.id));
    let page = MotorcyclesPage {
        frame: visitor.frame(&work, Nav::Motorcycles),
        offers: if is_top { offers::offered(&mut work).await? } else { Vec::new() },
        title: if archived { "Archived motorcycles" } else { title },
        purpose,
        words: asked.value("q").to_owned(),
        archived,
        searchable: bikes.len() > 7 || !is_top || wanted.words.is_some(),
        is_top,
        rows: bikes.iter().map(|bike| row(bike, purpose)).collect(),
        next: next.map(|next| {
            let archived = if archived { "yes" } else { "" };
            links::with_query(
                "/motorcycles",
                [
                    ("q", asked.value("q")),
                    ("archived", archived),
                    ("for", purpose.unwrap_or_default()),
                    ("owner", asked.value("owner")),
                    ("after", &next),
                ],
            )
        }),
    };
    Ok(Page(page).into_response())
}

fn row(bike: &Motorcycle, purpose: Option<&str>) -> Row {
    let href = match purpose {
        Some("write-up") => links::write_up(bike.id),
        Some(_) => links::readings(bike.id),
        None => links::motorcycle(bike.id),
    };
    let odometer = bike.odometer.as_ref().map_or_else(
        || "no reading yet".into(),
        |last| format!("{} {} on {}", words::figure(&last.reading), last.unit, calendar::words(last.on)),
    );
    let about = [about(bike), bike.registration.clone().unwrap_or_default()];
    Row {
        href,
        name: bike.name.clone(),
        about: about.into_iter().filter(|text| !text.is_empty()).collect::<Vec<_>>().join(" · "),
        odometer,
    }
}

/// What a motorcycle is: `Halden 650 Twin, 2021`.
pub(super) fn about(bike: &Motorcycle) -> String {
    let name = format!("{} {}", bike.make, bike.model);
    let parts = [name.trim().to_owned(), bike.year.map(|year| year.to_string()).unwrap_or_default()];
    parts.into_iter().filter(|text| !text.is_empty()).collect::<Vec<_>>().join(", ")
}
