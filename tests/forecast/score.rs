//! Pinball loss and coverage, as `pinball.json` defines them.

/// The percentiles that a forecast names.
pub const LEVELS: [f64; 3] = [0.1, 0.5, 0.9];

/// Pinball loss of one forecast of one quantile.
pub fn pinball(level: f64, truth: f64, forecast: f64) -> f64 {
    if truth >= forecast { level * (truth - forecast) } else { (1.0 - level) * (forecast - truth) }
}
/// Its mean over the three percentiles.
pub fn mean_of_three(truth: f64, forecast: [f64; 3]) -> f64 {
    LEVELS.iter().zip(forecast).map(|(level, forecast)| pinball(*level, truth, forecast)).sum::<f64>() / 3.0
}
/// By how much of the line's loss the forecast's is smaller.
pub fn improvement(model: f64, line: f64) -> f64 {
    1.0 - model / line
}

/// What a forecast reached over many readings.
#[derive(Clone, Copy, Debug, Default)]
pub struct Score {
    pub readings: u32,
    pub below: u32,
    pub above: u32,
    model: f64,
    line: f64,
}
impl Score {
    pub fn add(&mut self, truth: f64, band: [f64; 3], line: f64) {
        self.readings += 1;
        self.below += u32::from(truth < band[0]);
        self.above += u32::from(truth > band[2]);
        self.model += mean_of_three(truth, band);
        self.line += mean_of_three(truth, [line; 3]);
    }
    pub fn join(&mut self, other: &Self) {
        self.readings += other.readings;
        self.below += other.below;
        self.above += other.above;
        self.model += other.model;
        self.line += other.line;
    }
    /// Share of the readings in the band, its edges included.
    pub fn coverage(&self) -> f64 {
        f64::from(self.readings - self.below - self.above) / f64::from(self.readings)
    }
    pub fn better(&self) -> f64 {
        improvement(self.model, self.line)
    }
    pub fn holds(&self) -> bool {
        (0.75..=0.85).contains(&self.coverage()) && self.better() >= 0.2
    }
}
