//! What comes along when a motorcycle goes to another workshop, and what stays behind.
//!
//! Along come its facts, table by table as in an export, with ids of their own and in the order that they had; the components that they
//! name; and the workshop's rules, limits and fasteners that hold for it, as its own, so that the same is due. Behind stay internal notes,
//! prices, the owner, hidden files, and the procedures that were not written for it alone.
use std::collections::{BTreeMap, BTreeSet, HashSet};

use serde::Serialize;
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::super::{Work, import::whole::cells_of, part, reading};
use crate::{
    domain::{
        fastener::{self, NewFastener},
        id::Id,
        limit::{self, NewLimit},
        motorcycle::Motorcycle,
        quantity::Figure,
        words::Condition,
        workshop::Workshop,
    },
    error::{Error, Result},
    store::{
        self,
        exchange::{self, Kind, TABLES, Table},
    },
};

type Row = Map<String, Value>;

/// A motorcycle on its way: its rows as they stood, without the files, which are many bytes and go one by one.
pub struct Load {
    bike: Uuid,
    rows: Vec<(&'static Table, Vec<Row>)>,
    files: Vec<Uuid>,
}

/// Takes up what comes along, in the workshop where it is.
///
/// # Errors
/// Where the database refuses.
pub async fn take(work: &mut Work, bike: &Motorcycle) -> Result<Load> {
    let (workshop, id) = (work.workshop_id(), bike.id.uuid());
    let before = part::before(work, bike).await?;
    let mut rows = Vec::new();
    for table in TABLES.iter().filter(|table| table.name != "attachment") {
        let mut found = exchange::rows_of(&mut work.tx, workshop, table, id, None).await?;
        found.extend(standards(work, table, bike).await?);
        for row in &mut found {
            leave_behind(table, row, id);
            if let (Some(before), "installed_part") = (part_of(row).and_then(|part| before.get(&part)), table.name) {
                let condition: Condition = serde_json::from_value(row["condition"].take()).map_err(Error::internal)?;
                row.insert("condition".into(), json!(before.condition(condition)));
                row.insert("prior_mm".into(), before.run.mm().into());
                row.insert("prior_distance".into(), json!(Figure::rounded(before.run.in_unit(bike.odometer_unit), 1)));
            }
        }
        rows.push((table, found));
    }
    let files = exchange::files_of(&mut work.tx, workshop, id).await?;
    Ok(Load { bike: id, rows, files })
}

fn part_of(row: &Row) -> Option<Uuid> {
    row.get("id")?.as_str()?.parse().ok()
}
/// What stays inside the workshop.
fn leave_behind(table: &Table, row: &mut Row, bike: Uuid) {
    match table.name {
        "service_event" => {
            row.insert("internal_notes".into(), "".into());
            if let Some(Value::Object(body)) = row.get_mut("body") {
                body.insert("cost".into(), Value::Null);
            }
        }
        "motorcycle" => {
            row.insert("owned_since".into(), Value::Null);
            if let Some(Value::Object(body)) = row.get_mut("body") {
                body.insert("owner_id".into(), Value::Null);
            }
        }
        // An earlier version may have been for another motorcycle, or for many.
        "procedure_version" => {
            if let Some(applies_to) = row.get_mut("body").and_then(|body| body.get_mut("applies_to")) {
                applies_to["motorcycle_id"] = bike.to_string().into();
            }
        }
        _ => {}
    }
}

/// The workshop's rules, limits and fasteners that hold for the motorcycle, as its own.
async fn standards(work: &mut Work, table: &Table, bike: &Motorcycle) -> Result<Vec<Row>> {
    let workshop = work.workshop_id();
    match table.name {
        "interval_rule" => {
            let rules = store::interval_rule::perhaps_for(&mut work.tx, workshop, bike.id).await?;
            // Whether a part is fitted may change: the rule comes along and waits for it.
            let meant = rules.iter().filter(|rule| rule.applies_to.motorcycle_id.is_none() && rule.applies_to.matches(bike, |_| true));
            meant
                .map(|rule| {
                    let mut own = rule.details();
                    own.applies_to.motorcycle_id = Some(bike.id);
                    standard(rule.id.uuid(), &own, rule.created_at)
                })
                .collect()
        }
        "limit_range" => {
            let mut limits = store::limit_range::perhaps_for(&mut work.tx, workshop, bike.id).await?;
            limits.retain(|limit| limit.applies_to.matches(bike));
            limits.sort_by_key(|limit| (std::cmp::Reverse(limit.applies_to.rank()), limit.id));
            let (mut kept, mut rows) = (Vec::<NewLimit>::new(), Vec::new());
            for limit in limits {
                let mut own = limit.details();
                own.applies_to.motorcycle_id = Some(bike.id);
                // The more specific one holds; the other would contradict it once both are the motorcycle's own.
                if kept.iter().any(|other| limit::overlaps(other, &own)) {
                    continue;
                }
                if limit.applies_to.motorcycle_id.is_none() {
                    rows.push(standard(limit.id.uuid(), &own, limit.created_at)?);
                }
                kept.push(own);
            }
            Ok(rows)
        }
        "fastener" => {
            let mut fasteners = store::fastener::perhaps_for(&mut work.tx, workshop, bike.id).await?;
            fasteners.retain(|fastener| fastener.applies_to.matches(bike));
            fasteners.sort_by_key(|fastener| (std::cmp::Reverse(fastener.applies_to.rank()), fastener.id));
            let (mut kept, mut rows) = (Vec::<NewFastener>::new(), Vec::new());
            for fastener in fasteners {
                let mut own = fastener.details();
                own.applies_to.motorcycle_id = Some(bike.id);
                if kept.iter().any(|other| fastener::contradict(other, &own)) {
                    continue;
                }
                if fastener.applies_to.motorcycle_id.is_none() {
                    rows.push(standard(fastener.id.uuid(), &own, fastener.created_at)?);
                }
                kept.push(own);
            }
            Ok(rows)
        }
        _ => Ok(Vec::new()),
    }
}
fn standard(id: Uuid, body: &impl Serialize, created_at: time::OffsetDateTime) -> Result<Row> {
    let created = created_at.format(&time::format_description::well_known::Rfc3339).map_err(Error::internal)?;
    match json!({"id": id.to_string(), "body": body, "deleted_at": null, "created_at": created}) {
        Value::Object(row) => Ok(row),
        _ => Err(Error::Internal("a row is an object".into())),
    }
}

/// New ids for old ones.
struct Ids(BTreeMap<Uuid, Uuid>);
impl Ids {
    /// In the order of the old ones: what happened on one day is told apart by it.
    fn for_all(work: &Work, load: &Load) -> Self {
        let mut old = BTreeSet::new();
        for (table, rows) in &load.rows {
            for column in table.facts {
                let is_id = matches!(column.kind, Kind::Id);
                if is_id || matches!(column.kind, Kind::Json) {
                    rows.iter().filter_map(|row| row.get(column.name)).for_each(|value| ids_in(value, &mut old));
                }
            }
        }
        let mut new: Vec<Uuid> = old.iter().map(|_| work.new_id::<Motorcycle>().uuid()).collect();
        new.sort();
        Self(old.into_iter().zip(new).collect())
    }
    /// Puts the new ids in a row. What names something that does not come along names nothing.
    fn put_into(&self, table: &Table, row: &mut Row) {
        for column in table.facts {
            let Some(value) = row.get_mut(column.name) else { continue };
            match column.kind {
                Kind::Id | Kind::Of(_) => {
                    let new = value.as_str().and_then(|id| self.0.get(&id.parse().ok()?));
                    *value = new.map(Uuid::to_string).into();
                }
                Kind::Json => self.put_inside(value),
                _ => {}
            }
        }
    }
    fn put_inside(&self, value: &mut Value) {
        match value {
            Value::String(text) => {
                if let Some(new) = as_id(text).and_then(|id| self.0.get(&id)) {
                    *text = new.to_string();
                }
            }
            Value::Array(values) => values.iter_mut().for_each(|value| self.put_inside(value)),
            Value::Object(fields) => fields.values_mut().for_each(|value| self.put_inside(value)),
            _ => {}
        }
    }
}
/// An id as it is written here: another text may be a UUID in some other way of writing.
fn as_id(text: &str) -> Option<Uuid> {
    text.parse::<Uuid>().ok().filter(|id| id.to_string() == text)
}
fn ids_in(value: &Value, ids: &mut BTreeSet<Uuid>) {
    match value {
        Value::String(text) => ids.extend(as_id(text)),
        Value::Array(values) => values.iter().for_each(|value| ids_in(value, ids)),
        Value::Object(fields) => fields.values().for_each(|value| ids_in(value, ids)),
        _ => {}
    }
}

/// Puts everything into the workshop that the work stands in now; gives the motorcycle's new id.
///
/// # Errors
/// Where the database refuses.
pub async fn put(work: &mut Work, from: Id<Workshop>, mut load: Load) -> Result<Id<Motorcycle>> {
    let ids = Ids::for_all(work, &load);
    let bike = Id::new(*ids.0.get(&load.bike).ok_or_else(|| Error::Internal("the motorcycle itself is left behind".into()))?);
    only_needed_components(work, &mut load).await?;
    let (workshop, now) = (work.workshop_id(), work.now);
    for (table, rows) in load.rows {
        let mut cells = Vec::new();
        for mut row in rows {
            ids.put_into(table, &mut row);
            cells.push(cells_of(table, row, now)?);
        }
        exchange::insert(&mut work.tx, workshop, table, &cells).await?;
    }
    let table = exchange::table("attachment").ok_or_else(|| Error::Internal("there is no table of files".into()))?;
    for file in load.files {
        for mut row in exchange::rows_of(&mut work.tx, from, table, load.bike, Some(file)).await? {
            ids.put_into(table, &mut row);
            row.insert("id".into(), work.new_id::<Motorcycle>().to_string().into());
            // It hangs on something that does not come along.
            if row.get("belongs_to").is_none_or(Value::is_null) {
                continue;
            }
            let cells = cells_of(table, row, now)?;
            exchange::insert(&mut work.tx, workshop, table, &[cells]).await?;
        }
    }
    reading::keep_last_of(work, bike).await?;
    Ok(bike)
}

/// Of the components that the other workshop added, those that something names and that are not here under the same key.
async fn only_needed_components(work: &mut Work, load: &mut Load) -> Result<()> {
    let mut named = HashSet::new();
    for (table, rows) in &load.rows {
        if table.name != "component" {
            rows.iter().flat_map(Map::values).for_each(|value| texts_in(value, &mut named));
        }
    }
    let workshop = work.workshop_id();
    for (table, rows) in &mut load.rows {
        if table.name == "component" {
            let here = exchange::rows_of(&mut work.tx, workshop, table, load.bike, None).await?;
            let here: HashSet<_> = here.iter().filter_map(|row| row.get("key")?.as_str()).collect();
            rows.retain(|row| row.get("key").and_then(Value::as_str).is_some_and(|key| named.contains(key) && !here.contains(key)));
        }
    }
    Ok(())
}
fn texts_in(value: &Value, texts: &mut HashSet<String>) {
    match value {
        Value::String(text) => {
            texts.insert(text.clone());
        }
        Value::Array(values) => values.iter().for_each(|value| texts_in(value, texts)),
        Value::Object(fields) => fields.values().for_each(|value| texts_in(value, texts)),
        _ => {}
    }
}
