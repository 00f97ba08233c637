//! `/fasteners`, `/fasteners/new`, `/fasteners/{id}/edit`
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
    links,
    order_drawing::OrderDrawing,
    paging,
    standards::{self, Choices, Options, Row},
};
use crate::{
    actions::{App, Work, fastener as actions},
    domain::{
        fastener::{Fastener, NewFastener, Stage},
        id::Id,
        quantity::Unit,
        verdict::range_in_words,
        words::{Pattern, Thread},
    },
    error::Result,
    store::Stretch,
};

const SIZE: i64 = 100;
/// As many stages as the form has rows for.
const STAGES: usize = 4;

#[derive(Template)]
#[template(path = "fasteners.html", whitespace = "minimize")]
struct FastenersPage {
    frame: Frame,
    rows: Vec<Row>,
    next: Option<String>,
}

#[derive(Template)]
#[template(path = "fastener_form.html", whitespace = "minimize")]
struct FastenerPage {
    frame: Frame,
    title: String,
    action: String,
    delete: Option<String>,
    form: Form,
    choices: Choices,
    /// The names of the stages' fields.
    stages: Vec<String>,
    torques: Options,
    threads: Options,
    patterns: Options,
    only: Option<String>,
    /// The order in which they are tightened, as it is stored.
    order: Option<OrderDrawing>,
}
impl FastenerPage {
    async fn new(visitor: &Visitor, work: &mut Work, form: Form, fastener: Option<&Fastener>) -> Result<Self> {
        let or_none = |words: Options| std::iter::once((String::new(), "not said".to_owned())).chain(words).collect();
        Ok(Self {
            frame: visitor.frame(work, Nav::Rules).below().with_caution(),
            title: fastener.map_or_else(|| "Write a fastener".into(), |fastener| format!("Change {}", fastener.name)),
            action: fastener.map_or_else(|| "/fasteners/new".into(), |fastener| format!("/fasteners/{}/edit", fastener.id)),
            delete: fastener.map(|fastener| format!("/fasteners/{}/delete", fastener.id)),
            choices: Choices::of(work).await?,
            stages: (0..STAGES.max(fastener.map_or(0, |fastener| fastener.stages.len()))).map(|place| format!("stages.{place}")).collect(),
            torques: standards::words(&[Unit::Nm, Unit::FtLb, Unit::InLb, Unit::KgfM, Unit::Deg]),
            threads: or_none(standards::words(Thread::ALL)),
            patterns: or_none(standards::words(Pattern::ALL)),
            only: standards::only_for(work, &form).await?,
            form,
            order: fastener.and_then(OrderDrawing::of),
        })
    }
}

/// The torque of each stage in words.
pub(super) fn figures(fastener: &Fastener) -> String {
    let stages: Vec<_> =
        fastener.stages.iter().map(|stage| range_in_words(stage.lower.as_ref(), stage.upper.as_ref(), stage.unit)).collect();
    stages.join(", then ")
}

/// `GET /fasteners`
pub(super) async fn list(State(app): State<Arc<App>>, Mechanic(visitor): Mechanic, Asked(asked): Asked) -> Result<Response, Fault> {
    let stretch: Stretch<Id<Fastener>> = paging::stretch(&asked, SIZE)?;
    let mut work = app.read(&visitor.caller).await?;
    let mut fasteners = actions::list(&mut work, &actions::Wanted::default(), stretch).await?;
    let next = paging::cut(&mut fasteners, SIZE, |one| one.id).map(|next| links::with_query("/fasteners", [("after", next.as_str())]));
    let mut rows = Vec::new();
    for fastener in &fasteners {
        let meant = standards::meant_for(&mut work, &fastener.applies_to).await?;
        let thread = fastener.thread.map(|thread| thread.to_string().replace('_', " "));
        let once = fastener.single_use.then(|| "to be used once only".to_owned());
        let order = OrderDrawing::of(fastener).map(|drawing| drawing.words.trim_end_matches('.').to_owned());
        let about: Vec<_> = [Some(meant.words()), thread, once, order].into_iter().flatten().collect();
        rows.push(Row {
            href: format!("/fasteners/{}/edit", fastener.id),
            name: fastener.name.clone(),
            about: about.join(" · "),
            figures: figures(fastener),
        });
    }
    Ok(Page(FastenersPage { frame: visitor.frame(&work, Nav::Rules).below().with_caution(), rows, next }).into_response())
}

/// `GET /fasteners/new`
pub(super) async fn new(State(app): State<Arc<App>>, Manager(visitor): Manager, Asked(asked): Asked) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let mut form = Form::showing([("count", "1".into()), ("recheck_after.unit", work.workshop.default_unit.to_string())]);
    form.set("applies_to.motorcycle_id", asked.value("motorcycle"));
    Ok(Page(FastenerPage::new(&visitor, &mut work, form, None).await?).into_response())
}

/// `POST /fasteners/new`
pub(super) async fn add(State(app): State<Arc<App>>, Manager(visitor): Manager, mut form: Form) -> Result<Response, Fault> {
    let new = read(&mut form);
    let mut work = visitor.write(&app, &mut form).await?;
    let added = match form.ready(new) {
        Ok(new) => actions::add(&mut work, new).await,
        Err(error) => Err(error),
    };
    match added {
        Ok(fastener) => Done::new("/fasteners", format!("{} is written down.", fastener.name)).after(work).await,
        Err(error) => {
            form.refused(error)?;
            Ok(Page(FastenerPage::new(&visitor, &mut work, form, None).await?).with_status(422))
        }
    }
}

/// `GET /fasteners/{id}/edit`
pub(super) async fn edit(State(app): State<Arc<App>>, Manager(visitor): Manager, PathId(id): PathId<Fastener>) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let fastener = actions::get(&mut work, id).await?;
    let mut form = standards::fields(&fastener.details())?;
    form.set_seen(&fastener)?;
    Ok(Page(FastenerPage::new(&visitor, &mut work, form, Some(&fastener)).await?).into_response())
}

/// `POST /fasteners/{id}/edit`
pub(super) async fn change(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<Fastener>,
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
        Ok(fastener) => Done::new("/fasteners", format!("{} is changed.", fastener.name)).after(work).await,
        Err(error) => {
            form.refused(error)?;
            Ok(Page(FastenerPage::new(&visitor, &mut work, form, Some(&old)).await?).with_status(422))
        }
    }
}

/// `POST /fasteners/{id}/delete`
pub(super) async fn delete(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<Fastener>,
) -> Result<Response, Fault> {
    let mut work = app.write(&visitor.caller, None).await?;
    let fastener = actions::get(&mut work, id).await?;
    actions::delete(&mut work, &fastener).await?;
    Done::new("/fasteners", format!("{} is taken out. What was tightened by it keeps its verdicts.", fastener.name)).after(work).await
}

/// The fastener that was typed; stages left empty are none.
fn read(form: &mut Form) -> Option<NewFastener> {
    let component = form.must("component", "Choose the component that it holds.");
    let key = form.must("key", "Give it a short key, such as rear_axle_nut: work that is written up names it by this.");
    let mut stages = Vec::new();
    for place in 0..20 {
        let (lower, upper) = (form.figure(&format!("stages.{place}.lower")), form.figure(&format!("stages.{place}.upper")));
        if lower.is_some() || upper.is_some() {
            stages.push(Stage { lower, upper, unit: form.chosen(&format!("stages.{place}.unit")).unwrap_or(Unit::Nm) });
        }
    }
    Some(NewFastener {
        name: form.value("name").to_owned(),
        position: form.chosen("position"),
        count: form.whole("count").unwrap_or(1),
        pattern: form.chosen("pattern"),
        stages,
        thread: form.chosen("thread"),
        single_use: form.is("single_use", "yes"),
        recheck_after: standards::quantity(form, "recheck_after"),
        applies_to: standards::applies_to(form),
        source: form.value("source").to_owned(),
        key: key?,
        component: component?,
    })
}
