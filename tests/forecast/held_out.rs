//! The simulators that the projection is judged on. No constant of it was chosen by looking at what they give.
use time::Date;

use super::{
    chance::Chance,
    riders::{Kind, Season, Simulator, date},
};

pub const SIMULATORS: [(&str, Simulator); 3] =
    [("outings by renewal", renewal), ("a budget for the year", yearly_budget), ("a drifting mood", drifting_mood)];

/// One outing after another: the time to the next is Weibull on a clock that the season drives, outings are short, long, or tours.
fn renewal(kind: Kind, first: Date, days: usize, chance: &mut Chance) -> Vec<f64> {
    let season = Season::of(kind, chance);
    // Days between outings, shape of that, median distance, share of tours.
    let (gap, shape, median, tours) = match kind {
        Kind::Commuter => (1.7, 1.4, 35.0, 0.0),
        Kind::SummerOnly => (4.5, 0.9, 110.0, 0.01),
        Kind::Tourer => (14.0, 0.7, 90.0, 0.12),
        Kind::HardlyRidden => (17.0, 0.8, 30.0, 0.0),
    };
    let gap = chance.log_normal(gap, 0.35);
    let median = chance.log_normal(median, 0.4);
    let mut far = vec![0.0; days];
    let mut left = chance.weibull(gap, shape);
    let mut away = 0;
    for (place, far) in far.iter_mut().enumerate() {
        if away > 0 {
            away -= 1;
            *far = chance.gamma(280.0, 6.0);
            continue;
        }
        left -= season.at(date(first, place));
        if left > 0.0 {
            continue;
        }
        left = chance.weibull(gap, shape);
        if chance.happens(tours) {
            away = chance.whole(3, 18);
        }
        // One outing in fifteen has a long tail.
        *far = if chance.happens(1.0 / 15.0) { median * chance.unit().powf(-0.5).min(8.0) } else { chance.log_normal(median, 0.5) };
    }
    far
}

/// A rider has a distance for the year in mind, more or less, and spends it unevenly over the weeks of the season. Habits fade or
/// grow from year to year, and now and then the motorcycle is broken for weeks.
fn yearly_budget(kind: Kind, first: Date, days: usize, chance: &mut Chance) -> Vec<f64> {
    let season = Season::of(kind, chance);
    // Kilometers a year, concentration of a week, days it falls on, breakdowns a year.
    let (year, concentration, on_days, breakdowns) = match kind {
        Kind::Commuter => (7000.0, 4.0, 5, 0.25),
        Kind::SummerOnly => (4500.0, 0.8, 2, 0.15),
        Kind::Tourer => (8000.0, 0.12, 4, 0.15),
        Kind::HardlyRidden => (700.0, 0.3, 1, 0.2),
    };
    let year = chance.log_normal(year, 0.5);
    let trend = chance.between(0.85, 1.08);
    let mut far = vec![0.0; days];
    let (mut level, mut broken) = (1.0, 0);
    for week in 0..days / 7 {
        let monday = date(first, week * 7);
        if week % 52 == 0 {
            level = chance.log_normal(1.0, 0.2) * trend.powi(i32::try_from(week / 52).unwrap());
        }
        if chance.happens(breakdowns / 52.0) {
            broken = chance.whole(3, 12);
        }
        let wish = season.at(monday);
        if broken > 0 || wish <= 0.0 {
            broken = broken.max(1) - 1;
            continue;
        }
        let total = year / 52.0 * level * wish * chance.gamma(1.0, concentration);
        for _ in 0..on_days {
            far[week * 7 + chance.whole(0, 6)] += total / f64::from(on_days);
        }
    }
    // What is under a kilometer was not ridden.
    far.iter().map(|far| if *far < 1.0 { 0.0 } else { *far }).collect()
}

/// The mood to ride drifts up and down over months, and once in some years life changes and the level with it.
fn drifting_mood(kind: Kind, first: Date, days: usize, chance: &mut Chance) -> Vec<f64> {
    let season = Season::of(kind, chance);
    // Probability of a ride a day, mean distance, shape of it, spread of the mood, days it lasts.
    let (ride, mean, shape, spread, lasts) = match kind {
        Kind::Commuter => (0.55, 34.0, 3.0, 0.25, 40.0),
        Kind::SummerOnly => (0.18, 95.0, 2.0, 0.4, 30.0),
        Kind::Tourer => (0.03, 130.0, 0.9, 0.9, 12.0),
        Kind::HardlyRidden => (0.05, 35.0, 1.2, 0.6, 45.0),
    };
    let mean = chance.log_normal(mean, 0.4);
    let keep = (-1.0_f64 / lasts).exp();
    let (mut mood, mut level, mut touring) = (chance.normal(), 1.0, 0);
    let mut far = vec![0.0; days];
    for (place, far) in far.iter_mut().enumerate() {
        mood = keep * mood + (1.0 - keep * keep).sqrt() * chance.normal();
        if chance.happens(1.0 / 1300.0) {
            level = chance.log_normal(1.0, 0.35);
        }
        let wish = ride * level * (spread * mood - spread * spread / 2.0).exp() * season.at(date(first, place));
        if kind == Kind::Tourer && touring == 0 && chance.happens(wish / 12.0) {
            touring = chance.whole(3, 15);
        }
        if touring > 0 {
            touring -= 1;
            *far = chance.gamma(250.0, 4.0);
        } else if chance.happens(wish.min(0.95)) {
            *far = chance.gamma(mean, shape);
        }
    }
    far
}
