//! Everything that happened to a motorcycle, one list, newest first.
use std::collections::BTreeMap;

use uuid::Uuid;

use super::{
    Work,
    part::{self as parts_action, lives::Lives},
    service::show,
};
use crate::{
    domain::{
        history_item::{HistoryItem, HistoryKind},
        id::Id,
        motorcycle::{Instrument, Motorcycle},
        part::InstalledPart,
        road::Roads,
        words::CounterKind,
    },
    error::Result,
    store::{
        Stretch,
        history_item::{self as store, Place, PlaceKey},
        instrument, measured_value,
        part::{self as parts, FittingRow},
        reading, service_event,
    },
};

/// Items of a motorcycle's history, each with its place in the list.
///
/// # Errors
/// Where the database refuses.
pub async fn list(work: &mut Work, bike: &Motorcycle, stretch: Stretch<PlaceKey>) -> Result<Vec<(PlaceKey, HistoryItem)>> {
    let workshop = work.workshop_id();
    let places = store::list(&mut work.tx, workshop, bike.id, stretch).await?;
    let mut things = Things::load(work, bike, &places).await?;
    let item = |place: &Place| things.take(place).map(|item| ((place.on_date, place.entry, place.what), item));
    Ok(places.iter().filter_map(item).collect())
}

/// The things of one page by their ids.
#[derive(Default)]
struct Things {
    items: BTreeMap<Uuid, HistoryItem>,
    fitted: BTreeMap<Uuid, HistoryItem>,
    removed: BTreeMap<Uuid, HistoryItem>,
}
impl Things {
    async fn load(work: &mut Work, bike: &Motorcycle, places: &[Place]) -> Result<Self> {
        let mut things = Self::default();
        things.events(work, places).await?;
        things.readings(work, places).await?;
        things.parts(work, bike, places).await?;
        things.values(work, places).await?;
        things.instruments(work, bike, places).await?;
        things.amendments(work, places).await?;
        Ok(things)
    }
    /// A part that came off on the day it went on stands in two maps; everything else is there once.
    fn take(&mut self, place: &Place) -> Option<HistoryItem> {
        match place.what {
            2 => self.fitted.remove(&place.thing),
            3 => self.removed.remove(&place.thing),
            _ => self.items.remove(&place.thing),
        }
    }
    async fn events(&mut self, work: &mut Work, places: &[Place]) -> Result<()> {
        let workshop = work.workshop_id();
        let rows = service_event::by_ids(&mut work.tx, workshop, &ids(places, &[0])).await?;
        for event in show::events(work, rows).await? {
            let item = HistoryItem::new(HistoryKind::ServiceEvent, event.on, event.id.uuid(), Some(event.id));
            self.items.insert(event.id.uuid(), HistoryItem { service_event: Some(event), ..item });
        }
        Ok(())
    }
    async fn readings(&mut self, work: &mut Work, places: &[Place]) -> Result<()> {
        let workshop = work.workshop_id();
        for reading in reading::by_ids(&mut work.tx, workshop, &ids(places, &[1])).await? {
            let (id, on, event) = (reading.id.uuid(), reading.on, reading.service_event_id);
            let item = match reading.counter {
                CounterKind::Odometer => {
                    HistoryItem { odometer_reading: Some(reading), ..HistoryItem::new(HistoryKind::OdometerReading, on, id, event) }
                }
                CounterKind::Hours => {
                    HistoryItem { hour_reading: Some(reading), ..HistoryItem::new(HistoryKind::HourReading, on, id, event) }
                }
            };
            self.items.insert(id, item);
        }
        Ok(())
    }
    async fn parts(&mut self, work: &mut Work, bike: &Motorcycle, places: &[Place]) -> Result<()> {
        let workshop = work.workshop_id();
        let rows = parts::fittings_by_ids(&mut work.tx, workshop, &ids(places, &[2, 3])).await?;
        if rows.is_empty() {
            return Ok(());
        }
        let part_ids: Vec<_> = rows.iter().map(|row| row.part_id).collect();
        let lives = Lives::load(work, bike, &part_ids).await?;
        let roads = Roads::new(&lives.history);
        let today = work.today;
        for row in rows {
            let Some(mut part) = lives.view(row.part_id, today, &roads) else { continue };
            parts_action::leave_out_elsewhere(work, &mut part).await?;
            let part = lives.in_stay(part, &row, &roads);
            let (id, key) = (row.part_id.uuid(), row.id.uuid());
            let fitted = HistoryItem::new(HistoryKind::PartFitted, row.fitted_on, id, row.fitted_event_id);
            self.fitted.insert(key, HistoryItem { part_fitted: Some(part.clone()), ..fitted });
            if let Some(off) = row.removed_on {
                let removed = HistoryItem::new(HistoryKind::PartRemoved, off, id, row.removed_event_id);
                self.removed.insert(key, HistoryItem { part_removed: Some(part), ..removed });
            }
        }
        Ok(())
    }
    async fn values(&mut self, work: &mut Work, places: &[Place]) -> Result<()> {
        let workshop = work.workshop_id();
        for stored in measured_value::by_ids(&mut work.tx, workshop, &ids(places, &[4])).await? {
            let value = stored.value;
            let item = HistoryItem::new(HistoryKind::MeasuredValue, value.on, value.id.uuid(), value.service_event_id);
            self.items.insert(value.id.uuid(), HistoryItem { measured_value: Some(value), ..item });
        }
        Ok(())
    }
    async fn instruments(&mut self, work: &mut Work, bike: &Motorcycle, places: &[Place]) -> Result<()> {
        if ids::<Instrument>(places, &[5]).is_empty() {
            return Ok(());
        }
        let workshop = work.workshop_id();
        for kind in [CounterKind::Odometer, CounterKind::Hours] {
            for change in instrument::all(&mut work.tx, workshop, bike.id, kind).await? {
                let (id, on) = (change.id.uuid(), change.on);
                let item = match kind {
                    CounterKind::Odometer => {
                        HistoryItem { odometer_replaced: Some(change), ..HistoryItem::new(HistoryKind::OdometerReplaced, on, id, None) }
                    }
                    CounterKind::Hours => {
                        HistoryItem { hour_meter_replaced: Some(change), ..HistoryItem::new(HistoryKind::HourMeterReplaced, on, id, None) }
                    }
                };
                self.items.insert(id, item);
            }
        }
        Ok(())
    }
    async fn amendments(&mut self, work: &mut Work, places: &[Place]) -> Result<()> {
        let workshop = work.workshop_id();
        let days: BTreeMap<_, _> = places.iter().filter(|place| place.what == 6).map(|place| (place.thing, place.on_date)).collect();
        for (event, amendment) in service_event::amendments_by_ids(&mut work.tx, workshop, &ids(places, &[6])).await? {
            let id = amendment.id.uuid();
            let Some(on) = days.get(&id) else { continue };
            let item = HistoryItem::new(HistoryKind::Amendment, *on, id, Some(event));
            self.items.insert(id, HistoryItem { amendment: Some(amendment), ..item });
        }
        Ok(())
    }
}
fn ids<T>(places: &[Place], what: &[i64]) -> Vec<Id<T>> {
    places.iter().filter(|place| what.contains(&place.what)).map(|place| Id::new(place.thing)).collect()
}

impl Lives {
    /// A part as it was in one of its stays: where, from when, until when; struck out with it.
    fn in_stay(&self, part: InstalledPart, row: &FittingRow, roads: &Roads) -> InstalledPart {
        InstalledPart {
            position: row.position,
            fitted: self.fitted_at(row, roads),
            removed: self.removed_at(row, roads),
            struck_out: row.struck_out().or(part.struck_out.clone()),
            ..part
        }
    }
}
