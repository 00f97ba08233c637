//! Odometers and hour meters: one instrument after another, and the true distance or time behind what they show.
//!
//! A counter is a counter: the odometer counts in ticks of a millimetre, the hour meter in ticks of a millisecond.
//! The life of a counter is cut into stretches, one after each replacement or roll-over. Within a stretch the true
//! count is what the instrument shows plus a constant.
use std::ops::RangeInclusive;

use time::Date;

pub use super::contradiction::{Contradiction, ContradictionKind};
use super::{
    contradiction::{Anchor, What},
    id::Id,
    motorcycle::{Instrument, Reading},
    quantity::{Distance, Figure, Kind, Quantity, Unit},
    words::{CounterKind, DistanceStatus, InstrumentChange},
};

/// A reading as it was entered, in ticks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RawReading {
    /// Its id. Ids are of version 7, so that their order is the order of entry.
    pub id: Id<Reading>,
    /// The day.
    pub on: Date,
    /// What the instrument showed.
    pub shown: i64,
    /// Says that more than 2,000 km in a day is right.
    pub confirmed: bool,
}

/// A replacement or a roll-over as it was entered, in ticks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RawChange {
    /// Its id.
    pub id: Id<Instrument>,
    /// The day.
    pub on: Date,
    /// Replaced or rolled over.
    pub kind: InstrumentChange,
    /// What the old one showed last; `None` where unknown. Means nothing for a roll-over.
    pub old_final: Option<i64>,
    /// What the new one showed first. Means nothing for a roll-over, which starts again at 0.
    pub new_start: i64,
    /// What the instrument counts to before it starts again. Means nothing for a replacement.
    pub capacity: i64,
}
impl RawChange {
    /// The first figure after the change.
    fn first_shown(&self) -> i64 {
        match self.kind {
            InstrumentChange::Replaced => self.new_start,
            InstrumentChange::RolledOver => 0,
        }
    }
    /// The highest figure before the change, where there is one.
    fn last_shown(&self) -> i64 {
        match self.kind {
            InstrumentChange::Replaced => self.old_final.unwrap_or(i64::MAX),
            InstrumentChange::RolledOver => self.capacity,
        }
    }
}

/// A reading with the true count behind it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Point {
    /// The reading; `None` for the last figure of a replaced instrument.
    pub id: Option<Id<Reading>>,
    /// The day.
    pub on: Date,
    /// The true count, in ticks.
    pub ticks: i64,
}

/// A stretch of an instrument's life between two changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stretch {
    /// The day of the change that began it.
    from: Date,
    /// The true count at which it begins.
    start: i64,
    /// True count less shown figure.
    offset: i64,
    /// What the instrument is known to count to: it has rolled over into this stretch.
    capacity: Option<i64>,
    /// It began with a replacement whose last figure is unknown.
    gap: bool,
}
const FIRST: Stretch = Stretch { from: Date::MIN, start: 0, offset: 0, capacity: None, gap: false };

/// One counter of a motorcycle with its whole life.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Counter {
    /// Oldest first; neither days nor counts ever go down.
    points: Vec<Point>,
    /// Sorted by id, each with its place in `points`.
    places: Vec<(Id<Reading>, usize)>,
    /// Never empty.
    stretches: Vec<Stretch>,
}
impl Default for Counter {
    fn default() -> Self {
        Self { points: Vec::new(), places: Vec::new(), stretches: vec![FIRST] }
    }
}

/// The most that a counter can plausibly gain in a day: 2,000 km, or the 24 hours that a day has. In ticks.
#[must_use]
pub const fn most_a_day(kind: CounterKind) -> i64 {
    match kind {
        CounterKind::Odometer => 2_000_000_000,
        CounterKind::Hours => 24 * 3_600_000,
    }
}

/// A figure of an odometer in millimetres, or of an hour meter in milliseconds, rounded to the nearest, halves away from zero.
///
/// # Errors
/// A sentence that names both kinds where the unit is not one that the instrument counts in.
pub fn to_ticks(kind: CounterKind, figure: &Figure, unit: Unit) -> Result<i64, String> {
    match kind {
        CounterKind::Odometer => Ok(Distance::from_quantity(&Quantity { value: figure.clone(), unit })?.mm()),
        CounterKind::Hours => {
            unit.must_be(Kind::Time)?;
            #[expect(clippy::cast_possible_truncation, reason = "figures are at most 10^15 and the cast saturates")]
            Ok((figure.value() * ticks_per(unit)).round() as i64)
        }
    }
}
/// Ticks as a number of an instrument's units.
#[must_use]
#[expect(clippy::cast_precision_loss, reason = "2^53 ticks are nine billion kilometres")]
pub fn in_unit(ticks: i64, unit: Unit) -> f64 {
    ticks as f64 / ticks_per(unit)
}
/// Ticks as a figure in an instrument's unit, to three decimals.
#[must_use]
pub fn from_ticks(ticks: i64, unit: Unit) -> Figure {
    Figure::rounded(in_unit(ticks, unit), 3)
}
/// A meter has a thousand millimetres and a second a thousand milliseconds.
fn ticks_per(unit: Unit) -> f64 {
    match unit {
        Unit::Mi => 1_609_344.0,
        other => other.si_per_unit() * 1000.0,
    }
}

/// The readings of each stretch in their order.
fn arrange(kind: CounterKind, readings: &[RawReading], changes: &[RawChange]) -> Vec<Vec<RawReading>> {
    let mut sorted = readings.to_vec();
    sorted.sort_unstable_by_key(|reading| (reading.on, reading.shown, reading.id));
    let mut stretches = vec![Vec::new(); changes.len() + 1];
    for (place, reading) in sorted.iter().enumerate() {
        let before = changes.partition_point(|change| change.on < reading.on);
        let after = changes.partition_point(|change| change.on <= reading.on);
        let stretch = if before == after {
            before
        } else {
            let last = stretches[before].last().map(|last: &RawReading| last.shown);
            choose(kind, reading, changes, before..=after, last, &sorted[place..])
        };
        stretches[stretch].push(*reading);
    }
    stretches
}
/// The stretch that a reading of the very day of a change belongs to: the last whose range it fits. A range that begins on this
/// day ends where a day's most is exceeded, because the instrument has just started; where no range fits, that end is ignored.
fn choose(
    kind: CounterKind,
    reading: &RawReading,
    changes: &[RawChange],
    candidates: RangeInclusive<usize>,
    last_before: Option<i64>,
    rest: &[RawReading],
) -> usize {
    let (before, after) = (*candidates.start(), *candidates.end());
    let first_shown = |stretch: usize| stretch.checked_sub(1).map_or(0, |change| changes[change].first_shown());
    let lower = |stretch: usize| if stretch == before { last_before.unwrap_or(first_shown(before)) } else { first_shown(stretch) };
    let upper = |stretch: usize| {
        let end = changes.get(stretch).map_or(i64::MAX, RawChange::last_shown);
        let next_change = changes.get(stretch).map_or(Date::MAX, |change| change.on);
        let later = rest.iter().find(|later| later.on > reading.on).filter(|later| stretch == after && later.on < next_change);
        later.map_or(end, |later| later.shown.min(end))
    };
    let fits = |stretch: usize| (lower(stretch)..=upper(stretch)).contains(&reading.shown);
    let likely = |stretch: usize| stretch == before || reading.shown <= lower(stretch).saturating_add(most_a_day(kind));
    let mut newest_first = candidates.rev();
    newest_first
        .clone()
        .find(|stretch| fits(*stretch) && likely(*stretch))
        .or_else(|| newest_first.clone().find(|stretch| fits(*stretch)))
        .or_else(|| newest_first.find(|stretch| reading.shown >= lower(*stretch)))
        .unwrap_or(after)
}

/// Puts a counter together, checking every step from one known figure to the next.
struct Builder {
    kind: CounterKind,
    counter: Counter,
    previous: Option<Anchor>,
}
impl Builder {
    fn step(&mut self, anchor: Anchor, confirmed: bool) -> Result<(), Contradiction> {
        if let Some(previous) = self.previous {
            // Whoever enters an earlier reading afterwards confirms the step from it to the one that is there.
            let afterwards = match (previous.what, anchor.what) {
                (What::Reading(earlier), What::Reading(later)) => earlier.confirmed && earlier.id > later.id,
                _ => false,
            };
            Contradiction::check(self.kind, previous, anchor, confirmed || afterwards)?;
        }
        self.previous = Some(anchor);
        Ok(())
    }
    fn reading(&mut self, reading: &RawReading) -> Result<(), Contradiction> {
        let ticks = reading.shown.saturating_add(self.current().offset);
        self.step(Anchor { what: What::Reading(*reading), on: reading.on, shown: reading.shown, ticks }, reading.confirmed)?;
        self.counter.places.push((reading.id, self.counter.points.len()));
        self.counter.points.push(Point { id: Some(reading.id), on: reading.on, ticks });
        Ok(())
    }
    fn change(&mut self, change: &RawChange) -> Result<(), Contradiction> {
        let old = self.current();
        let stretch = match (change.kind, change.old_final) {
            (InstrumentChange::RolledOver, _) => {
                let start = old.offset.saturating_add(change.capacity);
                Stretch { from: change.on, start, offset: start, capacity: Some(change.capacity), gap: false }
            }
            (InstrumentChange::Replaced, Some(shown)) => {
                let ticks = shown.saturating_add(old.offset);
                self.step(Anchor { what: What::LastFigure, on: change.on, shown, ticks }, false)?;
                self.counter.points.push(Point { id: None, on: change.on, ticks });
                replaced(change, ticks, false)
            }
            (InstrumentChange::Replaced, None) => {
                // The last known count: a reading, or the roll-over that came after it.
                let start = self.previous.map_or(old.start, |previous| previous.ticks.max(old.start));
                replaced(change, start, true)
            }
        };
        self.counter.stretches.push(stretch);
        if change.kind == InstrumentChange::Replaced {
            self.previous = Some(Anchor { what: What::FirstFigure, on: change.on, shown: change.new_start, ticks: stretch.start });
        }
        Ok(())
    }
    fn current(&self) -> Stretch {
        self.counter.stretches.last().copied().unwrap_or(FIRST)
    }
}
fn replaced(change: &RawChange, start: i64, gap: bool) -> Stretch {
    Stretch { from: change.on, start, offset: start.saturating_sub(change.new_start), capacity: None, gap }
}
fn sorted(changes: &[RawChange]) -> Vec<RawChange> {
    let mut changes = changes.to_vec();
    changes.sort_unstable_by_key(|change| (change.on, change.id));
    changes
}

impl Counter {
    /// Works out the true count of every reading. The order in which they are given does not matter.
    ///
    /// # Errors
    /// A contradiction between two entries: a figure lower than an earlier one on the same instrument, or too much in a day.
    pub fn build(kind: CounterKind, readings: &[RawReading], changes: &[RawChange]) -> Result<Self, Contradiction> {
        let changes = sorted(changes);
        let arranged = arrange(kind, readings, &changes);
        let mut builder = Builder { kind, counter: Self::default(), previous: None };
        builder.run(&arranged, &changes).map_err(|contradiction| contradiction.with_neighbors(&arranged.concat()))?;
        builder.counter.places.sort_unstable();
        Ok(builder.counter)
    }
    /// Works out the counter with one more reading. Where that cannot stand, the contradiction is about the new reading and its
    /// neighbors are the readings next to it.
    ///
    /// # Errors
    /// A contradiction between the new reading and the others.
    pub fn fits(kind: CounterKind, readings: &[RawReading], changes: &[RawChange], new: RawReading) -> Result<Self, Contradiction> {
        let all: Vec<_> = readings.iter().copied().chain([new]).collect();
        Self::build(kind, &all, changes).map_err(|contradiction| {
            // Where the others contradict one another already, the new one is not to blame.
            if let Err(older) = Self::build(kind, readings, changes) {
                return older;
            }
            contradiction.about(new, &arrange(kind, &all, &sorted(changes)).concat())
        })
    }
    /// The true points, oldest first.
    #[must_use]
    pub fn points(&self) -> &[Point] {
        &self.points
    }
    /// The last point; on a day with several the farthest.
    #[must_use]
    pub fn last(&self) -> Option<Point> {
        self.points.last().copied()
    }
    /// The true count at a reading.
    #[must_use]
    pub fn at_reading(&self, id: Id<Reading>) -> Option<i64> {
        let place = self.places.binary_search_by_key(&id, |(id, _)| *id).ok()?;
        self.points.get(self.places[place].1).map(|point| point.ticks)
    }
    /// The true count on a day up to the last reading: linear in days between readings, before the first the first
    /// reading's; the day's last reading on a day with several. `None` after the last reading (project it) and without readings.
    #[must_use]
    pub fn on(&self, day: Date) -> Option<i64> {
        let next = self.points.partition_point(|point| point.on <= day);
        let Some(before) = next.checked_sub(1).map(|place| self.points[place]) else {
            return self.points.first().map(|first| first.ticks);
        };
        if before.on == day {
            return Some(before.ticks);
        }
        let after = self.points.get(next)?;
        let share = i128::from(after.ticks - before.ticks) * days(before.on, day) / days(before.on, after.on);
        // A share of a difference of two i64 that never go down fits.
        Some(before.ticks.saturating_add(i64::try_from(share).unwrap_or(i64::MAX)))
    }
    /// The first day on which the actual readings have reached `ticks` (linear between readings); `None` where they have not.
    /// Before the first reading nothing is known, so it is never earlier than that.
    #[must_use]
    pub fn reached(&self, ticks: i64) -> Option<Date> {
        let next = self.points.partition_point(|point| point.ticks < ticks);
        let after = self.points.get(next)?;
        let Some(before) = next.checked_sub(1).map(|place| self.points[place]) else { return Some(after.on) };
        // The smallest number of whole days whose share is the way to `ticks`, rounded up: the counterpart of `on`, which rounds down.
        let way = i128::from(ticks - before.ticks) * days(before.on, after.on);
        let whole = i128::from(after.ticks - before.ticks);
        let day = i64::try_from((way + whole - 1) / whole).unwrap_or(i64::MAX);
        before.on.checked_add(time::Duration::days(day))
    }
    /// The first day on which the actual readings are beyond `ticks`; `None` where they are not.
    #[must_use]
    pub fn passed(&self, ticks: i64) -> Option<Date> {
        self.reached(ticks.checked_add(1)?)
    }
    /// What the instrument now on the motorcycle shows, or will show, at a true count; `None` before its start. An
    /// instrument that has rolled over will do so again.
    #[must_use]
    pub fn shown_now(&self, ticks: i64) -> Option<i64> {
        self.shown(self.stretches.len().checked_sub(1)?, ticks)
    }
    /// What the instrument of the day showed at a true count; `None` before its start. On the day of a replacement the count
    /// says which of the two it was, and at the very count of the replacement it is the new one.
    #[must_use]
    pub fn shown_then(&self, on: Date, ticks: i64) -> Option<i64> {
        let mut place = self.stretches.partition_point(|stretch| stretch.from <= on).checked_sub(1)?;
        // Roll-overs of the same instrument go by the count alone: the day entered may be a little off.
        while self.stretches.get(place + 1).is_some_and(|next| next.capacity.is_some()) {
            place += 1;
        }
        loop {
            if let Some(shown) = self.shown(place, ticks) {
                return Some(shown);
            }
            let instrument = self.instrument(place);
            if self.stretches[instrument].from != on {
                return None;
            }
            place = instrument.checked_sub(1)?;
        }
    }
    /// The true count at which the instrument of a day showed a figure; `None` where nothing was ever read. On the day of a replacement the
    /// new instrument is meant.
    #[must_use]
    pub fn counted(&self, on: Date, shown: i64) -> Option<i64> {
        let place = self.stretches.partition_point(|stretch| stretch.from <= on).checked_sub(1)?;
        let stretch = self.stretches[place];
        let once = shown.saturating_add(stretch.offset);
        let round = stretch.capacity.filter(|capacity| *capacity > 0 && once < stretch.start);
        Some(round.map_or(once, |capacity| once.saturating_add((stretch.start - once + capacity - 1) / capacity * capacity)))
    }
    /// The stretch in which the instrument of a stretch was fitted.
    fn instrument(&self, mut place: usize) -> usize {
        while place > 0 && self.stretches[place].capacity.is_some() {
            place -= 1;
        }
        place
    }
    /// What the instrument shows at a true count, given the last stretch of its life.
    fn shown(&self, last: usize, ticks: i64) -> Option<i64> {
        let life = &self.stretches[self.instrument(last)..=last];
        let stretch = life.iter().rev().find(|stretch| stretch.start <= ticks)?;
        let shown = ticks.saturating_sub(stretch.offset);
        Some(stretch.capacity.filter(|capacity| *capacity > 0).map_or(shown, |capacity| shown % capacity))
    }
    /// The same counter with everything after a day left out.
    #[must_use]
    pub fn until(&self, day: Date) -> Self {
        let points = self.points[..self.points.partition_point(|point| point.on <= day)].to_vec();
        let places = self.places.iter().copied().filter(|(_, place)| *place < points.len()).collect();
        let stretches = self.stretches.iter().copied().filter(|stretch| stretch.from <= day).collect();
        Self { points, places, stretches }
    }
    /// The instrument was replaced and its last figure is unknown: the distance is `not_actual` from then on.
    #[must_use]
    pub fn has_gap(&self) -> bool {
        self.stretches.iter().any(|stretch| stretch.gap)
    }
    /// The instrument rolled over: the distance exceeds its mechanical limits.
    #[must_use]
    pub fn rolled_over(&self) -> bool {
        self.stretches.iter().any(|stretch| stretch.capacity.is_some())
    }
    /// The statement about the distance (49 CFR 580.5) that holds: the worst of what was set by hand and what the instruments say.
    #[must_use]
    pub fn distance_status(&self, by_hand: DistanceStatus) -> DistanceStatus {
        if self.has_gap() || by_hand == DistanceStatus::NotActual {
            DistanceStatus::NotActual
        } else if self.rolled_over() || by_hand == DistanceStatus::ExceedsMechanicalLimits {
            DistanceStatus::ExceedsMechanicalLimits
        } else {
            DistanceStatus::Actual
        }
    }
}
impl Builder {
    fn run(&mut self, arranged: &[Vec<RawReading>], changes: &[RawChange]) -> Result<(), Contradiction> {
        for (place, readings) in arranged.iter().enumerate() {
            for reading in readings {
                self.reading(reading)?;
            }
            if let Some(change) = changes.get(place) {
                self.change(change)?;
            }
        }
        Ok(())
    }
}
fn days(from: Date, to: Date) -> i128 {
    (to - from).whole_days().into()
}

/// Refuses a statement about the distance that cannot follow the one that holds: a distance once known to be wrong stays so.
///
/// # Errors
/// A sentence that says so.
pub fn may_follow(holds: DistanceStatus, next: DistanceStatus) -> Result<(), String> {
    if holds == DistanceStatus::NotActual && next != DistanceStatus::NotActual {
        return Err(format!("the distance is {holds}: what has once been lost cannot be known again, so it cannot become {next}"));
    }
    Ok(())
}

#[cfg(test)]
mod tests;
