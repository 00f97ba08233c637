//! `/motorcycles/{id}/readings`: note what the odometer or the hour meter shows, say that it was replaced or rolled over, strike out
//! what was wrong.
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};
use time::Date;

use super::{
    answer::{Done, Page},
    fault::Fault,
    form::{Asked, Form},
    frame::{Frame, Nav},
    guard::{Mechanic, PathId, SecondId, Visitor},
    links, motorcycles, paging, words,
};
use crate::{
    actions::{App, Work, lay_up, motorcycle, reading as actions},
    domain::{
        calendar,
        id::Id,
        lay_up::{LayUp, Period},
        motorcycle::{Motorcycle, NewInstrument, NewReading, Reading},
        quantity::Unit,
        words::{CounterKind, InstrumentChange},
    },
    error::{Error, Neighbor, Result},
    store::Stretch,
};

const SIZE: i64 = 30;

#[derive(Template)]
#[template(path = "readings.html", whitespace = "minimize")]
struct ReadingsPage {
    frame: Frame,
    title: &'static str,
    motorcycle: Id<Motorcycle>,
    name: String,
    about: String,
    /// `Odometer` or `Hour meter`.
    counter: &'static str,
    instrument: &'static str,
    unit: Unit,
    today: String,
    last: String,
    form: Form,
    /// The readings that the new one contradicts.
    doubt: Option<Vec<Other>>,
    /// The figure could be right: it is only a long way for so few days.
    may_confirm: bool,
    action: String,
    change: Form,
    change_action: String,
    changes: Vec<(String, String)>,
    changed: Vec<String>,
    lay_up: Form,
    lay_ups: Vec<Stood>,
    rows: Vec<Row>,
    next: Option<String>,
    /// The query string of this counter's paths.
    query: &'static str,
    /// The page of the other counter.
    other: (String, &'static str),
}
/// A reading that stands in the way.
struct Other {
    id: Option<uuid::Uuid>,
    on: String,
    reading: String,
}
struct Row {
    id: Id<Reading>,
    on: String,
    reading: String,
    read_by: String,
    event: Option<String>,
    struck: Option<String>,
    may_strike: bool,
}

/// A lay-up.
struct Stood {
    id: Id<LayUp>,
    /// `Laid up until 1 Mar 2027`
    when: String,
    note: String,
    /// Nobody knows its last day yet.
    open: bool,
}

/// What the page shows beside the lists: its forms as they are now.
pub(super) struct Forms {
    reading: Form,
    doubt: Option<Vec<Other>>,
    may_confirm: bool,
    change: Form,
    pub lay_up: Form,
}
impl Forms {
    pub fn fresh(work: &Work) -> Self {
        let today = work.today.to_string();
        let reading = Form::showing([("on", today.clone()), ("reading", String::new()), ("read_by", String::new())]);
        let empty = ["change.kind", "change.old_final", "change.new_start", "change.capacity", "change.reason"];
        let change = Form::showing(empty.map(|name| (name, String::new())).into_iter().chain([("change.on", today)]));
        let lay_up = Form::showing(["lay_up.from", "lay_up.to", "lay_up.note"].map(|name| (name, String::new())));
        Self { reading, doubt: None, may_confirm: false, change, lay_up }
    }
}

fn kind_of(asked: &Form) -> CounterKind {
    if asked.is("counter", "hours") { CounterKind::Hours } else { CounterKind::Odometer }
}
/// The page's own path for a counter.
fn path(bike: Id<Motorcycle>, kind: CounterKind, below: &str) -> String {
    let counter = if kind == CounterKind::Hours { "hours" } else { "" };
    links::with_query(&format!("{}{below}", links::readings(bike)), [("counter", counter)])
}

/// The page of the odometer again, with what is wrong in one of its forms.
pub(super) async fn again(visitor: &Visitor, work: &mut Work, bike: &Motorcycle, forms: Forms) -> Result<Response, Fault> {
    Ok(Page(page(visitor, work, bike, &Form::default(), forms).await?).with_status(422))
}
async fn page(visitor: &Visitor, work: &mut Work, bike: &Motorcycle, asked: &Form, forms: Forms) -> Result<ReadingsPage> {
    let kind = kind_of(asked);
    let stretch: Stretch<(Date, Id<Reading>)> = paging::stretch(asked, SIZE)?;
    let mut readings = actions::list(work, bike.id, kind, None, stretch).await?;
    let next = paging::cut(&mut readings, SIZE, |reading| (reading.on, reading.id));
    let changes = actions::list_instruments(work, bike.id, kind, Stretch { after: None, limit: 200 }).await?;
    let mut rows = Vec::new();
    for reading in &readings {
        rows.push(row(reading.clone(), actions::may_strike_out(work, reading.id).await?));
    }
    let lay_ups = lay_up::list(work, bike.id, Stretch { after: None, limit: 200 }).await?;
    let today = work.today;
    let (counter, instrument, title) = match kind {
        CounterKind::Odometer => ("Odometer", "odometer", "Note a reading"),
        CounterKind::Hours => ("Hour meter", "hour meter", "Note hours"),
    };
    let shown =
        |reading: &Reading| format!("last read {} {} on {}", words::figure(&reading.reading), reading.unit, calendar::words(reading.on));
    let last = readings.iter().find(|reading| reading.struck_out.is_none()).map_or_else(|| "no reading yet".into(), shown);
    let option = |kind: InstrumentChange, words: &str| (kind.to_string(), words.to_owned());
    Ok(ReadingsPage {
        frame: visitor.frame(work, Nav::Motorcycles).below(),
        title,
        motorcycle: bike.id,
        name: bike.name.clone(),
        about: motorcycles::about(bike),
        counter,
        instrument,
        unit: actions::unit(bike, kind),
        today: work.today.to_string(),
        last,
        form: forms.reading,
        doubt: forms.doubt,
        may_confirm: forms.may_confirm,
        action: path(bike.id, kind, ""),
        change: forms.change,
        change_action: path(bike.id, kind, "/change"),
        changes: vec![
            option(InstrumentChange::Replaced, "It was replaced by another one"),
            option(InstrumentChange::RolledOver, "It rolled over and started again at 0"),
        ],
        changed: changes.iter().map(words::instrument).collect(),
        lay_up: forms.lay_up,
        lay_ups: lay_ups.into_iter().map(|lay_up| stood(lay_up, today)).collect(),
        rows,
        next: next.map(|next| links::with_query(&links::readings(bike.id), [("counter", asked.value("counter")), ("after", &next)])),
        query: if kind == CounterKind::Hours { "?counter=hours" } else { "" },
        other: match kind {
            CounterKind::Odometer => (path(bike.id, CounterKind::Hours, ""), "Hour meter"),
            CounterKind::Hours => (path(bike.id, CounterKind::Odometer, ""), "Odometer"),
        },
    })
}

fn stood(lay_up: LayUp, today: Date) -> Stood {
    let from = calendar::words(lay_up.from);
    let when = match lay_up.to.map(calendar::words) {
        Some(to) if Period::from(&lay_up).holds(today) => format!("Laid up until {to}, since {from}"),
        Some(to) => format!("Laid up from {from} until {to}"),
        None => format!("Laid up from {from} on"),
    };
    Stood { id: lay_up.id, when, open: lay_up.to.is_none(), note: lay_up.note }
}
fn row(reading: Reading, may_strike: bool) -> Row {
    Row {
        may_strike,
        id: reading.id,
        on: calendar::words(reading.on),
        reading: format!("{} {}", words::figure(&reading.reading), reading.unit),
        read_by: reading.read_by.unwrap_or_default(),
        event: reading.service_event_id.map(|id| id.to_string()),
        struck: reading.struck_out.map(|struck| format!("Struck out: {}", struck.reason)),
    }
}
/// `GET`
pub(super) async fn show(
    State(app): State<Arc<App>>,
    visitor: Visitor,
    PathId(id): PathId<Motorcycle>,
    Asked(asked): Asked,
) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let forms = Forms::fresh(&work);
    Ok(Page(page(&visitor, &mut work, &bike, &asked, forms).await?).into_response())
}

/// `POST`: a reading.
pub(super) async fn note(
    State(app): State<Arc<App>>,
    visitor: Visitor,
    PathId(id): PathId<Motorcycle>,
    Asked(asked): Asked,
    mut form: Form,
) -> Result<Response, Fault> {
    let kind = kind_of(&asked);
    let new = read_reading(&mut form);
    let mut work = visitor.write(&app, &mut form).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let noted = match form.ready(new) {
        Ok(new) => actions::record(&mut work, &bike, kind, new, None, "/reading").await,
        Err(error) => Err(error),
    };
    match noted {
        Ok(reading) => {
            let said = format!(
                "Noted for {}: {} {} on {}.",
                bike.name,
                words::figure(&reading.reading),
                reading.unit,
                calendar::words(reading.on)
            );
            Done::new(links::motorcycle(id), said).after(work).await
        }
        Err(error) => {
            drop(work);
            let mut work = app.read(&visitor.caller).await?;
            let mut forms = Forms::fresh(&work);
            forms.doubt = doubt(&error, actions::unit(&bike, kind));
            forms.may_confirm = error.problems().iter().any(|problem| problem.detail.contains("\"confirmed\""));
            form.refused(without_the_ways(error))?;
            forms.reading = form;
            Ok(Page(page(&visitor, &mut work, &bike, &asked, forms).await?).with_status(422))
        }
    }
}
fn read_reading(form: &mut Form) -> Option<NewReading> {
    let (on, reading) = (form.day("on"), form.figure("reading"));
    if reading.is_none() && !form.is_wrong("reading") {
        form.complain("reading", "Type what it shows.");
    }
    if on.is_none() && !form.is_wrong("on") {
        form.complain("on", "Say on which day it was read.");
    }
    Some(NewReading { on: on?, reading: reading?, read_by: form.optional("read_by"), confirmed: form.is("confirmed", "yes") })
}
/// The readings that a contradiction is about.
fn doubt(error: &Error, unit: Unit) -> Option<Vec<Other>> {
    let Error::Contradicts { neighbors, .. } = error else { return None };
    let other = |neighbor: &Neighbor| Other {
        id: neighbor.id,
        on: calendar::words(neighbor.on),
        reading: format!("{} {unit}", words::figure(&neighbor.reading)),
    };
    Some(neighbors.iter().map(other).collect())
}
/// The sentence about a contradiction without the ways out for scripts: the page has its own.
pub(super) fn without_the_ways(error: Error) -> Error {
    let Error::Contradicts { mut problems, neighbors } = error else { return error };
    for problem in &mut problems {
        let way = [" To go on, ", " If it is right, "].into_iter().filter_map(|way| problem.detail.find(way)).min();
        if let Some(way) = way {
            problem.detail.truncate(way);
            problem.detail.push_str(" See below which of the ways out it is.");
        }
    }
    Error::Contradicts { problems, neighbors }
}

/// `POST …/change`: the instrument was replaced or rolled over.
pub(super) async fn change(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<Motorcycle>,
    Asked(asked): Asked,
    mut form: Form,
) -> Result<Response, Fault> {
    let kind = kind_of(&asked);
    let new = read_change(&mut form);
    let mut work = visitor.write(&app, &mut form).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let changed = match form.ready(new) {
        Ok(new) => actions::change_instrument(&mut work, &bike, kind, new).await,
        Err(error) => Err(error),
    };
    match changed {
        Ok(change) => Done::new(path(id, kind, ""), format!("{} Note what it shows now.", words::instrument(&change))).after(work).await,
        Err(error) => {
            drop(work);
            let mut work = app.read(&visitor.caller).await?;
            let mut forms = Forms::fresh(&work);
            form.refused_below("change", without_the_ways(error))?;
            forms.change = form;
            Ok(Page(page(&visitor, &mut work, &bike, &asked, forms).await?).with_status(422))
        }
    }
}
fn read_change(form: &mut Form) -> Option<NewInstrument> {
    let (on, kind) = (form.day("change.on"), form.chosen("change.kind"));
    if kind.is_none() && form.value("change.kind").is_empty() {
        form.complain("change.kind", "Choose whether it was replaced or rolled over.");
    }
    if on.is_none() && !form.is_wrong("change.on") {
        form.complain("change.on", "Say on which day that was.");
    }
    let figures = ["change.old_final", "change.new_start", "change.capacity"].map(|name| form.figure(name));
    let [old_final, new_start, capacity] = figures;
    let (on, kind): (Date, InstrumentChange) = (on?, kind?);
    // A figure that belongs to the other kind of change was left over from changing one's mind.
    let replaced = kind == InstrumentChange::Replaced;
    Some(NewInstrument {
        on,
        kind,
        old_final: old_final.filter(|_| replaced),
        new_start: new_start.filter(|_| replaced),
        capacity: capacity.filter(|_| !replaced),
        reason: form.value("change.reason").to_owned(),
    })
}

/// `POST …/{reading}/strike-out`
pub(super) async fn strike_out(
    State(app): State<Arc<App>>,
    visitor: Visitor,
    PathId(id): PathId<Motorcycle>,
    SecondId(reading): SecondId<Reading>,
    Asked(asked): Asked,
    mut form: Form,
) -> Result<Response, Fault> {
    let mut work = visitor.write(&app, &mut form).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let reading = actions::get(&mut work, reading, kind_of(&asked)).await?;
    if reading.motorcycle_id != bike.id {
        return Err(Error::NotFound("reading").into());
    }
    let back = path(bike.id, reading.counter, "");
    let struck = match form.ready(Some(())) {
        Ok(()) => actions::strike_out(&mut work, &reading, form.value("reason")).await,
        Err(error) => Err(error),
    };
    match struck {
        Ok(reading) => {
            let said = format!("Struck out: {} {} on {}.", words::figure(&reading.reading), reading.unit, calendar::words(reading.on));
            Done::new(back, said).after(work).await
        }
        Err(error) => {
            drop(work);
            let mut work = app.read(&visitor.caller).await?;
            let mut forms = Forms::fresh(&work);
            let error = match error {
                Error::Invalid(_) if form.value("reason").is_empty() => {
                    Error::invalid("", "Say why the reading is wrong; it stays visible with the reason.")
                }
                other => other,
            };
            forms.reading.refused(error)?;
            for wrong in form.wrong_places() {
                forms.reading.complain("", wrong.message.clone());
            }
            Ok(Page(page(&visitor, &mut work, &bike, &asked, forms).await?).with_status(422))
        }
    }
}
