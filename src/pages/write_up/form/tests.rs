use super::*;
use crate::domain::words::{Measurand, Thread};

fn form(pairs: &[(&str, &str)]) -> Form {
    let on = if pairs.iter().any(|pair| pair.0 == "on") { None } else { Some(("on", "2026-05-02".to_owned())) };
    Form::showing(on.into_iter().chain(pairs.iter().map(|(name, value)| (*name, (*value).to_owned()))))
}
fn tick(id: &str, component: &str, operation: Operation) -> Tick {
    let starts_part = operation == Operation::Replace;
    Tick { id: id.into(), component: Some(component.into()), position: None, operation: Some(operation), follow_up: None, starts_part }
}
fn read_all(pairs: &[(&str, &str)], due: &[Tick]) -> (Form, Read) {
    let mut form = form(pairs);
    let read = read(&mut form, due, "EUR");
    (form, read)
}
fn event(pairs: &[(&str, &str)], due: &[Tick]) -> NewServiceEvent {
    let (form, read) = read_all(pairs, due);
    assert_eq!(form.wrong_places(), []);
    read.event.unwrap()
}
fn refused(read: &Read, form: &mut Form, pointer: &str) {
    form.refused(read.at_the_fields(Error::invalid(pointer, "No."))).unwrap();
}

#[test]
fn what_is_ticked_becomes_work_and_settles_what_was_left() {
    let left = "01a21364-0e67-7760-9760-37b7a267b9ce";
    let follow_up = Tick { follow_up: Some(left.parse().unwrap()), operation: None, ..tick("c", "pad_pin", Operation::Record) };
    let due = [tick("a", "drive_chain", Operation::Lubricate), tick("b", "brake_fluid", Operation::Replace), follow_up];
    let event = event(&[("odometer", "16,214"), ("due", "a"), ("due", "c"), ("follow_ups_done", left)], &due);
    assert_eq!(event.work.len(), 1);
    assert_eq!((event.work[0].component.as_str(), event.work[0].operation), ("drive_chain", Operation::Lubricate));
    assert_eq!(event.follow_ups_done, [left.parse().unwrap()]);
    assert_eq!(event.odometer.unwrap().text(), "16214");
}
#[test]
fn a_part_that_was_due_starts_anew_with_what_is_said_about_it() {
    let due = [tick("a", "tire", Operation::Replace)];
    let row = [("fitted.da", "due a"), ("fitted.da.description", "Touring 120/70"), ("fitted.da.date_code", "0926")];
    let ticked = event(&[&[("due", "a")], &row[..]].concat(), &due);
    assert_eq!((ticked.work.len(), ticked.fitted.len()), (1, 1));
    assert_eq!(ticked.fitted[0].component.as_deref(), Some("tire"));
    assert_eq!((ticked.fitted[0].description.as_str(), ticked.fitted[0].date_code.as_deref()), ("Touring 120/70", Some("0926")));
    // Described but not ticked, it is fitted all the same: nothing typed is lost.
    assert_eq!(event(&row, &due).fitted, ticked.fitted);
    // Neither ticked nor described, it is nothing.
    let other = event(&[("notes", "x"), ("fitted.da", "due a"), ("fitted.da.description", " ")], &due);
    assert_eq!(other.fitted, []);
}
#[test]
fn rows_that_were_left_empty_make_no_line_and_problems_still_find_their_rows() {
    let pairs = [
        ("measured.m1", "drive_belt|rear|deflection|45 N|"),
        ("measured.m1.unit", "mm"),
        ("measured.m1.readings.0", ""),
        ("measured.m2", "tire|front|tread_depth||"),
        ("measured.m2.unit", "1/32in"),
        ("measured.m2.resolution", "0,5"),
        ("measured.m2.readings.0", "5"),
        ("measured.m2.readings.1", ""),
        ("measured.m2.readings.2", "4,5"),
        ("work.r0", "free"),
        ("work.r0.component", ""),
        ("work.r3", "free"),
        ("work.r3.component", "lights"),
        ("work.r3.position", "front"),
        ("work.r3.operation", "inspect"),
        ("work.r3.note", "dim"),
    ];
    let (mut form, read) = read_all(&pairs, &[]);
    let event = read.event.as_ref().unwrap();
    assert_eq!(event.measured.len(), 1);
    let value = &event.measured[0];
    assert_eq!((value.component.as_str(), value.quantity, value.unit), ("tire", Measurand::TreadDepth, Unit::ThirtySecondIn));
    assert_eq!(value.readings.iter().map(Figure::text).collect::<Vec<_>>(), ["5", "4.5"]);
    assert_eq!(value.resolution.as_ref().unwrap().text(), "0.5");
    assert_eq!((event.work[0].component.as_str(), event.work[0].note.as_str()), ("lights", "dim"));
    refused(&read, &mut form, "/measured/0/readings/1");
    assert!(form.has_focus("measured.m2.readings.2"));
    refused(&read, &mut form, "/work/0/component");
    assert!(form.is_wrong("work.r3.component"));
    refused(&read, &mut form, "/odometer");
    assert!(form.wrong_places().iter().any(|wrong| wrong.field.is_none()), "the form has no odometer");
}
#[test]
fn torque_goes_stage_by_stage() {
    let stages = [
        ("tightened.frear_axle_nut", "rear_axle_nut"),
        ("tightened.frear_axle_nut.stages.0", "22"),
        ("tightened.frear_axle_nut.unit.0", "N.m"),
        ("tightened.frear_axle_nut.stages.1", "81.5"),
        ("tightened.frear_axle_nut.unit.1", "ft-lb"),
        ("tightened.frear_axle_nut.witness_mark", "yes"),
        ("tightened.frear_axle_nut.single_use_was", ""),
    ];
    let (mut form, read) = read_all(&stages, &[]);
    let line = &read.event.as_ref().unwrap().tightened[0];
    assert_eq!(line.stages.iter().map(ToString::to_string).collect::<Vec<_>>(), ["22 N.m", "81.5 ft-lb"]);
    assert!(line.witness_mark);
    refused(&read, &mut form, "/tightened/0/stages/1/value");
    assert!(form.is_wrong("tightened.frear_axle_nut.stages.1"));
    refused(&read, &mut form, "/tightened/0/single_use_was");
    assert!(form.is_wrong("tightened.frear_axle_nut.single_use_was"));
    // A stage that is left out would move the later ones up.
    let mut gap = stages;
    gap[1].1 = "";
    let (form, read) = read_all(&gap, &[]);
    assert!(read.event.is_none() && form.has_focus("tightened.frear_axle_nut.stages.0"));
}
#[test]
fn an_adapter_takes_both_lengths_and_a_thread_is_said_with_it() {
    let fields = [
        ("tightened.fnut", "nut"),
        ("tightened.fnut.stages.0", "90"),
        ("tightened.fnut.unit.0", "N.m"),
        ("tightened.fnut.thread", "oiled"),
        ("tightened.fnut.adapter", "60"),
        ("tightened.fnut.wrench", "240"),
        ("tightened.fnut.lengths", "mm"),
    ];
    let (mut form, read) = read_all(&fields, &[]);
    let line = &read.event.as_ref().unwrap().tightened[0];
    let adapter = line.adapter.as_ref().unwrap();
    assert_eq!((adapter.length.to_string(), adapter.wrench_length.to_string()), ("60 mm".into(), "240 mm".into()));
    assert_eq!(line.thread, Some(Thread::Oiled));
    refused(&read, &mut form, "/tightened/0/adapter/length");
    assert!(form.is_wrong("tightened.fnut.adapter"));
    let mut half = fields;
    half[5].1 = "";
    let (form, read) = read_all(&half, &[]);
    assert!(read.event.is_none() && form.has_focus("tightened.fnut.wrench"));
}
#[test]
fn the_same_again_says_what_it_is_unless_something_else_is_typed() {
    let due = [tick("d1", "brake_pads", Operation::Replace)];
    let mut fields = [("due", "d1"), ("fitted.d1", "due d1"), ("fitted.d1.same", "Sintered\tHD-RP-22"), ("fitted.d1.description", "")];
    let same = event(&fields, &due).fitted.remove(0);
    assert_eq!((same.description.as_str(), same.part_number.as_deref()), ("Sintered", Some("HD-RP-22")));
    let other_number = [&fields[..], &[("fitted.d1.part_number", "HD-RP-23")]].concat();
    let same = event(&other_number, &due).fitted.remove(0);
    assert_eq!((same.description.as_str(), same.part_number.as_deref()), ("Sintered", Some("HD-RP-23")));
    fields[3].1 = "Organic";
    let other = event(&fields, &due).fitted.remove(0);
    assert_eq!((other.description.as_str(), other.part_number), ("Organic", None));
}
#[test]
fn what_is_left_for_later_has_a_time_or_waits_until_it_is_open() {
    let event = event(
        &[
            ("follow_ups.r0", "free"),
            ("follow_ups.r0.text", "Check the spoke again"),
            ("follow_ups.r0.distance", "500"),
            ("follow_ups.r1", "free"),
            ("follow_ups.r1.text", "New clip"),
            ("follow_ups.r1.component", "pad_pin"),
        ],
        &[],
    );
    assert_eq!(event.follow_ups[0].due_in.as_ref().unwrap().distance.as_ref().unwrap().text(), "500");
    assert_eq!((event.follow_ups[1].component.as_deref(), &event.follow_ups[1].due_in), (Some("pad_pin"), &None));
}
/// Whatever is typed into one field of any row either reaches the event or is complained about.
#[test]
fn nothing_that_was_typed_is_lost() {
    let rows: [(&str, &[&str]); 8] = [
        ("work.r0", &["component", "position", "operation", "note"]),
        ("fitted.r0", &["component", "position", "description", "part_number", "prior_distance", "date_code", "installed_part_id", "same"]),
        ("removed.r0", &["installed_part_id", "reason"]),
        ("measured.r0", &["component", "position", "quantity", "resolution", "force", "readings.0", "readings.1"]),
        ("filled.r0", &["component", "position", "description", "amount"]),
        ("as_found.r0", &["component", "position", "text"]),
        ("follow_ups.r0", &["text", "component", "position", "distance", "months"]),
        ("tightened.fnut", &["stages.0", "stages.1", "single_use_was", "thread", "adapter", "wrench"]),
    ];
    for (row, fields) in rows {
        for typed in fields {
            let names: Vec<_> = fields.iter().map(|field| at(row, field)).collect();
            let mut pairs = vec![(row, if row.starts_with("tightened") { "nut" } else { "free" })];
            pairs.extend(fields.iter().zip(&names).map(|(field, name)| (name.as_str(), if field == typed { "zebra" } else { "" })));
            let (form, read) = read_all(&pairs, &[]);
            let kept = read.event.is_some_and(|event| serde_json::to_string(&event).unwrap().contains("zebra"));
            assert!(kept || form.has_problems(), "{row}.{typed}");
        }
    }
}
#[test]
fn an_empty_form_says_what_to_do() {
    let (form, read) = read_all(&[("due", ""), ("odometer", "")], &[]);
    assert!(read.event.is_none());
    assert!(form.has_focus("due") && form.message("due").unwrap().starts_with("Nothing is written down yet"));
    let (form, _) = read_all(&[("on", ""), ("notes", "x")], &[]);
    assert!(form.has_focus("on"));
    let (form, _) = read_all(&[("due", "gone")], &[]);
    assert!(form.message("due").unwrap().contains("not due here any more"));
}
#[test]
fn an_amount_of_money_may_have_a_comma() {
    let event = event(&[("cost.amount", "84,50")], &[]);
    assert_eq!(event.cost, Some(Cost { amount: "84.50".into(), currency: "EUR".into() }));
}
#[test]
fn more_rows_than_the_page_takes_are_refused() {
    let names: Vec<_> = (0..=MOST_ROWS).map(|number| format!("work.r{number}")).collect();
    let pairs: Vec<_> = names.iter().map(|name| (name.as_str(), "free")).chain([("notes", "x")]).collect();
    let (form, read) = read_all(&pairs, &[]);
    assert!(read.event.is_none() && form.has_problems());
}
#[test]
fn a_spec_comes_back_from_its_text() {
    for text in ["drive_belt|rear|deflection|45 N|", "tire||pressure||new"] {
        let spec: Spec = text.parse().unwrap();
        assert_eq!(spec.to_string(), text);
    }
    assert!("free".parse::<Spec>().is_err() && "a|b|c|d|e".parse::<Spec>().is_err());
}

#[test]
fn ticked_steps_and_reasons_make_a_procedure_that_was_followed() {
    let id = "01a21364-0e67-7760-9760-37b7a267b9ce";
    let (row, untouched) = ("procedures.p-b267b9ce".to_owned(), "procedures.p-b267b9cf");
    let (done, why_2, why_4) = (format!("{row}.done"), format!("{row}.why.2"), format!("{row}.why.4"));
    let marker = format!("{id} 3");
    let typed = [
        (untouched, "01a21364-0e67-7760-9760-37b7a267b9cf 1"),
        (&row, &marker),
        (&done, "3"),
        (&done, "1"),
        (&why_2, ""),
        (&why_4, "No gauge"),
    ];
    let (mut form, read) = read_all(&typed, &[]);
    let event = read.event.clone().unwrap();
    assert_eq!(event.procedures.len(), 1, "one in which nothing was ticked is not followed");
    let followed = &event.procedures[0];
    assert_eq!((followed.id.to_string().as_str(), followed.version, &followed.steps_done[..]), (id, 3, &[1, 3][..]));
    assert_eq!((followed.steps_left_out[0].step, followed.steps_left_out[0].reason.as_str()), (4, "No gauge"));
    refused(&read, &mut form, "/procedures/0/steps_left_out/0/step");
    refused(&read, &mut form, "/procedures/0/steps_done/1");
    assert!(form.is_wrong(&why_4) && form.is_wrong(&done));
}
