//! Motorcycles out of a file.
use serde_json::{Map, Value, json};

use super::table::{Column, Table};
use crate::{
    actions::{Work, motorcycle, progress::Stage},
    domain::{
        motorcycle::{Motorcycle, NewMotorcycle},
        words::{DistanceStatus, FinalDrive, OdometerUnit},
    },
    error::{Error, Result},
    store::{Stretch, motorcycle as store},
};

pub const COLUMNS: &[Column] = &[
    ("name", true),
    ("make", false),
    ("model", false),
    ("year", false),
    ("vin", false),
    ("frame_number", false),
    ("registration", false),
    ("final_drive", true),
    ("odometer_unit", true),
    ("in_service_on", false),
    ("owner_id", false),
    ("interval_factor", false),
    ("records_begin.on", false),
    ("records_begin.odometer", false),
    ("distance_status", false),
    ("notes", false),
];

/// Adds the motorcycles of a file.
///
/// # Errors
/// Where the database refuses.
pub async fn import(work: &mut Work, table: &mut Table) -> Result<()> {
    let workshop = work.workshop_id();
    let mut there = store::list(&mut work.tx, workshop, work.caller.sight, &store::Wanted::default(), Stretch::ALL).await?;
    let archived = store::Wanted { archived: true, ..store::Wanted::default() };
    there.extend(store::list(&mut work.tx, workshop, work.caller.sight, &archived, Stretch::ALL).await?);
    work.begin_stage(Stage::Rows, table.rows.len());
    for row in 0..table.rows.len() {
        work.step(1);
        if !table.is_good(row) {
            continue;
        }
        let sent = read(table, row);
        if !table.is_good(row) {
            continue;
        }
        let new: NewMotorcycle = match serde_json::from_value(Value::Object(sent.clone())) {
            Ok(new) => new,
            Err(error) => {
                table.fail(row, "", error.to_string());
                continue;
            }
        };
        if let Some(other) = there.iter().find(|other| is_same(&new, other)) {
            if let Some(field) = differs(&sent, other)? {
                table.fail(row, &field, "this motorcycle is there already and says something else; change it there, or leave the row out");
            }
            continue;
        }
        match motorcycle::add(work, new).await {
            Ok(bike) => {
                there.push(bike);
                table.is_new(row);
            }
            Err(Error::Invalid(problems)) => table.fail_all(row, problems),
            Err(error) => return Err(error),
        }
    }
    Ok(())
}

/// The fields of a row that are given, as a request would give them.
fn read(table: &mut Table, row: usize) -> Map<String, Value> {
    let mut sent = Map::new();
    for column in ["name", "make", "model", "vin", "frame_number", "registration", "notes"] {
        sent.extend(table.text(row, column).map(|text| (column.to_owned(), json!(text))));
    }
    for column in ["name", "final_drive", "odometer_unit"] {
        table.needed(row, column);
    }
    let mut give = |column: &str, value: Option<Value>| sent.extend(value.map(|value| (column.to_owned(), value)));
    give("final_drive", table.parsed::<FinalDrive>(row, "final_drive").map(|drive| json!(drive)));
    give("odometer_unit", table.parsed::<OdometerUnit>(row, "odometer_unit").map(|unit| json!(unit)));
    give("distance_status", table.parsed::<DistanceStatus>(row, "distance_status").map(|status| json!(status)));
    give("interval_factor", table.number(row, "interval_factor").map(|factor| json!(factor)));
    give("in_service_on", table.day(row, "in_service_on").map(|day| json!(day)));
    if let Some(text) = table.text(row, "year").map(str::to_owned) {
        match text.parse::<i32>() {
            Ok(year) => give("year", Some(json!(year))),
            Err(_) => table.fail(row, "year", "is not a year; write four digits"),
        }
    }
    if let Some(text) = table.text(row, "owner_id").map(str::to_owned) {
        match text.parse::<uuid::Uuid>() {
            Ok(id) => give("owner_id", Some(json!(id))),
            Err(_) => table.fail(row, "owner_id", "is not the id of an owner; look it up in /owners"),
        }
    }
    let (on, odometer) = (table.day(row, "records_begin.on"), table.number(row, "records_begin.odometer"));
    match (on, odometer) {
        (Some(on), Some(odometer)) => give("records_begin", Some(json!({"on": on, "odometer": odometer}))),
        (None, None) => {}
        (None, Some(_)) => table.fail(row, "records_begin.on", "is missing; day and odometer belong together"),
        (Some(_), None) => table.fail(row, "records_begin.odometer", "is missing; day and odometer belong together"),
    }
    sent
}

/// Whether a motorcycle is meant that is there: by VIN where both have one, else by registration where both have one, else by name.
fn is_same(new: &NewMotorcycle, other: &Motorcycle) -> bool {
    let equal = |a: &str, b: &str| a.trim().eq_ignore_ascii_case(b.trim());
    match (&new.vin, &other.vin, &new.registration, &other.registration) {
        (Some(new), Some(other), ..) | (_, _, Some(new), Some(other)) => equal(new, other),
        _ => new.name.trim() == other.name,
    }
}
/// The first given field that the motorcycle which is there says otherwise.
fn differs(sent: &Map<String, Value>, other: &Motorcycle) -> Result<Option<String>> {
    let known = serde_json::to_value(other.details()).map_err(Error::internal)?;
    let equal = |name: &String, value: &Value| match (value, &known[name]) {
        (Value::String(new), Value::String(there)) if name == "vin" => new.eq_ignore_ascii_case(there),
        (new, there) => new == there,
    };
    Ok(sent.iter().find(|(name, value)| !equal(name, value)).map(|(name, _)| name.clone()))
}
