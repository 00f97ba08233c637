//! The history packet of one motorcycle: what a later reader is handed, so that the history can be trusted. It opens with what is not known.
//!
//! Entries are chained: the hash of each is SHA-256 over the hash before it, a line feed, and the entry in its canonical form. The canonical
//! form of a JSON value is the value without blanks, the names of each object sorted, and every number written as a string of its very digits,
//! so that any JSON library that can keep the digits (`parse_float=str`) can make it again.
pub mod check;
pub mod lines;
pub mod signature;

use std::{collections::BTreeMap, fmt::Write as _};

use serde::{Deserialize, Serialize};
use serde_json::Value;
use sha2::{Digest, Sha256};
use time::{Date, OffsetDateTime};
use utoipa::ToSchema;

use self::signature::{PacketSignature, Seed, Signed};
use super::{
    calendar,
    counter::Counter,
    history_item::HistoryItem,
    id::Id,
    motorcycle::{Instrument, Motorcycle, Reading, RecordsBegin, StruckOut},
    quantity::{Distance, Figure, Quantity, grouped},
    service::ServiceEvent,
    sums::Measure,
    words::{DistanceStatus, FinalDrive, InstrumentChange, OdometerUnit},
};

/// An entry written down more than so many days after it was done counts as late.
const LATE: i64 = 30;

/// The motorcycle, without its owner and the workshop's notes on it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct PacketMotorcycle {
    /// Its id in the workshop that made the packet.
    pub id: Id<Motorcycle>,
    /// What the workshop calls it.
    pub name: String,
    /// The maker.
    pub make: String,
    /// The model.
    pub model: String,
    /// The model year.
    pub year: Option<i32>,
    /// Vehicle identification number.
    pub vin: Option<String>,
    /// An older, shorter frame number.
    pub frame_number: Option<String>,
    /// The registration mark.
    pub registration: Option<String>,
    /// Belt, chain or shaft.
    pub final_drive: FinalDrive,
    /// What its odometer counts in.
    pub odometer_unit: OdometerUnit,
    /// The day it first went on the road.
    pub in_service_on: Option<Date>,
    /// Where its known history starts; null: known since new.
    pub records_begin: Option<RecordsBegin>,
}

/// A stretch of time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Days {
    /// From.
    pub from: Date,
    /// To.
    pub to: Date,
    /// How many days that is.
    #[schema(minimum = 0)]
    pub days: i64,
}

/// What is not known, or not certain. It comes first.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct NotKnown {
    /// The longest stretch without an odometer reading, up to the day of the packet; null without any reading.
    pub longest_without_reading: Option<Days>,
    /// How many entries were struck out; they stand in the packet with the reason.
    #[schema(minimum = 0)]
    pub struck_out: usize,
    /// How many entries were written down more than 30 days after they were done.
    #[schema(minimum = 0)]
    pub entered_late: usize,
    /// How many service events are not signed off.
    #[schema(minimum = 0)]
    pub not_signed: usize,
    /// All of it in sentences.
    pub in_words: Vec<String>,
}

/// The statement about the distance, after 49 CFR 580.5.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct DistanceStatement {
    /// `actual`, `exceeds_mechanical_limits` or `not_actual`.
    pub status: DistanceStatus,
    /// What that means, in a sentence.
    pub statement: String,
    /// What the odometer showed last, and when.
    pub shown: Option<ShownOn>,
    /// What the motorcycle had run by then, as far as the readings tell.
    pub true_distance: Option<Quantity>,
    /// How the two go together, where they differ.
    pub sum: Option<String>,
}
/// An odometer figure with its day.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ShownOn {
    /// The day.
    pub on: Date,
    /// What the odometer showed.
    pub odometer: Quantity,
}

/// One entry of the history.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Entry {
    /// The day it was done.
    pub done_on: Date,
    /// When it was written down.
    #[serde(with = "time::serde::rfc3339")]
    pub entered_at: OffsetDateTime,
    /// What the odometer showed, as it was read; null where it was not.
    pub odometer_shown: Option<Quantity>,
    /// What the motorcycle had run by then.
    pub true_distance: Option<Quantity>,
    /// How the two go together, where an odometer was replaced or rolled over.
    pub sum: Option<String>,
    /// What happened. Prices and the workshop's internal notes are left out.
    pub what: HistoryItem,
}

/// An entry in its place in the chain.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Link {
    /// The entry.
    pub entry: Entry,
    /// The hash before it.
    #[schema(pattern = "^[0-9a-f]{64}$")]
    pub previous: String,
    /// SHA-256 over `previous`, a line feed and the canonical entry.
    #[schema(pattern = "^[0-9a-f]{64}$")]
    pub hash: String,
}

/// The chain over the entries.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Chain {
    /// How to check it.
    pub method: String,
    /// SHA-256 over the canonical packet without `entries`, `chain` and `signature`: the first entry's `previous`.
    #[schema(pattern = "^[0-9a-f]{64}$")]
    pub start: String,
    /// The last entry's hash; `start` without entries. Whoever has noted it down can tell later whether anything was changed.
    #[schema(pattern = "^[0-9a-f]{64}$")]
    pub head: String,
    /// What the chain does not prove.
    pub does_not_prove: String,
}

/// What the packet says beside its entries: the chain starts with it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct About {
    /// Always `witnessmark-packet`.
    pub format: String,
    /// 1.
    #[schema(minimum = 1)]
    pub version: u32,
    /// What is not known comes first.
    pub not_known: NotKnown,
    /// The motorcycle.
    pub motorcycle: PacketMotorcycle,
    /// The statement about its distance.
    pub distance: DistanceStatement,
    /// Who kept the records.
    pub workshop: String,
    /// The day the packet was made.
    pub made_on: Date,
}

/// A packet of another workshop with which the motorcycle's earlier history came.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TakenOver {
    /// Who kept the records until then.
    pub workshop: String,
    /// The fingerprint of the key that the packet was signed with.
    pub fingerprint: String,
    /// How many entries it had.
    pub entries: usize,
    /// The day it was made.
    pub made_on: Date,
    /// The day it was taken over.
    pub on: Date,
}
impl TakenOver {
    /// What is told of it, in a sentence.
    #[must_use]
    pub fn in_words(&self) -> String {
        let entries = if self.entries == 1 { "1 entry".into() } else { format!("{} entries", self.entries) };
        format!(
            "Until {} the records were kept by {}: its packet of {}, with {entries}, was signed with the key {}.",
            calendar::words(self.on),
            self.workshop,
            calendar::words(self.made_on),
            self.fingerprint
        )
    }
}

/// The history packet of one motorcycle.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Packet {
    /// What it says beside its entries.
    #[serde(flatten)]
    pub about: About,
    /// Everything on record, oldest first: by the day it was done, then by the order in which it was written down.
    pub entries: Vec<Link>,
    /// The chain over the entries.
    pub chain: Chain,
    /// The workshop's signature over the chain's head.
    pub signature: PacketSignature,
}

// Written out because an `allOf` of the flattened part could not be closed to further fields.
impl utoipa::PartialSchema for Packet {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        use utoipa::openapi::{ArrayBuilder, Ref, RefOr, schema::Schema};
        let mut schema = About::schema();
        if let RefOr::T(Schema::Object(object)) = &mut schema {
            object.description = Some("The history packet of one motorcycle.".into());
            let entries = "Everything on record, oldest first: by the day it was done, then by the order in which it was written down.";
            let entries = ArrayBuilder::new().items(Ref::from_schema_name("Link")).description(Some(entries));
            object.properties.insert("entries".into(), entries.into());
            let chain = Ref::builder().ref_location_from_schema_name("Chain").description(Some("The chain over the entries.".to_owned()));
            object.properties.insert("chain".into(), chain.build().into());
            let signature = Ref::builder().ref_location_from_schema_name("PacketSignature");
            let signature = signature.description(Some("The workshop's signature over the chain's head.".to_owned()));
            object.properties.insert("signature".into(), signature.build().into());
            object.required.extend(["entries".into(), "chain".into(), "signature".into()]);
        }
        schema
    }
}
impl ToSchema for Packet {
    fn name() -> std::borrow::Cow<'static, str> {
        "Packet".into()
    }
    fn schemas(schemas: &mut Vec<(String, utoipa::openapi::RefOr<utoipa::openapi::schema::Schema>)>) {
        About::schemas(schemas);
        for (name, schema) in [
            (Link::name(), <Link as utoipa::PartialSchema>::schema()),
            (Chain::name(), <Chain as utoipa::PartialSchema>::schema()),
            (PacketSignature::name(), <PacketSignature as utoipa::PartialSchema>::schema()),
        ] {
            schemas.push((name.into_owned(), schema));
        }
        Link::schemas(schemas);
        Chain::schemas(schemas);
        PacketSignature::schemas(schemas);
    }
}

/// What a packet is made of.
#[derive(Debug)]
pub struct Sources<'a> {
    /// The workshop's name.
    pub workshop: &'a str,
    /// The motorcycle.
    pub motorcycle: &'a Motorcycle,
    /// Its odometer.
    pub counter: &'a Counter,
    /// Everything that happened, newest first, what came with an event too.
    pub items: Vec<HistoryItem>,
    /// The packets of other workshops that it came with.
    pub taken_over: &'a [TakenOver],
    /// The day of the packet.
    pub today: Date,
    /// What the workshop signs with.
    pub seed: &'a Seed,
}

/// Makes the packet. `None` where the seed is no key.
#[must_use]
pub fn make(sources: Sources) -> Option<Packet> {
    let Sources { workshop, motorcycle, counter, items, taken_over, today, seed } = sources;
    let entries = entries(motorcycle, counter, items);
    let mut not_known = not_known(motorcycle, counter, &entries, today);
    not_known.in_words.extend(taken_over.iter().map(TakenOver::in_words));
    let about = About {
        format: "witnessmark-packet".into(),
        version: 1,
        not_known,
        motorcycle: of(motorcycle),
        distance: statement(motorcycle, counter),
        workshop: workshop.into(),
        made_on: today,
    };
    let start = hash("", &about);
    let mut head = start.clone();
    let mut links = Vec::with_capacity(entries.len());
    for entry in entries {
        let hash = hash(&format!("{head}\n"), &entry);
        links.push(Link { entry, previous: std::mem::replace(&mut head, hash.clone()), hash });
    }
    let chain = Chain {
        method: "hash = SHA-256(previous, line feed, canonical entry), hexadecimal; canonical: no blanks, names sorted, numbers as strings of their digits, \
                 UTF-8"
            .into(),
        start,
        head,
        does_not_prove: "The chain shows that no entry was changed, added, left out or moved since its last hash was noted down elsewhere. It does not prove \
                         that what was written down is true, who wrote it, or that everything that happened was written down."
            .into(),
    };
    let signed = Signed {
        format: about.format.clone(),
        head: chain.head.clone(),
        entries: links.len(),
        motorcycle_id: motorcycle.id,
        made_on: today,
    };
    Some(Packet { about, entries: links, chain, signature: signature::sign(seed, &signed)? })
}

fn of(bike: &Motorcycle) -> PacketMotorcycle {
    PacketMotorcycle {
        id: bike.id,
        name: bike.name.clone(),
        make: bike.make.clone(),
        model: bike.model.clone(),
        year: bike.year,
        vin: bike.vin.clone(),
        frame_number: bike.frame_number.clone(),
        registration: bike.registration.clone(),
        final_drive: bike.final_drive,
        odometer_unit: bike.odometer_unit,
        in_service_on: bike.in_service_on,
        records_begin: bike.records_begin.clone(),
    }
}

/// SHA-256 over some text and a value in its canonical form, as 64 hexadecimal digits.
fn hash(before: &str, value: &impl Serialize) -> String {
    let value = serde_json::to_value(value).unwrap_or_default();
    let digest = Sha256::new().chain_update(before).chain_update(canonical(&value)).finalize();
    digest.iter().fold(String::with_capacity(64), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// A JSON value without blanks, names sorted, numbers as strings of their digits.
#[must_use]
pub fn canonical(value: &Value) -> String {
    let text = |text: &str| Value::from(text).to_string();
    match value {
        Value::Number(number) => text(&number.to_string()),
        Value::Array(items) => format!("[{}]", items.iter().map(canonical).collect::<Vec<_>>().join(",")),
        Value::Object(fields) => {
            let sorted: BTreeMap<_, _> = fields.iter().collect();
            let fields: Vec<_> = sorted.into_iter().map(|(name, value)| format!("{}:{}", text(name), canonical(value))).collect();
            format!("{{{}}}", fields.join(","))
        }
        other => other.to_string(),
    }
}

/// The entries, oldest first. What came with an event stands in the event.
fn entries(bike: &Motorcycle, counter: &Counter, items: Vec<HistoryItem>) -> Vec<Entry> {
    let read: BTreeMap<Id<ServiceEvent>, Reading> = items
        .iter()
        .filter_map(|item| item.odometer_reading.clone())
        .filter_map(|reading| Some((reading.service_event_id?, reading)))
        .collect();
    let own = items.into_iter().rev().filter(|item| item.service_event.is_some() || item.service_event_id.is_none());
    let entry = |mut what: HistoryItem| {
        let entered_at = entered_at(&what)?;
        if let Some(event) = &mut what.service_event {
            event.cost = None;
            event.internal_notes.clear();
        }
        let reading = what.odometer_reading.as_ref().or_else(|| what.service_event.as_ref().and_then(|event| read.get(&event.id)));
        let odometer_shown = reading.map(|reading| Quantity { value: reading.reading.clone(), unit: reading.unit });
        let ticks = reading.and_then(|reading| counter.at_reading(reading.id));
        Some(Entry {
            done_on: what.on,
            entered_at,
            true_distance: ticks.map(|ticks| Distance::from_mm(ticks).quantity(bike.odometer_unit)),
            sum: odometer_shown.as_ref().zip(ticks).and_then(|(shown, ticks)| sum(shown, ticks, bike.odometer_unit)),
            odometer_shown,
            what,
        })
    };
    own.filter_map(entry).collect()
}

fn entered_at(item: &HistoryItem) -> Option<OffsetDateTime> {
    let part = item.part_fitted.as_ref().or(item.part_removed.as_ref()).map(|part| part.created_at);
    let instrument = item.odometer_replaced.as_ref().or(item.hour_meter_replaced.as_ref()).map(|change| change.created_at);
    let reading = item.odometer_reading.as_ref().or(item.hour_reading.as_ref()).map(|reading| reading.created_at);
    let event = item.service_event.as_ref().map(|event| event.created_at);
    event.or(reading).or(part).or(instrument).or(item.measured_value.as_ref().map(|value| value.created_at))
}

fn struck_out(item: &HistoryItem) -> Option<&StruckOut> {
    let part = item.part_fitted.as_ref().or(item.part_removed.as_ref()).and_then(|part| part.struck_out.as_ref());
    let reading = item.odometer_reading.as_ref().or(item.hour_reading.as_ref()).and_then(|reading| reading.struck_out.as_ref());
    let event = item.service_event.as_ref().and_then(|event| event.struck_out.as_ref());
    event.or(reading).or(part).or(item.measured_value.as_ref().and_then(|value| value.struck_out.as_ref()))
}

/// `40,210 + 120 = 40,330 mi`: what earlier odometers counted, and what this one shows. None where the two figures are the same.
fn sum(shown: &Quantity, ticks: i64, unit: OdometerUnit) -> Option<String> {
    let shown = Distance::from_quantity(shown).ok()?.mm();
    (shown != ticks).then(|| Measure::odometer(unit).sum(ticks.saturating_sub(shown), shown))
}

fn statement(bike: &Motorcycle, counter: &Counter) -> DistanceStatement {
    let status = counter.distance_status(bike.distance_status);
    let statement = match status {
        DistanceStatus::Actual => "As far as the workshop knows, the odometer shows the distance that the motorcycle has covered.",
        DistanceStatus::ExceedsMechanicalLimits => {
            "The odometer has passed its highest figure and started again: the distance covered is greater than it shows."
        }
        DistanceStatus::NotActual => {
            "The odometer does not show the distance that the motorcycle has covered, and that distance is not known. Do not rely on it."
        }
    };
    let shown =
        bike.odometer.as_ref().map(|last| ShownOn { on: last.on, odometer: Quantity { value: last.reading.clone(), unit: last.unit } });
    let ticks = bike.odometer.as_ref().and_then(|last| counter.at_reading(last.id));
    DistanceStatement {
        status,
        statement: statement.into(),
        true_distance: ticks.map(|ticks| Distance::from_mm(ticks).quantity(bike.odometer_unit)),
        sum: shown.as_ref().zip(ticks).and_then(|(shown, ticks)| sum(&shown.odometer, ticks, bike.odometer_unit)),
        shown,
    }
}

fn not_known(bike: &Motorcycle, counter: &Counter, entries: &[Entry], today: Date) -> NotKnown {
    let late = |entry: &&Entry| (entry.entered_at.date() - entry.done_on).whole_days() > LATE;
    let open =
        |entry: &&Entry| entry.what.service_event.as_ref().is_some_and(|event| event.signature.is_none() && event.struck_out.is_none());
    let mut known = NotKnown {
        longest_without_reading: longest(counter, today),
        struck_out: entries.iter().filter(|entry| struck_out(&entry.what).is_some()).count(),
        entered_late: entries.iter().filter(late).count(),
        not_signed: entries.iter().filter(open).count(),
        in_words: Vec::new(),
    };
    let mut words = vec![before_the_records(bike, entries)];
    words.extend(lost_figures(entries));
    words.push(known.longest_without_reading.map_or_else(
        || "The odometer was never read.".into(),
        |gap| {
            let (from, to) = (calendar::words(gap.from), calendar::words(gap.to));
            format!("The longest stretch without an odometer reading is {}, from {from} to {to}.", count(gap.days, "day"))
        },
    ));
    words.push(match known.struck_out {
        0 => "No entry was struck out.".into(),
        1 => "One entry was struck out; it stands below with the reason.".into(),
        many => format!("{many} entries were struck out; they stand below with the reason."),
    });
    if known.entered_late > 0 {
        words.push(format!(
            "{} of {} entries were written down more than {LATE} days after they were done.",
            known.entered_late,
            entries.len()
        ));
    }
    if known.not_signed > 0 {
        words.push(format!("Not signed off: {}.", count(i64::try_from(known.not_signed).unwrap_or(i64::MAX), "service")));
    }
    known.in_words = words;
    known
}

fn count(many: i64, what: &str) -> String {
    if many == 1 { format!("1 {what}") } else { format!("{} {what}s", figure(&Figure::from(many))) }
}

/// A figure with its digits as entered, thousands grouped.
fn figure(figure: &Figure) -> String {
    let text = figure.text();
    let (whole, rest) = text.find(['.', 'e', 'E']).map_or((text.as_str(), ""), |place| text.split_at(place));
    if whole.starts_with('-') || rest.starts_with(['e', 'E']) {
        return text;
    }
    format!("{}{rest}", grouped(whole.parse().unwrap_or(0.0)))
}

fn before_the_records(bike: &Motorcycle, entries: &[Entry]) -> String {
    if let Some(begin) = &bike.records_begin {
        let (on, odometer) = (calendar::words(begin.on), figure(&begin.odometer));
        return format!("The records begin on {on} at {odometer} {}; what was done before is not known.", bike.odometer_unit);
    }
    match (bike.in_service_on, entries.first().map(|entry| entry.done_on)) {
        (_, None) => "Nothing is on record.".into(),
        (None, Some(first)) => {
            format!("The day it first went on the road is not on record; the first entry is of {}.", calendar::words(first))
        }
        (Some(new), Some(first)) if first > new => {
            format!("It first went on the road on {}; the first entry is of {}.", calendar::words(new), calendar::words(first))
        }
        (Some(new), Some(_)) => format!("The records begin when it was new, on {}.", calendar::words(new)),
    }
}

/// One sentence for each replaced odometer whose last figure nobody knows.
fn lost_figures(entries: &[Entry]) -> impl Iterator<Item = String> {
    let lost = |change: &&Instrument| change.kind == InstrumentChange::Replaced && change.old_final.is_none();
    let sentence = |change: &Instrument| {
        format!(
            "The odometer was replaced on {} and what the old one showed last is not known: distance may be missing.",
            calendar::words(change.on)
        )
    };
    entries.iter().filter_map(|entry| entry.what.odometer_replaced.as_ref()).filter(lost).map(sentence)
}

fn longest(counter: &Counter, today: Date) -> Option<Days> {
    let days: Vec<Date> = counter.points().iter().map(|point| point.on).chain([today]).collect();
    let gaps = days.windows(2).map(|pair| Days { from: pair[0], to: pair[1], days: (pair[1] - pair[0]).whole_days() });
    // The first of equal ones.
    gaps.reduce(|longest, gap| if gap.days > longest.days { gap } else { longest })
}

#[cfg(test)]
mod tests;
