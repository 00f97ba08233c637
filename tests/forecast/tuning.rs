//! The simulators that the constants of the projection were chosen on. Nothing here counts toward its goal.
use time::{Date, Weekday};

use super::{
    chance::Chance,
    riders::{Kind, Season, Simulator, date},
};

pub const SIMULATORS: [(&str, Simulator); 2] = [("daily trips and weather", daily_trips), ("weeks in regimes", weekly_regimes)];

/// Each day the weather and the weekday decide whether there is a trip, and how far it goes; tours are put on top.
fn daily_trips(kind: Kind, first: Date, days: usize, chance: &mut Chance) -> Vec<f64> {
    let season = Season::of(kind, chance);
    let home = chance.log_normal(28.0, 0.5);
    // Probability of a trip on a working day and on another, median of the other trips, what rain leaves of them.
    let (working, free, median, in_rain) = match kind {
        Kind::Commuter => (0.7, 0.3, 55.0, 0.75),
        Kind::SummerOnly => (0.12, 0.5, 90.0, 0.3),
        Kind::Tourer => (0.05, 0.22, 75.0, 0.4),
        Kind::HardlyRidden => (0.03, 0.12, 25.0, 0.3),
    };
    let keen = chance.log_normal(1.0, 0.3);
    let (mut weather, mut year, mut holiday) = (0.0, 1.0, 0);
    let mut far = vec![0.0; days];
    for (place, far) in far.iter_mut().enumerate() {
        let today = date(first, place);
        if today.ordinal() == 1 || place == 0 {
            year = chance.log_normal(1.0, 0.15);
        }
        weather = 0.7 * weather + 0.714 * chance.normal();
        if holiday == 0 && chance.happens(2.0 / 365.0) {
            holiday = chance.whole(7, 21);
        }
        holiday = holiday.max(1) - 1;
        let rests = matches!(today.weekday(), Weekday::Saturday | Weekday::Sunday);
        let rain = if weather > 0.5 { in_rain } else { 1.0 };
        let wish = (if rests { free } else { working }) * keen * year * season.at(today) * rain;
        if (kind == Kind::Commuter && holiday > 0) || !chance.happens(wish.min(0.97)) {
            continue;
        }
        *far = if kind == Kind::Commuter && !rests { home * chance.between(0.9, 1.4) } else { chance.log_normal(median, 0.7) };
    }
    if kind == Kind::Tourer {
        let tours = chance.between(1.0, 4.0);
        put_tours(&mut far, first, &season, tours, chance);
    }
    far
}
/// About so many tours a year, of 4 to 16 days with 150 to 450 km each.
fn put_tours(far: &mut [f64], first: Date, season: &Season, a_year: f64, chance: &mut Chance) {
    let mut place = 0;
    while place < far.len() {
        if chance.happens(a_year / 365.0 * season.at(date(first, place))) {
            let length = chance.whole(4, 16);
            for day in far.iter_mut().skip(place).take(length) {
                *day = chance.between(150.0, 450.0);
            }
            place += length;
        }
        place += 1;
    }
}

/// Each week is in one of three regimes that last for weeks; its distance is gamma and falls on a few days.
fn weekly_regimes(kind: Kind, first: Date, days: usize, chance: &mut Chance) -> Vec<f64> {
    let season = Season::of(kind, chance);
    // Kilometers a week when keen; of ten weeks so many keen and idle; weeks that a regime lasts; shape; days it falls on.
    let (base, keen, idle, lasts, shape, on_days) = match kind {
        Kind::Commuter => (190.0, 0.7, 0.06, 8.0, 6.0, 5),
        Kind::SummerOnly => (230.0, 0.5, 0.15, 5.0, 2.0, 2),
        Kind::Tourer => (1100.0, 0.09, 0.4, 1.6, 3.0, 5),
        Kind::HardlyRidden => (45.0, 0.2, 0.5, 4.0, 1.2, 1),
    };
    let base = chance.log_normal(base, 0.5);
    let mut far = vec![0.0; days];
    let mut regime = 0.4;
    for week in 0..days / 7 {
        if week == 0 || chance.happens(1.0 / lasts) {
            let draw = chance.unit();
            regime = if draw < keen {
                1.0
            } else if draw < keen + idle {
                0.0
            } else if kind == Kind::Tourer {
                0.06
            } else {
                0.35
            };
        }
        let mean = base * regime * season.at(date(first, week * 7));
        if mean <= 0.0 {
            continue;
        }
        let total = chance.gamma(mean, shape);
        let on_days = chance.whole(1, on_days);
        for _ in 0..on_days {
            #[expect(clippy::cast_precision_loss, reason = "at most 7")]
            let part = total / on_days as f64;
            far[week * 7 + chance.whole(0, 6)] += part;
        }
    }
    far
}
