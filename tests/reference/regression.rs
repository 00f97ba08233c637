//! Least squares lines with certified values, inverse prediction with printed answers, and wear forecasts.
use serde_json::Value;
use witnessmark::domain::{
    line::Line,
    quantity::{Distance, Unit},
    wear::{Forecast, Toward, Wear, WearPoint, forecast},
    words::OdometerUnit,
};

use crate::figures::{close, number, numbers, rows};

const VALUES: &str = include_str!("regression.json");

fn points(row: &Value) -> Vec<(f64, f64)> {
    numbers(&row["x"]).into_iter().zip(numbers(&row["y"])).collect()
}
fn fitted(row: &Value) -> Line {
    Line::fit(&points(row)).expect("a line")
}

#[test]
fn the_line_agrees_with_the_certified_values() {
    let row = &rows(VALUES, "strd")[0];
    let (line, certified) = (fitted(row), &row["certified"]);
    close(line.intercept(), number(&certified["B0"]), 1e-9, "B0");
    close(line.slope, number(&certified["B1"]), 1e-12, "B1");
    close(line.residual_sd, number(&certified["residual_sd"]), 1e-9, "residual sd");
    assert_eq!(line.degrees_of_freedom(), 34);
}

#[test]
fn further_lines_agree() {
    for row in rows(VALUES, "line") {
        let (line, name) = (fitted(&row), &row["name"].to_string());
        close(line.intercept(), number(&row["b0"]), 1e-9, name);
        close(line.slope, number(&row["b1"]), 1e-9, name);
        close(line.residual_sd, number(&row["residual_sd"]), 1e-9, name);
        close(f64::from(u32::try_from(line.degrees_of_freedom()).unwrap()), number(&row["dof"]), 0.0, name);
    }
}

/// Where the line meets `y0`, and the band, as the row says.
fn meets_as_said(row: &Value) {
    let (line, name, y0) = (fitted(row), &row["name"].to_string(), number(&row["y0"]));
    close(line.meets(y0).expect("a slope"), number(&row["x0"]), 1e-9, name);
    let band = line.band(y0, number(&row["t_quantile"]), row["mode"] == "single").expect("a band");
    close(band.0, number(&row["lower"]), 1e-9, name);
    close(band.1, number(&row["upper"]), 1e-9, name);
}

#[test]
fn inverse_prediction_agrees_with_the_printed_answers() {
    for row in rows(VALUES, "inverse") {
        meets_as_said(&row);
        let line = fitted(&row);
        let (low, high) = line.band(number(&row["y0"]), number(&row["t_quantile"]), row["mode"] == "single").unwrap();
        for (found, printed) in [(low, &row["printed"]["lower"]), (high, &row["printed"]["upper"])] {
            // Printed to one or two decimals: half a unit of the last one.
            let step = if row["printed"]["lower"].to_string().ends_with(".4") { 0.05 } else { 0.005 };
            assert!((found - number(printed)).abs() <= step + 1e-12, "{}: {found} against {printed}", row["name"]);
        }
    }
}

fn wear_of(row: &Value, toward: Toward) -> Result<Forecast, String> {
    let points: Vec<_> = points(row)
        .into_iter()
        .map(|(x, value)| WearPoint { part_distance: Distance::new(x, OdometerUnit::Km), value, on: None })
        .collect();
    let wear = Wear { points: &points, limit: number(&row["y0"]), toward, new_value: None, unit: Unit::Mm, distance_unit: Unit::Km };
    forecast(&wear)
}

#[test]
fn wear_forecasts_agree() {
    let mut compared = 0;
    for row in rows(VALUES, "wear") {
        if row["mode"] == "single" {
            meets_as_said(&row);
            continue;
        }
        let toward = if number(&row["b1"]) < 0.0 { Toward::Lower } else { Toward::Upper };
        let (found, name) = (wear_of(&row, toward).unwrap(), &row["name"].to_string());
        let km = |distance: Distance| distance.in_unit(OdometerUnit::Km);
        close(km(found.p50), number(&row["x0"]), 1e-9, name);
        close(found.per_1000, number(&row["b1"]) * 1000.0, 1e-9, name);
        assert_eq!((found.p10.is_none(), found.p90.is_none()), (row["lower"].is_null(), row["upper"].is_null()), "{name}");
        if let (Some(low), Some(high)) = (found.p10, found.p90) {
            close(km(low), number(&row["lower"]), 1e-9, name);
            close(km(high), number(&row["upper"]), 1e-9, name);
        }
        compared += 1;
    }
    assert_eq!(compared, 9);
}

#[test]
fn one_value_of_a_part_whose_new_value_is_known_is_a_pair() {
    let all = rows(VALUES, "wear");
    let row = all.iter().find(|row| row["name"] == "one point and a known new value").unwrap();
    let points = [WearPoint { part_distance: Distance::new(6000.0, OdometerUnit::Km), value: 4.1, on: None }];
    let wear = Wear { points: &points, limit: 1.5, toward: Toward::Lower, new_value: Some(5.0), unit: Unit::Mm, distance_unit: Unit::Km };
    let found = forecast(&wear).unwrap();
    close(found.p50.in_unit(OdometerUnit::Km), number(&row["x0"]), 1e-9, "the pair");
    assert_eq!((found.p10, found.p90, found.points), (None, None, 1));
}

#[test]
fn there_is_no_forecast_where_the_fit_says_nothing() {
    for (row, word) in rows(VALUES, "wear_no_forecast").iter().zip(["scatter", "scatter", "grow", "same distance"]) {
        let why = wear_of(row, Toward::Lower).expect_err("no forecast");
        assert!(why.contains(word), "{}: {why}", row["name"]);
    }
}
