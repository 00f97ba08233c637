use serde_json::{Value, json};
use uuid::Uuid;

use super::*;
use crate::domain::validate;

fn wheel(fields: &Value) -> NewProcedure {
    let mut new = json!({"title": "Refit the rear wheel", "component": "wheel", "position": "rear", "operation": "fit",
        "steps": [{"text": "Clean the axle"}, {"text": "Tighten the nut", "fastener": "rear_axle_nut"},
            {"text": "Check the belt", "limit": {"component": "drive_belt", "quantity": "deflection"}}, {"text": "Pump the brake"}]});
    for (name, value) in fields.as_object().unwrap() {
        new[name] = value.clone();
    }
    serde_json::from_value(new).unwrap()
}
fn version(new: NewProcedure) -> ProcedureVersion {
    ProcedureVersion::new(Id::new(Uuid::from_u128(2)), Id::new(Uuid::from_u128(1)), 3, new, "R. Moss".into(), OffsetDateTime::UNIX_EPOCH)
}
fn followed(steps_done: &[u32], left_out: &[(u32, &str)]) -> NewFollowed {
    let left = |(step, reason): &(u32, &str)| StepLeftOut { step: *step, reason: (*reason).to_owned() };
    NewFollowed {
        id: Id::new(Uuid::from_u128(1)),
        version: 3,
        steps_done: steps_done.to_vec(),
        steps_left_out: left_out.iter().map(left).collect(),
    }
}
fn pointers(problems: &[Problem]) -> Vec<&str> {
    problems.iter().map(|problem| problem.pointer.as_str()).collect()
}

#[test]
fn a_procedure_needs_a_title_a_component_and_steps_on_one_line() {
    assert_eq!(validate::procedure(&wheel(&json!({}))), []);
    for (fields, pointer) in [
        (json!({"title": " "}), "/title"),
        (json!({"component": ""}), "/component"),
        (json!({"steps": []}), "/steps"),
        (json!({"steps": vec![json!({"text": "Turn"}); MOST_STEPS + 1]}), "/steps"),
        (json!({"steps": [{"text": "Turn"}, {"text": ""}]}), "/steps/1/text"),
        (json!({"steps": [{"text": "Turn\nand turn"}]}), "/steps/0/text"),
        (json!({"steps": [{"text": "x".repeat(501)}]}), "/steps/0/text"),
        (json!({"steps": [{"text": "Turn", "fastener": ""}]}), "/steps/0/fastener"),
        (json!({"steps": [{"text": "Turn", "caution": " "}]}), "/steps/0/caution"),
        (json!({"steps": [{"text": "Turn", "limit": {"component": "", "quantity": "length"}}]}), "/steps/0/limit/component"),
        (json!({"applies_to": {"years": {"from": 2022, "to": 2020}}}), "/applies_to/years"),
    ] {
        assert_eq!(pointers(&validate::procedure(&wheel(&fields))), [pointer], "{fields}");
    }
}

#[test]
fn the_cautions_of_everything_it_touches_belong_to_it() {
    let cautions = wheel(&json!({})).cautions();
    assert!(cautions.iter().any(|text| text.contains("A jack lifts")), "of the wheel: {cautions:?}");
    assert!(cautions.iter().any(|text| text.contains("Nobody is under the machine")), "of the belt: {cautions:?}");
}

#[test]
fn each_step_is_done_left_out_or_not_said() {
    let version = version(wheel(&json!({})));
    let made = follow(&followed(&[1, 4], &[(3, "Shaft drive")]), &version, "").unwrap();
    let told: Vec<_> = made.steps.iter().map(|step| (step.done, step.left_out_because.as_deref())).collect();
    assert_eq!(told, [(true, None), (false, None), (false, Some("Shaft drive")), (true, None)]);
    assert_eq!((made.version, made.title.as_str(), made.steps[1].text.as_str()), (3, "Refit the rear wheel", "Tighten the nut"));
    assert_eq!(made.not_done().map(|(number, _)| number).collect::<Vec<_>>(), [2, 3]);
    assert_eq!(made.in_words(), "Refit the rear wheel (version 3): steps 1, 4 of 4 done.");
    let all = follow(&followed(&[4, 3, 2, 1], &[]), &version, "").unwrap();
    assert_eq!(all.in_words(), "Refit the rear wheel (version 3): all 4 steps done.");
    let none = follow(&followed(&[], &[(2, "No wrench")]), &version, "").unwrap();
    assert_eq!(none.in_words(), "Refit the rear wheel (version 3): none of 4 steps is said to be done.");
}

#[test]
fn steps_are_told_in_runs() {
    let version = version(wheel(&json!({"steps": vec![json!({"text": "Turn"}); 9]})));
    for (done, words) in
        [(&[1, 2, 3, 4, 6][..], "1 to 4, 6"), (&[9, 8][..], "8, 9"), (&[2][..], "2"), (&[1, 2, 3, 5, 6, 8, 9][..], "1 to 3, 5, 6, 8, 9")]
    {
        assert_eq!(follow(&followed(done, &[]), &version, "").unwrap().done_in_words(), words);
    }
}

#[test]
fn steps_that_are_not_there_or_named_twice_are_refused() {
    let version = version(wheel(&json!({})));
    let wrong = |done: &[u32], left: &[(u32, &str)]| {
        let problems = follow(&followed(done, left), &version, "/procedures/0").unwrap_err();
        problems.iter().map(|problem| format!("{}: {}", problem.pointer, problem.detail)).collect::<Vec<_>>()
    };
    let there_is_no = |step: u32| format!("there is no step {step}: version 3 has the steps 1 to 4");
    assert_eq!(wrong(&[0], &[]), [format!("/procedures/0/steps_done/0: {}", there_is_no(0))]);
    assert_eq!(wrong(&[1, 5], &[]), [format!("/procedures/0/steps_done/1: {}", there_is_no(5))]);
    assert_eq!(wrong(&[1], &[(u32::MAX, "x")]), [format!("/procedures/0/steps_left_out/0/step: {}", there_is_no(u32::MAX))]);
    let twice = "step 1 is named twice; it was either done or left out, once";
    assert_eq!(wrong(&[1, 1], &[]), [format!("/procedures/0/steps_done/1: {twice}")]);
    assert_eq!(wrong(&[1], &[(1, "x")]), [format!("/procedures/0/steps_left_out/0/step: {twice}")]);
    assert_eq!(wrong(&[1], &[(2, " ")]), ["/procedures/0/steps_left_out/0/reason: must not be empty; say why step 2 was left out"]);
    assert_eq!(wrong(&[], &[]), ["/procedures/0/steps_done: names no step; say which were done, or leave the procedure out"]);
}
