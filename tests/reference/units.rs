//! Units: exact factors and conversions, distances in whole millimeters, and figures that come back as they were entered.
use crate::given::{close_to, number, rows, unit};
use proptest::prelude::*;
use witnessmark::domain::{
    quantity::{Distance, Figure, Kind, Quantity, Unit},
    words::OdometerUnit,
};

const TABLE: &str = include_str!("units.json");

#[test]
fn every_factor_is_the_exact_definition() {
    for row in rows(TABLE, "factor") {
        let unit = unit(&row["unit"]);
        let exact = if row["exact_decimal"].is_null() { &row["exact_fraction"] } else { &row["exact_decimal"] };
        assert!(close_to(unit.si_per_unit(), number(exact), 1e-15), "{unit}: {} is not {exact}", unit.si_per_unit());
    }
}

#[test]
fn conversions_and_temperatures_agree_with_exact_arithmetic() {
    for kind in ["conversion", "temperature"] {
        for row in rows(TABLE, kind) {
            let exact = number(if row["exact"].is_null() { &row["exact_fraction"] } else { &row["exact"] });
            let found = unit(&row["from"]).convert(number(&row["value"]), unit(&row["to"])).unwrap();
            // A freezing point is 0: what is left there is the rounding of 273.15.
            let good = close_to(found, exact, 1e-12) || (exact == 0.0 && found.abs() < 1e-12);
            assert!(good, "{row}: {found}");
        }
    }
}

#[test]
fn a_unit_of_another_kind_is_refused_and_both_kinds_are_named() {
    for row in rows(TABLE, "wrong_kind") {
        let (from, to) = (unit(&row["from"]), unit(&row["to"]));
        let sentence = from.convert(1.0, to).unwrap_err();
        for word in [from.kind().as_str(), to.kind().as_str()] {
            assert!(sentence.contains(word), "{sentence} does not name {word}");
        }
    }
}

#[test]
fn distances_are_whole_millimeters() {
    for row in rows(TABLE, "distance_mm") {
        let nearest = if row["nearest_mm"].is_null() { &row["exact_mm"] } else { &row["nearest_mm"] };
        let quantity = Quantity { value: Figure::parse(row["value"].as_str().unwrap()).unwrap(), unit: unit(&row["unit"]) };
        let distance = Distance::from_quantity(&quantity).unwrap();
        assert_eq!(distance.mm().to_string(), nearest.as_str().map_or_else(|| nearest.to_string(), str::to_owned), "{row}");
        let odometer = row["unit"].as_str().unwrap().parse().unwrap();
        assert_eq!(Distance::new(quantity.value.value(), odometer), distance);
    }
}

#[test]
fn halves_of_a_millimeter_go_away_from_zero() {
    let half = |text: &str| Distance::new(Figure::parse(text).unwrap().value(), OdometerUnit::Km).mm();
    assert_eq!([half("0.0000005"), half("-0.0000005"), half("0.0000004"), half("2.0000015")], [1, -1, 0, 2_000_002]);
}

#[test]
fn each_unit_agrees_with_an_independent_table() {
    use uom::si::{f64 as si, force, length, mass, pressure, ratio, thermodynamic_temperature, time, torque, volume};
    // That table rounds what hangs on the pound-force to seven digits; all else is exact in it.
    let table: &[(Unit, f64, f64)] = &[
        (Unit::Mi, si::Length::new::<length::mile>(1.0).value, 1e-6),
        (Unit::Km, si::Length::new::<length::kilometer>(1.0).value, 1e-15),
        (Unit::In, si::Length::new::<length::inch>(1.0).value, 1e-15),
        (Unit::Mm, si::Length::new::<length::millimeter>(1.0).value, 1e-15),
        (Unit::FtLb, si::Torque::new::<torque::pound_force_foot>(1.0).value, 1e-6),
        (Unit::InLb, si::Torque::new::<torque::pound_force_inch>(1.0).value, 1e-6),
        (Unit::Nm, si::Torque::new::<torque::newton_meter>(1.0).value, 1e-15),
        (Unit::KgfM, si::Torque::new::<torque::kilogram_force_meter>(1.0).value, 1e-6),
        (Unit::Psi, si::Pressure::new::<pressure::psi>(1.0).value, 1e-6),
        (Unit::KPa, si::Pressure::new::<pressure::kilopascal>(1.0).value, 1e-15),
        (Unit::Bar, si::Pressure::new::<pressure::bar>(1.0).value, 1e-15),
        (Unit::G, si::Mass::new::<mass::gram>(1.0).value, 1e-15),
        (Unit::Oz, si::Mass::new::<mass::ounce>(1.0).value, 1e-6),
        (Unit::Lb, si::Mass::new::<mass::pound>(1.0).value, 1e-6),
        (Unit::Ml, si::Volume::new::<volume::milliliter>(1.0).value, 1e-14),
        (Unit::L, si::Volume::new::<volume::liter>(1.0).value, 1e-15),
        (Unit::FlOz, si::Volume::new::<volume::fluid_ounce>(1.0).value, 1e-6),
        (Unit::Lbf, si::Force::new::<force::pound_force>(1.0).value, 1e-6),
        (Unit::Min, si::Time::new::<time::minute>(1.0).value, 1e-15),
        (Unit::H, si::Time::new::<time::hour>(1.0).value, 1e-15),
        (Unit::Percent, si::Ratio::new::<ratio::percent>(1.0).value, 1e-15),
    ];
    for (unit, theirs, relative) in table {
        assert!(close_to(unit.si_per_unit(), *theirs, *relative), "{unit}: {} here, {theirs} there", unit.si_per_unit());
    }
    for celsius in [-40.0, 0.0, 37.0, 230.0] {
        let theirs = si::ThermodynamicTemperature::new::<thermodynamic_temperature::degree_celsius>(celsius);
        let fahrenheit = theirs.get::<thermodynamic_temperature::degree_fahrenheit>();
        assert!((Unit::DegC.convert(celsius, Unit::DegF).unwrap() - fahrenheit).abs() < 1e-9, "{celsius}");
    }
}

#[test]
fn the_digits_come_back_as_they_were_entered() {
    for text in ["0.50", "0.500", "18.0", "1e+3", "-0.0", "0", "-7", "12345.60", "1.5e-7", "999999999999999"] {
        let figure: Figure = serde_json::from_str(text).unwrap();
        assert_eq!(serde_json::to_string(&figure).unwrap(), text);
        assert_eq!(Figure::parse(text).unwrap().text(), text);
        let body = format!(r#"{{"value":{text},"unit":"ft-lb"}}"#);
        let quantity: Quantity = serde_json::from_str(&body).unwrap();
        assert_eq!(serde_json::to_string(&quantity).unwrap(), body);
        let value: serde_json::Value = serde_json::from_str(&body).unwrap();
        assert_eq!(serde_json::from_value::<Quantity>(value).unwrap(), quantity);
    }
}

#[test]
fn an_exponent_keeps_its_digits_and_gets_its_sign_written_out() {
    for (text, back) in [("1e3", "1e+3"), ("1E3", "1e+3"), ("1.50e3", "1.50e+3"), ("2.5E-3", "2.5e-3"), ("0e0", "0e+0")] {
        let figure: Figure = serde_json::from_str(text).unwrap();
        assert_eq!(figure.text(), back);
        assert_eq!(figure.value().to_bits(), text.parse::<f64>().unwrap().to_bits());
        assert_eq!(Figure::parse(back).unwrap().text(), back, "what came back stays as it is");
    }
}

#[test]
fn what_is_no_figure_is_refused() {
    let long = "1".repeat(41);
    for text in [
        "007",
        "NaN",
        "Infinity",
        "-Infinity",
        "1e400",
        "-1e400",
        "1e16",
        "",
        "1,5",
        "0x10",
        ".5",
        "5.",
        "+5",
        "1_000",
        "\"5\"",
        "true",
        &long,
    ] {
        assert!(serde_json::from_str::<Figure>(text).is_err(), "{text} was read");
        assert!(Figure::parse(text).is_err(), "{text} was parsed");
    }
}

proptest! {
    #[test]
    fn any_figure_is_the_same_after_reading_and_writing(text in "-?(0|[1-9][0-9]{0,13})(\\.[0-9]{1,12})?(e[+-][0-9])?") {
        let value: f64 = text.parse().unwrap();
        let Ok(figure) = serde_json::from_str::<Figure>(&text) else {
            // With an exponent a figure can be larger than any instrument shows.
            prop_assert!(value.abs() > 1e15);
            return Ok(());
        };
        prop_assert_eq!(&serde_json::to_string(&figure).unwrap(), &text);
        prop_assert_eq!(figure.value().to_bits(), value.to_bits());
        prop_assert_eq!(serde_json::from_str::<Figure>(&figure.text()).unwrap(), figure);
    }

    #[test]
    fn there_and_back_is_where_it_began(value in 0.001_f64..1e6, from in 0..Unit::ALL.len(), to in 0..Unit::ALL.len()) {
        let (from, to) = (Unit::ALL[from], Unit::ALL[to]);
        if let Ok(there) = from.convert(value, to) {
            let back = to.convert(there, from).unwrap();
            // A temperature near its zero loses digits to the 273.15 or 459.67 that is added.
            let scale = if from.kind() == Kind::Temperature { value + 500.0 } else { value };
            prop_assert!((back - value).abs() <= 1e-12 * scale, "{} {} became {}", value, from, back);
        } else {
            prop_assert_ne!(from.kind(), to.kind());
        }
    }

    #[test]
    fn a_distance_shown_in_its_unit_is_the_distance_entered(tenths in 0_u32..9_999_999, mi: bool) {
        let unit = if mi { OdometerUnit::Mi } else { OdometerUnit::Km };
        let entered = f64::from(tenths) / 10.0;
        let shown = Distance::new(entered, unit).quantity(unit);
        prop_assert_eq!(shown.value.value().to_bits(), entered.to_bits());
    }
}
