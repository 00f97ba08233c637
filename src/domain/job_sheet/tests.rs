use serde_json::{Value, json};
use time::OffsetDateTime;

use super::*;
use crate::domain::quantity::Unit;
use crate::domain::{
    fixture::{Bench, TODAY, id, mi, rule},
    rule::IntervalRule,
    words::{Condition, Status},
};

fn fastener(number: u128, details: &Value) -> Fastener {
    let mut new = json!({"key": "rear_axle_nut", "name": "Rear axle nut", "component": "axle", "position": "rear"});
    new.as_object_mut().unwrap().extend(details.as_object().unwrap().clone());
    Fastener::from_new(id(number), serde_json::from_value(new).unwrap(), OffsetDateTime::UNIX_EPOCH)
}
fn limit(number: u128, from: Option<f64>, to: Option<f64>) -> Limit {
    let range = json!({"from": from.map(mi), "to": to.map(mi)});
    let new = json!({"component": "tire", "quantity": "tread_depth", "lower": 1.6, "unit": "mm", "kind": "legal", "part_distance": range});
    Limit::from_new(id(number), serde_json::from_value(new).unwrap(), OffsetDateTime::UNIX_EPOCH)
}
fn follow_up(number: u128, details: &Value) -> FollowUp {
    let mut left = json!({"id": id::<FollowUp>(number), "motorcycle_id": id::<Motorcycle>(1), "service_event_id": id::<ServiceEvent>(2),
        "on": "2026-01-01", "text": "Fit a new pin", "component": "axle", "position": "rear", "in": null, "status": "open", "reason": null,
        "done_in": null, "struck_out": null, "created_at": "2026-01-01T00:00:00Z"});
    left.as_object_mut().unwrap().extend(details.as_object().unwrap().clone());
    serde_json::from_value(left).unwrap()
}
fn about_tires(operation: &str) -> IntervalRule {
    rule(json!({"name": "Rear tire", "component": "tire", "position": "rear", "operation": operation, "every": {"months": 12}}))
}
fn bench() -> (Bench, Id<InstalledPart>) {
    let mut bench = Bench::new();
    bench.read("2025-01-01", 10_000.0);
    let tire = bench.fit("tire rear", Condition::New, "2025-01-01", 10_000.0);
    bench.part(tire).description = "Touring tire".into();
    bench.fit("tire front", Condition::New, "2025-01-01", 10_000.0);
    bench.read("2026-10-01", 12_000.0);
    (bench, tire)
}
#[derive(Clone, Default)]
struct Given {
    fasteners: Vec<Fastener>,
    limits: Vec<Limit>,
    notes: Vec<EventNotes>,
    follow_ups: Vec<FollowUp>,
    procedures: Vec<Procedure>,
}
fn sheet(bench: &Bench, rule: &IntervalRule, given: Given) -> JobSheet {
    sheet_of(bench, std::slice::from_ref(rule), given)
}
fn sheet_of(bench: &Bench, rules: &[IntervalRule], given: Given) -> JobSheet {
    let history = bench.history();
    let roads = Roads::new(&history);
    let making = Making {
        roads: &roads,
        today: TODAY,
        operations: bench.all(rules).iter().map(|item| item.on(TODAY)).collect(),
        others: &[],
        fasteners: &given.fasteners,
        limits: &given.limits,
        procedures: &given.procedures,
        parts: &[],
        notes: &given.notes,
        follow_ups: given.follow_ups,
    };
    making.sheet()
}

#[test]
fn replacing_a_tire_takes_the_axle_out_and_inspecting_it_does_not() {
    let (bench, _) = bench();
    let general = fastener(10, &json!({"single_use": true, "count": 2}));
    let own = fastener(11, &json!({"name": "Own nut", "single_use": true, "applies_to": {"motorcycle_id": id::<Motorcycle>(1)}}));
    let front = fastener(12, &json!({"key": "front_axle_nut", "position": "front"}));
    let given = Given { fasteners: vec![general, own, front], ..Given::default() };
    let replaced = sheet(&bench, &about_tires("replace"), given.clone());
    let names: Vec<_> = replaced.fasteners.iter().map(|fastener| fastener.name.as_str()).collect();
    assert_eq!(names, ["Own nut"]);
    assert_eq!(replaced.operations[0].status, Status::Overdue);
    let ready: Vec<_> = replaced.parts.iter().map(|part| (part.description.as_str(), part.count)).collect();
    assert_eq!(ready, [("Touring tire", 1), ("Own nut", 1)]);
    assert!(replaced.cautions.iter().any(|caution| caution.text.contains("stand holds")));
    let inspected = sheet(&bench, &about_tires("inspect"), given);
    assert_eq!((inspected.fasteners, inspected.parts), (vec![], vec![]));
}

#[test]
fn the_limits_are_those_of_the_age_that_the_part_has_or_will_have() {
    let (bench, tire) = bench();
    let given = Given { limits: vec![limit(20, None, Some(800.0)), limit(21, Some(800.0), None)], ..Given::default() };
    let inspected = sheet(&bench, &about_tires("inspect"), given.clone());
    let [worn] = inspected.limits.as_slice() else { panic!("{:?}", inspected.limits) };
    assert_eq!((worn.limit.id, worn.installed_part_id, worn.new_part), (id(21), Some(tire), false));
    assert_eq!(worn.part_distance.as_ref().unwrap().value.text(), "2000");
    let replaced = sheet(&bench, &about_tires("replace"), given);
    let [new] = replaced.limits.as_slice() else { panic!("{:?}", replaced.limits) };
    assert_eq!((new.limit.id, new.installed_part_id, new.new_part, new.age_months), (id(20), None, true, Some(0)));
}

#[test]
fn notes_of_the_last_time_and_what_was_left_for_it_come_along() {
    let (bench, _) = bench();
    let note = |component: &str, position: &str, text: &str| AsFound {
        component: component.into(),
        position: position.parse().ok(),
        text: text.into(),
    };
    let notes = vec![
        EventNotes { id: id(31), on: TODAY, as_found: vec![note("axle", "front", "Other end")], filled: vec![] },
        EventNotes { id: id(30), on: TODAY, as_found: vec![note("axle", "rear", "Shoulder left")], filled: vec![] },
        EventNotes { id: id(29), on: TODAY, as_found: vec![note("axle", "rear", "Older")], filled: vec![] },
    ];
    let follow_ups = vec![
        follow_up(40, &json!({})),
        follow_up(41, &json!({"position": "front"})),
        follow_up(42, &json!({"in": {"distance": 500, "months": null}})),
        follow_up(43, &json!({"component": "battery"})),
    ];
    let made = sheet(&bench, &about_tires("replace"), Given { notes, follow_ups, ..Given::default() });
    let texts: Vec<_> = made.as_found.iter().map(|note| note.text.as_str()).collect();
    assert_eq!(texts, ["Shoulder left"]);
    assert_eq!(made.follow_ups.iter().map(|left| left.id).collect::<Vec<_>>(), [id(40)]);
}

#[test]
fn a_fluid_is_described_as_it_was_filled_in_last() {
    let (bench, _) = bench();
    let oil = Filled {
        component: "engine_oil".into(),
        position: None,
        description: "10W-40".into(),
        quantity: Some(Quantity::rounded(3.2, Unit::L, 1)),
    };
    let notes = vec![EventNotes { id: id(30), on: TODAY, as_found: vec![], filled: vec![oil] }];
    let made = sheet(&bench, &rule(json!({"every": {"months": 12}})), Given { notes, ..Given::default() });
    let [have] = made.parts.as_slice() else { panic!("{:?}", made.parts) };
    assert_eq!((have.description.as_str(), have.quantity.as_ref().unwrap().value.text().as_str()), ("10W-40", "3.2"));
    assert!(made.limits.is_empty() && !made.caution.is_empty());
}

#[test]
fn places_meet_where_one_is_part_of_the_other() {
    let at = |text: &str| text.parse().ok();
    assert!(meet(at("front"), at("front_left")) && meet(at("front_left"), at("front")) && meet(None, at("rear")));
    assert!(!meet(at("front"), at("rear")) && !meet(at("front_left"), at("front_right")));
}

fn procedure(number: u128, details: &Value) -> Procedure {
    let mut new = json!({"title": "Refit the rear wheel", "component": "wheel", "position": "rear", "operation": "fit",
        "steps": [{"text": "Tighten the nut", "fastener": "rear_axle_nut"},
            {"text": "Measure the tread", "limit": {"component": "tire", "position": "rear", "quantity": "tread_depth"}}]});
    new.as_object_mut().unwrap().extend(details.as_object().unwrap().clone());
    Procedure::from_new(id(number), serde_json::from_value(new).unwrap(), 1, vec![], OffsetDateTime::UNIX_EPOCH)
}

#[test]
fn a_procedure_comes_with_the_work_that_it_is_for() {
    let (bench, _) = bench();
    let comes = |operation: &str, details: Value| {
        let given = Given { procedures: vec![procedure(1, &details)], ..Given::default() };
        !sheet(&bench, &about_tires(operation), given).procedures.is_empty()
    };
    assert!(comes("replace", json!({})), "the wheel comes out for the tire");
    assert!(!comes("inspect", json!({})), "it stays in");
    assert!(comes("replace", json!({"component": "axle", "operation": "tighten"})));
    assert!(!comes("replace", json!({"position": "front"})));
    assert!(comes("replace", json!({"position": null})));
    assert!(!comes("replace", json!({"operation": "adjust"})), "a wheel that is out is not trued for that");
    assert!(comes("inspect", json!({"component": "tire", "operation": "inspect"})));
    assert!(comes("replace", json!({"component": "tire", "operation": "fit"})), "a new one is fitted");
    assert!(!comes("inspect", json!({"component": "tire", "operation": "fit"})));
}

#[test]
fn its_steps_have_the_figures_of_this_motorcycle() {
    let (bench, _) = bench();
    let given = Given {
        procedures: vec![procedure(1, &json!({}))],
        fasteners: vec![
            fastener(1, &json!({"name": "Any nut"})),
            fastener(2, &json!({"name": "This nut", "applies_to": {"motorcycle_id": bench.history().motorcycle.id}})),
        ],
        limits: vec![limit(3, None, Some(1000.0)), limit(4, Some(1000.0), None)],
        ..Given::default()
    };
    let steps = sheet(&bench, &about_tires("replace"), given.clone()).procedures[0].steps.clone();
    assert_eq!(steps[0].fastener.as_ref().map(|fastener| fastener.name.as_str()), Some("This nut"));
    let held = |step: &SheetStep| step.limits.iter().map(|limit| (limit.limit.id, limit.new_part)).collect::<Vec<_>>();
    assert_eq!(held(&steps[1]), [(id(3), true)], "a new tire is on by then");
    let same = Given { procedures: vec![procedure(1, &json!({"component": "tire", "operation": "inspect"}))], ..given };
    assert_eq!(held(&sheet(&bench, &about_tires("inspect"), same).procedures[0].steps[1]), [(id(4), false)]);
    let anywhere = json!({"component": "tire", "position": null, "operation": "replace",
        "steps": [{"text": "Measure the tread", "limit": {"component": "tire", "quantity": "tread_depth"}}]});
    let limits = vec![limit(3, None, Some(1000.0)), limit(4, Some(1000.0), None)];
    let loose = Given { procedures: vec![procedure(1, &anywhere)], limits, ..Given::default() };
    let placed = |step: &SheetStep| step.limits.iter().map(|limit| (limit.limit.id, limit.position, limit.new_part)).collect::<Vec<_>>();
    let step = &sheet(&bench, &about_tires("replace"), loose.clone()).procedures[0].steps[0];
    assert_eq!(placed(step), [(id(3), "rear".parse().ok(), true)], "the work is at the rear, and so is the step");
    let all = rule(json!({"name": "Tires", "component": "tire", "operation": "inspect", "every": {"months": 12}}));
    let both = [about_tires("replace"), all];
    let step = &sheet_of(&bench, &both, loose).procedures[0].steps[0];
    let mut found = placed(step);
    found.sort_by_key(|(_, _, new)| !new);
    let wanted = [(id(3), "rear".parse().ok(), true), (id(4), "front".parse().ok(), false)];
    assert_eq!(found, wanted, "a new rear tire makes no new front tire");
    let none = Given { procedures: vec![procedure(1, &json!({}))], ..Given::default() };
    let steps = sheet(&bench, &about_tires("replace"), none).procedures[0].steps.clone();
    assert_eq!((steps[0].fastener_key.as_deref(), &steps[0].fastener), (Some("rear_axle_nut"), &None));
}
