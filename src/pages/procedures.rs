//! `/procedures`, `/procedures/new`, `/procedures/{id}`, `/procedures/{id}/edit`
//!
//! Steps are typed one on each line. [`rows`](steps::rows) makes a row of each, where a fastener, a limit and a caution can be attached.
mod steps;

use std::sync::Arc;

use askama::Template;
use axum::{
    Router,
    extract::State,
    response::{IntoResponse, Response},
    routing::{get, post},
};

use self::steps::{Attachable, StepRow};
use super::{
    answer::{Done, Page},
    fasteners,
    fault::Fault,
    form::{Asked, Form},
    frame::{Frame, Nav},
    guard::{Manager, Mechanic, PathId, Visitor},
    limits, links, paging,
    standards::{self, Choices, Options, Row},
    words,
};
use crate::{
    actions::{App, Work, component, fastener, limit, procedure as actions},
    domain::{
        calendar,
        component::Component,
        id::Id,
        job_sheet::SheetStep,
        limit::share_a_bike,
        procedure::{NewProcedure, Procedure, ProcedureStep, ProcedureVersion, StepLimit},
        rule::AppliesToBike,
        words::Operation,
    },
    error::{Error, Result},
    store::Stretch,
};

const SIZE: i64 = 100;

/// The pages of procedures.
pub(super) fn routes() -> Router<Arc<App>> {
    Router::new()
        .route("/procedures", get(list))
        .route("/procedures/new", get(new).post(add))
        .route("/procedures/{id}", get(show))
        .route("/procedures/{id}/edit", get(edit).post(change))
        .route("/procedures/{id}/delete", post(delete))
}

#[derive(Template)]
#[template(path = "procedures.html", whitespace = "minimize")]
struct ListPage {
    frame: Frame,
    rows: Vec<Row>,
    next: Option<String>,
}

#[derive(Template)]
#[template(path = "procedure.html", whitespace = "minimize")]
struct ShowPage {
    frame: Frame,
    id: Id<Procedure>,
    title: String,
    about: String,
    begins: String,
    source: String,
    steps: Vec<Step>,
    cautions: Vec<String>,
    versions: Vec<Version>,
    /// Where a newer version holds, or none.
    old: Option<&'static str>,
}
struct Step {
    text: String,
    /// What it is tightened to, and what is measured, for each kind of motorcycle.
    figures: Vec<String>,
    caution: Option<String>,
}
struct Version {
    href: String,
    name: String,
    about: String,
    here: bool,
}

#[derive(Template)]
#[template(path = "procedure_form.html", whitespace = "minimize")]
struct FormPage {
    frame: Frame,
    title: String,
    action: String,
    delete: Option<String>,
    form: Form,
    choices: Choices,
    operations: Options,
    steps: Vec<StepRow>,
    attachable: Attachable,
    only: Option<String>,
}
impl FormPage {
    async fn new(visitor: &Visitor, work: &mut Work, form: Form, procedure: Option<&Procedure>) -> Result<Self> {
        let choices = Choices::of(work).await?;
        Ok(Self {
            frame: visitor.frame(work, Nav::Rules).below().with_caution(),
            title: procedure.map_or_else(|| "Write a procedure".into(), |procedure| format!("Change {}", procedure.title)),
            action: procedure.map_or_else(|| "/procedures/new".into(), |procedure| format!("/procedures/{}/edit", procedure.id)),
            delete: procedure.map(|procedure| format!("/procedures/{}/delete", procedure.id)),
            operations: standards::words(Operation::ALL),
            steps: steps::rows(&form),
            attachable: Attachable::of(work, &form, &choices.known).await?,
            only: standards::only_for(work, &form).await?,
            choices,
            form,
        })
    }
}

/// `GET /procedures`
async fn list(State(app): State<Arc<App>>, Mechanic(visitor): Mechanic, Asked(asked): Asked) -> Result<Response, Fault> {
    let stretch: Stretch<Id<Procedure>> = paging::stretch(&asked, SIZE)?;
    let mut work = app.read(&visitor.caller).await?;
    let mut all = actions::list(&mut work, None, None, stretch).await?;
    let next = paging::cut(&mut all, SIZE, |one| one.id).map(|next| links::with_query("/procedures", [("after", next.as_str())]));
    let choices = Choices::of(&mut work).await?;
    let mut rows = Vec::new();
    for one in &all {
        let meant = standards::meant_for(&mut work, &one.applies_to).await?.words();
        let place = words::component(&choices.known, &one.component, one.position);
        let about = [format!("{place}: {}", one.operation), one.applies_when.clone(), meant];
        let steps = if one.steps.len() == 1 { "1 step".to_owned() } else { format!("{} steps", one.steps.len()) };
        rows.push(Row {
            href: format!("/procedures/{}", one.id),
            name: one.title.clone(),
            about: about.into_iter().filter(|text| !text.is_empty()).collect::<Vec<_>>().join(" · "),
            figures: format!("{steps}, version {}", one.version),
        });
    }
    Ok(Page(ListPage { frame: visitor.frame(&work, Nav::Rules).below().with_caution(), rows, next }).into_response())
}

/// `GET /procedures/{id}`; `?version=` shows an earlier one.
async fn show(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<Procedure>,
    Asked(asked): Asked,
) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let newest = match actions::get(&mut work, id).await {
        Err(Error::NotFound(_)) if asked.has("version") => None,
        found => Some(found?),
    };
    let number = match asked.optional("version") {
        Some(text) => text.parse().map_err(|_| Error::NotFound("page"))?,
        None => newest.as_ref().map_or(1, |newest| newest.version),
    };
    let version = actions::version(&mut work, id, number).await?;
    let old = match &newest {
        None => Some("This procedure was withdrawn: it is offered no more, and stays readable."),
        Some(newest) if newest.version != version.version => Some("A newer version holds; this one stays as it was written."),
        Some(_) => None,
    };
    Ok(Page(show_page(&visitor, &mut work, &version, old).await?).into_response())
}

async fn show_page(visitor: &Visitor, work: &mut Work, version: &ProcedureVersion, old: Option<&'static str>) -> Result<ShowPage> {
    let known = component::all(work).await?;
    let place = words::component(&known, &version.component, version.position);
    let meant = standards::meant_for(work, &version.applies_to).await?.words();
    let mut steps = Vec::new();
    for step in &version.steps {
        steps.push(Step {
            text: step.text.clone(),
            figures: figures(work, step, &version.applies_to, &known).await?,
            caution: step.caution.clone(),
        });
    }
    let all = actions::versions(work, version.procedure_id, Stretch::ALL).await?;
    let versions = all.iter().rev().map(|one| Version {
        href: format!("/procedures/{}?version={}", version.procedure_id, one.version),
        name: format!("Version {}", one.version),
        about: format!("{}, {}", calendar::words(one.created_at.date()), one.written_by),
        here: one.version == version.version,
    });
    Ok(ShowPage {
        frame: visitor.frame(work, Nav::Rules).below().with_caution(),
        id: version.procedure_id,
        title: version.title.clone(),
        about: format!("{place}: {} · {meant} · version {}", version.operation, version.version),
        begins: version.applies_when.clone(),
        source: version.source.clone(),
        steps,
        cautions: version.details().cautions(),
        versions: versions.collect(),
        old,
    })
}

/// Every fastener of the key and every limit for what is measured that a motorcycle of the procedure can have, each with those that it is for.
async fn figures(work: &mut Work, step: &ProcedureStep, applies_to: &AppliesToBike, known: &[Component]) -> Result<Vec<String>> {
    let mut figures = Vec::new();
    if let Some(key) = &step.fastener {
        let wanted = fastener::Wanted { key: Some(key.clone()), ..fastener::Wanted::default() };
        let mut all = fastener::list(work, &wanted, Stretch { after: None, limit: 200 }).await?;
        all.retain(|one| share_a_bike(&one.applies_to, applies_to));
        for one in &all {
            let meant = standards::meant_for(work, &one.applies_to).await?.words();
            figures.push(format!("{}: {} ({meant})", one.name, fasteners::figures(one)));
        }
        if all.is_empty() {
            figures.push(format!("{}: no torque on record", key.replace('_', " ")));
        }
    }
    if let Some(measured) = &step.limit {
        let wanted =
            limit::Wanted { component: Some(measured.component.clone()), quantity: Some(measured.quantity), ..limit::Wanted::default() };
        let mut all = limit::list(work, &wanted, Stretch { after: None, limit: 200 }).await?;
        all.retain(|one| share_a_bike(&one.applies_to, applies_to));
        all.retain(|one| one.position.is_none() || measured.position.is_none() || one.position == measured.position);
        for one in &all {
            let meant = standards::meant_for(work, &one.applies_to).await?.words();
            let about: Vec<_> = [one.kind.to_string(), meant].into_iter().chain(limits::ages(one)).collect();
            figures.push(format!("{}: {} ({})", measured_words(measured, known), limits::figures(one), about.join(", ")));
        }
        if all.is_empty() {
            figures.push(format!("{}: no limit on record", measured_words(measured, known)));
        }
    }
    Ok(figures)
}
/// What a step takes on the motorcycle at hand: its torque, its limits, its caution.
pub(super) fn hints(step: &SheetStep, known: &[Component]) -> Vec<String> {
    let mut hints: Vec<String> = step.caution.iter().map(|caution| format!("Mind: {caution}")).collect();
    if let Some(key) = &step.fastener_key {
        hints.push(match &step.fastener {
            Some(fastener) if fastener.stages.is_empty() => fastener.name.clone(),
            Some(fastener) => format!("{}: {}", fastener.name, fasteners::figures(fastener)),
            None => format!("{}: no torque on record for this motorcycle", words::capital(&key.replace('_', " "))),
        });
    }
    if let Some(measured) = &step.measured {
        hints.extend(step.limits.iter().map(|limit| {
            let what = measured_words(&StepLimit { position: limit.position, ..measured.clone() }, known);
            let part = if limit.new_part { ", for the new part" } else { "" };
            format!("{what}: {} ({}{part})", limits::figures(&limit.limit), limit.limit.kind)
        }));
        if step.limits.is_empty() {
            let what = measured_words(measured, known);
            hints.push(format!("{what}: no limit on record for this motorcycle"));
        }
    }
    hints
}
/// `Drive belt: deflection`
pub(super) fn measured_words(measured: &StepLimit, known: &[Component]) -> String {
    format!("{}: {}", words::component(known, &measured.component, measured.position), measured.quantity.as_str().replace('_', " "))
}

/// `GET /procedures/new`
async fn new(State(app): State<Arc<App>>, Manager(visitor): Manager, Asked(asked): Asked) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let mut form = Form::showing([("operation", "fit".into()), ("more_steps", String::new())]);
    form.set("applies_to.motorcycle_id", asked.value("motorcycle"));
    Ok(Page(FormPage::new(&visitor, &mut work, form, None).await?).into_response())
}

/// `POST /procedures/new`
async fn add(State(app): State<Arc<App>>, Manager(visitor): Manager, mut form: Form) -> Result<Response, Fault> {
    let only_rows = form.is("add", "rows");
    let new = read(&mut form, !only_rows);
    if only_rows {
        let mut work = app.read(&visitor.caller).await?;
        return Ok(Page(FormPage::new(&visitor, &mut work, form, None).await?).into_response());
    }
    let mut work = visitor.write(&app, &mut form).await?;
    let added = match form.ready(new) {
        Ok(new) => actions::add(&mut work, new).await,
        Err(error) => Err(error),
    };
    match added {
        Ok(made) => Done::new(format!("/procedures/{}", made.id), format!("{} is written down.", made.title)).after(work).await,
        Err(error) => {
            form.refused(error)?;
            Ok(Page(FormPage::new(&visitor, &mut work, form, None).await?).with_status(422))
        }
    }
}

/// `GET /procedures/{id}/edit`
async fn edit(State(app): State<Arc<App>>, Manager(visitor): Manager, PathId(id): PathId<Procedure>) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let procedure = actions::get(&mut work, id).await?;
    let mut form = standards::fields(&NewProcedure { steps: Vec::new(), ..procedure.details() })?;
    steps::show(&mut form, &procedure.steps);
    form.set_seen(&procedure)?;
    Ok(Page(FormPage::new(&visitor, &mut work, form, Some(&procedure)).await?).into_response())
}

/// `POST /procedures/{id}/edit`
async fn change(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<Procedure>,
    mut form: Form,
) -> Result<Response, Fault> {
    let only_rows = form.is("add", "rows");
    let new = read(&mut form, !only_rows);
    if only_rows {
        let mut work = app.read(&visitor.caller).await?;
        let old = actions::get(&mut work, id).await?;
        return Ok(Page(FormPage::new(&visitor, &mut work, form, Some(&old)).await?).into_response());
    }
    let mut work = visitor.write(&app, &mut form).await?;
    let old = actions::get(&mut work, id).await?;
    form.check_seen(&old)?;
    let changed = match form.ready(new) {
        Ok(new) => actions::change(&mut work, old.clone(), new).await,
        Err(error) => Err(error),
    };
    match changed {
        Ok(now) => {
            let said = if now.version == old.version {
                "Nothing was different, so there is no new version.".to_owned()
            } else {
                format!("This is version {} now. The earlier ones stay readable below.", now.version)
            };
            Done::new(format!("/procedures/{}", now.id), said).after(work).await
        }
        Err(error) => {
            form.refused(error)?;
            Ok(Page(FormPage::new(&visitor, &mut work, form, Some(&old)).await?).with_status(422))
        }
    }
}

/// `POST /procedures/{id}/delete`
async fn delete(State(app): State<Arc<App>>, Manager(visitor): Manager, PathId(id): PathId<Procedure>) -> Result<Response, Fault> {
    let mut work = app.write(&visitor.caller, None).await?;
    let procedure = actions::get(&mut work, id).await?;
    actions::withdraw(&mut work, &procedure).await?;
    let said = format!("{} is taken out. What followed it keeps its steps.", procedure.title);
    Done::new("/procedures", said).after(work).await
}

/// The procedure that was typed. Its steps stand in the form as rows afterwards; `whole`: what is missing is said.
fn read(form: &mut Form, whole: bool) -> Option<NewProcedure> {
    let steps = steps::read(form);
    if !whole {
        return None;
    }
    let title = form.must("title", "Say what people call it.");
    let component = form.must("component", "Choose the component that is worked on.");
    if steps.is_empty() {
        form.complain("more_steps", "Write at least one step, each on a line of its own.");
    }
    Some(NewProcedure {
        position: form.chosen("position"),
        operation: form.chosen("operation").unwrap_or(Operation::Fit),
        applies_when: form.value("applies_when").to_owned(),
        steps,
        applies_to: standards::applies_to(form),
        source: form.value("source").to_owned(),
        title: title?,
        component: component?,
    })
}
