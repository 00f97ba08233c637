//! Odometer and hour readings, and what happens to the instruments: checked against the whole life of the counter before anything is stored.
use std::collections::HashSet;

use time::{Date, OffsetDateTime};

use super::{Subject, Work};
use crate::{
    access::Standing,
    domain::{
        calendar,
        counter::{self, Contradiction, Counter, RawChange, RawReading},
        id::Id,
        motorcycle::{Instrument, LastReading, Motorcycle, NewInstrument, NewReading, Reading, StruckOut},
        quantity::{Figure, Unit},
        service::ServiceEvent,
        validate::{self, Problem},
        words::{CounterKind, InstrumentChange},
    },
    error::{Error, Neighbor, Result},
    store::{Stretch, instrument, motorcycle, reading as store},
};

/// What an instrument counts to where nobody says.
const DEFAULT_CAPACITY: i64 = 100_000;

/// What is known of a counter: its readings and what happened to its instruments, as entered and in ticks.
struct Entries {
    readings: Vec<Reading>,
    raw: Vec<RawReading>,
    changes: Vec<RawChange>,
}
impl Entries {
    async fn load(work: &mut Work, bike: Id<Motorcycle>, kind: CounterKind) -> Result<Self> {
        let workshop = work.workshop_id();
        let readings = store::standing(&mut work.tx, workshop, bike, kind).await?;
        let changes = instrument::all(&mut work.tx, workshop, bike, kind).await?;
        let raw = readings.iter().map(raw_reading).collect::<Result<_>>()?;
        let changes = changes.iter().map(raw_change).collect::<Result<_>>()?;
        Ok(Self { readings, raw, changes })
    }
    /// Takes in those that contradict nothing; gives the others, each with why, or without where too many were found before.
    fn add_all(&mut self, kind: CounterKind, new: &[(usize, Reading, RawReading)]) -> Vec<(usize, Option<Contradiction>)> {
        let mut wrong = Vec::new();
        let mut left = vec![new];
        while let Some(some) = left.pop() {
            if wrong.len() >= MOST_CONTRADICTIONS {
                wrong.extend(some.iter().map(|(place, ..)| (*place, None)));
                continue;
            }
            let before = self.raw.len();
            self.raw.extend(some.iter().map(|(_, _, raw)| *raw));
            if self.build(kind).is_ok() {
                continue;
            }
            self.raw.truncate(before);
            match some {
                [] => {}
                // Alone it says what it contradicts; among others the halves are looked at one after the other.
                [(place, _, raw)] => wrong.extend(Counter::fits(kind, &self.raw, &self.changes, *raw).err().map(|why| (*place, Some(why)))),
                some => left.extend([&some[some.len() / 2..], &some[..some.len() / 2]]),
            }
        }
        wrong
    }
    fn build(&self, kind: CounterKind) -> Result<Counter, Contradiction> {
        Counter::build(kind, &self.raw, &self.changes)
    }
    /// The neighbors of a contradiction with their figures as entered.
    fn contradiction(&self, contradiction: &Contradiction, pointer: &str, unit: Unit) -> Error {
        let neighbor = |raw: &RawReading| {
            let entered = self.readings.iter().find(|reading| reading.id == raw.id).map(|reading| reading.reading.clone());
            let reading = entered.unwrap_or_else(|| counter::from_ticks(raw.shown, unit));
            Neighbor { id: Some(raw.id.uuid()), on: raw.on, reading }
        };
        Error::Contradicts {
            problems: vec![Problem::new(pointer, contradiction.message(unit))],
            neighbors: contradiction.neighbors.iter().map(neighbor).collect(),
        }
    }
    /// The reading that counts as the last one: the farthest of the last day.
    fn last(&self, counter: &Counter) -> Option<LastReading> {
        let id = counter.points().iter().rev().find_map(|point| point.id)?;
        let reading = self.readings.iter().find(|reading| reading.id == id)?;
        Some(LastReading { id, on: reading.on, reading: reading.reading.clone(), unit: reading.unit })
    }
}
fn ticks(kind: CounterKind, figure: &Figure, unit: Unit) -> Result<i64> {
    counter::to_ticks(kind, figure, unit).map_err(Error::internal)
}
/// A stored reading in ticks.
///
/// # Errors
/// Where its unit is not one that its instrument counts in, which the store never holds.
pub fn raw_reading(reading: &Reading) -> Result<RawReading> {
    let shown = ticks(reading.counter, &reading.reading, reading.unit)?;
    Ok(RawReading { id: reading.id, on: reading.on, shown, confirmed: reading.confirmed })
}
/// A stored replacement or roll-over in ticks.
///
/// # Errors
/// Where its unit is not one that its instrument counts in, which the store never holds.
pub fn raw_change(change: &Instrument) -> Result<RawChange> {
    let figure = |figure: &Figure| ticks(change.counter, figure, change.unit);
    Ok(RawChange {
        id: change.id,
        on: change.on,
        kind: change.kind,
        old_final: change.old_final.as_ref().map(figure).transpose()?,
        new_start: change.new_start.as_ref().map_or(Ok(0), figure)?,
        capacity: change.capacity.as_ref().map_or_else(|| figure(&Figure::from(DEFAULT_CAPACITY)), figure)?,
    })
}

/// The unit that a motorcycle's instrument counts in.
#[must_use]
pub fn unit(bike: &Motorcycle, kind: CounterKind) -> Unit {
    match kind {
        CounterKind::Odometer => bike.odometer_unit.into(),
        CounterKind::Hours => Unit::H,
    }
}
fn name(kind: CounterKind) -> &'static str {
    match kind {
        CounterKind::Odometer => "odometer",
        CounterKind::Hours => "hour meter",
    }
}
/// What the audit trail calls the instrument.
fn instrument_noun(kind: CounterKind) -> &'static str {
    match kind {
        CounterKind::Odometer => "odometer",
        CounterKind::Hours => "hour_meter",
    }
}
/// What the audit trail calls a reading.
fn noun(kind: CounterKind) -> &'static str {
    match kind {
        CounterKind::Odometer => "odometer_reading",
        CounterKind::Hours => "hour_reading",
    }
}

/// One counter of a motorcycle, from the readings that stand.
///
/// # Errors
/// Where the database refuses.
pub async fn counter(work: &mut Work, bike: Id<Motorcycle>, kind: CounterKind) -> Result<Counter> {
    let entries = Entries::load(work, bike, kind).await?;
    // What contradicts is refused when it is entered, so nothing stored does.
    entries.build(kind).map_err(|contradiction| Error::internal(format!("readings of {bike} contradict: {contradiction:?}")))
}

/// The reading of an id, struck out or not.
///
/// # Errors
/// 404 where the workshop has none on a counter of this kind.
pub async fn get(work: &mut Work, id: Id<Reading>, kind: CounterKind) -> Result<Reading> {
    let workshop = work.workshop_id();
    let found = store::find(&mut work.tx, workshop, id).await?.filter(|reading| reading.counter == kind);
    let reading = found.ok_or(Error::NotFound("reading"))?;
    super::motorcycle::must_see(work, reading.motorcycle_id, "reading").await?;
    Ok(reading)
}

/// Readings of a counter, struck-out ones too, newest first.
///
/// # Errors
/// Where the database refuses.
pub async fn list(
    work: &mut Work,
    bike: Id<Motorcycle>,
    kind: CounterKind,
    changed_since: Option<OffsetDateTime>,
    stretch: Stretch<(Date, Id<Reading>)>,
) -> Result<Vec<Reading>> {
    let workshop = work.workshop_id();
    store::list(&mut work.tx, workshop, bike, kind, changed_since, stretch).await
}

/// Records what an instrument showed, alone or with a service event; `pointer` says where the figure stands in the request.
///
/// # Errors
/// 422 where it lies in the future, or contradicts other readings, which are named.
pub async fn record(
    work: &mut Work,
    bike: &Motorcycle,
    kind: CounterKind,
    mut new: NewReading,
    event: Option<Id<ServiceEvent>>,
    pointer: &str,
) -> Result<Reading> {
    new.read_by = trimmed(new.read_by);
    let mut problems = validate::reading(&new);
    for problem in &mut problems {
        if problem.pointer == "/reading" {
            pointer.clone_into(&mut problem.pointer);
        }
    }
    problems.extend(in_future(work, new.on));
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let mut entries = Entries::load(work, bike.id, kind).await?;
    let unit = unit(bike, kind);
    let reading = Reading::from_new(work.new_id(), new, bike.id, kind, unit, event, None, work.now);
    let raw = raw_reading(&reading)?;
    let counter = Counter::fits(kind, &entries.raw, &entries.changes, raw)
        .map_err(|contradiction| entries.contradiction(&contradiction, pointer, unit))?;
    entries.raw.push(raw);
    if let Some((_, change)) = beyond_capacity(&entries.raw, &entries.changes) {
        return Err(Error::invalid(pointer, more_than_it_counts_to(kind, raw, change, unit)));
    }
    entries.readings.push(reading.clone());

    let workshop = work.workshop_id();
    let by = work.caller.id();
    store::insert(&mut work.tx, workshop, &reading, by).await?;
    keep_last(work, bike.id, kind, entries.last(&counter)).await?;
    work.audit("record", Subject::of(noun(kind), reading.id, bike.id), None, Some(&reading)).await?;
    Ok(reading)
}
fn trimmed(text: Option<String>) -> Option<String> {
    text.map(|text| text.trim().to_owned()).filter(|text| !text.is_empty())
}
fn in_future(work: &Work, on: Date) -> Option<Problem> {
    (on > work.today).then(|| {
        Problem::new(
            "/on",
            format!("lies in the future; today is {} in the workshop's time zone, enter it when it has happened", work.today),
        )
    })
}
/// Keeps what the motorcycle shows of its last odometer reading, and has what is due worked out again.
async fn keep_last(work: &mut Work, bike: Id<Motorcycle>, kind: CounterKind, last: Option<LastReading>) -> Result<()> {
    if kind == CounterKind::Odometer {
        let (workshop, now) = (work.workshop_id(), work.now);
        motorcycle::keep_last_reading(&mut work.tx, workshop, bike, last.as_ref(), now).await?;
    }
    work.touch(bike);
    Ok(())
}

/// One of many readings that are entered at once.
#[derive(Clone, Debug)]
pub struct Another {
    /// The reading.
    pub new: NewReading,
    /// The event that it comes with. Without one, a reading that is there already is not entered again.
    pub event: Option<Id<ServiceEvent>>,
}
/// What comes of one of many readings: its id; `None` where it is there already; or what is wrong with it.
pub type Recorded = Result<Option<Id<Reading>>, Vec<Problem>>;
/// The most contradictions that are looked for among the readings of one motorcycle.
const MOST_CONTRADICTIONS: usize = 100;

/// Records many readings of one motorcycle at once, against its whole life and against each other. Nothing is stored where any is wrong.
///
/// # Errors
/// Where the database refuses.
pub async fn record_many(work: &mut Work, bike: &Motorcycle, kind: CounterKind, many: Vec<Another>) -> Result<Vec<Recorded>> {
    let mut entries = Entries::load(work, bike.id, kind).await?;
    let unit = unit(bike, kind);
    let mut there: HashSet<_> = entries.raw.iter().map(|raw| (raw.on, raw.shown)).collect();
    let mut recorded = Vec::with_capacity(many.len());
    let mut new: Vec<(usize, Reading, RawReading)> = Vec::new();
    for (place, Another { new: mut sent, event }) in many.into_iter().enumerate() {
        sent.read_by = trimmed(sent.read_by);
        let mut problems = validate::reading(&sent);
        problems.extend(in_future(work, sent.on));
        if !problems.is_empty() {
            recorded.push(Err(problems));
            continue;
        }
        let reading = Reading::from_new(work.new_id(), sent, bike.id, kind, unit, event, None, work.now);
        let raw = raw_reading(&reading)?;
        if !there.insert((raw.on, raw.shown)) && event.is_none() {
            recorded.push(Ok(None));
            continue;
        }
        recorded.push(Ok(Some(reading.id)));
        new.push((place, reading, raw));
    }
    let contradictions = entries.add_all(kind, &new);
    for (place, problem) in contradictions {
        recorded[place] = Err(vec![Problem::new("/reading", problem.map_or_else(|| TOO_MANY.into(), |why| why.message(unit)))]);
    }
    if recorded.iter().all(Result::is_ok) && !new.is_empty() {
        keep_many(work, bike, kind, entries, new, &mut recorded).await?;
    }
    Ok(recorded)
}
const TOO_MANY: &str = "Was not looked at: a hundred other rows of this motorcycle contradict its readings. Correct those first.";

async fn keep_many(
    work: &mut Work,
    bike: &Motorcycle,
    kind: CounterKind,
    mut entries: Entries,
    new: Vec<(usize, Reading, RawReading)>,
    recorded: &mut [Recorded],
) -> Result<()> {
    let unit = unit(bike, kind);
    if let Some((reading, change)) = beyond_capacity(&entries.raw, &entries.changes) {
        let place = new.iter().find(|(_, _, raw)| raw.id == reading.id).or(new.first()).map_or(0, |(place, ..)| *place);
        recorded[place] = Err(vec![Problem::new("/reading", more_than_it_counts_to(kind, reading, change, unit))]);
        return Ok(());
    }
    let counter = entries.build(kind).map_err(|why| Error::internal(format!("readings contradict: {why:?}")))?;
    let (workshop, by) = (work.workshop_id(), work.caller.id());
    for (_, reading, _) in new {
        store::insert(&mut work.tx, workshop, &reading, by).await?;
        entries.readings.push(reading);
    }
    keep_last(work, bike.id, kind, entries.last(&counter)).await
}

/// Keeps what a motorcycle shows of its last odometer reading, where its readings were stored all at once.
///
/// # Errors
/// [`Error::Contradicts`] where the readings of one of its counters do.
pub async fn keep_last_of(work: &mut Work, bike: Id<Motorcycle>) -> Result<()> {
    for kind in [CounterKind::Odometer, CounterKind::Hours] {
        let entries = Entries::load(work, bike, kind).await?;
        let unit = entries.readings.first().map_or(Unit::Km, |reading| reading.unit);
        let counter = entries.build(kind).map_err(|contradiction| entries.contradiction(&contradiction, "/reading", unit))?;
        if let Some((reading, change)) = beyond_capacity(&entries.raw, &entries.changes) {
            let neighbor = Neighbor { id: Some(reading.id.uuid()), on: reading.on, reading: counter::from_ticks(reading.shown, unit) };
            let problem = Problem::new("/reading", more_than_it_counts_to(kind, reading, change, unit));
            return Err(Error::Contradicts { problems: vec![problem], neighbors: vec![neighbor] });
        }
        keep_last(work, bike, kind, entries.last(&counter)).await?;
    }
    Ok(())
}

/// Whether the caller may strike out a reading: an owner only what he noted himself.
///
/// # Errors
/// Where the database refuses.
pub async fn may_strike_out(work: &mut Work, id: Id<Reading>) -> Result<bool> {
    let workshop = work.workshop_id();
    Ok(work.caller.standing > Standing::Owner || store::entered_by(&mut work.tx, workshop, id).await? == work.caller.id())
}
/// Strikes out a reading that came without a service event. What came with it (a part fitted outside an event, a value) keeps its day.
///
/// # Errors
/// 403 where an owner asks and did not enter it; 422 without a reason; 409 where it is struck out already, belongs to a service event, or where the others contradict without it.
pub async fn strike_out(work: &mut Work, reading: &Reading, reason: &str) -> Result<Reading> {
    if !may_strike_out(work, reading.id).await? {
        return Err(Error::Forbidden("The workshop noted this reading; ask it to strike the reading out.".into()));
    }
    let reason = checked_reason(reason)?;
    if reading.struck_out.is_some() {
        return Err(Error::conflict("This reading is struck out already; there is nothing left to do.", []));
    }
    if let Some(event) = reading.service_event_id {
        return Err(Error::conflict(
            "This reading came with a service event; strike out the event, then enter it again as it was.",
            [event.uuid()],
        ));
    }
    let struck = StruckOut { at: work.now, reason };
    strike(work, reading.clone(), struck).await
}
/// Strikes out the readings that came with a service event: part of striking out the event itself.
///
/// # Errors
/// 409 where the other readings contradict without them.
pub async fn strike_out_of_event(work: &mut Work, event: Id<ServiceEvent>, struck: &StruckOut) -> Result<()> {
    let workshop = work.workshop_id();
    for reading in store::of_event(&mut work.tx, workshop, event).await? {
        strike(work, reading, struck.clone()).await?;
    }
    Ok(())
}
async fn strike(work: &mut Work, old: Reading, struck: StruckOut) -> Result<Reading> {
    let workshop = work.workshop_id();
    store::strike_out(&mut work.tx, workshop, old.id, &struck).await?;
    store::let_go(&mut work.tx, workshop, old.id).await?;
    let entries = Entries::load(work, old.motorcycle_id, old.counter).await?;
    // It may have been what makes a later jump plausible.
    let counter = entries.build(old.counter).map_err(|contradiction| {
        let detail = format!("Without this reading the others contradict one another. {}", contradiction.message(old.unit));
        Error::conflict(detail, contradiction.neighbors.iter().map(|neighbor| neighbor.id.uuid()))
    })?;
    keep_last(work, old.motorcycle_id, old.counter, entries.last(&counter)).await?;
    let reading = Reading { struck_out: Some(struck), ..old.clone() };
    work.audit("strike out", Subject::of(noun(old.counter), old.id, old.motorcycle_id), Some(&old), Some(&reading)).await?;
    Ok(reading)
}
/// The reason that striking out needs.
///
/// # Errors
/// 422 at `/reason` where it is missing, too long, or not plain text.
pub fn checked_reason(reason: &str) -> Result<String> {
    let reason = reason.trim();
    if reason.is_empty() {
        return Err(Error::invalid("/reason", "Say why it is struck out, such as ?reason=typing+error; it stays visible with the reason."));
    }
    let problems = validate::strings_and_lists(&serde_json::json!({ "reason": reason }));
    if problems.is_empty() { Ok(reason.to_owned()) } else { Err(Error::Invalid(problems)) }
}

/// What happened to the instruments of a counter, oldest first.
///
/// # Errors
/// Where the database refuses.
pub async fn list_instruments(
    work: &mut Work,
    bike: Id<Motorcycle>,
    kind: CounterKind,
    stretch: Stretch<(Date, Id<Instrument>)>,
) -> Result<Vec<Instrument>> {
    let workshop = work.workshop_id();
    instrument::list(&mut work.tx, workshop, bike, kind, stretch).await
}

/// Says that an instrument was replaced or rolled over.
///
/// # Errors
/// 422 where it lies in the future, or the readings contradict it.
pub async fn change_instrument(work: &mut Work, bike: &Motorcycle, kind: CounterKind, mut new: NewInstrument) -> Result<Instrument> {
    new.reason = new.reason.trim().to_owned();
    let mut problems = validate::instrument(&new);
    problems.extend(in_future(work, new.on));
    problems.extend(out_of_place(&new));
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    match new.kind {
        InstrumentChange::Replaced => new.new_start = new.new_start.or(Some(Figure::from(0))),
        InstrumentChange::RolledOver => new.capacity = new.capacity.or(Some(Figure::from(DEFAULT_CAPACITY))),
    }
    let unit = unit(bike, kind);
    let change = Instrument::from_new(work.new_id(), new, bike.id, kind, unit, work.now);
    let mut entries = Entries::load(work, bike.id, kind).await?;
    let counter = with_change(&mut entries, kind, raw_change(&change)?, unit)?;

    let workshop = work.workshop_id();
    instrument::insert(&mut work.tx, workshop, &change).await?;
    keep_last(work, bike.id, kind, entries.last(&counter)).await?;
    work.audit(change.kind.as_str(), Subject::of(instrument_noun(kind), change.id, bike.id), None, Some(&change)).await?;
    let status = counter.distance_status(bike.distance_status);
    if kind == CounterKind::Odometer && status != bike.distance_status {
        let changed = Motorcycle { distance_status: status, odometer: entries.last(&counter), ..bike.clone() };
        let now = work.now;
        motorcycle::update(&mut work.tx, workshop, &changed, now).await?;
        work.audit("change", Subject::of("motorcycle", bike.id, bike.id), Some(bike), Some(&changed)).await?;
    }
    Ok(change)
}
/// Figures that say something else than the change that they come with.
fn out_of_place(new: &NewInstrument) -> Option<Problem> {
    let rolled_over = new.kind == InstrumentChange::RolledOver;
    let starts = new.new_start.as_ref().is_some_and(|figure| figure.value() != 0.0);
    (rolled_over && starts).then(|| {
        Problem::new(
            "/new_start",
            "An instrument that rolls over starts again at 0; leave this out, and enter what it shows now as a reading.",
        )
    })
}
/// The counter with one more change; what cannot stand is said at the field that is most likely wrong.
fn with_change(entries: &mut Entries, kind: CounterKind, change: RawChange, unit: Unit) -> Result<Counter> {
    entries.changes.push(change);
    let counter = entries.build(kind).map_err(|contradiction| {
        let without = RawChange { old_final: None, ..change };
        let others = entries.changes.iter().map(|other| if other.id == change.id { without } else { *other }).collect::<Vec<_>>();
        let old_final = change.old_final.is_some() && Counter::build(kind, &entries.raw, &others).is_ok();
        entries.contradiction(&contradiction, if old_final { "/old_final" } else { "/on" }, unit)
    })?;
    match beyond_capacity(&entries.raw, &entries.changes) {
        Some((reading, change)) => Err(Error::invalid("/capacity", more_than_it_counts_to(kind, reading, change, unit))),
        None => Ok(counter),
    }
}

/// A reading beyond what its instrument counts to, as a roll-over says. Those of the day of another change may be another instrument's.
fn beyond_capacity(readings: &[RawReading], changes: &[RawChange]) -> Option<(RawReading, RawChange)> {
    let mut changes = changes.to_vec();
    changes.sort_unstable_by_key(|change| (change.on, change.id));
    changes.iter().enumerate().filter(|(_, change)| change.kind == InstrumentChange::RolledOver).find_map(|(place, change)| {
        let from = place.checked_sub(1).map_or(Date::MIN, |before| changes[before].on);
        let to = changes.get(place + 1).map_or(Date::MAX, |after| after.on);
        let beyond = readings.iter().find(|reading| reading.on > from && reading.on < to && reading.shown > change.capacity);
        beyond.map(|reading| (*reading, *change))
    })
}
fn more_than_it_counts_to(kind: CounterKind, reading: RawReading, change: RawChange, unit: Unit) -> String {
    let (name, figure) = (name(kind), |ticks| format!("{} {unit}", counter::from_ticks(ticks, unit)));
    format!(
        "The {name} that rolled over on {} counts to {}, so it cannot have shown {} on {}. Correct the figure, or the capacity.",
        calendar::words(change.on),
        figure(change.capacity),
        figure(reading.shown),
        calendar::words(reading.on),
    )
}

#[cfg(test)]
mod tests;
