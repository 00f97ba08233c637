//! The decision of ISO 14253-1 and JCGM 106, exact edges included, through the whole way from readings to verdict.
use crate::given::{bike, limit, number, rows};
use serde_json::{Value, json};
use witnessmark::domain::{
    limit::{Judging, decide, default_reduce, expanded_uncertainty, judge, reduce},
    quantity::{Figure, Unit},
    words::{Measurand, Reduce, Verdict},
};

const TABLE: &str = include_str!("conformity.json");

fn optional(value: &Value) -> Option<f64> {
    (!value.is_null()).then(|| number(value))
}
fn figure(text: &str) -> Figure {
    Figure::parse(text).expect("a figure")
}

#[test]
fn every_decision_of_the_table() {
    for kind in ["decision", "half_resolution"] {
        for row in rows(TABLE, kind) {
            let found = decide(number(&row["y"]), number(&row["U"]), optional(&row["lower"]), optional(&row["upper"]));
            assert_eq!(found.as_str(), row["expect"].as_str().unwrap(), "{row}");
        }
    }
}

#[test]
fn the_table_holds_the_cases_in_which_plain_arithmetic_errs() {
    let mut traps = 0;
    for row in rows(TABLE, "decision") {
        let (y, u) = (number(&row["y"]), number(&row["U"]));
        let (lower, upper) = (optional(&row["lower"]), optional(&row["upper"]));
        let within = lower.is_none_or(|lower| y - u >= lower) && upper.is_none_or(|upper| y + u <= upper);
        traps += usize::from(within != (row["expect"] == "within"));
    }
    assert!(traps >= 4, "{traps}");
}

#[test]
fn half_the_resolution_stands_in_for_an_uncertainty_that_is_not_given() {
    for row in rows(TABLE, "half_resolution") {
        let step = figure(row["resolution"].as_str().unwrap());
        assert!((expanded_uncertainty(None, Some(&step)) - number(&row["U"])).abs() < 1e-15, "{row}");
        assert!((expanded_uncertainty(Some(&figure("0.3")), Some(&step)) - 0.3).abs() < 1e-15);
    }
    assert!(expanded_uncertainty(None, None).abs() < 1e-15);
}

#[test]
fn a_step_beyond_the_tolerance_of_1_part_in_10_to_the_9_counts() {
    assert_eq!(decide(1.6 * (1.0 - 0.9e-9), 0.0, Some(1.6), None), Verdict::Within);
    assert_eq!(decide(1.6 * (1.0 - 1.2e-9), 0.0, Some(1.6), None), Verdict::Outside);
    assert_eq!(decide(f64::NAN, 0.0, Some(1.6), None), Verdict::NoLimit);
}

/// The same table with the limit in another unit than the value: the verdict must not change with the unit.
#[test]
fn the_unit_of_the_limit_changes_no_verdict() {
    let bike = bike();
    let mut judged = 0;
    for row in rows(TABLE, "decision").into_iter().chain(rows(TABLE, "half_resolution")) {
        let (unit, other, quantity) = match row["unit"].as_str().unwrap() {
            "mm" => (Unit::Mm, Unit::In, Measurand::Thickness),
            "degC" => (Unit::DegC, Unit::DegF, Measurand::Temperature),
            "psi" => (Unit::Psi, Unit::KPa, Measurand::Pressure),
            _ => continue,
        };
        let converted = |value: &Value| optional(value).map(|value| unit.convert(value, other).unwrap());
        let fields = json!({"component": "wheel", "quantity": quantity, "kind": "wear", "unit": other,
            "lower": converted(&row["lower"]), "upper": converted(&row["upper"])});
        let judging = Judging {
            bike: &bike,
            component: "wheel",
            position: None,
            quantity,
            value: number(&row["y"]),
            unit,
            u: number(&row["U"]),
            u_stated: true,
            at_force: None,
            part: None,
        };
        let found = judge(&judging, &[limit(1, fields)]);
        assert_eq!(found.verdict.as_str(), row["expect"].as_str().unwrap(), "{row}");
        judged += 1;
    }
    assert!(judged > 40, "{judged}");
}

#[test]
fn readings_reduce_to_one_figure_with_the_digits_of_the_reading() {
    let readings: Vec<Figure> = ["0.30", "0.10", "0.2", "0.20"].map(figure).to_vec();
    let text = |how| reduce(&readings, how).unwrap().text();
    assert_eq!(text(Reduce::Min), "0.10");
    assert_eq!(text(Reduce::Max), "0.30");
    assert_eq!(text(Reduce::Last), "0.20");
    assert_eq!(text(Reduce::Range), "0.2");
    assert_eq!(text(Reduce::Mean), "0.2");
    let thirds: Vec<Figure> = ["1", "2", "2"].map(figure).to_vec();
    assert_eq!(reduce(&thirds, Reduce::Mean).unwrap().text(), "1.666667");
    assert_eq!(reduce(&[], Reduce::Mean), None);
}

#[test]
fn how_a_quantity_reduces_unless_said() {
    for (quantity, how) in [
        (Measurand::Thickness, Reduce::Min),
        (Measurand::TreadDepth, Reduce::Min),
        (Measurand::Deflection, Reduce::Min),
        (Measurand::Runout, Reduce::Max),
        (Measurand::Elongation, Reduce::Max),
        (Measurand::FreePlay, Reduce::Max),
        (Measurand::Pressure, Reduce::Last),
        (Measurand::Voltage, Reduce::Last),
        (Measurand::Temperature, Reduce::Last),
        (Measurand::Clearance, Reduce::Mean),
        (Measurand::Compression, Reduce::Mean),
    ] {
        assert_eq!(default_reduce(quantity), how, "{quantity}");
    }
}
