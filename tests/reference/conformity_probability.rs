//! Probabilities of conformity, and the normal distribution behind them.
use serde_json::Value;
use witnessmark::domain::{conformity::Conformity, line::normal_cdf};

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
