//! From the flat form to a service event, and from what is wrong with the event back to the fields.
//!
//! A row of the form has a marker, a hidden field such as `measured.r0`: its value says what the row is about, and the row's fields have
//! the marker's name in front. Rows that were left empty make no line, so the third row may be the first line: [`Read::places`] keeps
//! which line came from which row.
use time::Date;

use super::{
    procedures,
    rows::{Spec, identity},
};
use crate::{
    domain::{
        due::DueItemOn,
        id::Id,
        part::{NewFitted, NewRemoved},
        quantity::{Figure, Quantity, Unit},
        service::{
            Adapter, AsFound, Cost, Filled, FollowUp, FollowUpIn, NewFollowUp, NewMeasured, NewServiceEvent, NewTightened, WorkLine,
        },
        validate::Problem,
        words::{Operation, Position},
    },
    error::Error,
    pages::{
        form::{Form, read_figure},
        photos::waiting,
    },
    store::photo_draft::PhotoDraft,
};

/// The most rows of one kind on the page; a service with more of them goes through the API.
pub const MOST_ROWS: usize = 100;
/// The most fields of the page.
pub const MOST_FIELDS: usize = 6000;

/// Something that was due, as far as ticking it needs.
#[derive(Clone, Debug)]
pub struct Tick {
    /// The due item's id, the value of its box.
    pub id: String,
    component: Option<String>,
    position: Option<Position>,
    operation: Option<Operation>,
    follow_up: Option<Id<FollowUp>>,
    /// Done, it starts a new part.
    pub starts_part: bool,
}
impl Tick {
    /// A due item to tick. One that replaces a part starts a new one (`is_part`: the component is a part).
    #[must_use]
    pub fn new(item: &DueItemOn, is_part: bool) -> Self {
        Self {
            id: item.id.to_string(),
            component: item.component.clone(),
            position: item.position,
            operation: item.operation,
            follow_up: item.follow_up_id,
            starts_part: is_part && item.operation == Some(Operation::Replace),
        }
    }
}

/// The photographs that came with the form, each with the line of the event that it shows.
#[must_use]
pub fn photos_of(form: &Form, read: &Read, event: &NewServiceEvent, due: &[Tick]) -> Vec<(Id<PhotoDraft>, Option<String>)> {
    let of_tick = |id: &str| {
        let tick = due.iter().find(|tick| tick.id == id)?;
        let is_it = |line: &WorkLine| {
            Some(&line.component) == tick.component.as_ref() && line.position == tick.position && Some(line.operation) == tick.operation
        };
        event.work.iter().position(is_it).map(|place| format!("/work/{place}"))
    };
    let mut photos = Vec::new();
    for row in rows(form, "photos") {
        let line = of_tick(form.value(&at(&row, "of")));
        photos.extend(waiting(form, &at(&row, "photo")).into_iter().map(|id| (id, line.clone())));
    }
    for kind in ["work", "as_found", "fitted"] {
        for row in rows(form, kind) {
            let of_row = |place: &&(String, String)| place.1 == row && place.0.matches('/').count() == 2;
            let line = read.places.iter().find(of_row).map(|place| place.0.clone());
            photos.extend(waiting(form, &at(&row, "photo")).into_iter().map(|id| (id, line.clone())));
        }
    }
    photos
}

/// What was read from the form.
#[derive(Debug, Default)]
pub struct Read {
    /// The event; `None` where something that it cannot be without is missing, which is said beside the field.
    pub event: Option<NewServiceEvent>,
    /// Which field each place of the event came from; the longer pointers last.
    places: Vec<(String, String)>,
}
impl Read {
    fn came_from(&mut self, pointer: String, field: impl Into<String>) {
        self.places.push((pointer, field.into()));
    }
    /// The pointer of the field that a place of the event came from.
    fn field(&self, pointer: &str) -> String {
        let around = |place: &str| pointer == place || pointer.strip_prefix(place).is_some_and(|rest| rest.starts_with('/'));
        let nearest = self.places.iter().filter(|(place, _)| around(place)).max_by_key(|(place, _)| place.len());
        nearest.map_or_else(|| pointer.to_owned(), |(place, field)| format!("/{field}{}", &pointer[place.len()..]))
    }
    /// An error about the event as an error about the form.
    #[must_use]
    pub fn at_the_fields(&self, error: Error) -> Error {
        let there = |problem: Problem| Problem::new(self.field(&problem.pointer), problem.detail);
        match error {
            Error::Invalid(problems) => Error::Invalid(problems.into_iter().map(there).collect()),
            Error::Contradicts { problems, neighbors } => {
                Error::Contradicts { problems: problems.into_iter().map(there).collect(), neighbors }
            }
            other => other,
        }
    }
}

/// The markers of the rows of one kind, in the order of the page.
#[must_use]
pub fn rows(form: &Form, kind: &str) -> Vec<String> {
    let is_row = |name: &&str| name.strip_prefix(kind).and_then(|rest| rest.strip_prefix('.')).is_some_and(|row| !row.contains('.'));
    let mut rows: Vec<String> = Vec::new();
    for name in form.names().filter(is_row) {
        if rows.len() <= MOST_ROWS && !rows.iter().any(|known| known == name) {
            rows.push(name.to_owned());
        }
    }
    rows
}
/// The readings' fields of a measured row.
#[must_use]
pub fn readings(form: &Form, row: &str) -> Vec<String> {
    let front = format!("{row}.readings.");
    let mut fields: Vec<String> = Vec::new();
    for name in form.names().filter(|name| name.starts_with(&front)) {
        if fields.len() < 360 && !fields.iter().any(|known| known == name) {
            fields.push(name.to_owned());
        }
    }
    fields
}
/// Whether anything was typed or chosen in one of these fields of a row.
#[must_use]
pub fn any(form: &Form, row: &str, fields: &[&str]) -> bool {
    fields.iter().any(|field| !form.value(&at(row, field)).is_empty())
}
/// The name of a row's field.
#[must_use]
pub fn at(row: &str, field: &str) -> String {
    format!("{row}.{field}")
}

/// Reads the form. What cannot be read is said beside its field.
#[must_use]
pub fn read(form: &mut Form, due: &[Tick], currency: &str) -> Read {
    let mut read = Read::default();
    let on = day(form);
    let mut event = NewServiceEvent {
        odometer: form.figure("odometer"),
        hours: form.figure("hours"),
        confirmed: form.is("confirmed", "yes"),
        performed_by: form.optional("performed_by"),
        summary: form.value("summary").to_owned(),
        labor_minutes: form.whole("labor_minutes"),
        cost: cost(form, currency),
        notes: form.value("notes").to_owned(),
        internal_notes: form.value("internal_notes").to_owned(),
        ..NewServiceEvent::on(on.unwrap_or(Date::MIN))
    };
    for kind in ["work", "fitted", "removed", "measured", "tightened", "filled", "as_found", "follow_ups", "procedures"] {
        if rows(form, kind).len() > MOST_ROWS {
            form.complain("", format!("This page takes at most {MOST_ROWS} lines of a kind; write up the rest as another piece of work."));
        }
    }
    let mut reader = Reader { form, read: &mut read, event: &mut event };
    reader.work();
    reader.fitted(due);
    reader.ticks(due);
    reader.removed();
    reader.measured();
    reader.tightened();
    reader.filled();
    reader.procedures();
    reader.as_found();
    reader.follow_ups();
    if is_empty(&event) && !form.has_problems() {
        let first = if form.has("due") { "due" } else { "odometer" };
        form.complain(first, "Nothing is written down yet: tick what is done, or say below what was done.");
    }
    read.event = on.filter(|_| !form.has_problems()).map(|_| event);
    read
}
fn day(form: &mut Form) -> Option<Date> {
    let on = form.day("on");
    if on.is_none() && !form.is_wrong("on") {
        form.complain("on", "Say on which day it was done.");
    }
    on
}
fn cost(form: &mut Form, currency: &str) -> Option<Cost> {
    let typed = form.optional("cost.amount")?;
    let currency = form.optional("cost.currency").map_or_else(|| currency.to_owned(), |typed| typed.to_uppercase());
    match read_figure(&typed) {
        Ok(figure) => Some(Cost { amount: figure.text(), currency }),
        Err(message) => {
            form.complain("cost.amount", message);
            None
        }
    }
}
/// Whether an event says nothing at all. A note alone is something; the odometer alone is a reading.
fn is_empty(event: &NewServiceEvent) -> bool {
    let lines = event.work.len() + event.fitted.len() + event.removed.len() + event.measured.len() + event.tightened.len();
    let more = event.filled.len() + event.procedures.len() + event.as_found.len() + event.follow_ups.len() + event.follow_ups_done.len();
    lines + more == 0 && event.notes.is_empty() && event.summary.is_empty() && event.cost.is_none() && event.labor_minutes.is_none()
}

struct Reader<'a> {
    form: &'a mut Form,
    read: &'a mut Read,
    event: &'a mut NewServiceEvent,
}
impl Reader<'_> {
    fn text(&self, row: &str, field: &str) -> String {
        self.form.value(&at(row, field)).to_owned()
    }
    fn optional(&self, row: &str, field: &str) -> Option<String> {
        self.form.optional(&at(row, field))
    }
    fn position(&mut self, row: &str) -> Option<Position> {
        self.form.chosen(&at(row, "position"))
    }
    fn figure(&mut self, row: &str, field: &str) -> Option<Figure> {
        self.form.figure(&at(row, field))
    }
    /// A choice that a row must have.
    fn must<T: std::str::FromStr>(&mut self, row: &str, field: &str, message: &str) -> Option<T> {
        let name = at(row, field);
        if self.form.value(&name).is_empty() {
            self.form.complain(&name, message);
        }
        self.form.chosen(&name)
    }
    /// A figure with a unit beside it.
    fn quantity(&mut self, row: &str, figure: &str, unit: &str) -> Option<Quantity> {
        let value = self.figure(row, figure)?;
        let unit = self.must(row, unit, "Choose its unit.")?;
        Some(Quantity { value, unit })
    }

    fn work(&mut self) {
        for row in rows(self.form, "work") {
            if !any(self.form, &row, &["component", "position", "operation", "note", "photo.kept"]) {
                continue;
            }
            self.read.came_from(format!("/work/{}", self.event.work.len()), row.as_str());
            let component = self.text(&row, "component");
            let operation: Option<Operation> = self.must(&row, "operation", "Choose what was done to it.");
            let (position, note) = (self.position(&row), self.text(&row, "note"));
            if let Some(operation) = operation {
                self.event.work.push(WorkLine { component, position, operation, note });
            }
        }
    }
    /// Parts fitted: rows of their own, and the new parts of what was due.
    fn fitted(&mut self, due: &[Tick]) {
        const TYPED: [&str; 9] = [
            "component",
            "position",
            "description",
            "part_number",
            "prior_distance",
            "date_code",
            "installed_part_id",
            "photo.kept",
            "same",
        ];
        let mut of_due = Vec::new();
        for row in rows(self.form, "fitted") {
            let marker = self.form.value(&row).to_owned();
            let typed = any(self.form, &row, &TYPED) || self.form.is(&at(&row, "single_use"), "yes");
            let tick = marker.strip_prefix("due ").and_then(|id| due.iter().find(|tick| tick.id == id));
            if let Some(tick) = tick {
                if typed || self.form.is("due", &tick.id) {
                    of_due.push((row, typed, tick.component.clone(), tick.position));
                }
                continue;
            }
            if typed {
                let (component, position) = (self.optional(&row, "component"), self.position(&row));
                self.fit(&row, component, position);
            }
        }
        for (row, typed, component, position) in of_due {
            let there = |fitted: &NewFitted| fitted.component == component && fitted.position == position;
            if typed || !self.event.fitted.iter().any(there) {
                self.fit(&row, component, position);
            }
        }
    }
    fn fit(&mut self, row: &str, component: Option<String>, position: Option<Position>) {
        self.read.came_from(format!("/fitted/{}", self.event.fitted.len()), row);
        let from_shelf: Option<_> = self.form.chosen(&at(row, "installed_part_id"));
        // What a part was is a choice with a default; beside a part from the shelf it says nothing.
        let condition = self.form.chosen(&at(row, "condition")).filter(|_| from_shelf.is_none());
        let (mut description, mut part_number) = (self.text(row, "description"), self.optional(row, "part_number"));
        if let Some((same, number)) = self.optional(row, "same").map(|same| identity(&same)).filter(|_| description.is_empty()) {
            (description, part_number) = (same, part_number.or(number));
        }
        let fitted = NewFitted {
            installed_part_id: from_shelf,
            component,
            position,
            description,
            part_number,
            condition,
            prior_distance: self.figure(row, "prior_distance"),
            single_use: self.form.is(&at(row, "single_use"), "yes"),
            date_code: self.optional(row, "date_code"),
        };
        self.event.fitted.push(fitted);
    }
    fn ticks(&mut self, due: &[Tick]) {
        let ticked: Vec<String> = self.form.values("due").filter(|id| !id.is_empty()).map(str::to_owned).collect();
        for id in ticked {
            let Some(tick) = due.iter().find(|tick| tick.id == id) else {
                self.form.complain("due", "Something that you ticked is not due here any more; look through the list again.");
                continue;
            };
            if let Some(follow_up) = tick.follow_up {
                self.done(follow_up, "due");
            } else if let (Some(component), Some(operation)) = (&tick.component, tick.operation) {
                let line = WorkLine { component: component.clone(), position: tick.position, operation, note: String::new() };
                let same =
                    |other: &WorkLine| (&other.component, other.position, other.operation) == (&line.component, line.position, operation);
                if !self.event.work.iter().any(same) {
                    self.read.came_from(format!("/work/{}", self.event.work.len()), "due");
                    self.event.work.push(line);
                }
            }
        }
        let settled: Vec<String> = self.form.values("follow_ups_done").filter(|id| !id.is_empty()).map(str::to_owned).collect();
        for id in settled {
            match id.parse() {
                Ok(id) => self.done(id, "follow_ups_done"),
                Err(_) => self.form.complain("follow_ups_done", "Choose those on offer."),
            }
        }
    }
    fn done(&mut self, follow_up: Id<FollowUp>, field: &str) {
        if !self.event.follow_ups_done.contains(&follow_up) {
            self.read.came_from(format!("/follow_ups_done/{}", self.event.follow_ups_done.len()), field);
            self.event.follow_ups_done.push(follow_up);
        }
    }
    fn removed(&mut self) {
        for row in rows(self.form, "removed") {
            if !any(self.form, &row, &["installed_part_id", "reason"]) {
                continue;
            }
            self.read.came_from(format!("/removed/{}", self.event.removed.len()), row.as_str());
            let reason = self.optional(&row, "reason");
            if let Some(installed_part_id) = self.must(&row, "installed_part_id", "Choose which part came off.") {
                self.event.removed.push(NewRemoved { installed_part_id, reason });
            }
        }
    }
    fn measured(&mut self) {
        for row in rows(self.form, "measured") {
            let spec: Option<Spec> = self.form.value(&row).parse().ok();
            let fields = readings(self.form, &row);
            let typed = fields.iter().any(|field| !self.form.value(field).is_empty());
            let about = ["component", "position", "quantity", "resolution", "force"];
            if !typed && (spec.is_some() || !any(self.form, &row, &about)) {
                continue;
            }
            let place = format!("/measured/{}", self.event.measured.len());
            self.read.came_from(place.clone(), row.as_str());
            let first = fields.first().cloned().unwrap_or_else(|| row.clone());
            self.read.came_from(format!("{place}/readings"), first.as_str());
            if !typed {
                self.form.complain(&first, "Type what was measured.");
            }
            let mut values = Vec::new();
            for field in fields {
                if let Some(value) = self.form.figure(&field) {
                    self.read.came_from(format!("{place}/readings/{}", values.len()), field);
                    values.push(value);
                }
            }
            self.read.came_from(format!("{place}/at_force"), at(&row, "force"));
            let at_force = self.quantity(&row, "force", "force_unit");
            let resolution = self.figure(&row, "resolution");
            let unit: Option<Unit> = self.must(&row, "unit", "Choose its unit.");
            let what = if let Some(spec) = spec {
                Some((spec.component, spec.position, spec.quantity))
            } else {
                let quantity = self.must(&row, "quantity", "Choose what was measured on it.");
                let position = self.position(&row);
                quantity.map(|quantity| (self.text(&row, "component"), position, quantity))
            };
            let (Some((component, position, quantity)), Some(unit)) = (what, unit) else { continue };
            self.event.measured.push(NewMeasured {
                component,
                position,
                quantity,
                readings: values,
                unit,
                reduce: None,
                resolution,
                uncertainty: None,
                at_force,
                installed_part_id: None,
            });
        }
    }
    fn tightened(&mut self) {
        for row in rows(self.form, "tightened") {
            let front = format!("{row}.stages.");
            let stages: Vec<String> = self.form.names().filter(|name| name.starts_with(&front)).map(str::to_owned).collect();
            let last = stages.iter().rposition(|field| !self.form.value(field).is_empty());
            let marked = self.form.is(&at(&row, "witness_mark"), "yes");
            let said = any(self.form, &row, &["single_use_was", "thread", "adapter", "wrench"]);
            if last.is_none() && !marked && !said {
                continue;
            }
            let place = format!("/tightened/{}", self.event.tightened.len());
            self.read.came_from(place.clone(), row.as_str());
            let fastener = self.form.value(&row).to_owned();
            let mut values = Vec::new();
            for (number, field) in stages.into_iter().take(last.map_or(0, |last| last + 1)).enumerate() {
                if self.form.value(&field).is_empty() {
                    self.form.complain(&field, "Type this stage too, or the later ones would count as this one.");
                }
                self.read.came_from(format!("{place}/stages/{number}"), field.as_str());
                let unit = at(&row, &format!("unit.{number}"));
                let value = self.form.figure(&field).zip(self.form.chosen::<Unit>(&unit));
                values.extend(value.map(|(value, unit)| Quantity { value, unit }));
            }
            let single_use_was = self.form.chosen(&at(&row, "single_use_was"));
            let thread = self.form.chosen(&at(&row, "thread"));
            let adapter = self.adapter(&row, &place);
            let line = NewTightened { fastener, stages: values, adapter, thread, single_use_was, witness_mark: marked };
            self.event.tightened.push(line);
        }
    }
    /// An adapter on the wrench: it takes both lengths.
    fn adapter(&mut self, row: &str, place: &str) -> Option<Adapter> {
        for (field, words) in [("adapter", "Type the adapter’s length too."), ("wrench", "Type the wrench’s length too.")] {
            if any(self.form, row, &["adapter", "wrench"]) && !any(self.form, row, &[field]) {
                self.form.complain(&at(row, field), words);
            }
        }
        self.read.came_from(format!("{place}/adapter/length"), at(row, "adapter"));
        self.read.came_from(format!("{place}/adapter/wrench_length"), at(row, "wrench"));
        let length = self.quantity(row, "adapter", "lengths")?;
        let wrench_length = self.quantity(row, "wrench", "lengths")?;
        Some(Adapter { length, wrench_length })
    }
    fn filled(&mut self) {
        for row in rows(self.form, "filled") {
            if !any(self.form, &row, &["component", "position", "description", "amount"]) {
                continue;
            }
            let place = format!("/filled/{}", self.event.filled.len());
            self.read.came_from(place.clone(), row.as_str());
            self.read.came_from(format!("{place}/quantity"), at(&row, "amount"));
            let filled = Filled {
                component: self.text(&row, "component"),
                position: self.position(&row),
                description: self.text(&row, "description"),
                quantity: self.quantity(&row, "amount", "unit"),
            };
            self.event.filled.push(filled);
        }
    }
    fn procedures(&mut self) {
        for (row, followed, reasons) in procedures::read(self.form) {
            let place = format!("/procedures/{}", self.event.procedures.len());
            self.read.came_from(place.clone(), row.as_str());
            self.read.came_from(format!("{place}/steps_done"), at(&row, "done"));
            for (number, reason) in reasons.into_iter().enumerate() {
                self.read.came_from(format!("{place}/steps_left_out/{number}"), reason);
            }
            self.event.procedures.push(followed);
        }
    }
    fn as_found(&mut self) {
        for row in rows(self.form, "as_found") {
            if !any(self.form, &row, &["component", "position", "text", "photo.kept"]) {
                continue;
            }
            self.read.came_from(format!("/as_found/{}", self.event.as_found.len()), row.as_str());
            let position = self.position(&row);
            let mut text = self.text(&row, "text");
            if text.is_empty() && any(self.form, &row, &["photo.kept"]) {
                // A photograph says it without words.
                "See the photo".clone_into(&mut text);
            }
            self.event.as_found.push(AsFound { component: self.text(&row, "component"), position, text });
        }
    }
    fn follow_ups(&mut self) {
        for row in rows(self.form, "follow_ups") {
            if !any(self.form, &row, &["text", "component", "position", "distance", "months"]) {
                continue;
            }
            let place = format!("/follow_ups/{}", self.event.follow_ups.len());
            self.read.came_from(place.clone(), row.as_str());
            self.read.came_from(format!("{place}/in"), row.as_str());
            let (distance, months) = (self.figure(&row, "distance"), self.form.whole(&at(&row, "months")));
            let follow_up = NewFollowUp {
                text: self.text(&row, "text"),
                component: self.optional(&row, "component"),
                position: self.position(&row),
                due_in: (distance.is_some() || months.is_some()).then_some(FollowUpIn { distance, months }),
            };
            self.event.follow_ups.push(follow_up);
        }
    }
}

#[cfg(test)]
mod tests;
