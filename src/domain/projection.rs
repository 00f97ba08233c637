//! A forecast of a counter on later days, from its readings. Pure: the same readings give the same forecast.
//!
//! The median runs on at the rate of the last year, a whole one where the readings go back that far, so that every season counts
//! once. The band around it comes from how unevenly the distance fell between the readings: uneven riding adds up like a
//! random walk, and the rate itself is known only as well as the readings tell.
use time::{Date, Duration};

use super::{
    counter::{Counter, Point},
    due::ExpectedDates,
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

/// A forecast of one counter.
#[derive(Clone, Debug, PartialEq)]
pub struct Projection {
    basis: Basis,
    /// The last point: the forecast starts from it.
    from: (Date, i64),
    /// Ticks a day.
    rate: f64,
    /// Variance of the distance that each day adds, in ticks².
    noise: f64,
    /// Standard deviation of the rate, below the median and above it, in ticks a day.
    drift: [f64; 2],
}

/// The least span of readings that a forecast can rest on, in days.
const LEAST_SPAN: i64 = 30;
/// The season comes round once in so many days.
const YEAR: i64 = 365;
const DAYS_A_YEAR: f64 = 365.25;
/// 100 years: beyond that a date helps nobody.
const HORIZON: i64 = 36_525;
/// The 0.9 quantile of the standard normal distribution.
const Z: f64 = 1.281_551_565_544_600_4;
/// Assumption, no source: before there are readings to tell, the distance of a month varies by 60 % of its mean.
const MONTHLY_VARIATION: f64 = 0.6;
/// Assumption, no source: that guess weighs as much as two intervals between readings.
const GUESS_WEIGHT: f64 = 2.0;
/// Assumption, no source: from one year to the next a rider's distance varies by 10 % even where the readings are even.
const YEARLY_VARIATION: f64 = 0.1;
/// Assumption, no source: one motorcycle in ten is ridden less than 0.3 of the workshop's default distance, and one in ten more
/// than 2.2 of it. Yearly distances are known to be strongly skewed, with many ridden very little.
const DEFAULT_BAND: [f64; 2] = [0.3, 2.2];

impl Projection {
    /// A forecast from the readings. Without any, it starts at `start` (day and true count), where that is known. With fewer than
    /// two, or under 30 days between first and last, it runs at `default_yearly` ticks a year; with that `None` there is no forecast.
    #[must_use]
    pub fn new(counter: &Counter, start: Option<(Date, i64)>, default_yearly: Option<i64>) -> Option<Self> {
        let points = counter.points();
        let from = points.last().map(|last| (last.on, last.ticks)).or(start)?;
        match points.first() {
            Some(first) if days(first.on, from.0) >= LEAST_SPAN => Some(Self::from_readings(counter, *first, from)),
            _ => default_yearly.map(|yearly| Self::from_default(from, yearly)),
        }
    }
    fn from_readings(counter: &Counter, first: Point, from: (Date, i64)) -> Self {
        let span = days(first.on, from.0);
        let year = span.min(YEAR);
        let year_ago = counter.on(from.0 - Duration::days(year)).unwrap_or(first.ticks);
        let rate = number(from.1 - year_ago) / number(year);
        let noise = noise(counter.points(), number(from.1 - first.ticks) / number(span));
        let drift = (noise / number(span) + (YEARLY_VARIATION * rate).powi(2)).sqrt();
        Self { basis: Basis::Readings, from, rate, noise, drift: [drift; 2] }
    }
    fn from_default(from: (Date, i64), yearly: i64) -> Self {
        let rate = number(yearly.max(0)) / DAYS_A_YEAR;
        let drift = DEFAULT_BAND.map(|share| rate * (share - 1.0).abs() / Z);
        Self { basis: Basis::Default, from, rate, noise: 0.0, drift }
    }
    /// What it rests on.
    #[must_use]
    pub fn basis(&self) -> Basis {
        self.basis
    }
    /// The median of the distance or time in a year, in ticks.
    #[must_use]
    pub fn yearly(&self) -> i64 {
        whole(self.rate * DAYS_A_YEAR)
    }
    /// The true count on a day after the last reading; never below that reading.
    #[must_use]
    pub fn on(&self, day: Date) -> Band {
        let ahead = days(self.from.0, day).max(0);
        Band { p10: self.low(ahead), p50: self.median(ahead), p90: self.high(ahead) }
    }
    fn median(&self, ahead: i64) -> i64 {
        self.from.1.saturating_add(whole(self.rate * number(ahead)))
    }
    // The line less a square root is convex and starts at 0: once it is above the last reading it only rises.
    fn low(&self, ahead: i64) -> i64 {
        self.from.1.saturating_add(whole(self.rate * number(ahead) - self.spread(ahead, self.drift[0])).max(0))
    }
    fn high(&self, ahead: i64) -> i64 {
        self.from.1.saturating_add(whole(self.rate * number(ahead) + self.spread(ahead, self.drift[1])))
    }
    fn spread(&self, ahead: i64, drift: f64) -> f64 {
        let ahead = number(ahead);
        Z * (self.noise * ahead + (drift * ahead).powi(2)).sqrt()
    }
    /// The first days on which each percentile has reached `ticks`: `p50` by the median, `p10` by the fast band (early),
    /// `p90` by the slow band (late). `None` where it never gets there in 100 years.
    #[must_use]
    pub fn reaches(&self, ticks: i64) -> ExpectedDates {
        ExpectedDates {
            p10: self.first_day(|ahead| self.high(ahead) >= ticks),
            p50: self.first_day(|ahead| self.median(ahead) >= ticks),
            p90: self.first_day(|ahead| self.low(ahead) >= ticks),
        }
    }
    /// The first day on which the median is beyond `ticks`.
    #[must_use]
    pub fn passes(&self, ticks: i64) -> Option<Date> {
        self.first_day(|ahead| self.median(ahead) > ticks)
    }
    /// The first day, from that of the last reading on, for which something that then stays true is true. Seventeen steps at most.
    fn first_day(&self, is_there: impl Fn(i64) -> bool) -> Option<Date> {
        let (mut before, mut there) = (-1, HORIZON);
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
        self.from.0.checked_add(Duration::days(there))
    }
}

/// Variance of a day's distance around the mean rate, from the intervals between days with readings, with a guess mixed in that
/// fades as intervals come in. An interval of d days has d times the variance of a day.
fn noise(points: &[Point], rate: f64) -> f64 {
    let guess = (MONTHLY_VARIATION * rate).powi(2) * 30.0;
    let (mut sum, mut intervals) = (0.0, 0.0);
    let mut start = points.first();
    for (place, point) in points.iter().enumerate() {
        // The last point of each day ends an interval; several on one day say nothing about days.
        let ends_day = points.get(place + 1).is_none_or(|next| next.on > point.on);
        let Some(from) = start.filter(|from| ends_day && point.on > from.on) else { continue };
        let length = number(days(from.on, point.on));
        sum += (number(point.ticks - from.ticks) - rate * length).powi(2) / length;
        intervals += 1.0;
        start = Some(point);
    }
    // One degree of freedom went into the rate.
    (guess * GUESS_WEIGHT + sum) / (GUESS_WEIGHT + intervals - 1.0)
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
    ticks.floor() as i64
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

    #[test]
    fn even_riding_goes_on_evenly() {
        let projection = Projection::new(&counter(&[(0, 1000 * KM), (100, 2000 * KM), (200, 3000 * KM)]), None, None).unwrap();
        assert_eq!(projection.basis(), Basis::Readings);
        let day = START + Duration::days(300);
        assert_eq!(projection.on(day).p50, 4000 * KM);
        assert_eq!(projection.reaches(4000 * KM).p50, Some(day));
        assert_eq!(projection.passes(4000 * KM), Some(day + Duration::DAY));
        assert_eq!(projection.yearly(), 3652 * KM + KM / 2);
        assert_eq!(projection.on(START).p90, 3000 * KM);
        assert_eq!(projection.reaches(10).p50, Some(START + Duration::days(200)));
    }
    #[test]
    fn the_last_whole_year_sets_the_median() {
        // 20,000 km in the first year, 3,650 km in the second.
        let projection = Projection::new(&counter(&[(0, 0), (365, 20_000 * KM), (730, 23_650 * KM)]), None, None).unwrap();
        assert_eq!(projection.on(START + Duration::days(740)).p50, 23_750 * KM);
    }
    #[test]
    fn uneven_riding_widens_the_band() {
        let even = Projection::new(&counter(&[(0, 0), (50, 500 * KM), (100, 1000 * KM), (150, 1500 * KM)]), None, None).unwrap();
        let uneven = Projection::new(&counter(&[(0, 0), (50, 10 * KM), (100, 1300 * KM), (150, 1500 * KM)]), None, None).unwrap();
        let day = START + Duration::days(240);
        assert_eq!(even.on(day).p50, uneven.on(day).p50);
        assert!(even.on(day).p90 < uneven.on(day).p90);
        assert!(even.on(day).p10 > uneven.on(day).p10);
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
        // Parked for over a year after some riding: it may go on the road again, but the median stays.
        let parked = Projection::new(&counter(&[(0, 0), (100, 1000 * KM), (500, 1000 * KM)]), None, None).unwrap();
        assert_eq!(parked.reaches(1200 * KM).p50, None);
        assert!(parked.reaches(1200 * KM).p10.is_some());
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
