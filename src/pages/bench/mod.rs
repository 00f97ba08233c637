//! `/motorcycles/{id}/bench`: what is worked out on the stand, one small page each, and saved as measured values of a service event.
//!
//! A page is a [`Sheet`]: its fields, its arithmetic, what it says. Showing it, keeping what was typed and saving stand here once.
mod alignment;
mod balance;
mod runout;
mod torque_adapter;

use std::sync::Arc;

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};

pub(super) use self::{alignment::Alignment, balance::Balance, runout::Runout, torque_adapter::TorqueAdapter};
use super::{
    answer::{Done, Page},
    fault::Fault,
    form::{Asked, Form},
    frame::{Frame, Nav},
    guard::{PathId, Visitor},
    links, words,
};
use crate::{
    actions::{
        App, Work, motorcycle,
        service::add::{self, Found, Goes},
    },
    domain::{
        calculation, calendar,
        id::Id,
        motorcycle::Motorcycle,
        quantity::{Figure, Quantity, Unit},
        service::ServiceEvent,
        validate::Problem,
    },
    error::{Error, Result},
};

/// Pairs of value and words.
type Options = Vec<(String, String)>;

/// One row of a page's form.
pub(super) enum Row {
    /// What the next fields are about.
    Heading(&'static str),
    /// A figure; its unit stands beside it, or a choice of units in a field of its own.
    Figure { name: String, label: String, hint: &'static str, unit: &'static str, units: Option<Units> },
    /// One of several.
    Choice { name: &'static str, label: &'static str, hint: &'static str, options: Options },
    /// A box to tick.
    Tick { name: &'static str, label: &'static str, hint: &'static str },
}
/// The units on offer beside a figure, and the field that holds the choice.
pub(super) struct Units {
    name: String,
    options: Options,
}
impl Row {
    fn figure(name: impl Into<String>, label: impl Into<String>, unit: &'static str, hint: &'static str) -> Self {
        Self::Figure { name: name.into(), label: label.into(), hint, unit, units: None }
    }
    fn with_units(name: &str, label: impl Into<String>, hint: &'static str, units: &[&str]) -> Self {
        let options = units.iter().map(|unit| ((*unit).to_owned(), (*unit).to_owned())).collect();
        let units = Some(Units { name: format!("{name}.unit"), options });
        Self::Figure { name: format!("{name}.value"), label: label.into(), hint, unit: "", units }
    }
    fn choice(name: &'static str, label: &'static str, hint: &'static str, options: &[(&str, &str)]) -> Self {
        let options = options.iter().map(|(value, words)| ((*value).to_owned(), (*words).to_owned())).collect();
        Self::Choice { name, label, hint, options }
    }
}

/// What a page worked out.
pub(super) struct Outcome {
    /// Sentences; the first is the answer.
    said: Vec<String>,
    /// The figures behind it.
    table: Vec<(String, String)>,
    /// What can be saved; none where it is no property of the motorcycle.
    found: Option<Found>,
    /// Where the fields of each measured line begin, for what is wrong with them.
    fields: Vec<&'static str>,
}

/// One page of the bench.
pub(super) trait Sheet: Send + Sync + 'static {
    /// The last part of its path.
    const PATH: &'static str;
    /// What it is called.
    const TITLE: &'static str;
    /// What it is for, and how to go about it.
    const LEAD: &'static str;
    /// How many places can be read, where that is a choice.
    const COUNTS: &'static [usize] = &[];
    /// Puts in what stands there before anything is typed.
    fn offer(form: &mut Form, bike: &Motorcycle);
    /// The form's rows.
    fn rows(form: &Form) -> Vec<Row>;
    /// The answer; none where something is wrong, which is said beside the field.
    fn work_out(form: &mut Form) -> Option<Outcome>;
}

/// What each page of the bench is, for the table of contents.
struct Content {
    path: &'static str,
    title: &'static str,
    lead: &'static str,
}
const fn content<S: Sheet>() -> Content {
    Content { path: S::PATH, title: S::TITLE, lead: S::LEAD }
}
const CONTENTS: [Content; 4] = [content::<Runout>(), content::<Balance>(), content::<Alignment>(), content::<TorqueAdapter>()];

#[derive(Template)]
#[template(path = "bench.html", whitespace = "minimize")]
struct ContentsPage {
    frame: Frame,
    id: Id<Motorcycle>,
    name: String,
    contents: [Content; 4],
}

/// `GET /motorcycles/{id}/bench`
pub(super) async fn contents(State(app): State<Arc<App>>, visitor: Visitor, PathId(id): PathId<Motorcycle>) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let frame = visitor.frame(&work, Nav::Motorcycles).below();
    Ok(Page(ContentsPage { frame, id, name: bike.name, contents: CONTENTS }).into_response())
}

#[derive(Template)]
#[template(path = "bench_sheet.html", whitespace = "minimize")]
struct SheetPage {
    frame: Frame,
    id: Id<Motorcycle>,
    name: String,
    title: &'static str,
    lead: &'static str,
    action: String,
    counts: Vec<(usize, bool)>,
    rows: Vec<Row>,
    form: Form,
    said: Vec<String>,
    table: Vec<(String, String)>,
    /// The events that the values can be saved to; empty where there is nothing to save.
    events: Options,
}

fn path(id: Id<Motorcycle>, sheet: &str) -> String {
    format!("{}/bench/{sheet}", links::motorcycle(id))
}

async fn page<S: Sheet>(
    visitor: &Visitor,
    work: &mut Work,
    bike: &Motorcycle,
    mut form: Form,
    outcome: Option<Outcome>,
) -> Result<SheetPage> {
    S::offer(&mut form, bike);
    let mut events = Vec::new();
    if !bike.archived && outcome.as_ref().is_some_and(|outcome| outcome.found.is_some()) {
        let open = add::open_events(work, bike).await?;
        // What is written down today is most likely the work that still goes on.
        let likely = open.first().filter(|event| event.on == work.today).map_or_else(|| "new".to_owned(), |event| event.id.to_string());
        form.offer("event", likely);
        events = open.iter().map(option).collect();
        events.push(("new".into(), "A new service event today".into()));
    }
    let many = count(&form, S::COUNTS);
    Ok(SheetPage {
        frame: visitor.frame(work, Nav::Motorcycles).below().with_caution(),
        id: bike.id,
        name: bike.name.clone(),
        title: S::TITLE,
        lead: S::LEAD,
        action: path(bike.id, S::PATH),
        counts: S::COUNTS.iter().map(|offered| (*offered, *offered == many)).collect(),
        rows: S::rows(&form),
        said: outcome.as_ref().map(|outcome| outcome.said.clone()).unwrap_or_default(),
        table: outcome.map(|outcome| outcome.table).unwrap_or_default(),
        events,
        form,
    })
}
fn option(event: &ServiceEvent) -> (String, String) {
    let what = if event.summary.is_empty() { "no summary" } else { event.summary.as_str() };
    (event.id.to_string(), format!("{}: {what}", calendar::words(event.on)))
}

/// `GET /motorcycles/{id}/bench/…`
pub(super) async fn show<S: Sheet>(
    State(app): State<Arc<App>>,
    visitor: Visitor,
    PathId(id): PathId<Motorcycle>,
    Asked(asked): Asked,
) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let form = Form::showing([("count", asked.value("count").to_owned())]);
    Ok(Page(page::<S>(&visitor, &mut work, &bike, form, None).await?).into_response())
}

/// `POST /motorcycles/{id}/bench/…`: works it out; with `do=save` what was found goes to a service event.
pub(super) async fn send<S: Sheet>(
    State(app): State<Arc<App>>,
    visitor: Visitor,
    PathId(id): PathId<Motorcycle>,
    mut form: Form,
) -> Result<Response, Fault> {
    if !form.is("do", "save") {
        let mut work = app.read(&visitor.caller).await?;
        let bike = motorcycle::get(&mut work, id).await?;
        let outcome = S::work_out(&mut form).filter(|_| !form.has_problems());
        let status = if outcome.is_some() { 200 } else { 422 };
        return Ok(Page(page::<S>(&visitor, &mut work, &bike, form, outcome).await?).with_status(status));
    }
    let mut work = visitor.write(&app, &mut form).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let outcome = S::work_out(&mut form);
    let event = chosen_event(&mut form);
    let fields = outcome.as_ref().map(|outcome| outcome.fields.clone()).unwrap_or_default();
    let saved = match form.ready(outcome.and_then(|outcome| outcome.found).zip(event)) {
        Ok((found, goes)) => add::found(&mut work, &bike, goes, found).await,
        Err(error) => Err(error),
    };
    match saved {
        Ok(event) => Done::new(format!("/service-events/{}", event.id), "Saved with this event.").after(work).await,
        Err(error) => {
            drop(work);
            form.refused(beside_their_fields(error, &fields))?;
            let mut work = app.read(&visitor.caller).await?;
            // The answer is shown again, so that another event can be chosen for it.
            let outcome = S::work_out(&mut form);
            Ok(Page(page::<S>(&visitor, &mut work, &bike, form, outcome).await?).with_status(422))
        }
    }
}

/// The event that was chosen: a new one, or one of those on offer.
fn chosen_event(form: &mut Form) -> Option<Goes> {
    if form.is("event", "new") {
        return Some(Goes::ToNew);
    }
    if form.optional("event").is_none() {
        form.complain("event", "Choose the service event that it goes to.");
    }
    form.chosen("event").map(Goes::To)
}

/// What is wrong with a measured line belongs beside the fields that it was made from.
fn beside_their_fields(error: Error, fields: &[&str]) -> Error {
    let Error::Invalid(mut problems) = error else { return error };
    for problem in &mut problems {
        let Some(rest) = problem.pointer.strip_prefix("/measured/") else { continue };
        let (place, rest) = rest.split_once('/').unwrap_or((rest, ""));
        if let Some(field) = place.parse::<usize>().ok().and_then(|place| fields.get(place)) {
            problem.pointer = format!("/{field}/{}", rest.strip_prefix("readings/").unwrap_or(rest));
        }
    }
    Error::Invalid(problems)
}

/// Puts what is wrong with a calculation beside its fields.
fn wrong(form: &mut Form, problems: Vec<calculation::Problem>) {
    let problems = problems.into_iter().map(|problem| Problem::new(problem.pointer, problem.detail)).collect();
    // Only an `Error::Invalid` goes in, which a form takes in whole.
    let _ = form.refused(Error::Invalid(problems));
}

/// How many places are read: as chosen, where that is on offer, otherwise the second number.
fn count(form: &Form, counts: &[usize]) -> usize {
    let chosen = form.value("count").parse().ok().filter(|count| counts.contains(count));
    chosen.or(counts.get(1).copied()).unwrap_or(0)
}

/// The figures in `name.0`, `name.1` …; one that is missing is asked for beside its field.
fn readings(form: &mut Form, name: &str, count: usize) -> Option<Vec<Figure>> {
    let mut found = Vec::with_capacity(count);
    for place in 0..count {
        let field = format!("{name}.{place}");
        if form.optional(&field).is_none() {
            form.complain(&field, "Read it here too, or choose fewer places.");
        }
        found.extend(form.figure(&field));
    }
    (found.len() == count).then_some(found)
}

/// The quantity in `name.value` and `name.unit`; none where it is empty.
fn quantity(form: &mut Form, name: &str) -> Option<Quantity> {
    let value = form.figure(&format!("{name}.value"))?;
    let unit: Unit = form.chosen(&format!("{name}.unit"))?;
    Some(Quantity { value, unit })
}
/// A quantity that has to be there and more than 0.
fn must_quantity(form: &mut Form, name: &str, message: &str) -> Option<Quantity> {
    let field = format!("{name}.value");
    form.must(&field, message)?;
    let found = quantity(form, name)?;
    if found.value.value() > 0.0 {
        return Some(found);
    }
    form.complain(&field, format!("{found} is not more than 0."));
    None
}

/// A computed figure as it is said, with its unit: at most this many decimals, and no zeros behind them.
fn said(value: f64, decimals: usize, unit: Unit) -> String {
    format!("{} {unit}", words::figure(&rounded(value, decimals)))
}
fn rounded(value: f64, decimals: usize) -> Figure {
    let text = format!("{value:.decimals$}");
    let short = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    Figure::parse(if short == "-0" { "0" } else { short }).unwrap_or_else(|_| Figure::rounded(value, decimals))
}
