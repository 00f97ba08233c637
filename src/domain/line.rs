//! The least squares line, and where it meets a value (inverse prediction).
//!
//! Least squares as in the NIST/SEMATECH e-Handbook of Statistical Methods, 4.1.4; the band of the inverse prediction is Fieller's.
use statrs::{
    distribution::{ContinuousCDF, StudentsT},
    function::erf::{erfc, erfc_inv},
};

/// A straight line fitted to points by least squares.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// How many points it was fitted to.
    pub count: usize,
    /// The mean of the points' x.
    pub mean_x: f64,
    /// The mean of the points' y.
    pub mean_y: f64,
    /// The change of y per unit of x.
    pub slope: f64,
    /// The sum of the squares of x − mean x.
    pub spread: f64,
    /// The standard deviation of the points about the line, with count − 2 degrees of freedom; 0 for two points.
    pub residual_sd: f64,
}

impl Line {
    /// Fits the line; `None` for fewer than two points, or where all have the same x.
    #[must_use]
    pub fn fit(points: &[(f64, f64)]) -> Option<Self> {
        if points.len() < 2 {
            return None;
        }
        let count = number(points.len());
        let mean_x = points.iter().map(|(x, _)| x).sum::<f64>() / count;
        let mean_y = points.iter().map(|(_, y)| y).sum::<f64>() / count;
        let spread: f64 = points.iter().map(|(x, _)| (x - mean_x).powi(2)).sum();
        // Equal x need not have exactly their own mean in f64: what is left of the subtraction is no spread.
        let largest = points.iter().map(|(x, _)| x.abs()).fold(0.0, f64::max);
        if spread.is_nan() || spread <= count * (1e-12 * largest).powi(2) {
            return None;
        }
        let slope = points.iter().map(|(x, y)| (x - mean_x) * (y - mean_y)).sum::<f64>() / spread;
        let squares: f64 = points.iter().map(|(x, y)| (y - mean_y - slope * (x - mean_x)).powi(2)).sum();
        let residual_sd = if points.len() > 2 { (squares / (count - 2.0)).sqrt() } else { 0.0 };
        Some(Self { count: points.len(), mean_x, mean_y, slope, spread, residual_sd })
    }
    /// The line's y at x = 0.
    #[must_use]
    pub fn intercept(&self) -> f64 {
        self.at(0.0)
    }
    /// The line's y at an x.
    #[must_use]
    pub fn at(&self, x: f64) -> f64 {
        self.mean_y + self.slope * (x - self.mean_x)
    }
    /// Count − 2.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> usize {
        self.count.saturating_sub(2)
    }
    /// The x at which the line meets a y; `None` for a level line.
    #[must_use]
    pub fn meets(&self, y: f64) -> Option<f64> {
        let x = self.mean_x + (y - self.mean_y) / self.slope;
        x.is_finite().then_some(x)
    }
    /// The band of x in which the line meets a y (Fieller's interval), from the `1 − p` quantile to the `p` quantile: 0.9 gives the
    /// 10–90 band.
    /// With `further` it is the band in which one further point of that y would lie, which is wider.
    ///
    /// `None` with fewer than three points, and where the slope cannot be told apart from zero at this level: then the band has no
    /// ends.
    #[must_use]
    pub fn band(&self, y: f64, p: f64, further: bool) -> Option<(f64, f64)> {
        if self.degrees_of_freedom() == 0 {
            return None;
        }
        let reach = student_t_quantile(p, self.degrees_of_freedom()) * self.residual_sd;
        let certain = self.slope.powi(2) - reach.powi(2) / self.spread;
        if certain.is_nan() || certain <= 0.0 {
            return None;
        }
        let away = y - self.mean_y;
        let share = if further { 1.0 } else { 0.0 } + 1.0 / number(self.count);
        let half = reach * (share * certain + away.powi(2) / self.spread).sqrt() / certain;
        let middle = self.mean_x + self.slope * away / certain;
        let (low, high) = (middle - half, middle + half);
        (low.is_finite() && high.is_finite()).then_some((low, high))
    }
}

#[expect(clippy::cast_precision_loss, reason = "counts of points are far below 2^53")]
pub(crate) fn number(count: usize) -> f64 {
    count as f64
}

/// The quantile of Student's t distribution: the value below which the share `p` (0 to 1, both excluded) lies. Not a number without
/// a degree of freedom, or for another `p`.
#[must_use]
pub fn student_t_quantile(p: f64, degrees_of_freedom: usize) -> f64 {
    let freedom = number(degrees_of_freedom);
    if !(p > 0.0 && p < 1.0) {
        return f64::NAN;
    }
    if degrees_of_freedom < 500 {
        return StudentsT::new(0.0, 1.0, freedom).map_or(f64::NAN, |student| student.inverse_cdf(p));
    }
    // The search above takes ever longer with more degrees of freedom; from here on the expansion about the normal quantile
    // (Handbook of Mathematical Functions, NBS 1964, 26.7.5) is exact to 1 part in 10^11.
    let x = -std::f64::consts::SQRT_2 * erfc_inv(2.0 * p);
    let square = x * x;
    let terms = [
        x * (square + 1.0) / 4.0,
        x * ((5.0 * square + 16.0) * square + 3.0) / 96.0,
        x * (((3.0 * square + 19.0) * square + 17.0) * square - 15.0) / 384.0,
    ];
    x + terms.iter().rev().fold(0.0, |sum, term| (sum + term) / freedom)
}

/// The share of the standard normal distribution below `x`.
#[must_use]
pub fn normal_cdf(x: f64) -> f64 {
    0.5 * erfc(-x / std::f64::consts::SQRT_2)
}
