//! Each sentence on bases, satisfaction, projection, dates and follow-ups, from a history to the due item.
use serde_json::json;
use time::{Duration, macros::date};

use super::*;
use crate::domain::{
    counter::Counter,
    due::DueDates,
    fixture::{Bench, TODAY, day, id, km, mi, odometer, rule},
    projection::Projection,
    service::FollowUpIn,
    words::{Condition, InstrumentChange, Status},
};

/// Courier 3: oil done on 10 Jan 2026 at 9,800 mi, read at 14,480 mi on 20 Nov 2026.
fn courier() -> Bench {
    let mut bench = Bench::new();
    bench.read("2025-06-10", 7000.0);
    bench.event("2026-01-10", 9800.0, &["engine_oil replace"]);
    bench.read("2026-11-20", 14_480.0);
    bench
}
fn oil() -> IntervalRule {
    oil_in(12)
}
/// The same, with a date limb so late that the distance comes first.
fn oil_in(months: u32) -> IntervalRule {
    rule(json!({"name": "Engine oil and filter", "every": {"distance": mi(5000.0), "months": months}}))
}

#[test]
fn last_done_and_every_give_the_due_point_and_its_dates() {
    let bench = courier();
    let item = bench.due(&oil_in(18));
    assert_eq!(odometer(&item), Some(14_800.0));
    assert_eq!(item.due_at.on, Some(date!(2027 - 07 - 10)));
    assert_eq!(item.remaining_distance.as_ref().unwrap().value.text(), "320");
    let last = item.last_done.clone().unwrap();
    assert_eq!(
        (last.on, last.odometer.unwrap().value.text(), last.service_event_id),
        (date!(2026 - 01 - 10), "9800".into(), Some(bench.events[0].id))
    );
    // The projection is asked, and the distance comes first.
    let history = bench.history();
    let projection = Projection::new(&history.rides[0].odometer, None, Some(history.default_yearly.mm())).unwrap();
    let expected = projection.reaches(14_800 * 1_609_344);
    assert_eq!(item.expected, Some(expected));
    assert_eq!(item.dates.due_from, expected.p50);
    assert_eq!(item.governs, Some(Governs::Distance));
    assert_eq!(item.dates.overdue_from, projection.passes(14_800 * 1_609_344));
    // Nearly due: 30 days before the due date of the item, or 500 mi before the distance, by the readings.
    let by_lead = history.rides[0].odometer.reached(14_300 * 1_609_344);
    assert_eq!(item.dates.nearly_due_from, by_lead.min(expected.p50.map(|day| day - Duration::days(30))));
    assert_eq!(item.title, "Engine oil and filter, replace");
}

#[test]
fn the_title_does_not_say_the_operation_twice() {
    assert_eq!(courier().due(&rule(json!({"name": "Replace the oil", "every": {"months": 12}}))).title, "Replace the oil");
}

#[test]
fn a_distance_passed_by_actual_readings_has_the_date_between_them() {
    let mut bench = Bench::new();
    bench.event("2026-01-01", 1000.0, &["engine_oil replace"]);
    bench.read("2026-01-11", 2000.0).read("2026-01-21", 3000.0);
    let item = bench.due(&rule(json!({"every": {"distance": mi(1500.0)}})));
    // 2,500 mi at 100 mi a day: on 16 Jan; a tenth, 150 mi, before on the first whole day at 2,350 mi or more.
    assert_eq!(item.dates.due_from, Some(date!(2026 - 01 - 16)));
    assert_eq!(item.dates.nearly_due_from, Some(date!(2026 - 01 - 15)));
    assert_eq!(item.dates.overdue_from, Some(date!(2026 - 01 - 17)));
    assert_eq!(item.dates, item.actual);
    assert_eq!(item.expected.map(|it| (it.p10, it.p90)), Some((Some(date!(2026 - 01 - 16)), Some(date!(2026 - 01 - 16)))));
    assert_eq!(item.remaining_distance.unwrap().value.text(), "-500");
}

#[test]
fn standing_exactly_on_the_due_distance_is_due() {
    let mut bench = Bench::new();
    bench.event("2026-01-01", 1000.0, &["engine_oil replace"]);
    bench.read("2026-02-10", 6000.0);
    let item = bench.due(&rule(json!({"every": {"distance": mi(5000.0)}})));
    let on = item.on(day("2026-02-10"));
    assert_eq!((on.status, on.certain), (Status::Due, true));
    // A mile on it is overdue.
    bench.read("2026-02-11", 6001.0);
    let item = bench.due(&rule(json!({"every": {"distance": mi(5000.0)}})));
    assert_eq!(item.on(day("2026-02-11")).status, Status::Overdue);
    assert_eq!(item.on(day("2026-02-10")).status, Status::Due);
}

#[test]
fn a_date_is_due_on_its_day_and_overdue_the_day_after() {
    let bench = courier();
    let item = bench.due(&rule(json!({"every": {"months": 10}})));
    assert_eq!(item.due_at.on, Some(date!(2026 - 11 - 10)));
    let status = |day| item.on(day).status;
    assert_eq!(status(date!(2026 - 10 - 10)), Status::Later);
    assert_eq!(status(date!(2026 - 10 - 11)), Status::NearlyDue);
    assert_eq!(status(date!(2026 - 11 - 10)), Status::Due);
    assert_eq!(status(date!(2026 - 11 - 11)), Status::Overdue);
    let on = item.on(TODAY);
    assert!(on.certain);
    assert_eq!((on.remaining.days, on.remaining.distance), (Some(-15), None));
    assert_eq!(item.governs, Some(Governs::Time));
    assert_eq!(item.expected.map(|it| [it.p10, it.p50, it.p90]), Some([Some(date!(2026 - 11 - 10)); 3]));
}

#[test]
fn grace_comes_before_overdue() {
    let bench = courier();
    let days = bench.due(&rule(json!({"every": {"months": 10}, "grace": {"days": 5}})));
    assert_eq!(days.dates.overdue_from, Some(date!(2026 - 11 - 16)));
    assert_eq!(days.dates.due_from, Some(date!(2026 - 11 - 10)));
    let far = bench.due(&rule(json!({"every": {"distance": mi(4000.0)}, "grace": {"distance": mi(400.0)}})));
    let counter = &bench.history().rides[0].odometer;
    assert_eq!(far.dates.due_from, counter.reached(13_800 * 1_609_344));
    assert_eq!(far.dates.overdue_from, counter.passed(14_200 * 1_609_344));
}

#[test]
fn default_leads_follow_the_unit_the_rule_is_written_in() {
    let bench = courier();
    let lead = |every: serde_json::Value| {
        let rule = rule(json!({"every": every}));
        let next = next_point(&Terms::of(&rule, &Figure::from(1)), &Base { distance: Some(0), hours: Some(0), ..Base::default() }, &[]);
        margins(&rule, &Terms::of(&rule, &Figure::from(1)), &next, 30)
    };
    let miles = lead(json!({"distance": mi(3000.0)}));
    assert_eq!((miles.lead_distance, miles.lead_hours, miles.lead_days), (Some(300 * 1_609_344), None, None));
    assert_eq!(lead(json!({"distance": mi(20_000.0)})).lead_distance, Some(500 * 1_609_344));
    assert_eq!(lead(json!({"distance": km(20_000.0)})).lead_distance, Some(800_000_000));
    assert_eq!(lead(json!({"distance": km(6000.0)})).lead_distance, Some(600_000_000));
    assert_eq!(lead(json!({"hours": 50})).lead_hours, Some(5 * 3_600_000));
    assert_eq!(lead(json!({"hours": 500})).lead_hours, Some(10 * 3_600_000));
    assert_eq!(lead(json!({"months": 3})).lead_days, Some(30));
    // The first time alone: its figure takes the place of `every`.
    let once = bench.due(&rule(json!({"component": "valves", "operation": "inspect", "first": {"distance": mi(13_000.0)}})));
    assert_eq!(once.dates.nearly_due_from, bench.history().rides[0].odometer.reached(12_500 * 1_609_344));
    // The factor comes before the lead.
    let mut halved = bench.clone();
    halved.bike.interval_factor = Figure::parse("0.5").unwrap();
    let item = halved.due(&rule(json!({"every": {"distance": mi(8000.0)}})));
    assert_eq!(odometer(&item), Some(13_800.0));
    assert_eq!(item.dates.nearly_due_from, bench.history().rides[0].odometer.reached(13_400 * 1_609_344));
}

#[test]
fn a_lead_in_days_that_is_given_holds_for_any_rule() {
    let bench = courier();
    let item = bench.due(&rule(json!({"every": {"distance": mi(4000.0)}, "lead": {"days": 90}})));
    assert_eq!(item.dates.nearly_due_from, item.dates.due_from.map(|day| day - Duration::days(90)));
    let without = bench.due(&rule(json!({"every": {"distance": mi(4000.0)}})));
    assert_eq!(without.dates.nearly_due_from, bench.history().rides[0].odometer.reached(13_400 * 1_609_344));
    let zero = bench.due(&rule(json!({"every": {"months": 10}, "lead": {"days": 0}})));
    assert_eq!(zero.dates.nearly_due_from, zero.dates.due_from);
}

#[test]
fn the_workshop_says_how_long_before_a_date() {
    let mut history = courier().history();
    history.lead_days = 14;
    let nearly = |rule: serde_json::Value| {
        let item = work_out(&history, std::slice::from_ref(&self::rule(rule))).remove(0);
        (item.dates.due_from.unwrap(), item.dates.nearly_due_from.unwrap())
    };
    let (due, nearly_due) = nearly(json!({"every": {"months": 10}}));
    assert_eq!(due - nearly_due, Duration::days(14));
    let (due, nearly_due) = nearly(json!({"every": {"months": 10}, "lead": {"days": 20}}));
    assert_eq!(due - nearly_due, Duration::days(20));
}

#[test]
fn whichever_last_takes_the_later_of_each_date() {
    let bench = courier();
    let last = |months: u32, miles: f64| bench.due(&rule(json!({"every": {"distance": mi(miles), "months": months}, "whichever": "last"})));
    let counter = bench.history().rides[0].odometer.clone();
    let by_date = last(10, 2000.0);
    assert_eq!(by_date.dates.due_from, Some(date!(2026 - 11 - 10)));
    assert_eq!((by_date.dates.nearly_due_from, by_date.dates.overdue_from), (Some(date!(2026 - 10 - 11)), Some(date!(2026 - 11 - 11))));
    assert_eq!(by_date.governs, Some(Governs::Time));
    let by_distance = last(3, 4000.0);
    assert_eq!(by_distance.dates.due_from, counter.reached(13_800 * 1_609_344));
    assert_eq!(by_distance.dates.nearly_due_from, counter.reached(13_400 * 1_609_344));
    assert_eq!(by_distance.governs, Some(Governs::Distance));
    // An unknown limb leaves it to the known one.
    let mut unknown = bench.clone();
    unknown.bike.in_service_on = None;
    unknown.events.clear();
    let item = unknown.due(&rule(json!({"every": {"distance": mi(13_000.0), "months": 12}, "whichever": "last"})));
    assert_eq!((item.dates.due_from, item.due_at.on), (counter.reached(13_000 * 1_609_344), None));
}

#[test]
fn what_never_gets_there_is_later_without_dates() {
    let mut bench = Bench::new();
    bench.event("2024-01-01", 1000.0, &["engine_oil replace"]);
    bench.read("2026-01-01", 1000.0);
    let item = bench.due(&rule(json!({"every": {"distance": mi(5000.0)}})));
    assert_eq!(item.dates, DueDates::default());
    assert_eq!((item.governs, item.expected, item.no_history), (None, None, false));
    let on = item.on(TODAY);
    assert_eq!((on.status, on.certain), (Status::Later, true));
    // Within the lead, too: what does not move never gets there.
    bench.read("2026-01-02", 5800.0).read("2036-01-02", 5800.0);
    let item = bench.due(&rule(json!({"every": {"distance": mi(5000.0)}})));
    assert_eq!((item.dates, item.on(day("2036-01-02")).status), (DueDates::default(), Status::Later));
    // A date limb helps.
    let item = bench.due(&rule(json!({"every": {"distance": mi(5000.0), "months": 12}})));
    assert_eq!(item.dates.due_from, Some(date!(2025 - 01 - 01)));
}

#[test]
fn certain_is_what_follows_without_projecting() {
    let item = courier().due(&oil_in(18));
    let due = item.dates.due_from.unwrap();
    let probably = item.on(due);
    // The median may leap over the point within the day.
    assert!(matches!(probably.status, Status::Due | Status::Overdue) && !probably.certain);
    let sure = item.on(date!(2027 - 07 - 11));
    assert_eq!((sure.status, sure.certain), (Status::Overdue, true));
}

#[test]
fn without_a_reading_it_starts_from_the_records_else_from_the_first_day() {
    let every = rule(json!({"every": {"distance": mi(5000.0)}}));
    let fresh = Bench::new();
    let item = fresh.due(&every);
    assert_eq!((odometer(&item), item.remaining_distance.clone()), (Some(5000.0), None));
    // 3,000 mi a year from 10 Apr 2021.
    let start = Projection::new(&Counter::default(), Some((date!(2021 - 04 - 10), 0)), Some(3000 * 1_609_344)).unwrap();
    assert_eq!(item.dates.due_from, start.reaches(5000 * 1_609_344).p50);
    let used = Bench::with(json!({"records_begin": {"on": "2024-03-01", "odometer": 18_250}}));
    let item = used.due(&rule(json!({"every": {"distance": mi(20_000.0)}})));
    let start = Projection::new(&Counter::default(), Some((date!(2024 - 03 - 01), 18_250 * 1_609_344)), Some(3000 * 1_609_344)).unwrap();
    assert_eq!(item.dates.due_from, start.reaches(20_000 * 1_609_344).p50);
    // What was done before the records begin has their distance.
    let mut early = used.clone();
    early.event("2023-01-01", None, &["engine_oil replace"]);
    assert_eq!(odometer(&early.due(&every)), Some(23_250.0));
    // With neither, distance limbs are unknown.
    let nobody = Bench::with(json!({"in_service_on": null}));
    let item = nobody.due(&every);
    assert!(item.no_history);
    assert_eq!((item.due_at.clone(), item.dates), (DueAt::default(), DueDates::default()));
    assert_eq!(item.on(TODAY).status, Status::NoHistory);
}

#[test]
fn an_event_without_a_reading_gets_the_distance_of_its_day() {
    let every = rule(json!({"every": {"distance": mi(5000.0)}}));
    let mut bench = Bench::new();
    bench.read("2026-01-01", 1000.0).read("2026-01-11", 2000.0);
    let with = |on: &str| {
        let mut bench = bench.clone();
        bench.event(on, None, &["engine_oil replace"]);
        bench.due(&every)
    };
    assert_eq!(odometer(&with("2026-01-06")), Some(6500.0));
    assert_eq!(odometer(&with("2025-12-01")), Some(6000.0));
    let history = bench.history();
    let later = Projection::new(&history.rides[0].odometer, None, Some(3000 * 1_609_344)).unwrap().on(date!(2026 - 03 - 01)).p50;
    let want = Distance::from_mm(later + 5000 * 1_609_344).quantity(bench.bike.odometer_unit);
    assert_eq!(with("2026-03-01").due_at.odometer, Some(want));
}

#[test]
fn a_motorcycle_that_arrived_used_is_not_overdue_by_half_a_lifetime() {
    let mut bench = Bench::with(json!({"in_service_on": "2015-05-01", "records_begin": {"on": "2024-03-01", "odometer": 18_250}}));
    bench.read("2024-03-01", 18_250.0).read("2024-09-01", 20_250.0);
    let item = bench.due(&oil());
    assert!(item.no_history);
    assert_eq!((item.governs, item.on(TODAY).status, item.on(TODAY).certain), (None, Status::NoHistory, true));
    // Limb by limb: 20,000 mi lie in the known history, 24 months do not.
    let item = bench.due(&rule(json!({"every": {"distance": mi(20_000.0), "months": 24}})));
    assert_eq!((odometer(&item), item.due_at.on, item.no_history), (Some(20_000.0), None, false));
    bench.event("2024-09-02", 20_260.0, &["engine_oil replace"]);
    assert_eq!(odometer(&bench.due(&oil())), Some(25_260.0));
}

#[test]
fn hours_come_from_an_hour_meter() {
    let hourly = rule(json!({"every": {"hours": 50}}));
    let bench = Bench::new();
    assert!(bench.due(&hourly).no_history);
    let mut one = bench.clone();
    one.read_hours("2026-03-01", 12.5);
    let item = one.due(&hourly);
    assert_eq!(item.due_at.hours.as_ref().map(Figure::text), Some("50".into()));
    assert_eq!(item.remaining_hours.as_ref().map(Figure::text), Some("37.5".into()));
    assert_eq!((item.dates.due_from, item.no_history), (None, false));
    one.read_hours("2026-05-10", 52.5);
    let item = one.due(&hourly);
    assert_eq!(item.governs, Some(Governs::Hours));
    assert_eq!(item.dates.due_from, one.history().rides[0].hours.reached(50 * 3_600_000));
    // Records of a used motorcycle do not touch hours.
    one.bike.records_begin = serde_json::from_value(json!({"on": "2026-01-01", "odometer": 9000})).unwrap();
    assert_eq!(one.due(&hourly).due_at.hours.map(|it| it.text()), Some("50".into()));
}

#[test]
fn positions_match_exactly_and_no_position_is_satisfied_by_any() {
    let pads = |position: serde_json::Value| {
        rule(json!({"component": "brake_pads", "position": position, "operation": "inspect", "every": {"distance": mi(5000.0)}}))
    };
    let mut bench = Bench::new();
    bench.event("2026-01-01", 1000.0, &["brake_pads rear inspect"]);
    assert_eq!(odometer(&bench.due(&pads(json!(null)))), Some(6000.0));
    assert_eq!(odometer(&bench.due(&pads(json!("rear")))), Some(6000.0));
    assert_eq!(odometer(&bench.due(&pads(json!("front")))), Some(5000.0));
    bench.event("2026-02-01", 2000.0, &["brake_pads inspect"]);
    assert_eq!(odometer(&bench.due(&pads(json!("rear")))), Some(6000.0));
    assert_eq!(odometer(&bench.due(&pads(json!(null)))), Some(7000.0));
}

#[test]
fn replace_satisfies_what_a_new_part_makes_needless_and_satisfied_by_adds() {
    let mut bench = Bench::new();
    bench.event("2026-01-01", 1000.0, &["drive_chain replace"]);
    for operation in ["inspect", "adjust", "clean", "lubricate", "measure", "tighten", "replace"] {
        let rule = rule(json!({"component": "drive_chain", "operation": operation, "every": {"distance": mi(500.0)}}));
        assert_eq!(odometer(&bench.due(&rule)), Some(1500.0), "{operation}");
    }
    for operation in ["repair", "fit", "remove", "record"] {
        let rule = rule(json!({"component": "drive_chain", "operation": operation, "every": {"distance": mi(500.0)}}));
        assert_eq!(odometer(&bench.due(&rule)), Some(500.0), "{operation}");
    }
    bench.event("2026-02-01", 2000.0, &["drive_chain clean"]);
    let plain = rule(json!({"component": "drive_chain", "operation": "inspect", "every": {"distance": mi(500.0)}}));
    assert_eq!(odometer(&bench.due(&plain)), Some(1500.0));
    let wide =
        rule(json!({"component": "drive_chain", "operation": "inspect", "satisfied_by": ["clean"], "every": {"distance": mi(500.0)}}));
    assert_eq!(odometer(&bench.due(&wide)), Some(2500.0));
}

#[test]
fn a_new_or_rebuilt_part_counts_as_replaced_a_used_one_as_fitted() {
    let of = |operation: &str| {
        rule(json!({"component": "brake_pads", "position": "rear", "operation": operation, "every": {"distance": mi(9000.0)}}))
    };
    for (condition, replaced) in [(Condition::New, 10_000.0), (Condition::Rebuilt, 10_000.0), (Condition::Used, 9000.0)] {
        let mut bench = Bench::new();
        let part = bench.fit("brake_pads rear", condition, "2026-01-01", 1000.0);
        assert_eq!(odometer(&bench.due(&of("replace"))), Some(replaced));
        assert_eq!(odometer(&bench.due(&of("fit"))), Some(10_000.0));
        // Fitted again it counts as fitted only.
        bench.remove(part, "2026-02-01", 2000.0);
        bench.fit_again(part, Some("rear"), "2026-03-01", 3000.0);
        assert_eq!(odometer(&bench.due(&of("replace"))), Some(replaced));
        assert_eq!(odometer(&bench.due(&of("fit"))), Some(12_000.0));
    }
}

#[test]
fn the_lines_of_one_event_are_one_doing() {
    // A replace line and a new part in one event: with a window the second must not move the anchor.
    let rule = rule(json!({"component": "oil_filter", "window": 0.1, "every": {"distance": mi(1000.0)}}));
    let mut bench = Bench::new();
    let event = bench.event("2026-01-01", 950.0, &["oil_filter replace", "oil_filter inspect"]);
    let part = bench.fit("oil_filter", Condition::New, "2026-01-01", None);
    let mark = bench.events[0].mark;
    bench.part(part).stays[0] = Stay { fitted: mark, fitted_in: Some(event), ..bench.part(part).stays[0].clone() };
    assert_eq!(odometer(&bench.due(&rule)), Some(2000.0));
    // Of several lines the rule's own says what was done.
    let mut inspected = rule.clone();
    inspected.operation = crate::domain::words::Operation::Inspect;
    assert_eq!(bench.due(&inspected).because[0], "Last inspected on 1 Jan 2026 at 950 mi.");
}

#[test]
fn a_rule_applies_where_its_conditions_hold() {
    let every = json!({"distance": mi(5000.0)});
    let mut bench = Bench::new();
    let none = |bench: &Bench, applies: serde_json::Value| bench.all(&[rule(json!({"every": every, "applies_to": applies}))]).is_empty();
    assert!(!none(&bench, json!({"make": "halden", "final_drive": "chain", "years": {"from": 2020, "to": 2021}})));
    assert!(none(&bench, json!({"final_drive": "belt"})));
    assert!(none(&bench, json!({"component_fitted": "brake_pads"})));
    let part = bench.fit("brake_pads rear", Condition::New, "2026-01-01", 1000.0);
    assert!(!none(&bench, json!({"component_fitted": "brake_pads"})));
    bench.remove(part, "2026-02-01", 2000.0);
    assert!(none(&bench, json!({"component_fitted": "brake_pads"})));
}

#[test]
fn the_instrument_that_shows_the_due_point_is_the_one_now_on_the_motorcycle() {
    let every = rule(json!({"every": {"distance": mi(5000.0)}}));
    let mut bench = courier();
    bench.changed("2026-11-21", InstrumentChange::Replaced, Some(14_500.0), 0.0, 0.0).read("2026-11-22", 10.0);
    // 14,800 mi in all are 300 mi on the new one.
    let item = bench.due(&every);
    assert_eq!((odometer(&item), item.remaining_distance.clone().unwrap().value.text()), (Some(300.0), "290".into()));
    assert!(item.because.iter().any(|it| it == "On the odometer now on the motorcycle 14,800 mi in all are 300 mi."), "{:?}", item.because);
    // What was done is shown as it was read then.
    assert_eq!(item.last_done.unwrap().odometer.unwrap().value.text(), "9800");
    // Before its start it has no figure.
    let item = bench.due(&rule(json!({"every": {"distance": mi(4000.0)}})));
    assert_eq!(item.due_at.odometer, None);
    assert!(item.because.iter().any(|it| it.contains("before the odometer now on the motorcycle")), "{:?}", item.because);
    // Beyond a roll-over it is what the instrument will show.
    let mut rolled = Bench::new();
    rolled.event("2026-01-01", 98_000.0, &["engine_oil replace"]);
    rolled.changed("2026-02-01", InstrumentChange::RolledOver, None, 0.0, 100_000.0).read("2026-02-10", 500.0);
    let item = rolled.due(&every);
    assert_eq!((odometer(&item), item.remaining_distance.unwrap().value.text()), (Some(3000.0), "2500".into()));
}

#[test]
fn several_things_on_one_day_go_by_distance_then_by_entry() {
    let mut bench = Bench::new();
    // Entered in the wrong order.
    bench.event("2026-01-01", 1200.0, &["engine_oil replace"]);
    bench.event("2026-01-01", 1000.0, &["engine_oil replace"]);
    assert_eq!(odometer(&bench.due(&rule(json!({"every": {"distance": mi(5000.0)}})))), Some(6200.0));
}

#[test]
fn ids_are_version_7_and_stay() {
    let bench = courier();
    let item = bench.due(&oil());
    let uuid = item.id.uuid();
    assert_eq!((uuid.get_version_num(), uuid.get_variant()), (7, uuid::Variant::RFC4122));
    // The time is that of the youngest of what it is derived from: the rule.
    assert_eq!(uuid.as_u128() >> 80, oil().id.uuid().as_u128() >> 80);
    let mut more = bench.clone();
    more.event("2026-11-24", 14_600.0, &["engine_oil replace"]);
    assert_eq!(more.due(&oil()).id, item.id);
    let mut other = oil();
    other.id = id(901);
    assert_ne!(bench.due(&other).id, item.id);
}

#[test]
fn items_are_sorted_by_the_day_they_come_due() {
    let mut bench = courier();
    bench.bike.records_begin = serde_json::from_value(json!({"on": "2025-06-10", "odometer": 7000})).unwrap();
    let mut rules = Vec::new();
    for (number, figures) in [
        json!({"component": "valves", "operation": "inspect", "every": {"distance": mi(5000.0)}}),
        json!({"component": "coolant", "every": {"hours": 5}}),
        json!({"every": {"months": 12}}),
        json!({"every": {"months": 10}}),
        json!({"every": {"distance": mi(20_000_000.0)}}),
        json!({"every": {"months": 10}}),
    ]
    .into_iter()
    .enumerate()
    {
        let mut rule = rule(figures);
        rule.id = id(u128::try_from(950 - number).unwrap());
        rules.push(rule);
    }
    let items = bench.all(&rules);
    let days: Vec<_> = items.iter().map(|item| (item.no_history, item.dates.due_from)).collect();
    let ten = Some(date!(2026 - 11 - 10));
    assert_eq!(days, [(false, ten), (false, ten), (false, Some(date!(2027 - 01 - 10))), (false, None), (true, None), (true, None)]);
    assert!(items[0].id < items[1].id && items[4].id < items[5].id);
}

#[test]
fn a_follow_up_with_a_distance_or_months_is_an_item_of_its_own() {
    let left = |bench: &mut Bench, distance: Option<&str>, months| {
        let event = bench.event("2026-10-30", 14_000.0, &["throttle_cable inspect"]);
        let mark = bench.events.last().unwrap().mark;
        bench.follow_ups.push(LeftOver {
            id: id(700),
            left_in: event,
            mark,
            text: "Look at the throttle cable again".into(),
            component: Some("throttle_cable".into()),
            position: None,
            due_in: Some(FollowUpIn { distance: distance.map(|text| Figure::parse(text).unwrap()), months }),
            settled_on: None,
        });
    };
    let mut bench = courier();
    left(&mut bench, Some("500"), Some(3));
    let items = bench.all(&[]);
    let [item] = items.as_slice() else { panic!("{items:?}") };
    assert_eq!((odometer(item), item.due_at.on), (Some(14_500.0), Some(date!(2027 - 01 - 30))));
    assert_eq!((item.title.as_str(), item.operation, item.governs), ("Look at the throttle cable again", None, Some(Governs::FollowUp)));
    assert_eq!((item.follow_up_id, item.rule.clone(), item.id.uuid().get_version_num()), (Some(id(700)), None, 7));
    // Default leads with its own figures: 50 mi, or 30 days.
    let by_lead = bench.history().rides[0].odometer.reached(14_450 * 1_609_344);
    assert_eq!(item.dates.nearly_due_from, by_lead.min(item.dates.due_from.map(|day| day - Duration::days(30))));
    // The factor is about intervals, not about what was left.
    bench.bike.interval_factor = Figure::parse("0.5").unwrap();
    assert_eq!(odometer(&bench.all(&[])[0]), Some(14_500.0));
    // Settled, it is gone; next time it is open, it has no due point.
    bench.follow_ups[0].settled_on = Some(TODAY);
    assert!(bench.all(&[]).is_empty());
    assert_eq!(work_out(&bench.history().until(TODAY - Duration::DAY), &[]).len(), 1);
    bench.follow_ups[0].settled_on = None;
    bench.follow_ups[0].due_in = None;
    assert!(bench.all(&[]).is_empty());
    bench.follow_ups[0].due_in = Some(FollowUpIn { distance: None, months: None });
    assert!(bench.all(&[]).is_empty());
}

#[test]
fn as_of_cuts_by_the_day_a_thing_happened() {
    let bench = courier();
    let then = |day: Date| work_out(&bench.history().until(day), &[oil()]).remove(0);
    let before = then(date!(2026 - 01 - 09));
    assert_eq!((odometer(&before), before.last_done), (Some(5000.0), None));
    let after = then(date!(2026 - 01 - 10));
    assert_eq!((odometer(&after), after.remaining_distance.unwrap().value.text()), (Some(14_800.0), "5000".into()));
    // A part fitted, and one taken off, later.
    let mut bench = Bench::new();
    let part = bench.fit("tire rear", Condition::New, "2026-02-01", 1000.0);
    bench.remove(part, "2026-05-01", 3000.0);
    let worn = rule(json!({"component": "tire", "scope": "part", "every": {"months": 60}}));
    let count = |day: Date| work_out(&bench.history().until(day), std::slice::from_ref(&worn)).len();
    assert_eq!((count(date!(2026 - 01 - 31)), count(date!(2026 - 02 - 01)), count(date!(2026 - 05 - 01))), (0, 1, 0));
    assert_eq!(bench.history().until(date!(2026 - 01 - 31)).parts.len(), 0);
}

mod of_parts;
mod properties;
mod sentences;
