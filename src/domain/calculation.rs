//! Calculations that store nothing: what is asked, and the answer or what is wrong with the question.
//!
//! An impossible question is refused with a pointer (RFC 6901) to each field that makes it so. Where a possible question has no
//! answer, its figures are null and `because` says why.
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
    conformity::Conformity,
    quantity::{Distance, Figure, Kind, Quantity, Unit},
    wear::{Toward, Wear, WearPoint, forecast},
    wheel::{NoSplit, Runout, Side, Unbalance, Weight, degrees},
    words::Verdict,
};

#[cfg(test)]
mod tests;

/// What is wrong with a question, and where.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// An RFC 6901 pointer into the request.
    pub pointer: String,
    /// What is wrong and what to do, in a sentence.
    pub detail: String,
}

/// Collects what is wrong, so that one answer names all of it.
#[derive(Default)]
struct Problems(Vec<Problem>);

impl Problems {
    fn add(&mut self, pointer: impl Into<String>, detail: impl Into<String>) {
        self.0.push(Problem { pointer: pointer.into(), detail: detail.into() });
    }
    fn kind(&mut self, pointer: &str, quantity: &Quantity, kind: Kind) {
        if let Err(why) = quantity.unit.must_be(kind) {
            self.add(format!("{pointer}/unit"), why);
        }
    }
    /// A quantity of a kind that has to be more than 0.
    fn positive(&mut self, pointer: &str, quantity: &Quantity, kind: Kind) {
        self.kind(pointer, quantity, kind);
        if quantity.value.value() <= 0.0 {
            self.add(format!("{pointer}/value"), format!("{quantity} is not more than 0"));
        }
    }
    /// A quantity of a kind that may be 0 but not less.
    fn not_negative(&mut self, pointer: &str, quantity: &Quantity, kind: Kind) {
        self.kind(pointer, quantity, kind);
        if quantity.value.value() < 0.0 {
            self.add(format!("{pointer}/value"), format!("{quantity} is less than 0"));
        }
    }
    fn count(&mut self, pointer: &str, count: usize, least: usize, most: usize) {
        if !(least..=most).contains(&count) {
            self.add(pointer, format!("{count} entries; give {least} to {most}"));
        }
    }
    fn done(self) -> Result<(), Vec<Problem>> {
        if self.0.is_empty() { Ok(()) } else { Err(self.0) }
    }
}

/// A computed figure with 12 significant digits: more than any instrument, and free of the noise of the last places.
fn computed(value: f64) -> Figure {
    #[expect(clippy::cast_possible_truncation, reason = "the exponent of an f64 lies within ±324")]
    let exponent = if value == 0.0 { 0 } else { value.abs().log10().floor() as i32 };
    Figure::rounded(value, usize::try_from(11 - exponent).unwrap_or(0).min(30))
}
fn computed_quantity(value: f64, unit: Unit) -> Quantity {
    Quantity { value: computed(value), unit }
}
/// A computed angle in degrees, in [0, 360) also after rounding.
fn computed_angle(value: f64) -> Figure {
    let figure = Figure::rounded(degrees(value), 9);
    if figure.value() < 360.0 { figure } else { Figure::from(0) }
}

// Torque with an adapter

/// A torque through an adapter in line with the wrench; give `wanted` or `set`, not both.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"wanted": {"value": 110, "unit": "N.m"}, "wrench_length": {"value": 400, "unit": "mm"},
    "adapter_length": {"value": 50, "unit": "mm"}}))]
pub struct TorqueAdapterRequest {
    /// The torque that the fastener is to get.
    pub wanted: Option<Quantity>,
    /// What the wrench is set to.
    pub set: Option<Quantity>,
    /// The wrench, from the grip's center to the drive's.
    pub wrench_length: Quantity,
    /// The adapter, from the drive's center to the fastener's.
    pub adapter_length: Quantity,
}
/// What the wrench is set to for a wanted torque, or the torque that a setting gives.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct TorqueAdapterAnswer {
    /// What to set the wrench to; where `wanted` was given, in its unit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub set: Option<Quantity>,
    /// The torque at the fastener; where `set` was given, in its unit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub torque: Option<Quantity>,
}

/// An adapter so many times as long as the wrench is a slip of the pen (common practice, no source: adapters are shorter than the wrench).
const LONGEST_ADAPTER: f64 = 3.0;

/// Wrench setting = wanted torque × L ÷ (L + E), and back.
///
/// # Errors
/// What is wrong with the question.
pub fn torque_adapter(asked: &TorqueAdapterRequest) -> Result<TorqueAdapterAnswer, Vec<Problem>> {
    let mut problems = Problems::default();
    problems.positive("/wrench_length", &asked.wrench_length, Kind::Length);
    problems.not_negative("/adapter_length", &asked.adapter_length, Kind::Length);
    for (pointer, torque) in [("/wanted", &asked.wanted), ("/set", &asked.set)] {
        if let Some(torque) = torque {
            problems.positive(pointer, torque, Kind::Torque);
        }
    }
    match (&asked.wanted, &asked.set) {
        (None, None) => problems.add("/wanted", "give the torque wanted at the fastener, or in its place what the wrench is set to"),
        (Some(_), Some(_)) => problems.add("/set", "give either the wanted torque or the setting, not both"),
        _ => {}
    }
    if asked.adapter_length.si() > LONGEST_ADAPTER * asked.wrench_length.si() {
        problems.add("/adapter_length", "is far longer than the wrench; look at the figure and its unit");
    }
    problems.done()?;
    let wrench = asked.wrench_length.si();
    let share = wrench / (wrench + asked.adapter_length.si());
    let times = |torque: &Quantity, factor: f64| computed_quantity(torque.value.value() * factor, torque.unit);
    Ok(TorqueAdapterAnswer {
        set: asked.wanted.as_ref().map(|wanted| times(wanted, share)),
        torque: asked.set.as_ref().map(|set| times(set, 1.0 / share)),
    })
}

// Runout

/// Readings once around a wheel or disc.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"readings": [0.02, 0.05, 0.09, 0.12, 0.1, 0.07, 0.03, 0.0], "unit": "mm"}))]
pub struct RunoutRequest {
    /// The readings at equally spaced angles, the first at 0 degrees.
    #[schema(min_items = 3, max_items = 360)]
    pub readings: Vec<Figure>,
    /// Their unit, one of length.
    pub unit: Unit,
}
/// The first harmonic of a runout.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct FirstHarmonic {
    /// Its amplitude: half of what it adds to the total.
    pub amplitude: Quantity,
    /// Where it is high, in [0, 360); null where there is none.
    pub high_at_deg: Option<Figure>,
}
/// What the readings say.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct RunoutAnswer {
    /// The highest reading less the lowest.
    pub total_indicated: Quantity,
    /// Off center, where it was read radially; tilted, where it was read sideways.
    pub first_harmonic: FirstHarmonic,
    /// Total indicated reading of what is left when mean and first harmonic are taken off.
    pub remainder: Quantity,
    /// The arithmetic in sentences.
    pub because: Vec<String>,
}

/// Total indicated reading, first harmonic and the rest.
///
/// # Errors
/// What is wrong with the question.
pub fn runout(asked: &RunoutRequest) -> Result<RunoutAnswer, Vec<Problem>> {
    let mut problems = Problems::default();
    problems.count("/readings", asked.readings.len(), 3, 360);
    if let Err(why) = asked.unit.must_be(Kind::Length) {
        problems.add("/unit", why);
    }
    problems.done()?;
    let readings: Vec<_> = asked.readings.iter().map(Figure::value).collect();
    let Some(found) = Runout::of(&readings) else {
        return Err(vec![Problem { pointer: "/readings".into(), detail: "three readings are the least".into() }]);
    };
    let quantity = |value| computed_quantity(value, asked.unit);
    Ok(RunoutAnswer {
        total_indicated: quantity(found.total_indicated),
        first_harmonic: FirstHarmonic { amplitude: quantity(found.amplitude), high_at_deg: found.high_at_deg.map(computed_angle) },
        remainder: quantity(found.remainder),
        because: runout_because(&readings, &found, asked.unit),
    })
}

fn runout_because(readings: &[f64], found: &Runout, unit: Unit) -> Vec<String> {
    let amount = |value: f64| format!("{} {unit}", Figure::rounded(value, 4));
    let high = readings.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mut because = vec![format!(
        "{} readings: highest {} less lowest {} is a total indicated reading of {}.",
        readings.len(),
        amount(high),
        amount(high - found.total_indicated),
        amount(found.total_indicated)
    )];
    because.push(found.high_at_deg.map_or_else(
        || "There is no first harmonic: it runs centered and without tilt.".to_owned(),
        |at| {
            format!(
                "First harmonic {}, high at {} degrees: that much off center where it was read radially, or tilted where it was read sideways.",
                amount(found.amplitude),
                Figure::rounded(at, 1)
            )
        },
    ));
    because
        .push(format!("Without it and the mean, {} remain: that is shape (oval, bent or dented), not mounting.", amount(found.remainder)));
    if readings.len() < 8 {
        because.push(
            "With fewer than 8 readings, a bent place can pass for an off-center mounting; take 8 or more to tell them apart.".into(),
        );
    }
    because
}

// Balance

/// A weight that would cause the unbalance found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CausingWeight {
    /// Its mass; material taken off counts negative.
    pub mass: Quantity,
    /// Its angle in degrees from a mark on the wheel.
    pub at_deg: Figure,
    /// Its distance from the axle; null: the radius of the correction.
    pub radius: Option<Quantity>,
}
/// Where weights can be put on.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CorrectAt {
    /// The radius of the correction; null: that of the weights found.
    pub radius: Option<Quantity>,
    /// Two angles to split the correction over; null: one weight opposite the heavy spot.
    #[schema(min_items = 2, max_items = 2)]
    pub angles_deg: Option<Vec<Figure>>,
    /// 1, or 2 to put half on each rim; 1 unless said.
    #[schema(minimum = 1, maximum = 2)]
    pub rims: Option<u8>,
}
/// The unbalance of a wheel as found, and where weights can go.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"weights": [{"mass": {"value": 20, "unit": "g"}, "at_deg": 40, "radius": null}],
    "correct_at": {"radius": null, "angles_deg": [210, 250], "rims": 1}}))]
pub struct BalanceRequest {
    /// The unbalance as found, as weights that would cause it.
    #[schema(min_items = 1, max_items = 360)]
    pub weights: Vec<CausingWeight>,
    /// Where weights can go.
    pub correct_at: Option<CorrectAt>,
}
/// The sum of the unbalance.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct UnbalanceFound {
    /// The mass at the correction's radius that would cause it.
    pub mass: Quantity,
    /// The heavy spot, in [0, 360); null for a balanced wheel.
    pub at_deg: Option<Figure>,
}
/// A weight to put on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct CorrectionWeight {
    /// Its mass.
    pub mass: Quantity,
    /// Its angle, in [0, 360).
    pub at_deg: Figure,
    /// The rim it goes on; null with one.
    pub rim: Option<Side>,
}
/// The unbalance and the weights that balance it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct BalanceAnswer {
    /// The sum of what was found.
    pub unbalance: UnbalanceFound,
    /// The weights to put on; empty for a balanced wheel.
    pub correction: Vec<CorrectionWeight>,
}

/// Adds the unbalance up and gives the weights that balance it, in the unit of the first weight.
///
/// # Errors
/// What is wrong with the question, also two angles at which no positive masses can balance.
pub fn balance(asked: &BalanceRequest) -> Result<BalanceAnswer, Vec<Problem>> {
    let correct_at = asked.correct_at.clone().unwrap_or_default();
    let radius = checked_balance(asked, &correct_at)?;
    let weights: Vec<_> = asked
        .weights
        .iter()
        .map(|weight| Weight {
            mass: weight.mass.si(),
            radius: weight.radius.as_ref().map_or(radius, Quantity::si),
            at_deg: weight.at_deg.value(),
        })
        .collect();
    let unit = asked.weights.first().map_or(Unit::G, |weight| weight.mass.unit);
    let mass = |si: f64| computed_quantity(unit.from_si(si), unit);
    let sum = Unbalance::of(&weights);
    let parts = match (sum.correction(radius), correct_at.angles_deg.as_deref()) {
        (None, _) => Vec::new(),
        (Some(one), Some([first, second])) => one.split([first.value(), second.value()]).map_err(|why| vec![no_split(why, &one)])?.to_vec(),
        (Some(one), _) => vec![one],
    };
    let rims: &[Option<Side>] = if correct_at.rims == Some(2) { &[Some(Side::Left), Some(Side::Right)] } else { &[None] };
    let mut correction = Vec::new();
    for part in &parts {
        let share = if rims.len() == 2 { part.mass / 2.0 } else { part.mass };
        correction.extend(rims.iter().map(|rim| CorrectionWeight { mass: mass(share), at_deg: computed_angle(part.at_deg), rim: *rim }));
    }
    Ok(BalanceAnswer { unbalance: UnbalanceFound { mass: mass(sum.moment / radius), at_deg: sum.at_deg.map(computed_angle) }, correction })
}

/// Refuses an impossible question; gives the radius of the correction in metres (1 where no radius matters).
fn checked_balance(asked: &BalanceRequest, correct_at: &CorrectAt) -> Result<f64, Vec<Problem>> {
    let mut problems = Problems::default();
    problems.count("/weights", asked.weights.len(), 1, 360);
    for (place, weight) in asked.weights.iter().enumerate() {
        problems.kind(&format!("/weights/{place}/mass"), &weight.mass, Kind::Mass);
        if let Some(radius) = &weight.radius {
            problems.positive(&format!("/weights/{place}/radius"), radius, Kind::Length);
        }
    }
    if let Some(radius) = &correct_at.radius {
        problems.positive("/correct_at/radius", radius, Kind::Length);
    }
    if correct_at.angles_deg.as_ref().is_some_and(|angles| angles.len() != 2) {
        problems.add("/correct_at/angles_deg", "give two angles to split the weight over, or leave them out");
    }
    if !matches!(correct_at.rims, None | Some(1 | 2)) {
        problems.add("/correct_at/rims", "a wheel has 1 or 2 rims to put weights on");
    }
    let mut found = asked.weights.iter().filter_map(|weight| weight.radius.as_ref()).map(Quantity::si);
    let radius = correct_at.radius.as_ref().map(Quantity::si).or_else(|| found.next()).unwrap_or(1.0);
    if correct_at.radius.is_none() && found.any(|other| (other - radius).abs() > 1e-9 * radius.abs()) {
        problems.add("/correct_at/radius", "the weights are at different radii; say at which radius the correction goes on");
    }
    problems.done()?;
    Ok(radius)
}

fn no_split(why: NoSplit, one: &Weight) -> Problem {
    let at = Figure::rounded(one.at_deg, 1);
    let detail = match why {
        NoSplit::SameAngle => "both angles are the same; give two, or leave them out for one weight".to_owned(),
        NoSplit::Opposite => {
            format!("the angles are opposite each other, and no weights there pull toward {at} degrees; give two that have it between them")
        }
        NoSplit::NotBetween => {
            format!(
                "no positive weights at these angles balance the wheel: the correction belongs at {at} degrees; give two angles less than 180 degrees apart that have it between them"
            )
        }
    };
    Problem { pointer: "/correct_at/angles_deg".into(), detail }
}

// Wear

/// A measured value of a part at a part distance.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MeasuredPoint {
    /// What the part had run.
    pub part_distance: Quantity,
    /// The value.
    pub value: Figure,
}
/// Measured values of one part, and the limit that they approach.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"points": [{"part_distance": {"value": 0, "unit": "mi"}, "value": 7.9},
    {"part_distance": {"value": 2400, "unit": "mi"}, "value": 5.8}], "unit": "mm", "limit": 1.5, "new_value": null}))]
pub struct WearRequest {
    /// The measured values, in any order.
    #[schema(max_items = 10_000)]
    pub points: Vec<MeasuredPoint>,
    /// The unit of the values, the limit and the new value.
    pub unit: Unit,
    /// The limit: a lower one where the part starts above it, an upper one where it starts below.
    pub limit: Figure,
    /// The value of a new part, where it is known; used where one value alone was measured.
    pub new_value: Option<Figure>,
}
/// Percentiles of the part distance at which the limit is met.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct WearAt {
    /// Sooner in one case of ten; null with fewer than three values.
    pub p10: Option<Quantity>,
    /// Where the line meets the limit.
    pub p50: Quantity,
    /// Later in one case of ten; null with fewer than three values.
    pub p90: Option<Quantity>,
}
/// When the values meet the limit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct WearAnswer {
    /// The part distance, in the unit of the first point; null where nothing can be forecast.
    pub at: Option<WearAt>,
    /// The change of the value in 1,000 of that unit, negative where it shrinks; null where nothing can be forecast.
    pub per_1000: Option<Quantity>,
    /// How many measured values there are.
    pub points: usize,
    /// The arithmetic in sentences, or why there is no forecast.
    pub because: Vec<String>,
}

/// The part distance at which measured values meet a limit.
///
/// # Errors
/// What is wrong with the question; a question that has no answer is none of that.
pub fn wear(asked: &WearRequest) -> Result<WearAnswer, Vec<Problem>> {
    let mut problems = Problems::default();
    problems.count("/points", asked.points.len(), 0, 10_000);
    for (place, point) in asked.points.iter().enumerate() {
        problems.not_negative(&format!("/points/{place}/part_distance"), &point.part_distance, Kind::Distance);
    }
    problems.done()?;
    let distance = |point: &MeasuredPoint| Distance::from_quantity(&point.part_distance).unwrap_or_default();
    let points: Vec<_> =
        asked.points.iter().map(|point| WearPoint { part_distance: distance(point), value: point.value.value(), on: None }).collect();
    let (limit, new_value) = (asked.limit.value(), asked.new_value.as_ref().map(Figure::value));
    let distance_unit = asked.points.first().map_or(Unit::Km, |point| point.part_distance.unit);
    let toward = toward(&points, limit, new_value);
    let question = Wear { points: &points, limit, toward, new_value, unit: asked.unit, distance_unit };
    Ok(match forecast(&question) {
        Ok(found) => {
            let quantity = |distance: Distance| computed_quantity(unit_of(distance, distance_unit), distance_unit);
            WearAnswer {
                at: Some(WearAt { p10: found.p10.map(quantity), p50: quantity(found.p50), p90: found.p90.map(quantity) }),
                per_1000: Some(computed_quantity(found.per_1000, asked.unit)),
                points: points.len(),
                because: found.because,
            }
        }
        Err(why) => {
            let mut because = vec![format!("{why}.")];
            if new_value.is_none() && points.len() > 1 {
                because.push("Where the part was past the limit at its first value already, give the value of a new one.".into());
            }
            WearAnswer { at: None, per_1000: None, points: points.len(), because }
        }
    })
}

/// From which side the limit is approached: from where the part starts, new or at its least distance.
fn toward(points: &[WearPoint], limit: f64, new_value: Option<f64>) -> Toward {
    let first = points.iter().min_by_key(|point| point.part_distance).map(|point| point.value);
    let start = new_value.or(first).unwrap_or(limit);
    let last = points.iter().max_by_key(|point| point.part_distance).map_or(limit, |point| point.value);
    // A part that starts on its limit has left it on the side to which it wears.
    let above = if (start - limit).abs() > 1e-9 * limit.abs() { start > limit } else { last < limit };
    if above { Toward::Lower } else { Toward::Upper }
}

#[expect(clippy::cast_precision_loss, reason = "2^53 mm are nine billion kilometres")]
fn unit_of(distance: Distance, unit: Unit) -> f64 {
    distance.mm() as f64 / (unit.si_per_unit() * 1000.0)
}

// Conformity

/// A measured value with its uncertainty, and what it has to conform to.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"value": 4.92, "unit": "mm", "uncertainty": 0.025, "lower": 4.9, "upper": null}))]
pub struct ConformityRequest {
    /// The measured value.
    pub value: Figure,
    /// The unit of all figures.
    pub unit: Unit,
    /// Expanded uncertainty U, 0 or more; 0 unless said.
    pub uncertainty: Option<Figure>,
    /// The least that is allowed.
    pub lower: Option<Figure>,
    /// The most that is allowed.
    pub upper: Option<Figure>,
}
/// The verdict on a value and the probability that the true value conforms.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ConformityAnswer {
    /// How the value stands to the limits (ISO 14253-1); `no_limit` without one.
    pub verdict: Verdict,
    /// The probability that the true value conforms (JCGM 106, normal, standard uncertainty U/2); null without a limit.
    pub probability: Option<Figure>,
    /// The arithmetic in sentences.
    pub because: Vec<String>,
}

/// The verdict and the probability of conformity. `decide` is the decision rule for value, U, lower and upper limit.
///
/// # Errors
/// What is wrong with the question.
pub fn conformity(
    asked: &ConformityRequest,
    decide: impl FnOnce(f64, f64, Option<f64>, Option<f64>) -> Verdict,
) -> Result<ConformityAnswer, Vec<Problem>> {
    let question = Conformity {
        value: asked.value.value(),
        uncertainty: asked.uncertainty.as_ref().map_or(0.0, Figure::value),
        lower: asked.lower.as_ref().map(Figure::value),
        upper: asked.upper.as_ref().map(Figure::value),
    };
    let mut problems = Problems::default();
    if question.uncertainty < 0.0 {
        problems.add("/uncertainty", "an uncertainty is 0 or more");
    }
    if let (Some(lower), Some(upper)) = (question.lower, question.upper)
        && lower > upper
    {
        problems.add("/lower", format!("the lower limit {lower} lies above the upper limit {upper}; swap them"));
    }
    problems.done()?;
    let because = question.because(asked.unit);
    if (question.lower, question.upper) == (None, None) {
        return Ok(ConformityAnswer { verdict: Verdict::NoLimit, probability: None, because });
    }
    let verdict = decide(question.value, question.uncertainty, question.lower, question.upper);
    Ok(ConformityAnswer { verdict, probability: Some(computed(question.probability())), because })
}
