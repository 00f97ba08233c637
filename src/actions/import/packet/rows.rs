//! The entries of a packet as rows of the tables: what an entry says of several things is taken apart again. Ids are new, in the order of
//! the entries.
use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Map, Value, json};
use time::{Date, OffsetDateTime, format_description::well_known::Rfc3339};
use uuid::Uuid;

use crate::{
    actions::part::plan::MADE_ROOM,
    clock::Clock,
    domain::{
        id::Id,
        import::RowError,
        motorcycle::{Instrument, Motorcycle, Reading, StruckOut},
        packet::{Entry, PacketMotorcycle},
        part::InstalledPart,
        quantity::{Distance, Figure, Quantity, Unit},
        service::{Fitted, FollowUp, MeasuredValue, Removed, ServiceEvent},
        words::{Condition, CounterKind, DistanceStatus, InstrumentChange, OdometerUnit, Position},
    },
};

/// A row as an export would hold it.
pub type Row = Map<String, Value>;
/// Gives new ids.
type Mint<'a> = &'a mut dyn FnMut() -> Uuid;

/// The fields of an object.
pub fn fields(value: Value) -> Row {
    if let Value::Object(fields) = value { fields } else { Row::new() }
}

/// What the instruments alone say about the distance: a lost figure, or one that started again.
pub fn status_of(entries: &[Entry]) -> DistanceStatus {
    let changes = || entries.iter().filter_map(|entry| entry.what.odometer_replaced.as_ref());
    if changes().any(|change| change.kind == InstrumentChange::Replaced && change.old_final.is_none()) {
        DistanceStatus::NotActual
    } else if changes().any(|change| change.kind == InstrumentChange::RolledOver) {
        DistanceStatus::ExceedsMechanicalLimits
    } else {
        DistanceStatus::Actual
    }
}

/// Everything that a packet's entries become.
pub struct Built {
    /// The entry of each row (1 is the motorcycle), its table, and the row.
    pub rows: Vec<(usize, &'static str, Row)>,
    /// What is wrong, and at which entry.
    pub wrong: Vec<(usize, RowError)>,
    /// The components that are named.
    pub components: BTreeSet<String>,
    /// Those of which a part was fitted.
    pub fitted_components: BTreeSet<String>,
    /// How many values are of a part that the packet does not hold.
    pub unlinked: usize,
}

/// A stay of a part.
struct Fit {
    row: usize,
    id: Uuid,
    part: Uuid,
    component: String,
    position: Option<Position>,
    at: At,
    struck: Option<StruckOut>,
    end: Option<(At, Uuid, Option<String>)>,
}
/// A part that came off. `id` is none where another took its place.
struct Off {
    row: usize,
    id: Option<Uuid>,
    part: Uuid,
    at: At,
    reason: Option<String>,
}
/// When, and with which reading and event.
#[derive(Clone, Copy)]
struct At {
    on: Date,
    reading: Option<Uuid>,
    event: Option<Uuid>,
}
/// A reading that came without an event, to find again what came with it.
struct Alone {
    id: Uuid,
    on: Date,
    shown: Quantity,
    created_at: OffsetDateTime,
}
/// A value that waits until all parts are known.
struct Waiting<'a> {
    row: usize,
    id: Uuid,
    value: &'a MeasuredValue,
    at: At,
}

/// Where a part sat: its id in the packet, component, position, first and last day.
type Stay = (Uuid, String, Option<Position>, Date, Option<Date>);

/// What an entry says of a part itself.
struct PartFacts<'a> {
    id: Id<InstalledPart>,
    component: &'a str,
    description: &'a str,
    part_number: Option<&'a String>,
    condition: Condition,
    single_use: bool,
    date_code: Option<&'a String>,
    prior_distance: &'a Figure,
    /// What it ran on other motorcycles before, where the packet says it.
    elsewhere: Vec<Quantity>,
}
impl<'a> From<&'a Fitted> for PartFacts<'a> {
    fn from(part: &'a Fitted) -> Self {
        Self {
            id: part.installed_part_id,
            component: &part.component,
            description: &part.description,
            part_number: part.part_number.as_ref(),
            condition: part.condition,
            single_use: part.single_use,
            date_code: part.date_code.as_ref(),
            prior_distance: &part.prior_distance,
            elsewhere: Vec::new(),
        }
    }
}
impl<'a> From<&'a InstalledPart> for PartFacts<'a> {
    fn from(part: &'a InstalledPart) -> Self {
        Self {
            id: part.id,
            component: &part.component,
            description: &part.description,
            part_number: part.part_number.as_ref(),
            condition: part.condition,
            single_use: part.single_use,
            date_code: part.date_code.as_ref(),
            prior_distance: &part.prior_distance,
            elsewhere: Vec::new(),
        }
    }
}

fn instant(at: OffsetDateTime) -> Option<String> {
    at.format(&Rfc3339).ok()
}

/// Takes the entries one after the other.
pub struct Builder<'a> {
    bike: Uuid,
    /// Its id in the packet.
    theirs: Id<Motorcycle>,
    unit: OdometerUnit,
    time_zone: &'a str,
    row: usize,
    built: Built,
    /// New ids for those of the packet.
    ids: BTreeMap<Uuid, Uuid>,
    parts: BTreeSet<Uuid>,
    fits: Vec<Fit>,
    offs: Vec<Off>,
    alone: Vec<Alone>,
    values: Vec<Waiting<'a>>,
    stays: Vec<Stay>,
    /// The day of each event, by its id in the packet.
    done_on: BTreeMap<Uuid, Date>,
    follow_ups: Vec<(usize, &'a FollowUp)>,
    events: Vec<(usize, Uuid, &'a ServiceEvent)>,
}

impl<'a> Builder<'a> {
    /// A builder for a motorcycle of this new id.
    pub fn new(bike: Uuid, motorcycle: &PacketMotorcycle, time_zone: &'a str) -> Self {
        let built =
            Built { rows: Vec::new(), wrong: Vec::new(), components: BTreeSet::new(), fitted_components: BTreeSet::new(), unlinked: 0 };
        Self {
            bike,
            theirs: motorcycle.id,
            unit: motorcycle.odometer_unit,
            time_zone,
            row: 1,
            built,
            ids: BTreeMap::new(),
            parts: BTreeSet::new(),
            fits: Vec::new(),
            offs: Vec::new(),
            alone: Vec::new(),
            values: Vec::new(),
            stays: Vec::new(),
            done_on: BTreeMap::new(),
            follow_ups: Vec::new(),
            events: Vec::new(),
        }
    }
    /// Takes the entry that stands in a row of the file.
    pub fn add(&mut self, row: usize, entry: &'a Entry, mint: Mint) {
        self.row = row;
        let what = &entry.what;
        if let Some(event) = &what.service_event {
            self.event(event, mint);
        } else if let Some(reading) = what.odometer_reading.as_ref().or(what.hour_reading.as_ref()) {
            self.reading(reading, mint);
        } else if let Some(part) = &what.part_fitted {
            self.fitted(part, what.on, mint);
        } else if let Some(part) = &what.part_removed {
            self.removed(part, what.on, mint);
        } else if let Some(value) = &what.measured_value {
            self.value(value, At { on: value.on, reading: None, event: None }, mint);
        } else if let Some(change) = &what.odometer_replaced {
            self.instrument(change, CounterKind::Odometer, mint);
        } else if let Some(change) = &what.hour_meter_replaced {
            self.instrument(change, CounterKind::Hours, mint);
        } else {
            self.built.wrong.push((row, RowError::new("what", "The entry holds nothing of the kind that it names.")));
        }
    }

    fn push(&mut self, table: &'static str, row: Value) {
        self.built.rows.push((self.row, table, fields(row)));
    }
    fn names(&mut self, component: &str) {
        self.built.components.insert(component.to_owned());
    }
    /// The new id of something that was not there before.
    fn fresh<T>(&mut self, old: Id<T>, mint: Mint) -> Uuid {
        *self.ids.entry(old.uuid()).or_insert_with(mint)
    }

    fn event(&mut self, event: &'a ServiceEvent, mint: Mint) {
        let id = self.fresh(event.id, mint);
        self.events.push((self.row, id, event));
        self.done_on.insert(event.id.uuid(), event.on);
        for (line, work) in event.work.iter().enumerate() {
            self.names(&work.component);
            self.push(
                "work_line",
                json!({"service_event_id": id, "line": line, "motorcycle_id": self.bike, "component": work.component,
                    "position": work.position, "operation": work.operation, "note": work.note}),
            );
        }
        let came_with = self.readings_of(event, id, mint);
        let at = At { on: event.on, reading: came_with, event: Some(id) };
        self.moved(event, at, mint);
        for value in &event.measured {
            self.value(value, at, mint);
        }
        for left in &event.follow_ups {
            self.fresh(left.id, mint);
            left.component.iter().for_each(|component| self.names(component));
            self.follow_ups.push((self.row, left));
        }
        event.filled.iter().for_each(|line| self.names(&line.component));
        event.as_found.iter().for_each(|line| self.names(&line.component));
        for amendment in &event.amendments {
            let own = self.fresh(amendment.id, mint);
            let on = Clock::Fixed(amendment.at).today(self.time_zone);
            self.push(
                "amendment",
                json!({"id": own, "service_event_id": id, "on_date": on, "written_by": amendment.by, "text": amendment.text,
                    "created_at": instant(amendment.at)}),
            );
        }
    }
    /// The readings that came with an event; gives the odometer's. An estimated figure is none.
    fn readings_of(&mut self, event: &ServiceEvent, id: Uuid, mint: Mint) -> Option<Uuid> {
        let mut odometer = None;
        let shown = event.odometer.as_ref().filter(|_| !event.estimated);
        for (kind, figure, unit) in [(CounterKind::Odometer, shown, event.unit), (CounterKind::Hours, event.hours.as_ref(), Unit::H)] {
            let Some(figure) = figure else { continue };
            let own = mint();
            if kind == CounterKind::Odometer {
                odometer = Some(own);
            }
            // The workshop that entered it let it stand, so a long day was confirmed where that was needed.
            let row = json!({"id": own, "motorcycle_id": self.bike, "counter": kind, "on_date": event.on, "reading": figure, "unit": unit,
                "read_by": event.performed_by, "confirmed": true, "service_event_id": id, "created_at": instant(event.created_at)});
            self.push_struck("reading", row, event.struck_out.as_ref());
        }
        odometer
    }
    fn push_struck(&mut self, table: &'static str, mut row: Value, struck: Option<&StruckOut>) {
        row["struck_at"] = struck.map(|out| instant(out.at)).into();
        row["struck_reason"] = struck.map(|out| out.reason.clone()).into();
        self.push(table, row);
    }

    /// What an event took off and fitted. Of one that was struck out only what it had fitted is kept, struck out too.
    fn moved(&mut self, event: &ServiceEvent, at: At, mint: Mint) {
        let stands = event.struck_out.is_none();
        for Removed { installed_part_id, reason, component, .. } in &event.removed {
            self.names(component);
            if stands {
                let by_name = reason.as_deref() != Some(MADE_ROOM);
                let id = by_name.then(&mut *mint);
                self.offs.push(Off { row: self.row, id, part: installed_part_id.uuid(), at, reason: reason.clone() });
            }
        }
        for fitted in &event.fitted {
            self.part(&PartFacts::from(fitted), event.created_at, mint);
            let (part, component) = (fitted.installed_part_id.uuid(), fitted.component.clone());
            let fit = Fit {
                row: self.row,
                id: mint(),
                part,
                component,
                position: fitted.position,
                at,
                struck: event.struck_out.clone(),
                end: None,
            };
            self.fits.push(fit);
        }
    }
    /// A part, where it is not known yet.
    fn part(&mut self, part: &PartFacts, created_at: OffsetDateTime, mint: Mint) {
        self.names(part.component);
        self.built.fitted_components.insert(part.component.to_owned());
        if !self.parts.insert(part.id.uuid()) {
            return;
        }
        let id = self.fresh(part.id, mint);
        let prior = Quantity { value: part.prior_distance.clone(), unit: self.unit.into() };
        let before =
            part.elsewhere.iter().filter_map(|run| Distance::from_quantity(run).ok()).map(Distance::mm).fold(0, i64::saturating_add);
        let prior_mm = Distance::from_quantity(&prior).map_or(0, Distance::mm).saturating_add(before);
        self.push(
            "installed_part",
            json!({"id": id, "component": part.component, "description": part.description, "part_number": part.part_number,
                "condition": part.condition, "single_use": part.single_use, "date_code": part.date_code,
                "prior_distance": if before == 0 { prior.value } else { Distance::from_mm(prior_mm).quantity(self.unit).value },
                "prior_mm": prior_mm, "created_at": instant(created_at)}),
        );
    }
    /// A part that was fitted outside an event.
    fn fitted(&mut self, part: &InstalledPart, on: Date, mint: Mint) {
        let elsewhere = part.fittings.iter().filter(|stay| stay.motorcycle_id != self.theirs && stay.fitted.on <= on);
        let elsewhere = elsewhere.filter_map(|stay| stay.distance.clone()).collect();
        self.part(&PartFacts { elsewhere, ..PartFacts::from(part) }, part.created_at, mint);
        let at = At { on, reading: self.read_with(on, part.fitted.odometer.as_ref()), event: None };
        let (id, component, struck) = (mint(), part.component.clone(), part.struck_out.clone());
        self.fits.push(Fit { row: self.row, id, part: part.id.uuid(), component, position: part.position, at, struck, end: None });
    }
    /// A part that came off outside an event.
    fn removed(&mut self, part: &InstalledPart, on: Date, mint: Mint) {
        let (shown, reason) = part.removed.as_ref().map_or((None, None), |off| (off.odometer.as_ref(), off.reason.clone()));
        let at = At { on, reading: self.read_with(on, shown), event: None };
        let id = (reason.as_deref() != Some(MADE_ROOM)).then(mint);
        self.offs.push(Off { row: self.row, id, part: part.id.uuid(), at, reason });
    }
    /// The reading of a day that showed this.
    fn read_with(&self, on: Date, shown: Option<&Quantity>) -> Option<Uuid> {
        self.alone.iter().find(|read| read.on == on && Some(&read.shown) == shown).map(|read| read.id)
    }

    fn reading(&mut self, reading: &Reading, mint: Mint) {
        let id = self.fresh(reading.id, mint);
        if reading.counter == CounterKind::Odometer {
            let shown = Quantity { value: reading.reading.clone(), unit: reading.unit };
            self.alone.push(Alone { id, on: reading.on, shown, created_at: reading.created_at });
        }
        let row = json!({"id": id, "motorcycle_id": self.bike, "counter": reading.counter, "on_date": reading.on, "reading": reading.reading,
            "unit": reading.unit, "read_by": reading.read_by, "confirmed": reading.confirmed, "service_event_id": null,
            "created_at": instant(reading.created_at)});
        self.push_struck("reading", row, reading.struck_out.as_ref());
    }
    fn instrument(&mut self, change: &Instrument, kind: CounterKind, mint: Mint) {
        let id = self.fresh(change.id, mint);
        self.push(
            "instrument",
            json!({"id": id, "motorcycle_id": self.bike, "counter": kind, "on_date": change.on, "kind": change.kind, "old_final": change.old_final,
                "new_start": change.new_start, "capacity": change.capacity, "unit": change.unit, "reason": change.reason,
                "created_at": instant(change.created_at)}),
        );
    }
    fn value(&mut self, value: &'a MeasuredValue, at: At, mint: Mint) {
        self.names(&value.component);
        let id = self.fresh(value.id, mint);
        self.values.push(Waiting { row: self.row, id, value, at });
    }

    /// Everything, once all entries were taken.
    pub fn finish(mut self, mint: Mint) -> Built {
        self.end_stays(mint);
        for fit in &std::mem::take(&mut self.fits) {
            self.row = fit.row;
            self.fitting(fit);
            self.stays.push((fit.part, fit.component.clone(), fit.position, fit.at.on, fit.end.as_ref().map(|end| end.0.on)));
        }
        for (row, id, event) in std::mem::take(&mut self.events) {
            self.row = row;
            self.event_row(id, event);
        }
        for waiting in &std::mem::take(&mut self.values) {
            self.row = waiting.row;
            self.value_row(waiting);
        }
        for (row, left) in std::mem::take(&mut self.follow_ups) {
            self.row = row;
            self.follow_up_row(left);
        }
        self.built
    }
    /// The new id of something of the packet; what it does not hold has none.
    fn known<T>(&self, old: Id<T>) -> Option<Uuid> {
        self.ids.get(&old.uuid()).copied()
    }
    fn fitting(&mut self, fit: &Fit) {
        let end = fit.end.as_ref();
        let row = json!({"id": fit.id, "part_id": self.ids.get(&fit.part), "motorcycle_id": self.bike, "position": fit.position,
            "fitted_on": fit.at.on, "fitted_reading_id": fit.at.reading, "fitted_event_id": fit.at.event,
            "removed_on": end.map(|end| end.0.on), "removed_reading_id": end.and_then(|end| end.0.reading),
            "removed_event_id": end.and_then(|end| end.0.event), "removed_entry": end.map(|end| end.1),
            "removed_reason": end.and_then(|end| end.2.clone())});
        self.push_struck("fitting", row, fit.struck.as_ref());
    }
    fn event_row(&mut self, id: Uuid, event: &ServiceEvent) {
        let undone = event.struck_out.as_ref().map(|_| self.undone(event));
        let mut body = json!({"tightened": event.tightened, "filled": event.filled, "procedures": event.procedures, "as_found": event.as_found,
            "labor_minutes": event.labor_minutes, "cost": null});
        if let Some(undone) = undone {
            body["undone"] = undone;
        }
        let shown = event.odometer.as_ref().filter(|_| !event.estimated);
        let row = json!({"id": id, "motorcycle_id": self.bike, "on_date": event.on, "odometer": shown, "hours": event.hours, "unit": event.unit,
            "summary": event.summary, "performed_by": event.performed_by, "notes": event.notes, "internal_notes": "", "at_home": event.at_home,
            "body": body, "signature": event.signature, "created_at": instant(event.created_at)});
        self.push_struck("service_event", row, event.struck_out.as_ref());
    }
    /// What an event had done before it was struck out, under the new ids.
    fn undone(&self, event: &ServiceEvent) -> Value {
        let part = |old: Id<InstalledPart>| self.known(old).map_or(old, Id::new);
        let fitted = event.fitted.iter().map(|fitted| Fitted {
            installed_part_id: part(fitted.installed_part_id),
            replaces: fitted.replaces.map(part),
            ..fitted.clone()
        });
        let removed = event.removed.iter().map(|off| Removed { installed_part_id: part(off.installed_part_id), ..off.clone() });
        let done: Vec<_> = event.follow_ups_done.iter().filter_map(|id| self.known(*id)).collect();
        json!({"fitted": fitted.collect::<Vec<_>>(), "removed": removed.collect::<Vec<_>>(), "follow_ups_done": done})
    }
    fn value_row(&mut self, waiting: &Waiting) {
        let Waiting { value, at, .. } = waiting;
        let part = value.installed_part_id.and_then(|part| self.known(part));
        if value.installed_part_id.is_some() && part.is_none() {
            self.built.unlinked += 1;
        }
        // A part that sat at the value's place need not be named: it is found by the place.
        let sat_there = |(of, component, position, from, to): &Stay| {
            Some(of) == value.installed_part_id.map(Id::uuid).as_ref()
                && (component, position) == (&value.component, &value.position)
                && *from <= value.on
                && to.is_none_or(|to| value.on <= to)
        };
        let named = part.filter(|_| !self.stays.iter().any(sat_there));
        let with_reading = || self.alone.iter().find(|read| (read.on, read.created_at) == (value.on, value.created_at)).map(|read| read.id);
        let reading = at.reading.or_else(|| if at.event.is_none() { with_reading() } else { None });
        let body = MeasuredValue {
            id: Id::new(waiting.id),
            motorcycle_id: Id::new(self.bike),
            service_event_id: at.event.map(Id::new),
            installed_part_id: named.map(Id::new),
            judged_now: None,
            struck_out: None,
            ..(*value).clone()
        };
        let row = json!({"id": waiting.id, "reading_id": reading, "part_id": part, "body": body, "created_at": instant(value.created_at)});
        self.push_struck("measured_value", row, value.struck_out.as_ref());
    }
    fn follow_up_row(&mut self, left: &FollowUp) {
        let (id, event) = (self.known(left.id), self.known(left.service_event_id));
        let done_in = left.done_in.and_then(|event| self.known(event));
        let settled_on = done_in.and_then(|_| self.done_on.get(&left.done_in.map(Id::uuid).unwrap_or_default()).copied());
        self.push(
            "follow_up",
            json!({"id": id, "motorcycle_id": self.bike, "service_event_id": event, "text": left.text, "component": left.component,
                "position": left.position, "due_in": left.due_in, "status": left.status, "reason": left.reason, "done_in": done_in,
                "settled_on": settled_on, "struck_at": left.struck_out.as_ref().map(|out| instant(out.at)), "created_at": instant(left.created_at)}),
        );
    }
    /// Finds for each part that came off the stay that ended then: the earliest one that still went on.
    fn end_stays(&mut self, mint: Mint) {
        for off in std::mem::take(&mut self.offs) {
            let open = |fit: &Fit| fit.part == off.part && fit.struck.is_none() && fit.end.is_none() && fit.at.on <= off.at.on;
            let Some(place) = self.fits.iter().position(open) else {
                let detail = "A part comes off here that no entry before fitted.";
                self.built.wrong.push((off.row, RowError::new("removed", detail)));
                continue;
            };
            let same_place = |fit: &&Fit| {
                let stays = &self.fits[place];
                (fit.at.on, fit.at.event) == (off.at.on, off.at.event)
                    && (&fit.component, fit.position) == (&stays.component, stays.position)
                    && fit.part != off.part
                    && fit.struck.is_none()
            };
            let entry = off.id.or_else(|| self.fits.iter().find(same_place).map(|fit| fit.id)).unwrap_or_else(&mut *mint);
            self.fits[place].end = Some((off.at, entry, off.reason));
        }
    }
}
