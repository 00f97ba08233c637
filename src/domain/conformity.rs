//! The probability that a true value conforms to its limits (JCGM 106:2012).
//!
//! The value is taken as normally distributed with the standard uncertainty U ÷ 2 (coverage factor 2). The verdict itself is decided
//! in [`limit`](super::limit); the probability stands beside it.
use super::{
    line::normal_cdf,
    quantity::{Figure, Unit},
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
        vec![
            format!(
                "Measured {value} with U = {}: the true value lies between {least} and {most} in 95 cases of 100.",
                amount(self.uncertainty)
            ),
            format!(
                "It has to be {range}. With a normal distribution about {value} and the standard uncertainty U ÷ 2 = {}, it is so with a probability of {percent} % (JCGM 106).",
                amount(self.uncertainty / 2.0)
            ),
        ]
    }
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
    fn says_how_it_came_to_the_probability() {
        let because = of(4.92, 0.025, Some(4.9), None).because(Unit::Mm);
        assert!(because[0].contains("U = 0.025 mm") && because[0].contains("between 4.895 mm and 4.945 mm"), "{because:?}");
        assert!(because[1].contains("at least 4.9 mm") && because[1].contains("94.52 %"), "{because:?}");
        assert!(of(4.8, 0.0, Some(4.9), Some(5.2)).because(Unit::Mm)[0].contains("is not between 4.9 mm and 5.2 mm"));
        assert!(of(4.8, 0.0, None, None).because(Unit::Mm)[0].contains("neither"));
    }
}
