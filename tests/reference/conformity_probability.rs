//! Probabilities of conformity, and the normal distribution behind them.
use serde_json::Value;
use witnessmark::domain::{conformity::Conformity, limit::decide, line::normal_cdf, quantity::Unit, words::Verdict};

use crate::figures::{close, number, rows};

const VALUES: &str = include_str!("conformity_probability.json");

fn asked(row: &Value) -> Conformity {
    Conformity {
        value: number(&row["y"]),
        uncertainty: number(&row["u"]) * 2.0,
        lower: row["lower"].as_f64(),
        upper: row["upper"].as_f64(),
    }
}

#[test]
fn probabilities_agree() {
    let mut printed = 0;
    for row in rows(VALUES, "conformity_probability") {
        let (found, name) = (asked(&row).probability(), &row["name"].to_string());
        close(found, number(&row["p_c"]), 1e-9, name);
        if let Some(rounded) = row["published_rounded"].as_f64() {
            assert!((found - rounded).abs() <= 0.005, "{name}: {found}");
            printed += 1;
        }
    }
    assert_eq!(printed, 3, "the examples of JCGM 106");
}

#[test]
fn the_normal_distribution_agrees() {
    for row in rows(VALUES, "normal_cdf") {
        close(normal_cdf(number(&row["x"])), number(&row["phi"]), 1e-9, &row.to_string());
        close(normal_cdf(-number(&row["x"])), 1.0 - number(&row["phi"]), 1e-9, &row.to_string());
    }
    for row in rows(VALUES, "conformity_z") {
        close(normal_cdf(number(&row["z"])), number(&row["p_c"]), 1e-9, &row.to_string());
    }
}

/// The published examples again: what they say would decide does, and one step further does not.
#[test]
fn the_gauge_that_is_named_decides() {
    let mut close_calls = 0;
    for row in rows(VALUES, "conformity_probability") {
        let question = asked(&row);
        let judge = |u: f64| decide(question.value, u, question.lower, question.upper);
        let wanted = row["decision_with_U_2u"].as_str().unwrap();
        assert_eq!(judge(question.uncertainty).as_str(), wanted, "{row}");
        let Some(step) = question.deciding_step() else {
            assert_eq!(row["name"], "pad on the limit");
            continue;
        };
        assert_ne!(judge(step / 2.0), Verdict::TooCloseToCall, "{row}: {step}");
        // From one of 1, 2, 5 to the next it is at most 2.5 times as far.
        assert_eq!(judge(2.52 * step / 2.0), Verdict::TooCloseToCall, "{row}: {step}");
        let told = question.because(Unit::Mm).join(" ");
        assert_eq!(told.contains("would decide"), wanted == "too_close_to_call", "{told}");
        close_calls += usize::from(wanted == "too_close_to_call");
    }
    assert!(close_calls >= 2, "{close_calls}");
}
