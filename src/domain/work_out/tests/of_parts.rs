//! Rules about each part: its own distance over several stays and motorcycles, its age, and what was done to it; and its wear.
#![expect(clippy::needless_pass_by_value, reason = "json!(…) is written in place")]
use super::*;
use crate::domain::{
    due_wear::{WearDue, merge_wear},
    history::{Done, DoneEvent, Mark, Ride},
    projection::Band,
    words::{Operation, Position},
};

const MI: i64 = 1_609_344;

fn tire(figures: serde_json::Value) -> IntervalRule {
    of_part("tire", "inspect", figures)
}
fn of_part(component: &str, operation: &str, figures: serde_json::Value) -> IntervalRule {
    let mut with = json!({"component": component, "scope": "part", "operation": operation});
    with.as_object_mut().unwrap().extend(figures.as_object().unwrap().clone());
    rule(with)
}
fn at(position: &str) -> Option<Position> {
    position.parse().ok()
}

#[test]
fn there_is_one_item_for_each_part_now_on_the_motorcycle() {
    let mut bench = Bench::new();
    let yearly = tire(json!({"every": {"distance": mi(8000.0), "months": 60}}));
    assert!(bench.all(std::slice::from_ref(&yearly)).is_empty());
    let front = bench.fit("tire front", Condition::New, "2025-05-01", 10_000.0);
    let rear = bench.fit("tire rear", Condition::New, "2026-03-01", 14_000.0);
    let of = |bench: &Bench, part| bench.all(std::slice::from_ref(&yearly)).into_iter().find(|item| item.installed_part_id == Some(part));
    let item = of(&bench, front).unwrap();
    assert_eq!((odometer(&item), item.due_at.on, item.position), (Some(18_000.0), Some(date!(2030 - 05 - 01)), at("front")));
    assert_eq!(odometer(&of(&bench, rear).unwrap()), Some(22_000.0));
    assert_ne!(of(&bench, rear).unwrap().id, item.id);
    // For a new part its fitting is the base, not a done event.
    assert_eq!(item.last_done, None);
    // A rule with a position is about parts there.
    let only_rear = tire(json!({"position": "rear", "every": {"months": 60}}));
    assert_eq!(bench.due(&only_rear).installed_part_id, Some(rear));
    bench.remove(rear, "2026-06-01", 15_000.0);
    assert!(bench.all(&[only_rear]).is_empty());
    assert_eq!(of(&bench, rear), None);
}

#[test]
fn a_part_fitted_used_starts_used() {
    let mut bench = Bench::new();
    let part = bench.fit("tire rear", Condition::Used, "2026-03-01", 14_000.0);
    bench.part(part).prior = Distance::from_mm(3000 * MI);
    let item = bench.due(&tire(json!({"every": {"distance": mi(8000.0)}})));
    assert_eq!((odometer(&item), item.last_done), (Some(19_000.0), None));
}

#[test]
fn fitted_when_already_past_it_it_is_that_fittings_odometer_less_what_it_was_past_by() {
    let mut bench = Bench::new();
    bench.read("2026-01-01", 10_000.0);
    let part = bench.fit("tire rear", Condition::Used, "2026-03-01", 14_000.0);
    bench.read("2026-05-01", 15_000.0);
    bench.part(part).prior = Distance::from_mm(9000 * MI);
    let worn_out = tire(json!({"every": {"distance": mi(8000.0)}}));
    let item = bench.due(&worn_out);
    assert_eq!((odometer(&item), item.remaining_distance.clone().unwrap().value.text()), (Some(13_000.0), "-2000".into()));
    // It was not on this motorcycle before it was fitted: due and overdue from that day on.
    assert_eq!((item.dates.due_from, item.dates.overdue_from), (Some(date!(2026 - 03 - 01)), Some(date!(2026 - 03 - 01))));
    assert_eq!(item.on(date!(2026 - 03 - 01)).status, Status::Overdue);
    assert!(item.because.iter().any(|it| it.contains("which it was past when it was fitted")), "{:?}", item.because);
    // Below the odometer's start there is no figure.
    bench.part(part).prior = Distance::from_mm(30_000 * MI);
    let item = bench.due(&worn_out);
    assert_eq!((odometer(&item), item.dates.due_from), (None, Some(date!(2026 - 03 - 01))));
    assert!(item.because.iter().any(|it| it.contains("before the odometer’s start")), "{:?}", item.because);
}

#[test]
fn the_first_fitting_is_the_base_over_all_stays() {
    let mut bench = Bench::new();
    let part = bench.fit("tire rear", Condition::New, "2025-03-01", 10_000.0);
    bench.remove(part, "2025-06-01", 12_000.0);
    bench.fit_again(part, Some("rear"), "2026-03-01", 20_000.0);
    let item = bench.due(&tire(json!({"every": {"distance": mi(8000.0), "months": 24}})));
    // 2,000 mi behind it: 6,000 mi are left from 20,000 mi on.
    assert_eq!((odometer(&item), item.due_at.on), (Some(26_000.0), Some(date!(2027 - 03 - 01))));
    assert_eq!(item.position, at("rear"));
}

#[test]
fn events_on_the_part_count_in_any_stay_on_any_motorcycle_at_its_position_then() {
    let checked = tire(json!({"every": {"distance": mi(1000.0)}}));
    let mut bench = Bench::new();
    let part = bench.fit("tire rear", Condition::New, "2025-03-01", 10_000.0);
    bench.event("2025-04-01", 10_600.0, &["tire rear inspect"]);
    // About another tire, about none in particular, and too early or too late to be about this one.
    bench.event("2025-02-01", 9000.0, &["tire rear inspect"]);
    bench.event("2025-04-02", 10_700.0, &["tire front inspect"]);
    bench.event("2025-04-03", 10_800.0, &["tire inspect"]);
    let item = bench.due(&checked);
    assert_eq!((odometer(&item), item.last_done.map(|it| it.on)), (Some(11_600.0), Some(date!(2025 - 04 - 01))));
    bench.remove(part, "2025-06-01", 12_000.0);
    bench.event("2025-07-01", 13_000.0, &["tire rear inspect"]);
    bench.fit_again(part, Some("rear"), "2026-03-01", 20_000.0);
    // 600 mi at the check, 2,000 mi when it came off: due at 1,600 mi, 400 mi before it was fitted again.
    assert_eq!(odometer(&bench.due(&checked)), Some(19_600.0));

    // The same with the first stay on another motorcycle.
    let mut moved = bench.clone();
    let other = id(2);
    let first = Ride { motorcycle_id: other, ..bench.history().rides[0].clone() };
    moved.others.push(first);
    moved.part(part).stays[0].motorcycle_id = other;
    moved.events.clear();
    assert_eq!(odometer(&moved.due(&checked)), Some(19_600.0));
    assert_eq!(moved.due(&checked).last_done.map(|it| it.on), Some(date!(2025 - 04 - 01)));
}

#[test]
fn a_line_that_replaces_hides_no_other_line_about_a_part_that_is_fitted_again() {
    let greased = rule(json!({"component": "drive_chain", "scope": "part", "operation": "lubricate", "satisfied_by": ["clean"],
        "every": {"distance": mi(3000.0)}}));
    let mut bench = Bench::new();
    let part = bench.fit("drive_chain", Condition::New, "2025-01-01", 0.0);
    bench.remove(part, "2025-06-01", 1000.0);
    let again = bench.event("2026-03-01", 3000.0, &["drive_chain replace", "drive_chain clean"]);
    bench.fit_again(part, None, "2026-03-01", 3000.0);
    let mark = bench.events[0].mark;
    let stay = &mut bench.part(part).stays[1];
    (stay.fitted, stay.fitted_in) = (mark, Some(again));
    let item = bench.due(&greased);
    assert_eq!((odometer(&item), item.last_done.map(|it| it.on)), (Some(6000.0), Some(date!(2026 - 03 - 01))));
}

#[test]
fn the_event_that_fits_a_new_part_is_no_done_event_the_one_that_fits_it_again_is() {
    let cleaned = rule(json!({"component": "drive_chain", "scope": "part", "operation": "clean", "every": {"distance": mi(500.0)}}));
    let mut bench = Bench::new();
    let event = bench.event("2026-01-01", 1000.0, &["drive_chain clean", "drive_chain replace"]);
    let part = bench.fit("drive_chain", Condition::New, "2026-01-01", None);
    let mark = bench.events[0].mark;
    bench.part(part).stays[0] = Stay { fitted: mark, fitted_in: Some(event), ..bench.part(part).stays[0].clone() };
    let item = bench.due(&cleaned);
    assert_eq!((odometer(&item), item.last_done), (Some(1500.0), None));
    bench.remove(part, "2026-02-01", 1200.0);
    let again = bench.event("2026-03-01", 2000.0, &["drive_chain clean"]);
    bench.fit_again(part, None, "2026-03-01", 2000.0);
    let mark = bench.events[1].mark;
    let stay = bench.part(part).stays.last_mut().unwrap();
    (stay.fitted, stay.fitted_in) = (mark, Some(again));
    // Cleaned at 200 mi of its own: due at 700 mi, 500 mi on.
    let item = bench.due(&cleaned);
    assert_eq!((odometer(&item), item.last_done.and_then(|it| it.service_event_id)), (Some(2500.0), Some(again)));
    // A line that says the chain was replaced is about the next chain: it satisfies nothing on this one.
    bench.event("2026-03-02", 2050.0, &["drive_chain replace"]);
    assert_eq!(odometer(&bench.due(&cleaned)), Some(2500.0));
}

#[test]
fn first_and_every_count_on_the_part() {
    let belt = |figures| of_part("drive_belt", "measure", figures);
    let mut bench = Bench::new();
    bench.fit("drive_belt", Condition::New, "2026-05-03", 15_414.0);
    bench.read("2026-11-21", 16_214.0);
    let checks = belt(json!({"first": {"distance": mi(800.0)}, "every": {"distance": mi(5000.0)}}));
    let item = bench.due(&checks);
    assert_eq!((odometer(&item), item.on(date!(2026 - 11 - 21)).status), (Some(16_214.0), Status::Due));
    bench.event("2026-11-22", 16_220.0, &["drive_belt measure"]);
    assert_eq!(odometer(&bench.due(&checks)), Some(21_220.0));
    // On a fixed schedule: 800, 5,800 mi of the part.
    let schedule = belt(json!({"first": {"distance": mi(800.0)}, "every": {"distance": mi(5000.0)}, "counts_from": "schedule"}));
    assert_eq!(odometer(&bench.due(&schedule)), Some(15_414.0 + 5800.0));
    // Known from when it was fitted: where the records begin says nothing about it.
    bench.bike.records_begin = serde_json::from_value(json!({"on": "2026-11-01", "odometer": 16_000})).unwrap();
    bench.events.clear();
    assert_eq!(odometer(&bench.due(&belt(json!({"every": {"distance": mi(100.0)}})))), Some(15_514.0));
}

#[test]
fn a_tire_with_a_date_code_ages_on_the_shelf() {
    let mut bench = Bench::new();
    let part = bench.fit("tire rear", Condition::New, "2026-03-01", 14_000.0);
    let old = tire(json!({"operation": "replace", "every": {"months": 60}}));
    assert_eq!(bench.due(&old).due_at.on, Some(date!(2031 - 03 - 01)));
    bench.part(part).date_code = Some("3623".into());
    let week = crate::domain::tire::made_on("3623").unwrap();
    assert_eq!(bench.due(&old).due_at.on, Some(calendar::add_months(week, 60)));
    assert_eq!(bench.part(part).age_months(date!(2026 - 09 - 30)), 36);
    // A code that cannot be read leaves the fitting, and only tires have one.
    bench.part(part).date_code = Some("9923".into());
    assert_eq!(bench.due(&old).due_at.on, Some(date!(2031 - 03 - 01)));
    let battery = bench.fit("battery", Condition::New, "2026-03-01", None);
    bench.part(battery).date_code = Some("3623".into());
    let aged = rule(json!({"component": "battery", "scope": "part", "every": {"months": 60}}));
    assert_eq!(bench.due(&aged).due_at.on, Some(date!(2031 - 03 - 01)));
}

#[test]
fn hours_of_a_part_count_from_its_fitting() {
    let mut bench = Bench::new();
    bench.read_hours("2026-01-01", 100.0).read_hours("2026-03-02", 160.0);
    bench.fit("oil_filter", Condition::New, "2026-01-31", 1000.0);
    let item = bench.due(&rule(json!({"component": "oil_filter", "scope": "part", "every": {"hours": 50}})));
    // 30 of 60 days in: 130 h at the fitting.
    assert_eq!(item.due_at.hours.map(|it| it.text()), Some("180".into()));
}

#[test]
fn what_a_part_has_run_counts_over_motorcycles() {
    let mut bench = Bench::new();
    let part = bench.fit("tire rear", Condition::Used, "2025-03-01", 10_000.0);
    bench.part(part).prior = Distance::from_mm(500 * MI);
    bench.remove(part, "2025-06-01", 12_000.0);
    bench.fit_again(part, Some("rear"), "2026-03-01", 20_000.0);
    bench.read("2026-04-01", 20_700.0);
    let history = bench.history();
    let roads = Roads::new(&history);
    let life = &history.parts[0];
    let miles = |distance: Option<Distance>| distance.map(|distance| distance.mm() / MI);
    assert_eq!(miles(life.distance_now(&roads)), Some(3200));
    let bike = history.motorcycle.id;
    let mark = |on, odometer| Mark { on, odometer, hours: None, order: u128::MAX };
    assert_eq!(miles(life.distance_at(bike, &mark(date!(2025 - 06 - 01), Some(bench.readings[1].id)), &roads)), Some(2500));
    assert_eq!(miles(life.distance_at(bike, &mark(date!(2026 - 04 - 01), None), &roads)), Some(3200));
    assert_eq!(life.distance_at(bike, &mark(date!(2025 - 12 - 01), None), &roads), None);
    // Off the motorcycle it keeps what it had.
    let shelf = history.until(date!(2025 - 12 - 31));
    assert_eq!(miles(shelf.parts[0].distance_now(&Roads::new(&shelf))), Some(2500));
}

fn worn(part: Id<crate::domain::part::InstalledPart>, limit: i64) -> WearDue {
    WearDue {
        part,
        component: "brake_pads".into(),
        position: at("rear"),
        operation: Operation::Replace,
        at: Band { p10: (limit - 200) * MI, p50: limit * MI, p90: (limit + 300) * MI },
        part_distance: 8000 * MI,
        because: vec!["4.1 and 2.9 mm measured.".into()],
    }
}

#[test]
fn a_wear_forecast_is_an_item_of_its_own() {
    let mut bench = courier();
    let part = bench.fit("brake_pads rear", Condition::New, "2025-06-10", None);
    let history = bench.history();
    let roads = Roads::new(&history);
    let mut items = work_out_on(&roads, &[oil()]);
    merge_wear(&mut items, &roads, vec![worn(part, 16_000), worn(part, 15_000)]);
    assert_eq!(items.len(), 2);
    let item = items.iter().find(|item| item.governs == Some(Governs::Wear)).unwrap();
    // Of two on one part the earliest counts.
    assert_eq!(
        (odometer(item), item.rule.clone(), item.operation, item.installed_part_id),
        (Some(15_000.0), None, Some(Operation::Replace), Some(part))
    );
    let road = roads.own().unwrap();
    assert_eq!(item.dates.due_from, road.distance.reaches(15_000 * MI));
    assert_eq!(item.dates.nearly_due_from, road.distance.reaches(14_500 * MI));
    let expected = item.expected.unwrap();
    assert_eq!(expected.p10, road.distance.expected(14_800 * MI).p10);
    assert!(expected.p10 < expected.p50 && expected.p50 < expected.p90);
    assert_eq!((item.title.as_str(), item.because[0].as_str()), ("Rear brake pads, replace", "4.1 and 2.9 mm measured."));
    assert_eq!(item.id.uuid().get_version_num(), 7);
}

#[test]
fn where_a_rule_asks_for_it_anyway_the_earlier_of_the_two_governs() {
    let mut bench = courier();
    let part = bench.fit("brake_pads rear", Condition::New, "2025-06-10", None);
    let history = bench.history();
    let roads = Roads::new(&history);
    let with = |figures: serde_json::Value, forecast: i64| {
        let mut asked = json!({"component": "brake_pads", "position": "rear"});
        asked.as_object_mut().unwrap().extend(figures.as_object().unwrap().clone());
        let mut items = work_out_on(&roads, &[rule(asked)]);
        merge_wear(&mut items, &roads, vec![worn(part, forecast)]);
        items
    };
    let every = json!({"every": {"distance": mi(8000.0)}});
    let sooner = with(every.clone(), 14_600);
    let [item] = sooner.as_slice() else { panic!("{sooner:?}") };
    assert_eq!((odometer(item), item.governs), (Some(14_600.0), Some(Governs::Wear)));
    assert!(item.rule.is_some() && item.because.iter().any(|it| it.contains("2.9 mm")));
    // The rule's id stays, and the rule governs where it comes first.
    let later = with(every, 30_000);
    assert_eq!((later.len(), odometer(&later[0]), later[0].governs), (1, Some(15_000.0), Some(Governs::Distance)));
    assert_eq!(later[0].id, item.id);
    // About the part itself, or about no position.
    assert_eq!(with(json!({"scope": "part", "every": {"months": 120}}), 14_600).len(), 1);
    assert_eq!(with(json!({"position": null, "every": {"months": 120}}), 14_600).len(), 1);
    // Another operation, or another place, is another item.
    assert_eq!(with(json!({"operation": "inspect", "every": {"months": 120}}), 14_600).len(), 2);
    assert_eq!(with(json!({"position": "front", "every": {"months": 120}}), 14_600).len(), 2);
    // What nobody knows by the rule, the wear tells.
    let told = with(json!({"every": {"hours": 50}}), 14_600);
    assert_eq!((told.len(), told[0].no_history, told[0].governs), (1, false, Some(Governs::Wear)));
}

#[test]
fn a_line_typed_in_late_counts_by_its_day() {
    // The order of entry decides only within a day and distance.
    let checked = tire(json!({"every": {"distance": mi(1000.0)}}));
    let mut bench = Bench::new();
    bench.fit("tire rear", Condition::New, "2025-03-01", 10_000.0);
    let late = Mark { order: 0, ..bench.mark("2025-05-01", 10_900.0) };
    let work = vec![Done { component: "tire".into(), position: at("rear"), operation: Operation::Inspect }];
    bench.events.push(DoneEvent { id: id(555), mark: late, work });
    assert_eq!(odometer(&bench.due(&checked)), Some(11_900.0));
}
