//! Quantiles of Student's t distribution, and the normal distribution that it tends to.
use witnessmark::domain::line::{normal_cdf, student_t_quantile};

use crate::figures::{close, number, rows};

const VALUES: &str = include_str!("student_t.json");

#[test]
fn quantiles_agree_with_the_printed_table_and_the_computed_digits() {
    let rows = rows(VALUES, "t_quantile");
    assert_eq!(rows.len(), 34, "1 to 30, 40, 60, 100 and 1000 degrees of freedom");
    let mut compared = 0;
    for row in rows {
        let freedom = usize::try_from(row["dof"].as_u64().unwrap()).unwrap();
        for (key, p) in [("q0.90", 0.90), ("q0.95", 0.95), ("q0.975", 0.975)] {
            let found = student_t_quantile(p, freedom);
            close(found, number(&row[key]), 1e-9, &format!("{freedom} degrees of freedom, {p}"));
            if let Some(printed) = row["printed"][key].as_str() {
                assert_eq!(format!("{found:.3}"), printed, "{freedom} degrees of freedom, {p}");
                compared += 1;
            }
            close(student_t_quantile(1.0 - p, freedom), -found, 1e-9, "the lower tail mirrors the upper one");
        }
    }
    assert!(compared >= 90, "the printed table goes to 30 degrees of freedom");
}

#[test]
fn quantiles_agree_with_the_closed_forms_of_one_and_two_degrees_of_freedom() {
    for row in rows(VALUES, "closed_form") {
        let freedom = usize::try_from(row["dof"].as_u64().unwrap()).unwrap();
        close(student_t_quantile(number(&row["p"]), freedom), number(&row["value"]), 1e-12, &row.to_string());
    }
}

#[test]
fn many_degrees_of_freedom_approach_the_normal_distribution() {
    let row = &rows(VALUES, "normal_limit")[0];
    for (key, p) in [("q0.90", 0.90), ("q0.95", 0.95), ("q0.975", 0.975)] {
        let normal = number(&row[key]);
        close(student_t_quantile(p, 1_000_000), normal, 1e-5, key);
        close(normal_cdf(normal), p, 1e-10, key);
    }
}

#[test]
fn the_two_ways_to_compute_meet_where_one_takes_over() {
    for p in [0.9, 0.95, 0.975] {
        let [before, at, after] = [499, 500, 501].map(|freedom| student_t_quantile(p, freedom));
        // The quantile is smooth in the degrees of freedom: the middle one lies halfway but for the curvature, 2 z / n³.
        close(at, f64::midpoint(before, after), 1e-7, "no step");
        assert!(before > at && at > after);
    }
}

#[test]
fn there_is_no_quantile_without_a_degree_of_freedom_or_outside_0_to_1() {
    for (p, freedom) in [(0.9, 0), (0.0, 3), (1.0, 3), (-0.1, 3), (f64::NAN, 3)] {
        assert!(student_t_quantile(p, freedom).is_nan(), "{p} with {freedom}");
    }
}
