//! Uneven wear: parts that sit left and right, or front and rear, and do not wear alike.
//!
//! What is compared, from which difference on, and where to look are common practice, no source: two parts that wear alike differ
//! by no more than their uncertainties and a fifth of what is worn.
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
    history::{PartLife, WornValue},
    limit::Limit,
    line::Line,
    quantity::{Distance, Figure, Unit, grouped},
    road::Roads,
    verdict::plain,
    words::{LimitKind, Measurand, OdometerUnit, Position},
};

/// The share of what is worn by which two parts have to differ.
const SHARE: f64 = 0.2;
/// Values are held against each other where they were taken within so many days, and the parts had run the same to this share.
const DAYS: i64 = 31;
const SAME_RUN: f64 = 0.1;

/// Two parts that do not wear alike.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Uneven {
    /// The component's key.
    pub component: String,
    /// Where the two sit; the first is worn more.
    pub positions: [Position; 2],
    /// What was measured.
    pub quantity: Measurand,
    /// What differs and where to look, then the figures, in sentences.
    pub because: Vec<String>,
}

/// A part with its values of one quantity, oldest first, in one unit.
struct Worn<'a> {
    part: &'a PartLife,
    position: Position,
    quantity: Measurand,
    unit: Unit,
    /// Part distance, value, U, day.
    values: Vec<(Distance, f64, f64, time::Date)>,
    /// The value of a new part, where a limit tells it.
    new: Option<f64>,
}
/// Two figures of two parts, the worn one first, all in one unit.
struct Compared {
    unit: Unit,
    difference: f64,
    uncertainty: f64,
    worn: f64,
    figures: [f64; 2],
    /// The figures are wear in 1,000 of the odometer's unit, not the values themselves.
    rates: bool,
}

/// The parts on the motorcycle that wear unevenly: left against right for any part whose thickness, tread depth or elongation is
/// measured; front against rear for brake pads and discs, where the rear wears faster.
#[must_use]
pub fn uneven(roads: &Roads, limits: &[Limit]) -> Vec<Uneven> {
    let parts = worn_parts(roads, limits);
    let unit = roads.history.motorcycle.odometer_unit;
    let mut found = Vec::new();
    for one in &parts {
        for (from, to) in [("left", "right"), ("front", "rear")] {
            let Some(place) = opposite(one.position, from, to) else { continue };
            let alike = |other: &&Worn| {
                (other.position, &other.part.component, other.quantity) == (place, &one.part.component, one.quantity)
                    && other.unit.kind() == one.unit.kind()
            };
            let Some(other) = parts.iter().find(alike) else { continue };
            if from == "front" && !matches!(one.part.component.as_str(), "brake_pads" | "brake_disc") {
                continue;
            }
            found.extend(compare(one, other, from == "front", unit));
        }
    }
    found
}

/// The place on the other side.
fn opposite(position: Position, from: &str, to: &str) -> Option<Position> {
    let text = position.to_string();
    let words: Vec<_> = text.split('_').map(|word| if word == from { to } else { word }).collect();
    let other = words.join("_");
    (other != text).then(|| other.parse().ok()).flatten()
}

/// Whether a quantity shrinks by wear; `None` where it does not tell wear by itself.
const fn shrinks(quantity: Measurand) -> Option<bool> {
    match quantity {
        Measurand::Thickness | Measurand::TreadDepth => Some(true),
        Measurand::Elongation => Some(false),
        _ => None,
    }
}

fn worn_parts<'a>(roads: &'a Roads, limits: &[Limit]) -> Vec<Worn<'a>> {
    let mut parts: Vec<Worn> = Vec::new();
    for (part, stay) in roads.history.parts_on() {
        let Some(position) = stay.position else { continue };
        let mut values: Vec<&WornValue> = roads.history.values.iter().filter(|value| value.part == part.id).collect();
        values.sort_by_key(|value| (value.mark.on, value.mark.order));
        for quantity in [Measurand::Thickness, Measurand::TreadDepth, Measurand::Elongation] {
            let of_quantity = values.iter().filter(|value| value.quantity == quantity);
            let Some(unit) = of_quantity.clone().next_back().map(|value| value.unit) else { continue };
            let one = |value: &&WornValue| {
                let (run, figure) =
                    (part.distance_at(value.motorcycle_id, &value.mark, roads)?, value.unit.convert(value.value, unit).ok()?);
                Some((run, figure, value.u * value.unit.si_per_unit() / unit.si_per_unit(), value.mark.on))
            };
            let values: Vec<_> = of_quantity.filter_map(one).collect();
            let new = new_value(roads, limits, part, position, quantity, unit);
            let worn = Worn { part, position, quantity, unit, values, new };
            // Where two parts stand at one place, the one that was measured last is meant.
            let at = |known: &Worn| (&known.part.component, known.position, known.quantity) == (&part.component, position, quantity);
            let last = |worn: &Worn| worn.values.last().map(|value| value.3);
            match parts.iter_mut().find(|known| at(known)) {
                Some(known) if last(known) < last(&worn) => *known = worn,
                Some(_) => {}
                None => parts.push(worn),
            }
        }
    }
    parts
}

/// What a new part measures, by the limits for it.
fn new_value(roads: &Roads, limits: &[Limit], part: &PartLife, position: Position, quantity: Measurand, unit: Unit) -> Option<f64> {
    let meant = limits.iter().filter(|limit| {
        limit.component == part.component
            && limit.quantity == quantity
            && limit.kind != LimitKind::Adjust
            && limit.position.is_none_or(|place| place == position)
            && limit.applies_to.matches(&roads.history.motorcycle)
    });
    let given = meant.filter_map(|limit| Some((limit.applies_to.rank(), limit.unit.convert(limit.nominal.as_ref()?.value(), unit).ok()?)));
    given.max_by_key(|(rank, _)| *rank).map(|(_, value)| value)
}

impl Worn<'_> {
    /// How much is worn: from the new value, else from the first value.
    fn worn(&self) -> Option<f64> {
        let last = self.values.last()?.1;
        let first = self.new.or_else(|| (self.values.len() > 1).then(|| self.values[0].1))?;
        Some((first - last).abs())
    }
    /// How fast it wears in 1,000 of a unit, positive as it wears, with its uncertainty.
    fn rate(&self, unit: OdometerUnit) -> Option<(f64, f64)> {
        let points: Vec<_> = self.values.iter().map(|(run, value, ..)| (run.in_unit(unit) / 1000.0, *value)).collect();
        let line = Line::fit(&points)?;
        let u = self.values.iter().map(|value| value.2).fold(0.0, f64::max);
        let rate = if shrinks(self.quantity)? { -line.slope } else { line.slope };
        // Each value is off by U at most one way or the other: the slope by U ÷ √(sum of squares).
        Some((rate, u / line.spread.sqrt()))
    }
}

fn compare(one: &Worn, other: &Worn, rear_only: bool, odometer: OdometerUnit) -> Option<Uneven> {
    // Front and rear parts are not of one make: only how fast they wear can be held against each other.
    let found = if rear_only { None } else { by_last_values(one, other) };
    let (compared, worse_is_one) = found.or_else(|| by_rates(one, other, odometer))?;
    if compared.difference <= compared.uncertainty || compared.difference <= SHARE * compared.worn {
        return None;
    }
    let (worse, better) = if worse_is_one { (one, other) } else { (other, one) };
    // The front brakes do most of the work: that they wear faster is no finding.
    if rear_only && worse_is_one {
        return None;
    }
    Some(Uneven {
        component: one.part.component.clone(),
        positions: [worse.position, better.position],
        quantity: one.quantity,
        because: sentences(worse, better, &compared, odometer),
    })
}

/// The last values of two parts that were measured at about the same time after about the same distance.
fn by_last_values(one: &Worn, other: &Worn) -> Option<(Compared, bool)> {
    let (a, b) = (one.values.last()?, other.values.last()?);
    let (run_a, run_b) = (a.0.in_unit(OdometerUnit::Km), b.0.in_unit(OdometerUnit::Km));
    if (a.3 - b.3).whole_days().abs() > DAYS || (run_a - run_b).abs() > SAME_RUN * run_a.max(run_b) {
        return None;
    }
    let b_value = other.unit.convert(b.1, one.unit).ok()?;
    let scale = other.unit.si_per_unit() / one.unit.si_per_unit();
    let worse_is_one = (a.1 < b_value) == shrinks(one.quantity)?;
    let worn = one.worn()?.max(other.worn()? * scale);
    let figures = if worse_is_one { [a.1, b_value] } else { [b_value, a.1] };
    let difference = (a.1 - b_value).abs();
    Some((Compared { unit: one.unit, difference, uncertainty: a.2.hypot(b.2 * scale), worn, figures, rates: false }, worse_is_one))
}

fn by_rates(one: &Worn, other: &Worn, odometer: OdometerUnit) -> Option<(Compared, bool)> {
    let ((a, a_u), (b, b_u)) = (one.rate(odometer)?, other.rate(odometer)?);
    let scale = other.unit.si_per_unit() / one.unit.si_per_unit();
    let (b, b_u) = (b * scale, b_u * scale);
    let worse_is_one = a > b;
    let figures = if worse_is_one { [a, b] } else { [b, a] };
    let (difference, uncertainty) = ((a - b).abs(), a_u.hypot(b_u));
    Some((Compared { unit: one.unit, difference, uncertainty, worn: a.max(b), figures, rates: true }, worse_is_one))
}

fn sentences(worse: &Worn, better: &Worn, compared: &Compared, odometer: OdometerUnit) -> Vec<String> {
    let place = |worn: &Worn| plain(&worn.position.to_string());
    let (name, unit) = (plain(&worse.part.component), compared.unit);
    let (verb, wear) = if name.ends_with('s') { ("are", "wear") } else { ("is", "wears") };
    let decimals = decimals_for(compared.difference);
    let amount = |value: f64| format!("{} {unit}", Figure::rounded(value, decimals));
    let mut start = place(worse);
    if let Some(first) = start.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    let more = match worse.quantity {
        Measurand::Thickness => "thinner",
        Measurand::TreadDepth => "shallower",
        _ => "longer",
    };
    let what = if compared.rates {
        format!("{start} {name} {wear} faster than {}", place(better))
    } else {
        format!("{start} {name} {verb} {} {more} than {}", amount(compared.difference), place(better))
    };
    let [a, b] = compared.figures.map(amount);
    let figures = if compared.rates {
        format!("{start}: {a} in 1,000 {odometer}; {}: {b}.", place(better))
    } else {
        let run = |worn: &Worn| worn.values.last().map(|value| grouped(value.0.in_unit(odometer))).unwrap_or_default();
        format!("{start}: {a} after {} {odometer}; {}: {b} after {} {odometer}.", run(worse), place(better), run(better))
    };
    vec![format!("{what}: {}.", where_to_look(&worse.part.component, worse.position)), figures]
}

/// As many decimals as tell two figures apart that differ by so much: two digits of the difference, and two decimals at least.
fn decimals_for(difference: f64) -> usize {
    (2..8).find(|decimals| difference * 10_f64.powi(*decimals) >= 9.5).map_or(8, i32::unsigned_abs) as usize
}

/// Where to look first; common practice, no source.
fn where_to_look(component: &str, position: Position) -> &'static str {
    let rear = position.to_string().starts_with("rear");
    match component {
        "brake_pads" if rear => "look whether the rear caliper's slide pins move and its pistons go back",
        "brake_pads" => "look at the caliper's slide pins",
        "brake_disc" => "look whether the caliper's pistons go back",
        "tire" => "look at the tire pressure and the wheel's alignment",
        _ => "look for what holds or loads that side more",
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;
    use time::OffsetDateTime;

    use super::*;
    use crate::domain::{
        fixture::{Bench, id},
        history::History,
        limit::NewLimit,
        words::Condition,
    };

    /// What part, and its values: day, odometer, millimeters.
    type Measured<'a> = (&'a str, &'a [(&'a str, f64, f64)]);

    /// Parts that were fitted at 10,000 mi, each with values at odometer figures; the gauge steps by 0.1 mm.
    fn history(parts: &[Measured]) -> History {
        history_in(parts, &[Unit::Mm, Unit::Mm], 0.05)
    }
    /// The same with a unit for each part, and with an uncertainty in millimeters.
    fn history_in(parts: &[Measured], units: &[Unit], u: f64) -> History {
        let mut bench = Bench::new();
        bench.read("2025-01-01", 10_000.0);
        let mut values = Vec::new();
        for ((what, measured), unit) in parts.iter().zip(units) {
            let part = bench.fit(what, Condition::New, "2025-01-01", 10_000.0);
            for (on, odometer, value) in *measured {
                let mark = bench.mark(on, *odometer);
                let worn = WornValue {
                    id: id(mark.order),
                    part,
                    motorcycle_id: bench.bike.id,
                    mark,
                    quantity: Measurand::Thickness,
                    value: *value,
                    unit: *unit,
                    u: Unit::Mm.convert(u, *unit).unwrap(),
                    at_force: None,
                };
                values.push(worn);
            }
        }
        History { values, ..bench.history() }
    }
    fn found(parts: &[Measured], limits: &[Limit]) -> Vec<Uneven> {
        let history = history(parts);
        uneven(&Roads::new(&history), limits)
    }
    fn nominal() -> Limit {
        let new = json!({"component": "brake_pads", "quantity": "thickness", "lower": 1.5, "nominal": 5, "unit": "mm", "kind": "wear"});
        let new: NewLimit = serde_json::from_value(new).unwrap();
        Limit::from_new(id(800), new, OffsetDateTime::UNIX_EPOCH)
    }
    const LEFT: &str = "brake_pads front_left";
    const RIGHT: &str = "brake_pads front_right";

    #[test]
    fn pads_that_differ_left_and_right_are_told() {
        let uneven = found(&[(LEFT, &[("2025-07-01", 13_000.0, 2.3)]), (RIGHT, &[("2025-07-01", 13_000.0, 3.5)])], &[nominal()]);
        assert_eq!(uneven.len(), 1, "{uneven:?}");
        assert_eq!(uneven[0].positions.map(|place| place.to_string()), ["front_left", "front_right"]);
        assert_eq!(
            uneven[0].because,
            [
                "Front left brake pads are 1.2 mm thinner than front right: look at the caliper's slide pins.",
                "Front left: 2.3 mm after 3,000 mi; front right: 3.5 mm after 3,000 mi.",
            ]
        );
        let mirrored = found(&[(LEFT, &[("2025-07-01", 13_000.0, 3.5)]), (RIGHT, &[("2025-07-01", 13_000.0, 2.3)])], &[nominal()]);
        assert_eq!(mirrored[0].positions.map(|place| place.to_string()), ["front_right", "front_left"]);
    }

    #[test]
    fn figures_taken_in_two_units_are_told_in_one() {
        // 2.3 mm are 0.09055 in, 3.5 mm are 0.13780 in (1 in = 25.4 mm, NIST SP 811).
        let thin = (LEFT, &[("2025-07-01", 13_000.0, 2.3)] as &[_]);
        let in_inches = (RIGHT, &[("2025-07-01", 13_000.0, 3.5 / 25.4)] as &[_]);
        let told = |parts: &[Measured], units: &[Unit]| {
            let history = history_in(parts, units, 0.05);
            uneven(&Roads::new(&history), &[nominal()])[0].because.join(" ")
        };
        let millimeters = told(&[thin, in_inches], &[Unit::Mm, Unit::In]);
        assert!(millimeters.contains("1.2 mm thinner") && millimeters.contains("2.3 mm after"), "{millimeters}");
        let (left, right) = ((LEFT, &[("2025-07-01", 13_000.0, 3.5 / 25.4)] as &[_]), (RIGHT, &[("2025-07-01", 13_000.0, 2.3)] as &[_]));
        let inches = told(&[left, right], &[Unit::In, Unit::Mm]);
        assert!(inches.contains("0.047 in thinner") && inches.contains("Front right: 0.091 in after"), "{inches}");
    }

    #[test]
    fn a_small_difference_keeps_its_digits() {
        let discs: [Measured; 2] = [
            ("brake_disc front_left", &[("2025-03-01", 11_000.0, 0.2), ("2025-07-01", 13_000.0, 0.196)]),
            ("brake_disc front_right", &[("2025-03-01", 11_000.0, 0.2), ("2025-07-01", 13_000.0, 0.198)]),
        ];
        let history = history_in(&discs, &[Unit::In, Unit::In], 0.002);
        let found = uneven(&Roads::new(&history), &[]);
        assert!(found[0].because[0].contains("brake disc is 0.002 in thinner"), "{found:?}");
        assert!(found[0].because[1].contains("0.196 in") && found[0].because[1].contains("0.198 in"), "{found:?}");
    }

    #[test]
    fn what_the_gauge_or_a_fifth_of_the_wear_explains_is_not_told() {
        // Within the combined uncertainty of 0.07 mm; within a fifth of 2 mm; just beyond it.
        for (left, right, wanted) in [(4.9, 4.95, 0), (3.0, 3.35, 0), (3.0, 3.45, 1)] {
            let parts: [Measured; 2] = [(LEFT, &[("2025-07-01", 13_000.0, left)]), (RIGHT, &[("2025-07-01", 13_000.0, right)])];
            assert_eq!(found(&parts, &[nominal()]).len(), wanted, "{left} {right}");
        }
    }

    #[test]
    fn without_knowing_what_is_worn_nothing_is_told() {
        assert!(found(&[(LEFT, &[("2025-07-01", 13_000.0, 2.3)]), (RIGHT, &[("2025-07-01", 13_000.0, 3.5)])], &[]).is_empty());
        assert!(found(&[(LEFT, &[("2025-07-01", 13_000.0, 2.3)])], &[nominal()]).is_empty(), "nothing to hold it against");
    }

    #[test]
    fn parts_measured_at_different_times_are_held_against_each_other_by_how_fast_they_wear() {
        let left: &[_] = &[("2025-03-01", 11_000.0, 4.5), ("2025-05-01", 12_000.0, 3.9)];
        let right: &[_] = &[("2025-03-01", 11_000.0, 4.7), ("2025-09-01", 15_000.0, 3.5)];
        let uneven = found(&[(LEFT, left), (RIGHT, right)], &[]);
        assert_eq!(
            uneven[0].because,
            [
                "Front left brake pads wear faster than front right: look at the caliper's slide pins.",
                "Front left: 0.6 mm in 1,000 mi; front right: 0.3 mm.",
            ]
        );
    }

    #[test]
    fn front_pads_may_wear_faster_than_rear_pads_but_not_the_other_way() {
        let fast: &[_] = &[("2025-03-01", 11_000.0, 4.4), ("2025-05-01", 12_000.0, 3.8)];
        let slow: &[_] = &[("2025-03-01", 11_000.0, 4.7), ("2025-05-01", 12_000.0, 4.4)];
        assert!(found(&[("brake_pads front", fast), ("brake_pads rear", slow)], &[]).is_empty());
        let uneven = found(&[("brake_pads front", slow), ("brake_pads rear", fast)], &[]);
        assert_eq!(uneven[0].positions.map(|place| place.to_string()), ["rear", "front"]);
        assert!(uneven[0].because[0].starts_with("Rear brake pads wear faster than front: "), "{uneven:?}");
        assert!(found(&[("tire front", slow), ("tire rear", fast)], &[]).is_empty(), "tires of one bike are not alike");
    }
}
