//! `/motorcycles/new` and `/motorcycles/{id}/edit`
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
    guard::{Mechanic, PathId, Visitor},
    links,
};
use crate::{
    actions::{App, Work, motorcycle as actions, owner, reading},
    domain::{
        motorcycle::{Motorcycle, NewMotorcycle, NewReading, RecordsBegin},
        quantity::Figure,
        validate::Problem,
        words::{CounterKind, DistanceStatus, FinalDrive, OdometerUnit},
    },
    error::{Error, Result},
    store::Stretch,
};

type Options = Vec<(String, String)>;

#[derive(Template)]
#[template(path = "motorcycle_form.html", whitespace = "minimize")]
struct MotorcycleFormPage {
    frame: Frame,
    title: String,
    form: Form,
    action: String,
    today: String,
    unit: &'static str,
    drives: Options,
    units: Options,
    statements: Options,
    owners: Options,
    hand_on: Option<String>,
    archive: Option<String>,
}

impl MotorcycleFormPage {
    async fn new(visitor: &Visitor, work: &mut Work, form: Form, bike: Option<&Motorcycle>) -> Result<Self> {
        let option = |value: &str, words: &str| (value.to_owned(), words.to_owned());
        let all = owner::list(work, Stretch { after: None, limit: 500 }).await?;
        let nobody = [option("", "nobody yet")];
        Ok(Self {
            frame: visitor.frame(work, Nav::Motorcycles).below(),
            title: bike.map_or_else(|| "Add a motorcycle".into(), |bike| format!("Change {}", bike.name)),
            form,
            action: bike.map_or_else(|| "/motorcycles/new".into(), |bike| format!("/motorcycles/{}/edit", bike.id)),
            today: work.today.to_string(),
            unit: bike.map_or("mi or km, as above", |bike| bike.odometer_unit.as_str()),
            drives: vec![option("chain", "Chain"), option("belt", "Belt"), option("shaft", "Shaft")],
            units: vec![option("mi", "Miles"), option("km", "Kilometers")],
            statements: vec![
                option("actual", "The odometer shows the actual distance"),
                option("exceeds_mechanical_limits", "It has rolled over: the distance exceeds its limits"),
                option("not_actual", "It does not show the actual distance"),
            ],
            owners: nobody.into_iter().chain(all.into_iter().map(|owner| (owner.id.to_string(), owner.name))).collect(),
            hand_on: bike.filter(|bike| !bike.archived).map(|bike| format!("/motorcycles/{}/hand-on", bike.id)),
            archive: bike.filter(|bike| !bike.archived).map(|bike| format!("/motorcycles/{}/archive", bike.id)),
        })
    }
}

/// `GET /motorcycles/new`
pub(super) async fn new(State(app): State<Arc<App>>, Mechanic(visitor): Mechanic) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let unit = work.workshop.default_unit.to_string();
    let empty = ["name", "make", "model", "year", "final_drive", "records_begin.odometer", "used", "registration", "vin", "frame_number"];
    let values = empty.map(|name| (name, String::new())).into_iter().chain([
        ("odometer_unit", unit),
        ("records_begin.on", work.today.to_string()),
        ("interval_factor", "1".into()),
        ("distance_status", "actual".into()),
    ]);
    let form = Form::showing(values);
    Ok(Page(MotorcycleFormPage::new(&visitor, &mut work, form, None).await?).into_response())
}

/// `POST /motorcycles/new`
pub(super) async fn add(State(app): State<Arc<App>>, Mechanic(visitor): Mechanic, mut form: Form) -> Result<Response, Fault> {
    let new = read(&mut form);
    let mut work = visitor.write(&app, &mut form).await?;
    match added(&mut work, &form, new).await {
        Ok(bike) => {
            let said = format!("{} is added.{}", bike.name, in_doubt(&bike));
            Done::new(links::motorcycle(bike.id), said).after(work).await
        }
        Err(error) => {
            drop(work);
            form.refused(error)?;
            let mut work = app.read(&visitor.caller).await?;
            Ok(Page(MotorcycleFormPage::new(&visitor, &mut work, form, None).await?).with_status(422))
        }
    }
}

/// Adds the motorcycle and, where the odometer was read, its first reading.
async fn added(work: &mut Work, form: &Form, new: Option<NewMotorcycle>) -> Result<Motorcycle> {
    let new = form.ready(new)?;
    let mut form = form.clone();
    let first = form.day("records_begin.on").zip(form.figure("records_begin.odometer"));
    let bike = actions::add(work, new).await?;
    if let Some((on, figure)) = first {
        let new = NewReading { on, reading: figure, read_by: None, confirmed: false };
        let noted = reading::record(work, &bike, CounterKind::Odometer, new, None, "/records_begin/odometer").await;
        noted.map_err(|error| match error {
            Error::Invalid(problems) => Error::Invalid(problems.into_iter().map(at_the_reading).collect()),
            other => other,
        })?;
    }
    Ok(bike)
}
fn at_the_reading(mut problem: Problem) -> Problem {
    if problem.pointer == "/on" {
        problem.pointer = "/records_begin/on".into();
    }
    problem
}

/// `GET /motorcycles/{id}/edit`
pub(super) async fn edit(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<Motorcycle>,
) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let bike = actions::get(&mut work, id).await?;
    let form = showing(&bike)?;
    Ok(Page(MotorcycleFormPage::new(&visitor, &mut work, form, Some(&bike)).await?).into_response())
}

/// `POST /motorcycles/{id}/edit`
pub(super) async fn change(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<Motorcycle>,
    mut form: Form,
) -> Result<Response, Fault> {
    let new = read(&mut form);
    let mut work = visitor.write(&app, &mut form).await?;
    let old = actions::get(&mut work, id).await?;
    form.check_seen(&old)?;
    let changed = match form.ready(new) {
        Ok(new) => actions::change(&mut work, old, new).await,
        Err(error) => Err(error),
    };
    match changed {
        Ok(bike) => Done::new(links::motorcycle(id), format!("{} is changed.{}", bike.name, in_doubt(&bike))).after(work).await,
        Err(error) => {
            drop(work);
            form.refused(error)?;
            let mut work = app.read(&visitor.caller).await?;
            let bike = actions::get(&mut work, id).await?;
            Ok(Page(MotorcycleFormPage::new(&visitor, &mut work, form, Some(&bike)).await?).with_status(422))
        }
    }
}

/// `POST /motorcycles/{id}/archive`
pub(super) async fn archive(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<Motorcycle>,
) -> Result<Response, Fault> {
    let mut work = app.write(&visitor.caller, None).await?;
    let bike = actions::get(&mut work, id).await?;
    let said = format!("{} is archived; its history stays readable.", bike.name);
    if !bike.archived {
        actions::archive(&mut work, bike).await?;
    }
    Done::new("/motorcycles", said).after(work).await
}

fn in_doubt(bike: &Motorcycle) -> String {
    if bike.warnings.is_empty() { String::new() } else { format!(" Look at this again: {}", bike.warnings.join(" ")) }
}

fn showing(bike: &Motorcycle) -> Result<Form> {
    let text = |text: &Option<String>| text.clone().unwrap_or_default();
    let begin = bike.records_begin.as_ref();
    let mut form = Form::showing([
        ("name", bike.name.clone()),
        ("make", bike.make.clone()),
        ("model", bike.model.clone()),
        ("year", bike.year.map(|year| year.to_string()).unwrap_or_default()),
        ("final_drive", bike.final_drive.to_string()),
        ("odometer_unit", bike.odometer_unit.to_string()),
        ("records_begin.odometer", begin.map(|begin| begin.odometer.text()).unwrap_or_default()),
        ("records_begin.on", begin.map(|begin| begin.on.to_string()).unwrap_or_default()),
        ("used", if begin.is_some() { "yes".into() } else { String::new() }),
        ("owner_id", bike.owner_id.map(|id| id.to_string()).unwrap_or_default()),
        ("registration", text(&bike.registration)),
        ("vin", text(&bike.vin)),
        ("frame_number", text(&bike.frame_number)),
        ("in_service_on", bike.in_service_on.map(|day| day.to_string()).unwrap_or_default()),
        ("interval_factor", bike.interval_factor.text()),
        ("distance_status", bike.distance_status.to_string()),
        ("notes", bike.notes.clone()),
    ]);
    form.set_seen(bike)?;
    Ok(form)
}

/// What was typed as a motorcycle; `None` where something that it cannot be without is missing, which is said beside the field.
fn read(form: &mut Form) -> Option<NewMotorcycle> {
    let name = form.must("name", "A motorcycle needs a name: what the workshop calls it.");
    let final_drive: Option<FinalDrive> = form.chosen("final_drive");
    if final_drive.is_none() && form.value("final_drive").is_empty() {
        form.complain("final_drive", "Choose how the power gets to the rear wheel: chain, belt or shaft.");
    }
    let odometer_unit: Option<OdometerUnit> = form.chosen("odometer_unit");
    if odometer_unit.is_none() && form.value("odometer_unit").is_empty() {
        form.complain("odometer_unit", "Choose miles or kilometers.");
    }
    let (on, odometer) = (form.day("records_begin.on"), form.figure("records_begin.odometer"));
    let used = form.is("used", "yes");
    if used && odometer.is_none() && !form.is_wrong("records_begin.odometer") {
        form.complain("records_begin.odometer", "Say what the odometer showed where its records begin.");
    }
    if on.is_none() && odometer.is_some() && !form.is_wrong("records_begin.on") {
        form.complain("records_begin.on", "Say on which day the odometer showed this.");
    }
    // Everything is read before anything is given up: all that is wrong is said at once.
    let (year, in_service_on, owner_id) = (form.whole("year"), form.day("in_service_on"), form.chosen("owner_id"));
    let interval_factor = form.figure("interval_factor").unwrap_or(Figure::from(1));
    let distance_status = form.chosen("distance_status").unwrap_or(DistanceStatus::Actual);
    let new = NewMotorcycle {
        name: name?,
        make: form.value("make").to_owned(),
        model: form.value("model").to_owned(),
        year,
        vin: form.optional("vin"),
        frame_number: form.optional("frame_number"),
        registration: form.optional("registration"),
        final_drive: final_drive?,
        odometer_unit: odometer_unit?,
        in_service_on,
        owner_id,
        interval_factor,
        records_begin: on.zip(odometer).filter(|_| used).map(|(on, odometer)| RecordsBegin { on, odometer }),
        distance_status,
        notes: form.value("notes").to_owned(),
    };
    Some(new)
}
