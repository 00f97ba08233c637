//! Figures and sums for people: grouped, in one unit, and such that they hold when they are redone by hand.
use std::fmt::Write;

use time::Date;

use super::{
    calendar,
    interval::TICKS_PER_HOUR,
    quantity::{Distance, Unit, grouped},
    words::{COMPONENTS, OdometerUnit, Operation, Position},
};

/// The unit of a counter, with its ticks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Measure {
    per: f64,
    unit: Unit,
}

impl Measure {
    /// An odometer's.
    pub(super) fn odometer(unit: OdometerUnit) -> Self {
        Self { per: ticks(Distance::new(1.0, unit).mm()), unit: unit.into() }
    }
    /// An hour meter's.
    pub(super) fn hours() -> Self {
        Self { per: TICKS_PER_HOUR, unit: Unit::H }
    }
    /// The unit's name.
    pub(super) fn unit(self) -> Unit {
        self.unit
    }
    /// The count in this unit.
    pub(super) fn value(self, count: i64) -> f64 {
        ticks(count) / self.per
    }
    /// An amount with its unit: whole, or with the decimals that it was read with.
    pub(super) fn amount(self, count: i64) -> String {
        format!("{} {}", figure(self.value(count), self.decimals(count)), self.unit)
    }
    /// An amount that is worked out: whole.
    pub(super) fn about(self, count: i64) -> String {
        format!("{} {}", figure(self.value(count), 0), self.unit)
    }
    /// The decimals that a count needs to be exact, up to two; worked out and converted figures are given whole.
    fn decimals(self, count: i64) -> usize {
        let value = self.value(count);
        (0..3).find(|decimals| (value - round(value, *decimals)).abs() < 1e-6).unwrap_or(0)
    }
    /// `9,800 + 5,000 = 14,800 mi`, with as many decimals as it takes for the sum to hold.
    pub(super) fn sum(self, start: i64, add: i64) -> String {
        self.times(&[(start, 1), (add, 1)])
    }
    /// `600 + 2 × 5,000 = 10,600 mi`: the terms each so many times.
    pub(super) fn times(self, terms: &[(i64, i64)]) -> String {
        let result = terms.iter().fold(0_i64, |sum, (count, times)| sum.saturating_add(count.saturating_mul(*times)));
        let least = terms.iter().map(|(count, _)| self.decimals(*count)).chain([self.decimals(result)]).max().unwrap_or(0);
        let sum = |decimals: usize| terms.iter().map(|(count, times)| round(self.value(*count), decimals) * ticks(*times)).sum::<f64>();
        let holds = |decimals: &usize| (sum(*decimals) - round(self.value(result), *decimals)).abs() < 1e-6;
        let decimals = (least..=3).find(holds).unwrap_or(3);
        let mut text = String::new();
        for (count, times) in terms {
            let value = round(self.value(*count), decimals);
            if !text.is_empty() {
                text.push_str(if value < 0.0 { " − " } else { " + " });
            } else if value < 0.0 {
                text.push('−');
            }
            if *times != 1 {
                let _ = write!(text, "{times} × ");
            }
            text.push_str(&figure(value.abs(), decimals));
        }
        format!("{text} = {} {}", figure(sum(decimals), decimals), self.unit)
    }
}

#[expect(clippy::cast_precision_loss, reason = "2^53 ticks are nine billion kilometres")]
fn ticks(count: i64) -> f64 {
    count as f64
}
fn round(value: f64, decimals: usize) -> f64 {
    let scale = [1.0, 10.0, 100.0, 1000.0][decimals.min(3)];
    (value * scale).round() / scale
}
/// A number for people with at most so many decimals: `12,345.6`.
pub(super) fn figure(value: f64, decimals: usize) -> String {
    let text = format!("{:.decimals$}", value.abs());
    let (whole, rest) = text.split_once('.').unwrap_or((&text, ""));
    let rest = rest.trim_end_matches('0');
    let sign = if value < 0.0 && text.contains(|digit: char| ('1'..='9').contains(&digit)) { "−" } else { "" };
    let whole = grouped(whole.parse().unwrap_or(0.0));
    if rest.is_empty() { format!("{sign}{whole}") } else { format!("{sign}{whole}.{rest}") }
}

/// `1 month`, `12 months`.
pub(super) fn months(count: i64) -> String {
    if count == 1 { "1 month".into() } else { format!("{count} months") }
}

/// `4 and 22 Dec 2026`, `28 Nov and 22 Dec 2026`, `28 Nov 2026 and 3 Jan 2027`.
pub(super) fn between(from: Date, to: Date) -> String {
    let whole = calendar::words(from);
    let short = if from.year() != to.year() {
        whole
    } else if from.month() != to.month() {
        whole.trim_end_matches(|c: char| c.is_ascii_digit()).trim_end().to_string()
    } else {
        from.day().to_string()
    };
    format!("{short} and {}", calendar::words(to))
}
/// A date between two that were just said, without its year where both have the same.
pub(super) fn day_of(early: Date, day: Date, late: Date) -> String {
    let whole = calendar::words(day);
    if early.year() == late.year() { whole.trim_end_matches(|c: char| c.is_ascii_digit()).trim_end().to_string() } else { whole }
}

/// What was done, after "last" or "never".
pub(super) fn past(operation: Operation) -> &'static str {
    match operation {
        Operation::Inspect => "inspected",
        Operation::Clean => "cleaned",
        Operation::Adjust => "adjusted",
        Operation::Lubricate => "lubricated",
        Operation::Tighten => "tightened",
        Operation::Replace => "replaced",
        Operation::Repair => "repaired",
        Operation::Measure => "measured",
        Operation::Fit => "fitted",
        Operation::Remove => "removed",
        Operation::Record => "recorded",
    }
}

/// A component by its name, `Rear brake pads`; one that the workshop added by its key made readable.
pub(super) fn component(key: &str, position: Option<Position>) -> String {
    let name =
        COMPONENTS.iter().find(|(known, ..)| *known == key).map_or_else(|| key.replace('_', " "), |(_, name, _)| (*name).to_string());
    let text =
        position.map_or_else(|| name.clone(), |position| format!("{} {}", position.to_string().replace('_', " "), name.to_lowercase()));
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
mod tests {
    use time::macros::date;

    use super::*;

    const MI: i64 = 1_609_344;

    #[test]
    fn a_sum_holds_when_redone_by_hand() {
        let miles = Measure::odometer(OdometerUnit::Mi);
        assert_eq!(miles.sum(9800 * MI, 5000 * MI), "9,800 + 5,000 = 14,800 mi");
        assert_eq!(miles.times(&[(600 * MI, 1), (5000 * MI, 2)]), "600 + 2 × 5,000 = 10,600 mi");
        assert_eq!(miles.times(&[(5000 * MI, 3)]), "3 × 5,000 = 15,000 mi");
        assert_eq!(miles.sum(15_414 * MI, -2000 * MI), "15,414 − 2,000 = 13,414 mi");
        // As read: one decimal.
        assert_eq!(miles.sum(15_771_571_200, 5000 * MI), "9,800 + 5,000 = 14,800 mi");
        assert_eq!(miles.sum(98_005 * MI / 10, 5000 * MI), "9,800.5 + 5,000 = 14,800.5 mi");
        // 8,000 km are 4,970.97 mi.
        assert_eq!(miles.sum(9800 * MI, 8_000_000_000), "9,800 + 4,971 = 14,771 mi");
        // Two figures that each round up would add to one too many: a decimal more.
        assert_eq!(miles.sum(MI * 1_000_377 / 1000, MI * 3_106_377 / 1000), "1,000.4 + 3,106.4 = 4,106.8 mi");
        assert_eq!(Measure::hours().sum(144_000_000, 180_000_000), "40 + 50 = 90 h");
    }
    #[test]
    fn dates_and_names_read_well() {
        assert_eq!(between(date!(2026 - 12 - 04), date!(2026 - 12 - 22)), "4 and 22 Dec 2026");
        assert_eq!(between(date!(2026 - 11 - 28), date!(2026 - 12 - 22)), "28 Nov and 22 Dec 2026");
        assert_eq!(between(date!(2026 - 11 - 28), date!(2027 - 01 - 03)), "28 Nov 2026 and 3 Jan 2027");
        assert_eq!(day_of(date!(2026 - 12 - 4), date!(2026 - 12 - 11), date!(2026 - 12 - 22)), "11 Dec");
        assert_eq!(day_of(date!(2026 - 12 - 4), date!(2027 - 1 - 11), date!(2027 - 2 - 22)), "11 Jan 2027");
        assert_eq!(component("drive_belt", None), "Drive belt");
        assert_eq!(component("brake_pads", "front_left".parse().ok()), "Front left brake pads");
        assert_eq!(component("side_stand_switch", None), "Side stand switch");
        assert_eq!(figure(-1234.50, 2), "−1,234.5");
        assert_eq!(figure(-0.001, 0), "0");
    }
}
