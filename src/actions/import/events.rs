//! Service events out of a file: rows of one motorcycle, day and summary are one event, each row with a component one of its work lines.
use std::collections::{BTreeMap, HashMap};

use serde_json::{Value, json};
use time::Date;

use super::{
    bikes::Bikes,
    table::{Column, Table},
};
use crate::{
    actions::{Work, component, progress::Stage, service::many::log_many},
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        quantity::Figure,
        service::{Cost, NewServiceEvent, WorkLine},
        validate::Problem,
        words::{Operation, Position},
    },
    error::{Error, Result},
};

pub const COLUMNS: &[Column] = &[
    ("motorcycle", true),
    ("on", true),
    ("odometer", false),
    ("summary", true),
    ("component", false),
    ("position", false),
    ("operation", false),
    ("note", false),
    ("performed_by", false),
    ("cost", false),
];

/// An event as its rows make it.
struct Gathered {
    on: Date,
    summary: String,
    odometer: Option<Figure>,
    performed_by: Option<String>,
    cost: Option<Cost>,
    notes: Vec<String>,
    work: Vec<WorkLine>,
    /// Its rows; the first one speaks for it.
    rows: Vec<usize>,
    /// The row of each work line.
    lines: Vec<usize>,
}

/// Logs the events of a file, motorcycle by motorcycle.
///
/// # Errors
/// Where the database refuses.
pub async fn import(work: &mut Work, table: &mut Table) -> Result<()> {
    let bikes = Bikes::load(work).await?;
    let components = component::all(work).await?;
    let gathered = gather(table, &bikes, &work.workshop.currency.clone());
    work.begin_stage(Stage::Rows, table.rows.len());
    for (id, events) in gathered {
        work.step(events.iter().map(|event| event.rows.len()).sum());
        let Some(bike) = bikes.get(id) else { continue };
        let many = events.iter().map(Gathered::event).collect::<Result<Vec<_>>>()?;
        let logged = log_many(work, bike, &many, &components).await?;
        for (event, logged) in events.iter().zip(logged) {
            match logged {
                Ok(true) => event.rows.iter().for_each(|row| table.is_new(*row)),
                Ok(false) => {}
                Err(problems) => problems.into_iter().for_each(|problem| event.blame(table, problem)),
            }
        }
    }
    Ok(())
}

fn gather(table: &mut Table, bikes: &Bikes, currency: &str) -> BTreeMap<Id<Motorcycle>, Vec<Gathered>> {
    let mut of: BTreeMap<Id<Motorcycle>, Vec<Gathered>> = BTreeMap::new();
    let mut places: HashMap<(Id<Motorcycle>, Date, String), usize> = HashMap::new();
    for row in 0..table.rows.len() {
        if !table.is_good(row) {
            continue;
        }
        let Some((bike, event)) = read(table, row, bikes, currency).filter(|_| table.is_good(row)) else { continue };
        let events = of.entry(bike).or_default();
        let key = (bike, event.on, event.summary.clone());
        if let Some(place) = places.get(&key) {
            events[*place].join(table, row, event);
        } else {
            places.insert(key, events.len());
            events.push(event);
        }
    }
    // Where one row of an event is wrong the whole of it waits for that; its other rows are new all the same.
    for events in of.values_mut() {
        events.retain(|event| {
            let good = event.rows.iter().all(|row| table.is_good(*row));
            event
                .rows
                .iter()
                .filter(|row| !good && table.is_good(**row))
                .copied()
                .collect::<Vec<_>>()
                .into_iter()
                .for_each(|row| table.is_new(row));
            good
        });
    }
    of
}

fn read(table: &mut Table, row: usize, bikes: &Bikes, currency: &str) -> Option<(Id<Motorcycle>, Gathered)> {
    table.needed(row, "on");
    let on = table.day(row, "on");
    let summary = table.text(row, "summary").unwrap_or_default().to_owned();
    let note = table.text(row, "note").unwrap_or_default().to_owned();
    let line = line(table, row, note.clone());
    let cost = cost(table, row, currency);
    let performed_by = table.text(row, "performed_by").map(str::to_owned);
    let bike = bikes.of_row(table, row)?;
    let odometer = table.odometer(row, "odometer", bike);
    let notes = if line.is_none() && !note.is_empty() { vec![note] } else { Vec::new() };
    let lines = if line.is_some() { vec![row] } else { Vec::new() };
    let work = line.into_iter().collect();
    Some((bike.id, Gathered { on: on?, summary, odometer, performed_by, cost, notes, work, rows: vec![row], lines }))
}
/// The row's work line, where it names a component.
fn line(table: &mut Table, row: usize, note: String) -> Option<WorkLine> {
    let position = table.parsed::<Position>(row, "position");
    let operation = table.parsed::<Operation>(row, "operation");
    let component = table.text(row, "component").map(crate::domain::sheet::column);
    let Some(component) = component else {
        for column in ["position", "operation"] {
            if table.text(row, column).is_some() {
                table.fail(row, column, "stands without a component; name the component, or leave it out");
            }
        }
        return None;
    };
    if table.text(row, "operation").is_none() {
        table.fail(row, "operation", "is missing; say what was done to the component, such as replace");
    }
    Some(WorkLine { component, position, operation: operation?, note })
}
/// An amount of the workshop's currency, or of the one that stands behind it.
fn cost(table: &mut Table, row: usize, currency: &str) -> Option<Cost> {
    let text = table.text(row, "cost")?.to_owned();
    let (amount, currency) = text.split_once(' ').unwrap_or((&text, currency));
    if amount.is_empty() || amount.bytes().any(|byte| !byte.is_ascii_digit() && byte != b'.') {
        table.fail(row, "cost", "is not an amount; write digits with a point before decimals, such as 84.50 or 84.50 EUR");
        return None;
    }
    Some(Cost { amount: amount.into(), currency: currency.trim().into() })
}

impl Gathered {
    /// Takes in a further row of the same event.
    fn join(&mut self, table: &mut Table, row: usize, other: Self) {
        let first = table.rows[self.rows[0]].number;
        let mut agree = |column: &str, agrees: bool| {
            if !agrees {
                table.fail(row, column, format!("is not what row {first} says, which is about the same event; give it once, or the same"));
            }
        };
        let both = |a: &Option<Figure>, b: &Option<Figure>| match (a, b) {
            (Some(a), Some(b)) => a.partial_cmp(b) == Some(std::cmp::Ordering::Equal),
            _ => true,
        };
        agree("odometer", both(&self.odometer, &other.odometer));
        agree("performed_by", self.performed_by.is_none() || other.performed_by.is_none() || self.performed_by == other.performed_by);
        agree("cost", self.cost.is_none() || other.cost.is_none() || self.cost == other.cost);
        self.odometer = self.odometer.take().or(other.odometer);
        self.performed_by = self.performed_by.take().or(other.performed_by);
        self.cost = self.cost.take().or(other.cost);
        self.notes.extend(other.notes);
        self.work.extend(other.work);
        self.rows.push(row);
        self.lines.extend(other.lines);
    }
    /// The event as a request would give it.
    fn event(&self) -> Result<NewServiceEvent> {
        let value: Value = json!({
            "on": self.on, "summary": self.summary, "odometer": self.odometer, "performed_by": self.performed_by, "cost": self.cost,
            "work": self.work, "notes": self.notes.join("\n"),
        });
        serde_json::from_value(value).map_err(Error::internal)
    }
    /// Says at the row of the place that is wrong what is wrong with it.
    fn blame(&self, table: &mut Table, problem: Problem) {
        let mut pieces = problem.pointer.trim_start_matches('/').split('/');
        let (field, line, inner) = (pieces.next().unwrap_or_default(), pieces.next(), pieces.next());
        let place = line.and_then(|line| line.parse::<usize>().ok()).filter(|_| field == "work").and_then(|line| self.lines.get(line));
        let column = match (field, inner) {
            ("work", Some(inner)) => inner,
            ("notes", _) => "note",
            (field, _) => field,
        };
        table.fail(*place.unwrap_or(&self.rows[0]), column, problem.detail);
    }
}
