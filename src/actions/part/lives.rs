//! The lives of parts as people read them: every stay with its distance, what the part has run, how old it is.
use std::collections::{BTreeMap, BTreeSet};

use time::Date;

use crate::{
    actions::{Work, motorcycle, reading},
    domain::{
        counter,
        history::{History, Mark, PartLife, Ride, Stay},
        id::Id,
        motorcycle::{Motorcycle, Reading, StruckOut},
        part::{FittedAt, Fitting, InstalledPart, RemovedAt},
        quantity::{Distance, Quantity},
        road::{Roads, start_of},
        service::ServiceEvent,
        verdict::PartAge,
        words::CounterKind,
    },
    error::{Error, Result},
    store::{
        self as stores,
        part::{self as store, FittingRow, PartRow},
    },
};

/// Parts with their fittings, and the counters of every motorcycle that they were on.
#[derive(Debug)]
pub struct Lives {
    /// What the computation is given.
    pub history: History,
    parts: BTreeMap<Id<InstalledPart>, (PartRow, Vec<FittingRow>)>,
    bikes: BTreeMap<Id<Motorcycle>, Motorcycle>,
    figures: BTreeMap<Id<Reading>, Quantity>,
}

impl Lives {
    /// Reads these parts; `bike` is the motorcycle that is asked about. Without parts only its counters are read.
    ///
    /// # Errors
    /// Where the database refuses.
    pub async fn load(work: &mut Work, bike: &Motorcycle, ids: &[Id<InstalledPart>]) -> Result<Self> {
        let workshop = work.workshop_id();
        let mut parts: BTreeMap<_, _> =
            store::by_ids(&mut work.tx, workshop, ids).await?.into_iter().map(|part| (part.id, (part, Vec::new()))).collect();
        let rows = store::fittings_of(&mut work.tx, workshop, ids).await?;
        let readings: BTreeSet<_> = rows.iter().flat_map(|row| [row.fitted_reading_id, row.removed_reading_id]).flatten().collect();
        let readings: Vec<_> = readings.into_iter().collect();
        let figures = store::figures(&mut work.tx, workshop, &readings).await?.into_iter().collect();
        let mut bikes = BTreeMap::from([(bike.id, bike.clone())]);
        for row in rows {
            if let std::collections::btree_map::Entry::Vacant(place) = bikes.entry(row.motorcycle_id) {
                place.insert(motorcycle::unseen(work, row.motorcycle_id).await?);
            }
            if let Some((_, fittings)) = parts.get_mut(&row.part_id) {
                fittings.push(row);
            }
        }
        let mut rides = Vec::new();
        for (id, ridden) in &bikes {
            let odometer = reading::counter(work, *id, CounterKind::Odometer).await?;
            let hours = reading::counter(work, *id, CounterKind::Hours).await?;
            let workshop = work.workshop_id();
            let lay_ups = stores::lay_up::periods(&mut work.tx, workshop, *id).await?;
            rides.push(Ride { motorcycle_id: *id, odometer, hours, start: start_of(ridden), lay_ups, events: Vec::new() });
        }
        let default_yearly = Distance::from_quantity(&work.workshop.default_yearly_distance).map_err(Error::internal)?;
        let history = History {
            motorcycle: bike.clone(),
            rides,
            parts: parts.values().map(|(part, rows)| life(part, rows)).collect(),
            follow_ups: Vec::new(),
            values: Vec::new(),
            default_yearly,
            lead_days: i64::from(work.workshop.lead_days),
        };
        Ok(Self { history, parts, bikes, figures })
    }

    /// What people call a part: its description.
    #[must_use]
    pub fn part(&self, id: Id<InstalledPart>) -> Option<&PartRow> {
        self.parts.get(&id).map(|(part, _)| part)
    }
    /// What is known of a part when something happened on a motorcycle.
    #[must_use]
    pub fn age(&self, id: Id<InstalledPart>, bike: Id<Motorcycle>, mark: &Mark, roads: &Roads) -> Option<PartAge<'_>> {
        let life = self.history.parts.iter().find(|life| life.id == id)?;
        Some(PartAge {
            distance: life.distance_at(bike, mark, roads),
            hours: life.hours_at(bike, mark, roads),
            months: life.ages_from().map(|_| life.age_months(mark.on)),
            description: &life.description,
        })
    }

    /// A part as it stood at the end of a day.
    #[must_use]
    pub fn view(&self, id: Id<InstalledPart>, day: Date, roads: &Roads) -> Option<InstalledPart> {
        let (part, rows) = self.parts.get(&id)?;
        let struck_out = struck_out(rows);
        let shown: Vec<FittingRow> = rows
            .iter()
            .filter(|row| row.fitted_on <= day && (row.struck_at.is_none() || struck_out.is_some()))
            .map(|row| as_of(row, day))
            .collect();
        let last = shown.last()?;
        let life = life(part, &shown);
        let runs: Vec<Option<i64>> = (0..life.stays.len()).map(|stay| run(&life, stay, day, roads)).collect();
        let bike = self.bikes.get(&last.motorcycle_id)?;
        let total = runs.iter().try_fold(part.prior_mm, |sum, run| run.map(|run| sum.saturating_add(run)));
        let fittings = shown.iter().zip(&runs).map(|(row, run)| self.fitting(row, *run, roads)).collect();
        Some(InstalledPart {
            id,
            motorcycle_id: (last.removed_on.is_none() && struck_out.is_none()).then_some(last.motorcycle_id),
            component: part.component.clone(),
            position: last.position,
            description: part.description.clone(),
            part_number: part.part_number.clone(),
            condition: part.condition,
            single_use: part.single_use,
            date_code: part.date_code.clone(),
            prior_distance: part.prior_distance.clone(),
            fitted: self.fitted_at(last, roads),
            removed: self.removed_at(last, roads),
            part_distance: total.map(|mm| Distance::from_mm(mm).quantity(bike.odometer_unit)),
            age_months: life.age_months(day),
            fittings,
            struck_out,
            created_at: part.created_at.0,
        })
    }
    fn fitting(&self, row: &FittingRow, run: Option<i64>, roads: &Roads) -> Fitting {
        let unit = self.bikes.get(&row.motorcycle_id).map(|bike| bike.odometer_unit);
        Fitting {
            motorcycle_id: row.motorcycle_id,
            position: row.position,
            fitted: self.fitted_at(row, roads),
            removed: self.removed_at(row, roads),
            distance: run.zip(unit).map(|(mm, unit)| Distance::from_mm(mm).quantity(unit)),
        }
    }
    pub(in crate::actions) fn fitted_at(&self, row: &FittingRow, roads: &Roads) -> FittedAt {
        let odometer = self.shown(row.motorcycle_id, row.fitted_on, row.fitted_reading_id, roads);
        FittedAt { on: row.fitted_on, odometer, service_event_id: row.fitted_event_id }
    }
    pub(in crate::actions) fn removed_at(&self, row: &FittingRow, roads: &Roads) -> Option<RemovedAt> {
        let on = row.removed_on?;
        Some(RemovedAt {
            on,
            odometer: self.shown(row.motorcycle_id, on, row.removed_reading_id, roads),
            service_event_id: row.removed_event_id,
            reason: row.removed_reason.clone(),
        })
    }
    /// What the odometer showed: as it was read, else as the readings around the day let it be estimated.
    fn shown(&self, bike: Id<Motorcycle>, on: Date, reading: Option<Id<Reading>>, roads: &Roads) -> Option<Quantity> {
        if let Some(figure) = reading.and_then(|id| self.figures.get(&id)) {
            return Some(figure.clone());
        }
        self.estimated(bike, on, roads)
    }
    /// What the odometer of a motorcycle showed on a day, by the readings around it.
    #[must_use]
    pub fn estimated(&self, bike: Id<Motorcycle>, on: Date, roads: &Roads) -> Option<Quantity> {
        let unit = self.bikes.get(&bike)?.odometer_unit.into();
        let gauge = &roads.of(bike)?.distance;
        let ticks = gauge.on(on)?;
        let shown = gauge.counter.shown_then(on, ticks)?;
        Some(Quantity { value: counter::from_ticks(shown, unit), unit })
    }
}

/// The fitting as it stood at the end of a day: what ended later had not ended.
fn as_of(row: &FittingRow, day: Date) -> FittingRow {
    let mut row = row.clone();
    if row.removed_on.is_some_and(|removed| removed > day) {
        row.removed_on = None;
    }
    row
}
/// A part is struck out where everything that fitted it is.
fn struck_out(rows: &[FittingRow]) -> Option<StruckOut> {
    rows.iter().all(|row| row.struck_at.is_some()).then(|| rows.iter().find_map(FittingRow::struck_out)).flatten()
}
/// What it ran in one stay up to a day: by the readings, so that after the last of them it stands still.
fn run(life: &PartLife, stay: usize, day: Date, roads: &Roads) -> Option<i64> {
    let stay = &life.stays[stay];
    let road = roads.of(stay.motorcycle_id)?;
    let from = road.distance_at(&stay.fitted)?.ticks;
    let to = match &stay.removed {
        Some(removed) => road.distance_at(removed)?.ticks,
        None => road.distance.counter.on(day).or_else(|| Some(road.distance.counter.last()?.ticks)).unwrap_or(from),
    };
    Some((to - from).max(0))
}

/// A part and its stays that stand, for the computation; all of them where none stands.
fn life(part: &PartRow, rows: &[FittingRow]) -> PartLife {
    let none_stands = rows.iter().all(|row| row.struck_at.is_some());
    PartLife {
        id: part.id,
        component: part.component.clone(),
        condition: part.condition,
        description: part.description.clone(),
        prior: Distance::from_mm(part.prior_mm),
        date_code: part.date_code.clone(),
        stays: rows.iter().filter(|row| none_stands || row.struck_at.is_none()).map(stay).collect(),
    }
}
fn stay(row: &FittingRow) -> Stay {
    let order = row.id.uuid().as_u128();
    let removed = row.removed_on.map(|on| {
        let order = row.removed_entry.map_or(order, |entry| entry.uuid().as_u128());
        mark(on, row.removed_reading_id, None, row.removed_event_id, order)
    });
    Stay {
        motorcycle_id: row.motorcycle_id,
        position: row.position,
        fitted: mark(row.fitted_on, row.fitted_reading_id, None, row.fitted_event_id, order),
        fitted_in: row.fitted_event_id,
        removed,
    }
}
/// When something happened; `own` is the order of an entry without an event.
#[must_use]
pub fn mark(on: Date, odometer: Option<Id<Reading>>, hours: Option<Id<Reading>>, event: Option<Id<ServiceEvent>>, own: u128) -> Mark {
    Mark { on, odometer, hours, order: event.map_or(own, |event| event.uuid().as_u128()) }
}
