//! Odometer readings out of a file.
use std::collections::BTreeMap;

use super::{
    bikes::Bikes,
    table::{Column, Table},
};
use crate::{
    actions::{
        Work,
        progress::Stage,
        reading::{self, Another},
    },
    domain::{
        id::Id,
        motorcycle::{Motorcycle, NewReading},
        words::CounterKind,
    },
    error::Result,
};

pub const COLUMNS: &[Column] = &[("motorcycle", true), ("on", true), ("reading", true), ("read_by", false), ("confirmed", false)];

/// Records the readings of a file, motorcycle by motorcycle.
///
/// # Errors
/// Where the database refuses.
pub async fn import(work: &mut Work, table: &mut Table) -> Result<()> {
    let bikes = Bikes::load(work).await?;
    let mut of: BTreeMap<Id<Motorcycle>, Vec<(usize, Another)>> = BTreeMap::new();
    for row in 0..table.rows.len() {
        if !table.is_good(row) {
            continue;
        }
        if let Some((bike, new)) = read(table, row, &bikes).filter(|_| table.is_good(row)) {
            of.entry(bike).or_default().push((row, Another { new, event: None }));
        }
    }
    work.begin_stage(Stage::Rows, table.rows.len());
    for (id, readings) in of {
        work.step(readings.len());
        let Some(bike) = bikes.get(id) else { continue };
        let (rows, many): (Vec<_>, Vec<_>) = readings.into_iter().unzip();
        let recorded = reading::record_many(work, bike, CounterKind::Odometer, many).await?;
        for (row, recorded) in rows.into_iter().zip(recorded) {
            match recorded {
                Ok(Some(_)) => table.is_new(row),
                Ok(None) => {}
                Err(problems) => table.fail_all(row, problems),
            }
        }
    }
    Ok(())
}

fn read(table: &mut Table, row: usize, bikes: &Bikes) -> Option<(Id<Motorcycle>, NewReading)> {
    table.needed(row, "on");
    table.needed(row, "reading");
    let on = table.day(row, "on");
    let confirmed = table.text(row, "confirmed").map(str::to_lowercase);
    let confirmed = match confirmed.as_deref() {
        None | Some("false" | "no" | "0") => false,
        Some("true" | "yes" | "1") => true,
        Some(_) => {
            table.fail(row, "confirmed", "is neither true nor false; leave it empty for false");
            false
        }
    };
    let read_by = table.text(row, "read_by").map(str::to_owned);
    let bike = bikes.of_row(table, row)?;
    let reading = table.odometer(row, "reading", bike)?;
    Some((bike.id, NewReading { on: on?, reading, read_by, confirmed }))
}
