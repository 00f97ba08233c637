//! `/workshop`: its settings, and the ways to owners and tokens.
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};

use super::{
    answer::{Done, Page},
    copies::{Copies, copies},
    fault::Fault,
    form::Form,
    frame::{Frame, Nav},
    guard::{Manager, Visitor},
    owners::{days, frequencies, hours, timing, weekdays},
};
use crate::{
    actions::{App, Work, workshop as actions},
    domain::{
        quantity::{Quantity, Unit},
        report_time::Schedule,
        words::Frequency,
        workshop::{USUAL_LEAD_DAYS, Workshop, WorkshopReports, WorkshopSettings},
    },
    error::Result,
};

#[derive(Template)]
#[template(path = "workshop.html", whitespace = "minimize")]
struct WorkshopPage {
    frame: Frame,
    form: Form,
    units: Vec<(String, String)>,
    frequencies: Vec<(String, String)>,
    hours: Vec<(String, String)>,
    weekdays: Vec<(String, String)>,
    days: Vec<(String, String)>,
    copies: Copies,
}
impl WorkshopPage {
    fn new(visitor: &Visitor, work: &Work, form: Form) -> Self {
        let option = |value: &str, words: &str| (value.to_owned(), words.to_owned());
        Self {
            frame: visitor.frame(work, Nav::Workshop),
            form,
            units: vec![option("mi", "Miles"), option("km", "Kilometers")],
            frequencies: frequencies(),
            hours: hours(),
            weekdays: weekdays(),
            days: days(),
            copies: Copies::default(),
        }
    }
    async fn with_copies(mut self, app: &App, work: &mut Work) -> Result<Self> {
        self.copies = copies(app, work).await?;
        Ok(self)
    }
}

/// `GET /workshop`
pub(super) async fn show(State(app): State<Arc<App>>, Manager(visitor): Manager) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let form = showing(&work.workshop)?;
    let page = WorkshopPage::new(&visitor, &work, form);
    Ok(Page(page.with_copies(&app, &mut work).await?).into_response())
}
fn showing(workshop: &Workshop) -> Result<Form> {
    let mut form = Form::showing(
        [
            ("name", workshop.name.clone()),
            ("time_zone", workshop.time_zone.clone()),
            ("default_unit", workshop.default_unit.to_string()),
            ("currency", workshop.currency.clone()),
            ("default_yearly_distance.value", workshop.default_yearly_distance.value.text()),
            ("default_yearly_distance.unit", workshop.default_yearly_distance.unit.to_string()),
            ("lead_days", workshop.lead_days.to_string()),
            ("reports.greeting", workshop.reports.greeting.clone().unwrap_or_default()),
            ("reports.closing", workshop.reports.closing.clone().unwrap_or_default()),
            ("reports.frequency", workshop.reports.frequency.to_string()),
            ("reports.only_changes", if workshop.reports.only_changes { "yes".into() } else { String::new() }),
            ("reports.to", workshop.reports.to.join("\n")),
        ]
        .into_iter()
        .chain(timing(Schedule::from(&workshop.reports))),
    );
    form.set_seen(workshop)?;
    Ok(form)
}

/// `POST /workshop`
pub(super) async fn change(State(app): State<Arc<App>>, Manager(visitor): Manager, mut form: Form) -> Result<Response, Fault> {
    let mut work = visitor.write(&app, &mut form).await?;
    let before = work.workshop.clone();
    form.check_seen(&before)?;
    let new = read(&mut form, &before);
    let changed = match form.ready(new) {
        Ok(new) => actions::change(&mut work, new).await,
        Err(error) => Err(error),
    };
    match changed {
        Ok(_) => Done::new("/workshop", "The settings are saved.").after(work).await,
        Err(error) => {
            form.refused(error)?;
            let page = WorkshopPage::new(&visitor, &work, form);
            Ok(Page(page.with_copies(&app, &mut work).await?).with_status(422))
        }
    }
}

fn read(form: &mut Form, before: &Workshop) -> Option<WorkshopSettings> {
    let value = form.figure("default_yearly_distance.value");
    if value.is_none() && !form.is_wrong("default_yearly_distance.value") {
        form.complain("default_yearly_distance.value", "Give a distance; an estimate is enough.");
    }
    let lead_days = form.whole("lead_days").unwrap_or(USUAL_LEAD_DAYS);
    let unit = form.chosen("default_yearly_distance.unit").unwrap_or(Unit::Mi);
    Some(WorkshopSettings {
        name: form.value("name").to_owned(),
        time_zone: form.value("time_zone").to_owned(),
        default_unit: form.chosen("default_unit").unwrap_or(before.default_unit),
        currency: form.value("currency").to_uppercase(),
        default_yearly_distance: Quantity { value: value?, unit },
        lead_days,
        reports: WorkshopReports {
            frequency: form.chosen("reports.frequency").unwrap_or(Frequency::Off),
            only_changes: form.is("reports.only_changes", "yes"),
            hour: form.chosen("reports.hour"),
            weekday: form.chosen("reports.weekday"),
            day: form.chosen("reports.day"),
            greeting: Some(form.value("reports.greeting").to_owned()),
            closing: Some(form.value("reports.closing").to_owned()),
            to: form.value("reports.to").lines().map(str::trim).filter(|line| !line.is_empty()).map(str::to_owned).collect(),
        },
    })
}
