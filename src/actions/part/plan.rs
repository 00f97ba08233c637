//! What an entry does to the parts of a motorcycle: planned in memory on all their stays together, checked, then stored.
use std::collections::{BTreeMap, BTreeSet};

use time::Date;

use crate::{
    actions::{Work, reading},
    domain::{
        calendar,
        counter::Counter,
        id::Id,
        motorcycle::{Motorcycle, Reading},
        part::{Fitting, InstalledPart},
        service::ServiceEvent,
        stays::{self, Clash, End, Sitting, When},
        words::{CounterKind, Position},
    },
    error::{Error, Result},
    store::{
        measured_value::{self, Stored},
        part::{self as store, FittingRow, PartRow},
        types::Instant,
    },
};

/// Why a part came off where only another was fitted.
pub const MADE_ROOM: &str = "made room";

/// An entry that fits or removes parts: a service event, or a fitting outside one.
#[derive(Clone, Copy, Debug)]
pub struct Entry {
    /// The day.
    pub on: Date,
    /// The odometer reading that came with it.
    pub reading: Option<Id<Reading>>,
    /// The event, where it is one.
    pub event: Option<Id<ServiceEvent>>,
}

/// The stays of a motorcycle's parts, as they will be.
#[derive(Debug)]
pub struct Plan {
    bike: Id<Motorcycle>,
    odometer: Counter,
    parts: BTreeMap<Id<InstalledPart>, PartRow>,
    new_parts: Vec<PartRow>,
    before: BTreeMap<Id<Fitting>, FittingRow>,
    rows: Vec<FittingRow>,
}

impl Plan {
    /// Reads the stays of all parts that are or were on the motorcycle, and of these others.
    ///
    /// # Errors
    /// Where the database refuses.
    pub async fn load(work: &mut Work, bike: Id<Motorcycle>, others: &[Id<InstalledPart>]) -> Result<Self> {
        let workshop = work.workshop_id();
        let mut rows = store::standing(&mut work.tx, workshop, bike).await?;
        let known: BTreeSet<_> = rows.iter().map(|row| row.part_id).collect();
        let others: Vec<_> = others.iter().copied().filter(|part| !known.contains(part)).collect();
        rows.extend(store::fittings_of(&mut work.tx, workshop, &others).await?.into_iter().filter(|row| row.struck_at.is_none()));
        let ids: Vec<_> = known.into_iter().chain(others).collect();
        let parts = store::by_ids(&mut work.tx, workshop, &ids).await?;
        Ok(Self {
            bike,
            odometer: reading::counter(work, bike, CounterKind::Odometer).await?,
            parts: parts.into_iter().map(|part| (part.id, part)).collect(),
            new_parts: Vec::new(),
            before: rows.iter().map(|row| (row.id, row.clone())).collect(),
            rows,
        })
    }

    /// A part that is on record here.
    #[must_use]
    pub fn part(&self, id: Id<InstalledPart>) -> Option<&PartRow> {
        self.parts.get(&id)
    }
    /// Fits a part not seen before.
    pub fn fit_new(&mut self, work: &Work, part: PartRow, position: Option<Position>, entry: Entry) {
        let id = part.id;
        self.parts.insert(id, part.clone());
        self.new_parts.push(part);
        self.push(work, id, position, entry);
    }
    /// Fits a part that is on record.
    ///
    /// # Errors
    /// 422 where everything that ever fitted it is struck out.
    pub fn fit(&mut self, work: &Work, part: Id<InstalledPart>, position: Option<Position>, entry: Entry, pointer: &str) -> Result<()> {
        if self.rows.iter().all(|row| row.part_id != part) {
            let detail = "the entry that brought this part was struck out; enter it as a part not seen before";
            return Err(Error::invalid(format!("{pointer}/installed_part_id"), detail));
        }
        self.push(work, part, position, entry);
        Ok(())
    }
    fn push(&mut self, work: &Work, part: Id<InstalledPart>, position: Option<Position>, entry: Entry) {
        self.rows.push(FittingRow {
            id: work.new_id(),
            part_id: part,
            component: self.parts.get(&part).map(|part| part.component.clone()).unwrap_or_default(),
            motorcycle_id: self.bike,
            position,
            fitted_on: entry.on,
            fitted_reading_id: entry.reading,
            fitted_event_id: entry.event,
            removed_on: None,
            removed_reading_id: None,
            removed_event_id: None,
            removed_entry: None,
            removed_reason: None,
            struck_at: None,
            struck_reason: None,
        });
    }
    /// Takes a part off by name.
    ///
    /// # Errors
    /// 422 where it has never been on the motorcycle by then, 409 where it is off already.
    pub fn take_off(&mut self, work: &Work, part: Id<InstalledPart>, reason: Option<String>, entry: Entry, pointer: &str) -> Result<()> {
        let own: Id<Fitting> = work.new_id();
        let at = self.when(entry.on, entry.reading, entry.event, own.uuid().as_u128());
        let sittings = self.sittings();
        let name = self.name(part);
        let here = |sitting: &&Sitting| sitting.part == part && sitting.motorcycle == self.bike;
        let last = sittings.iter().filter(here).filter(|sitting| sitting.from <= at).max_by_key(|sitting| (sitting.from, sitting.id));
        let Some(last) = last else {
            let detail = match self.rows.iter().find(|row| row.part_id == part && row.removed_on.is_none_or(|off| off >= entry.on)) {
                Some(row) if row.motorcycle_id != self.bike && row.fitted_on <= entry.on => {
                    let with = [Some(part.uuid()), row.fitted_event_id.map(Id::uuid)].into_iter().flatten();
                    let on = calendar::words(row.fitted_on);
                    return Err(Error::conflict(format!("The {name} has been on another motorcycle since {on}; take it off there."), with));
                }
                Some(row) if row.motorcycle_id == self.bike => {
                    format!(
                        "the {name} was fitted on {} only; it cannot come off on {}",
                        calendar::words(row.fitted_on),
                        calendar::words(entry.on)
                    )
                }
                _ => format!("the {name} is not on this motorcycle on {}; name a part that is", calendar::words(entry.on)),
            };
            return Err(Error::invalid(format!("{pointer}/installed_part_id"), detail));
        };
        let index = self.rows.iter().position(|row| row.id == last.id);
        let ended = last.end.filter(|end| matches!(end, End::TakenOff(_)) || end.at() < at);
        if let (Some(end), Some(index)) = (ended, index) {
            let with = [Some(part.uuid()), self.rows[index].removed_event_id.map(Id::uuid)].into_iter().flatten();
            let detail = format!("The {name} came off on {} already; a part cannot be removed twice.", calendar::words(end.at().on));
            return Err(Error::conflict(detail, with));
        }
        if let Some(row) = index.and_then(|index| self.rows.get_mut(index)) {
            end_row(row, entry, own, reason);
        }
        Ok(())
    }
    /// Takes what an event did to parts out again.
    pub fn undo(&mut self, event: Id<ServiceEvent>) {
        let gone: BTreeSet<_> = self.rows.iter().filter(|row| row.fitted_event_id == Some(event)).map(|row| row.id).collect();
        self.rows.retain(|row| !gone.contains(&row.id));
        for row in &mut self.rows {
            let made_room = row.removed_entry.is_some_and(|entry| gone.contains(&entry));
            if made_room || row.removed_event_id == Some(event) {
                no_end(row);
            }
        }
    }
    /// What an event fitted that stands, with its rows.
    pub fn fitted_in(&self, event: Id<ServiceEvent>) -> impl Iterator<Item = &FittingRow> {
        self.rows.iter().filter(move |row| row.fitted_event_id == Some(event))
    }
    /// Later stays of a part.
    pub fn later_stays<'a>(&'a self, row: &'a FittingRow) -> impl Iterator<Item = &'a FittingRow> {
        let since = (row.fitted_on, row.id);
        self.rows.iter().filter(move |other| other.part_id == row.part_id && other.id != row.id && (other.fitted_on, other.id) > since)
    }
    /// Whether a stay ended because another part took its place.
    #[must_use]
    pub fn made_room(&self, row: &FittingRow) -> bool {
        row.removed_entry.is_some_and(|entry| self.rows.iter().any(|other| other.id == entry))
    }

    /// Works out how stays end that nobody ended by name, and looks whether all of them can be.
    ///
    /// # Errors
    /// 409 with the part and the event that stand in the way.
    pub fn settle(&mut self) -> Result<()> {
        let mut sittings = self.sittings();
        stays::settle(&mut sittings, self.bike).map_err(|clash| self.explain(clash))?;
        let fitted: BTreeMap<Id<Fitting>, Entry> = self
            .rows
            .iter()
            .map(|row| (row.id, Entry { on: row.fitted_on, reading: row.fitted_reading_id, event: row.fitted_event_id }))
            .collect();
        for (row, sitting) in self.rows.iter_mut().zip(&sittings).filter(|(row, _)| row.motorcycle_id == self.bike) {
            match sitting.end {
                None => no_end(row),
                Some(End::MadeRoom { by, .. }) => {
                    if let Some(entry) = fitted.get(&by) {
                        end_row(row, *entry, by, Some(MADE_ROOM.into()));
                    }
                }
                Some(End::TakenOff(_)) => {}
            }
        }
        Ok(())
    }
    /// Stores what is new and what ends otherwise than before, and which part each value is of that did not name one. Gives every other
    /// motorcycle that a changed part was on.
    ///
    /// # Errors
    /// Where the database refuses.
    pub async fn store(&self, work: &mut Work) -> Result<()> {
        let workshop = work.workshop_id();
        store::insert(&mut work.tx, workshop, &self.new_parts).await?;
        let new: Vec<_> = self.rows.iter().filter(|row| !self.before.contains_key(&row.id)).cloned().collect();
        store::insert_fittings(&mut work.tx, workshop, &new).await?;
        let changed: Vec<_> = self.rows.iter().filter(|row| self.before.get(&row.id).is_some_and(|before| before != *row)).collect();
        for row in &changed {
            store::set_end(&mut work.tx, workshop, row).await?;
        }
        let gone = self.before.values().filter(|before| self.rows.iter().all(|row| row.id != before.id)).map(|row| row.part_id);
        let made: BTreeSet<_> = self.new_parts.iter().map(|part| part.id).collect();
        let parts: BTreeSet<_> = changed.iter().map(|row| row.part_id).chain(new.iter().map(|row| row.part_id)).chain(gone).collect();
        let now = work.now;
        for part in parts.difference(&made) {
            store::changed(&mut work.tx, workshop, *part, now).await?;
        }
        // The other motorcycles of parts that moved: what the part has run there counts from another figure now.
        for row in self.rows.iter().filter(|row| row.motorcycle_id != self.bike && parts.contains(&row.part_id)) {
            work.touch(row.motorcycle_id);
        }
        if parts.is_empty() { Ok(()) } else { self.relink(work).await }
    }
    /// A value that did not name its part is of the part that was there: with other stays it may be another one.
    async fn relink(&self, work: &mut Work) -> Result<()> {
        let (workshop, now) = (work.workshop_id(), Instant(work.now));
        for Stored { value, reading, .. } in measured_value::unnamed(&mut work.tx, workshop, self.bike).await? {
            let at = self.when(value.on, reading, value.service_event_id, value.id.uuid().as_u128());
            let part = self.at_place(&value.component, value.position, at);
            if part != value.installed_part_id {
                measured_value::set_part(&mut work.tx, workshop, value.id, part, now).await?;
            }
        }
        Ok(())
    }

    /// The part of a component and position on the motorcycle at a moment: after what happened then, or if that left the place empty,
    /// before.
    #[must_use]
    pub fn at_place(&self, component: &str, position: Option<Position>, at: When) -> Option<Id<InstalledPart>> {
        let there = |row: &&FittingRow| row.motorcycle_id == self.bike && row.component == component && row.position == position;
        let sittings = self.rows.iter().filter(there).map(|row| self.sitting(row));
        sittings.filter(|sitting| sitting.is_on(at)).max_by_key(|sitting| (sitting.from, sitting.id)).map(|sitting| sitting.part)
    }
    /// Whether a part was on the motorcycle at some time of a day.
    #[must_use]
    pub fn was_on(&self, part: Id<InstalledPart>, day: Date) -> bool {
        self.rows.iter().any(|row| {
            row.part_id == part && row.motorcycle_id == self.bike && row.fitted_on <= day && row.removed_on.is_none_or(|off| off >= day)
        })
    }
    /// When something happened on the motorcycle; `own` is the order of an entry without an event.
    #[must_use]
    pub fn when(&self, on: Date, reading: Option<Id<Reading>>, event: Option<Id<ServiceEvent>>, own: u128) -> When {
        let counter = &self.odometer;
        let read = reading.and_then(|id| counter.at_reading(id));
        let ticks = read.or_else(|| counter.on(on)).or_else(|| counter.last().map(|point| point.ticks));
        When { on, ticks, order: event.map_or(own, |event| event.uuid().as_u128()) }
    }

    fn sittings(&self) -> Vec<Sitting> {
        self.rows.iter().map(|row| self.sitting(row)).collect()
    }
    fn sitting(&self, row: &FittingRow) -> Sitting {
        let here = row.motorcycle_id == self.bike;
        let when = |on, reading, event, own: Id<Fitting>| {
            let when = self.when(on, reading, event, own.uuid().as_u128());
            // The distance of another motorcycle says nothing here.
            if here { when } else { When { ticks: None, ..when } }
        };
        let end = row.removed_on.map(|on| {
            let at = when(on, row.removed_reading_id, row.removed_event_id, row.removed_entry.unwrap_or(row.id));
            match row.removed_entry.filter(|_| here && self.made_room(row)) {
                Some(by) => End::MadeRoom { at, by },
                None => End::TakenOff(at),
            }
        });
        Sitting {
            id: row.id,
            part: row.part_id,
            motorcycle: row.motorcycle_id,
            component: row.component.clone(),
            position: row.position,
            from: when(row.fitted_on, row.fitted_reading_id, row.fitted_event_id, row.id),
            end,
        }
    }

    /// What people call a part.
    #[must_use]
    pub fn name(&self, part: Id<InstalledPart>) -> String {
        let Some(part) = self.parts.get(&part) else { return "part".into() };
        let component = part.component.replace('_', " ");
        if part.description.trim().is_empty() { component } else { format!("{component} \"{}\"", part.description.trim()) }
    }
    fn explain(&self, clash: Clash) -> Error {
        let row = |id: Id<Fitting>| self.rows.iter().find(|row| row.id == id);
        let words = calendar::words;
        match clash {
            Clash::StillThere { stays, newcomer } => {
                let (Some(stays), Some(newcomer)) = (row(stays), row(newcomer)) else { return Error::internal("a stay is gone") };
                let (name, off) = (self.name(stays.part_id), stays.removed_on.unwrap_or(stays.fitted_on));
                let detail = format!(
                    "The {name} was on this motorcycle until {}, when it was taken off; nothing else can take its place on {}. Strike out the entry that took it off, or correct the day.",
                    words(off),
                    words(newcomer.fitted_on)
                );
                Error::conflict(detail, [Some(stays.part_id.uuid()), stays.removed_event_id.map(Id::uuid)].into_iter().flatten())
            }
            Clash::TwoPlaces { first, second } => {
                let (Some(first), Some(second)) = (row(first), row(second)) else { return Error::internal("a stay is gone") };
                let place = |row: &FittingRow| if row.motorcycle_id == self.bike { "on this motorcycle" } else { "on another motorcycle" };
                let position = |row: &FittingRow| row.position.map(|position| format!(" ({position})")).unwrap_or_default();
                let until = first.removed_on.map(|off| format!(" until {}", words(off))).unwrap_or_default();
                let detail = format!(
                    "The {} has been {}{} since {}{until}, so it cannot go {}{} on {}. Take it off first: name it under `removed` there.",
                    self.name(first.part_id),
                    place(first),
                    position(first),
                    words(first.fitted_on),
                    place(second),
                    position(second),
                    words(second.fitted_on),
                );
                let known = [first, second].into_iter().filter(|row| self.before.contains_key(&row.id));
                let events = known.filter_map(|row| row.fitted_event_id).map(Id::uuid);
                Error::conflict(detail, std::iter::once(first.part_id.uuid()).chain(events))
            }
        }
    }
}

fn end_row(row: &mut FittingRow, entry: Entry, by: Id<Fitting>, reason: Option<String>) {
    row.removed_on = Some(entry.on);
    row.removed_reading_id = entry.reading;
    row.removed_event_id = entry.event;
    row.removed_entry = Some(by);
    row.removed_reason = reason;
}
fn no_end(row: &mut FittingRow) {
    row.removed_on = None;
    row.removed_reading_id = None;
    row.removed_event_id = None;
    row.removed_entry = None;
    row.removed_reason = None;
}
