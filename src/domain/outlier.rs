//! Points that lie off the least squares line of the others.
//!
//! The externally studentized residual of each point against Student's t, two-sided at 99 % for all points together (Bonferroni);
//! R. D. Cook and S. Weisberg, Residuals and Influence in Regression, 1982, from memory.
use super::line::{Line, number, student_t_quantile};

/// With fewer points one that lies off cannot be told from the others.
const FEWEST: usize = 5;
/// The chance that anything is named where nothing lies off.
const CHANCE: f64 = 0.01;

/// The externally studentized residual of each point: how far it lies from the line, in standard deviations that are estimated
/// without it. Infinite where all other points lie exactly on a line and this one does not; `None` where a line needs the point.
#[must_use]
pub fn studentized(points: &[(f64, f64)], line: &Line) -> Vec<Option<f64>> {
    let count = number(points.len());
    let size = points.iter().map(|(_, y)| y.abs()).fold(0.0, f64::max);
    let squares = line.residual_sd.powi(2) * (count - 2.0);
    let one = |&(x, y): &(f64, f64)| {
        let residual = y - line.at(x);
        let free = 1.0 - 1.0 / count - (x - line.mean_x).powi(2) / line.spread;
        if points.len() < 4 || free <= 1e-9 {
            return None;
        }
        // What is no more than rounding is no distance from the line.
        if residual.abs() <= 1e-9 * size {
            return Some(0.0);
        }
        let others = squares - residual.powi(2) / free;
        let sd = if others <= 1e-12 * squares { 0.0 } else { (others / (count - 3.0)).sqrt() };
        Some(residual / (sd * free.sqrt()))
    };
    points.iter().map(one).collect()
}

/// The places of the points that lie off the line; none among fewer than five.
#[must_use]
pub fn outliers(points: &[(f64, f64)]) -> Vec<usize> {
    let Some(line) = Line::fit(points).filter(|line| line.count >= FEWEST) else { return Vec::new() };
    let most = student_t_quantile(1.0 - CHANCE / (2.0 * number(points.len())), points.len() - 3);
    let off = |residual: &Option<f64>| residual.is_some_and(|residual| residual.abs() > most);
    studentized(points, &line).iter().enumerate().filter(|(_, residual)| off(residual)).map(|(place, _)| place).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Points, their residuals, the places of those off the line.
    type Set = (&'static [(f64, f64)], &'static [f64], &'static [usize]);

    /// Computed with `SciPy` (linregress on all points, residuals scaled by the line fitted without each; t.ppf), three sets:
    /// one with a point off the line, one without, one with five points.
    #[test]
    fn the_residuals_are_those_of_a_reference_library() {
        let sets: [Set; 3] = [
            (
                &[(0.0, 5.0), (3000.0, 4.55), (6000.0, 4.02), (9000.0, 3.51), (12_300.0, 4.1), (15_000.0, 2.49), (18_000.0, 2.03)],
                &[
                    -0.135_295_573,
                    -0.099_579_551_2,
                    -0.250_553_222_4,
                    -0.359_349_332_6,
                    42.811_784_711_2,
                    -0.661_467_314_6,
                    -0.783_535_508_4,
                ],
                &[4],
            ),
            (
                &[(0.0, 5.0), (5000.0, 4.2), (11_000.0, 3.1), (14_000.0, 2.7), (20_000.0, 1.5)],
                &[-0.826_126_304_4, 0.421_749_770_4, -0.335_393_085_2, 2.687_230_645_8, -1.691_102_044_3],
                &[],
            ),
            (
                &[
                    (1000.0, 0.11),
                    (4000.0, 0.21),
                    (8000.0, 0.28),
                    (12_000.0, 0.42),
                    (16_000.0, 0.47),
                    (20_000.0, 0.62),
                    (24_000.0, 0.69),
                    (28_000.0, 0.8),
                ],
                &[
                    -0.544_148_329_6,
                    0.883_877_029_6,
                    -0.836_123_147_9,
                    1.342_654_386_2,
                    -1.655_142_522_5,
                    1.259_285_618_7,
                    -0.492_097_981_9,
                    0.009_172_719_4,
                ],
                &[],
            ),
        ];
        for (points, wanted, off) in sets {
            let found = studentized(points, &Line::fit(points).unwrap());
            for (found, wanted) in found.iter().zip(wanted) {
                let found = found.unwrap();
                assert!((found - wanted).abs() <= 1e-7 * wanted.abs().max(1.0), "{found} {wanted}");
            }
            assert_eq!(outliers(points), off);
        }
    }

    #[test]
    fn the_bound_is_that_of_a_reference_library() {
        for (count, wanted) in [(7, 7.841_378_779_2), (5, 22.327_124_770_1), (8, 6.541_441_597_8)] {
            let found = student_t_quantile(1.0 - CHANCE / (2.0 * number(count)), count - 3);
            assert!((found - wanted).abs() < 1e-6, "{count}: {found}");
        }
    }

    #[test]
    fn among_fewer_than_five_none_is_named_and_on_an_exact_line_the_only_one_off() {
        let four = [(0.0, 5.0), (1000.0, 4.0), (2000.0, 9.0), (3000.0, 2.0)];
        assert!(outliers(&four).is_empty());
        let five = [(0.0, 5.0), (1000.0, 4.9), (2000.0, 4.8), (3000.0, 4.7), (4000.0, 4.6)];
        assert!(outliers(&five).is_empty(), "no more than rounding");
        let mut off = five.to_vec();
        off.push((2500.0, 4.2));
        assert_eq!(outliers(&off), [5]);
    }
}
