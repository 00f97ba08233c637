//! Kinds of riders, and the seasons they ride in. A simulator turns a kind into kilometers for each day.
use time::{Date, Duration};

use super::chance::Chance;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    Commuter,
    SummerOnly,
    Tourer,
    HardlyRidden,
}
pub const KINDS: [Kind; 4] = [Kind::Commuter, Kind::SummerOnly, Kind::Tourer, Kind::HardlyRidden];

/// Kilometers on each day from the first on.
pub type Simulator = fn(Kind, Date, usize, &mut Chance) -> Vec<f64>;

/// Twelve monthly figures, as `seasons.json` gives them with their sources.
pub struct Seasons {
    pub motorcycles: [f64; 12],
    pub all_vehicles: [f64; 12],
}
pub fn seasons() -> &'static Seasons {
    static SEASONS: std::sync::OnceLock<Seasons> = std::sync::OnceLock::new();
    SEASONS.get_or_init(load)
}
fn load() -> Seasons {
    let read: serde_json::Value = serde_json::from_str(include_str!("../reference/seasons.json")).unwrap();
    let months = |name: &str| -> [f64; 12] {
        let found = read.as_array().unwrap().iter().find(|row| row["name"] == name).unwrap();
        let figures: Vec<f64> = found["months"].as_array().unwrap().iter().map(|figure| figure.as_f64().unwrap()).collect();
        figures.try_into().unwrap()
    };
    Seasons { motorcycles: months("motorcycles"), all_vehicles: months("all vehicles") }
}

/// How much more or less a rider rides in each month than on average: a published shape, made steeper or flatter, with whims.
pub struct Season {
    months: [f64; 12],
    /// Outside of these days of the year nothing moves.
    open: Option<(u16, u16)>,
}
impl Season {
    pub fn of(kind: Kind, chance: &mut Chance) -> Self {
        let known = seasons();
        let shape = |figures: &[f64; 12], steep: f64| figures.map(|figure| (figure / (figures.iter().sum::<f64>() / 12.0)).powf(steep));
        let months = match kind {
            Kind::Commuter if chance.happens(0.5) => shape(&known.all_vehicles, chance.between(0.5, 2.0)),
            Kind::Commuter => shape(&known.motorcycles, chance.between(0.2, 0.8)),
            Kind::SummerOnly => shape(&known.motorcycles, chance.between(0.5, 1.2)),
            Kind::Tourer => shape(&known.motorcycles, chance.between(0.7, 1.6)),
            Kind::HardlyRidden => shape(&known.motorcycles, chance.between(0.3, 1.2)),
        };
        let months = months.map(|month| month * chance.log_normal(1.0, 0.15));
        let open = (kind == Kind::SummerOnly).then(|| (day(chance.between(85.0, 130.0)), day(chance.between(255.0, 300.0))));
        let mut season = Self { months, open };
        let mean = (1..=365).map(|ordinal| season.at(Date::from_ordinal_date(2023, ordinal).unwrap())).sum::<f64>() / 365.0;
        season.months = season.months.map(|month| month / mean);
        season
    }
    /// The intensity of a day, 1 on average.
    pub fn at(&self, day: Date) -> f64 {
        let open = self.open.is_none_or(|(from, to)| (from..=to).contains(&day.ordinal()));
        if open { self.months[usize::from(u8::from(day.month())) - 1] } else { 0.0 }
    }
}
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a day of the year")]
fn day(ordinal: f64) -> u16 {
    ordinal as u16
}

pub fn date(first: Date, day: usize) -> Date {
    first + Duration::days(i64::try_from(day).unwrap())
}
