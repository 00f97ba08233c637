//! `/motorcycles/{id}/job-sheet`: what is to be done on one visit, on a phone or on paper with room for handwriting.
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};

use super::{
    answer::Page,
    fasteners,
    fault::Fault,
    form::Asked,
    frame::{Frame, Nav},
    guard::{PathId, Visitor},
    limits, links,
    order_drawing::OrderDrawing,
    photos::{self, FoundRow},
    procedures, words,
};
use crate::{
    actions::{App, Work, component, due, job_sheet as actions, motorcycle, visits},
    domain::{
        calendar,
        component::Component,
        due::{DueItemId, DueItemOn},
        id::Id,
        job_sheet::{JobSheet, SheetLimit, SheetProcedure, SheetStep, ToHave},
        motorcycle::Motorcycle,
        quantity::Quantity,
        visits::Visit,
        words::Status,
    },
    error::Result,
};

#[derive(Template)]
#[template(path = "job_sheet.html", whitespace = "minimize")]
struct SheetPage {
    frame: Frame,
    id: Id<Motorcycle>,
    name: String,
    about: String,
    unit: String,
    to_have: Vec<String>,
    operations: Vec<Operation>,
    together: Vec<Choice>,
    visits: Vec<Planned>,
    tightened: Vec<Line>,
    measured: Vec<Line>,
    procedures: Vec<Followable>,
    as_found: Vec<FoundRow>,
    left: Vec<String>,
    cautions: Vec<String>,
    choices: Vec<Choice>,
    write_up: String,
}
/// A line to be ticked off.
struct Line {
    what: String,
    figure: String,
    about: String,
    /// In which order several are tightened.
    order: Option<OrderDrawing>,
}
/// Something to do: ticked off, it goes into the write-up.
struct Operation {
    id: DueItemId,
    line: Line,
}
/// A procedure, to be ticked off step by step.
struct Followable {
    title: String,
    begins: String,
    steps: Vec<Step>,
}
struct Step {
    /// What the write-up is told: procedure, version, step.
    value: String,
    number: u32,
    text: String,
    hints: Vec<String>,
    /// There is a figure to write down.
    figure: bool,
}
impl Followable {
    fn new(procedure: &SheetProcedure, known: &[Component]) -> Self {
        let step = |step: &SheetStep| Step {
            value: format!("{}:{}:{}", procedure.id, procedure.version, step.step),
            number: step.step,
            text: step.text.clone(),
            hints: procedures::hints(step, known),
            figure: step.fastener_key.is_some() || step.measured.is_some(),
        };
        let begins = if procedure.applies_when.is_empty() { String::new() } else { format!("Begins with: {}. ", procedure.applies_when) };
        Self {
            title: procedure.title.clone(),
            begins: format!("{begins}Version {}.", procedure.version),
            steps: procedure.steps.iter().map(step).collect(),
        }
    }
}
/// A day on which things can be done together.
struct Planned {
    on: String,
    what: String,
    href: String,
}
/// A due item that may be taken onto the sheet.
struct Choice {
    id: DueItemId,
    title: String,
    hint: String,
    ticked: bool,
}

fn to_have(known: &[Component], have: &ToHave) -> String {
    let name = words::component(known, &have.component, have.position);
    let details: Vec<_> = [Some(have.description.clone()), have.part_number.clone(), have.quantity.as_ref().map(words::quantity)]
        .into_iter()
        .flatten()
        .filter(|text| !text.is_empty() && *text != name)
        .collect();
    let count = if have.count > 1 { format!("{} × ", have.count) } else { String::new() };
    let details = if details.is_empty() { String::new() } else { format!(" ({})", details.join(", ")) };
    format!("{count}{name}{details}: {}", have.because)
}
/// A line for each value to measure, with all the limits that it is held against.
fn measured(known: &[Component], limits: &[SheetLimit]) -> Vec<Line> {
    let mut lines: Vec<(Option<&Quantity>, Line)> = Vec::new();
    for limit in limits {
        let (force, line) = (limit.limit.at_force.as_ref(), held_against(known, limit));
        // At another force it is another value.
        match lines.iter_mut().find(|(at, before)| (*at, &before.what, &before.about) == (force, &line.what, &line.about)) {
            Some((_, before)) => before.figure = format!("{}; {}", before.figure, line.figure),
            None => lines.push((force, line)),
        }
    }
    lines.into_iter().map(|(_, line)| line).collect()
}
fn held_against(known: &[Component], limit: &SheetLimit) -> Line {
    let name = words::component(known, &limit.limit.component, limit.position);
    let age = match (&limit.part_distance, limit.new_part) {
        (_, true) => "for the new part".into(),
        (Some(run), false) => format!("for this part at {}", words::about(run)),
        (None, false) => String::new(),
    };
    Line {
        what: format!("{name}: {}", limit.limit.quantity.as_str().replace('_', " ")),
        figure: format!("{} ({})", limits::figures(&limit.limit), limit.limit.kind),
        about: age,
        order: None,
    }
}

impl Planned {
    fn new(bike: &Motorcycle, visit: &Visit, all: &[DueItemOn]) -> Self {
        let titles = visit.due_items.iter().filter_map(|id| all.iter().find(|item| item.id == *id)).map(|item| item.title.clone());
        let ids: Vec<String> = visit.due_items.iter().map(ToString::to_string).collect();
        Self {
            on: calendar::words(visit.on),
            what: words::list(&titles.collect::<Vec<_>>()),
            href: links::with_query(&links::job_sheet(bike.id), ids.iter().map(|id| ("due", id.as_str()))),
        }
    }
}

impl SheetPage {
    async fn new(visitor: &Visitor, work: &mut Work, bike: &Motorcycle, sheet: JobSheet, all: Vec<DueItemOn>) -> Result<Self> {
        let known = component::all(work).await?;
        let as_found =
            photos::found_then(work, &sheet.as_found, |component, position| words::component(&known, component, position)).await?;
        let visits = visits::of_motorcycle(work, bike, 12).await?;
        let visits = visits.iter().map(|visit| Planned::new(bike, visit, &all)).collect();
        let taken: Vec<DueItemId> = sheet.operations.iter().map(|item| item.id).collect();
        let operation = |item: &DueItemOn| {
            let place = item.position.map(words::position).unwrap_or_default();
            let place = if item.installed_part_id.is_some() { place } else { String::new() };
            let about = format!("{}, {}", words::status_of(item), words::when(item, work.today));
            Operation { id: item.id, line: Line { what: item.title.clone(), figure: place, about, order: None } }
        };
        let tightened = sheet.fasteners.iter().map(|fastener| {
            let count = if fastener.count > 1 { format!(", {}", fastener.count) } else { String::new() };
            let notes = [
                fastener.thread.map(|thread| thread.to_string().replace('_', " ")),
                fastener.pattern.filter(|_| fastener.count > 1).map(|pattern| format!("in {pattern} order")),
                fastener.single_use.then(|| "to be used once only".to_owned()),
            ];
            let about = notes.into_iter().flatten().collect::<Vec<_>>().join(", ");
            Line {
                what: format!("{}{count}", fastener.name),
                figure: fasteners::figures(fastener),
                about,
                order: OrderDrawing::of(fastener),
            }
        });
        let about: Vec<_> = [bike.make.clone(), bike.model.clone(), bike.year.map(|year| year.to_string()).unwrap_or_default()]
            .into_iter()
            .filter(|text| !text.is_empty())
            .collect();
        let soon = |status| matches!(status, Status::Overdue | Status::Due | Status::NearlyDue);
        let choice = |item: DueItemOn| Choice {
            hint: format!("{}, {}", words::status_of(&item), words::when(&item, work.today)),
            ticked: taken.contains(&item.id),
            id: item.id,
            title: item.title,
        };
        let offered = |item: &DueItemOn| sheet.together.iter().any(|also| also.due_item_id == item.id);
        let mut choices: Vec<_> = all.into_iter().filter(|item| !offered(item)).collect();
        choices.sort_by_key(|item| !soon(item.status));
        Ok(Self {
            frame: visitor.frame(work, Nav::Motorcycles).below().with_caution(),
            id: bike.id,
            name: bike.name.clone(),
            about: format!("{} · {}", about.join(" "), calendar::words(sheet.on)),
            unit: bike.odometer_unit.to_string(),
            to_have: sheet.parts.iter().map(|have| to_have(&known, have)).collect(),
            operations: sheet.operations.iter().map(operation).collect(),
            tightened: tightened.collect(),
            measured: measured(&known, &sheet.limits),
            procedures: sheet.procedures.iter().map(|procedure| Followable::new(procedure, &known)).collect(),
            as_found,
            left: sheet.follow_ups.iter().map(|left| left.text.clone()).collect(),
            cautions: sheet.cautions.iter().map(|caution| caution.text.to_owned()).collect(),
            together: sheet
                .together
                .into_iter()
                .map(|also| Choice { id: also.due_item_id, title: also.title, hint: also.because, ticked: false })
                .collect(),
            visits,
            write_up: links::write_up(bike.id),
            choices: choices.into_iter().map(choice).collect(),
        })
    }
}

/// `GET /motorcycles/{id}/job-sheet`; `?due=` may be repeated; without it everything that is due or nearly due.
pub(super) async fn show(
    State(app): State<Arc<App>>,
    visitor: Visitor,
    PathId(id): PathId<Motorcycle>,
    Asked(asked): Asked,
) -> Result<Response, Fault> {
    let wanted: Vec<DueItemId> = asked.values("due").filter_map(|id| id.parse().ok()).collect();
    let mut work = app.read(&visitor.caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let all = due::of_motorcycle(&mut work, &bike, None).await?;
    // What was done meanwhile is not due any more: it is left out, not complained about.
    let wanted: Vec<DueItemId> = wanted.into_iter().filter(|id| all.iter().any(|item| item.id == *id)).collect();
    let sheet = actions::of_motorcycle(&mut work, &bike, (!wanted.is_empty()).then_some(wanted.as_slice())).await?;
    Ok(Page(SheetPage::new(&visitor, &mut work, &bike, sheet, all).await?).into_response())
}
