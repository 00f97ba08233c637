use serde::de::DeserializeOwned;
use serde_json::{Value, json};

use super::{
    Problem, event_details, fastener, installed_part, instrument, interval_rule, limit, measured, motorcycle, owner, reading, service_event,
};
use crate::domain::service::NewServiceEvent;

/// The good body with one field changed: null, a value, or a value deep inside, told by its pointer.
fn with<T: DeserializeOwned>(good: &Value, pointer: &str, value: &Value) -> T {
    let mut body = good.clone();
    match body.pointer_mut(pointer) {
        Some(field) => *field = value.clone(),
        None => body[pointer.trim_start_matches('/')] = value.clone(),
    }
    serde_json::from_value(body).unwrap_or_else(|error| panic!("{pointer}: {error}"))
}
/// Each change to the good body must give a problem at that pointer, and the good body none.
fn each<T: DeserializeOwned>(good: &Value, check: impl Fn(&T) -> Vec<Problem>, wrong: &[(&str, Value, &str)]) {
    assert_eq!(check(&serde_json::from_value(good.clone()).unwrap()), []);
    for (pointer, value, at) in wrong {
        let problems = check(&with(good, pointer, value));
        assert!(problems.iter().any(|problem| problem.pointer == *at), "{pointer} = {value}: {problems:?}");
        assert!(problems.iter().all(|problem| problem.detail.len() > 15), "{problems:?}");
    }
}

#[test]
fn limits() {
    let good = json!({"component": "drive_belt", "quantity": "deflection", "lower": 8, "upper": 10, "nominal": 9, "unit": "mm", "kind": "adjust",
        "at_force": {"value": 45, "unit": "N"}, "part_distance": {"from": {"value": 0, "unit": "mi"}, "to": {"value": 800, "unit": "mi"}},
        "part_hours": {"from": 0.5}, "part_months": {"to": 24}, "applies_to": {"years": {"from": 2015, "to": 2015}}});
    each(
        &good,
        limit,
        &[
            ("/component", json!(" "), "/component"),
            ("/unit", json!("psi"), "/unit"),
            ("/unit", json!("mi"), "/unit"),
            ("/lower", json!(10.5), "/lower"),
            ("/nominal", json!(11), "/nominal"),
            ("/at_force/unit", json!("lb"), "/at_force/unit"),
            ("/at_force/value", json!(0), "/at_force/value"),
            ("/part_distance/to/unit", json!("mm"), "/part_distance/to/unit"),
            ("/part_distance/from/value", json!(800), "/part_distance"),
            ("/part_distance/from/value", json!(-1), "/part_distance/from/value"),
            ("/part_hours", json!({"from": 2, "to": 1}), "/part_hours"),
            ("/part_months", json!({"from": 24, "to": 24}), "/part_months"),
            ("/applies_to/years/from", json!(2016), "/applies_to/years"),
            ("/source", json!("bell \u{7}"), "/source"),
        ],
    );
    let none = json!({"component": "tire", "quantity": "pressure", "unit": "psi", "kind": "adjust"});
    assert_eq!(limit(&serde_json::from_value(none).unwrap())[0].pointer, "/lower");
    let message = &limit(&with(&good, "/unit", &json!("psi")))[0].detail;
    assert!(message.contains("pressure") && message.contains("length") && message.contains("mm"), "{message}");
}

#[test]
fn fasteners() {
    let good = json!({"key": "rear_axle_nut", "name": "Rear axle nut", "component": "axle", "position": "rear", "count": 1,
        "stages": [{"lower": 20, "upper": 20, "unit": "N.m"}, {"lower": 85, "unit": "deg"}], "recheck_after": {"value": 50, "unit": "mi"}});
    each(
        &good,
        fastener,
        &[
            ("/key", json!("Rear axle"), "/key"),
            ("/key", json!("x".repeat(61)), "/key"),
            ("/key", json!(""), "/key"),
            ("/name", json!(""), "/name"),
            ("/name", json!("Rear\naxle"), "/name"),
            ("/count", json!(0), "/count"),
            ("/stages/0/lower", json!(21), "/stages/0/lower"),
            ("/stages/1/lower", json!(-1), "/stages/1/lower"),
            ("/stages/1/lower", json!(null), "/stages/1"),
            ("/stages/0/unit", json!("psi"), "/stages/0/unit"),
            ("/recheck_after/unit", json!("h"), "/recheck_after/unit"),
            ("/recheck_after/value", json!(0), "/recheck_after/value"),
        ],
    );
}

#[test]
fn interval_rules() {
    let good = json!({"name": "Oil", "component": "engine_oil", "operation": "replace", "first": {"distance": {"value": 600, "unit": "mi"}},
        "every": {"distance": {"value": 5000, "unit": "mi"}, "hours": 50, "months": 12}, "window": 0.1,
        "lead": {"distance": {"value": 0, "unit": "mi"}, "hours": 0, "days": 30}, "grace": {"hours": 1}, "applies_to": {"years": {"from": 2015}}});
    each(
        &good,
        interval_rule,
        &[
            ("/name", json!("\t"), "/name"),
            ("/every/distance/unit", json!("mm"), "/every/distance/unit"),
            ("/every/distance/value", json!(0), "/every/distance/value"),
            ("/first/distance/value", json!(1e9), "/first/distance/value"),
            ("/every/hours", json!(0), "/every/hours"),
            ("/every/months", json!(0), "/every/months"),
            ("/every/months", json!(1201), "/every/months"),
            ("/window", json!(1), "/window"),
            ("/window", json!(-0.1), "/window"),
            ("/lead/distance/value", json!(-1), "/lead/distance/value"),
            ("/lead/days", json!(4000), "/lead/days"),
            ("/grace/hours", json!(-1), "/grace/hours"),
            ("/applies_to/years", json!({"from": 2016, "to": 2015}), "/applies_to/years"),
        ],
    );
    let none = json!({"name": "Oil", "component": "engine_oil", "operation": "replace", "every": {}, "first": {}});
    assert_eq!(interval_rule(&serde_json::from_value(none).unwrap())[0].pointer, "/every");
    let once = json!({"name": "Oil", "component": "engine_oil", "operation": "replace", "first": {"months": 1}});
    assert_eq!(interval_rule(&serde_json::from_value(once).unwrap()), []);
}

#[test]
fn motorcycles_owners_readings_and_instruments() {
    let bike = json!({"name": "Courier 3", "year": 2021, "final_drive": "chain", "odometer_unit": "mi", "in_service_on": "2021-04-10",
        "interval_factor": 0.5, "records_begin": {"on": "2022-01-01", "odometer": 0}, "notes": "two\nlines"});
    each(
        &bike,
        motorcycle,
        &[
            ("/name", json!(""), "/name"),
            ("/name", json!("x".repeat(201)), "/name"),
            ("/name", json!("a\u{0}b"), "/name"),
            ("/year", json!(1884), "/year"),
            ("/year", json!(2101), "/year"),
            ("/interval_factor", json!(0.09), "/interval_factor"),
            ("/interval_factor", json!(3.1), "/interval_factor"),
            ("/in_service_on", json!("1884-12-31"), "/in_service_on"),
            ("/records_begin/on", json!("2201-01-01"), "/records_begin/on"),
            ("/records_begin/odometer", json!(-1), "/records_begin/odometer"),
            ("/notes", json!("x".repeat(10_001)), "/notes"),
            ("/notes", json!("\u{1b}[2J"), "/notes"),
        ],
    );
    each(
        &json!({"name": "Ada Birch", "email": "ada@example.org"}),
        owner,
        &[
            ("/name", json!(" "), "/name"),
            ("/email", json!("ada"), "/email"),
            ("/email", json!("ada@example.org\r\nBcc: all@example.org"), "/email"),
            ("/email", json!("Ada <ada@example.org>"), "/email"),
        ],
    );
    each(
        &json!({"on": "2026-05-02", "reading": 12345}),
        reading,
        &[("/reading", json!(-1), "/reading"), ("/reading", json!(10_000_001), "/reading"), ("/on", json!("0001-01-01"), "/on")],
    );
    let replaced = json!({"on": "2026-05-02", "kind": "rolled_over", "old_final": 99_999, "new_start": 0, "capacity": 100_000});
    each(&replaced, instrument, &[("/old_final", json!(-5), "/old_final"), ("/capacity", json!(0), "/capacity")]);
}

fn service() -> Value {
    json!({"on": "2026-05-02", "odometer": 12345, "work": [{"component": "drive_chain", "operation": "adjust", "note": "a\r\nb\tc"}],
        "fitted": [{"component": "tire", "position": "rear", "prior_distance": 0}, {"installed_part_id": "01933b6e-9a44-7cc0-8000-3f2a5c1d9e77"}],
        "measured": [{"component": "brake_pads", "quantity": "thickness", "readings": [3.5, 3.4], "unit": "mm", "resolution": 0.1}],
        "tightened": [{"fastener": "rear_axle_nut", "stages": [{"value": 22, "unit": "N.m"}],
            "adapter": {"length": {"value": 0, "unit": "mm"}, "wrench_length": {"value": 400, "unit": "mm"}}}],
        "filled": [{"component": "fork_oil", "quantity": {"value": 540, "unit": "mL"}}], "as_found": [{"component": "axle", "text": "Spacer"}],
        "follow_ups": [{"text": "Check the chain", "in": {"distance": 500}}, {"text": "Next time"}],
        "labor_minutes": 90, "cost": {"amount": "84.50", "currency": "EUR"}})
}

#[test]
fn service_events() {
    each(
        &service(),
        service_event,
        &[
            ("/on", json!("1500-01-01"), "/on"),
            ("/odometer", json!(-1), "/odometer"),
            ("/work/0/component", json!(""), "/work/0/component"),
            ("/work/0/note", json!("a\rb"), "/work/0/note"),
            ("/fitted/0/component", json!(null), "/fitted/0/component"),
            ("/fitted/0/prior_distance", json!(-1), "/fitted/0/prior_distance"),
            ("/fitted/1", json!({"installed_part_id": "01933b6e-9a44-7cc0-8000-3f2a5c1d9e77", "condition": "used"}), "/fitted/1/condition"),
            ("/measured/0/unit", json!("bar"), "/measured/0/unit"),
            ("/measured/0/readings", json!([]), "/measured/0/readings"),
            ("/measured/0/readings", json!(vec![1; 361]), "/measured/0/readings"),
            ("/measured/0/readings/1", json!(-0.1), "/measured/0/readings/1"),
            ("/measured/0/resolution", json!(0), "/measured/0/resolution"),
            ("/tightened/0/stages/0/unit", json!("mm"), "/tightened/0/stages/0/unit"),
            ("/tightened/0/stages/0/value", json!(-1), "/tightened/0/stages/0/value"),
            ("/tightened/0/adapter/length/unit", json!("N"), "/tightened/0/adapter/length/unit"),
            ("/tightened/0/adapter/wrench_length/value", json!(0), "/tightened/0/adapter/wrench_length/value"),
            ("/filled/0/quantity/unit", json!("mm"), "/filled/0/quantity/unit"),
            ("/filled/0/quantity/value", json!(0), "/filled/0/quantity/value"),
            ("/as_found/0/text", json!(" "), "/as_found/0/text"),
            ("/follow_ups/0/text", json!(""), "/follow_ups/0/text"),
            ("/follow_ups/0/in", json!({}), "/follow_ups/0/in"),
            ("/follow_ups/0/in/distance", json!(0), "/follow_ups/0/in/distance"),
            ("/follow_ups/0/in", json!({"months": 0}), "/follow_ups/0/in/months"),
            ("/labor_minutes", json!(-1), "/labor_minutes"),
            ("/cost/amount", json!("84,50"), "/cost/amount"),
            ("/cost/amount", json!("84."), "/cost/amount"),
            ("/cost/amount", json!("-1"), "/cost/amount"),
            ("/cost/currency", json!("eur"), "/cost/currency"),
        ],
    );
    let details = json!({"cost": {"amount": "1", "currency": "EUR"}, "filled": [], "labor_minutes": 0});
    each(&details, event_details, &[("/labor_minutes", json!(100_001), "/labor_minutes"), ("/summary", json!("\u{0}"), "/summary")]);
    each(&json!({"component": "tire", "on": "2026-05-02"}), installed_part, &[("/component", json!(null), "/component")]);
}

#[test]
fn measured_lines() {
    let good = json!({"component": "brake_fluid", "quantity": "temperature", "readings": [-40, 446], "unit": "degF", "uncertainty": 0});
    each(
        &good,
        |new| measured(new, ""),
        &[
            ("/readings/0", json!(-460), "/readings/0"),
            ("/uncertainty", json!(-1), "/uncertainty"),
            ("/at_force", json!({"value": 45, "unit": "kg"}), "/at_force/unit"),
        ],
    );
    // A dial gauge at a rim goes both ways.
    let runout = json!({"component": "wheel", "quantity": "runout", "readings": [-0.2, 0.1], "unit": "mm"});
    assert_eq!(measured(&serde_json::from_value(runout).unwrap(), "/measured/3"), []);
}

#[test]
fn a_service_of_ten_thousand_lines_is_refused_at_once() {
    let mut event: NewServiceEvent = serde_json::from_value(service()).unwrap();
    event.work = vec![event.work[0].clone(); 2000];
    assert_eq!(service_event(&event), []);
    event.work = vec![event.work[0].clone(); 10_000];
    let problems = service_event(&event);
    assert_eq!((problems.len(), problems[0].pointer.as_str()), (1, "/work"));
    assert!(problems[0].detail.contains("10000") && problems[0].detail.contains("2000"), "{problems:?}");
}

#[test]
fn a_pointer_is_escaped() {
    let body = json!({"a/b": {"m~n": "\u{0}"}});
    assert_eq!(super::strings_and_lists(&body)[0].pointer, "/a~1b/m~0n");
}
