//! Charts as SVG made on the server. Lines are drawn in a square of their own that stretches with the page; text and points stand in percent
//! around it, so that they keep their size at 360 px.
use std::fmt::Write;

use time::{Date, Duration};

use crate::{
    actions::distance::Covered,
    domain::{calendar, calendar::add_months, counter::in_unit, projection::Band, quantity::grouped, words::OdometerUnit},
};

/// How far ahead the forecast is drawn, in months.
const AHEAD: i64 = 6;
/// The most readings in the table behind the chart; all of them are on the page of readings.
const MOST_ROWS: usize = 24;
/// The most readings that are drawn as points of their own.
const MOST_DOTS: usize = 60;

/// Where a label stands, in percent, and what it says.
#[derive(Clone, Debug, PartialEq)]
pub struct Label {
    /// In percent of the width or height.
    pub at: String,
    /// The words.
    pub text: String,
}
/// A line of the table behind a chart.
#[derive(Clone, Debug, PartialEq)]
pub struct ChartRow {
    /// The day.
    pub on: String,
    /// The true distance, or the range that it probably lies in.
    pub distance: String,
    /// It is a forecast.
    pub ahead: bool,
}
/// The distance of a motorcycle over time with its forecast.
#[derive(Clone, Debug)]
pub struct DistanceChart {
    /// What it shows, in a sentence.
    pub title: String,
    /// Distances along the side.
    pub levels: Vec<Label>,
    /// Days along the foot.
    pub days: Vec<Label>,
    /// The readings as a path.
    pub line: String,
    /// The median of the forecast as a path.
    pub ahead: String,
    /// Where eight futures in ten lie, as a path.
    pub band: String,
    /// The readings as points: x and y in percent.
    pub dots: Vec<(String, String)>,
    /// Today, in percent.
    pub today: String,
    /// The table behind it, newest first.
    pub rows: Vec<ChartRow>,
    /// Older readings are left out of the table.
    pub shortened: bool,
}

/// Days and distances as places on a chart.
struct Scale {
    from: Date,
    to: Date,
    low: f64,
    high: f64,
}
impl Scale {
    fn x(&self, day: Date) -> f64 {
        let days = |from: Date, to: Date| f64::from(i32::try_from((to - from).whole_days()).unwrap_or(i32::MAX));
        100.0 * days(self.from, day) / days(self.from, self.to).max(1.0)
    }
    fn y(&self, value: f64) -> f64 {
        100.0 - 100.0 * (value - self.low) / (self.high - self.low).max(f64::MIN_POSITIVE)
    }
    fn path(&self, points: impl Iterator<Item = (Date, f64)>) -> String {
        points.enumerate().fold(String::new(), |mut path, (place, (day, value))| {
            let _ = write!(path, "{}{:.1} {:.1}", if place == 0 { "M" } else { "L" }, self.x(day), self.y(value));
            path
        })
    }
}

impl DistanceChart {
    /// The chart; `None` where there are not two days to draw a line between.
    #[must_use]
    pub fn new(covered: &Covered, unit: OdometerUnit, today: Date) -> Option<Self> {
        let value = |ticks: i64| in_unit(ticks, unit.into());
        let points: Vec<_> = covered.counter.points().iter().map(|point| (point.on, value(point.ticks))).collect();
        let (first, last) = (*points.first()?, *points.last()?);
        let end = add_months(today.max(last.0), AHEAD);
        let bands = bands(covered, last.0, end);
        let band: Vec<_> = bands.iter().map(|(day, band)| (*day, value(band.p10), value(band.p50), value(band.p90))).collect();
        if first.0 == last.0 && band.len() < 2 {
            return None;
        }
        let most = band.iter().map(|(_, _, _, high)| *high).fold(last.1, f64::max);
        let levels = levels(first.1, most);
        let scale = Scale { from: first.0, to: end, low: *levels.first()?, high: *levels.last()? };
        let edge = band.iter().map(|(day, _, _, high)| (*day, *high)).chain(band.iter().rev().map(|(day, low, _, _)| (*day, *low)));
        let band_path = scale.path(edge);
        let dots = if points.len() > MOST_DOTS { &[][..] } else { &points[..] };
        Some(Self {
            title: title(first, last, band.last().copied(), unit),
            levels: levels.iter().map(|level| Label { at: percent(scale.y(*level)), text: grouped(*level) }).collect(),
            days: day_labels(&scale),
            line: scale.path(points.iter().copied()),
            ahead: scale.path(band.iter().map(|(day, _, median, _)| (*day, *median))),
            band: if band_path.is_empty() { band_path } else { format!("{band_path}Z") },
            dots: dots.iter().map(|(day, value)| (percent(scale.x(*day)), percent(scale.y(*value)))).collect(),
            today: percent(scale.x(today)),
            rows: rows(&points, &band, unit),
            shortened: points.len() > MOST_ROWS,
        })
    }
}

/// The forecast month by month, from the last reading on.
fn bands(covered: &Covered, last: Date, end: Date) -> Vec<(Date, Band)> {
    let Some(projection) = &covered.projection else { return Vec::new() };
    let months = (0..).map(|month| add_months(last, month)).take_while(|day| *day < end);
    // The band opens like a root: a few days in its first month show its shape.
    let early = [4, 10, 18].into_iter().filter_map(|day| last.checked_add(Duration::days(day))).filter(|day| *day < end);
    let mut days: Vec<_> = months.take(240).chain(early).chain([end]).collect();
    days.sort_unstable();
    days.dedup();
    days.into_iter().map(|day| (day, projection.on(day))).collect()
}

/// Round figures from below the least to above the most, four or five of them.
fn levels(least: f64, most: f64) -> Vec<f64> {
    steps(least, most, 1.0)
}

/// Round figures from below the least to above the most, no finer than said.
pub(super) fn steps(least: f64, most: f64, finest: f64) -> Vec<f64> {
    let rough = ((most - least) / 4.0).max(finest);
    let ten = 10_f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|factor| factor * ten).find(|step| *step >= rough).unwrap_or(rough);
    let mut level = (least / step).floor() * step;
    let mut levels = vec![level];
    while level < most && levels.len() < 12 {
        level += step;
        levels.push(level);
    }
    if levels.len() == 1 {
        levels.push(level + step);
    }
    levels
}

/// Years, or months where the chart spans few; at most seven.
fn day_labels(scale: &Scale) -> Vec<Label> {
    let span = calendar::months_between(scale.from, scale.to);
    let step = [1, 3, 6, 12, 24, 60, 120].into_iter().find(|step| span / step <= 6).unwrap_or(240);
    let january = scale.from.replace_month(time::Month::January).and_then(|day| day.replace_day(1)).unwrap_or(scale.from);
    let days = (0..).map(|count| add_months(january, count * i64::from(step))).skip_while(|day| *day < scale.from);
    days.take_while(|day| *day <= scale.to && *day < Date::MAX)
        .take(20)
        .filter(|day| scale.x(*day) < 95.0)
        .map(|day| {
            let words = calendar::month_year(day);
            let (month, year) = words.split_once(' ').unwrap_or((&words, ""));
            Label { at: percent(scale.x(day)), text: if day.month() == time::Month::January { year.into() } else { month.into() } }
        })
        .collect()
}

fn title(first: (Date, f64), last: (Date, f64), end: Option<(Date, f64, f64, f64)>, unit: OdometerUnit) -> String {
    let known = format!(
        "True distance from {} {unit} on {} to {} {unit} on {}",
        grouped(first.1),
        calendar::words(first.0),
        grouped(last.1),
        calendar::words(last.0)
    );
    match end {
        Some((day, low, _, high)) => {
            format!("{known}; by {} probably between {} and {} {unit}.", calendar::words(day), grouped(low), grouped(high))
        }
        None => format!("{known}."),
    }
}

fn rows(points: &[(Date, f64)], band: &[(Date, f64, f64, f64)], unit: OdometerUnit) -> Vec<ChartRow> {
    let last = points.last().map(|point| point.0);
    let ahead =
        band.iter().filter(|(day, ..)| last.is_some_and(|last| (*day - last).whole_days() > 25)).map(|(day, low, median, high)| ChartRow {
            on: calendar::words(*day),
            distance: format!("about {} {unit} ({} to {})", grouped(*median), grouped(*low), grouped(*high)),
            ahead: true,
        });
    let known = points.iter().map(|(day, value)| ChartRow {
        on: calendar::words(*day),
        distance: format!("{} {unit}", grouped(*value)),
        ahead: false,
    });
    let mut ahead: Vec<_> = ahead.collect();
    ahead.reverse();
    ahead.truncate(MOST_ROWS);
    ahead.into_iter().chain(known.rev().take(MOST_ROWS)).collect()
}

pub(super) fn percent(share: f64) -> String {
    format!("{share:.1}%")
}

#[cfg(test)]
mod tests {
    use time::macros::date;

    use super::*;
    use crate::domain::{
        counter::{Counter, RawReading},
        id::Id,
        words::CounterKind,
    };

    fn covered(readings: &[(Date, i64)]) -> Covered {
        let raw: Vec<_> = readings
            .iter()
            .enumerate()
            .map(|(place, (on, km))| RawReading {
                id: Id::new(uuid::Uuid::from_u128(place as u128)),
                on: *on,
                shown: km * 1_000_000,
                confirmed: true,
            })
            .collect();
        let counter = Counter::build(CounterKind::Odometer, &raw, &[]).unwrap();
        let projection = crate::domain::projection::Projection::new(&counter, None, Some(5_000_000_000));
        Covered { counter, projection }
    }

    #[test]
    fn the_sentence_and_the_table_say_what_the_lines_show() {
        let covered = covered(&[(date!(2026 - 01 - 10), 1000), (date!(2026 - 06 - 10), 4000), (date!(2026 - 11 - 10), 7000)]);
        let chart = DistanceChart::new(&covered, OdometerUnit::Km, date!(2026 - 11 - 25)).unwrap();
        assert!(
            chart
                .title
                .starts_with("True distance from 1,000 km on 10 Jan 2026 to 7,000 km on 10 Nov 2026; by 25 May 2027 probably between ")
        );
        let places: Vec<(f64, f64)> =
            chart.dots.iter().map(|(x, y)| (x.trim_end_matches('%').parse().unwrap(), y.trim_end_matches('%').parse().unwrap())).collect();
        assert!(places.is_sorted_by(|one, next| one.0 < next.0 && one.1 > next.1), "later is further right and higher: {places:?}");
        assert!(places.iter().all(|(x, y)| (0.0..=100.0).contains(x) && (0.0..=100.0).contains(y)));
        let known: Vec<_> = chart.rows.iter().filter(|row| !row.ahead).map(|row| row.distance.as_str()).collect();
        assert_eq!(known, ["7,000 km", "4,000 km", "1,000 km"]);
        assert!(chart.rows.iter().any(|row| row.ahead) && !chart.shortened);
    }
    #[test]
    fn one_day_alone_is_drawn_only_with_a_forecast_and_none_at_all_not() {
        assert!(DistanceChart::new(&covered(&[]), OdometerUnit::Km, date!(2026 - 11 - 25)).is_none());
        let mut one = covered(&[(date!(2026 - 11 - 10), 7000)]);
        assert!(DistanceChart::new(&one, OdometerUnit::Km, date!(2026 - 11 - 25)).is_some());
        one.projection = None;
        assert!(DistanceChart::new(&one, OdometerUnit::Km, date!(2026 - 11 - 25)).is_none());
    }
    #[test]
    fn levels_are_round_and_hold_everything() {
        assert_eq!(levels(1000.0, 7000.0), [0.0, 2000.0, 4000.0, 6000.0, 8000.0]);
        assert_eq!(levels(0.0, 0.0), [0.0, 1.0]);
        assert_eq!(levels(45_725.0, 52_000.0), [44_000.0, 46_000.0, 48_000.0, 50_000.0, 52_000.0]);
    }
}
