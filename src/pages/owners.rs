//! `/owners`, `/owners/new`, `/owners/{id}/edit`
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
    guard::{Mechanic, PathId, Visitor},
    links, paging, words,
};
use crate::{
    access::Standing,
    actions::{App, Work, owner as actions, report},
    domain::{
        id::Id,
        motorcycle::{NewOwner, Owner, Reports},
        report_time::Schedule,
        words::{Frequency, Weekday},
    },
    error::Result,
    store::Stretch,
};

const SIZE: i64 = 50;

#[derive(Template)]
#[template(path = "owners.html", whitespace = "minimize")]
struct OwnersPage {
    frame: Frame,
    rows: Vec<Row>,
    next: Option<String>,
}
struct Row {
    id: Id<Owner>,
    name: String,
    about: String,
}

#[derive(Template)]
#[template(path = "owner_form.html", whitespace = "minimize")]
struct OwnerFormPage {
    frame: Frame,
    title: String,
    form: Form,
    action: String,
    frequencies: Vec<(String, String)>,
    hours: Vec<(String, String)>,
    weekdays: Vec<(String, String)>,
    days: Vec<(String, String)>,
    mail: Option<String>,
    stopped: Option<String>,
    hide: Option<String>,
    erase: Option<String>,
}
impl OwnerFormPage {
    fn new(visitor: &Visitor, work: &Work, form: Form, owner: Option<&Owner>) -> Self {
        Self {
            frame: visitor.frame(work, Nav::Workshop).below(),
            title: owner.map_or_else(|| "Add an owner".into(), |owner| format!("Change {}", owner.name)),
            form,
            action: owner.map_or_else(|| "/owners/new".into(), |owner| format!("/owners/{}/edit", owner.id)),
            frequencies: frequencies(),
            hours: hours(),
            weekdays: weekdays(),
            days: days(),
            mail: owner.map(|owner| format!("/owners/{}/mail", owner.id)),
            stopped: None,
            hide: owner.map(|owner| format!("/owners/{}/hide", owner.id)),
            erase: owner.filter(|_| visitor.caller.standing >= Standing::Manager).map(|owner| format!("/owners/{}/erase", owner.id)),
        }
    }
}
/// How often a report is mailed, as options.
pub(super) fn frequencies() -> Vec<(String, String)> {
    let words = |one: &Frequency| match one {
        Frequency::Off => "never".to_owned(),
        other => other.to_string(),
    };
    Frequency::ALL.iter().map(|one| (one.to_string(), words(one))).collect()
}

/// The hours of the day, as options.
pub(super) fn hours() -> Vec<(String, String)> {
    (0..24).map(|hour| (hour.to_string(), format!("{hour}:00"))).collect()
}
/// The days of the week, as options.
pub(super) fn weekdays() -> Vec<(String, String)> {
    Weekday::ALL.iter().map(|day| (day.to_string(), words::capital(day.as_str()))).collect()
}
/// The days of a month, as options.
pub(super) fn days() -> Vec<(String, String)> {
    (1..=31).map(|day| (day.to_string(), day.to_string())).collect()
}
/// When reports are mailed, for a form.
pub(super) fn timing(schedule: Schedule) -> [(&'static str, String); 3] {
    [
        ("reports.hour", schedule.hour.to_string()),
        ("reports.weekday", schedule.weekday.to_string()),
        ("reports.day", schedule.day.to_string()),
    ]
}

/// `GET /owners`
pub(super) async fn list(State(app): State<Arc<App>>, Mechanic(visitor): Mechanic, Asked(asked): Asked) -> Result<Response, Fault> {
    let stretch: Stretch<(String, Id<Owner>)> = paging::stretch(&asked, SIZE)?;
    let mut work = app.read(&visitor.caller).await?;
    let mut owners = actions::list(&mut work, stretch).await?;
    let next = paging::cut(&mut owners, SIZE, |owner| (owner.name.clone(), owner.id));
    let row = |owner: Owner| {
        let about: Vec<_> = [owner.email, owner.phone].into_iter().flatten().collect();
        Row { id: owner.id, name: owner.name, about: about.join(" · ") }
    };
    let page = OwnersPage {
        frame: visitor.frame(&work, Nav::Workshop).below(),
        rows: owners.into_iter().map(row).collect(),
        next: next.map(|next| links::with_query("/owners", [("after", next.as_str())])),
    };
    Ok(Page(page).into_response())
}

/// `GET /owners/new`
pub(super) async fn new(State(app): State<Arc<App>>, Mechanic(visitor): Mechanic) -> Result<Response, Fault> {
    let work = app.read(&visitor.caller).await?;
    let empty = ["name", "email", "phone", "notes"].map(|name| (name, String::new()));
    let form = Form::showing(
        empty
            .into_iter()
            .chain([("reports.frequency", "off".into()), ("reports.only_changes", "yes".into())])
            .chain(timing(Schedule::from(&Reports::default()))),
    );
    Ok(Page(OwnerFormPage::new(&visitor, &work, form, None)).into_response())
}

/// `POST /owners/new`
pub(super) async fn add(State(app): State<Arc<App>>, Mechanic(visitor): Mechanic, mut form: Form) -> Result<Response, Fault> {
    let new = read(&mut form);
    let mut work = visitor.write(&app, &mut form).await?;
    let added = match form.ready(Some(new)) {
        Ok(new) => actions::add(&mut work, new).await,
        Err(error) => Err(error),
    };
    match added {
        Ok(owner) => Done::new("/owners", format!("{} is added.", owner.name)).after(work).await,
        Err(error) => {
            form.refused(error)?;
            Ok(Page(OwnerFormPage::new(&visitor, &work, form, None)).with_status(422))
        }
    }
}

/// `GET /owners/{id}/edit`
pub(super) async fn edit(State(app): State<Arc<App>>, Mechanic(visitor): Mechanic, PathId(id): PathId<Owner>) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let owner = actions::get(&mut work, id).await?;
    let form = showing(&owner)?;
    let stopped = report::stopped_at(&mut work, &owner).await?;
    let zone = &work.workshop.time_zone;
    let stopped = stopped.map(|at| format!("Stopped by the link in a mail on {}.", words::instant(at, zone)));
    Ok(Page(OwnerFormPage { stopped, ..OwnerFormPage::new(&visitor, &work, form, Some(&owner)) }).into_response())
}
fn showing(owner: &Owner) -> Result<Form> {
    let mut form = Form::showing(
        [
            ("name", owner.name.clone()),
            ("email", owner.email.clone().unwrap_or_default()),
            ("phone", owner.phone.clone().unwrap_or_default()),
            ("notes", owner.notes.clone()),
            ("reports.frequency", owner.reports.frequency.to_string()),
            ("reports.only_changes", if owner.reports.only_changes { "yes".into() } else { String::new() }),
        ]
        .into_iter()
        .chain(timing(Schedule::from(&owner.reports))),
    );
    form.set_seen(owner)?;
    Ok(form)
}

/// `POST /owners/{id}/edit`
pub(super) async fn change(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<Owner>,
    mut form: Form,
) -> Result<Response, Fault> {
    let new = read(&mut form);
    let mut work = visitor.write(&app, &mut form).await?;
    let old = actions::get(&mut work, id).await?;
    form.check_seen(&old)?;
    let changed = match form.ready(Some(new)) {
        Ok(new) => actions::change(&mut work, &old, new).await,
        Err(error) => Err(error),
    };
    match changed {
        Ok(owner) => Done::new("/owners", format!("{} is changed.", owner.name)).after(work).await,
        Err(error) => {
            form.refused(error)?;
            Ok(Page(OwnerFormPage::new(&visitor, &work, form, Some(&old))).with_status(422))
        }
    }
}

/// `POST /owners/{id}/hide`
pub(super) async fn hide(State(app): State<Arc<App>>, Mechanic(visitor): Mechanic, PathId(id): PathId<Owner>) -> Result<Response, Fault> {
    let mut work = app.write(&visitor.caller, None).await?;
    let owner = actions::get(&mut work, id).await?;
    match actions::hide(&mut work, &owner).await {
        Ok(()) => Done::new("/owners", format!("{} is taken out of the list.", words::capital(&owner.name))).after(work).await,
        Err(error) => {
            let mut form = showing(&owner)?;
            form.refused(error)?;
            Ok(Page(OwnerFormPage::new(&visitor, &work, form, Some(&owner))).with_status(409))
        }
    }
}

fn read(form: &mut Form) -> NewOwner {
    let reports = Reports {
        frequency: form.chosen("reports.frequency").unwrap_or(Frequency::Off),
        only_changes: form.is("reports.only_changes", "yes"),
        hour: form.chosen("reports.hour"),
        weekday: form.chosen("reports.weekday"),
        day: form.chosen("reports.day"),
    };
    NewOwner {
        name: form.value("name").to_owned(),
        email: form.optional("email"),
        phone: form.optional("phone"),
        notes: form.value("notes").to_owned(),
        reports,
    }
}
