//! How well the projection holds on histories that it was not tuned on: `cargo test --test forecast -- --nocapture` prints the tables.
//!
//! Simulated riders of four kinds ride for years by simulators of several kinds. Somebody reads the odometer now and then, the projection
//! sees the readings up to one day, and the later readings judge it: how many lie in its band from 10 to 90 %, and how much smaller its
//! pinball loss is than that of a straight line at total distance over total days. The seed is fixed, so the same figures come every time.
#![allow(clippy::unwrap_used, reason = "a test may stop where something is not as it has to be")]

mod chance;
mod held_out;
mod riders;
mod score;
mod trial;
mod tuning;

use std::thread;

use serde_json::Value;
use time::Date;
use uuid::Uuid;
use witnessmark::domain::{
    counter::{Counter, RawReading},
    id::Id,
    projection::{Basis, Projection},
    words::CounterKind,
};

use self::{
    chance::Chance,
    riders::{KINDS, Kind, Simulator},
    score::Score,
    trial::{Forecast, HORIZONS, Readings, Scores},
};

const SEED: u64 = 20_261_125;
/// Histories of each kind of rider by each simulator.
const HISTORIES: usize = 500;
/// The workshop's default distance a year: 5,000 km.
const DEFAULT: i64 = 5_000_000_000;
const MM: f64 = 1_000_000.0;

impl Forecast for Projection {
    #[expect(clippy::cast_precision_loss, reason = "an odometer")]
    fn on(&self, day: Date) -> [f64; 3] {
        let band = Self::on(self, day);
        [band.p10, band.p50, band.p90].map(|ticks| (ticks as f64 / MM).floor())
    }
    #[expect(clippy::cast_possible_truncation, reason = "an odometer")]
    fn reaches(&self, km: f64) -> [Option<Date>; 3] {
        let dates = Self::reaches(self, (km * MM) as i64);
        [dates.p10, dates.p50, dates.p90]
    }
}
fn project(readings: &[(Date, i64)]) -> Option<Projection> {
    let raw: Vec<_> = (1_u128..)
        .zip(readings)
        .map(|(id, (on, ticks))| RawReading { id: Id::new(Uuid::from_u128(id)), on: *on, shown: *ticks, confirmed: true })
        .collect();
    let counter = Counter::build(CounterKind::Odometer, &raw, &[]).unwrap();
    Projection::new(&counter, None, Some(DEFAULT)).filter(|projection| projection.basis() == Basis::Readings)
}

/// A row of the table: a kind of rider, or all of them with few readings.
#[derive(Clone, Copy, PartialEq)]
enum Row {
    Of(Kind),
    Sparse,
}
const ROWS: [Row; 5] =
    [Row::Of(Kind::Commuter), Row::Of(Kind::SummerOnly), Row::Of(Kind::Tourer), Row::Of(Kind::HardlyRidden), Row::Sparse];
impl Row {
    fn name(self) -> &'static str {
        match self {
            Self::Of(Kind::Commuter) => "commuter",
            Self::Of(Kind::SummerOnly) => "summer only",
            Self::Of(Kind::Tourer) => "tourer with bursts",
            Self::Of(Kind::HardlyRidden) => "hardly ridden",
            Self::Sparse => "3 to 5 readings, all kinds",
        }
    }
    fn run(self, simulator: Simulator) -> Scores {
        let (kinds, how) = match self {
            Self::Of(kind) => (vec![kind], Readings::Usual),
            Self::Sparse => (KINDS.to_vec(), Readings::Sparse),
        };
        let mut scores = Scores::default();
        for kind in kinds {
            let mut chance = Chance::new(SEED + kind as u64);
            for _ in 0..HISTORIES {
                scores.join(&trial::run(simulator, kind, how, &mut chance, project));
            }
        }
        scores
    }
}

fn told(score: &Score) -> String {
    format!("{:4.1} %, {:4.1} %", score.coverage() * 100.0, score.better() * 100.0)
}
fn line(name: &str, row: Row, scores: &Scores) -> String {
    let cells: Vec<_> = scores.at.iter().chain([&scores.due]).map(told).collect();
    format!("| {name} | {} | {} |", row.name(), cells.join(" | "))
}
/// Each row of the table by each simulator, then by all together.
fn table(title: &str, simulators: &[(&str, Simulator)]) -> Vec<(Row, Scores)> {
    let results: Vec<Vec<Scores>> = thread::scope(|scope| {
        let running: Vec<_> =
            ROWS.iter().map(|row| scope.spawn(|| simulators.iter().map(|(_, simulate)| row.run(*simulate)).collect())).collect();
        running.into_iter().map(|one| one.join().unwrap()).collect()
    });
    println!("\n{title}: share of later readings within 10 to 90 %, and how much smaller the pinball loss is than the line's\n");
    let days: Vec<_> = HORIZONS.iter().map(|days| format!("{days} days")).collect();
    println!("| simulator | rider | {} | due dates |", days.join(" | "));
    println!("| --- | --- | --- | --- | --- | --- | --- |");
    let mut all = Vec::new();
    for (row, results) in ROWS.iter().zip(results) {
        let mut sum = Scores::default();
        for ((name, _), scores) in simulators.iter().zip(&results) {
            println!("{}", line(name, *row, scores));
            sum.join(scores);
        }
        all.push((*row, sum));
    }
    for (row, sum) in &all {
        println!("{}", line("**all**", *row, sum));
    }
    all
}

/// What the goal asks for is not reached here: rider, place of the horizon, least and most coverage. `DEVELOPERS.md` says so, and it must
/// not get worse.
const SHORT_OF_THE_GOAL: &[(&str, usize, f64, f64)] = &[("commuter", 0, 0.75, 0.88), ("3 to 5 readings, all kinds", 0, 0.75, 0.86)];

#[test]
fn the_band_holds_and_beats_the_line_on_riders_that_it_was_not_tuned_on() {
    table("Tuned on these", &tuning::SIMULATORS);
    let mut wrong = Vec::new();
    for (row, scores) in table("Held out", &held_out::SIMULATORS) {
        for (place, score) in scores.at.iter().chain([&scores.due]).enumerate() {
            let known = SHORT_OF_THE_GOAL.iter().find(|known| (known.0, known.1) == (row.name(), place));
            let (least, most) = known.map_or((0.75, 0.85), |known| (known.2, known.3));
            let covers = (least..=most).contains(&score.coverage());
            if score.readings < 500 || !covers || score.better() < 0.2 {
                wrong.push(format!("{} {place}: {} of {}", row.name(), told(score), score.readings));
            }
            if known.is_some() && score.holds() {
                wrong.push(format!("{} {place} holds by now: say so", row.name()));
            }
        }
    }
    assert!(wrong.is_empty(), "not within the goal: {wrong:#?}");
}

/// The scoring is judged by published figures before it judges anything.
#[test]
fn losses_and_coverage_are_counted_as_published() {
    let rows: Vec<Value> = serde_json::from_str(include_str!("../reference/pinball.json")).unwrap();
    let figures = |value: &Value| -> Vec<f64> { value.as_array().unwrap().iter().map(|figure| figure.as_f64().unwrap()).collect() };
    let near = |one: f64, other: f64| (one - other).abs() < 1e-12 * other.abs().max(1.0);
    let mut seen = 0;
    for row in &rows {
        let number = |name: &str| row[name].as_f64().unwrap();
        match row["kind"].as_str().unwrap() {
            "pinball" => {
                let (y, q) = (figures(&row["y"]), figures(&row["q"]));
                let count = f64::from(u32::try_from(y.len()).unwrap());
                let mean = y.iter().zip(&q).map(|(y, q)| score::pinball(number("alpha"), *y, *q)).sum::<f64>() / count;
                assert!(near(mean, number("loss")), "{row}: {mean}");
            }
            "mean_of_three" => {
                let [y, p10, p50, p90] = ["y", "p10", "p50", "p90"].map(|name| figures(&row[name]));
                let losses: Vec<_> = (0..y.len()).map(|at| score::mean_of_three(y[at], [p10[at], p50[at], p90[at]])).collect();
                assert!(near(losses.iter().sum::<f64>() / 4.0, number("mean")), "{row}");
            }
            "improvement" => {
                assert!((score::improvement(number("model_mean"), number("baseline_mean")) - number("improvement")).abs() < 1e-9, "{row}");
            }
            "coverage" => {
                let [y, p10, p90] = ["y", "p10", "p90"].map(|name| figures(&row[name]));
                let mut score = Score::default();
                for at in 0..y.len() {
                    score.add(y[at], [p10[at], p10[at], p90[at]], 0.0);
                }
                assert!(near(score.coverage(), number("coverage")), "{row}");
                assert_eq!((0.75..=0.85).contains(&score.coverage()), row["in_75_85"].as_bool().unwrap(), "{row}");
            }
            other => panic!("{other}"),
        }
        seen += 1;
    }
    assert!(seen > 30, "{seen}");
}
