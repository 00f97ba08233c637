//! The rows of a motorcycle's history: work, readings and values that came without work, newest first, by the day and then by the order of entry.
use time::Date;
use uuid::Uuid;

use super::{form::Form, paging, words};
use crate::{
    actions::{Work, measure, reading, service},
    domain::{
        calendar,
        component::Component,
        id::Id,
        motorcycle::{Instrument, Motorcycle, Reading, StruckOut},
        quantity::grouped,
        service::{MeasuredValue, ServiceEvent},
        words::CounterKind,
    },
    error::Result,
    store::{Stretch, measured_value, service_event},
};

/// How many rows a page of it has.
const SIZE: i64 = 20;
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
}
type Key = (Date, Uuid);

/// A page of the history, and the key of the next one.
///
/// # Errors
/// Where the database refuses, or the key is none.
pub async fn of(work: &mut Work, bike: &Motorcycle, components: &[Component], asked: &Form) -> Result<(Vec<HistoryRow>, Option<String>)> {
    let stretch: Stretch<Key> = paging::stretch(asked, SIZE)?;
    let wanted = service_event::Wanted::default();
    let events = service::list(work, bike.id, &wanted, after(&stretch)).await?;
    let readings = reading::list(work, bike.id, CounterKind::Odometer, None, after(&stretch)).await?;
    let wanted = measured_value::Wanted { component: None, quantity: None, since: None };
    let values = measure::list(work, bike.id, &wanted, after(&stretch)).await?;
    let mut rows: Vec<(Key, HistoryRow)> = Vec::new();
    // Each list is cut at the same length, so nothing beyond the shortest full one may be shown yet: its turn comes on the next page.
    let last = usize::try_from(SIZE).unwrap_or(0);
    let ends = [
        events.get(last).map(|event| (event.on, event.id.uuid())),
        readings.get(last).map(|reading| (reading.on, reading.id.uuid())),
        values.get(last).map(|value| (value.on, value.id.uuid())),
    ];
    rows.extend(events.iter().map(|event| ((event.on, event.id.uuid()), of_event(event, components))));
    let alone = readings.iter().filter(|reading| reading.service_event_id.is_none());
    rows.extend(alone.map(|reading| ((reading.on, reading.id.uuid()), of_reading(reading))));
    let alone = values.iter().filter(|value| value.service_event_id.is_none());
    rows.extend(alone.map(|value| ((value.on, value.id.uuid()), of_value(value, components))));
    // An odometer is replaced a few times in a life: all of them at once.
    let changes = reading::list_instruments(work, bike.id, CounterKind::Odometer, Stretch { after: None, limit: 200 }).await?;
    let changes = changes.iter().map(|change| ((change.on, change.id.uuid()), of_change(change)));
    rows.extend(changes.filter(|(key, _)| stretch.after.is_none_or(|after| *key < after)));
    rows.sort_by_key(|row| std::cmp::Reverse(row.0));
    let end = ends.into_iter().flatten().max();
    let shown: usize = rows.iter().take_while(|row| end.is_none_or(|end| row.0 >= end)).count();
    rows.truncate(shown);
    let mut next = paging::cut(&mut rows, SIZE, |row| row.0);
    if next.is_none() && end.is_some() {
        next = end.and_then(|end| paging::encode(&end));
    }
    Ok((rows.into_iter().map(|row| row.1).collect(), next))
}
fn after<T>(stretch: &Stretch<Key>) -> Stretch<(Date, Id<T>)> {
    Stretch { after: stretch.after.map(|(on, id)| (on, Id::new(id))), limit: stretch.limit }
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
    }
}

fn of_change(change: &Instrument) -> HistoryRow {
    HistoryRow {
        on: calendar::words(change.on),
        odometer: String::new(),
        what: format!("Odometer: {}", words::instrument(change)),
        by: String::new(),
        struck: None,
        href: None,
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
    }
}
