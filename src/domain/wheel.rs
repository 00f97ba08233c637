//! The wheel on the stand: static balance, runout and alignment.
//!
//! Angles are degrees from a mark on the wheel, counted in the direction in which they were read; answers lie in [0, 360).
use std::f64::consts::TAU;

use serde::{Deserialize, Serialize};

use super::{line::number, words::words};

/// A weight on the wheel, or an unbalance as the weight that would cause it. Material taken off counts negative.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weight {
    /// Mass, in any one unit.
    pub mass: f64,
    /// Distance from the axle, in any one unit.
    pub radius: f64,
    /// Angle in degrees.
    pub at_deg: f64,
}

/// Mass times radius, and where.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unbalance {
    /// Mass × radius, in the units of the weights; 0 for a balanced wheel.
    pub moment: f64,
    /// The heavy spot, in degrees; `None` for a balanced wheel.
    pub at_deg: Option<f64>,
}

impl Unbalance {
    /// The vector sum of the weights. What rounding leaves of weights that cancel counts as nothing.
    #[must_use]
    pub fn of(weights: &[Weight]) -> Self {
        let (mut x, mut y, mut size) = (0.0, 0.0, 0.0);
        for weight in weights {
            let moment = weight.mass * weight.radius;
            let (sin, cos) = sin_cos_deg(weight.at_deg);
            x += moment * cos;
            y += moment * sin;
            size += moment.abs();
        }
        let moment = f64::hypot(x, y);
        if moment <= 1e-12 * size { Self { moment: 0.0, at_deg: None } } else { Self { moment, at_deg: Some(turn(y.atan2(x))) } }
    }
    /// The weight that balances it at a radius, opposite the heavy spot; `None` where there is nothing to balance.
    #[must_use]
    pub fn correction(&self, radius: f64) -> Option<Weight> {
        self.at_deg.map(|heavy| Weight { mass: self.moment / radius, radius, at_deg: degrees(heavy + 180.0) })
    }
}

/// Why a weight cannot be split over two angles.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoSplit {
    /// The two angles are one.
    SameAngle,
    /// They are opposite each other, and the weight is at neither.
    Opposite,
    /// The weight's angle does not lie between them: one mass would have to be negative.
    NotBetween,
}

impl Weight {
    /// The two weights at the same radius, at two given angles, that do what this one does.
    ///
    /// # Errors
    /// Why no two positive masses do.
    pub fn split(&self, angles_deg: [f64; 2]) -> Result<[Self; 2], NoSplit> {
        let [first, second] = angles_deg.map(degrees);
        let (sin, cos) = sin_cos_deg(second - first);
        let flat = sin.abs() < 1e-9;
        if flat && cos > 0.0 {
            return Err(NoSplit::SameAngle);
        }
        let to_second = sin_cos_deg(second - self.at_deg);
        let to_first = sin_cos_deg(first - self.at_deg);
        let masses = if flat {
            // Opposite angles balance only a weight that is at one of them.
            match [to_first, to_second].map(|(sin, cos)| sin.abs() < 1e-9 && cos > 0.0) {
                [true, _] => [self.mass, 0.0],
                [_, true] => [0.0, self.mass],
                _ => return Err(NoSplit::Opposite),
            }
        } else {
            [self.mass * to_second.0 / sin, self.mass * -to_first.0 / sin]
        };
        // A weight exactly at one of the angles leaves rounding, not a mass, at the other.
        let least = -1e-9 * self.mass.abs();
        if masses.iter().any(|mass| *mass < least) {
            return Err(NoSplit::NotBetween);
        }
        let at = |mass: f64, at_deg| Self { mass: if mass < -least { 0.0 } else { mass }, radius: self.radius, at_deg };
        Ok([at(masses[0], first), at(masses[1], second)])
    }
    /// The masses on the left and the right rim that do what this one does in its plane: in inverse ratio of the distances (`lever`)
    /// from that plane, each at its own radius. Equal levers and radii give half each.
    #[must_use]
    pub fn over_rims(&self, lever_left: f64, lever_right: f64, radius_left: f64, radius_right: f64) -> (f64, f64) {
        let share = self.mass * self.radius / (lever_left + lever_right);
        (share * lever_right / radius_left, share * lever_left / radius_right)
    }
}

/// Permissible residual unbalance in g·mm of a wheel of `mass_kg` at `rpm` revolutions a minute for a balance quality grade
/// (G 40 for car wheels, finer for faster things): 1000 · G · m ÷ ω (ISO 21940-11). Guidance, not a limit.
#[must_use]
pub fn permissible_residual(grade: f64, mass_kg: f64, rpm: f64) -> f64 {
    1000.0 * grade * mass_kg / (TAU * rpm / 60.0)
}

/// Revolutions a minute of a wheel at a road speed in km/h with a rolling circumference in metres.
#[must_use]
pub fn revolutions(km_per_hour: f64, circumference_m: f64) -> f64 {
    km_per_hour * 1000.0 / 60.0 / circumference_m
}

/// What readings once around the wheel say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Runout {
    /// The highest reading less the lowest: total indicated reading.
    pub total_indicated: f64,
    /// The mean reading.
    pub mean: f64,
    /// Amplitude of the first harmonic: off center (read radially) or tilted (read sideways).
    pub amplitude: f64,
    /// Where the first harmonic is high, in degrees; `None` without one.
    pub high_at_deg: Option<f64>,
    /// Total indicated reading of what is left without mean and first harmonic: oval, bent or dented.
    pub remainder: f64,
}

impl Runout {
    /// Works them out from readings at equally spaced angles, the first at 0 degrees; `None` for fewer than three. What rounding
    /// leaves of a figure counts as nothing.
    #[must_use]
    pub fn of(readings: &[f64]) -> Option<Self> {
        if readings.len() < 3 {
            return None;
        }
        let count = number(readings.len());
        let mean = readings.iter().sum::<f64>() / count;
        let around = |place: usize| (TAU * number(place) / count).sin_cos();
        let (mut cosine, mut sine) = (0.0, 0.0);
        for (place, reading) in readings.iter().enumerate() {
            let (sin, cos) = around(place);
            cosine += (reading - mean) * cos * 2.0 / count;
            sine += (reading - mean) * sin * 2.0 / count;
        }
        let rest: Vec<_> = readings
            .iter()
            .enumerate()
            .map(|(place, reading)| {
                let (sin, cos) = around(place);
                reading - mean - cosine * cos - sine * sin
            })
            .collect();
        let noise = 1e-13 * count * readings.iter().map(|reading| reading.abs()).fold(0.0, f64::max);
        let real = |figure: f64| if figure <= noise { 0.0 } else { figure };
        let amplitude = real(f64::hypot(cosine, sine));
        Some(Self {
            total_indicated: range(readings),
            mean,
            amplitude,
            high_at_deg: (amplitude > 0.0).then(|| turn(sine.atan2(cosine))),
            remainder: real(range(&rest)),
        })
    }
}

/// What makes a wheel or disc run out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Blame {
    /// It runs true.
    Nothing,
    /// How it is mounted: off center, or tilted.
    Mounting,
    /// Its own shape: warped, bent, oval or dented.
    Shape,
    /// Neither alone.
    Both,
}
impl Runout {
    /// What to blame: the larger share, where it is more than twice the other (common practice, no source). The first harmonic's share of
    /// the total is twice its amplitude.
    #[must_use]
    pub fn blame(&self) -> Blame {
        let mounting = 2.0 * self.amplitude;
        if self.total_indicated <= 0.0 {
            Blame::Nothing
        } else if mounting > 2.0 * self.remainder {
            Blame::Mounting
        } else if self.remainder > 2.0 * mounting {
            Blame::Shape
        } else {
            Blame::Both
        }
    }
}

words! {
    /// The side of the motorcycle, or of a rim, in the direction of travel.
    Side { Left => "left", Right => "right", }
}

/// How the rear axle sits, from its distances to the swingarm pivot.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AxleAlignment {
    /// The longer distance less the shorter.
    pub difference: f64,
    /// The side on which the axle sits further back; `None` where both are equal.
    pub back: Option<Side>,
}

/// How the axle sits, from the distances between swingarm pivot and axle on the left and on the right, in one unit.
#[must_use]
pub fn axle_alignment(left: f64, right: f64) -> AxleAlignment {
    let difference = (left - right).abs();
    // Comparisons tolerate 1 part in 10⁹.
    let back = if difference <= 1e-9 * left.abs().max(right.abs()) {
        None
    } else if left > right {
        Some(Side::Left)
    } else {
        Some(Side::Right)
    };
    AxleAlignment { difference, back }
}

/// A belt's or chain's deflection around one turn of the wheel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tightest {
    /// The place in the list of the tightest reading, the first where several are equal; there it is to be adjusted.
    pub place: usize,
    /// The deflection there.
    pub deflection: f64,
    /// The largest deflection less the smallest.
    pub variation: f64,
}

/// The tightest place of a belt or chain: where it deflects least. `None` without readings.
#[must_use]
pub fn tightest(deflections: &[f64]) -> Option<Tightest> {
    // `min_by` returns the first of several equal ones.
    let (place, deflection) = deflections.iter().copied().enumerate().min_by(|(_, one), (_, other)| one.total_cmp(other))?;
    Some(Tightest { place, deflection, variation: range(deflections) })
}

fn range(values: &[f64]) -> f64 {
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    high - values.iter().copied().fold(f64::INFINITY, f64::min)
}

/// An angle in degrees brought into [0, 360).
#[must_use]
pub fn degrees(angle: f64) -> f64 {
    let angle = angle.rem_euclid(360.0);
    // The remainder of a tiny negative angle rounds up to the full turn.
    if angle >= 360.0 { 0.0 } else { angle }
}

fn turn(radians: f64) -> f64 {
    degrees(radians.to_degrees())
}

/// Sine and cosine of an angle in degrees, exact at the quarter turns.
fn sin_cos_deg(angle: f64) -> (f64, f64) {
    let angle = degrees(angle);
    let quarter = (angle / 90.0).round();
    let (sin, cos) = (angle - quarter * 90.0).to_radians().sin_cos();
    match quarter.rem_euclid(4.0) {
        1.0 => (cos, -sin),
        2.0 => (-sin, -cos),
        3.0 => (-cos, sin),
        _ => (sin, cos),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_axle_sits_back_on_the_side_that_measures_longer() {
        let found = axle_alignment(571.5, 570.0);
        assert_eq!((found.difference, found.back), (1.5, Some(Side::Left)));
        assert_eq!(axle_alignment(570.0, 571.5).back, Some(Side::Right));
        assert_eq!(axle_alignment(0.1 + 0.2, 0.3).back, None, "equal but for rounding");
    }

    #[test]
    fn the_larger_share_of_a_runout_is_to_blame() {
        let around = |mounting: f64, shape: f64| {
            let angles = (0..8).map(|place| f64::from(place) * TAU / 8.0);
            let readings: Vec<_> = angles.map(|at| mounting * at.cos() + shape * (2.0 * at).cos()).collect();
            Runout::of(&readings).unwrap().blame()
        };
        assert_eq!(around(0.0, 0.0), Blame::Nothing);
        assert_eq!(around(0.1, 0.01), Blame::Mounting);
        assert_eq!(around(0.01, 0.1), Blame::Shape);
        assert_eq!(around(0.1, 0.1), Blame::Both);
    }

    #[test]
    fn the_tightest_place_is_where_it_deflects_least() {
        let found = tightest(&[11.0, 9.5, 12.0, 9.5]).unwrap();
        assert_eq!((found.place, found.deflection, found.variation), (1, 9.5, 2.5));
        assert_eq!(tightest(&[]), None);
    }

    #[test]
    fn a_weight_at_one_of_two_opposite_angles_goes_there() {
        let weight = Weight { mass: 10.0, radius: 215.0, at_deg: 220.0 };
        let grams = |angles| weight.split(angles).unwrap().map(|part| part.mass.to_string());
        assert_eq!(grams([40.0, 220.0]), ["0", "10"]);
        assert_eq!(grams([220.0, 40.0]), ["10", "0"]);
        assert_eq!(weight.split([130.0, 310.0]), Err(NoSplit::Opposite));
    }

    #[test]
    fn angles_never_reach_a_full_turn() {
        assert!(degrees(-1e-20).abs() < f64::EPSILON);
        assert!((degrees(-90.0) - 270.0).abs() < f64::EPSILON);
        assert!(degrees(720.0).abs() < f64::EPSILON);
        assert_eq!((sin_cos_deg(90.0), sin_cos_deg(180.0)), ((1.0, 0.0), (0.0, -1.0)));
        for angle in 0..720 {
            let (sin, cos) = sin_cos_deg(f64::from(angle));
            let radians = f64::from(angle).to_radians();
            assert!((sin - radians.sin()).abs() < 1e-14 && (cos - radians.cos()).abs() < 1e-14, "{angle}");
        }
    }
}
