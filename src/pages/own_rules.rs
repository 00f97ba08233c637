//! `/motorcycles/{id}/rules`: what comes due on one motorcycle; the usual operations to tick, or another motorcycle's rules to copy.
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};

use super::{
    answer::{Done, Page},
    fault::Fault,
    form::Form,
    frame::{Frame, Nav},
    guard::{Manager, Mechanic, PathId, Visitor},
    links, rules,
    standards::{self, Choices, Options, Row},
    words,
};
use crate::{
    actions::{App, Work, motorcycle, rule as actions},
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        rule::{AppliesTo, Limbs, Margin, NewIntervalRule},
        usual::{self, Usual},
        words::{CountsFrom, Scope, Whichever},
    },
    error::{Error, Result},
    store::{Stretch, motorcycle::Wanted},
};

/// As many motorcycles as are offered to copy from.
const OFFERED: i64 = 200;

#[derive(Template)]
#[template(path = "own_rules.html", whitespace = "minimize")]
struct OwnRulesPage {
    frame: Frame,
    id: Id<Motorcycle>,
    name: String,
    rows: Vec<Row>,
    usual: Vec<UsualRow>,
    others: Options,
    choices: Choices,
    form: Form,
}
struct UsualRow {
    /// `usual.3`: where its fields begin.
    field: String,
    title: String,
}

/// The usual operations that no rule of the motorcycle asks for yet, each with its place in the whole list.
async fn open_usual(work: &mut Work, bike: &Motorcycle) -> Result<Vec<(usize, Usual)>> {
    let rules = actions::for_motorcycle(work, bike).await?;
    let covered = |usual: &Usual| {
        rules.iter().any(|rule| {
            rule.component == usual.component
                && rule.operation == usual.operation
                && (rule.position.is_none() || rule.position == usual.position)
        })
    };
    Ok(usual::operations(bike.final_drive).into_iter().enumerate().filter(|(_, usual)| !covered(usual)).collect())
}
fn title(choices: &Choices, usual: &Usual) -> String {
    format!("{}, {}", words::component(&choices.known, usual.component, usual.position), usual.operation)
}

impl OwnRulesPage {
    async fn new(visitor: &Visitor, work: &mut Work, bike: &Motorcycle, mut form: Form) -> Result<Self> {
        let choices = Choices::of(work).await?;
        let applying = actions::for_motorcycle(work, bike).await?;
        let rows = rules::rows(work, &choices, &applying).await?;
        let mut usual = Vec::new();
        for (place, one) in open_usual(work, bike).await? {
            let field = format!("usual.{place}");
            let unit = format!("{field}.distance.unit");
            if form.value(&unit).is_empty() {
                form.set(&unit, bike.odometer_unit.to_string());
            }
            usual.push(UsualRow { title: title(&choices, &one), field });
        }
        let bikes = motorcycle::list(work, &Wanted::default(), Stretch { after: None, limit: OFFERED }).await?;
        let others = bikes.into_iter().filter(|other| other.id != bike.id).map(|other| (other.id.to_string(), other.name)).collect();
        let frame = visitor.frame(work, Nav::Motorcycles).below().with_caution();
        Ok(Self { frame, id: bike.id, name: bike.name.clone(), rows, usual, others, choices, form })
    }
}

/// `GET /motorcycles/{id}/rules`
pub(super) async fn show(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<Motorcycle>,
) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    Ok(Page(OwnRulesPage::new(&visitor, &mut work, &bike, Form::showing([])).await?).into_response())
}

/// `POST /motorcycles/{id}/rules`: the usual operations that were ticked, with the figures from the motorcycle's manual.
pub(super) async fn add(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<Motorcycle>,
    mut form: Form,
) -> Result<Response, Fault> {
    let mut work = visitor.write(&app, &mut form).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let choices = Choices::of(&mut work).await?;
    let (mut picks, mut fields) = (Vec::new(), Vec::new());
    for (place, usual) in open_usual(&mut work, &bike).await? {
        let field = format!("usual.{place}");
        if form.is(&field, "yes") {
            picks.push(pick(&mut form, &field, title(&choices, &usual), &usual));
            fields.push(field);
        }
    }
    if picks.is_empty() {
        form.complain("", "Tick what comes due on it, and give the figures from its manual.");
    }
    let count = picks.len();
    let added = match form.ready(Some(picks)) {
        Ok(picks) => actions::add_usual(&mut work, bike.id, picks).await,
        Err(error) => Err(error),
    };
    match added {
        Ok(_) => {
            let said = if count == 1 { "One rule is written down.".to_owned() } else { format!("{count} rules are written down.") };
            Done::new(links::motorcycle(id), said).after(work).await
        }
        Err(error) => {
            form.refused(beside_their_fields(error, &fields))?;
            Ok(Page(OwnRulesPage::new(&visitor, &mut work, &bike, form).await?).with_status(422))
        }
    }
}

/// The pointers of what was picked begin with its place among the picks; the fields with the place in the whole list.
fn beside_their_fields(error: Error, fields: &[String]) -> Error {
    let Error::Invalid(mut problems) = error else { return error };
    for problem in &mut problems {
        let place = problem.pointer.trim_start_matches('/').split('/').next().and_then(|place| place.parse::<usize>().ok());
        if let Some(field) = place.and_then(|place| fields.get(place)) {
            problem.pointer = format!("/{}", field.replace('.', "/"));
        }
    }
    Error::Invalid(problems)
}

fn pick(form: &mut Form, field: &str, name: String, usual: &Usual) -> NewIntervalRule {
    let every = Limbs {
        distance: standards::quantity(form, &format!("{field}.distance")),
        hours: None,
        months: form.whole(&format!("{field}.months")),
    };
    if every == Limbs::default() && !form.has_problems() {
        form.complain(field, format!("{name}: give a distance or months from its manual."));
    }
    NewIntervalRule {
        name,
        component: usual.component.into(),
        position: usual.position,
        operation: usual.operation,
        first: None,
        every: Some(every),
        whichever: Whichever::First,
        counts_from: CountsFrom::LastDone,
        window: None,
        scope: Scope::Motorcycle,
        lead: Margin::default(),
        grace: Margin::default(),
        satisfied_by: Vec::new(),
        applies_to: AppliesTo::default(),
        source: form.value("source").to_owned(),
    }
}

/// `POST /motorcycles/{id}/rules/copy`
pub(super) async fn copy(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<Motorcycle>,
    mut form: Form,
) -> Result<Response, Fault> {
    let from: Option<Id<Motorcycle>> = form.chosen("from");
    let mut work = visitor.write(&app, &mut form).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let Some(from) = from else {
        form.complain("from", "Choose the motorcycle to copy from.");
        return Ok(Page(OwnRulesPage::new(&visitor, &mut work, &bike, form).await?).with_status(422));
    };
    let name = motorcycle::get(&mut work, from).await?.name;
    actions::copy_rules(&mut work, from, id).await?;
    let said = format!("What was written for {name} alone now holds for {} too: rules, limits and fasteners.", bike.name);
    Done::new(format!("{}/rules", links::motorcycle(id)), said).after(work).await
}
