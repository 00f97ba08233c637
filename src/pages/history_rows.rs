//! The rows of a motorcycle's history, newest first: work, and what came without work.
use time::Date;
use uuid::Uuid;

use super::{
    form::Form,
    paging,
    photos::{self, Photo},
    words,
};
use crate::{
    actions::{Work, history},
    domain::{
        calendar,
        component::Component,
        history_item::HistoryItem,
        motorcycle::{Instrument, Motorcycle, Reading, StruckOut},
        part::InstalledPart,
        quantity::grouped,
        service::{MeasuredValue, ServiceEvent},
    },
    error::Result,
    store::{Stretch, history_item::PlaceKey},
};

/// How many rows a page of it has.
const SIZE: usize = 20;
/// How many items are asked for at once: those that came with a service event share its row.
const FETCHED: i64 = 60;
/// The most photographs of a row.
const MOST_PHOTOS: usize = 3;
/// The most work lines that are said before "and more".
const MOST_LINES: usize = 4;

/// One row.
#[derive(Clone, Debug)]
pub struct HistoryRow {
    /// The day.
    pub on: String,
    /// What the odometer showed.
    pub odometer: String,
    /// What happened.
    pub what: String,
    /// Who did it.
    pub by: String,
    /// Why it was struck out.
    pub struck: Option<String>,
    /// Its own page.
    pub href: Option<String>,
    /// What it is the row of, where photographs may hang on that.
    pub id: Option<Uuid>,
    /// The first photographs of it.
    pub photos: Vec<Photo>,
}

/// A page of the history, and the key of the next one.
///
/// # Errors
/// Where the database refuses, or the key is none.
pub async fn of(work: &mut Work, bike: &Motorcycle, components: &[Component], asked: &Form) -> Result<(Vec<HistoryRow>, Option<String>)> {
    let mut stretch: Stretch<PlaceKey> = paging::stretch(asked, FETCHED)?;
    let (mut rows, mut last) = (Vec::new(), None);
    loop {
        let items = history::list(work, bike, stretch).await?;
        let more = items.len() > usize::try_from(FETCHED).unwrap_or(0);
        for (key, item) in items {
            if rows.len() == SIZE {
                add_photos(work, &mut rows).await?;
                return Ok((rows, last.as_ref().and_then(paging::encode)));
            }
            rows.extend(row(&item, components));
            last = Some(key);
        }
        if !more {
            add_photos(work, &mut rows).await?;
            return Ok((rows, None));
        }
        stretch = Stretch { after: last, limit: FETCHED + 1 };
    }
}

/// The first photographs of each row; the others stand on its page.
async fn add_photos(work: &mut Work, rows: &mut [HistoryRow]) -> Result<()> {
    let ids: Vec<_> = rows.iter().filter_map(|row| row.id).collect();
    for photo in photos::of(work, &ids).await? {
        let row = rows.iter_mut().find(|row| row.id == Some(photo.belongs_to) && row.photos.len() < MOST_PHOTOS);
        if let Some(row) = row.filter(|_| photo.size.is_some()) {
            row.photos.push(photo);
        }
    }
    Ok(())
}

/// The row of an item. What came with a service event is told in its row; an amendment is told on its page.
fn row(item: &HistoryItem, components: &[Component]) -> Option<HistoryRow> {
    if let Some(event) = &item.service_event {
        return Some(of_event(event, components));
    }
    if item.service_event_id.is_some() {
        return None;
    }
    let reading = item.odometer_reading.as_ref().or(item.hour_reading.as_ref()).map(of_reading);
    let fitted = || item.part_fitted.as_ref().map(|part| of_part(part, item.on, "fitted", components));
    let removed = || item.part_removed.as_ref().map(|part| of_part(part, item.on, "removed", components));
    let value = || item.measured_value.as_ref().map(|value| of_value(value, components));
    let odometer = || item.odometer_replaced.as_ref().map(|change| of_change(change, "Odometer"));
    let meter = || item.hour_meter_replaced.as_ref().map(|change| of_change(change, "Hour meter"));
    reading.or_else(fitted).or_else(removed).or_else(value).or_else(odometer).or_else(meter)
}

fn struck(out: Option<&StruckOut>) -> Option<String> {
    out.map(|out| format!("Struck out: {}", out.reason))
}

fn of_event(event: &ServiceEvent, components: &[Component]) -> HistoryRow {
    let odometer = event.odometer.as_ref().map(|figure| {
        if event.estimated {
            return format!("about {} {}", grouped(figure.value().round()), event.unit);
        }
        format!("{} {}", words::figure(figure), event.unit)
    });
    HistoryRow {
        on: calendar::words(event.on),
        odometer: odometer.unwrap_or_default(),
        what: what_was_done(event, components),
        by: event.performed_by.clone().unwrap_or_default(),
        struck: struck(event.struck_out.as_ref()),
        href: Some(format!("/service-events/{}", event.id)),
        id: Some(event.id.uuid()),
        photos: Vec::new(),
    }
}
/// The summary, or else what the lines say.
fn what_was_done(event: &ServiceEvent, components: &[Component]) -> String {
    if !event.summary.is_empty() {
        return event.summary.clone();
    }
    let name = |component: &str, position| words::component(components, component, position);
    let mut lines: Vec<_> = event.work.iter().map(|line| format!("{}: {}", name(&line.component, line.position), line.operation)).collect();
    lines.extend(event.fitted.iter().map(|part| format!("{} fitted", name(&part.component, part.position))));
    lines.extend(event.measured.iter().map(|value| format!("{} measured", name(&value.component, value.position))));
    lines.extend(event.tightened.iter().map(|fastener| format!("{} tightened", fastener.name)));
    lines.extend(event.procedures.iter().map(|followed| format!("{} followed", followed.title)));
    let more = lines.len() > MOST_LINES;
    lines.truncate(MOST_LINES);
    let text = lines.join("; ");
    if text.is_empty() {
        "Work".into()
    } else if more {
        format!("{text}; and more")
    } else {
        text
    }
}

fn of_reading(reading: &Reading) -> HistoryRow {
    HistoryRow {
        on: calendar::words(reading.on),
        odometer: format!("{} {}", words::figure(&reading.reading), reading.unit),
        what: "Reading".into(),
        by: reading.read_by.clone().unwrap_or_default(),
        struck: struck(reading.struck_out.as_ref()),
        href: None,
        id: None,
        photos: Vec::new(),
    }
}

fn of_part(part: &InstalledPart, on: Date, what: &str, components: &[Component]) -> HistoryRow {
    let name = words::component(components, &part.component, part.position);
    let description = if part.description.is_empty() { String::new() } else { format!(" ({})", part.description) };
    let at = if what == "removed" { part.removed.as_ref().and_then(|off| off.odometer.as_ref()) } else { part.fitted.odometer.as_ref() };
    HistoryRow {
        on: calendar::words(on),
        odometer: at.map(words::about).unwrap_or_default(),
        what: format!("{name}{description} {what}"),
        by: String::new(),
        struck: struck(part.struck_out.as_ref()),
        href: Some(format!("/installed-parts/{}", part.id)),
        id: None,
        photos: Vec::new(),
    }
}

fn of_change(change: &Instrument, what: &str) -> HistoryRow {
    HistoryRow {
        on: calendar::words(change.on),
        odometer: String::new(),
        what: format!("{what}: {}", words::instrument(change)),
        by: String::new(),
        struck: None,
        href: None,
        id: None,
        photos: Vec::new(),
    }
}

fn of_value(value: &MeasuredValue, components: &[Component]) -> HistoryRow {
    let name = words::component(components, &value.component, value.position);
    HistoryRow {
        on: calendar::words(value.on),
        odometer: String::new(),
        what: format!("{name}: {}, {}", words::measured(value), words::verdict(value.verdict)),
        by: String::new(),
        struck: struck(value.struck_out.as_ref()),
        href: None,
        id: None,
        photos: Vec::new(),
    }
}
