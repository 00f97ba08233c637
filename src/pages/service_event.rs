//! `/service-events/{id}`: work that was written up, as a record: sign it off, amend it, change its texts, strike it out.
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};

use super::{
    answer::{Done, Page},
    fault::Fault,
    form::{Form, read_figure},
    frame::{Frame, Nav},
    guard::{Mechanic, PathId, Visitor},
    links,
    photos::{self, Photo},
    words,
};
use crate::{
    actions::{App, Work, component, follow_up, motorcycle, procedure, service as actions},
    domain::{
        calendar,
        component::Component,
        id::Id,
        quantity::grouped,
        service::{
            Cost, EventDetails, Fitted, FollowUp, Judged, MeasuredValue, NewAmendment, NewSignature, ServiceEvent, StageVerdict, Tightened,
        },
        verdict::range_in_words,
        words::{Condition, FollowUpStatus, LimitKind, Position, Reduce, SingleUse, Verdict},
    },
    error::{Error, Result},
};

/// What is stated unless something else is typed.
const STATEMENT: &str = "The work above was done as written.";

#[derive(Template)]
#[template(path = "service_event.html", whitespace = "minimize")]
struct EventPage {
    frame: Frame,
    id: Id<ServiceEvent>,
    motorcycle: String,
    name: String,
    title: String,
    about: String,
    struck: Option<String>,
    notes: String,
    internal_notes: String,
    may_change: bool,
    work: Vec<Line>,
    parts: Vec<PartLine>,
    values: Vec<ValueLine>,
    tightened: Vec<TightenedLine>,
    filled: Vec<Line>,
    procedures: Vec<FollowedLine>,
    as_found: Vec<Line>,
    left: Vec<Line>,
    settled: Vec<String>,
    signature: Option<String>,
    amendments: Vec<Line>,
    /// Photographs and papers of the whole.
    photos: Vec<Photo>,
    /// Every one, to be taken out.
    all_photos: Vec<(String, String)>,
    /// What a photograph may show.
    lines: Vec<(String, String)>,
    form: Form,
}
struct Line {
    what: String,
    more: String,
    photos: Vec<Photo>,
}
impl Line {
    fn new(what: String, more: String) -> Self {
        Self { what, more, photos: Vec::new() }
    }
}
struct PartLine {
    href: String,
    what: String,
    how: &'static str,
    more: String,
    photos: Vec<Photo>,
}
struct ValueLine {
    what: String,
    readings: String,
    value: String,
    verdict: &'static str,
    judged: Vec<String>,
    because: Vec<String>,
    photos: Vec<Photo>,
}
struct TightenedLine {
    name: String,
    stages: Vec<StageLine>,
    more: String,
    photos: Vec<Photo>,
}
struct FollowedLine {
    title: String,
    /// The version that was followed, for whoever may read procedures.
    href: Option<String>,
    about: String,
    steps: Vec<StepLine>,
}
struct StepLine {
    text: String,
    done: bool,
    state: String,
}
struct StageLine {
    value: String,
    range: String,
    verdict: String,
}

/// Names of components as this page says them.
struct Names<'a>(&'a [Component]);
impl Names<'_> {
    fn of(&self, component: &str, position: Option<Position>) -> String {
        words::component(self.0, component, position)
    }
}

async fn page(visitor: &Visitor, work: &mut Work, event: &ServiceEvent, form: Form) -> Result<EventPage> {
    let bike = motorcycle::get(work, event.motorcycle_id).await?;
    let components = component::all(work).await?;
    let names = Names(&components);
    let mut settled = Vec::new();
    for id in &event.follow_ups_done {
        settled.push(follow_up::get(work, *id).await?.text);
    }
    let procedures = followed(visitor, work, event).await?;
    let mut photos = photos::of(work, &[event.id.uuid()]).await?;
    let all_photos = photos.iter().map(|photo| (photo.id.to_string(), photo.name.clone())).collect();
    Ok(EventPage {
        frame: visitor.frame(work, Nav::Motorcycles).below().with_caution(),
        id: event.id,
        motorcycle: links::motorcycle(bike.id),
        name: bike.name,
        title: if event.summary.is_empty() { "Work done".into() } else { event.summary.clone() },
        about: about(event),
        struck: event.struck_out.as_ref().map(|struck| struck.reason.clone()),
        notes: event.notes.clone(),
        internal_notes: event.internal_notes.clone(),
        may_change: actions::must_have_entered(work, event.id).await.is_ok(),
        work: event
            .work
            .iter()
            .map(|line| Line::new(format!("{}: {}", names.of(&line.component, line.position), line.operation), line.note.clone()))
            .enumerate()
            .map(|(place, line)| Line { photos: photos::take_line(&mut photos, &format!("/work/{place}")), ..line })
            .collect(),
        parts: parts(event, &names, &mut photos),
        values: event
            .measured
            .iter()
            .enumerate()
            .map(|(place, value)| value_line(value, &names, photos::take_line(&mut photos, &format!("/measured/{place}"))))
            .collect(),
        tightened: event
            .tightened
            .iter()
            .enumerate()
            .map(|(place, line)| tightened_line(line, photos::take_line(&mut photos, &format!("/tightened/{place}"))))
            .collect(),
        filled: event
            .filled
            .iter()
            .enumerate()
            .map(|(place, line)| Line {
                what: names.of(&line.component, line.position),
                more: joined([line.description.clone(), line.quantity.as_ref().map(words::quantity).unwrap_or_default()]),
                photos: photos::take_line(&mut photos, &format!("/filled/{place}")),
            })
            .collect(),
        procedures,
        as_found: event
            .as_found
            .iter()
            .enumerate()
            .map(|(place, line)| Line {
                what: names.of(&line.component, line.position),
                more: line.text.clone(),
                photos: photos::take_line(&mut photos, &format!("/as_found/{place}")),
            })
            .collect(),
        left: event
            .follow_ups
            .iter()
            .enumerate()
            .map(|(place, left)| Line {
                photos: photos::take_line(&mut photos, &format!("/follow_ups/{place}")),
                ..left_line(left, &names, event)
            })
            .collect(),
        settled,
        signature: event.signature.as_ref().map(|signature| {
            let statement = if signature.statement.is_empty() { String::new() } else { format!(" “{}”", signature.statement) };
            format!("Signed off by {} on {}.{statement}", signature.by, calendar::words(signature.at.date()))
        }),
        amendments: event
            .amendments
            .iter()
            .map(|added| Line::new(added.text.clone(), format!("{}, {}", added.by, calendar::words(added.at.date()))))
            .collect(),
        lines: lines(event, &names),
        // Those whose line was changed since stand with the whole.
        photos,
        all_photos,
        form,
    })
}

fn joined<const N: usize>(parts: [String; N]) -> String {
    parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(", ")
}
/// `3 May 2026 at 12,345 mi, by Ada Birch. 90 min of labor. Cost 84.50 EUR.`
fn about(event: &ServiceEvent) -> String {
    let unit = event.unit;
    let odometer = event.odometer.as_ref().map(|odometer| {
        if event.estimated {
            format!(" at about {} {unit}, worked out from the readings around it", grouped(odometer.value().round()))
        } else {
            format!(" at {} {unit}", words::figure(odometer))
        }
    });
    let hours = event.hours.as_ref().map(|hours| format!(", {} h on the hour meter", words::figure(hours)));
    let by = event.performed_by.as_ref().filter(|by| !by.is_empty()).map(|by| format!(", by {by}"));
    let labor = event.labor_minutes.map(|minutes| format!(" {minutes} min of labor."));
    let cost = event.cost.as_ref().map(|cost| format!(" Cost {} {}.", cost.amount, cost.currency));
    let parts = [Some(calendar::words(event.on)), odometer, hours, by, Some(".".into()), labor, cost];
    parts.into_iter().flatten().collect()
}

/// What a photograph may show: the pointers of the lines, with their words.
fn lines(event: &ServiceEvent, names: &Names) -> Vec<(String, String)> {
    let work = event.work.iter().map(|line| format!("{}: {}", names.of(&line.component, line.position), line.operation));
    let as_found = event.as_found.iter().map(|line| format!("{}, as found", names.of(&line.component, line.position)));
    let fitted = event.fitted.iter().map(|part| format!("{}, fitted", names.of(&part.component, part.position)));
    let removed = event.removed.iter().map(|part| format!("{}, removed", names.of(&part.component, part.position)));
    let measured = event.measured.iter().map(|value| format!("{}, measured", names.of(&value.component, value.position)));
    let tightened = event.tightened.iter().map(|line| format!("{}, tightened", line.name));
    let numbered = |list: &str, words: Vec<String>| {
        words.into_iter().enumerate().map(|(place, words)| (format!("/{list}/{place}"), words)).collect::<Vec<_>>()
    };
    [
        numbered("work", work.collect()),
        numbered("as_found", as_found.collect()),
        numbered("fitted", fitted.collect()),
        numbered("removed", removed.collect()),
        numbered("measured", measured.collect()),
        numbered("tightened", tightened.collect()),
    ]
    .concat()
}

fn parts(event: &ServiceEvent, names: &Names, photos: &mut Vec<Photo>) -> Vec<PartLine> {
    let fitted = event.fitted.iter().map(|part| PartLine {
        photos: Vec::new(),
        href: format!("/installed-parts/{}", part.installed_part_id),
        what: names.of(&part.component, part.position),
        how: "fitted",
        more: about_part(part, event),
    });
    let removed = event.removed.iter().map(|part| PartLine {
        photos: Vec::new(),
        href: format!("/installed-parts/{}", part.installed_part_id),
        what: names.of(&part.component, part.position),
        how: "removed",
        more: part.reason.clone().unwrap_or_default(),
    });
    let mut at = |list: &str, place: usize| photos::take_line(photos, &format!("/{list}/{place}"));
    let fitted: Vec<_> = fitted.enumerate().map(|(place, line)| PartLine { photos: at("fitted", place), ..line }).collect();
    let removed = removed.enumerate().map(|(place, line)| PartLine { photos: at("removed", place), ..line });
    fitted.into_iter().chain(removed).collect()
}
fn about_part(part: &Fitted, event: &ServiceEvent) -> String {
    let condition = match part.condition {
        Condition::New => String::new(),
        other => other.to_string(),
    };
    let ran = if part.prior_distance.value() > 0.0 {
        format!("ran {} {} before", words::figure(&part.prior_distance), event.unit)
    } else {
        String::new()
    };
    let once = if part.single_use { "to be used once only".to_owned() } else { String::new() };
    let made = part.date_code.as_deref().map(words::made_in).unwrap_or_default();
    joined([part.description.clone(), part.part_number.clone().unwrap_or_default(), condition, ran, made, once])
}

fn value_line(value: &MeasuredValue, names: &Names, photos: Vec<Photo>) -> ValueLine {
    let unit = value.unit;
    let readings: Vec<_> = value.readings.iter().map(words::figure).collect();
    let how = match value.reduce {
        Reduce::Min => "the least counts",
        Reduce::Max => "the most counts",
        Reduce::Mean => "their mean counts",
        Reduce::Range => "the most less the least counts",
        Reduce::Last => "the last counts",
    };
    let several = value.readings.len() > 1;
    let resolution = value.resolution.as_ref().map(|step| format!("; the gauge steps by {step} {unit}")).unwrap_or_default();
    let run = value.part_distance.as_ref().map(|run| format!("The part had run {}.", words::about(run)));
    ValueLine {
        what: names.of(&value.component, value.position),
        readings: if several { format!("Readings {} {unit}; {how}{resolution}.", readings.join(", ")) } else { String::new() },
        value: words::measured(value),
        verdict: words::verdict(value.verdict),
        judged: value.judged.iter().map(|one| judged(value, one)).collect(),
        because: value.because.iter().cloned().chain(run).collect(),
        photos,
    }
}
fn judged(value: &MeasuredValue, judged: &Judged) -> String {
    let kind = match judged.kind {
        LimitKind::Adjust => "Adjust limit",
        LimitKind::Wear => "Wear limit",
        LimitKind::Legal => "Legal limit",
    };
    let source = if judged.source.is_empty() { String::new() } else { format!(" ({})", judged.source) };
    let range = range_in_words(judged.lower.as_ref(), judged.upper.as_ref(), judged.unit);
    let guidance = value.conformity_to(judged).and_then(|question| question.guidance());
    let guidance = guidance.map(|likely| format!("; {likely}")).unwrap_or_default();
    format!("{kind}: {range}{source}: {}{guidance}.", words::verdict(judged.verdict))
}

fn tightened_line(line: &Tightened, photos: Vec<Photo>) -> TightenedLine {
    let single_use = match line.single_use_was {
        Some(SingleUse::Replaced) => "replaced by a new one".to_owned(),
        Some(SingleUse::Reused) => "used again".to_owned(),
        None => String::new(),
    };
    let mark = if line.witness_mark { "paint line drawn".to_owned() } else { String::new() };
    let thread = line.thread.map(|thread| format!("threads {}", words::thread(thread))).unwrap_or_default();
    let adapter =
        line.adapter.as_ref().map(|adapter| format!("with an adapter of {} on a wrench of {}", adapter.length, adapter.wrench_length));
    TightenedLine {
        name: line.name.clone(),
        stages: line.stages.iter().map(stage_line).collect(),
        more: words::capital(&joined([single_use, thread, adapter.unwrap_or_default(), mark])),
        photos,
    }
}
fn stage_line(stage: &StageVerdict) -> StageLine {
    let range = stage.unit.map(|unit| range_in_words(stage.lower.as_ref(), stage.upper.as_ref(), unit));
    let verdict = match stage.verdict {
        Verdict::NoLimit => stage.because.clone(),
        other => words::verdict(other).to_owned(),
    };
    let side = if stage.verdict == Verdict::Outside { stage.because.split(':').next().unwrap_or_default() } else { "" };
    let reached = stage.at_fastener.as_ref().map(|torque| format!(" ({torque} at the fastener)")).unwrap_or_default();
    StageLine {
        value: stage.value.as_ref().map(|value| format!("{value}{reached}")).unwrap_or_default(),
        range: range.unwrap_or_default(),
        verdict: joined([verdict, side.to_owned()]),
    }
}
/// What was followed, with what became of each step.
async fn followed(visitor: &Visitor, work: &mut Work, event: &ServiceEvent) -> Result<Vec<FollowedLine>> {
    let staff = visitor.frame(work, Nav::Motorcycles).is_staff();
    let mut lines = Vec::new();
    for one in &event.procedures {
        // One that came along from another workshop is not here.
        let here = staff && procedure::version(work, one.procedure_id, one.version).await.is_ok();
        let left = one.not_done().count();
        let about = match left {
            0 => format!("All {} steps done.", one.steps.len()),
            1 => format!("1 of {} steps was not done, or nobody said so.", one.steps.len()),
            left => format!("{left} of {} steps were not done, or nobody said so.", one.steps.len()),
        };
        let steps = one.steps.iter().map(|step| StepLine {
            text: step.text.clone(),
            done: step.done,
            state: match (step.done, &step.left_out_because) {
                (true, _) => "done".into(),
                (false, Some(why)) => format!("left out: {why}"),
                (false, None) => "not said to be done".into(),
            },
        });
        lines.push(FollowedLine {
            title: format!("{}, version {}", one.title, one.version),
            href: here.then(|| format!("/procedures/{}?version={}", one.procedure_id, one.version)),
            about,
            steps: steps.collect(),
        });
    }
    Ok(lines)
}
fn left_line(left: &FollowUp, names: &Names, event: &ServiceEvent) -> Line {
    let due_in = left.due_in.as_ref().map(|due_in| {
        let distance = due_in.distance.as_ref().map(|distance| format!("{} {}", words::figure(distance), event.unit));
        let months = due_in.months.map(|months| if months == 1 { "1 month".into() } else { format!("{months} months") });
        format!("in {}", [distance, months].into_iter().flatten().collect::<Vec<String>>().join(" or "))
    });
    let when = due_in.unwrap_or_else(|| "next time it is open".into());
    let status = match left.status {
        FollowUpStatus::Open => String::new(),
        other => other.to_string(),
    };
    let what = match &left.component {
        Some(component) => format!("{}: {}", names.of(component, left.position), left.text),
        None => left.text.clone(),
    };
    Line::new(what, joined([when, status, left.reason.clone().unwrap_or_default()]))
}

/// The forms below the record, empty.
fn fresh(visitor: &Visitor) -> Form {
    Form::showing([("statement", STATEMENT.to_owned()), ("text", String::new()), ("reason", String::new()), ("by", visitor.caller.name())])
}
fn path(id: Id<ServiceEvent>) -> String {
    format!("/service-events/{id}")
}

/// `GET`
pub(super) async fn show(State(app): State<Arc<App>>, visitor: Visitor, PathId(id): PathId<ServiceEvent>) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let event = actions::get(&mut work, id).await?;
    Ok(Page(page(&visitor, &mut work, &event, fresh(&visitor)).await?).into_response())
}

/// The page again, with why it was refused.
async fn refused(app: &App, visitor: &Visitor, id: Id<ServiceEvent>, mut form: Form, error: Error) -> Result<Response, Fault> {
    for name in ["statement", "text", "reason"] {
        form.offer(name, if name == "statement" { STATEMENT } else { "" });
    }
    form.refused(without_the_paths(error))?;
    let mut work = app.read(&visitor.caller).await?;
    let event = actions::get(&mut work, id).await?;
    Ok(Page(page(visitor, &mut work, &event, form).await?).with_status(422))
}

/// The sentence without what it says to scripts.
fn without_the_paths(error: Error) -> Error {
    match error {
        Error::Conflict { detail, with } => {
            Error::Conflict { detail: detail.replace(" (POST …/amendments)", "").replace(" (PATCH)", ""), with }
        }
        other => other,
    }
}

/// `POST …/signature`
pub(super) async fn sign(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<ServiceEvent>,
    mut form: Form,
) -> Result<Response, Fault> {
    let mut work = visitor.write(&app, &mut form).await?;
    let event = actions::get(&mut work, id).await?;
    let new = NewSignature { statement: form.value("statement").to_owned() };
    let signed = match form.ready(Some(new)) {
        Ok(new) => actions::sign(&mut work, &event, new).await,
        Err(error) => Err(error),
    };
    match signed {
        Ok(_) => Done::new(path(id), "Signed off. From now on it can only be amended.").after(work).await,
        Err(error) => {
            drop(work);
            refused(&app, &visitor, id, form, error).await
        }
    }
}

/// `POST …/amendments`
pub(super) async fn amend(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<ServiceEvent>,
    mut form: Form,
) -> Result<Response, Fault> {
    let text = form.must("text", "Say what is to be added.");
    let mut work = visitor.write(&app, &mut form).await?;
    let event = actions::get(&mut work, id).await?;
    let amended = match form.ready(text) {
        Ok(text) => actions::amend(&mut work, &event, NewAmendment { text }).await,
        Err(error) => Err(error),
    };
    match amended {
        Ok(_) => Done::new(path(id), "Added below the signature.").after(work).await,
        Err(error) => {
            drop(work);
            refused(&app, &visitor, id, form, error).await
        }
    }
}

/// `POST …/strike-out`
pub(super) async fn strike_out(
    State(app): State<Arc<App>>,
    visitor: Visitor,
    PathId(id): PathId<ServiceEvent>,
    mut form: Form,
) -> Result<Response, Fault> {
    let reason = form.must("reason", "Say why it is wrong; it stays visible with the reason.");
    let mut work = visitor.write(&app, &mut form).await?;
    let event = actions::get(&mut work, id).await?;
    let struck = match form.ready(reason) {
        Ok(reason) => actions::strike_out(&mut work, &event, &reason).await,
        Err(error) => Err(error),
    };
    match struck {
        Ok(_) => {
            let said = "Struck out. What it did is taken back: its reading, its parts, its values and what it left for later.";
            Done::new(path(id), said).after(work).await
        }
        Err(error) => {
            drop(work);
            refused(&app, &visitor, id, form, error).await
        }
    }
}

#[derive(Template)]
#[template(path = "service_event_form.html", whitespace = "minimize")]
struct ChangePage {
    frame: Frame,
    id: Id<ServiceEvent>,
    about: String,
    currency: String,
    form: Form,
}
impl ChangePage {
    fn new(visitor: &Visitor, work: &Work, event: &ServiceEvent, form: Form) -> Self {
        let currency = event.cost.as_ref().map_or_else(|| work.workshop.currency.clone(), |cost| cost.currency.clone());
        Self { frame: visitor.frame(work, Nav::Motorcycles).below(), id: event.id, about: about(event), currency, form }
    }
}

/// `GET …/change`: the texts of work that is not signed off.
pub(super) async fn edit(State(app): State<Arc<App>>, visitor: Visitor, PathId(id): PathId<ServiceEvent>) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let event = actions::get(&mut work, id).await?;
    let mut form = Form::showing([
        ("performed_by", event.performed_by.clone().unwrap_or_default()),
        ("summary", event.summary.clone()),
        ("labor_minutes", event.labor_minutes.map(|minutes| minutes.to_string()).unwrap_or_default()),
        ("cost.amount", event.cost.as_ref().map(|cost| cost.amount.clone()).unwrap_or_default()),
        ("notes", event.notes.clone()),
        ("internal_notes", event.internal_notes.clone()),
    ]);
    form.set_seen(&actions::details(&event))?;
    Ok(Page(ChangePage::new(&visitor, &work, &event, form)).into_response())
}

/// `POST …/change`
pub(super) async fn change(
    State(app): State<Arc<App>>,
    visitor: Visitor,
    PathId(id): PathId<ServiceEvent>,
    mut form: Form,
) -> Result<Response, Fault> {
    let mut work = visitor.write(&app, &mut form).await?;
    let event = actions::get(&mut work, id).await?;
    let old = actions::details(&event);
    form.check_seen(&old)?;
    let new = read_details(&mut form, old, &work.workshop.currency.clone());
    let changed = match form.ready(Some(new)) {
        Ok(new) => actions::change(&mut work, &event, new).await,
        Err(error) => Err(error),
    };
    match changed {
        Ok(_) => Done::new(path(id), "Changed.").after(work).await,
        Err(error) => {
            drop(work);
            form.refused(error)?;
            let work = app.read(&visitor.caller).await?;
            Ok(Page(ChangePage::new(&visitor, &work, &event, form)).with_status(422))
        }
    }
}
fn read_details(form: &mut Form, old: EventDetails, currency: &str) -> EventDetails {
    let currency = old.cost.as_ref().map_or(currency, |cost| cost.currency.as_str()).to_owned();
    let cost = form.optional("cost.amount").and_then(|typed| match read_figure(&typed) {
        Ok(figure) => Some(Cost { amount: figure.text(), currency }),
        Err(message) => {
            form.complain("cost.amount", message);
            None
        }
    });
    EventDetails {
        performed_by: form.optional("performed_by"),
        summary: form.value("summary").to_owned(),
        labor_minutes: form.whole("labor_minutes"),
        notes: form.value("notes").to_owned(),
        internal_notes: form.value("internal_notes").to_owned(),
        cost,
        ..old
    }
}
