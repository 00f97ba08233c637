//! What a row of an export says beyond its columns: its nested values must be of their types and hold what a request would have to hold,
//! and what follows from them is filled in again.
use std::fmt::Write as _;

use serde::de::DeserializeOwned;
use serde_json::{Map, Value, json};
use sha2::{Digest, Sha256};
use time::{OffsetDateTime, format_description::well_known::Rfc3339};

use crate::{
    domain::{
        attachment::{MediaType, line, safe_name},
        component,
        counter::to_ticks,
        fastener::NewFastener,
        id::Id,
        lay_up::NewLayUp,
        limit::NewLimit,
        motorcycle::{Motorcycle, NewInstrument, NewMotorcycle, NewOwner, NewReading},
        procedure::NewProcedure,
        quantity::{Figure, Kind, Unit},
        rule::NewIntervalRule,
        service::{FollowUpIn, MeasuredValue, NewMeasured, Signature},
        validate::{self, Problem},
        vin,
        words::{CounterKind, InstrumentChange},
    },
    domain::{component::NewComponent, import::RowError},
    store::{motorcycle::words, service_event::EventBody},
};

/// More than any part has run before, in millimetres: ten million miles.
const FARTHEST_MM: i64 = 16_093_440_000_000;

type Row = Map<String, Value>;
type Errors = Vec<RowError>;

/// Checks a row and gives the columns that follow from it.
pub(super) fn derive(table: &str, row: &Row, now: OffsetDateTime) -> Result<Row, Errors> {
    let mut derived = match table {
        "component" => no_more(of_component(row))?,
        "owner" => {
            let owner: NewOwner = body(row)?;
            inside("body", validate::owner(&owner))?;
            fields(json!({"name": owner.name, "reports_frequency": owner.reports.frequency}))
        }
        "motorcycle" => of_motorcycle(row, now)?,
        "interval_rule" => {
            let rule: NewIntervalRule = body(row)?;
            inside("body", validate::interval_rule(&rule))?;
            fields(json!({"name": rule.name, "component": rule.component, "motorcycle_id": rule.applies_to.motorcycle_id}))
        }
        "limit_range" => {
            let limit: NewLimit = body(row)?;
            inside("body", validate::limit(&limit))?;
            fields(json!({"component": limit.component, "quantity": limit.quantity, "motorcycle_id": limit.applies_to.motorcycle_id}))
        }
        "fastener" => {
            let fastener: NewFastener = body(row)?;
            inside("body", validate::fastener(&fastener))?;
            fields(json!({"key": fastener.key, "component": fastener.component, "motorcycle_id": fastener.applies_to.motorcycle_id}))
        }
        "procedure_version" => of_version(row)?,
        "service_event" => no_more(of_event(row))?,
        "reading" => no_more(of_reading(row))?,
        "instrument" => no_more(of_instrument(row))?,
        "lay_up" => {
            let new = NewLayUp { from: typed(row, "from_date")?, to: typed(row, "to_date")?, note: typed(row, "note")? };
            no_more(inside("", validate::lay_up(&new)))?
        }
        "installed_part" => no_more(of_part(row))?,
        "fitting" => no_more(of_fitting(row))?,
        "measured_value" => of_value(row)?,
        "follow_up" => {
            typed::<Option<FollowUpIn>>(row, "due_in")?;
            Row::new()
        }
        "packet_import" => no_more(of_packet_import(row))?,
        "attachment" => no_more(of_attachment(row))?,
        _ => Row::new(),
    };
    if table == "procedure_version" {
        // It never changes, so it has no such column.
        return Ok(derived);
    }
    derived.insert("updated_at".into(), now.format(&Rfc3339).unwrap_or_default().into());
    Ok(derived)
}

fn fields(value: Value) -> Row {
    if let Value::Object(fields) = value { fields } else { Row::new() }
}
fn no_more(checked: Result<(), Errors>) -> Result<Row, Errors> {
    checked.map(|()| Row::new())
}
fn typed<T: DeserializeOwned>(row: &Row, column: &str) -> Result<T, Errors> {
    let value = row.get(column).cloned().unwrap_or_default();
    serde_path_to_error::deserialize(value).map_err(|error| {
        let path = error.path().to_string();
        let column = if path == "." { column.to_owned() } else { format!("{column}.{path}") };
        vec![RowError::new(column, error.into_inner().to_string())]
    })
}
fn body<T: DeserializeOwned>(row: &Row) -> Result<T, Errors> {
    typed(row, "body")
}
fn inside(column: &str, problems: Vec<Problem>) -> Result<(), Errors> {
    if problems.is_empty() {
        return Ok(());
    }
    let place = |pointer: &str| format!("{column}{}", pointer.replace('/', "."));
    Err(problems.into_iter().map(|problem| RowError::new(place(&problem.pointer).trim_start_matches('.'), problem.detail)).collect())
}
fn wrong(column: &str, detail: impl Into<String>) -> Errors {
    vec![RowError::new(column, detail)]
}

fn of_component(row: &Row) -> Result<(), Errors> {
    let new = NewComponent { key: typed(row, "key")?, name: typed(row, "name")?, part: typed(row, "part")? };
    inside("", component::check(&new))?;
    let taken = component::always_there().any(|known| known.key == new.key);
    if taken { Err(wrong("key", "This component is always there; leave it out.")) } else { Ok(()) }
}

fn of_motorcycle(row: &Row, now: OffsetDateTime) -> Result<Row, Errors> {
    let new: NewMotorcycle = body(row)?;
    let mut problems = validate::motorcycle(&new);
    if let Some(Err(why)) = new.vin.as_deref().map(vin::check) {
        problems.push(Problem::new("/vin", why));
    }
    inside("body", problems)?;
    let id: Id<Motorcycle> = typed(row, "id")?;
    let bike = Motorcycle::from_new(id, new, false, None, Vec::new(), now);
    Ok(fields(json!({
        "owner_id": bike.owner_id, "name": bike.name, "registration": bike.registration, "vin": bike.vin,
        "words": words(&bike), "odometer_unit": bike.odometer_unit,
    })))
}

fn of_version(row: &Row) -> Result<Row, Errors> {
    let procedure: NewProcedure = body(row)?;
    inside("body", validate::procedure(&procedure))?;
    let version: i64 = typed(row, "version")?;
    if !(1..=i64::from(u32::MAX)).contains(&version) {
        return Err(wrong("version", "must be a whole number from 1"));
    }
    Ok(fields(json!({"title": procedure.title, "component": procedure.component, "motorcycle_id": procedure.applies_to.motorcycle_id})))
}

fn of_event(row: &Row) -> Result<(), Errors> {
    let unit: Unit = typed(row, "unit")?;
    unit.must_be(Kind::Distance).map_err(|why| wrong("unit", why))?;
    typed::<EventBody>(row, "body")?;
    typed::<Option<Signature>>(row, "signature")?;
    for (kind, column, unit) in [(CounterKind::Odometer, "odometer", unit), (CounterKind::Hours, "hours", Unit::H)] {
        if let Some(figure) = typed::<Option<Figure>>(row, column)? {
            shown(kind, column, &figure, unit)?;
        }
    }
    Ok(())
}
/// A figure that an instrument can have shown.
fn shown(kind: CounterKind, column: &str, figure: &Figure, unit: Unit) -> Result<(), Errors> {
    to_ticks(kind, figure, unit).map_err(|why| wrong("unit", why))?;
    let good = (0.0..=validate::FARTHEST).contains(&figure.value());
    if good { Ok(()) } else { Err(wrong(column, "must lie between 0 and 10,000,000")) }
}

fn of_reading(row: &Row) -> Result<(), Errors> {
    let new = NewReading {
        on: typed(row, "on_date")?,
        reading: typed(row, "reading")?,
        read_by: typed(row, "read_by")?,
        confirmed: typed(row, "confirmed")?,
    };
    inside("", validate::reading(&new))?;
    shown(typed(row, "counter")?, "reading", &new.reading, typed(row, "unit")?)
}

fn of_instrument(row: &Row) -> Result<(), Errors> {
    let new = NewInstrument {
        on: typed(row, "on_date")?,
        kind: typed(row, "kind")?,
        old_final: typed(row, "old_final")?,
        new_start: typed(row, "new_start")?,
        capacity: typed(row, "capacity")?,
        reason: typed(row, "reason")?,
    };
    inside("", validate::instrument(&new))?;
    if new.kind == InstrumentChange::RolledOver && new.new_start.as_ref().is_some_and(|start| start.value() != 0.0) {
        return Err(wrong("new_start", "An instrument that rolls over starts again at 0."));
    }
    shown(typed(row, "counter")?, "old_final", &Figure::from(0), typed(row, "unit")?)
}

fn of_part(row: &Row) -> Result<(), Errors> {
    let prior: i64 = typed(row, "prior_mm")?;
    if (0..=FARTHEST_MM).contains(&prior) {
        Ok(())
    } else {
        Err(wrong("prior_mm", "must lie between 0 and ten million miles, in millimetres"))
    }
}

fn of_fitting(row: &Row) -> Result<(), Errors> {
    let fitted: time::Date = typed(row, "fitted_on")?;
    let removed: Option<time::Date> = typed(row, "removed_on")?;
    if removed.is_some_and(|removed| removed < fitted) {
        Err(wrong("removed_on", "lies before the day on which it was fitted"))
    } else {
        Ok(())
    }
}

fn of_value(row: &Row) -> Result<Row, Errors> {
    let value: MeasuredValue = body(row)?;
    if typed::<Id<MeasuredValue>>(row, "id")? != value.id {
        return Err(wrong("body.id", "must be the row's own id"));
    }
    let measured = NewMeasured {
        component: value.component.clone(),
        position: value.position,
        quantity: value.quantity,
        readings: value.readings.clone(),
        unit: value.unit,
        reduce: Some(value.reduce),
        resolution: value.resolution.clone(),
        uncertainty: value.uncertainty.clone(),
        at_force: value.at_force.clone(),
        installed_part_id: value.installed_part_id,
    };
    inside("body", validate::measured(&measured, ""))?;
    Ok(fields(json!({
        "motorcycle_id": value.motorcycle_id, "service_event_id": value.service_event_id, "on_date": value.on,
        "component": value.component, "position": value.position, "quantity": value.quantity,
    })))
}

fn of_packet_import(row: &Row) -> Result<(), Errors> {
    typed::<Id<Motorcycle>>(row, "packet_motorcycle")?;
    let head: String = typed(row, "head")?;
    if head.len() != 64 || !head.bytes().all(|digit| digit.is_ascii_hexdigit()) {
        return Err(wrong("head", "is no SHA-256 in hexadecimal digits"));
    }
    let fingerprint: String = typed(row, "fingerprint")?;
    if fingerprint.len() == 43 { Ok(()) } else { Err(wrong("fingerprint", "is no fingerprint of a key (RFC 7638)")) }
}

fn of_attachment(row: &Row) -> Result<(), Errors> {
    use base64::{Engine, engine::general_purpose::STANDARD};
    let content = STANDARD.decode(typed::<String>(row, "content")?).unwrap_or_default();
    let media_type: MediaType = typed(row, "media_type")?;
    if content.len() > crate::actions::attachment::LARGEST {
        return Err(wrong("content", "is larger than the 10 MiB that a file may have"));
    }
    if MediaType::of(&content) != Some(media_type) {
        return Err(wrong("media_type", "is not what the bytes of the file are"));
    }
    if typed::<usize>(row, "size")? != content.len() {
        return Err(wrong("size", "is not the number of its bytes"));
    }
    let sha256 = Sha256::digest(&content).iter().fold(String::new(), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    });
    if typed::<String>(row, "sha256")? != sha256 {
        return Err(wrong("sha256", "is not the SHA-256 of its bytes"));
    }
    let shown: Option<String> = typed(row, "line")?;
    if shown.is_some_and(|shown| line(&shown).is_none()) {
        return Err(wrong("line", "names no line of an event"));
    }
    let name: String = typed(row, "name")?;
    if safe_name(&name, media_type) == name { Ok(()) } else { Err(wrong("name", "is no plain file name")) }
}
