//! Importing a [history packet](crate::domain::packet) as one motorcycle: its history as another workshop kept it, with the days and the
//! hands that it names, under ids of its own.
//!
//! The packet must verify, and is checked row by row besides: whoever holds a key can sign anything. It is known again by the motorcycle's id
//! in it and its last hash. A later packet of a motorcycle that came here adds nothing: its entries say other things than those of the earlier
//! one (struck out since, amended, a part older), and the history goes on here meanwhile; two histories cannot be made one without a person.
mod rows;

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Map, Value, json};
use time::{Duration, format_description::well_known::Rfc3339};
use uuid::Uuid;

use self::rows::{Builder, Row, fields};
use super::{
    super::{Subject, Work, component, motorcycle, reading},
    whole::checked_cells_of,
};
use crate::{
    domain::{
        calendar,
        id::Id,
        import::{Imported, RowError, RowResult},
        motorcycle::Motorcycle,
        packet::{
            About, Entry, PacketMotorcycle,
            check::{Checked, Wrong, check},
        },
    },
    error::{Error, Result},
    store::{self, Stretch, exchange, motorcycle::Wanted, packet_import},
};

/// A packet that verifies, as its types say it.
struct Packet {
    checked: Checked,
    about: About,
    entries: Vec<Entry>,
}

/// Reads a packet: it must verify, and hold what a packet holds.
///
/// # Errors
/// 400 where it is not JSON.
fn read(text: &str) -> Result<Result<Packet, RowResult>> {
    let packet: Value = serde_json::from_str(text).map_err(|error| {
        Error::Malformed(format!(
            "The file is not JSON: line {}, column {}. Send the packet as it was given.",
            error.line(),
            error.column()
        ))
    })?;
    let first = |detail: String| Ok(Err(RowResult::wrong(1, vec![RowError::new("", detail)])));
    let checked = match check(&packet) {
        Ok(checked) => checked,
        Err(Wrong::NotAPacket(why)) => return first(format!("This is no history packet that can be read here. {why}")),
        Err(Wrong::Changed(what)) => {
            return first(format!(
                "The packet is not as it was made, so nothing of it is taken. {what} Ask {} for it again.",
                maker(&packet)
            ));
        }
    };
    let about = match serde_path_to_error::deserialize::<_, About>(&packet) {
        Ok(about) => about,
        Err(error) => return first(format!("{} cannot be read: {}.", error.path(), error.inner())),
    };
    let mut entries = Vec::new();
    for (place, link) in packet["entries"].as_array().into_iter().flatten().enumerate() {
        match serde_path_to_error::deserialize::<_, Entry>(&link["entry"]) {
            Ok(entry) => entries.push(entry),
            Err(error) => {
                let wrong = RowError::new(error.path().to_string(), error.inner().to_string());
                return Ok(Err(RowResult::wrong(place + 2, vec![wrong])));
            }
        }
    }
    Ok(Ok(Packet { checked, about, entries }))
}
fn maker(packet: &Value) -> &str {
    packet["workshop"].as_str().filter(|name| !name.trim().is_empty()).unwrap_or("the workshop")
}

/// What a packet is, for whoever looks at it before it is imported.
///
/// # Errors
/// What is wrong with it, in a sentence.
pub fn summary(file: &[u8]) -> Result<String, String> {
    let text = crate::domain::sheet::decode(file).map_err(|why| why.0)?;
    let packet = read(&text).map_err(|error| error.detail())?.map_err(|row| {
        let told: Vec<_> = row.errors.into_iter().map(|error| error.detail).collect();
        told.join(" ")
    })?;
    let Checked { motorcycle, workshop, made_on, entries, fingerprint, .. } = packet.checked;
    Ok(format!(
        "{motorcycle}: {} as {workshop} made them on {}, whole and unchanged. Signed with the key {fingerprint}; ask {workshop} for its fingerprint and compare.",
        count(entries, "entry", "entries"),
        calendar::words(made_on)
    ))
}
fn count(many: usize, one: &str, more: &str) -> String {
    format!("{many} {}", if many == 1 { one } else { more })
}

/// Imports a packet. Where the answer is not good nothing may be kept of the work: it is not to be finished then.
///
/// # Errors
/// 400 where the file is not JSON; where the database refuses.
pub(super) async fn import(work: &mut Work, text: &str) -> Result<Imported> {
    let packet = match read(text)? {
        Ok(packet) => packet,
        Err(wrong) => return Ok(Imported::of(vec![wrong])),
    };
    let all = |new| (1..=packet.entries.len() + 1).map(|row| RowResult::good(row, new)).collect();
    match there(work, &packet).await? {
        There::Same(bike) => return Ok(Imported { motorcycle_id: Some(bike), ..Imported::of(all(false)) }),
        There::InTheWay(why) => return Ok(Imported::of(vec![RowResult::wrong(1, vec![RowError::new("motorcycle", why)])])),
        There::New => {}
    }
    let mut imported = Imported::of(all(true));
    in_future(work, &packet, &mut imported);
    let mut mint = Mint { work, last: 0 };
    let bike = mint.next();
    let mut builder = Builder::new(bike, &packet.about.motorcycle, &work.workshop.time_zone);
    for (place, entry) in packet.entries.iter().enumerate() {
        builder.add(place + 2, entry, &mut || mint.next());
    }
    let mut built = builder.finish(&mut || mint.next());
    let import_id = mint.next();
    built.rows.push((1, "motorcycle", motorcycle_row(work, bike, &packet)?));
    built.rows.push((1, "packet_import", import_row(work, import_id, bike, &packet)?));
    let own = components(work, &built.components, &built.fitted_components).await?;
    imported.remarks = remarks(&packet, &own, built.unlinked);
    built.rows.extend(own.into_iter().map(|row| (1, "component", row)));
    for (row, error) in built.wrong {
        fail(&mut imported, row, error);
    }
    store_all(work, Id::new(bike), built.rows, &mut imported).await?;
    imported.motorcycle_id = imported.is_good().then(|| Id::new(bike));
    Ok(imported)
}

/// What is here already of a packet's motorcycle.
enum There {
    /// Nothing.
    New,
    /// This very packet.
    Same(Id<Motorcycle>),
    /// Something else, which is said with what to do.
    InTheWay(String),
}

async fn there(work: &mut Work, packet: &Packet) -> Result<There> {
    let workshop = work.workshop_id();
    let theirs = &packet.about.motorcycle;
    if let Some(own) = store::motorcycle::find(&mut work.tx, workshop, theirs.id).await? {
        return Ok(There::InTheWay(format!("This workshop made the packet itself: {} is here, and needs no import.", own.name)));
    }
    let earlier = packet_import::of_packet(&mut work.tx, workshop, theirs.id).await?;
    if let Some(same) = earlier.iter().find(|import| import.head == packet.checked.head) {
        return Ok(There::Same(same.motorcycle_id));
    }
    for import in earlier {
        let bike = motorcycle::unseen(work, import.motorcycle_id).await?;
        if !bike.archived {
            let (before, now) = (&import.taken_over, &packet.checked);
            return Ok(There::InTheWay(format!(
                "This motorcycle came here as {} with the packet of {} ({}); this packet is of {} and has {}. Its history goes on here since then, so nothing is added to it: enter by hand what was done elsewhere meanwhile. Or archive {} and import this packet again: it then comes as a motorcycle of its own.",
                bike.name,
                calendar::words(before.made_on),
                count(before.entries, "entry", "entries"),
                calendar::words(now.made_on),
                count(now.entries, "entry", "entries"),
                bike.name,
            )));
        }
    }
    let Some(vin) = theirs.vin.as_deref() else { return Ok(There::New) };
    let here = store::motorcycle::list(&mut work.tx, workshop, work.caller.sight, &Wanted::default(), Stretch::ALL).await?;
    let same = here.iter().find(|bike| bike.vin.as_deref().is_some_and(|own| own.trim().eq_ignore_ascii_case(vin.trim())));
    Ok(same.map_or(There::New, |bike| {
        There::InTheWay(format!(
            "{} is here with the same VIN. Enter in its history by hand what was done elsewhere; or archive it, and the packet comes as a motorcycle of its own.",
            bike.name
        ))
    }))
}

/// Says which entries lie in the future. A day ahead may be today elsewhere.
fn in_future(work: &Work, packet: &Packet, imported: &mut Imported) {
    let tomorrow = work.today + Duration::DAY;
    for (place, entry) in packet.entries.iter().enumerate() {
        let what = &entry.what;
        // What is stored are the days inside, whatever the entry says about itself.
        let inside = [
            Some(what.on),
            what.service_event.as_ref().map(|event| event.on),
            what.odometer_reading.as_ref().map(|reading| reading.on),
            what.hour_reading.as_ref().map(|reading| reading.on),
            what.measured_value.as_ref().map(|value| value.on),
            what.odometer_replaced.as_ref().map(|change| change.on),
            what.hour_meter_replaced.as_ref().map(|change| change.on),
        ];
        let latest = inside.into_iter().flatten().max().unwrap_or(entry.done_on);
        for (column, day) in [("done_on", entry.done_on.max(latest)), ("entered_at", entry.entered_at.date())] {
            if day > tomorrow {
                fail(
                    imported,
                    place + 2,
                    RowError::new(column, format!("{} lies in the future; the packet cannot be right.", calendar::words(day))),
                );
            }
        }
    }
}

/// New ids, each after the one before: what happened on one day is told apart by them.
struct Mint<'a> {
    work: &'a Work,
    last: u128,
}
impl Mint<'_> {
    fn next(&mut self) -> Uuid {
        self.last = self.work.new_id::<Motorcycle>().uuid().as_u128().max(self.last + 1);
        Uuid::from_u128(self.last)
    }
}

fn motorcycle_row(work: &Work, bike: Uuid, packet: &Packet) -> Result<Row> {
    let PacketMotorcycle {
        name,
        make,
        model,
        year,
        vin,
        frame_number,
        registration,
        final_drive,
        odometer_unit,
        in_service_on,
        records_begin,
        ..
    } = &packet.about.motorcycle;
    let said = packet.about.distance.status;
    let by_instruments = rows::status_of(&packet.entries);
    let note = format!(
        "Came on {} with a history packet of {}, made on {}, signed with the key {}.",
        calendar::words(work.today),
        packet.checked.workshop,
        calendar::words(packet.checked.made_on),
        packet.checked.fingerprint
    );
    let body = json!({
        "name": name, "make": make, "model": model, "year": year, "vin": vin, "frame_number": frame_number, "registration": registration,
        "final_drive": final_drive, "odometer_unit": odometer_unit, "in_service_on": in_service_on, "owner_id": null, "interval_factor": 1,
        "records_begin": records_begin, "notes": note,
        // What the instruments say by themselves is not set by hand.
        "distance_status": if said == by_instruments { crate::domain::words::DistanceStatus::Actual } else { said },
    });
    Ok(fields(json!({"id": bike, "body": body, "owned_since": null, "archived_at": null, "created_at": instant(work)?})))
}
fn import_row(work: &Work, id: Uuid, bike: Uuid, packet: &Packet) -> Result<Row> {
    let Checked { workshop, made_on, entries, head, fingerprint, .. } = &packet.checked;
    Ok(fields(json!({
        "id": id, "motorcycle_id": bike, "packet_motorcycle": packet.about.motorcycle.id, "packet_workshop": workshop,
        "fingerprint": fingerprint, "head": head, "entries": entries, "made_on": made_on, "created_at": instant(work)?,
    })))
}
fn instant(work: &Work) -> Result<String> {
    work.now.format(&Rfc3339).map_err(Error::internal)
}

/// The components that the packet names and that are not here. It holds their keys alone.
async fn components(work: &mut Work, named: &BTreeSet<String>, fitted: &BTreeSet<String>) -> Result<Vec<Row>> {
    let here = component::all(work).await?;
    let now = instant(work)?;
    let new = named.iter().filter(|key| here.iter().all(|known| known.key != **key));
    let row = |key: &String| {
        let mut name = key.replace('_', " ");
        if let Some(first) = name.get(..1).map(str::to_uppercase) {
            name.replace_range(..1, &first);
        }
        fields(json!({"key": key, "name": name, "part": fitted.contains(key), "created_at": now}))
    };
    Ok(new.map(row).collect())
}

fn remarks(packet: &Packet, own: &[Row], unlinked: usize) -> Vec<String> {
    let Checked { workshop, fingerprint, .. } = &packet.checked;
    let mut remarks = vec![
        format!("The packet is whole and signed with the key {fingerprint}. Ask {workshop} for its fingerprint and compare: anybody can make a key."),
        "A packet does not hold the owner, prices, notes that stayed inside the workshop, files, lay-ups, how much harder than usual the motorcycle is used, and the rules, limits and fasteners that held for it: enter here what you need."
            .into(),
        "Values and torques keep the verdicts that they were given there.".into(),
    ];
    if !own.is_empty() {
        let names: Vec<_> = own.iter().filter_map(|row| row.get("name")?.as_str()).collect();
        remarks.push(format!("New components here, of which the packet holds the keys alone: {}.", names.join(", ")));
    }
    if unlinked > 0 {
        remarks
            .push(format!("{} of a part that the packet does not hold: kept without the part.", count(unlinked, "value is", "values are")));
    }
    remarks
}

/// Checks and stores every row, the tables in their order, then looks whether it all holds together.
async fn store_all(work: &mut Work, bike: Id<Motorcycle>, rows: Vec<(usize, &'static str, Row)>, imported: &mut Imported) -> Result<()> {
    let mut by_table: BTreeMap<&str, Vec<_>> = BTreeMap::new();
    for (row, table, mut facts) in rows {
        let known = exchange::table(table).ok_or_else(|| Error::internal(format!("there is no table {table}")))?;
        match checked_cells_of(known, &mut facts, work.now) {
            Ok(cells) => by_table.entry(known.name).or_default().push(cells),
            Err(errors) => errors.into_iter().for_each(|error| fail(imported, row, error)),
        }
    }
    if !imported.is_good() {
        return Ok(());
    }
    let workshop = work.workshop_id();
    for table in exchange::TABLES {
        if let Some(cells) = by_table.remove(table.name) {
            exchange::insert(&mut work.tx, workshop, table, &cells).await?;
        }
    }
    match reading::keep_last_of(work, bike).await {
        Err(error @ Error::Contradicts { .. }) => fail(imported, 1, RowError::new("reading", error.detail())),
        kept => kept?,
    }
    for clash in store::fitting::contradictions(&mut work.tx, workshop).await? {
        fail(imported, 1, RowError::new("fitted", format!("{}: {}", clash.motorcycle, clash.what)));
    }
    if imported.is_good() {
        work.touch(bike);
        let new: Map<String, Value> = fields(json!({"kind": "packet", "created": imported.new_rows(), "remarks": imported.remarks}));
        work.audit("import", Subject::of("motorcycle", bike, bike), None, Some(&new)).await?;
    }
    Ok(())
}
fn fail(imported: &mut Imported, row: usize, error: RowError) {
    if let Some(result) = imported.rows.iter_mut().find(|result| result.row == row) {
        result.fail(error);
    }
}
