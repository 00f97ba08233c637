//! One trial: a simulated rider, the readings that somebody took, the forecast from them, and the later readings.
use time::{Date, Duration, macros::date};

use super::{
    chance::Chance,
    riders::{Kind, Simulator},
    score::Score,
};

pub const HORIZONS: [usize; 4] = [30, 90, 180, 365];
const KM: f64 = 1_000_000.0;
/// Days that are simulated after the last reading.
const AFTER: usize = 1100;

/// How often somebody looks at the odometer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Readings {
    /// Every few weeks, for half a year to five years.
    Usual,
    /// Three to five in all.
    Sparse,
}

/// What the forecast says, in kilometers and days.
pub trait Forecast {
    fn on(&self, day: Date) -> [f64; 3];
    fn reaches(&self, km: f64) -> [Option<Date>; 3];
}

#[derive(Clone, Copy, Debug, Default)]
pub struct Scores {
    pub at: [Score; 4],
    /// Days at which a distance is reached.
    pub due: Score,
}
impl Scores {
    pub fn join(&mut self, other: &Self) {
        for (mine, theirs) in self.at.iter_mut().zip(&other.at) {
            mine.join(theirs);
        }
        self.due.join(&other.due);
    }
}

/// Kilometers by the end of each day, and the day from which on they are unknown to the forecast.
struct Life {
    first: Date,
    total: Vec<f64>,
}
impl Life {
    fn date(&self, day: usize) -> Date {
        self.first + Duration::days(i64::try_from(day).unwrap())
    }
    /// The first day from this one on with a ride, if it comes soon enough.
    fn next_ride(&self, day: usize, patience: usize) -> Option<usize> {
        (day.max(1)..=day + patience).find(|day| self.total.get(*day).is_some_and(|total| *total > self.total[day - 1]))
    }
    /// Most readings are taken when the motorcycle is ridden (fuel, service), some on any day.
    fn read(&self, day: usize, patience: usize, chance: &mut Chance) -> Option<usize> {
        if chance.happens(0.7) { self.next_ride(day, patience) } else { Some(day) }
    }
}

/// Runs one trial; `make` is given the readings as (day, millimeters).
pub fn run<F: Forecast>(
    simulate: Simulator,
    kind: Kind,
    how: Readings,
    chance: &mut Chance,
    make: impl Fn(&[(Date, i64)]) -> Option<F>,
) -> Scores {
    let before = match how {
        Readings::Usual => chance.whole(180, 1830),
        Readings::Sparse => chance.whole(90, 900),
    };
    let first = date!(2015 - 01 - 01) + Duration::days(i64::try_from(chance.whole(0, 364)).unwrap());
    let daily = simulate(kind, first, before + AFTER + 60, chance);
    let mut sum = 0.0;
    let total = daily.iter().map(|far| {
        sum += far;
        sum
    });
    let life = Life { first, total: total.collect() };
    let mut days = match how {
        Readings::Usual => usual(&life, before, chance),
        Readings::Sparse => sparse(&life, before, chance),
    };
    days.dedup();
    #[expect(clippy::cast_possible_truncation, reason = "an odometer shows whole kilometers, rounded down")]
    let readings: Vec<_> = days.iter().map(|day| (life.date(*day), life.total[*day].floor() as i64 * 1_000_000)).collect();
    match make(&readings) {
        Some(forecast) if days.len() >= 2 => judge(&life, &days, &readings, &forecast, chance),
        _ => Scores::default(),
    }
}
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss, reason = "days")]
fn usual(life: &Life, before: usize, chance: &mut Chance) -> Vec<usize> {
    let gap = chance.log_normal(30.0, 0.6).clamp(7.0, 100.0);
    let (mut day, mut days) = (chance.between(0.0, gap), Vec::new());
    while (day as usize) < before {
        let taken = life.read(day as usize, 40, chance).filter(|taken| *taken < before);
        days.extend(taken);
        day = day.max(taken.unwrap_or(0) as f64) + 1.0 + chance.gamma(gap, 2.0);
    }
    days
}
fn sparse(life: &Life, before: usize, chance: &mut Chance) -> Vec<usize> {
    let count = chance.whole(3, 5);
    let mut days: Vec<_> = (0..count).filter_map(|_| life.read(chance.whole(0, before), 40, chance)).collect();
    days.sort_unstable();
    days
}

#[expect(clippy::cast_precision_loss, reason = "days and odometers")]
fn judge(life: &Life, days: &[usize], readings: &[(Date, i64)], forecast: &impl Forecast, chance: &mut Chance) -> Scores {
    let mut scores = Scores::default();
    let (begin, last) = (days[0], days[days.len() - 1]);
    let now = readings[readings.len() - 1].1 as f64 / KM;
    let rate = (now - readings[0].1 as f64 / KM) / (last - begin) as f64;
    for (horizon, score) in HORIZONS.iter().zip(&mut scores.at) {
        if let Some(day) = life.read(last + horizon, horizon / 4 + 7, chance) {
            score.add(life.total[day].floor(), forecast.on(life.date(day)), now + rate * (day - last) as f64);
        }
    }
    let far = rate * chance.between(30.0, 365.0);
    if far >= 1.0 {
        let truth = (last..last + AFTER).find(|day| life.total[*day] >= now + far).unwrap_or(last + AFTER);
        let ahead = |day: Option<Date>| day.map_or(AFTER as f64, |day| ((day - life.date(last)).whole_days() as f64).min(AFTER as f64));
        scores.due.add((truth - last) as f64, forecast.reaches(now + far).map(ahead), (far / rate).min(AFTER as f64));
    }
    scores
}
