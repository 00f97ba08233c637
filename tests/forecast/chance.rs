//! Chance with a fixed seed, written out so that the same seed gives the same histories whatever a library does.

/// A stream of random numbers (`SplitMix64`).
pub struct Chance(u64);

impl Chance {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }
    /// Uniform in (0, 1).
    #[expect(clippy::cast_precision_loss, reason = "53 bits fit")]
    pub fn unit(&mut self) -> f64 {
        ((self.next() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }
    /// A whole number from `low` up to and including `high`.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss, reason = "small counts")]
    pub fn whole(&mut self, low: usize, high: usize) -> usize {
        self.between(low as f64, high as f64 + 1.0) as usize
    }
    pub fn happens(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }
    pub fn normal(&mut self) -> f64 {
        (-2.0 * self.unit().ln()).sqrt() * (std::f64::consts::TAU * self.unit()).cos()
    }
    /// Log-normal with that median and that standard deviation of the logarithm.
    pub fn log_normal(&mut self, median: f64, sigma: f64) -> f64 {
        median * (sigma * self.normal()).exp()
    }
    /// Weibull with that scale and shape.
    pub fn weibull(&mut self, scale: f64, shape: f64) -> f64 {
        scale * (-self.unit().ln()).powf(1.0 / shape)
    }
    /// Gamma with that mean and shape (Marsaglia and Tsang, 2000).
    pub fn gamma(&mut self, mean: f64, shape: f64) -> f64 {
        if shape < 1.0 {
            let boost = self.unit().powf(1.0 / shape);
            return self.gamma(mean * (shape + 1.0) / shape, shape + 1.0) * boost;
        }
        let d = shape - 1.0 / 3.0;
        let c = 1.0 / (9.0 * d).sqrt();
        loop {
            let x = self.normal();
            let v = (1.0 + c * x).powi(3);
            if v > 0.0 && self.unit().ln() < 0.5 * x * x + d - d * v + d * v.ln() {
                return mean / shape * d * v;
            }
        }
    }
}
