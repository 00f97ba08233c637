//! Each wearing value of a part against its part distance, with the limits that it approaches; SVG made on the server.
use std::collections::BTreeSet;

use time::Date;

use super::{
    chart::{Label, percent, steps},
    words,
};
use crate::domain::{
    calendar,
    due::ExpectedDates,
    forecast::Approach,
    line::Line,
    quantity::{Distance, Figure, Unit, grouped},
    wear::{Forecast, WearPoint},
    words::{Measurand, OdometerUnit},
};

/// A limit as a line across the chart.
#[derive(Clone, Debug, PartialEq)]
pub struct LimitLine {
    /// In percent of the height.
    pub at: String,
    /// What it is.
    pub text: String,
    /// The words stand under the line, because those of another stand close above it.
    pub under: bool,
    /// Where the values meet it in eight cases of ten: from, and how wide, in percent of the width.
    pub band: Option<(String, String)>,
    /// Where the line through the values meets it, in percent of the width.
    pub meets: Option<String>,
}
/// One wearing quantity of a part.
#[derive(Clone, Debug)]
pub struct WearChart {
    /// Its name.
    pub name: String,
    /// Tells the charts of a page apart.
    pub id: String,
    /// What it shows, in a sentence; empty where there is nothing to draw.
    pub title: String,
    /// Values along the side.
    pub levels: Vec<Label>,
    /// Part distances along the foot.
    pub distances: Vec<Label>,
    /// The limits.
    pub limits: Vec<LimitLine>,
    /// The least squares lines, as paths.
    pub lines: BTreeSet<String>,
    /// The values as points: x and y in percent.
    pub dots: Vec<(String, String)>,
    /// Each limit with the distance and the day at which it is met.
    pub sentences: Vec<String>,
    /// The arithmetic behind.
    pub because: Vec<String>,
}

/// Part distances and values as places on a chart.
struct Scale {
    far: f64,
    low: f64,
    high: f64,
    unit: OdometerUnit,
}
impl Scale {
    fn x(&self, at: f64) -> f64 {
        100.0 * at / self.far
    }
    fn y(&self, value: f64) -> f64 {
        100.0 - 100.0 * (value - self.low) / (self.high - self.low)
    }
    fn distance(&self, at: Distance) -> f64 {
        self.x(at.in_unit(self.unit))
    }
}

/// The charts of a part, one for each quantity that approaches a limit.
#[must_use]
pub fn charts(approaches: &[Approach], odometer: OdometerUnit) -> Vec<WearChart> {
    let quantities: BTreeSet<_> = approaches.iter().map(|approach| approach.entry.quantity).collect();
    quantities.into_iter().filter_map(|quantity| WearChart::new(quantity, approaches, odometer)).collect()
}

impl WearChart {
    fn new(quantity: Measurand, approaches: &[Approach], odometer: OdometerUnit) -> Option<Self> {
        let of_quantity: Vec<_> = approaches.iter().filter(|approach| approach.entry.quantity == quantity).collect();
        let unit = of_quantity.first()?.unit;
        let same_unit: Vec<_> = of_quantity.iter().copied().filter(|approach| approach.unit.kind() == unit.kind()).collect();
        // A limit to adjust to looks at the values since the last adjustment alone: the chart shows all of them.
        let all = same_unit.iter().max_by_key(|approach| approach.values.len())?;
        let values: Vec<_> = all.values.iter().map(|point| (point.part_distance.in_unit(odometer), into(all, point.value, unit))).collect();
        let name = words::capital(&quantity.as_str().replace('_', " "));
        let because: BTreeSet<_> = of_quantity.iter().flat_map(|approach| approach.entry.because.iter().cloned()).collect();
        let mut chart = Self {
            name,
            id: quantity.as_str().replace('_', "-"),
            title: String::new(),
            levels: Vec::new(),
            distances: Vec::new(),
            limits: Vec::new(),
            lines: BTreeSet::new(),
            dots: Vec::new(),
            sentences: of_quantity.iter().map(|approach| sentence(approach, odometer)).collect(),
            because: because.into_iter().collect(),
        };
        if !values.is_empty() {
            chart.draw(&same_unit, &values, unit, odometer);
        }
        Some(chart)
    }

    fn draw(&mut self, approaches: &[&Approach], values: &[(f64, f64)], unit: Unit, odometer: OdometerUnit) {
        let bounds = approaches.iter().map(|approach| into(approach, approach.level, unit));
        let figures = values.iter().map(|(_, value)| *value).chain(bounds);
        let (least, most) = figures.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
        let side = steps(least, most, ((most - least) / 8.0).max(1e-3));
        let foot = steps(0.0, furthest(approaches, values, odometer), 10.0);
        let (Some(&low), Some(&high), Some(&far)) = (side.first(), side.last(), foot.last()) else { return };
        let scale = Scale { far, low, high, unit: odometer };
        self.title = title(&self.name, values, unit, odometer);
        self.levels =
            side.iter().map(|level| Label { at: percent(scale.y(*level)), text: Figure::rounded(*level, 4).to_string() }).collect();
        // Every other distance: at 360 px the words of all would touch.
        let apart = if foot.len() > 5 { 2 } else { 1 };
        let inner = foot.iter().step_by(apart).filter(|at| **at > 0.0 && **at < far);
        self.distances = inner.map(|at| Label { at: percent(scale.x(*at)), text: format!("{} {odometer}", grouped(*at)) }).collect();
        self.dots = values.iter().map(|(x, y)| (percent(scale.x(*x)), percent(scale.y(*y)))).collect();
        self.lines = approaches.iter().filter_map(|approach| line(approach, unit, &scale)).collect();
        self.limits = limit_lines(approaches, unit, &scale);
    }
}

fn into(approach: &Approach, value: f64, unit: Unit) -> f64 {
    approach.unit.convert(value, unit).unwrap_or(value)
}

/// How far the chart reaches: to the last value and to where the limits are met, but no further than three times the last value,
/// so that a wide band does not press the values together.
fn furthest(approaches: &[&Approach], values: &[(f64, f64)], odometer: OdometerUnit) -> f64 {
    let last = values.iter().map(|(x, _)| *x).fold(0.0, f64::max);
    let met = approaches.iter().filter_map(|approach| approach.part_distance.as_ref());
    let (middle, late) = met.fold((last, last), |(middle, late), found| {
        let p50 = found.p50.in_unit(odometer);
        (middle.max(p50), late.max(found.p90.map_or(p50, |at| at.in_unit(odometer))))
    });
    late.min((3.0 * last).max(1.05 * middle)).max(10.0)
}

/// The line through the values from the first of them to where it meets the limit.
fn line(approach: &Approach, unit: Unit, scale: &Scale) -> Option<String> {
    let found = approach.part_distance.as_ref()?;
    let at = |point: &WearPoint| (point.part_distance.in_unit(scale.unit), into(approach, point.value, unit));
    let mut points: Vec<_> = approach.values.iter().map(at).collect();
    if let ([_], Some(new)) = (points.as_slice(), approach.new) {
        points.push((0.0, into(approach, new, unit)));
    }
    let (first, last) = points.iter().fold((f64::INFINITY, 0.0_f64), |(first, last), (x, _)| (first.min(*x), last.max(*x)));
    let line = Line::fit(&points)?;
    let to = found.p50.in_unit(scale.unit).max(last).min(scale.far);
    let y = |x: f64| line.mean_y + line.slope * (x - line.mean_x);
    let place = |x: f64| format!("{:.1} {:.1}", scale.x(x), scale.y(y(x)).clamp(-5.0, 105.0));
    Some(format!("M{}L{}", place(first), place(to)))
}

fn limit_lines(approaches: &[&Approach], unit: Unit, scale: &Scale) -> Vec<LimitLine> {
    let mut lines: Vec<(f64, LimitLine)> = Vec::new();
    for approach in approaches {
        let found = approach.part_distance.as_ref();
        let within = |at: Distance| scale.distance(at).clamp(0.0, 100.0);
        let band = found.and_then(|found| found.p10.zip(found.p90)).map(|(low, high)| (within(low), within(high)));
        let y = scale.y(into(approach, approach.level, unit));
        let line = LimitLine {
            at: percent(y),
            text: named(approach),
            under: false,
            band: band.map(|(low, high)| (percent(low), percent(high - low))),
            meets: found.map(|found| scale.distance(found.p50)).filter(|x| *x <= 100.0).map(percent),
        };
        lines.push((y, line));
    }
    lines.sort_by(|(one, _), (other, _)| one.total_cmp(other));
    let mut above = f64::NEG_INFINITY;
    for (y, line) in &mut lines {
        line.under = *y - above < 9.0;
        above = *y;
    }
    lines.into_iter().map(|(_, line)| line).collect()
}

/// `wear limit 1.5 mm`
fn named(approach: &Approach) -> String {
    let level = Figure::rounded(approach.level, 4);
    format!("{} limit {level} {}", approach.entry.kind, approach.unit)
}

fn title(name: &str, values: &[(f64, f64)], unit: Unit, odometer: OdometerUnit) -> String {
    let mut values = values.to_vec();
    values.sort_by(|one, other| one.0.total_cmp(&other.0));
    let one = |(x, y): (f64, f64)| format!("{} {unit} at {} {odometer}", Figure::rounded(y, 4), grouped(x));
    match values.as_slice() {
        [] => String::new(),
        [only] => format!("{name} against part distance: {}.", one(*only)),
        [first, .., last] => {
            format!("{name} against part distance: {} values, from {} to {}.", values.len(), one(*first), one(*last))
        }
    }
}

/// A distance that is no more exact than a forecast is.
fn roughly(at: Distance, unit: OdometerUnit) -> String {
    let value = at.in_unit(unit);
    let step = if value >= 2000.0 { 100.0 } else { 10.0 };
    format!("{} {unit}", grouped((value / step).round() * step))
}

/// `Wear limit 1.5 mm: about 21,300 mi of part distance, between 19,900 mi and 22,800 mi; around 3 May 2027.`
fn sentence(approach: &Approach, unit: OdometerUnit) -> String {
    let name = words::capital(&named(approach));
    let Some(Forecast { p10, p50, p90, .. }) = &approach.part_distance else {
        let why = approach.entry.because.first().map(|why| format!(" {why}.")).unwrap_or_default();
        return format!("{name}: no forecast yet.{why}");
    };
    let between = match (p10, p90) {
        (Some(low), Some(high)) => format!(", between {} and {}", roughly(*low, unit), roughly(*high, unit)),
        _ => String::new(),
    };
    let passed = approach.values.iter().any(|point| point.part_distance >= *p50);
    let day = if passed { "; by the line it is passed".into() } else { when(approach.entry.on.as_ref()) };
    format!("{name}: about {} of part distance{between}{day}.", roughly(*p50, unit))
}
fn when(on: Option<&ExpectedDates>) -> String {
    let words = |day: Option<Date>| day.map(calendar::words);
    let Some(middle) = on.and_then(|on| words(on.p50)) else { return String::new() };
    match on.and_then(|on| words(on.p10).zip(words(on.p90))) {
        Some((early, late)) if early != late => format!("; around {middle}, between {early} and {late}"),
        _ => format!("; around {middle}"),
    }
}
