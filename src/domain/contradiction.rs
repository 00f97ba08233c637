//! Why a reading or a replacement cannot stand: which figures contradict one another, in words and as data.
use time::Date;

use super::{
    calendar,
    counter::{RawReading, in_unit, most_a_day},
    quantity::{Unit, grouped},
    words::CounterKind,
};

/// In which way two figures contradict one another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ContradictionKind {
    /// The later one is lower.
    Backwards,
    /// More than 2,000 km, or more than 24 hours, in a day; `confirmed` on the later reading lets it stand.
    TooFast,
}

/// What a known figure is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum What {
    /// A reading.
    Reading(RawReading),
    /// The last figure of a replaced instrument.
    LastFigure,
    /// The first figure of the instrument that replaced it.
    FirstFigure,
}
/// A known figure on a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Anchor {
    pub(crate) what: What,
    pub(crate) on: Date,
    pub(crate) shown: i64,
    pub(crate) ticks: i64,
}

/// Why an entry cannot stand, and between which neighbors.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Contradiction {
    /// In which way.
    pub kind: ContradictionKind,
    /// On which counter.
    pub counter: CounterKind,
    /// The readings that it contradicts, or stands between, oldest first; not the new one where one is blamed.
    pub neighbors: Vec<RawReading>,
    /// The new reading that is to blame, where one is.
    pub new: Option<RawReading>,
    /// The two figures, the earlier one first.
    pair: Box<[Anchor; 2]>,
}

impl Contradiction {
    /// Compares a figure with the one before it on the same counter.
    pub(crate) fn check(counter: CounterKind, earlier: Anchor, later: Anchor, confirmed: bool) -> Result<(), Self> {
        let gained = i128::from(later.ticks) - i128::from(earlier.ticks);
        let days = (later.on - earlier.on).whole_days().max(1);
        let kind = if gained < 0 {
            ContradictionKind::Backwards
        } else if !confirmed && gained > i128::from(most_a_day(counter)) * i128::from(days) {
            ContradictionKind::TooFast
        } else {
            return Ok(());
        };
        Err(Self { kind, counter, neighbors: Vec::new(), new: None, pair: Box::new([earlier, later]) })
    }
    /// Fills in the readings on both sides, given all readings in order.
    pub(crate) fn with_neighbors(mut self, ordered: &[RawReading]) -> Self {
        let [earlier, later] = *self.pair;
        let place = |anchor: Anchor| match anchor.what {
            What::Reading(reading) => ordered.iter().position(|other| other.id == reading.id),
            What::LastFigure | What::FirstFigure => None,
        };
        // A replacement stands between the readings next to it.
        let (before, after) = match (place(earlier), place(later)) {
            (Some(before), Some(after)) => (Some(before), Some(after)),
            (Some(before), None) => (Some(before), Some(before + 1)),
            (None, Some(after)) => (after.checked_sub(1), Some(after)),
            (None, None) => (None, None),
        };
        self.neighbors = [before, after].into_iter().flatten().filter_map(|place| ordered.get(place)).copied().collect();
        self
    }
    /// Blames a new reading, given all readings in order, that one among them.
    pub(crate) fn about(mut self, new: RawReading, ordered: &[RawReading]) -> Self {
        if let Some(place) = ordered.iter().position(|reading| reading.id == new.id) {
            let sides = [place.checked_sub(1), Some(place + 1)];
            self.neighbors = sides.into_iter().flatten().filter_map(|place| ordered.get(place)).copied().collect();
        }
        self.new = Some(new);
        self
    }
    /// In words, with what to do. The unit is the one that the instrument counts in.
    #[must_use]
    pub fn message(&self, unit: Unit) -> String {
        let name = name(self.counter);
        let ways = format!("strike out the wrong reading, say that the {name} was replaced, or say that it rolled over");
        match self.kind {
            ContradictionKind::Backwards => format!("{} To go on, {ways}.", self.backwards(unit)),
            ContradictionKind::TooFast => {
                let confirm = match self.pair[1].what {
                    What::LastFigure => "first enter that last figure as a reading of the day",
                    What::Reading(_) if self.new.is_some() => "send this reading",
                    What::Reading(_) | What::FirstFigure => "send the later reading",
                };
                format!("{} If it is right, {confirm} with \"confirmed\": true; otherwise {ways}.", self.too_fast(unit))
            }
        }
    }
    fn backwards(&self, unit: Unit) -> String {
        let name = name(self.counter);
        let Some(new) = self.new else {
            let [earlier, later] = self.pair.map(|anchor| phrase(anchor, name, unit));
            return format!("{}, but {later}, which is less.", capital(&earlier));
        };
        // The figures around the new reading, with what is known of a replacement between them.
        let mut around: Vec<_> = self.neighbors.iter().map(|reading| (reading.on, phrase(reading_anchor(*reading), name, unit))).collect();
        let replacement = self.pair.iter().filter(|anchor| !matches!(anchor.what, What::Reading(_)));
        around.extend(replacement.map(|anchor| (anchor.on, phrase(*anchor, name, unit))));
        around.sort_by_key(|(on, _)| *on);
        let around: Vec<_> = around.into_iter().map(|(_, phrase)| phrase).collect();
        format!("The {name} cannot have shown {} on {}: {}.", figure(new.shown, unit), calendar::words(new.on), around.join(", and "))
    }
    fn too_fast(&self, unit: Unit) -> String {
        let name = name(self.counter);
        let [earlier, later] = *self.pair;
        let days = (later.on - earlier.on).whole_days().max(1);
        let limit = match (self.counter, unit) {
            (CounterKind::Hours, _) => "24 h".into(),
            (CounterKind::Odometer, Unit::Mi) => format!("2,000 km ({} mi)", grouped(in_unit(most_a_day(self.counter), unit))),
            (CounterKind::Odometer, _) => "2,000 km".to_owned(),
        };
        format!(
            "{}, and {}: that is {} in {days} {}, more than {limit} a day.",
            capital(&phrase(earlier, name, unit)),
            phrase(later, name, unit),
            figure(later.ticks.saturating_sub(earlier.ticks), unit),
            if days == 1 { "day" } else { "days" },
        )
    }
}
fn reading_anchor(reading: RawReading) -> Anchor {
    // The words are about what was shown; the true count does not come into them.
    Anchor { what: What::Reading(reading), on: reading.on, shown: reading.shown, ticks: reading.shown }
}
fn name(counter: CounterKind) -> &'static str {
    match counter {
        CounterKind::Odometer => "odometer",
        CounterKind::Hours => "hour meter",
    }
}
fn phrase(anchor: Anchor, name: &str, unit: Unit) -> String {
    let (shown, on) = (figure(anchor.shown, unit), calendar::words(anchor.on));
    match anchor.what {
        What::Reading(_) => format!("it showed {shown} on {on}"),
        What::LastFigure => format!("the {name} replaced on {on} showed {shown} last"),
        What::FirstFigure => format!("the {name} fitted on {on} started at {shown}"),
    }
}
fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}
/// What an instrument shows: `12,345.6 mi`, with decimals only where there are any.
fn figure(ticks: i64, unit: Unit) -> String {
    let thousandths = (in_unit(ticks, unit) * 1000.0).round();
    let whole = (thousandths / 1000.0).trunc();
    let rest = format!("{:03.0}", (thousandths - whole * 1000.0).abs());
    let rest = rest.trim_end_matches('0');
    format!("{}{}{rest} {unit}", grouped(whole), if rest.is_empty() { "" } else { "." })
}
