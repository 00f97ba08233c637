//! `/motorcycles/{id}/write-up`: write up work: what was due and is done, what was measured and tightened, parts, what is left for later.
//!
//! [`bench`] looks up what is due and what that takes, [`rows`] and [`procedures`] make the page's rows of it, [`form`] reads what was typed, [`said`] says
//! what follows.
mod bench;
mod form;
mod procedures;
mod rows;
mod said;

use std::sync::Arc;

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};

use self::{
    bench::{Bench, waits},
    form::{MOST_FIELDS, Read, Tick},
    procedures::ProcedureRow,
    rows::{MeasuredRow, Options, PlainRow, TickRow, TightenedRow},
};
use super::{
    answer::{Done, Page, redirect},
    fault::Fault,
    form::{Asked, Form},
    frame::{Frame, Nav},
    guard::{PathId, Visitor},
    links, motorcycles,
    photos::{self, FoundRow, PhotoForm},
    readings, words,
};
use crate::{
    actions::{App, Work, attachment, component, due, motorcycle, service},
    domain::{
        calendar,
        id::Id,
        motorcycle::Motorcycle,
        part::InstalledPart,
        quantity::{Kind, Unit},
        service::{NewServiceEvent, ServiceEvent},
        words::{Condition, Measurand, Operation, SingleUse, Status, Thread, Verdict},
    },
    error::{Error, Neighbor, Result},
};

/// The kinds of rows that can be added.
const KINDS: [(&str, &str); 8] = [
    ("work", "Other work"),
    ("fitted", "Part fitted"),
    ("removed", "Part removed"),
    ("measured", "Measured value"),
    ("filled", "Oil or fluid filled"),
    ("as_found", "As found"),
    ("follow_ups", "Leave for later"),
    ("photos", "Photos"),
];
/// The positions on offer.
const POSITIONS: [&str; 10] = ["front", "rear", "left", "right", "upper", "lower", "front_left", "front_right", "rear_left", "rear_right"];

#[derive(Template)]
#[template(path = "write_up.html", whitespace = "minimize")]
struct WriteUpPage {
    frame: Frame,
    motorcycle: Id<Motorcycle>,
    name: String,
    about: String,
    action: String,
    form: Form,
    today: String,
    /// The last reading in words, and as a figure for the script.
    last: String,
    unit: Unit,
    /// What waits, and what comes later.
    waiting: Vec<TickRow>,
    later: Vec<TickRow>,
    later_open: bool,
    left: Vec<TickRow>,
    found_then: Vec<FoundRow>,
    measured: Vec<MeasuredRow>,
    tightened: Vec<TightenedRow>,
    procedures: Vec<ProcedureRow>,
    new_parts: Vec<PlainRow>,
    work: Vec<PlainRow>,
    fitted: Vec<PlainRow>,
    removed: Vec<PlainRow>,
    filled: Vec<PlainRow>,
    as_found: Vec<PlainRow>,
    follow_ups: Vec<PlainRow>,
    photos: Vec<PlainRow>,
    choices: Choices,
    /// The readings that the odometer contradicts, oldest first.
    doubt: Option<Vec<Other>>,
    may_confirm: bool,
    kinds: [(&'static str, &'static str); 8],
    forces: Options,
    lengths: Options,
    threads: Options,
    single_use: Options,
    currency: String,
    details_open: bool,
    /// Empty rows for the script, without the long lists.
    blank: Vec<PlainRow>,
    blank_value: MeasuredRow,
    nothing: Form,
    none: Choices,
    bench_script: &'static str,
}
/// What the rows' lists offer.
struct Choices {
    components: Options,
    positions: Options,
    operations: Options,
    quantities: Options,
    conditions: Options,
    amounts: Options,
    parts: Options,
    shelf: Options,
    fasteners: Options,
    procedures: Options,
    /// What a photograph may show: what is ticked.
    shown: Options,
}
/// A reading that stands in the way.
struct Other {
    href: String,
    words: String,
}

/// Why a form is shown.
#[derive(Default)]
struct Shown {
    doubt: Option<Vec<Neighbor>>,
    may_confirm: bool,
    /// The row that was just added.
    fresh: Option<String>,
}

async fn page(visitor: &Visitor, work: &mut Work, bike: &Motorcycle, mut form: Form, shown: Shown) -> Result<WriteUpPage> {
    let bench = Bench::load(work, bike, &form).await?;
    let fresh = shown.fresh.as_deref();
    let measured = rows::measured(&mut form, &bench, fresh);
    let tightened = rows::tightened(&mut form, &bench, fresh);
    let procedures = procedures::all(work, bike, &mut form, &bench, fresh).await?;
    let new_parts = rows::new_parts(&mut form, &bench.ticks, &bench);
    let plain = |kind| rows::plain(&form, kind, fresh);
    let (waiting, later) = tick_rows(&bench, work);
    let last = bike.odometer.as_ref().map_or_else(
        || "No reading yet".into(),
        |last| format!("Last read {} {} on {}", words::figure(&last.reading), last.unit, calendar::words(last.on)),
    );
    let other = |neighbor: &Neighbor| Other {
        href: neighbor
            .id
            .map_or_else(|| format!("{}#change", links::readings(bike.id)), |id| format!("{}#r-{id}", links::readings(bike.id))),
        words: format!("{} {} on {}", words::figure(&neighbor.reading), bike.odometer_unit, calendar::words(neighbor.on)),
    };
    Ok(WriteUpPage {
        frame: visitor.frame(work, Nav::Motorcycles).below().with_caution(),
        motorcycle: bike.id,
        name: bike.name.clone(),
        about: motorcycles::about(bike),
        action: links::write_up(bike.id),
        today: work.today.to_string(),
        last,
        unit: bike.odometer_unit.into(),
        later_open: later.iter().any(|row| form.is("due", &row.id)),
        waiting,
        later,
        left: left_rows(&bench),
        found_then: photos::found_then(work, &bench.as_found, |component, position| bench.name(component, position)).await?,
        measured,
        tightened,
        procedures,
        new_parts,
        work: plain("work"),
        fitted: plain("fitted"),
        removed: plain("removed"),
        filled: plain("filled"),
        as_found: plain("as_found"),
        follow_ups: plain("follow_ups"),
        photos: plain("photos"),
        choices: Choices::new(&bench, &form),
        doubt: shown.doubt.map(|others| others.iter().map(other).collect()),
        may_confirm: shown.may_confirm,
        kinds: KINDS,
        lengths: [Unit::Mm, Unit::In].map(|unit| (unit.to_string(), unit.to_string())).to_vec(),
        threads: std::iter::once((String::new(), "not said".to_owned()))
            .chain(Thread::ALL.iter().map(|word| (word.to_string(), words::thread(*word).to_owned())))
            .collect(),
        forces: [Unit::N, Unit::Lbf].map(|unit| (unit.to_string(), unit.to_string())).to_vec(),
        single_use: SingleUse::ALL
            .iter()
            .map(|word| (word.to_string(), if *word == SingleUse::Replaced { "replaced by a new one".into() } else { "used again".into() }))
            .collect(),
        currency: work.workshop.currency.clone(),
        details_open: ["performed_by", "summary", "labor_minutes", "cost.amount", "hours", "notes", "internal_notes"]
            .iter()
            .any(|name| form.is_wrong(name)),
        blank: KINDS
            .iter()
            .filter(|(kind, _)| *kind != "measured")
            .map(|(kind, _)| PlainRow { title: (*kind).into(), ..PlainRow::free(format!("{kind}.__")) })
            .collect(),
        blank_value: rows::blank_value(),
        nothing: Form::default(),
        none: Choices::new(&bench, &form).short(),
        form,
        bench_script: &super::assets::WRITE_UP.url,
    })
}

fn tick_rows(bench: &Bench, work: &Work) -> (Vec<TickRow>, Vec<TickRow>) {
    let row = |item: &crate::domain::due::DueItemOn| {
        let when = words::when(item, work.today);
        let hint = match item.status {
            Status::Later => words::capital(&when),
            _ => format!("{}: {when}", words::status_of(item)),
        };
        TickRow { id: item.id.to_string(), title: item.title.clone(), hint }
    };
    let (waiting, later): (Vec<_>, Vec<_>) = bench.items.iter().partition(|item| waits(item));
    (waiting.into_iter().map(row).collect(), later.into_iter().map(row).collect())
}
fn left_rows(bench: &Bench) -> Vec<TickRow> {
    let row = |left: &crate::domain::service::FollowUp| TickRow {
        id: left.id.to_string(),
        title: match &left.component {
            Some(component) => format!("{}: {}", bench.name(component, left.position), left.text),
            None => left.text.clone(),
        },
        hint: format!("Left on {} for the next time it is open", calendar::words(left.on)),
    };
    bench.follow_ups.iter().map(row).collect()
}

impl Choices {
    fn new(bench: &Bench, form: &Form) -> Self {
        let plain = |word: &str| (word.to_owned(), word.replace('_', " "));
        let first = |words: &str| (String::new(), words.to_owned());
        let part = |part: &InstalledPart| {
            let description = if part.description.is_empty() { String::new() } else { format!(", {}", part.description) };
            (part.id.to_string(), format!("{}{description}", bench.name(&part.component, part.position)))
        };
        let mut components: Options = bench.components.iter().map(|it| (it.key.clone(), it.name.clone())).collect();
        components.sort_by_key(|(_, name)| name.to_lowercase());
        let with = |words: &str, rest: Options| std::iter::once(first(words)).chain(rest).collect::<Options>();
        let ticked = bench.items.iter().filter(|item| form.values("due").any(|due| due == item.id.to_string()));
        let amounts = Unit::ALL.iter().filter(|unit| matches!(unit.kind(), Kind::Volume | Kind::Mass));
        Self {
            components: with("Choose a component", components),
            positions: with("no position", POSITIONS.iter().map(|word| plain(word)).collect()),
            operations: with("Choose what was done", Operation::ALL.iter().map(|word| plain(word.as_str())).collect()),
            quantities: with("Choose what was measured", Measurand::ALL.iter().map(|word| plain(word.as_str())).collect()),
            conditions: Condition::ALL.iter().map(|word| plain(word.as_str())).collect(),
            amounts: with("unit", amounts.map(|unit| (unit.to_string(), unit.to_string())).collect()),
            parts: with("Choose a part", bench.parts.iter().map(part).collect()),
            shelf: if bench.shelf.is_empty() { Vec::new() } else { with("no, another one", bench.shelf.iter().map(part).collect()) },
            procedures: procedures::choices(&bench.all_procedures),
            shown: with("the work as a whole", ticked.map(|item| (item.id.to_string(), item.title.clone())).collect()),
            fasteners: bench.all_fasteners.iter().map(|fastener| (fastener.key.clone(), fastener.name.clone())).collect(),
        }
    }
}

impl Choices {
    /// Without the long lists, which the script fills in.
    fn short(self) -> Self {
        let shown = self.shown.into_iter().take(1).collect();
        Self { components: Vec::new(), positions: Vec::new(), shown, ..self }
    }
}

/// `GET /write-up`: choose the motorcycle first.
pub(super) async fn choose() -> Response {
    redirect("/motorcycles?for=write-up")
}

/// `GET`: a fresh form; `?due=` ticks what is done, `?step=` a step of a procedure.
pub(super) async fn show(
    State(app): State<Arc<App>>,
    visitor: Visitor,
    PathId(id): PathId<Motorcycle>,
    Asked(asked): Asked,
) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let mut form = Form::showing([
        ("on", work.today.to_string()),
        ("odometer", String::new()),
        ("hours", String::new()),
        ("performed_by", visitor.caller.name()),
        ("cost.currency", work.workshop.currency.clone()),
        ("photos.r0", "free".to_owned()),
    ]);
    for id in asked.values("due") {
        form.push("due", id);
    }
    for step in asked.values("step") {
        procedures::tick(&mut form, step);
    }
    Ok(Page(page(&visitor, &mut work, &bike, form, Shown::default()).await?).into_response())
}

/// `POST`: adds a row and comes back with everything that was typed, or saves.
pub(super) async fn save(
    State(app): State<Arc<App>>,
    visitor: Visitor,
    PathId(id): PathId<Motorcycle>,
    PhotoForm(mut form): PhotoForm,
) -> Result<Response, Fault> {
    if form.names().count() > MOST_FIELDS {
        return Err(Error::TooLarge("This is more than the page takes at once; write it up in two pieces.".into()).into());
    }
    // A box that is not ticked is not sent; what is wrong with the boxes has a place all the same.
    form.offer("due", "");
    form.offer("follow_ups_done", "");
    let wanted = form.value("add").to_owned();
    if !wanted.is_empty() {
        let mut work = app.read(&visitor.caller).await?;
        let bike = motorcycle::get(&mut work, id).await?;
        let fresh = add(&mut form, &wanted);
        return Ok(Page(page(&visitor, &mut work, &bike, form, Shown { fresh, ..Shown::default() }).await?).into_response());
    }
    let mut work = visitor.write(&app, &mut form).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let components = component::all(&mut work).await?;
    let (items, ticks) = bench::ticks(&mut work, &bike, &components).await?;
    let mut read = form::read(&mut form, &ticks, &work.workshop.currency.clone());
    let saved = match form.ready(read.event.take()) {
        Ok(new) => log(&mut work, &bike, new, &form, &read, &ticks).await,
        Err(error) => Err(error),
    };
    match saved {
        Ok((event, lost)) => {
            let next = due::after(&mut work, bike.id).await?;
            let ticked: Vec<_> = items.iter().filter(|item| form.is("due", &item.id.to_string())).collect();
            let said = said::what_follows(&event, &next, &ticked, &components, work.today);
            let lost = if lost == 0 { "" } else { " A photo had waited too long and is gone: add it once more below." };
            Done::new(format!("/service-events/{}", event.id), format!("{said}{lost}")).after(work).await
        }
        Err(error) => {
            drop(work);
            refused(&app, &visitor, &bike, form, &read, error).await
        }
    }
}

/// Logs the event with its photographs; gives how many of them had waited too long.
async fn log(
    work: &mut Work,
    bike: &Motorcycle,
    new: NewServiceEvent,
    form: &Form,
    read: &Read,
    ticks: &[Tick],
) -> Result<(ServiceEvent, usize)> {
    let photos = form::photos_of(form, read, &new, ticks);
    let event = service::log(work, bike, new).await?;
    let sent = photos.len();
    let attached = attachment::attach_drafts(work, event.id.uuid(), photos).await?;
    Ok((event, sent - attached))
}

/// The form with what is wrong in it.
async fn refused(app: &App, visitor: &Visitor, bike: &Motorcycle, mut form: Form, read: &Read, error: Error) -> Result<Response, Fault> {
    let doubt = if let Error::Contradicts { neighbors, .. } = &error { Some(neighbors.clone()) } else { None };
    let may_confirm = error.problems().iter().any(|problem| problem.detail.contains("\"confirmed\""));
    for row in form::rows(&form, "tightened") {
        form.offer(&form::at(&row, "single_use_was"), "");
    }
    form.refused(read.at_the_fields(readings::without_the_ways(error)))?;
    let mut work = app.read(&visitor.caller).await?;
    let shown = Shown { doubt, may_confirm, fresh: None };
    Ok(Page(page(visitor, &mut work, bike, form, shown).await?).with_status(422))
}

/// Adds what a button asks for, and says which row is new.
fn add(form: &mut Form, wanted: &str) -> Option<String> {
    form.set("add", "");
    if KINDS.iter().any(|(kind, _)| *kind == wanted) {
        return rows::add(form, wanted);
    }
    if wanted == "procedure" {
        return procedures::add(form);
    }
    if wanted == "fastener" {
        let key = form.optional("pick_fastener")?;
        let row = format!("tightened.f-{key}");
        form.offer(&row, key);
        return Some(row);
    }
    if let Some(row) = wanted.strip_suffix(".more").filter(|row| form.has(row)).map(str::to_owned) {
        form.set(&form::at(&row, "more"), "yes");
        return Some(row);
    }
    let row = wanted.strip_suffix(".readings").filter(|row| form.has(row))?.to_owned();
    rows::add_reading(form, &row);
    Some(row)
}
