//! What a motorcycle costs: by year and per distance. Currencies are kept apart, and money is added up in whole ten-thousandths: no
//! float ever holds an amount.
use std::collections::BTreeMap;

use serde::Serialize;
use time::{Date, Month};
use utoipa::ToSchema;

use super::{
    counter::Counter,
    quantity::{Distance, Quantity},
    service::Cost,
    words::OdometerUnit,
};

/// What one service event cost.
#[derive(Clone, Debug)]
pub struct EventCost {
    /// The day.
    pub on: Date,
    /// The amount.
    pub cost: Option<Cost>,
    /// Minutes of labor.
    pub labor_minutes: Option<i32>,
}

/// Costs of a stretch of time.
#[derive(Clone, Debug, Default, PartialEq, Serialize, ToSchema)]
pub struct CostsOver {
    /// How many service events there were.
    pub events: usize,
    /// How many of them say what they cost.
    pub events_with_cost: usize,
    /// Minutes of labor in all.
    pub labor_minutes: i64,
    /// The sums, one for each currency.
    pub costs: Vec<Cost>,
    /// The distance covered between the readings of that time; null without readings.
    pub distance: Option<Quantity>,
    /// The sums per 1,000 of the odometer's unit, to the hundredth; empty where no distance was covered.
    pub per_1000: Vec<Cost>,
}
/// Costs of one calendar year.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct CostsOfYear {
    /// The year.
    pub year: i32,
    /// What it cost.
    #[serde(flatten)]
    pub over: CostsOver,
}
/// What a motorcycle costs.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct Costs {
    /// Calendar years with a service event, the latest first.
    pub years: Vec<CostsOfYear>,
    /// All of it.
    pub total: CostsOver,
}

/// Ten-thousandths of a currency's unit, and the most decimals that were entered.
#[derive(Clone, Copy, Debug, Default)]
struct Sum {
    parts: i128,
    decimals: usize,
}
const PARTS: i128 = 10_000;

/// Adds up what a motorcycle's events cost.
///
/// # Errors
/// A sentence where an amount is no decimal number of at most four decimals; none such is ever stored.
pub fn costs(events: &[EventCost], odometer: &Counter, unit: OdometerUnit) -> Result<Costs, String> {
    let mut by_year: BTreeMap<i32, Vec<&EventCost>> = BTreeMap::new();
    for event in events {
        by_year.entry(event.on.year()).or_default().push(event);
    }
    let mut years = Vec::new();
    for (year, events) in by_year.into_iter().rev() {
        years.push(CostsOfYear { year, over: over(&events, in_year(odometer, year), unit)? });
    }
    let all: Vec<_> = events.iter().collect();
    let run = odometer.points().first().zip(odometer.last()).map(|(first, last)| Distance::from_mm(last.ticks - first.ticks));
    Ok(Costs { years, total: over(&all, run, unit)? })
}

/// The distance between the ends of a year, as far as readings go.
fn in_year(odometer: &Counter, year: i32) -> Option<Distance> {
    let last = odometer.last()?;
    let end_of = |year| {
        let day = Date::from_calendar_date(year, Month::December, 31).unwrap_or(last.on);
        odometer.on(day).unwrap_or(last.ticks)
    };
    Some(Distance::from_mm(end_of(year) - end_of(year - 1)))
}

fn over(events: &[&EventCost], distance: Option<Distance>, unit: OdometerUnit) -> Result<CostsOver, String> {
    let mut sums: BTreeMap<&str, Sum> = BTreeMap::new();
    for cost in events.iter().filter_map(|event| event.cost.as_ref()) {
        let (parts, decimals) = parts(&cost.amount)?;
        let sum = sums.entry(&cost.currency).or_default();
        sum.parts += parts;
        sum.decimals = sum.decimals.max(decimals);
    }
    let cost = |currency: &str, parts, decimals| Cost { amount: amount(parts, decimals), currency: currency.into() };
    let run = distance.filter(|distance| *distance > Distance::ZERO);
    let per_1000 = run.map(|run| sums.iter().map(|(currency, sum)| cost(currency, per_1000(sum.parts, run, unit), 2)).collect());
    Ok(CostsOver {
        events: events.len(),
        events_with_cost: events.iter().filter(|event| event.cost.is_some()).count(),
        labor_minutes: events.iter().filter_map(|event| event.labor_minutes).map(i64::from).sum(),
        costs: sums.iter().map(|(currency, sum)| cost(currency, sum.parts, sum.decimals)).collect(),
        distance: distance.map(|distance| distance.quantity(unit)),
        per_1000: per_1000.unwrap_or_default(),
    })
}

/// An amount as text in ten-thousandths, and its decimals.
fn parts(text: &str) -> Result<(i128, usize), String> {
    let (whole, behind) = text.split_once('.').unwrap_or((text, ""));
    let digits = |text: &str| text.chars().all(|digit| digit.is_ascii_digit());
    if whole.is_empty() || whole.len() > 12 || behind.len() > 4 || !digits(whole) || !digits(behind) {
        return Err(format!("{text:?} is not an amount of money with at most four decimals"));
    }
    let number = format!("{whole}{behind:0<4}").parse().map_err(|_| format!("{text:?} is not an amount of money"))?;
    Ok((number, behind.len()))
}

/// Ten-thousandths per 1,000 of the unit, rounded to whole hundredths, halves up.
fn per_1000(parts: i128, run: Distance, unit: OdometerUnit) -> i128 {
    let thousand = i128::from(Distance::new(1000.0, unit).mm());
    let (hundredth, run) = (PARTS / 100, i128::from(run.mm()));
    (parts * thousand * 2 + run * hundredth) / (run * hundredth * 2) * hundredth
}

/// Ten-thousandths as text with so many decimals, at most four; what is cut off is nothing.
fn amount(parts: i128, decimals: usize) -> String {
    let (whole, rest) = (parts / PARTS, parts % PARTS);
    let behind = format!("{rest:04}");
    if decimals == 0 { whole.to_string() } else { format!("{whole}.{}", &behind[..decimals.min(4)]) }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use time::macros::date;

    use super::*;
    use crate::domain::fixture::Bench;

    fn event(on: Date, amount: &str, currency: &str) -> EventCost {
        EventCost { on, cost: Some(Cost { amount: amount.into(), currency: currency.into() }), labor_minutes: Some(45) }
    }
    fn odometer() -> Counter {
        let mut bench = Bench::new();
        bench.read("2024-12-31", 10_000.0).read("2025-12-31", 12_500.0).read("2026-06-30", 13_000.0);
        bench.history().rides[0].odometer.clone()
    }
    fn texts(costs: &[Cost]) -> Vec<String> {
        costs.iter().map(|cost| format!("{} {}", cost.amount, cost.currency)).collect()
    }

    #[test]
    fn years_and_currencies_are_kept_apart_and_digits_kept() {
        let none = EventCost { on: date!(2026 - 01 - 05), cost: None, labor_minutes: None };
        let events = [
            event(date!(2025 - 03 - 01), "84.50", "EUR"),
            event(date!(2025 - 04 - 01), "0.1", "EUR"),
            event(date!(2025 - 05 - 01), "0.2", "EUR"),
            event(date!(2025 - 06 - 01), "12", "USD"),
            event(date!(2026 - 01 - 01), "10.0001", "EUR"),
            none,
        ];
        let found = costs(&events, &odometer(), OdometerUnit::Mi).unwrap();
        assert_eq!(found.years.iter().map(|year| year.year).collect::<Vec<_>>(), [2026, 2025]);
        let year = &found.years[1].over;
        assert_eq!(texts(&year.costs), ["84.80 EUR", "12 USD"]);
        assert_eq!((year.events, year.labor_minutes, year.distance.as_ref().unwrap().value.text()), (4, 180, "2500".into()));
        // 84.80 over 2,500 mi, 12 over 2,500 mi.
        assert_eq!(texts(&year.per_1000), ["33.92 EUR", "4.80 USD"]);
        let this = &found.years[0].over;
        assert_eq!((this.events, this.events_with_cost, texts(&this.costs)), (2, 1, vec!["10.0001 EUR".into()]));
        assert_eq!(texts(&found.total.costs), ["94.8001 EUR", "12 USD"]);
        assert_eq!(found.total.distance.as_ref().unwrap().value.text(), "3000");
    }
    #[test]
    fn without_distance_there_is_nothing_per_distance() {
        let found = costs(&[event(date!(2025 - 03 - 01), "5", "EUR")], &Counter::default(), OdometerUnit::Km).unwrap();
        assert_eq!((found.total.distance, found.total.per_1000), (None, vec![]));
        let parked = costs(&[event(date!(2030 - 03 - 01), "5", "EUR")], &odometer(), OdometerUnit::Mi).unwrap();
        assert_eq!(parked.years[0].over.per_1000, vec![]);
    }
    #[test]
    fn half_a_hundredth_goes_up() {
        let run = Distance::new(1000.0, OdometerUnit::Mi);
        for (whole, rounded) in [("0.005", "0.01"), ("0.0049", "0.00"), ("1.015", "1.02"), ("2", "2.00")] {
            assert_eq!(amount(per_1000(parts(whole).unwrap().0, run, OdometerUnit::Mi), 2), rounded, "{whole}");
        }
    }
    #[test]
    fn what_is_no_amount_is_said() {
        for wrong in ["", ".5", "1.23456", "-1", "1e3", "1234567890123"] {
            assert!(parts(wrong).is_err(), "{wrong}");
        }
    }
    proptest! {
        #[test]
        fn an_amount_comes_back_as_entered(whole in 0_u64..1_000_000_000_000, behind in "[0-9]{0,4}") {
            let text = if behind.is_empty() { whole.to_string() } else { format!("{whole}.{behind}") };
            let (number, decimals) = parts(&text).unwrap();
            prop_assert_eq!(amount(number, decimals), text);
        }
    }
}
