//! Interval rules → the due point, limb by limb: from a base and what was done, to where it comes due next.
//!
//! A limb is one way of counting: distance, hours or the calendar. The arithmetic of all three is the same, so it is
//! written once for any [`Scale`]. Counters count in ticks (a millimetre, a millisecond), the calendar in months, with
//! margins in days. Nothing here allocates: [`next_point`] is what a fleet is worked out with.
use time::Date;

use super::{
    calendar,
    quantity::{Distance, Figure},
    rule::{IntervalRule, Limbs},
    words::{CountsFrom, Whichever},
};

/// Ticks of the hour meter in an hour: it counts in milliseconds.
pub const TICKS_PER_HOUR: f64 = 3_600_000.0;

/// Where something was done, limb by limb; `None` where that limb's count is not known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Doing {
    /// The distance, in ticks.
    pub distance: Option<i64>,
    /// The hours, in ticks.
    pub hours: Option<i64>,
    /// The day.
    pub on: Date,
}

/// What a rule that was never done counts from; `None` where nobody knows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Base {
    /// The distance, in ticks.
    pub distance: Option<i64>,
    /// The hours, in ticks.
    pub hours: Option<i64>,
    /// The day.
    pub on: Option<Date>,
    /// Where the known history starts: a distance point before it, never done, is unknown.
    pub records_distance: Option<i64>,
    /// Where the known history starts: a date before it, never done, is unknown.
    pub records_on: Option<Date>,
}

/// An interval with the motorcycle's factor already in it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Span {
    /// Ticks of distance.
    pub distance: Option<i64>,
    /// Ticks of the hour meter.
    pub hours: Option<i64>,
    /// Calendar months.
    pub months: Option<i64>,
}

/// A rule's figures, ready to count with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Terms {
    /// The first time, where it differs.
    pub first: Span,
    /// Each later time.
    pub every: Span,
    /// Which limb decides.
    pub whichever: Whichever,
    /// From the last time, or on a fixed grid.
    pub counts_from: CountsFrom,
    /// The fraction of `every` within which an event belongs to a point.
    pub window: f64,
}

/// How a due point came about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum How {
    /// Never done: base + `first`.
    First,
    /// Never done: base + `every`.
    Every,
    /// The last time + `every`.
    Done,
    /// The last time fell within the window of its point: that point + `every`.
    Kept,
    /// The grid's point after so many intervals `every` beyond its first point.
    Grid(i64),
}

/// Why a limb that the rule names has no point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Missing<S> {
    /// Neither a base nor a count at the last time is known.
    Count,
    /// Never done, and its point lies before the known history.
    BeforeRecords(S),
}

/// One limb of a due point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Limb<S> {
    /// The rule does not name it, or named it for the first time only.
    Absent,
    /// The rule names it, but nobody knows.
    Unknown(Missing<S>),
    /// It comes due here.
    At {
        /// The due point.
        point: S,
        /// What it was counted from.
        anchor: S,
        /// How.
        how: How,
    },
}

impl<S: Copy> Limb<S> {
    /// The due point, where it is known.
    #[must_use]
    pub fn point(&self) -> Option<S> {
        match self {
            Self::At { point, .. } => Some(*point),
            _ => None,
        }
    }
    /// Whether a grid's first point is fulfilled.
    fn beyond_first(&self) -> bool {
        matches!(self, Self::At { how: How::Grid(_) | How::Done, .. })
    }
    /// Whether the rule does not name this limb, or not any more.
    #[must_use]
    pub fn is_absent(&self) -> bool {
        matches!(self, Self::Absent)
    }
}

/// The due point of a rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NextPoint {
    /// By distance, in ticks.
    pub distance: Limb<i64>,
    /// By hours, in ticks.
    pub hours: Limb<i64>,
    /// By the calendar.
    pub date: Limb<Date>,
}

impl NextPoint {
    /// A rule for the first time only, and that is done: nothing comes due any more.
    #[must_use]
    pub fn ended(&self) -> bool {
        self.distance.is_absent() && self.hours.is_absent() && self.date.is_absent()
    }
    /// No limb is known: nobody knows when it comes due.
    #[must_use]
    pub fn unknown(&self) -> bool {
        self.distance.point().is_none() && self.hours.point().is_none() && self.date.point().is_none()
    }
}

impl Terms {
    /// The figures of a rule for a motorcycle with this factor. It multiplies before anything is derived from an interval.
    #[must_use]
    pub fn of(rule: &IntervalRule, factor: &Figure) -> Self {
        let default_window = if rule.counts_from == CountsFrom::Schedule { 0.10 } else { 0.0 };
        Self {
            first: Span::of(rule.first.as_ref(), factor.value()),
            every: Span::of(rule.every.as_ref(), factor.value()),
            whichever: rule.whichever,
            counts_from: rule.counts_from,
            window: rule.window.as_ref().map_or(default_window, Figure::value),
        }
    }
}

impl Span {
    fn of(limbs: Option<&Limbs>, factor: f64) -> Self {
        let Some(limbs) = limbs else { return Self::default() };
        Self {
            distance: limbs.distance.as_ref().and_then(|quantity| Distance::from_quantity(quantity).ok()).map(|it| scaled(it.mm(), factor)),
            hours: limbs.hours.as_ref().map(|hours| rounded(hours.value() * TICKS_PER_HOUR * factor)),
            months: limbs.months.map(|months| whole(f64::from(months) * factor).max(1)),
        }
    }
    /// No limb at all.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}

#[expect(clippy::cast_precision_loss, reason = "2^53 mm are nine billion kilometres")]
fn scaled(ticks: i64, factor: f64) -> i64 {
    rounded(ticks as f64 * factor)
}
#[expect(clippy::cast_possible_truncation, reason = "figures are at most 10^15 and the cast saturates")]
fn rounded(ticks: f64) -> i64 {
    (ticks.round() as i64).max(1)
}
#[expect(clippy::cast_possible_truncation, reason = "months are at most 1200 and a factor at most 3")]
fn whole(months: f64) -> i64 {
    // The small amount keeps 100 × 0.29 from ending at 28.
    (months + 1e-9).floor() as i64
}

/// A way of counting: a counter's ticks, or the calendar.
trait Scale: Copy + Ord {
    /// An interval further: ticks, or months from this very day.
    fn plus(self, interval: i64) -> Self;
    /// A margin earlier: ticks, or days.
    fn less(self, margin: i64) -> Self;
    /// How far this is beyond an earlier one: ticks, or days.
    fn since(self, earlier: Self) -> i64;
    /// At most as many intervals (ticks, or months) as lie between.
    fn intervals_since(self, earlier: Self) -> i64;
}
impl Scale for i64 {
    fn plus(self, interval: i64) -> Self {
        self.saturating_add(interval)
    }
    fn less(self, margin: i64) -> Self {
        self.saturating_sub(margin)
    }
    fn since(self, earlier: Self) -> i64 {
        self.saturating_sub(earlier)
    }
    fn intervals_since(self, earlier: Self) -> i64 {
        self.saturating_sub(earlier)
    }
}
impl Scale for Date {
    fn plus(self, interval: i64) -> Self {
        calendar::add_months(self, interval)
    }
    fn less(self, margin: i64) -> Self {
        self.saturating_sub(time::Duration::days(margin))
    }
    fn since(self, earlier: Self) -> i64 {
        (self - earlier).whole_days()
    }
    fn intervals_since(self, earlier: Self) -> i64 {
        self.since(earlier).div_euclid(31)
    }
}

/// A fraction of a length in whole ticks or days, rounded down; the small amount keeps 100 × 0.29 from ending at 28.
#[expect(clippy::cast_precision_loss, clippy::cast_possible_truncation, reason = "2^53 mm are nine billion kilometres")]
fn fraction(window: f64, length: i64) -> i64 {
    (window * length as f64 + 1e-4).floor() as i64
}

/// One limb's figures.
#[derive(Clone, Copy)]
struct LimbTerms<S> {
    first: Option<i64>,
    every: Option<i64>,
    window: f64,
    base: Option<S>,
    records: Option<S>,
}

impl<S: Scale> LimbTerms<S> {
    /// The first point: base + `first`, else base + `every`.
    fn first_point(&self) -> Limb<S> {
        let (Some(base), Some(interval)) = (self.base, self.first.or(self.every)) else { return Limb::Unknown(Missing::Count) };
        Limb::At { point: base.plus(interval), anchor: base, how: if self.first.is_some() { How::First } else { How::Every } }
    }

    /// The same for what was never done: unknown where it lies before the known history.
    fn never_done(&self) -> Limb<S> {
        match self.first_point() {
            Limb::At { point, .. } if self.records.is_some_and(|start| point < start) => Limb::Unknown(Missing::BeforeRecords(point)),
            limb => limb,
        }
    }

    /// Counted from the last time: the anchor moves with every event, or stays on the point that the event fulfils.
    fn last_done(&self, every: i64, done: impl Iterator<Item = Option<S>>) -> Limb<S> {
        // The open point is `origin` + `at`. A kept anchor keeps its origin, so that it keeps its day of the month.
        let mut open = self.base.map(|base| match self.first {
            Some(first) => (base, first, How::First),
            None => (base, every, How::Every),
        });
        let mut last: Option<Option<S>> = None;
        for at in done {
            // Done again at the same count: on this limb it is the same doing.
            if last == Some(at) && at.is_some() {
                continue;
            }
            last = Some(at);
            open = at.map(|at| match open {
                Some((origin, offset, how)) if self.window > 0.0 && self.belongs(at, origin, offset, how, every) => {
                    (origin, offset + every, How::Kept)
                }
                _ => (at, every, How::Done),
            });
        }
        match (open, last) {
            (_, None) => self.never_done(),
            (None, Some(_)) => Limb::Unknown(Missing::Count),
            (Some((origin, offset, how)), Some(_)) => Limb::At { point: origin.plus(offset), anchor: origin.plus(offset - every), how },
        }
    }

    /// Whether something done at `at` falls within the window of the open point `origin` + `offset`.
    fn belongs(&self, at: S, origin: S, offset: i64, how: How, every: i64) -> bool {
        let point = origin.plus(offset);
        let length = match how {
            // The first point has its own length; the window is one of `every` all the same.
            How::First => origin.plus(every).since(origin),
            _ => point.since(origin.plus(offset - every)),
        };
        at.since(point).abs() <= fraction(self.window, length)
    }

    /// On a fixed grid: the earliest point that no event fulfils.
    fn grid(&self, every: i64, done: impl Iterator<Item = Option<S>>) -> Limb<S> {
        let every = every.max(1);
        let (mut latest, mut count) = (None, 0);
        for at in done {
            count += 1;
            latest = latest.max(at);
        }
        if count == 0 {
            return self.never_done();
        }
        let Some(latest) = latest else { return Limb::Unknown(Missing::Count) };
        // Nobody knows where the grid starts: what was done last is the best there is.
        let Some(base) = self.base else { return Limb::At { point: latest.plus(every), anchor: latest, how: How::Done } };
        let start = self.first.unwrap_or(every);
        let mut steps = (latest.intervals_since(base) - start).div_euclid(every).max(0);
        while latest >= self.opens(base, start, steps, every) {
            steps += 1;
        }
        let how = match (steps, self.first) {
            (0, Some(_)) => How::First,
            (0, None) => How::Every,
            _ => How::Grid(steps),
        };
        Limb::At { point: base.plus(start + steps * every), anchor: base, how }
    }

    /// From where on an event fulfils the grid's point: the point less the window.
    fn opens(&self, base: S, start: i64, steps: i64, every: i64) -> S {
        let point = base.plus(start + steps * every);
        let length = if steps == 0 && self.first.is_some() {
            base.plus(every).since(base)
        } else {
            point.since(base.plus(start + (steps - 1) * every))
        };
        point.less(fraction(self.window, length))
    }

    /// A limb of a rule that counts from the last time.
    fn counted(&self, done: &[Doing], count: impl Fn(&Doing) -> Option<S>) -> Limb<S> {
        match (self.every, self.first) {
            (Some(every), _) => self.last_done(every, done.iter().map(count)),
            // The first time alone: once it is done it is done.
            (None, Some(_)) if done.is_empty() => self.never_done(),
            (None, _) => Limb::Absent,
        }
    }

    /// The limb of a scheduled rule that `first` alone names, and whether something was done at or after its point.
    fn once(&self, done: &[Doing], count: impl Fn(&Doing) -> Option<S>) -> (Limb<S>, Option<bool>) {
        if self.first.is_none() || self.every.is_some() {
            return (Limb::Absent, None);
        }
        if done.is_empty() {
            return (self.never_done(), None);
        }
        let limb = self.first_point();
        (limb, limb.point().map(|point| done.iter().filter_map(count).any(|at| at >= point)))
    }
}

/// The due point of a rule: what it counts from, and every time it was done, oldest first (by day, distance, order of entry).
#[must_use]
pub fn next_point(terms: &Terms, base: &Base, done: &[Doing]) -> NextPoint {
    let limbs = Limbs3::new(terms, base);
    if terms.counts_from == CountsFrom::LastDone {
        NextPoint {
            distance: limbs.distance.counted(done, |doing| doing.distance),
            hours: limbs.hours.counted(done, |doing| doing.hours),
            date: limbs.date.counted(done, |doing| Some(doing.on)),
        }
    } else {
        limbs.scheduled(terms, done)
    }
}

/// The figures of all three limbs.
struct Limbs3 {
    distance: LimbTerms<i64>,
    hours: LimbTerms<i64>,
    date: LimbTerms<Date>,
}

impl Limbs3 {
    fn new(terms: &Terms, base: &Base) -> Self {
        let Terms { first, every, window, .. } = *terms;
        Self {
            distance: LimbTerms {
                first: first.distance,
                every: every.distance,
                window,
                base: base.distance,
                records: base.records_distance,
            },
            hours: LimbTerms { first: first.hours, every: every.hours, window, base: base.hours, records: None },
            date: LimbTerms { first: first.months, every: every.months, window, base: base.on, records: base.records_on },
        }
    }

    /// The grid lies on the first limb that `every` names; the others beside it count from the last event, however early,
    /// so that a motorcycle that is parked still comes due by time.
    fn scheduled(&self, terms: &Terms, done: &[Doing]) -> NextPoint {
        let mut next = NextPoint {
            distance: LimbTerms { window: 0.0, ..self.distance }.counted(done, |doing| doing.distance),
            hours: LimbTerms { window: 0.0, ..self.hours }.counted(done, |doing| doing.hours),
            date: LimbTerms { window: 0.0, ..self.date }.counted(done, |doing| Some(doing.on)),
        };
        let mut first_served = false;
        if let Some(every) = terms.every.distance {
            next.distance = self.distance.grid(every, done.iter().map(|doing| doing.distance));
            first_served = next.distance.beyond_first();
        } else if let Some(every) = terms.every.hours {
            next.hours = self.hours.grid(every, done.iter().map(|doing| doing.hours));
            first_served = next.hours.beyond_first();
        } else if let Some(every) = terms.every.months {
            next.date = self.date.grid(every, done.iter().map(|doing| Some(doing.on)));
            first_served = next.date.beyond_first();
        }
        self.first_alone(terms, done, first_served, &mut next);
        next
    }

    /// What `first` alone names is due once, without a window: it is gone when its own point, or the first service as a
    /// whole, is fulfilled.
    fn first_alone(&self, terms: &Terms, done: &[Doing], mut first_served: bool, next: &mut NextPoint) {
        let (distance, by_distance) = self.distance.once(done, |doing| doing.distance);
        let (hours, by_hours) = self.hours.once(done, |doing| doing.hours);
        let (date, by_date) = self.date.once(done, |doing| Some(doing.on));
        if terms.every.is_empty() && !done.is_empty() {
            let mut known = [by_distance, by_hours, by_date].into_iter().flatten().peekable();
            first_served = match terms.whichever {
                // Nobody knows the point, but done it is.
                _ if known.peek().is_none() => true,
                Whichever::First => known.any(|reached| reached),
                Whichever::Last => known.all(|reached| reached),
            };
        }
        // Within a rule for the first time alone, one limb reached does not end the others that must be reached too.
        let own = |reached| reached == Some(true) && !(terms.every.is_empty() && terms.whichever == Whichever::Last);
        if terms.every.distance.is_none() {
            next.distance = if first_served || own(by_distance) { Limb::Absent } else { distance };
        }
        if terms.every.hours.is_none() {
            next.hours = if first_served || own(by_hours) { Limb::Absent } else { hours };
        }
        if terms.every.months.is_none() {
            next.date = if first_served || own(by_date) { Limb::Absent } else { date };
        }
    }
}

#[cfg(test)]
mod tests;
