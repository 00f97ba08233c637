//! Vector sums of unbalance, splits of a weight, and permissible residuals.
use serde_json::Value;
use witnessmark::domain::wheel::{NoSplit, Unbalance, Weight, permissible_residual, revolutions};

use crate::figures::{close, number, numbers, rows};

const VALUES: &str = include_str!("balance.json");

fn weights(row: &Value, keys: [&str; 3], degrees: f64) -> Vec<Weight> {
    let term =
        |term: &Value| Weight { mass: number(&term[keys[0]]), radius: number(&term[keys[1]]), at_deg: number(&term[keys[2]]) * degrees };
    row["terms"].as_array().expect("terms").iter().map(term).collect()
}

#[test]
fn vector_sums_agree() {
    for row in rows(VALUES, "vector_sum") {
        let (sum, name) = (Unbalance::of(&weights(&row, ["mass", "radius", "angle_deg"], 1.0)), &row["name"].to_string());
        close(sum.moment, number(&row["sum_moment"]), 1e-9, name);
        close(sum.at_deg.unwrap(), number(&row["sum_angle_deg"]), 1e-9, name);
        let radius = row["balance_radius"].as_f64().unwrap_or(125.0);
        let correction = sum.correction(radius).unwrap();
        close(correction.at_deg, number(&row["balance_angle_deg"]), 1e-9, name);
        let mass = row["balance_mass"].as_f64().unwrap_or_else(|| number(&row["fifth_hole_mass"]));
        close(correction.mass, mass, 1e-9, name);
    }
}

#[test]
fn sums_on_the_clock_face_agree() {
    for row in rows(VALUES, "clock_sum") {
        let (sum, name) = (Unbalance::of(&weights(&row, ["mass_g", "radius_mm", "clock"], 30.0)), &row["name"].to_string());
        close(sum.moment, number(&row["sum_gmm"]), 1e-9, name);
        let correction = sum.correction(215.0);
        assert_eq!(correction.is_none(), row["correction_at_215mm_g"].is_null(), "{name}");
        let Some(correction) = correction else { continue };
        let turns = (sum.at_deg.unwrap() - number(&row["sum_angle_cw_deg"])).rem_euclid(360.0);
        assert!(turns.min(360.0 - turns) < 1e-9, "{name}: {sum:?}");
        close(correction.mass, number(&row["correction_at_215mm_g"]), 1e-9, name);
        close(correction.at_deg, number(&row["correction_angle_cw_deg"]), 1e-9, name);
    }
}

fn two(row: &Value) -> [f64; 2] {
    numbers(&row["split_deg"]).try_into().expect("two angles")
}

#[test]
fn splits_over_two_angles_agree_and_do_what_the_one_weight_does() {
    for row in rows(VALUES, "split") {
        let mass = row["mass_g"].as_f64().unwrap_or_else(|| number(&row["mass_at_new_radius"]));
        let weight = Weight { mass, radius: 200.0, at_deg: number(&row["angle_deg"]) };
        let parts = weight.split(two(&row)).unwrap();
        for (part, wanted) in parts.iter().zip(numbers(&row["masses"])) {
            assert!((part.mass - wanted).abs() < 1e-9 * mass, "{row}: {part:?}");
        }
        let sum = Unbalance::of(&[parts[0], parts[1], Weight { mass: -mass, ..weight }]);
        assert!(sum.moment < 1e-9 * mass * 200.0, "{row}: {sum:?}");
    }
}

#[test]
fn splits_that_no_positive_masses_can_do_are_refused() {
    let wanted = [NoSplit::Opposite, NoSplit::NotBetween, NoSplit::SameAngle];
    for (row, wanted) in rows(VALUES, "split_refused").iter().zip(wanted) {
        let weight = Weight { mass: number(&row["mass_g"]), radius: 200.0, at_deg: number(&row["angle_deg"]) };
        assert_eq!(weight.split(two(row)), Err(wanted), "{row}");
    }
}

#[test]
fn two_rims_share_by_their_levers() {
    for row in rows(VALUES, "two_rims") {
        let Some(mass) = row["mass_g"].as_f64() else { continue };
        let weight = Weight { mass, radius: number(&row["radius_mm"]), at_deg: 90.0 };
        let [levers, radii] =
            [["lever_left_mm", "lever_right_mm"], ["radius_left_mm", "radius_right_mm"]].map(|keys| keys.map(|key| number(&row[key])));
        let (left, right) = weight.over_rims(levers[0], levers[1], radii[0], radii[1]);
        close(left, number(&row["left_g"]), 1e-9, &row.to_string());
        close(right, number(&row["right_g"]), 1e-9, &row.to_string());
    }
}

#[test]
fn a_weight_at_another_radius_keeps_its_moment() {
    for row in rows(VALUES, "radius_change") {
        let sum = Unbalance::of(&[Weight { mass: number(&row["mass"]), radius: number(&row["from_radius"]), at_deg: 40.0 }]);
        close(sum.correction(number(&row["to_radius"])).unwrap().mass, number(&row["mass_new"]), 1e-9, &row.to_string());
    }
}

#[test]
fn permissible_residuals_agree() {
    for row in rows(VALUES, "permissible") {
        let name = &row["name"].to_string();
        let residual = permissible_residual(number(&row["G"]), number(&row["mass_kg"]), number(&row["rpm"]));
        close(residual, number(&row["U_per_gmm"]), 1e-9, name);
        if let Some(mass) = row["mass_at_215mm_g"].as_f64() {
            close(residual / 215.0, mass, 1e-9, name);
            let rpm = revolutions(number(&row["speed_km_h"]), number(&row["rolling_circumference_m"]));
            close(rpm, number(&row["rpm"]), 1e-9, name);
        }
    }
}
