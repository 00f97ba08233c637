//! Importing an [export](crate::actions::export): the rows keep their ids and days, so that what is due comes out the same. What is there
//! already must say the same; the rest is new. Every line is checked as if a stranger had written it.
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use serde_json::{Map, Value};
use sha2::{Digest, Sha256};
use uuid::Uuid;

use self::facts::derive;
use super::super::{
    Subject, Work,
    export::{FORMAT, VERSION},
    progress::Stage,
    reading, workshop,
};
use crate::{
    domain::{
        id::Id,
        import::{Imported, RowError, RowOutcome, RowResult},
        workshop::WorkshopSettings,
    },
    error::{Error, Result},
    store::{
        self,
        exchange::{self, Cell, Kind, TABLES, Table},
    },
};

mod facts;

/// What a row is found by.
type Key = (&'static str, String);

/// What is known while the lines are read.
#[derive(Default)]
struct Known {
    /// A hash of each row, there already or in the file.
    rows: HashMap<Key, [u8; 32]>,
    /// The ids in each table.
    ids: HashMap<&'static str, HashSet<Uuid>>,
    /// Whether the workshop holds nothing yet.
    empty: bool,
}
impl Known {
    async fn load(work: &mut Work) -> Result<Self> {
        let workshop = work.workshop_id();
        let mut known = Self { empty: exchange::is_empty(&mut work.tx, workshop).await?, ..Self::default() };
        for table in TABLES.iter().take(if known.empty { 0 } else { TABLES.len() }) {
            let mut after = None;
            loop {
                let (rows, last) = exchange::rows(&mut work.tx, workshop, table, after).await?;
                for row in rows {
                    known.add(table, &row)?;
                }
                after = last;
                if after.is_none() {
                    break;
                }
            }
        }
        Ok(known)
    }
    fn add(&mut self, table: &'static Table, row: &Map<String, Value>) -> Result<()> {
        self.rows.insert(key(table, row), hash(row)?);
        if let Some(id) = row.get("id").and_then(Value::as_str).and_then(|id| id.parse().ok()) {
            self.ids.entry(table.name).or_default().insert(id);
        }
        Ok(())
    }
    fn has(&self, table: &str, id: Uuid) -> bool {
        self.ids.get(table).is_some_and(|ids| ids.contains(&id))
    }
}
fn key(table: &'static Table, row: &Map<String, Value>) -> Key {
    let values: Vec<_> = table.key.iter().map(|column| row.get(*column).unwrap_or(&Value::Null).to_string()).collect();
    (table.name, values.join(" "))
}
fn hash(row: &Map<String, Value>) -> Result<[u8; 32]> {
    Ok(Sha256::digest(serde_json::to_vec(row).map_err(Error::internal)?).into())
}

/// The file as far as it was read.
#[derive(Default)]
struct File {
    results: Vec<RowResult>,
    new: BTreeMap<&'static str, Vec<Vec<Cell>>>,
    settings: Option<WorkshopSettings>,
    /// The line of each reading and motorcycle, to say there what contradicts.
    lines: HashMap<Uuid, usize>,
    /// The motorcycles that any new row is about.
    bikes: BTreeSet<Uuid>,
    fittings: bool,
}

/// Imports an export. Where a row is wrong, nothing may be kept of the work: it is not to be finished then.
///
/// # Errors
/// Where the database refuses.
pub async fn import(work: &mut Work, text: &str) -> Result<Imported> {
    let mut known = Known::load(work).await?;
    let mut file = File::default();
    if let Err(wrong) = read(work, text, &mut known, &mut file) {
        file.results.push(wrong);
    }
    let mut imported = Imported::of(std::mem::take(&mut file.results));
    if imported.is_good() && imported.new_rows() > 0 {
        store_all(work, &mut file, &mut imported).await?;
    }
    Ok(imported)
}

/// Reads every line; what ends the reading at once is given back.
fn read(work: &Work, text: &str, known: &mut Known, file: &mut File) -> Result<(), RowResult> {
    let mut lines = text.lines().enumerate().map(|(place, line)| (place + 1, line)).filter(|(_, line)| !line.trim().is_empty());
    let wrong = |row: usize, column: &str, detail: String| RowResult::wrong(row, vec![RowError::new(column, detail)]);
    let first = lines.next().and_then(|(_, line)| serde_json::from_str::<Value>(line).ok()).unwrap_or_default();
    if first["format"] != FORMAT {
        return Err(wrong(1, "format", format!("This is no export: its first line must say \"format\": \"{FORMAT}\".")));
    }
    if first["version"] != VERSION {
        let detail = format!("Version {} of the format is not known here; this server reads version {VERSION}.", first["version"]);
        return Err(wrong(1, "version", detail));
    }
    let (mut count, mut ended) = (0, false);
    for (row, line) in lines {
        if ended {
            return Err(wrong(row, "", "Nothing may follow the last line; take it out.".into()));
        }
        let value = match serde_json::from_str::<Value>(line) {
            Ok(value) => value,
            Err(error) => {
                file.results.push(wrong(row, "", format!("This line is not JSON: column {}.", error.column())));
                count += 1;
                continue;
            }
        };
        if value["table"] == "end" {
            ended = true;
            if value["rows"] != count {
                return Err(wrong(
                    row,
                    "rows",
                    format!("The file says it has {} lines before this one, but {count} are there.", value["rows"]),
                ));
            }
            continue;
        }
        count += 1;
        let result = file.take(work, known, row, value).unwrap_or_else(|errors| RowResult::wrong(row, errors));
        file.results.push(result);
    }
    let last = text.lines().count().max(1);
    if ended { Ok(()) } else { Err(wrong(last, "", "The file was cut off: its last line, {\"table\": \"end\"}, is missing.".into())) }
}

impl File {
    /// One line with what comes of it.
    fn take(&mut self, work: &Work, known: &mut Known, row: usize, mut value: Value) -> Result<RowResult, Vec<RowError>> {
        if value["table"] == "workshop" {
            return self.settings(work, known, row, value["settings"].take());
        }
        let name = value["table"].as_str().unwrap_or_default();
        let table = exchange::table(name).ok_or_else(|| {
            let all: Vec<_> = TABLES.iter().map(|table| table.name).collect();
            vec![RowError::new("table", format!("This must be workshop, {} or end.", all.join(", ")))]
        })?;
        let Value::Object(mut facts) = value["row"].take() else {
            return Err(vec![RowError::new("row", "The row is missing: an object with the table's columns.")]);
        };
        let mut cells = checked(table, &mut facts)?;
        let id = facts.get("id").and_then(Value::as_str).and_then(|id| id.parse::<Uuid>().ok());
        let internal = |error: Error| vec![RowError::new("", error.detail())];
        let own = hash(&facts).map_err(internal)?;
        if let Some(there) = known.rows.get(&key(table, &facts)) {
            if *there == own {
                return Ok(RowResult::good(row, false));
            }
            let detail = "A row with this id is there already and says something else; nothing is written over.";
            return Err(vec![RowError::new(table.key[0], detail)]);
        }
        let derived = derive(table.name, &facts, work.now)?;
        references(table, facts.iter().chain(&derived), known)?;
        for column in table.derived {
            let cell = column.cell(derived.get(column.name).unwrap_or(&Value::Null));
            cells.push(cell.map_err(|why| vec![RowError::new(column.name, why)])?);
        }
        known.add(table, &facts).map_err(internal)?;
        if let Some(id) = id.filter(|_| matches!(table.name, "reading" | "motorcycle")) {
            self.lines.insert(id, row);
        }
        let bike = derived.get("motorcycle_id").or(facts.get("motorcycle_id")).and_then(Value::as_str);
        self.bikes.extend(bike.and_then(|id| id.parse::<Uuid>().ok()));
        self.bikes.extend(id.filter(|_| table.name == "motorcycle"));
        self.fittings |= table.name == "fitting";
        self.new.entry(table.name).or_default().push(cells);
        Ok(RowResult::good(row, true))
    }

    /// The settings: an empty workshop takes them over, apart from its name; another one must have the same.
    fn settings(&mut self, work: &Work, known: &Known, row: usize, value: Value) -> Result<RowResult, Vec<RowError>> {
        let sent: WorkshopSettings = serde_json::from_value(value).map_err(|error| vec![RowError::new("settings", error.to_string())])?;
        let sent = WorkshopSettings { name: work.workshop.name.clone(), ..sent };
        let now = work.workshop.details();
        if sent == now {
            return Ok(RowResult::good(row, false));
        }
        if !known.empty {
            let detail = "This workshop holds something already and has other settings, by which other things would be due. Give it the same settings first, or import into an empty workshop.";
            return Err(vec![RowError::new("settings", detail)]);
        }
        let problems = workshop::check(&sent);
        if !problems.is_empty() {
            return Err(problems
                .into_iter()
                .map(|problem| RowError::new(format!("settings{}", problem.pointer.replace('/', ".")), problem.detail))
                .collect());
        }
        self.settings = Some(sent);
        Ok(RowResult::good(row, true))
    }
}

/// The cells of a row, and the row as it would be exported again.
fn checked(table: &Table, facts: &mut Map<String, Value>) -> Result<Vec<Cell>, Vec<RowError>> {
    let mut wrong: Vec<_> = facts
        .keys()
        .filter(|name| table.facts.iter().all(|column| column.name != **name))
        .map(|name| RowError::new(shortened(name), "There is no such column in this table; take it out."))
        .collect();
    let mut cells = Vec::new();
    for column in table.facts {
        match column.cell(facts.get(column.name).unwrap_or(&Value::Null)) {
            Ok(cell) => {
                facts.insert(column.name.into(), column.value(cell.clone()));
                cells.push(cell);
            }
            Err(why) => wrong.push(RowError::new(column.name, why)),
        }
    }
    if wrong.is_empty() { Ok(cells) } else { Err(wrong) }
}
/// The cells of a row that this server wrote itself, with what follows from it.
///
/// # Errors
/// 500 where it would not be taken from a file either.
pub(in crate::actions) fn cells_of(table: &Table, mut facts: Map<String, Value>, now: time::OffsetDateTime) -> Result<Vec<Cell>> {
    checked_cells_of(table, &mut facts, now).map_err(|errors| {
        let told: Vec<_> = errors.into_iter().map(|error| format!("{}.{}: {}", table.name, error.column, error.detail)).collect();
        Error::Internal(told.join("; "))
    })
}
/// The cells of a row with what follows from it, checked as if a stranger had written it.
///
/// # Errors
/// What is wrong in which column.
pub(super) fn checked_cells_of(
    table: &Table,
    facts: &mut Map<String, Value>,
    now: time::OffsetDateTime,
) -> Result<Vec<Cell>, Vec<RowError>> {
    let mut cells = checked(table, facts)?;
    let derived = derive(table.name, facts, now)?;
    for column in table.derived {
        let cell = column.cell(derived.get(column.name).unwrap_or(&Value::Null));
        cells.push(cell.map_err(|why| vec![RowError::new(column.name, why)])?);
    }
    Ok(cells)
}
fn shortened(name: &str) -> String {
    name.chars().take(60).collect()
}

/// Every id that a row names must be there, or stand before it.
fn references<'a>(table: &Table, values: impl Iterator<Item = (&'a String, &'a Value)>, known: &Known) -> Result<(), Vec<RowError>> {
    let mut wrong = Vec::new();
    for (name, value) in values {
        let column = table.facts.iter().chain(table.derived).find(|column| column.name == name);
        let (Some(Kind::Of(other)), Some(id)) = (column.map(|column| column.kind), value.as_str().and_then(|id| id.parse().ok())) else {
            continue;
        };
        if !known.has(other, id) {
            let detail =
                format!("There is no {} with this id in the file before this line, and none in the workshop.", other.replace('_', " "));
            wrong.push(RowError::new(name.clone(), detail));
        }
    }
    if wrong.is_empty() { Ok(()) } else { Err(wrong) }
}

/// Stores what is new, then looks whether it all holds together.
async fn store_all(work: &mut Work, file: &mut File, imported: &mut Imported) -> Result<()> {
    let workshop = work.workshop_id();
    if let Some(settings) = file.settings.take() {
        super::super::workshop::change(work, settings).await?;
    }
    work.begin_stage(Stage::Rows, file.new.values().map(Vec::len).sum());
    for table in TABLES {
        if let Some(rows) = file.new.remove(table.name) {
            work.step(rows.len());
            exchange::insert(&mut work.tx, workshop, table, &rows).await?;
        }
    }
    for bike in std::mem::take(&mut file.bikes) {
        if let Err(error) = reading::keep_last_of(work, Id::new(bike)).await {
            blame(file, imported, bike, error)?;
        }
    }
    if file.fittings
        && let Some(clash) = store::fitting::contradictions(&mut work.tx, workshop).await?.into_iter().next()
    {
        let detail = format!("{}: {}", clash.motorcycle, clash.what);
        fail(imported, 1, RowError::new("fitting", detail));
    }
    if imported.is_good() {
        for bike in store::motorcycle::all_in_use(&mut work.tx, workshop).await? {
            work.touch(bike.id);
        }
        let new = serde_json::json!({"kind": "export", "created": imported.new_rows()});
        work.audit("import", Subject::new("workshop", workshop), None, Some(&new)).await?;
    }
    Ok(())
}

/// Says at the line of a reading, or else of the motorcycle, what contradicts there.
fn blame(file: &File, imported: &mut Imported, bike: Uuid, error: Error) -> Result<()> {
    let Error::Contradicts { neighbors, .. } = &error else { return Err(error) };
    let named = neighbors.iter().filter_map(|neighbor| neighbor.id).chain([bike]).find_map(|id| file.lines.get(&id));
    fail(imported, named.copied().unwrap_or(1), RowError::new("reading", error.detail()));
    Ok(())
}
fn fail(imported: &mut Imported, row: usize, error: RowError) {
    match imported.rows.iter_mut().find(|result| result.row == row) {
        Some(result) => result.fail(error),
        None => imported.rows.insert(0, RowResult { row, result: RowOutcome::Error, errors: vec![error] }),
    }
}
