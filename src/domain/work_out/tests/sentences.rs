//! What a mechanic reads.
use super::*;

fn read(item: &DueItem) -> String {
    format!("{}\n{}", item.title, item.because.join("\n"))
}

#[test]
fn last_time_and_projection() {
    insta::assert_snapshot!(read(&courier().due(&oil())));
}
#[test]
fn the_date_alone() {
    let mut bench = Bench::with(json!({"odometer_unit": "km"}));
    bench.event("2024-10-01", 21_940.0, &["brake_fluid replace"]);
    insta::assert_snapshot!(read(&bench.due(&rule(json!({"name": "Brake fluid", "component": "brake_fluid", "every": {"months": 24}})))));
}
#[test]
fn first_then_every_with_a_factor_and_another_unit() {
    let mut bench = Bench::new();
    bench.bike.interval_factor = Figure::parse("0.5").unwrap();
    bench.read("2021-05-01", 200.0);
    let rule = rule(json!({"name": "Valve clearance", "component": "valves", "operation": "inspect",
        "first": {"distance": km(1000.0), "months": 2}, "every": {"distance": km(24_000.0), "months": 24}}));
    insta::assert_snapshot!(read(&bench.due(&rule)));
}
#[test]
fn a_kept_anchor() {
    let bench = courier();
    let mut rule = oil();
    rule.window = Some(Figure::parse("0.1").unwrap());
    rule.every = serde_json::from_value(json!({"distance": mi(9500.0), "months": 12})).unwrap();
    insta::assert_snapshot!(read(&bench.due(&rule)));
}
#[test]
fn a_fixed_schedule() {
    let bench = courier();
    insta::assert_snapshot!(read(&bench.due(&rule(json!({"counts_from": "schedule", "first": {"distance": mi(600.0)},
        "every": {"distance": mi(5000.0), "months": 12}, "grace": {"distance": mi(500.0), "days": 14}})))));
}
#[test]
fn a_part_of_its_own() {
    let mut bench = Bench::new();
    bench.fit("drive_belt", Condition::New, "2026-05-03", 15_414.0);
    bench.read("2026-11-21", 16_214.0);
    let rule = rule(
        json!({"name": "Belt deflection", "component": "drive_belt", "scope": "part", "operation": "measure", "first": {"distance": mi(800.0)},
        "every": {"distance": mi(5000.0)}}),
    );
    insta::assert_snapshot!("a_new_part", read(&bench.due(&rule)));
    bench.event("2026-11-22", 16_220.0, &["drive_belt measure"]);
    insta::assert_snapshot!("a_part_measured", read(&bench.due(&rule)));
}
#[test]
fn a_used_tire_with_a_date_code() {
    let mut bench = Bench::new();
    let part = bench.fit("tire rear", Condition::Used, "2026-03-01", 14_000.0);
    bench.part(part).prior = Distance::from_mm(3000 * 1_609_344);
    bench.part(part).date_code = Some("3623".into());
    bench.read("2026-06-01", 15_000.0);
    insta::assert_snapshot!(read(&bench.due(&rule(json!({"name": "Rear tire", "component": "tire", "scope": "part",
        "every": {"distance": mi(9000.0), "months": 60}, "whichever": "first"})))));
}
#[test]
fn a_replaced_odometer_says_both_figures() {
    let mut bench = courier();
    bench.changed("2026-11-21", InstrumentChange::Replaced, Some(14_500.0), 0.0, 0.0).read("2026-11-22", 10.0);
    insta::assert_snapshot!(read(&bench.due(&oil())));
}
#[test]
fn nobody_knows() {
    let mut bench = Bench::with(json!({"in_service_on": "2015-05-01", "records_begin": {"on": "2024-03-01", "odometer": 18_250}}));
    bench.read("2024-03-01", 18_250.0);
    insta::assert_snapshot!(read(&bench.due(&oil())));
}
#[test]
fn left_for_later() {
    let mut bench = Bench::with(json!({"odometer_unit": "km"}));
    bench.read("2026-06-01", 20_000.0);
    let event = bench.event("2026-10-30", 23_610.0, &["throttle_cable inspect"]);
    let mark = bench.events[0].mark;
    bench.read("2026-11-24", 24_070.0);
    bench.follow_ups.push(LeftOver {
        id: id(700),
        left_in: event,
        mark,
        text: "Throttle cable, look again".into(),
        component: Some("throttle_cable".into()),
        position: None,
        due_in: Some(FollowUpIn { distance: Some(Figure::from(500)), months: None }),
        settled_on: None,
    });
    insta::assert_snapshot!(read(&bench.all(&[])[0]));
}
#[test]
fn by_the_hour_meter_and_by_a_replacement() {
    let mut bench = Bench::new();
    bench.read_hours("2026-01-01", 30.0).read_hours("2026-03-12", 72.5);
    bench.event("2026-01-01", 1000.0, &["air_filter replace"]);
    insta::assert_snapshot!(read(
        &bench.due(&rule(
            json!({"name": "Air filter", "component": "air_filter", "operation": "clean", "every": {"hours": 50, "months": 6}})
        ))
    ));
}
#[test]
fn without_readings_the_workshops_usual_distance() {
    insta::assert_snapshot!(read(&Bench::new().due(&oil())));
}
#[test]
fn nothing_depends_on_the_day_of_asking() {
    let item = courier().due(&oil());
    assert_eq!(item.on(TODAY).because, item.on(TODAY + Duration::days(400)).because);
}
