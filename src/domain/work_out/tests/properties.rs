//! What must hold for any history.
use proptest::prelude::*;

use super::*;
use crate::domain::words::OdometerUnit;

/// Something that happens: so many days and miles after the last, with or without a reading of its own.
#[derive(Clone, Debug)]
struct Step {
    days: i64,
    miles: f64,
    read: bool,
    line: usize,
}
const LINES: [&str; 4] = ["engine_oil replace", "engine_oil inspect", "brake_pads rear replace", "tire rear inspect"];

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let step = (0_i64..200, 0_u16..1200, any::<bool>(), 0..LINES.len());
    prop::collection::vec(step.prop_map(|(days, miles, read, line)| Step { days, miles: f64::from(miles), read, line }), 0..8)
}
fn rules() -> impl Strategy<Value = Vec<IntervalRule>> {
    let limbs = (prop::option::of(50_u16..9000), 1_u32..40)
        .prop_map(|(distance, months)| json!({"distance": distance.map(|distance| mi(f64::from(distance))), "months": months}));
    let words = (
        prop::sample::select(vec!["last_done", "schedule"]),
        prop::sample::select(vec!["first", "last"]),
        prop::sample::select(vec![json!(null), json!(0.1), json!(0)]),
        prop::sample::select(vec!["motorcycle", "part"]),
        prop::sample::select(vec![("engine_oil", "inspect"), ("brake_pads", "replace"), ("tire", "inspect")]),
    );
    let rule = (prop::option::of(limbs.clone()), limbs, words).prop_map(
        |(first, every, (from, whichever, window, scope, (component, operation)))| {
            rule(json!({"component": component, "operation": operation, "first": first, "every": every, "counts_from": from,
            "whichever": whichever, "window": window, "scope": scope}))
        },
    );
    prop::collection::vec(rule, 1..4).prop_map(|mut rules| {
        for (number, rule) in rules.iter_mut().enumerate() {
            rule.id = id(900 + number as u128);
        }
        rules
    })
}
/// A history in miles, or the same ridden by a motorcycle that counts in kilometres.
fn bench(steps: &[Step], unit: OdometerUnit) -> Bench {
    let mut bench = Bench::with(json!({"odometer_unit": unit.as_str()}));
    let shown = |miles: f64| if unit == OdometerUnit::Mi { miles } else { miles * 1.609_344 };
    bench.fit("tire rear", Condition::New, "2021-05-01", shown(10.0));
    let (mut on, mut miles) = (date!(2021 - 06 - 01), 20.0);
    for step in steps {
        on += Duration::days(step.days);
        miles += step.miles;
        bench.event(&on.to_string(), step.read.then(|| shown(miles)), &[LINES[step.line]]);
    }
    bench
}
/// What does not depend on how things are named.
fn facts(items: &[DueItem]) -> Vec<(DueItemId, super::super::super::due::DueDates, Option<Date>, bool)> {
    let mut facts: Vec<_> = items.iter().map(|item| (item.id, item.dates, item.due_at.on, item.no_history)).collect();
    facts.sort_by_key(|fact| fact.0);
    facts
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn the_order_in_which_a_history_is_given_never_changes_the_answer(steps in steps(), rules in rules(), turn in 0_usize..8) {
        let bench = bench(&steps, OdometerUnit::Mi);
        let items = bench.all(&rules);
        let mut other = bench.clone();
        other.events.reverse();
        if !other.events.is_empty() {
            let middle = turn % other.events.len();
            other.events.rotate_left(middle);
        }
        other.readings.reverse();
        other.parts.reverse();
        prop_assert_eq!(other.all(&rules), items.clone());
        let mut turned = rules.clone();
        turned.reverse();
        prop_assert_eq!(bench.all(&turned), items);
    }

    #[test]
    fn striking_out_undoes_exactly(steps in steps(), rules in rules(), days in 0_i64..4000) {
        let mut bench = bench(&steps, OdometerUnit::Mi);
        let before = bench.all(&rules);
        let on = (date!(2021 - 06 - 01) + Duration::days(days)).to_string();
        // Without a reading, so that it fits anywhere.
        let event = bench.event(&on, None, &LINES);
        bench.events.retain(|it| it.id != event);
        prop_assert_eq!(bench.all(&rules), before);
    }

    #[test]
    fn miles_and_kilometres_give_the_same_dates(steps in steps(), rules in rules()) {
        // With whole readings in one unit the other's are rounded to the nearest millimetre: exact, since a mile is 1,609,344 mm.
        let (miles, kilometres) = (bench(&steps, OdometerUnit::Mi).all(&rules), bench(&steps, OdometerUnit::Km).all(&rules));
        prop_assert_eq!(facts(&miles), facts(&kilometres));
    }

    #[test]
    fn a_factor_of_one_changes_nothing(steps in steps(), rules in rules()) {
        let bench = bench(&steps, OdometerUnit::Mi);
        let mut same = bench.clone();
        same.bike.interval_factor = Figure::parse("1.00").unwrap();
        prop_assert_eq!(same.all(&rules), bench.all(&rules));
    }

    #[test]
    fn the_three_dates_are_in_order_and_certain_statuses_agree(steps in steps(), rules in rules(), days in 0_i64..6000) {
        for item in bench(&steps, OdometerUnit::Mi).all(&rules) {
            let DueItem { dates, expected, .. } = &item;
            if let (Some(nearly), Some(due)) = (dates.nearly_due_from, dates.due_from) {
                prop_assert!(nearly <= due, "{:?}", item);
                prop_assert!(dates.overdue_from.is_none_or(|overdue| due <= overdue), "{:?}", item);
                prop_assert_eq!(expected.unwrap().p50, Some(due));
            } else {
                prop_assert_eq!(*dates, super::super::super::due::DueDates::default());
            }
            if let Some(expected) = expected {
                let known = [expected.p10, expected.p50, expected.p90].map(|date| date.unwrap_or(Date::MAX));
                prop_assert!(known.is_sorted());
            }
            let on = item.on(date!(2021 - 06 - 01) + Duration::days(days));
            prop_assert_eq!(on.certain, item.no_history || on.status == item.actual.status(date!(2021 - 06 - 01) + Duration::days(days)));
        }
    }

    #[test]
    fn until_the_last_day_is_the_whole_history(steps in steps(), rules in rules()) {
        let history = bench(&steps, OdometerUnit::Mi).history();
        prop_assert_eq!(work_out(&history.until(date!(2100 - 01 - 01)), &rules), work_out(&history, &rules));
    }

    #[test]
    fn what_is_entered_later_for_a_later_day_does_not_change_the_past(steps in steps(), rules in rules()) {
        let bench = bench(&steps, OdometerUnit::Mi);
        let last = bench.events.iter().map(|event| event.mark.on).max().unwrap_or(date!(2021 - 06 - 01));
        let mut more = bench.clone();
        more.event(&(last + Duration::DAY).to_string(), 50_000.0, &LINES);
        more.fit("tire rear", Condition::New, &(last + Duration::DAY).to_string(), None);
        prop_assert_eq!(work_out(&more.history().until(last), &rules), bench.all(&rules));
    }
}
