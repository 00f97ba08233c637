//! The probability that a true value conforms to its limits (JCGM 106:2012).
//!
//! The value is taken as normally distributed with the standard uncertainty U ÷ 2 (coverage factor 2). The verdict itself is decided
//! in [`limit`](super::limit); the probability stands beside it.
use super::{
    line::normal_cdf,
    quantity::{Figure, Unit},
    verdict::decide,
    words::Verdict,
};

/// A measured value and what it has to conform to, all in one unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conformity {
    /// The measured value.
    pub value: f64,
    /// Expanded uncertainty U, 0 or more.
    pub uncertainty: f64,
    /// The least that is allowed.
    pub lower: Option<f64>,
    /// The most that is allowed.
    pub upper: Option<f64>,
}

impl Conformity {
    /// The probability that the true value is within the limits: 0 to 1. Without uncertainty it is 0 or 1; then a value on a limit
    /// is within it, to 1 part in 10⁹.
    #[must_use]
    pub fn probability(&self) -> f64 {
        if self.uncertainty <= 0.0 {
            let below = |least: f64, most: f64| least <= most + 1e-9 * least.abs().max(most.abs());
            let within = self.lower.is_none_or(|lower| below(lower, self.value)) && self.upper.is_none_or(|upper| below(self.value, upper));
            return if within { 1.0 } else { 0.0 };
        }
        let standard = self.uncertainty / 2.0;
        let low = self.lower.map_or(f64::NEG_INFINITY, |lower| (lower - self.value) / standard);
        let high = self.upper.map_or(f64::INFINITY, |upper| (upper - self.value) / standard);
        // In the upper tail both shares are near 1 and their difference loses its digits: there the mirrored tail is taken.
        let probability = if low > 0.0 { normal_cdf(-low) - normal_cdf(-high) } else { normal_cdf(high) - normal_cdf(low) };
        probability.clamp(0.0, 1.0)
    }
    /// The widest step of a gauge that would decide, if it showed the same: its uncertainty is half the step, so the step is twice the
    /// distance from the value to the nearest limit, rounded down to 1, 2 or 5 times a power of ten. `None` without a limit, and for
    /// a value on a limit: there any uncertainty straddles it.
    #[must_use]
    pub fn deciding_step(&self) -> Option<f64> {
        let bounds = [self.lower, self.upper].into_iter().flatten();
        let distance = bounds.map(|bound| (self.value - bound).abs()).fold(f64::INFINITY, f64::min);
        let scale = [Some(self.value), self.lower, self.upper].into_iter().flatten().map(f64::abs).fold(0.0, f64::max);
        if !distance.is_finite() || distance <= 1e-9 * scale {
            return None;
        }
        let without = Self { uncertainty: 0.0, ..*self };
        // A value that reaches up to the limit from outside is not outside yet: there the step has to be smaller.
        let (most, rounding) = (2.0 * distance, 2e-9 * scale);
        let fits = |step: f64| if without.probability() > 0.5 { step <= most + rounding } else { step < most - rounding };
        let ten = most.log10().floor();
        let steps = [1.0, 0.0, -1.0].into_iter().flat_map(|power| [5.0, 2.0, 1.0].map(|factor| factor * 10_f64.powf(ten + power)));
        steps.into_iter().find(|step| fits(*step))
    }
    /// What would decide a value that is too close to call, in a sentence. Where U was stated, a gauge's step may not be all there is to it.
    #[must_use]
    pub fn what_decides(&self, unit: Unit, stated: bool) -> String {
        let only = if stated { ", if its step is all the uncertainty that is left" } else { "" };
        match self.deciding_step() {
            Some(step) => format!("Measure again with a finer gauge: {} {unit} would decide{only}.", plain(step)),
            None => "The value lies on the limit: measure again with a finer gauge, and see on which side it lies.".into(),
        }
    }
    /// The probability in words, as guidance beside a verdict; `None` without an uncertainty or without a limit.
    #[must_use]
    pub fn guidance(&self) -> Option<String> {
        if self.uncertainty <= 0.0 || (self.lower, self.upper) == (None, None) {
            return None;
        }
        let percent = self.probability() * 100.0;
        Some(match percent {
            over if over > 99.9 => "over 99.9 % likely to conform".into(),
            under if under < 0.1 => "under 0.1 % likely to conform".into(),
            _ => format!("{} % likely to conform", Figure::rounded(percent, 1)),
        })
    }
    /// The arithmetic in sentences.
    #[must_use]
    pub fn because(&self, unit: Unit) -> Vec<String> {
        let amount = |value: f64| format!("{} {unit}", Figure::rounded(value, 6));
        let range = match (self.lower, self.upper) {
            (None, None) => return vec!["There is neither a lower nor an upper limit, so there is nothing to conform to.".into()],
            (Some(lower), None) => format!("at least {}", amount(lower)),
            (None, Some(upper)) => format!("at most {}", amount(upper)),
            (Some(lower), Some(upper)) => format!("between {} and {}", amount(lower), amount(upper)),
        };
        let value = amount(self.value);
        if self.uncertainty <= 0.0 {
            let word = if self.probability() > 0.5 { "is" } else { "is not" };
            return vec![format!("The value {value} {word} {range}; without an uncertainty that is certain.")];
        }
        let (least, most) = (amount(self.value - self.uncertainty), amount(self.value + self.uncertainty));
        let percent = Figure::rounded(self.probability() * 100.0, 2);
        let verdict = decide(self.value, self.uncertainty, self.lower, self.upper);
        let deciding =
            (verdict == Verdict::TooCloseToCall).then(|| format!("That is too close to call. {}", self.what_decides(unit, true)));
        let told = [
            format!(
                "Measured {value} with U = {}: the true value lies between {least} and {most} in 95 cases of 100.",
                amount(self.uncertainty)
            ),
            format!(
                "It has to be {range}. With a normal distribution about {value} and the standard uncertainty U ÷ 2 = {}, it is so with a probability of {percent} % (JCGM 106).",
                amount(self.uncertainty / 2.0)
            ),
        ];
        told.into_iter().chain(deciding).collect()
    }
}

/// A step as people write it: with as many digits as it needs, however small.
fn plain(step: f64) -> Figure {
    let decimals = (0..12).find(|decimals| step * 10_f64.powi(*decimals) >= 0.999).unwrap_or(12);
    Figure::rounded(step, usize::try_from(decimals).unwrap_or(12))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(value: f64, uncertainty: f64, lower: Option<f64>, upper: Option<f64>) -> Conformity {
        Conformity { value, uncertainty, lower, upper }
    }

    #[test]
    fn without_uncertainty_it_is_certain() {
        for (value, wanted) in [(1.0, 1.0), (1.5, 1.0), (1.2, 1.0), (0.99, 0.0), (1.51, 0.0), (0.1 + 0.9, 1.0)] {
            assert!((of(value, 0.0, Some(1.0), Some(1.5)).probability() - wanted).abs() < f64::EPSILON, "{value}");
        }
        assert!((of(0.1 + 0.2, 0.0, None, Some(0.3)).probability() - 1.0).abs() < f64::EPSILON, "on the limit but for rounding");
    }

    #[test]
    fn far_tails_keep_their_digits_and_mirror_each_other() {
        let (below, above) = (of(0.0, 2.0, Some(6.0), Some(7.0)).probability(), of(0.0, 2.0, Some(-7.0), Some(-6.0)).probability());
        assert!((below / above - 1.0).abs() < 1e-9 && below > 0.0, "{below} {above}");
    }

    #[test]
    fn the_widest_step_that_decides_is_1_2_or_5_times_a_power_of_ten() {
        for (value, lower, upper, wanted) in [
            (4.91, Some(4.9), None, Some(0.02)),
            (4.92, Some(4.9), None, Some(0.02)),
            (4.925, Some(4.9), None, Some(0.05)),
            (1.52, Some(1.0), Some(1.5), Some(0.02)),
            (1.51, Some(1.0), Some(1.5), Some(0.01)),
            (1.45, Some(1.0), Some(1.5), Some(0.1)),
            (36.0, Some(33.0), None, Some(5.0)),
            (1.5, Some(1.0), Some(1.5), None),
            (1.2, None, None, None),
        ] {
            let found = of(value, 0.2, lower, upper).deciding_step();
            let same = match (found, wanted) {
                (Some(found), Some(wanted)) => (found / wanted - 1.0_f64).abs() < 1e-12,
                (found, wanted) => found == wanted,
            };
            assert!(same, "{value} {lower:?} {upper:?}: {found:?}");
            if let Some(step) = found {
                assert_ne!(decide(value, step / 2.0, lower, upper), Verdict::TooCloseToCall, "{value}");
                assert_eq!(decide(value, 1.26 * step, lower, upper), Verdict::TooCloseToCall, "{value}: half a next step");
            }
        }
        assert_eq!(of(4.91, 0.2, Some(4.9), None).what_decides(Unit::Mm, false), "Measure again with a finer gauge: 0.02 mm would decide.");
        let stated = of(4.91, 0.2, Some(4.9), None).what_decides(Unit::Mm, true);
        assert_eq!(stated, "Measure again with a finer gauge: 0.02 mm would decide, if its step is all the uncertainty that is left.");
        assert!(of(4.9, 0.2, Some(4.9), None).what_decides(Unit::Mm, false).contains("lies on the limit"));
        assert_eq!(plain(0.0005).to_string(), "0.0005");
        assert_eq!(plain(20.0).to_string(), "20");
    }

    #[test]
    fn guidance_stands_where_there_is_doubt_to_tell() {
        assert_eq!(of(4.92, 0.025, Some(4.9), None).guidance().unwrap(), "94.5 % likely to conform");
        assert_eq!(of(9.0, 0.025, Some(4.9), None).guidance().unwrap(), "over 99.9 % likely to conform");
        assert_eq!(of(4.0, 0.025, Some(4.9), None).guidance().unwrap(), "under 0.1 % likely to conform");
        assert_eq!((of(4.0, 0.0, Some(4.9), None).guidance(), of(4.0, 0.1, None, None).guidance()), (None, None));
    }

    #[test]
    fn says_how_it_came_to_the_probability() {
        let because = of(4.92, 0.025, Some(4.9), None).because(Unit::Mm);
        assert!(because[0].contains("U = 0.025 mm") && because[0].contains("between 4.895 mm and 4.945 mm"), "{because:?}");
        assert!(because[1].contains("at least 4.9 mm") && because[1].contains("94.52 %"), "{because:?}");
        let decides = "Measure again with a finer gauge: 0.02 mm would decide, if its step is all the uncertainty that is left.";
        assert_eq!(because[2], format!("That is too close to call. {decides}"));
        assert_eq!(of(4.95, 0.025, Some(4.9), None).because(Unit::Mm).len(), 2, "decided");
        assert!(of(4.8, 0.0, Some(4.9), Some(5.2)).because(Unit::Mm)[0].contains("is not between 4.9 mm and 5.2 mm"));
        assert!(of(4.8, 0.0, None, None).because(Unit::Mm)[0].contains("neither"));
    }
}
