//! Runout from readings at equal angles.
use witnessmark::domain::wheel::Runout;

use crate::figures::{number, numbers, rows};

const VALUES: &str = include_str!("runout.json");

#[test]
fn runouts_agree() {
    let rows = rows(VALUES, "runout");
    assert!(rows.len() > 40);
    for row in rows {
        let found = Runout::of(&numbers(&row["readings"])).unwrap();
        for (figure, key, exact) in [
            (found.total_indicated, "tir", "tir"),
            (found.mean, "mean", "mean"),
            (found.amplitude, "amplitude", "amplitude"),
            (found.remainder, "rest_range", "rest_range"),
        ] {
            let known = row["exact"][exact].as_f64();
            for wanted in [Some(number(&row[key])), known].into_iter().flatten() {
                assert!((figure - wanted).abs() < 1e-9, "{}: {key} {figure}, wanted {wanted}", row["name"]);
            }
        }
        assert_eq!(found.high_at_deg.is_none(), row["phase_deg"].is_null(), "{}: {found:?}", row["name"]);
        if let Some(angle) = found.high_at_deg {
            assert!((0.0..360.0).contains(&angle), "{angle}");
            let off = (angle - number(&row["phase_deg"])).rem_euclid(360.0);
            assert!(off.min(360.0 - off) < 1e-9, "{}: {angle}", row["name"]);
        }
    }
}

#[test]
fn two_readings_are_too_few() {
    assert_eq!(Runout::of(&[0.1, 0.2]), None);
}
