//! Wear of one installed part: from measured values against its part distance to the distance at which it meets a limit.
use time::Date;

use super::{
    calendar,
    line::Line,
    outlier::outliers,
    quantity::{Distance, Figure, Unit, grouped},
    words::Measurand,
};

/// Which bound of a limit wear brings a value to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Toward {
    /// The value shrinks toward the lower bound, as a thickness does.
    Lower,
    /// The value grows toward the upper bound, as an elongation does.
    Upper,
}

/// One measured value of the part.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WearPoint {
    /// What the part had run.
    pub part_distance: Distance,
    /// The value, in the unit of the question.
    pub value: f64,
    /// The day on which it was measured, where it is known.
    pub on: Option<Date>,
}

/// What is asked: when do these values meet this limit?
#[derive(Clone, Copy, Debug)]
pub struct Wear<'a> {
    /// The measured values of one part, in any order.
    pub points: &'a [WearPoint],
    /// The bound that is approached.
    pub limit: f64,
    /// From which side.
    pub toward: Toward,
    /// The value of a new part, where it is known; it stands in for the second point where there is one alone.
    pub new_value: Option<f64>,
    /// The unit of the values, the limit and the new value.
    pub unit: Unit,
    /// The unit in which distances are told: the motorcycle's odometer unit.
    pub distance_unit: Unit,
}

/// The part distance at which the values meet the limit.
#[derive(Clone, Debug, PartialEq)]
pub struct Forecast {
    /// Sooner in one case of ten; `None` where the line has no band.
    pub p10: Option<Distance>,
    /// Where the line meets the limit.
    pub p50: Distance,
    /// Later in one case of ten; `None` where the line has no band.
    pub p90: Option<Distance>,
    /// How many measured values it rests on.
    pub points: usize,
    /// The change of the value in 1,000 of the distance unit; negative where it shrinks.
    pub per_1000: f64,
    /// The arithmetic, in sentences.
    pub because: Vec<String>,
}

/// The bound that wear brings a quantity to, and from which side: the only bound there is; with two, the one that the quantity
/// is known to approach, else the one that the line through the values heads for. `None` for a quantity that does not tell wear
/// (a pressure), without a bound, or where nothing says which of two.
#[must_use]
pub fn bound(quantity: Measurand, lower: Option<f64>, upper: Option<f64>, points: &[WearPoint]) -> Option<(f64, Toward)> {
    let known = match quantity {
        Measurand::Thickness | Measurand::TreadDepth | Measurand::Compression => Some(Toward::Lower),
        Measurand::Elongation
        | Measurand::FreePlay
        | Measurand::Runout
        | Measurand::Length
        | Measurand::Deflection
        | Measurand::AlignmentDifference => Some(Toward::Upper),
        // A pin wears thin and a bore wears wide; a valve clearance closes or opens.
        Measurand::Diameter | Measurand::Clearance => None,
        _ => return None,
    };
    match (lower, upper) {
        (Some(lower), None) => Some((lower, Toward::Lower)),
        (None, Some(upper)) => Some((upper, Toward::Upper)),
        (Some(lower), Some(upper)) => {
            let heads_for = || {
                let slope = Line::fit(&pairs(points))?.slope;
                (slope != 0.0).then_some(if slope < 0.0 { Toward::Lower } else { Toward::Upper })
            };
            known.or_else(heads_for).map(|toward| (if toward == Toward::Lower { lower } else { upper }, toward))
        }
        (None, None) => None,
    }
}

/// The part distance at which the values meet the limit: with three points or more the least squares line and the 10–90 band of
/// the distance at which it meets the limit; with two points the line alone; with one the line from the new value.
///
/// # Errors
/// A sentence that says why there is no forecast: too few values, all at the same distance, the line runs away from the limit, or
/// the scatter hides the slope.
pub fn forecast(wear: &Wear<'_>) -> Result<Forecast, String> {
    let points = with_new_value(wear)?;
    let line = Line::fit(&points)
        .ok_or_else(|| format!("{}; all were taken at the same distance, so they do not say how fast it wears. {}", told(wear), AGAIN))?;
    must_head_for_the_limit(wear, &points, &line)?;
    let meets = line.meets(wear.limit).ok_or_else(|| unchanged(wear))?;
    let band = line.band(wear.limit, 0.9, false);
    if points.len() > 2 && band.is_none() {
        return Err(format!(
            "{}; the scatter of the values hides the wear: the slope of their line cannot be told apart from zero (Student's t, 10–90 band). {AGAIN}{}",
            told(wear),
            off_the_line(wear).iter().fold(String::new(), |told, off| told + ". " + off)
        ));
    }
    let per_1000 = line.slope * mm(wear.distance_unit) * 1000.0;
    let forecast = Forecast {
        p10: band.map(|(low, _)| part_distance(low)),
        p50: part_distance(meets),
        p90: band.map(|(_, high)| part_distance(high)),
        points: wear.points.len(),
        per_1000,
        because: Vec::new(),
    };
    Ok(Forecast { because: because(wear, &forecast, &line), ..forecast })
}

const AGAIN: &str = "Measure again further on";

fn with_new_value(wear: &Wear<'_>) -> Result<Vec<(f64, f64)>, String> {
    let mut points = pairs(wear.points);
    match (points.len(), wear.new_value) {
        (0, _) => return Err("there is no measured value of this part with a known part distance. Measure it and enter the value".into()),
        (1, None) => {
            return Err(format!(
                "{}; one value alone does not say how fast it wears. {AGAIN}, or give the value of a new part",
                told(wear)
            ));
        }
        (1, Some(new)) => points.push((0.0, new)),
        _ => {}
    }
    Ok(points)
}

fn must_head_for_the_limit(wear: &Wear<'_>, points: &[(f64, f64)], line: &Line) -> Result<(), String> {
    let reach = |pick: fn(&(f64, f64)) -> f64| {
        let all = points.iter().map(pick);
        (all.clone().fold(f64::INFINITY, f64::min), all.fold(f64::NEG_INFINITY, f64::max))
    };
    let ((near, far), (least, most)) = (reach(|(x, _)| *x), reach(|(_, y)| *y));
    // Equal values need not give exactly slope 0 in f64.
    if (line.slope * (far - near)).abs() <= 1e-12 * least.abs().max(most.abs()) {
        return Err(unchanged(wear));
    }
    let (does, side) = if line.slope < 0.0 { ("shrink", "an upper") } else { ("grow", "a lower") };
    if (line.slope < 0.0) == (wear.toward == Toward::Lower) {
        return Ok(());
    }
    Err(format!(
        "{}; the values {does} with the distance, but the limit {} is {side} one: they run away from it. Look at how they were measured",
        told(wear),
        amount(wear.limit, wear.unit)
    ))
}

fn unchanged(wear: &Wear<'_>) -> String {
    format!("{}; the values do not change with the distance, so their line never meets the limit. {AGAIN}", told(wear))
}

fn because(wear: &Wear<'_>, forecast: &Forecast, line: &Line) -> Vec<String> {
    let far = |distance: Distance| distance_words(distance, wear.distance_unit);
    let rate = amount(forecast.per_1000.abs(), wear.unit);
    let word = if forecast.per_1000 < 0.0 { "loses" } else { "gains" };
    let fit = match (line.count, wear.points.len()) {
        (2, 1) => "The line from the new value through it",
        (2, _) => "The line through both",
        _ => "The least squares line",
    };
    let limit = amount(wear.limit, wear.unit);
    let meets = far(forecast.p50);
    let reach = match (forecast.p10, forecast.p90) {
        (Some(low), Some(high)) => {
            format!(
                "It meets the limit {limit} at {meets} of part distance; eight cases in ten lie between {} and {}.",
                far(low),
                far(high)
            )
        }
        _ => format!("It meets the limit {limit} at {meets} of part distance; a band takes three values or more."),
    };
    let mut sentences = vec![format!("{}.", told(wear)), format!("{fit} {word} {rate} in 1,000 {}.", wear.distance_unit), reach];
    if wear.points.iter().map(|point| point.part_distance).max() > Some(forecast.p50) {
        sentences.push("That lies before the last value: by the line, the limit is already passed.".into());
    }
    let off = off_the_line(wear);
    if !off.is_empty() {
        let kept = if off.len() == 1 { "it" } else { "them" };
        sentences.extend(off.into_iter().map(|off| format!("{off}.")));
        sentences.push(format!("The forecast still rests on {kept} too."));
    }
    sentences
}

/// The values that lie off the line of the others, each in a sentence without its stop.
fn off_the_line(wear: &Wear<'_>) -> Vec<String> {
    let say = |point: &WearPoint| {
        let day = point.on.map_or_else(|| "The value at ".to_owned(), |on| format!("{} at ", calendar::words(on)));
        format!(
            "{day}{}, {}, lies off the line; measure again",
            distance_words(point.part_distance, wear.distance_unit),
            amount(point.value, wear.unit)
        )
    };
    outliers(&pairs(wear.points)).into_iter().filter_map(|place| wear.points.get(place)).map(say).collect()
}

/// The measured values in words: all of them up to six, else the first and the last.
fn told(wear: &Wear<'_>) -> String {
    let mut points = wear.points.to_vec();
    points.sort_by_key(|point| point.part_distance);
    let one =
        |point: &WearPoint| format!("{} at {}", amount(point.value, wear.unit), distance_words(point.part_distance, wear.distance_unit));
    let list = match points.as_slice() {
        [first, .., last] if points.len() > 6 => format!("{} values from {} to {}", points.len(), one(first), one(last)),
        few => format!("Measured: {}", few.iter().map(one).collect::<Vec<_>>().join(", ")),
    };
    match wear.new_value {
        Some(new) if points.len() == 1 => format!("{list}; new {}", amount(new, wear.unit)),
        _ => list,
    }
}

fn amount(value: f64, unit: Unit) -> String {
    format!("{} {unit}", Figure::rounded(value, 4))
}

fn pairs(points: &[WearPoint]) -> Vec<(f64, f64)> {
    points.iter().map(|point| (as_mm(point.part_distance), point.value)).collect()
}

#[expect(clippy::cast_precision_loss, reason = "2^53 mm are nine billion kilometres")]
fn as_mm(distance: Distance) -> f64 {
    distance.mm() as f64
}

/// A part distance in whole millimetres; a line that meets the limit before the part was new meets it at 0.
#[expect(clippy::cast_possible_truncation, reason = "the cast saturates: a part never runs that far")]
fn part_distance(mm: f64) -> Distance {
    Distance::from_mm(mm.round().max(0.0) as i64)
}

fn mm(unit: Unit) -> f64 {
    unit.si_per_unit() * 1000.0
}

fn distance_words(distance: Distance, unit: Unit) -> String {
    format!("{} {unit}", grouped(as_mm(distance) / mm(unit)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(values: &[(i64, f64)]) -> Vec<WearPoint> {
        values.iter().map(|(km, value)| WearPoint { part_distance: Distance::from_mm(km * 1_000_000), value: *value, on: None }).collect()
    }
    fn ask(values: &[(i64, f64)], limit: f64, toward: Toward, new_value: Option<f64>) -> Result<Forecast, String> {
        forecast(&Wear { points: &points(values), limit, toward, new_value, unit: Unit::Mm, distance_unit: Unit::Km })
    }

    #[test]
    fn says_how_it_came_to_the_distance() {
        let found = ask(&[(0, 5.0), (5000, 4.2), (11000, 3.1)], 1.0, Toward::Lower, None).unwrap();
        assert_eq!(
            found.because,
            [
                "Measured: 5 mm at 0 km, 4.2 mm at 5,000 km, 3.1 mm at 11,000 km.",
                "The least squares line loses 0.1731 mm in 1,000 km.",
                "It meets the limit 1 mm at 23,244 km of part distance; eight cases in ten lie between 21,282 km and 25,717 km.",
            ]
        );
    }

    #[test]
    fn tells_distances_in_miles_where_the_motorcycle_counts_miles() {
        let mile = Distance::from_mm(1_609_344_000);
        let points =
            [WearPoint { part_distance: Distance::ZERO, value: 5.0, on: None }, WearPoint { part_distance: mile, value: 4.0, on: None }];
        let wear = Wear { points: &points, limit: 3.0, toward: Toward::Lower, new_value: None, unit: Unit::Mm, distance_unit: Unit::Mi };
        let found = forecast(&wear).unwrap();
        assert_eq!(found.p50, mile + mile);
        assert!((found.per_1000 + 1.0).abs() < 1e-12, "a millimetre in 1,000 miles: {}", found.per_1000);
        assert!(found.because[0].contains("4 mm at 1,000 mi"), "{:?}", found.because);
    }

    #[test]
    fn says_why_there_is_none() {
        for (values, toward, new_value, word) in [
            (&[][..], Toward::Lower, Some(5.0), "no measured value"),
            (&[(6000, 4.0)], Toward::Lower, None, "one value alone"),
            (&[(0, 4.0)], Toward::Lower, Some(5.0), "same distance"),
            (&[(3000, 4.0), (3000, 3.9)], Toward::Lower, None, "same distance"),
            (&[(0, 0.1), (3000, 0.1), (7000, 0.1)], Toward::Upper, None, "do not change"),
            (&[(0, 4.0), (3000, 4.1)], Toward::Lower, None, "grow"),
            (&[(0, 4.0), (3000, 3.9)], Toward::Upper, None, "shrink"),
        ] {
            let why = ask(values, 1.0, toward, new_value).unwrap_err();
            assert!(why.contains(word), "{why}");
        }
    }

    #[test]
    fn a_new_value_is_left_out_where_two_values_were_measured() {
        let with = ask(&[(1000, 4.0), (3000, 3.0)], 1.0, Toward::Lower, Some(9.0)).unwrap();
        let without = ask(&[(1000, 4.0), (3000, 3.0)], 1.0, Toward::Lower, None).unwrap();
        assert_eq!(with, without);
        assert_eq!(with.p50, Distance::from_mm(7_000_000_000));
    }

    #[test]
    fn a_value_off_the_line_is_named_and_kept() {
        let mut values = points(&[(0, 5.0), (3000, 4.55), (6000, 4.02), (9000, 3.51), (12300, 4.1), (15000, 2.49), (18000, 2.03)]);
        values[4].on = Some(time::macros::date!(2026 - 05 - 02));
        let wear = Wear { points: &values, limit: 1.5, toward: Toward::Lower, new_value: None, unit: Unit::Mm, distance_unit: Unit::Km };
        let found = forecast(&wear).unwrap();
        assert_eq!(found.points, 7);
        let named = "2 May 2026 at 12,300 km, 4.1 mm, lies off the line; measure again.";
        assert!(found.because.iter().any(|sentence| sentence == named), "{:?}", found.because);
        let without: Vec<_> = values.iter().copied().filter(|point| point.on.is_none()).collect();
        let straight = forecast(&Wear { points: &without, ..wear }).unwrap();
        assert_ne!(straight.p50, found.p50, "the forecast rests on it too");
        assert!(straight.because.iter().all(|sentence| !sentence.contains("off the line")), "{:?}", straight.because);
    }

    #[test]
    fn a_limit_already_passed_is_said_so_and_never_lies_below_zero() {
        let found = ask(&[(1000, 0.9), (3000, 0.8)], 1.5, Toward::Lower, None).unwrap();
        assert_eq!(found.p50, Distance::ZERO);
        assert!(found.because.last().unwrap().contains("already passed"));
    }

    #[test]
    fn the_order_of_the_values_does_not_matter() {
        let forward = ask(&[(0, 5.0), (5000, 4.2), (11000, 3.1)], 1.0, Toward::Lower, None).unwrap();
        let mixed = ask(&[(11000, 3.1), (0, 5.0), (5000, 4.2)], 1.0, Toward::Lower, None).unwrap();
        assert_eq!((forward.p50, forward.because), (mixed.p50, mixed.because));
    }

    #[test]
    fn the_bound_follows_from_the_limit_then_from_the_quantity_then_from_the_values() {
        let (shrinking, growing) = (points(&[(0, 9.0), (1000, 8.9)]), points(&[(0, 9.0), (1000, 9.1)]));
        for (quantity, lower, upper, values, wanted) in [
            (Measurand::Thickness, Some(4.5), None, &growing, Some((4.5, Toward::Lower))),
            (Measurand::Deflection, Some(8.0), Some(10.0), &shrinking, Some((10.0, Toward::Upper))),
            (Measurand::Thickness, Some(8.0), Some(10.0), &growing, Some((8.0, Toward::Lower))),
            (Measurand::Diameter, Some(8.0), Some(10.0), &growing, Some((10.0, Toward::Upper))),
            (Measurand::Diameter, Some(8.0), Some(10.0), &shrinking, Some((8.0, Toward::Lower))),
            (Measurand::Diameter, Some(8.0), Some(10.0), &Vec::new(), None),
            (Measurand::Length, Some(40.0), None, &shrinking, Some((40.0, Toward::Lower))),
            (Measurand::Pressure, Some(36.0), None, &shrinking, None),
            (Measurand::Thickness, None, None, &shrinking, None),
        ] {
            assert_eq!(bound(quantity, lower, upper, values), wanted, "{quantity} {lower:?} {upper:?}");
        }
    }
}
