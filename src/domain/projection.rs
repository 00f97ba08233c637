//! A forecast of a counter on later days, from its readings. Pure: the same readings give the same forecast.
//!
//! [`Riding`] learns how the motorcycle is ridden; its percentiles are worked out once for days ahead that lie close together at first and
//! farther apart later, and are linear between those. A due date is then a look into a table, and days and counts agree exactly.
//! `DEVELOPERS.md` says how well it does.
use time::{Date, Duration};

use super::{
    counter::{Counter, Point},
    due::ExpectedDates,
    lay_up::{Period, days_ridden},
    riding::{KINDS, Riding, USUAL, each_month},
};

/// What a forecast rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Basis {
    /// The readings.
    Readings,
    /// The workshop's default yearly distance, because there are too few readings.
    Default,
}

/// Percentiles of the true count on a day, in ticks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Band {
    /// One future in ten is lower.
    pub p10: i64,
    /// The median.
    pub p50: i64,
    /// One future in ten is higher.
    pub p90: i64,
}

/// A day ahead with what the three percentiles have added by then, in ticks.
type Knot = (i64, [i64; 3]);

/// A forecast of one counter.
#[derive(Clone, Debug, PartialEq)]
pub struct Projection {
    basis: Basis,
    /// The last point: the forecast starts from it.
    from: (Date, i64),
    /// The median of a year, in ticks.
    yearly: i64,
    /// Days ahead, none to begin with; nothing ever goes down. The last year repeats itself.
    knots: Vec<Knot>,
    /// The times in which it stands that are not over at the last point, in order.
    standing: Vec<Period>,
}

/// The least span of readings that a forecast can rest on, in days.
const LEAST_SPAN: i64 = 30;
/// The season comes round once in so many days.
const YEAR: i64 = 365;
const DAYS_A_YEAR: f64 = 365.25;
/// 100 years: beyond that a date helps nobody.
const HORIZON: i64 = 36_525;
/// Years worked out one by one, and at most so many where lay-ups are entered far ahead.
const YEARS: i64 = 4;
const MOST_YEARS: i64 = 12;
/// Assumption, no source: one motorcycle in ten is ridden less than 0.3 of the workshop's default distance, and one in ten more
/// than 2.2 of it. Yearly distances are known to be strongly skewed, with many ridden very little.
const DEFAULT_BAND: [f64; 3] = [0.3, 1.0, 2.2];

impl Projection {
    /// A forecast from the readings of a motorcycle that is never laid up.
    #[must_use]
    pub fn new(counter: &Counter, start: Option<(Date, i64)>, default_yearly: Option<i64>) -> Option<Self> {
        Self::around(counter, start, default_yearly, &[])
    }
    /// A forecast from the readings. Without any, it starts at `start` (day and true count), where that is known. With fewer than
    /// two, or under 30 days between first and last, it runs at `default_yearly` ticks a year; with that `None` there is no forecast.
    /// Nothing is ridden in the lay-ups, which do not meet each other.
    #[must_use]
    pub fn around(counter: &Counter, start: Option<(Date, i64)>, default_yearly: Option<i64>, lay_ups: &[Period]) -> Option<Self> {
        let points = counter.points();
        let from = points.last().map(|last| (last.on, last.ticks)).or(start)?;
        match points.first() {
            Some(first) if days(first.on, from.0) >= LEAST_SPAN => Some(Self::from_readings(points, from, default_yearly, lay_ups)),
            _ => default_yearly.map(|yearly| Self::from_default(from, yearly, lay_ups)),
        }
    }
    fn from_readings(points: &[Point], from: (Date, i64), default_yearly: Option<i64>, lay_ups: &[Period]) -> Self {
        let mut ends: Vec<_> = points.iter().map(|point| (point.on, point.ticks)).collect();
        // The last point of each day; several on one day say nothing about days.
        ends.reverse();
        ends.dedup_by_key(|end| end.0);
        ends.reverse();
        let default_rate = default_yearly.map(|yearly| number(yearly.max(0)) / DAYS_A_YEAR);
        let riding = Riding::learn(&ends, lay_ups, default_rate, &USUAL);
        let mut times = [0.0; KINDS];
        let knots = knots(from.0, lay_ups, |last, day, ahead| {
            each_month(last, day, lay_ups, |month, days| riding.pass(&mut times, month, days));
            riding.ahead(&times, number(ahead))
        });
        let mut projection = Self { basis: Basis::Readings, from, yearly: 0, knots, standing: ahead_of(from.0, lay_ups) };
        projection.yearly = projection.added(YEAR, MEDIAN);
        projection
    }
    fn from_default(from: (Date, i64), yearly: i64, lay_ups: &[Period]) -> Self {
        let yearly = yearly.max(0);
        let mut far = 0.0;
        let knots = knots(from.0, lay_ups, |last, day, _| {
            if let Some(first) = last.next_day() {
                far += days_ridden(first, day, lay_ups) * number(yearly) / DAYS_A_YEAR;
            }
            DEFAULT_BAND.map(|share| share * far)
        });
        Self { basis: Basis::Default, from, yearly, knots, standing: ahead_of(from.0, lay_ups) }
    }
    /// What it rests on.
    #[must_use]
    pub fn basis(&self) -> Basis {
        self.basis
    }
    /// The median of the distance or time in a year, in ticks: the default one without enough readings.
    #[must_use]
    pub fn yearly(&self) -> i64 {
        self.yearly
    }
    /// The day of the last reading, or of the start where there is none.
    #[must_use]
    pub fn begins(&self) -> Date {
        self.from.0
    }
    /// The lay-ups that are not over at the last point and begin before a day, oldest first; all of them where it never comes.
    pub fn stands_before(&self, day: Option<Date>) -> impl Iterator<Item = Period> {
        self.standing.iter().copied().filter(move |period| day.is_none_or(|day| period.from < day))
    }
    /// The true count on a day after the last reading; never below that reading.
    #[must_use]
    pub fn on(&self, day: Date) -> Band {
        let ahead = days(self.from.0, day).max(0);
        Band { p10: self.low(ahead), p50: self.median(ahead), p90: self.high(ahead) }
    }
    // Where the last year repeats itself the three could cross; neither of two that never go down is ever above the larger.
    fn median(&self, ahead: i64) -> i64 {
        self.from.1.saturating_add(self.added(ahead, MEDIAN))
    }
    fn low(&self, ahead: i64) -> i64 {
        self.from.1.saturating_add(self.added(ahead, LOW)).min(self.median(ahead))
    }
    fn high(&self, ahead: i64) -> i64 {
        self.from.1.saturating_add(self.added(ahead, HIGH)).max(self.median(ahead))
    }
    /// What a percentile has added by a day ahead.
    fn added(&self, ahead: i64, level: usize) -> i64 {
        let end = self.knots.last().map_or(0, |knot| knot.0);
        if ahead <= end {
            return self.between(ahead, level);
        }
        let (years, rest) = ((ahead - end) / YEAR, (ahead - end) % YEAR);
        let year_before = self.between(end - YEAR, level);
        let a_year = self.between(end, level) - year_before;
        self.between(end - YEAR + rest, level).saturating_add(a_year.saturating_mul(years + 1))
    }
    /// The same within the days worked out: linear between knots.
    fn between(&self, ahead: i64, level: usize) -> i64 {
        let next = self.knots.partition_point(|knot| knot.0 < ahead);
        let Some(after) = self.knots.get(next) else { return 0 };
        let Some(before) = next.checked_sub(1).map(|place| self.knots[place]) else { return after.1[level] };
        let way = i128::from(after.1[level] - before.1[level]) * i128::from(ahead - before.0) / i128::from(after.0 - before.0);
        // A share of a difference that fits.
        before.1[level] + i64::try_from(way).unwrap_or(0)
    }
    /// The first days on which each percentile has reached `ticks`: `p50` by the median, `p10` by the fast band (early),
    /// `p90` by the slow band (late). `None` where it never gets there in 100 years.
    #[must_use]
    pub fn reaches(&self, ticks: i64) -> ExpectedDates {
        ExpectedDates { p10: self.first_day(ticks, HIGH), p50: self.first_day(ticks, MEDIAN), p90: self.first_day(ticks, LOW) }
    }
    /// The first day on which the median is beyond `ticks`.
    #[must_use]
    pub fn passes(&self, ticks: i64) -> Option<Date> {
        self.first_day(ticks.checked_add(1)?, MEDIAN)
    }
    /// The first day, from that of the last reading on, on which a percentile has got to a count.
    fn first_day(&self, ticks: i64, level: usize) -> Option<Date> {
        let wanted = ticks.saturating_sub(self.from.1);
        let place = self.knots.partition_point(|knot| knot.1[level] < wanted);
        let ahead = match (place.checked_sub(1).map(|place| self.knots[place]), self.knots.get(place)) {
            (None, _) => 0,
            // The smallest number of whole days whose share gets there, rounded up: the counterpart of `between`, which rounds down.
            (Some(before), Some(after)) => {
                let way = i128::from(wanted - before.1[level]) * i128::from(after.0 - before.0);
                let whole = i128::from(after.1[level] - before.1[level]);
                before.0 + i64::try_from((way + whole - 1) / whole).unwrap_or(HORIZON)
            }
            (Some(end), None) => self.first_day_after(end.0, ticks, level)?,
        };
        self.from.0.checked_add(Duration::days(ahead))
    }
    /// The same beyond the days worked out, in seventeen steps at most.
    fn first_day_after(&self, end: i64, ticks: i64, level: usize) -> Option<i64> {
        let is_there = |ahead| match level {
            LOW => self.low(ahead) >= ticks,
            HIGH => self.high(ahead) >= ticks,
            _ => self.median(ahead) >= ticks,
        };
        let (mut before, mut there) = (end, HORIZON);
        if !is_there(there) {
            return None;
        }
        while there - before > 1 {
            let middle = i64::midpoint(before, there);
            if is_there(middle) {
                there = middle;
            } else {
                before = middle;
            }
        }
        Some(there)
    }
}
const LOW: usize = 0;
const MEDIAN: usize = 1;
const HIGH: usize = 2;

/// The days ahead that are worked out: close together at first, twice a month for two years, then once; and the ends of lay-ups.
fn days_ahead(from: Date, lay_ups: &[Period]) -> Vec<i64> {
    let ends = lay_ups.iter().flat_map(|period| [period.from.previous_day(), period.to]).flatten();
    let ends: Vec<_> = ends.map(|end| days(from, end)).filter(|end| (1..(MOST_YEARS - 2) * YEAR).contains(end)).collect();
    let years = ends.iter().max().map_or(YEARS, |last| (last / YEAR + 3).max(YEARS));
    let mut all = vec![0, 2, 5, 10, 20];
    all.extend((2..48).map(|half_month| half_month * 15));
    all.extend((24..=years * 12).map(|month| month * YEAR / 12));
    if !ends.is_empty() {
        all.extend(ends);
        all.sort_unstable();
        all.dedup();
    }
    all
}
/// Asks for what is added by each of those days, given the one before, the day, and how far ahead it is.
fn knots(from: Date, lay_ups: &[Period], mut added: impl FnMut(Date, Date, i64) -> [f64; 3]) -> Vec<Knot> {
    let mut most = [0; 3];
    let mut last = from;
    let all = days_ahead(from, lay_ups).into_iter().map(|ahead| {
        if ahead > 0 {
            // At the end of the calendar it stays as it is.
            let day = from.saturating_add(Duration::days(ahead));
            let now = added(last, day, ahead);
            most = [LOW, MEDIAN, HIGH].map(|level| most[level].max(whole(now[level])));
            last = day;
        }
        (ahead, most)
    });
    all.collect()
}
fn ahead_of(from: Date, lay_ups: &[Period]) -> Vec<Period> {
    let mut ahead: Vec<_> = lay_ups.iter().copied().filter(|period| period.last() > from).collect();
    ahead.sort_unstable_by_key(|period| period.from);
    ahead
}
fn days(from: Date, to: Date) -> i64 {
    (to - from).whole_days()
}
#[expect(clippy::cast_precision_loss, reason = "2^53 ticks are nine billion kilometres")]
fn number(ticks: i64) -> f64 {
    ticks as f64
}
#[expect(clippy::cast_possible_truncation, reason = "the cast saturates")]
fn whole(ticks: f64) -> i64 {
    ticks.round() as i64
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use time::macros::date;
    use uuid::Uuid;

    use super::*;
    use crate::domain::{counter::RawReading, id::Id, words::CounterKind};

    const KM: i64 = 1_000_000;
    const START: Date = date!(2025 - 01 - 01);

    fn counter(figures: &[(i64, i64)]) -> Counter {
        let readings: Vec<_> = (1_u128..)
            .zip(figures)
            .map(|(id, (day, ticks))| RawReading {
                id: Id::new(Uuid::from_u128(id)),
                on: START + Duration::days(*day),
                shown: *ticks,
                confirmed: true,
            })
            .collect();
        Counter::build(CounterKind::Odometer, &readings, &[]).unwrap()
    }

    /// So many kilometers in each month from January 2022 on, read on every first.
    fn monthly(months: usize, far: impl Fn(usize) -> i64) -> Counter {
        let mut figures = vec![(days(START, date!(2022 - 01 - 01)), 0)];
        let mut day = date!(2022 - 01 - 01);
        for month in 0..months {
            day += Duration::days(day.month().length(day.year()).into());
            figures.push((days(START, day), figures[month].1 + far(month % 12) * KM));
        }
        counter(&figures)
    }
    fn year_ahead(projection: &Projection, first: Date) -> Vec<i64> {
        let mut day = first;
        let mut months = Vec::new();
        for _ in 0..12 {
            let next = day + Duration::days(day.month().length(day.year()).into());
            months.push((projection.on(next).p50 - projection.on(day).p50) / KM);
            day = next;
        }
        months
    }

    #[test]
    fn even_riding_goes_on_evenly() {
        let projection = Projection::new(&monthly(48, |_| 400), None, None).unwrap();
        assert_eq!(projection.basis(), Basis::Readings);
        let last = date!(2026 - 01 - 01);
        for far in year_ahead(&projection, last) {
            assert!((300..500).contains(&far), "{far}");
        }
        assert!((4600..5100).contains(&(projection.yearly() / KM)), "{}", projection.yearly());
        let band = projection.on(last + Duration::days(100));
        assert!(band.p90 - band.p10 < 800 * KM, "{band:?}");
        assert_eq!(projection.on(START).p90, 48 * 400 * KM);
        assert_eq!(projection.reaches(10).p50, Some(last));
    }
    #[test]
    fn a_season_is_learned_from_the_readings() {
        // In the south, from October to March alone.
        let south = |month: usize| if (3..9).contains(&month) { 0 } else { 600 };
        let months = year_ahead(&Projection::new(&monthly(48, south), None, None).unwrap(), date!(2026 - 01 - 01));
        assert!(months[..3].iter().chain(&months[9..]).all(|far| *far > 300), "{months:?}");
        assert!(months[4..8].iter().all(|far| *far < 150), "{months:?}");
    }
    #[test]
    fn a_winter_at_rest_is_no_end_of_riding() {
        let summer = |month: usize| if (3..10).contains(&month) { 700 } else { 0 };
        let projection = Projection::new(&monthly(39, summer), None, None).unwrap();
        let months = year_ahead(&projection, date!(2025 - 04 - 01));
        assert!(months[1..6].iter().all(|far| (400..900).contains(far)), "{months:?}");
        assert!(months[8..11].iter().all(|far| *far < 80), "{months:?}");
    }
    #[test]
    fn the_band_widens_with_time_and_with_doubt() {
        let usual = Projection::new(&monthly(48, |_| 400), None, None).unwrap();
        let wide = |projection: &Projection, last: Date, ahead| {
            let band = projection.on(last + Duration::days(ahead));
            band.p90 - band.p10
        };
        let last = date!(2026 - 01 - 01);
        assert!(wide(&usual, last, 30) < wide(&usual, last, 180) && wide(&usual, last, 180) < wide(&usual, last, 720));
        // As much in all, read three times.
        let sparse = Projection::new(&counter(&[(0, 0), (200, 2630 * KM), (365, 4800 * KM)]), None, None).unwrap();
        assert!(wide(&sparse, last, 180) > 2 * wide(&usual, last, 180));
    }
    #[test]
    fn too_few_readings_run_at_the_default() {
        let yearly = Some(3_652_500_000);
        let last = START + Duration::days(29);
        let short = Projection::new(&counter(&[(0, 0), (29, 1000 * KM)]), None, yearly).unwrap();
        assert_eq!(short.basis(), Basis::Default);
        assert_eq!(short.on(last + Duration::days(100)), Band { p10: 1300 * KM, p50: 2000 * KM, p90: 3200 * KM });
        assert_eq!(Projection::new(&counter(&[(0, 0), (30, 1000 * KM)]), None, yearly).unwrap().basis(), Basis::Readings);
        let none = Projection::new(&counter(&[]), Some((START, 500 * KM)), yearly).unwrap();
        assert_eq!((none.basis(), none.on(START + Duration::days(10)).p50), (Basis::Default, 600 * KM));
        assert_eq!(Projection::new(&counter(&[]), None, yearly), None);
        assert_eq!(Projection::new(&counter(&[(0, 0), (29, 1000 * KM)]), None, None), None);
    }
    #[test]
    fn what_stands_still_never_arrives() {
        let still = Projection::new(&counter(&[(0, 1000 * KM), (400, 1000 * KM)]), None, None).unwrap();
        assert_eq!(still.reaches(1001 * KM), ExpectedDates { p10: None, p50: None, p90: None });
        assert_eq!(still.passes(1000 * KM), None);
        assert_eq!(still.reaches(1000 * KM).p50, Some(START + Duration::days(400)));
        // Parked for years after some riding: it may go on the road again, but the median stays.
        let parked = Projection::new(&counter(&[(0, 0), (100, 1000 * KM), (1100, 1000 * KM)]), None, None).unwrap();
        assert_eq!(parked.reaches(1200 * KM).p50, None);
        assert!(parked.reaches(1200 * KM).p10.is_some());
    }
    #[test]
    fn nothing_is_ridden_in_a_lay_up() {
        let last = date!(2026 - 01 - 01);
        let winter = Period { from: date!(2026 - 02 - 01), to: Some(date!(2026 - 06 - 30)) };
        let readings = monthly(48, |_| 400);
        let laid_up = Projection::around(&readings, None, None, &[winter]).unwrap();
        let before = laid_up.on(date!(2026 - 01 - 31));
        assert!(before.p50 > 48 * 400 * KM);
        assert_eq!(laid_up.on(date!(2026 - 06 - 30)).p50, before.p50);
        assert!(laid_up.on(date!(2026 - 07 - 31)).p50 > before.p50 + 250 * KM);
        let free = Projection::new(&readings, None, None).unwrap();
        assert!(free.reaches(20_000 * KM).p50 < laid_up.reaches(20_000 * KM).p50);
        assert_eq!(laid_up.stands_before(laid_up.reaches(20_000 * KM).p50).count(), 1);
        assert_eq!(laid_up.stands_before(Some(winter.from)).count(), 0);
        // Without an end it never gets anywhere, by the default distance neither.
        let open = Period { from: last, to: None };
        let never = ExpectedDates { p10: None, p50: None, p90: None };
        assert_eq!(Projection::around(&readings, None, None, &[open]).unwrap().reaches(20_000 * KM), never);
        let fresh = Projection::around(&counter(&[]), Some((last, 0)), Some(3_652_500_000), &[winter]).unwrap();
        assert_eq!(fresh.on(date!(2026 - 07 - 31)).p50, 610 * KM);
        // Rates come from the days on which it was ridden: half of each year laid up is as if it had not been.
        let twice = |month: usize| if month < 6 { 0 } else { 800 };
        let stood = [2022, 2023, 2024, 2025].map(|year| Period {
            from: Date::from_calendar_date(year, time::Month::January, 1).unwrap(),
            to: Some(Date::from_calendar_date(year, time::Month::June, 30).unwrap()),
        });
        let yearly = Projection::around(&monthly(48, twice), None, None, &stood).unwrap().yearly() / KM;
        assert!((7000..11_500).contains(&yearly), "{yearly}");
    }
    #[test]
    fn the_end_of_the_calendar_is_no_trouble() {
        let late = |day: i64| (date!(9990 - 01 - 01) + Duration::days(day) - START).whole_days();
        let projection = Projection::new(&counter(&[(late(0), 0), (late(100), KM)]), None, None).unwrap();
        assert_eq!(projection.reaches(50 * KM).p50, None);
        assert!(projection.on(Date::MAX).p50 > KM);
        let far = Projection::new(&counter(&[(0, 0), (100, i64::MAX)]), None, None).unwrap();
        assert_eq!(far.on(Date::MAX).p50, i64::MAX);
    }

    fn projections() -> impl Strategy<Value = (Counter, Projection)> {
        let steps = prop::collection::vec((0..200_i64, prop_oneof![Just(0), 0..8_000 * KM]), 1..20);
        (steps, prop::option::of(0..20_000 * KM)).prop_filter_map("without a forecast", |(steps, yearly)| {
            let mut sum = (0, 0);
            let figures: Vec<_> = steps
                .into_iter()
                .map(|(days, far)| {
                    sum = (sum.0 + days, sum.1 + far);
                    sum
                })
                .collect();
            let counter = counter(&figures);
            let projection = Projection::new(&counter, None, yearly)?;
            Some((counter, projection))
        })
    }
    proptest! {
        #[test]
        fn the_band_is_in_order_and_never_goes_back((counter, projection) in projections(), ahead in 0..40_000_i64) {
            let last = counter.last().unwrap();
            let band = projection.on(last.on + Duration::days(ahead));
            let next = projection.on(last.on + Duration::days(ahead + 1));
            prop_assert!(last.ticks <= band.p10 && band.p10 <= band.p50 && band.p50 <= band.p90);
            prop_assert!(band.p10 <= next.p10 && band.p50 <= next.p50 && band.p90 <= next.p90);
        }
        #[test]
        fn days_and_counts_agree((counter, projection) in projections(), ticks in 0..300_000 * KM) {
            let last = counter.last().unwrap();
            let dates = projection.reaches(ticks);
            let first = |date: Option<Date>, count: &dyn Fn(Band) -> i64, least: i64| match date {
                Some(date) => {
                    let before = date == last.on || count(projection.on(date - Duration::DAY)) < least;
                    count(projection.on(date)) >= least && before && date >= last.on
                }
                None => count(projection.on(last.on + Duration::days(HORIZON))) < least,
            };
            prop_assert!(first(dates.p10, &|band| band.p90, ticks));
            prop_assert!(first(dates.p50, &|band| band.p50, ticks));
            prop_assert!(first(dates.p90, &|band| band.p10, ticks));
            prop_assert!(first(projection.passes(ticks), &|band| band.p50, ticks + 1));
            let known = [dates.p10, dates.p50, dates.p90].map(|date| date.unwrap_or(Date::MAX));
            prop_assert!(known.is_sorted());
        }
    }
}
