//! `/rules`, `/rules/new`, `/rules/{id}/edit`
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};

use super::{
    answer::{Done, Page},
    fault::Fault,
    form::{Asked, Form},
    frame::{Frame, Nav},
    guard::{Manager, Mechanic, PathId, Visitor},
    links, paging,
    standards::{self, Choices, Options, Row},
    words,
};
use crate::{
    actions::{App, Work, rule as actions},
    domain::{
        id::Id,
        rule::{AppliesTo, AppliesToBike, IntervalRule, Limbs, NewIntervalRule},
        words::{CountsFrom, Operation, Scope, Whichever},
    },
    error::Result,
    store::Stretch,
};

const SIZE: i64 = 100;

#[derive(Template)]
#[template(path = "rules.html", whitespace = "minimize")]
struct RulesPage {
    frame: Frame,
    rows: Vec<Row>,
    next: Option<String>,
}
#[derive(Template)]
#[template(path = "rule_form.html", whitespace = "minimize")]
struct RulePage {
    frame: Frame,
    title: String,
    action: String,
    delete: Option<String>,
    form: Form,
    choices: Choices,
    operations: Options,
    only: Option<String>,
    whichever: Options,
    counts_from: Options,
    scopes: Options,
}
impl RulePage {
    async fn new(visitor: &Visitor, work: &mut Work, form: Form, rule: Option<&IntervalRule>) -> Result<Self> {
        let pair = |value: &str, words: &str| (value.to_owned(), words.to_owned());
        Ok(Self {
            frame: visitor.frame(work, Nav::Rules).below().with_caution(),
            title: rule.map_or_else(|| "Write a rule".into(), |rule| format!("Change {}", rule.name)),
            action: rule.map_or_else(|| "/rules/new".into(), |rule| format!("/rules/{}/edit", rule.id)),
            delete: rule.map(|rule| format!("/rules/{}/delete", rule.id)),
            choices: Choices::of(work).await?,
            operations: standards::words(Operation::ALL),
            only: standards::only_for(work, &form).await?,
            whichever: vec![pair("first", "whichever comes first"), pair("last", "whichever comes last")],
            counts_from: vec![
                pair("last_done", "from when it was last done"),
                pair("schedule", "on a fixed grid, as a periodic table is printed"),
            ],
            scopes: vec![pair("motorcycle", "the motorcycle"), pair("part", "each part of this component, by its own distance and age")],
            form,
        })
    }
}

/// An interval in words: `5,000 mi or 12 months`.
pub(super) fn interval(limbs: &Limbs) -> String {
    let months = |months: u32| if months == 1 { "1 month".to_owned() } else { format!("{months} months") };
    let all = [
        limbs.distance.as_ref().map(words::quantity),
        limbs.hours.as_ref().map(|hours| format!("{} h", words::figure(hours))),
        limbs.months.map(months),
    ];
    all.into_iter().flatten().collect::<Vec<_>>().join(" or ")
}
/// A rule's figures in words.
pub(super) fn figures(rule: &NewIntervalRule) -> String {
    match (&rule.first, &rule.every) {
        (Some(first), Some(every)) => format!("first at {}, then every {}", interval(first), interval(every)),
        (None, Some(every)) => format!("every {}", interval(every)),
        (Some(first), None) => format!("once at {}", interval(first)),
        (None, None) => String::new(),
    }
}
/// The rows of a list of rules.
pub(super) async fn rows(work: &mut Work, choices: &Choices, rules: &[IntervalRule]) -> Result<Vec<Row>> {
    let mut rows = Vec::new();
    for rule in rules {
        let AppliesTo { motorcycle_id, make, model, years, final_drive, component_fitted } = rule.applies_to.clone();
        let meant = standards::meant_for(work, &AppliesToBike { motorcycle_id, make, model, years }).await?;
        let drive = final_drive.map(|drive| format!("{drive} drive"));
        let fitted = component_fitted.map(|key| format!("with {}", words::component(&choices.known, &key, None).to_lowercase()));
        let place = words::component(&choices.known, &rule.component, rule.position);
        let about: Vec<_> =
            [Some(format!("{place}, {}", rule.operation)), Some(meant.words()), drive, fitted].into_iter().flatten().collect();
        rows.push(Row {
            href: format!("/rules/{}/edit", rule.id),
            name: rule.name.clone(),
            about: about.join(" · "),
            figures: figures(&rule.details()),
        });
    }
    Ok(rows)
}

/// `GET /rules`
pub(super) async fn list(State(app): State<Arc<App>>, Mechanic(visitor): Mechanic, Asked(asked): Asked) -> Result<Response, Fault> {
    let stretch: Stretch<Id<IntervalRule>> = paging::stretch(&asked, SIZE)?;
    let mut work = app.read(&visitor.caller).await?;
    let mut rules = actions::list(&mut work, None, None, stretch).await?;
    let next = paging::cut(&mut rules, SIZE, |rule| rule.id).map(|next| links::with_query("/rules", [("after", next.as_str())]));
    let choices = Choices::of(&mut work).await?;
    let rows = rows(&mut work, &choices, &rules).await?;
    Ok(Page(RulesPage { frame: visitor.frame(&work, Nav::Rules).with_caution(), rows, next }).into_response())
}

/// `GET /rules/new`; `?motorcycle=` for one motorcycle alone.
pub(super) async fn new(State(app): State<Arc<App>>, Manager(visitor): Manager, Asked(asked): Asked) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let unit = work.workshop.default_unit.to_string();
    let mut form = Form::showing(
        ["first", "every", "lead", "grace"].map(|limb| format!("{limb}.distance.unit")).iter().map(|name| (name.as_str(), unit.clone())),
    );
    for name in ["component", "position", "operation"] {
        form.set(name, asked.value(name));
    }
    form.set("applies_to.motorcycle_id", asked.value("motorcycle"));
    Ok(Page(RulePage::new(&visitor, &mut work, form, None).await?).into_response())
}

/// `POST /rules/new`
pub(super) async fn add(State(app): State<Arc<App>>, Manager(visitor): Manager, mut form: Form) -> Result<Response, Fault> {
    let new = read(&mut form);
    let mut work = visitor.write(&app, &mut form).await?;
    let added = match form.ready(new) {
        Ok(new) => actions::add(&mut work, new).await,
        Err(error) => Err(error),
    };
    match added {
        Ok(rule) => Done::new(after(&rule), format!("{} is written down.", rule.name)).after(work).await,
        Err(error) => {
            form.refused(error)?;
            Ok(Page(RulePage::new(&visitor, &mut work, form, None).await?).with_status(422))
        }
    }
}
/// Where a rule is listed: with its motorcycle, or with all.
fn after(rule: &IntervalRule) -> String {
    rule.applies_to.motorcycle_id.map_or_else(|| "/rules".into(), |id| format!("{}/rules", links::motorcycle(id)))
}

/// `GET /rules/{id}/edit`
pub(super) async fn edit(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<IntervalRule>,
) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let rule = actions::get(&mut work, id).await?;
    let mut form = standards::fields(&rule.details())?;
    form.set_seen(&rule)?;
    Ok(Page(RulePage::new(&visitor, &mut work, form, Some(&rule)).await?).into_response())
}

/// `POST /rules/{id}/edit`
pub(super) async fn change(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<IntervalRule>,
    mut form: Form,
) -> Result<Response, Fault> {
    let new = read(&mut form);
    let mut work = visitor.write(&app, &mut form).await?;
    let old = actions::get(&mut work, id).await?;
    form.check_seen(&old)?;
    let changed = match form.ready(new) {
        Ok(new) => actions::change(&mut work, old.clone(), new).await,
        Err(error) => Err(error),
    };
    match changed {
        Ok(rule) => Done::new(after(&rule), format!("{} is changed.", rule.name)).after(work).await,
        Err(error) => {
            form.refused(error)?;
            Ok(Page(RulePage::new(&visitor, &mut work, form, Some(&old)).await?).with_status(422))
        }
    }
}

/// `POST /rules/{id}/delete`
pub(super) async fn delete(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<IntervalRule>,
) -> Result<Response, Fault> {
    let mut work = app.write(&visitor.caller, None).await?;
    let rule = actions::get(&mut work, id).await?;
    actions::delete(&mut work, &rule).await?;
    Done::new(after(&rule), format!("{} is taken out; nothing comes due by it any more.", rule.name)).after(work).await
}

/// The rule that was typed.
fn read(form: &mut Form) -> Option<NewIntervalRule> {
    let component = form.must("component", "Choose the component.");
    let operation = form.chosen("operation");
    if operation.is_none() && form.value("operation").is_empty() {
        form.complain("operation", "Choose what is to be done.");
    }
    let AppliesToBike { motorcycle_id, make, model, years } = standards::applies_to(form);
    let satisfied_by = form.values("satisfied_by").filter_map(|word| word.parse().ok()).collect();
    Some(NewIntervalRule {
        name: form.value("name").to_owned(),
        position: form.chosen("position"),
        first: standards::limbs(form, "first"),
        every: standards::limbs(form, "every"),
        whichever: form.chosen("whichever").unwrap_or(Whichever::First),
        counts_from: form.chosen("counts_from").unwrap_or(CountsFrom::LastDone),
        window: form.figure("window"),
        scope: form.chosen("scope").unwrap_or(Scope::Motorcycle),
        lead: standards::margin(form, "lead"),
        grace: standards::margin(form, "grace"),
        satisfied_by,
        applies_to: AppliesTo {
            motorcycle_id,
            make,
            model,
            years,
            final_drive: form.chosen("applies_to.final_drive"),
            component_fitted: form.optional("applies_to.component_fitted"),
        },
        source: form.value("source").to_owned(),
        component: component?,
        operation: operation?,
    })
}
