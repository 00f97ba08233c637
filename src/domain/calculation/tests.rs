use proptest::prelude::*;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};

use super::*;

fn ask<T: DeserializeOwned>(body: Value) -> T {
    serde_json::from_value(body).unwrap()
}
fn told(answer: &impl Serialize) -> Value {
    serde_json::to_value(answer).unwrap()
}
fn pointers<T: std::fmt::Debug>(answer: Result<T, Vec<Problem>>) -> Vec<String> {
    answer.unwrap_err().into_iter().map(|problem| problem.pointer).collect()
}
/// A stand-in for the decision rule, which is tested where it is.
fn by_rule(y: f64, u: f64, lower: Option<f64>, _: Option<f64>) -> Verdict {
    if lower.is_none_or(|lower| y - u >= lower) { Verdict::Within } else { Verdict::TooCloseToCall }
}

#[test]
fn unknown_fields_are_refused() {
    fn only_without_more<T: DeserializeOwned>(mut body: Value) {
        assert!(serde_json::from_value::<T>(body.clone()).is_ok(), "{body}");
        body["color"] = json!("red");
        assert!(serde_json::from_value::<T>(body.clone()).is_err(), "{body}");
    }
    let weight = json!({"mass": {"value": 1, "unit": "g"}, "at_deg": 0});
    only_without_more::<TorqueAdapterRequest>(json!({"wrench_length": mm(1.0), "adapter_length": mm(1.0)}));
    only_without_more::<RunoutRequest>(json!({"readings": [], "unit": "mm"}));
    only_without_more::<BalanceRequest>(json!({"weights": [weight]}));
    only_without_more::<CausingWeight>(weight);
    only_without_more::<CorrectAt>(json!({}));
    only_without_more::<WearRequest>(json!({"points": [], "unit": "mm", "limit": 1}));
    only_without_more::<MeasuredPoint>(json!({"part_distance": {"value": 1, "unit": "km"}, "value": 1}));
    only_without_more::<ConformityRequest>(json!({"value": 1, "unit": "mm"}));
}

#[test]
fn an_adapter_makes_the_wrench_show_less_than_the_fastener_gets() {
    let lengths = |key: &str, torque: Value| json!({key: torque, "wrench_length": {"value": 0.4, "unit": "in"}, "adapter_length": {"value": 2.54, "unit": "mm"}});
    let set = torque_adapter(&ask(lengths("wanted", json!({"value": 110, "unit": "ft-lb"})))).unwrap();
    assert_eq!(told(&set), json!({"set": {"value": 88, "unit": "ft-lb"}}), "0.1 in on 0.4 in: four fifths");
    let torque = torque_adapter(&ask(lengths("set", json!({"value": 88, "unit": "ft-lb"})))).unwrap();
    assert_eq!(told(&torque), json!({"torque": {"value": 110, "unit": "ft-lb"}}));
}

#[test]
fn impossible_adapters_are_refused() {
    let body = |wanted: Value, set: Value, wrench: Value, adapter: Value| {
        torque_adapter(&ask(json!({"wanted": wanted, "set": set, "wrench_length": wrench, "adapter_length": adapter})))
    };
    let (torque, wrench, adapter) =
        (json!({"value": 110, "unit": "N.m"}), json!({"value": 400, "unit": "mm"}), json!({"value": 0, "unit": "mm"}));
    assert!(body(torque.clone(), Value::Null, wrench.clone(), adapter.clone()).is_ok(), "no adapter at all");
    assert_eq!(pointers(body(Value::Null, Value::Null, wrench.clone(), adapter.clone())), ["/wanted"]);
    assert_eq!(pointers(body(torque.clone(), torque.clone(), wrench.clone(), adapter.clone())), ["/set"]);
    let long = json!({"value": 5000, "unit": "mm"});
    assert_eq!(pointers(body(torque.clone(), Value::Null, wrench.clone(), long)), ["/adapter_length"], "5 m on 40 cm");
    assert_eq!(
        pointers(body(wrench.clone(), Value::Null, torque.clone(), json!({"value": -1, "unit": "mm"}))),
        ["/wrench_length/unit", "/adapter_length/value", "/wanted/unit"]
    );
    assert_eq!(
        pointers(body(json!({"value": 0, "unit": "N.m"}), Value::Null, json!({"value": 0, "unit": "mm"}), adapter)),
        ["/wrench_length/value", "/wanted/value"]
    );
}

proptest! {
    #[test]
    fn adapter_there_and_back_is_where_it_began(wanted in 0.1_f64..500.0, wrench in 1.0_f64..1000.0, share in 0.0_f64..2.9) {
        let adapter = wrench * share;
        let length = |value: f64| Quantity::rounded(value, Unit::Mm, 6);
        let asked = TorqueAdapterRequest {
            wanted: Some(Quantity::rounded(wanted, Unit::Nm, 6)), set: None,
            wrench_length: length(wrench), adapter_length: length(adapter),
        };
        let set = torque_adapter(&asked).unwrap().set;
        let back = torque_adapter(&TorqueAdapterRequest { wanted: None, set, ..asked.clone() }).unwrap().torque.unwrap();
        let wanted = asked.wanted.unwrap().value.value();
        prop_assert!((back.value.value() / wanted - 1.0).abs() < 1e-9, "{} {}", back, wanted);
    }
}

#[test]
fn runout_tells_mounting_from_shape() {
    let answer = runout(&ask(json!({"readings": [0.08, 0, 0, 0, 0, 0, 0, 0], "unit": "mm"}))).unwrap();
    let told = told(&answer);
    assert_eq!(told["total_indicated"], json!({"value": 0.08, "unit": "mm"}));
    assert_eq!(told["first_harmonic"], json!({"amplitude": {"value": 0.02, "unit": "mm"}, "high_at_deg": 0}));
    assert_eq!(told["remainder"]["value"].to_string(), "0.0741421356237");
    assert_eq!(answer.because.len(), 3);
}

#[test]
fn even_readings_have_no_high_spot() {
    let answer = runout(&ask(json!({"readings": [0.15, 0.15, 0.15], "unit": "in"}))).unwrap();
    assert_eq!(told(&answer)["first_harmonic"], json!({"amplitude": {"value": 0, "unit": "in"}, "high_at_deg": null}));
    assert!(answer.because[1].contains("no first harmonic") && answer.because[3].contains("fewer than 8"), "{:?}", answer.because);
}

#[test]
fn impossible_runouts_are_refused() {
    assert_eq!(pointers(runout(&ask(json!({"readings": [0.1, 0.2], "unit": "psi"})))), ["/readings", "/unit"]);
    assert_eq!(pointers(runout(&ask(json!({"readings": vec![0.1; 361], "unit": "mm"})))), ["/readings"]);
}

#[expect(clippy::needless_pass_by_value, reason = "it is called with literals")]
fn gram(mass: f64, at_deg: f64, radius: Value) -> Value {
    json!({"mass": {"value": mass, "unit": "g"}, "at_deg": at_deg, "radius": radius})
}
fn mm(value: f64) -> Value {
    json!({"value": value, "unit": "mm"})
}

#[test]
fn the_correction_goes_opposite_the_heavy_spot() {
    let answer = balance(&ask(json!({"weights": [gram(20.0, 40.0, Value::Null)]}))).unwrap();
    assert_eq!(
        told(&answer),
        json!({"unbalance": {"mass": {"value": 20, "unit": "g"}, "at_deg": 40},
            "correction": [{"mass": {"value": 20, "unit": "g"}, "at_deg": 220, "rim": null}]})
    );
}

#[test]
fn the_correction_splits_over_angles_and_rims_and_moves_to_its_radius() {
    let correct_at = json!({"radius": mm(200.0), "angles_deg": [190, 250], "rims": 2});
    let answer = balance(&ask(json!({"weights": [gram(20.0, 40.0, mm(100.0))], "correct_at": correct_at}))).unwrap();
    let each = 10.0 / 2.0 / 3.0_f64.sqrt();
    let found: Vec<_> = answer.correction.iter().map(|one| (one.mass.value.value(), one.at_deg.value(), one.rim)).collect();
    for (found, wanted) in found.iter().zip([(190.0, Side::Left), (190.0, Side::Right), (250.0, Side::Left), (250.0, Side::Right)]) {
        assert!((found.0 - each).abs() < 1e-9, "{found:?}");
        assert_eq!((found.1, found.2), (wanted.0, Some(wanted.1)));
    }
    assert_eq!((found.len(), told(&answer)["unbalance"]["mass"]["value"].clone()), (4, json!(10)), "at the correction's radius");
}

#[test]
fn a_balanced_wheel_needs_no_weight() {
    let weights = json!([gram(10.0, 0.0, Value::Null), gram(10.0, 120.0, Value::Null), gram(10.0, 240.0, Value::Null)]);
    let answer = balance(&ask(json!({"weights": weights, "correct_at": {"angles_deg": [0, 0]}}))).unwrap();
    assert_eq!(told(&answer), json!({"unbalance": {"mass": {"value": 0, "unit": "g"}, "at_deg": null}, "correction": []}));
}

#[test]
fn masses_come_back_in_the_unit_of_the_first_and_angles_below_a_full_turn() {
    let ounce = json!({"mass": {"value": 1, "unit": "oz"}, "at_deg": -180.000_000_000_01, "radius": null});
    let answer = balance(&ask(json!({"weights": [ounce, gram(28.349_523_125, 540.0, Value::Null)]}))).unwrap();
    assert_eq!(told(&answer)["correction"], json!([{"mass": {"value": 2, "unit": "oz"}, "at_deg": 0, "rim": null}]));
}

#[test]
fn impossible_balances_are_refused() {
    let refused = |weights: Value, correct_at: Value| pointers(balance(&ask(json!({"weights": weights, "correct_at": correct_at}))));
    let weight = gram(20.0, 40.0, Value::Null);
    for angles in [json!([0, 180]), json!([30, 80]), json!([220, 220]), json!([220]), json!([210, 220, 230])] {
        assert_eq!(refused(json!([weight]), json!({"angles_deg": angles})), ["/correct_at/angles_deg"], "{angles}");
    }
    assert_eq!(refused(json!([]), Value::Null), ["/weights"]);
    assert_eq!(refused(json!([weight]), json!({"rims": 3, "radius": mm(0.0)})), ["/correct_at/radius/value", "/correct_at/rims"]);
    let wrong = json!({"mass": mm(20.0), "at_deg": 40, "radius": {"value": -5, "unit": "g"}});
    assert_eq!(
        refused(json!([weight, wrong]), json!({"radius": mm(200.0)})),
        ["/weights/1/mass/unit", "/weights/1/radius/unit", "/weights/1/radius/value"]
    );
    let radii = json!([gram(20.0, 40.0, mm(200.0)), gram(20.0, 40.0, mm(215.0))]);
    assert_eq!(refused(radii, Value::Null), ["/correct_at/radius"]);
    let radii = json!([gram(20.0, 40.0, mm(254.0)), gram(20.0, 40.0, json!({"value": 10, "unit": "in"}))]);
    assert!(balance(&ask(json!({"weights": radii}))).is_ok(), "one radius in two units");
}

proptest! {
    #[test]
    fn what_the_correction_adds_leaves_nothing(
        weights in prop::collection::vec((-50.0_f64..50.0, 0.0_f64..360.0, 50.0_f64..300.0), 1..6), split in any::<bool>(), spread in 5.0_f64..85.0,
    ) {
        let weights: Vec<_> = weights.iter().map(|(mass, at, radius)| gram(*mass, *at, mm(*radius))).collect();
        let plain = balance(&ask(json!({"weights": weights, "correct_at": {"radius": mm(215.0)}}))).unwrap();
        let heavy = plain.unbalance.at_deg.map_or(0.0, |at| at.value());
        let angles = split.then(|| vec![heavy + 180.0 - spread, heavy + 180.0 + spread / 2.0]);
        let correct_at = json!({"radius": mm(215.0), "angles_deg": angles, "rims": 2});
        let answer = balance(&ask(json!({"weights": weights, "correct_at": correct_at}))).unwrap();
        let mut all = weights;
        for one in &answer.correction {
            prop_assert!(one.mass.value.value() >= 0.0);
            prop_assert!((0.0..360.0).contains(&one.at_deg.value()));
            all.push(gram(one.mass.value.value(), one.at_deg.value(), mm(215.0)));
        }
        let left = balance(&ask(json!({"weights": all, "correct_at": {"radius": mm(215.0)}}))).unwrap();
        prop_assert!(left.unbalance.mass.value.value() < 1e-7, "{:?}", left.unbalance);
    }
}

fn points(values: &[(f64, f64)], unit: &str) -> Value {
    values.iter().map(|(distance, value)| json!({"part_distance": {"value": distance, "unit": unit}, "value": value})).collect()
}

#[test]
fn wear_meets_the_limit_at_a_part_distance_in_the_unit_asked() {
    let body = json!({"points": points(&[(0.0, 5.0), (5000.0, 4.2), (11000.0, 3.1)], "km"), "unit": "mm", "limit": 1.0});
    let found = told(&wear(&ask(body)).unwrap());
    let at = |key: &str| found["at"][key]["value"].as_f64().unwrap();
    for (key, wanted) in [("p10", 21_281.550_160_374_64), ("p50", 23_244.444_444_444_445), ("p90", 25_717.179_078_453_606)] {
        assert!((at(key) / wanted - 1.0).abs() < 1e-9, "{key} {}", at(key));
    }
    assert_eq!((&found["at"]["p50"]["unit"], &found["points"]), (&json!("km"), &json!(3)));
    assert!((found["per_1000"]["value"].as_f64().unwrap() + 0.173_076_923_076_9).abs() < 1e-12);
    assert_eq!(found["per_1000"]["unit"], json!("mm"));
}

#[test]
fn two_values_give_the_line_alone() {
    let body = json!({"points": points(&[(0.0, 5.0), (8000.0, 3.4)], "mi"), "unit": "mm", "limit": 1, "new_value": null});
    assert_eq!(told(&wear(&ask(body)).unwrap())["at"], json!({"p10": null, "p50": {"value": 20000, "unit": "mi"}, "p90": null}));
}

#[test]
fn one_value_takes_the_new_value_and_a_growing_one_goes_up_to_its_limit() {
    let body = json!({"points": points(&[(5000.0, 0.5)], "mi"), "unit": "percent", "limit": 2, "new_value": 0});
    let found = told(&wear(&ask(body)).unwrap());
    assert_eq!((&found["at"]["p50"]["value"], &found["points"]), (&json!(20000), &json!(1)));
}

#[test]
fn no_forecast_is_an_answer_that_says_why() {
    for (values, limit, word) in [
        (&[][..], 1.0, "no measured value"),
        (&[(6000.0, 4.1)], 1.0, "one value alone"),
        (&[(0.0, 4.0), (2000.0, 4.3), (4000.0, 3.8), (6000.0, 4.1)], 1.0, "scatter"),
        (&[(0.0, 4.0), (3000.0, 4.1)], 1.0, "grow"),
        (&[(0.0, 1.2), (3000.0, 1.0)], 1.5, "shrink"),
    ] {
        let body = json!({"points": points(values, "km"), "unit": "mm", "limit": limit});
        let found = told(&wear(&ask(body)).unwrap());
        assert_eq!((&found["at"], &found["per_1000"], &found["points"]), (&Value::Null, &Value::Null, &json!(values.len())));
        assert!(found["because"][0].as_str().unwrap().contains(word), "{found}");
    }
}

#[test]
fn impossible_wear_is_refused() {
    let mut list = points(&[(0.0, 4.0), (-1.0, 3.8)], "km");
    list[0]["part_distance"]["unit"] = json!("mm");
    let body = json!({"points": list, "unit": "mm", "limit": 1});
    assert_eq!(pointers(wear(&ask(body))), ["/points/0/part_distance/unit", "/points/1/part_distance/value"]);
}

#[test]
fn conformity_gives_the_verdict_and_the_probability() {
    let body = json!({"value": 4.92, "unit": "mm", "uncertainty": 0.025, "lower": 4.9, "upper": null});
    let found = told(&conformity(&ask(body), by_rule).unwrap());
    assert_eq!(found["verdict"], json!("too_close_to_call"));
    assert!((found["probability"].as_f64().unwrap() - 0.945_200_708_3).abs() < 1e-10, "Φ(1.6): {found}");
    let body = json!({"value": 4.92, "unit": "mm", "lower": 4.9});
    assert_eq!(told(&conformity(&ask(body), by_rule).unwrap())["probability"], json!(1), "no uncertainty");
}

#[test]
fn without_a_limit_there_is_nothing_to_conform_to() {
    let found = told(&conformity(&ask(json!({"value": 4.92, "unit": "mm", "uncertainty": 0.025})), by_rule).unwrap());
    assert_eq!((&found["verdict"], &found["probability"]), (&json!("no_limit"), &Value::Null));
}

#[test]
fn impossible_conformity_is_refused() {
    let body = json!({"value": 4.92, "unit": "mm", "uncertainty": -0.1, "lower": 5, "upper": 4.9});
    assert_eq!(pointers(conformity(&ask(body), by_rule)), ["/uncertainty", "/lower"]);
}

#[test]
fn figures_keep_12_digits_whatever_their_size() {
    for (value, text) in [
        (0.0, "0"),
        (-0.0, "0"),
        (0.001_234_567_890_123_4, "0.00123456789012"),
        (25_677.419_354_838_71, "25677.4193548"),
        (-0.1 - 0.2, "-0.3"),
        (1e12, "1000000000000"),
    ] {
        assert_eq!(computed(value).text(), text);
    }
    assert_eq!(computed_angle(359.999_999_999_9).text(), "0");
}
