use proptest::prelude::*;
use time::{Duration, macros::date};
use uuid::Uuid;

use super::*;
use crate::domain::words::OdometerUnit;

const KM: i64 = 1_000_000;
const START: Date = date!(2025 - 01 - 01);

fn reading(id: u128, on: Date, km: i64) -> RawReading {
    RawReading { id: Id::new(Uuid::from_u128(id)), on, shown: km * KM, confirmed: false }
}
fn swap(id: u128, on: Date, old_final: Option<i64>, new_start: i64) -> RawChange {
    let old_final = old_final.map(|km| km * KM);
    let kind = InstrumentChange::Replaced;
    RawChange { id: Id::new(Uuid::from_u128(id)), on, kind, old_final, new_start: new_start * KM, capacity: 0 }
}
fn roll(id: u128, on: Date, capacity: i64) -> RawChange {
    let kind = InstrumentChange::RolledOver;
    RawChange { id: Id::new(Uuid::from_u128(id)), on, kind, old_final: None, new_start: 0, capacity: capacity * KM }
}
fn odometer(readings: &[RawReading], changes: &[RawChange]) -> Counter {
    Counter::build(CounterKind::Odometer, readings, changes).unwrap()
}
fn refused(readings: &[RawReading], changes: &[RawChange]) -> Contradiction {
    Counter::build(CounterKind::Odometer, readings, changes).unwrap_err()
}
fn km(counter: &Counter) -> Vec<i64> {
    counter.points().iter().map(|point| point.ticks / KM).collect()
}

#[test]
fn between_readings_it_is_linear_and_outside_it_is_not_made_up() {
    let counter = odometer(&[reading(2, date!(2025 - 01 - 11), 2000), reading(1, START, 1000)], &[]);
    assert_eq!(counter.on(date!(2024 - 06 - 01)), Some(1000 * KM));
    assert_eq!(counter.on(date!(2025 - 01 - 06)), Some(1500 * KM));
    assert_eq!(counter.on(date!(2025 - 01 - 11)), Some(2000 * KM));
    assert_eq!(counter.on(date!(2025 - 01 - 12)), None);
    assert_eq!(counter.reached(500 * KM), Some(START));
    assert_eq!(counter.reached(1500 * KM), Some(date!(2025 - 01 - 06)));
    assert_eq!(counter.passed(1500 * KM), Some(date!(2025 - 01 - 07)));
    assert_eq!(counter.reached(1501 * KM), Some(date!(2025 - 01 - 07)));
    assert_eq!(counter.reached(2000 * KM), Some(date!(2025 - 01 - 11)));
    assert_eq!(counter.passed(2000 * KM), None);
    assert_eq!(Counter::default().on(START), None);
    assert_eq!(Counter::default().reached(0), None);
    assert_eq!(Counter::default().shown_now(5), Some(5));
}
#[test]
fn on_one_day_readings_go_by_distance_and_the_last_counts() {
    let counter = odometer(&[reading(1, START, 1200), reading(2, START, 1100)], &[]);
    assert_eq!(km(&counter), [1100, 1200]);
    assert_eq!(counter.on(START), Some(1200 * KM));
    assert_eq!(counter.reached(1150 * KM), Some(START));
    assert_eq!(counter.at_reading(Id::new(Uuid::from_u128(2))), Some(1100 * KM));
    assert_eq!(counter.at_reading(Id::new(Uuid::from_u128(3))), None);
}
#[test]
fn a_new_instrument_goes_on_where_the_old_one_stopped() {
    let readings = [reading(1, START, 40_000), reading(2, date!(2025 - 03 - 01), 30)];
    let counter = odometer(&readings, &[swap(1, date!(2025 - 02 - 01), Some(40_210), 5)]);
    assert_eq!(km(&counter), [40_000, 40_210, 40_235]);
    assert_eq!(counter.points()[1].id, None);
    assert!(!counter.has_gap());
    assert_eq!(counter.shown_now(40_300 * KM), Some(95 * KM));
    assert_eq!(counter.shown_now(40_210 * KM), Some(5 * KM));
    assert_eq!(counter.shown_now(40_209 * KM), None);
    assert_eq!(counter.shown_then(date!(2025 - 01 - 20), 40_100 * KM), Some(40_100 * KM));
    assert_eq!(counter.shown_then(date!(2025 - 02 - 01), 40_209 * KM), Some(40_209 * KM));
    assert_eq!(counter.shown_then(date!(2025 - 02 - 01), 40_210 * KM), Some(5 * KM));
    assert_eq!(counter.shown_then(date!(2025 - 02 - 02), 40_209 * KM), None);
}
#[test]
fn an_unknown_last_figure_leaves_a_gap() {
    let readings = [reading(1, START, 40_000), reading(2, date!(2025 - 03 - 01), 300)];
    let counter = odometer(&readings, &[swap(1, date!(2025 - 02 - 01), None, 0)]);
    assert_eq!(km(&counter), [40_000, 40_300]);
    assert!(counter.has_gap());
    assert!(!counter.until(date!(2025 - 01 - 31)).has_gap());
    assert_eq!(counter.until(date!(2025 - 01 - 31)).shown_now(300 * KM), Some(300 * KM));
    assert_eq!(counter.distance_status(DistanceStatus::Actual), DistanceStatus::NotActual);
}
#[test]
fn a_roll_over_counts_on() {
    let readings = [reading(1, START, 99_000), reading(2, date!(2025 - 03 - 01), 300)];
    let counter = odometer(&readings, &[roll(1, date!(2025 - 02 - 01), 100_000)]);
    assert_eq!(km(&counter), [99_000, 100_300]);
    assert!(counter.rolled_over());
    assert_eq!(counter.shown_now(99_500 * KM), Some(99_500 * KM));
    assert_eq!(counter.shown_now(100_000 * KM), Some(0));
    assert_eq!(counter.shown_now(200_010 * KM), Some(10 * KM));
    assert_eq!(counter.shown_then(START, 100_010 * KM), Some(10 * KM));
    assert_eq!(counter.distance_status(DistanceStatus::Actual), DistanceStatus::ExceedsMechanicalLimits);
    assert_eq!(counter.distance_status(DistanceStatus::NotActual), DistanceStatus::NotActual);
}
#[test]
fn a_reading_of_the_day_of_a_replacement_belongs_where_it_fits() {
    let day = date!(2025 - 02 - 01);
    let known = [swap(1, day, Some(40_210), 0)];
    let start = reading(1, START, 40_000);
    assert_eq!(km(&odometer(&[start, reading(2, day, 40_210)], &known)), [40_000, 40_210, 40_210]);
    assert_eq!(km(&odometer(&[start, reading(2, day, 12)], &known)), [40_000, 40_210, 40_222]);
    assert_eq!(km(&odometer(&[start, reading(2, day, 12), reading(3, day, 40_200)], &known)), [40_000, 40_200, 40_210, 40_222]);
    // The last figure unknown: a reading near the old one's is the old one's.
    assert_eq!(km(&odometer(&[start, reading(2, day, 40_200)], &[swap(1, day, None, 0)])), [40_000, 40_200]);
    // Both ranges fit: the new one.
    let young = [reading(1, START, 800), reading(2, day, 900)];
    assert_eq!(km(&odometer(&young, &[swap(1, day, Some(950), 0)])), [800, 950, 1850]);
    // A later reading of the new one rules that out.
    let later = [young[0], young[1], reading(3, date!(2025 - 02 - 08), 50)];
    assert_eq!(km(&odometer(&later, &[swap(1, day, Some(950), 0)])), [800, 900, 950, 1000]);
}
#[test]
fn a_reading_of_the_day_of_a_roll_over_goes_by_its_value() {
    let day = date!(2025 - 02 - 01);
    let rolled = [roll(1, day, 100_000)];
    let start = reading(1, START, 99_000);
    assert_eq!(km(&odometer(&[start, reading(2, day, 99_990)], &rolled)), [99_000, 99_990]);
    assert_eq!(km(&odometer(&[start, reading(2, day, 7)], &rolled)), [99_000, 100_007]);
    assert_eq!(km(&odometer(&[reading(2, day, 7)], &rolled)), [100_007]);
    assert_eq!(km(&odometer(&[reading(2, day, 99_990)], &rolled)), [99_990]);
}
#[test]
fn an_instrument_may_be_replaced_again_and_roll_over_in_between() {
    let readings = [
        reading(1, START, 9_000),
        reading(2, date!(2025 - 04 - 01), 99_900),
        reading(3, date!(2025 - 06 - 01), 50),
        reading(4, date!(2025 - 08 - 01), 4),
    ];
    let changes = [
        swap(3, date!(2025 - 07 - 01), Some(60), 3),
        roll(2, date!(2025 - 05 - 01), 100_000),
        swap(1, date!(2025 - 03 - 01), Some(9_100), 99_000),
    ];
    let counter = odometer(&readings, &changes);
    assert_eq!(km(&counter), [9_000, 9_100, 10_000, 10_150, 10_160, 10_161]);
    assert_eq!(counter.shown_now(10_159 * KM), None);
    assert_eq!(counter.shown_then(date!(2025 - 06 - 15), 10_099 * KM), Some(99_999 * KM));
    assert_eq!(counter.shown_then(date!(2025 - 06 - 15), 9_099 * KM), None);
}
#[test]
fn going_backwards_is_refused_with_both_figures() {
    let (early, late) = (reading(1, START, 12_345), reading(2, date!(2025 - 02 - 01), 11_900));
    let error = refused(&[late, early], &[]);
    assert_eq!(error.kind, ContradictionKind::Backwards);
    assert_eq!(error.neighbors, [early, late]);
    assert_eq!(
        error.message(Unit::Km),
        "It showed 12,345 km on 1 Jan 2025, but it showed 11,900 km on 1 Feb 2025, which is less. To go on, strike out the \
         wrong reading, say that the odometer was replaced, or say that it rolled over."
    );
}
#[test]
fn a_new_reading_that_does_not_fit_is_told_its_neighbors() {
    let (early, late) = (reading(1, START, 12_000), reading(2, date!(2025 - 03 - 01), 12_800));
    let new = RawReading { shown: 12_900_500_000, ..reading(3, date!(2025 - 02 - 01), 0) };
    let error = Counter::fits(CounterKind::Odometer, &[late, early], &[], new).unwrap_err();
    assert_eq!((error.new, error.neighbors.as_slice()), (Some(new), [early, late].as_slice()));
    assert!(
        error.message(Unit::Km).starts_with(
            "The odometer cannot have shown 12,900.5 km on 1 Feb 2025: it showed 12,000 km on 1 Jan 2025, and it showed 12,800 km on 1 Mar 2025."
        ),
        "{}",
        error.message(Unit::Km)
    );
    let counter = Counter::fits(CounterKind::Odometer, &[late, early], &[], RawReading { shown: 12_400 * KM, ..new }).unwrap();
    assert_eq!(km(&counter), [12_000, 12_400, 12_800]);
    // The others at fault already: it is said of them.
    let old = Counter::fits(CounterKind::Odometer, &[late, reading(1, START, 13_000)], &[], RawReading { shown: 1, ..new }).unwrap_err();
    assert_eq!(old.new, None);
}
#[test]
fn too_far_in_a_day_wants_to_be_confirmed() {
    let start = reading(1, START, 0);
    assert_eq!(km(&odometer(&[start, reading(2, date!(2025 - 01 - 02), 2000)], &[])), [0, 2000]);
    assert_eq!(km(&odometer(&[start, reading(2, START, 2000)], &[])), [0, 2000]);
    assert_eq!(km(&odometer(&[start, reading(2, date!(2025 - 01 - 03), 4000)], &[])), [0, 4000]);
    let far = reading(2, date!(2025 - 01 - 03), 4001);
    let error = refused(&[start, far], &[]);
    assert_eq!((error.kind, error.neighbors.as_slice()), (ContradictionKind::TooFast, [start, far].as_slice()));
    assert_eq!(
        error.message(Unit::Mi),
        "It showed 0 mi on 1 Jan 2025, and it showed 2,486.106 mi on 3 Jan 2025: that is 2,486.106 mi in 2 days, more than 2,000 km \
         (1,243 mi) a day. If it is right, send the later reading with \"confirmed\": true; otherwise strike out the wrong reading, \
         say that the odometer was replaced, or say that it rolled over."
    );
    assert_eq!(km(&odometer(&[start, RawReading { confirmed: true, ..far }], &[])), [0, 4001]);
    // What was confirmed is the way to that reading, not the way from it.
    assert_eq!(refused(&[RawReading { confirmed: true, ..start }, far], &[]).kind, ContradictionKind::TooFast);
}
#[test]
fn an_hour_meter_cannot_gain_more_than_the_day_has() {
    let hours = |id, on, hours: i64| RawReading { shown: hours * 3_600_000, ..reading(id, on, 0) };
    let build = |later| Counter::build(CounterKind::Hours, &[hours(1, START, 100), later], &[]);
    assert!(build(hours(2, date!(2025 - 01 - 02), 124)).is_ok());
    let error = build(hours(2, date!(2025 - 01 - 02), 125)).unwrap_err();
    assert_eq!(error.kind, ContradictionKind::TooFast);
    assert!(error.message(Unit::H).contains("the hour meter was replaced"), "{}", error.message(Unit::H));
    assert!(error.message(Unit::H).contains("that is 25 h in 1 day, more than 24 h a day"), "{}", error.message(Unit::H));
}
#[test]
fn a_replacement_that_contradicts_is_refused() {
    let (early, late) = (reading(1, START, 40_000), reading(2, date!(2025 - 03 - 01), 30));
    let low = refused(&[early, late], &[swap(1, date!(2025 - 02 - 01), Some(39_000), 0)]);
    assert_eq!((low.kind, low.neighbors.as_slice()), (ContradictionKind::Backwards, [early, late].as_slice()));
    assert!(low.message(Unit::Km).contains("the odometer replaced on 1 Feb 2025 showed 39,000 km last"), "{}", low.message(Unit::Km));
    let high = refused(&[early, late], &[swap(1, date!(2025 - 02 - 01), Some(40_100), 31)]);
    assert_eq!((high.kind, high.neighbors.as_slice()), (ContradictionKind::Backwards, [early, late].as_slice()));
    assert!(high.message(Unit::Km).starts_with("The odometer fitted on 1 Feb 2025 started at 31 km"), "{}", high.message(Unit::Km));
    let unknown = refused(&[early, late], &[swap(1, date!(2025 - 02 - 01), None, 31)]);
    assert_eq!(unknown.kind, ContradictionKind::Backwards);
    let new = Counter::fits(CounterKind::Odometer, &[early], &[swap(1, date!(2025 - 02 - 01), None, 31)], late).unwrap_err();
    assert!(new.message(Unit::Km).contains(
        "cannot have shown 30 km on 1 Mar 2025: it showed 40,000 km on 1 Jan 2025, and the odometer fitted on 1 Feb 2025 started at 31 km"
    ));
    // A jump to a last figure wants a confirmed reading of that day.
    let jump = [swap(1, date!(2025 - 01 - 02), Some(50_000), 0)];
    assert_eq!(refused(&[early], &jump).kind, ContradictionKind::TooFast);
    let confirmed = RawReading { confirmed: true, ..reading(3, date!(2025 - 01 - 02), 50_000) };
    assert_eq!(km(&odometer(&[early, confirmed], &jump)), [40_000, 50_000, 50_000]);
}
#[test]
fn figures_become_ticks_and_come_back() {
    let ticks = |kind, text: &str, unit| to_ticks(kind, &Figure::parse(text).unwrap(), unit);
    assert_eq!(ticks(CounterKind::Odometer, "1", Unit::Mi), Ok(1_609_344));
    assert_eq!(ticks(CounterKind::Odometer, "12345.6", Unit::Km), Ok(12_345_600_000));
    assert_eq!(ticks(CounterKind::Hours, "1.5", Unit::H), Ok(5_400_000));
    assert_eq!(ticks(CounterKind::Hours, "0.000000138", Unit::H), Ok(0));
    assert_eq!(ticks(CounterKind::Hours, "0.00000834", Unit::Min), Ok(1));
    assert_eq!(from_ticks(5_400_000, Unit::H).text(), "1.5");
    assert_eq!(from_ticks(1_609_344, Unit::Mi).text(), "1");
    assert!(ticks(CounterKind::Odometer, "1", Unit::H).unwrap_err().contains("distance"));
    assert!(ticks(CounterKind::Hours, "1", Unit::Mi).unwrap_err().contains("time"));
}
#[test]
fn a_lost_distance_stays_lost() {
    for next in DistanceStatus::ALL {
        assert_eq!(may_follow(DistanceStatus::NotActual, *next).is_ok(), *next == DistanceStatus::NotActual);
        assert!(may_follow(DistanceStatus::ExceedsMechanicalLimits, *next).is_ok());
        assert!(may_follow(DistanceStatus::Actual, *next).is_ok());
        assert_eq!(Counter::default().distance_status(*next), *next);
    }
}
#[test]
fn absurd_figures_do_not_overflow() {
    let far = |id, on, shown| RawReading { shown, confirmed: true, ..reading(id, on, 0) };
    let readings = [far(1, START, 0), far(2, date!(2026 - 01 - 01), i64::MAX), far(3, date!(2027 - 01 - 01), i64::MAX)];
    let rolled = roll(1, date!(2026 - 06 - 01), i64::MAX / KM);
    let counter = odometer(&readings, &[rolled]);
    assert_eq!(counter.on(date!(2026 - 01 - 01)), Some(i64::MAX));
    assert_eq!(counter.passed(i64::MAX), None);
    assert!(counter.reached(i64::MAX / 2).is_some());
}

/// What happens next on a simulated motorcycle.
#[derive(Clone, Debug)]
enum Act {
    Read,
    Swap(i64),
    Lose(i64),
    Roll(i64),
}
/// A history with the truth behind it: readings, changes, and the true count of each reading.
#[derive(Clone, Debug)]
struct Simulated {
    readings: Vec<RawReading>,
    changes: Vec<RawChange>,
    truth: Vec<i64>,
}
fn simulate(first: i64, acts: Vec<(i64, i64, Act)>) -> Simulated {
    let (mut on, mut shown, mut truth) = (START, first, first);
    // The last figure on record, and what the instrument is known to count to.
    let (mut known, mut most) = (0, i64::MAX);
    let mut history = Simulated { readings: vec![], changes: vec![], truth: vec![] };
    for (number, (days, a_day, act)) in (1_u128..).zip(acts) {
        on += Duration::days(days);
        let gained = Some(days * a_day).filter(|gained| shown + gained < most).unwrap_or(0);
        (shown, truth) = (shown + gained, truth + gained);
        // Entered in another order than it happened.
        let id = Uuid::from_u128(number * 37 % 101);
        let change = RawChange { id: Id::new(id), on, kind: InstrumentChange::Replaced, old_final: Some(shown), new_start: 0, capacity: 0 };
        match act {
            Act::Swap(new_start) => {
                history.changes.push(RawChange { new_start, ..change });
                (shown, known, most) = (new_start, truth, i64::MAX);
            }
            Act::Lose(new_start) => {
                history.changes.push(RawChange { old_final: None, new_start, ..change });
                (shown, truth, most) = (new_start, known, i64::MAX);
            }
            // Any instrument counts to 100,000 at least.
            Act::Roll(left) if shown > 100_000 * KM => {
                most = shown + left;
                history.changes.push(RawChange { kind: InstrumentChange::RolledOver, old_final: None, capacity: most, ..change });
                (shown, truth) = (0, truth + left);
                known = truth;
            }
            Act::Read | Act::Roll(_) => {
                history.readings.push(RawReading { id: Id::new(id), on, shown, confirmed: false });
                history.truth.push(truth);
                known = truth;
            }
        }
    }
    history
}
fn acts(least_days: i64) -> impl Strategy<Value = Vec<(i64, i64, Act)>> {
    let figure = 0..500_000 * KM;
    let act = prop_oneof![
        6 => Just(Act::Read),
        1 => figure.clone().prop_map(Act::Swap),
        1 => figure.prop_map(Act::Lose),
        2 => (0..500 * KM).prop_map(Act::Roll),
    ];
    prop::collection::vec((least_days..90, 0..700 * KM, act), 0..24)
}
fn histories() -> impl Strategy<Value = Simulated> {
    (0..200_000 * KM, acts(1)).prop_map(|(first, acts)| simulate(first, acts))
}

proptest! {
    #[test]
    fn the_truth_is_found_again(history in histories()) {
        let counter = odometer(&history.readings, &history.changes);
        for (reading, truth) in history.readings.iter().zip(&history.truth) {
            prop_assert_eq!(counter.at_reading(reading.id), Some(*truth));
            prop_assert_eq!(counter.shown_then(reading.on, *truth), Some(reading.shown));
        }
        prop_assert!(counter.points().is_sorted_by_key(|point| (point.on, point.ticks)));
    }
    #[test]
    fn one_instrument_is_accepted_exactly_where_it_never_goes_back(steps in prop::collection::vec((1..9_i64, -1..3_i64), 1..5)) {
        let mut sum = (START, 10);
        let readings: Vec<_> = (1_u128..).zip(&steps).map(|(id, (days, ticks))| {
            sum = (sum.0 + Duration::days(*days), sum.1 + ticks);
            RawReading { shown: sum.1, ..reading(id, sum.0, 0) }
        }).collect();
        let never_back = readings.is_sorted_by_key(|reading| reading.shown);
        prop_assert_eq!(Counter::build(CounterKind::Odometer, &readings, &[]).is_ok(), never_back);
    }
    // Days with several entries too, and contradictions: the answer is the same, or the refusal is.
    #[test]
    fn the_order_of_entry_never_matters(
        (history, readings, changes) in acts(0).prop_map(|acts| simulate(0, acts)).prop_flat_map(|history| {
            let (readings, changes) = (history.readings.clone(), history.changes.clone());
            (Just(history), Just(readings).prop_shuffle(), Just(changes).prop_shuffle())
        })
    ) {
        let build = |readings: &[_], changes: &[_]| Counter::build(CounterKind::Odometer, readings, changes);
        prop_assert_eq!(build(&readings, &changes), build(&history.readings, &history.changes));
    }
    #[test]
    fn striking_out_undoes_exactly(history in histories(), pick: prop::sample::Index) {
        let all = odometer(&history.readings, &history.changes);
        if !history.readings.is_empty() {
            let mut others = history.readings.clone();
            let struck = others.remove(pick.index(others.len()));
            let without = odometer(&others, &history.changes);
            prop_assert_eq!(without.at_reading(struck.id), None);
            // What was lost with an instrument depends on the last reading before; nothing else depends on another reading.
            if !all.has_gap() {
                let left: Vec<_> = all.points().iter().copied().filter(|point| point.id != Some(struck.id)).collect();
                prop_assert_eq!(without.points(), left);
            }
            prop_assert_eq!(Counter::fits(CounterKind::Odometer, &others, &history.changes, struck), Ok(all));
        }
    }
    #[test]
    fn a_refused_reading_is_told_its_neighbors(history in histories(), shown in 0..400_000 * KM, days in 0..2000_i64) {
        let new = RawReading { id: Id::new(Uuid::from_u128(1000)), on: START + Duration::days(days), shown, confirmed: false };
        if let Err(error) = Counter::fits(CounterKind::Odometer, &history.readings, &history.changes, new) {
            prop_assert_eq!(error.new, Some(new));
            prop_assert!(error.neighbors.len() <= 2);
            prop_assert!(error.neighbors.iter().all(|neighbor| history.readings.contains(neighbor)));
            prop_assert!(error.message(Unit::Km).contains("strike out the wrong reading"));
        }
    }
    #[test]
    fn a_count_is_reached_on_the_first_day_that_has_it(history in histories(), ticks in 0..400_000 * KM) {
        let counter = odometer(&history.readings, &history.changes);
        for (day, least) in [(counter.reached(ticks), ticks), (counter.passed(ticks), ticks + 1)] {
            match day {
                Some(day) => {
                    prop_assert!(counter.on(day) >= Some(least));
                    let first = counter.points()[0];
                    prop_assert!(day == first.on || counter.on(day - Duration::DAY) < Some(least));
                }
                None => prop_assert!(counter.last().is_none_or(|last| last.ticks < least)),
            }
        }
    }
    #[test]
    fn up_to_a_day_is_as_if_the_rest_had_not_been_entered(history in histories(), days in 0..2000_i64) {
        let day = START + Duration::days(days);
        let mut cut = history.clone();
        cut.readings.retain(|reading| reading.on <= day);
        cut.changes.retain(|change| change.on <= day);
        prop_assert_eq!(odometer(&history.readings, &history.changes).until(day), odometer(&cut.readings, &cut.changes));
    }
    #[test]
    fn miles_and_kilometers_of_one_distance_give_the_same_dates(
        steps in prop::collection::vec((1..60_i64, 0..1000_i64), 2..20), due in 0..20_000_i64
    ) {
        // 15.625 mi are 25.146 km exactly, so that both odometers can show the same distance to the last digit.
        let history = |unit: OdometerUnit, miles: f64| {
            let (mut on, mut sum) = (START, 0);
            let readings: Vec<_> = (1_u128..).zip(&steps).map(|(id, (days, far))| {
                on += Duration::days(*days);
                sum += far.min(&(days * 70));
                #[expect(clippy::cast_precision_loss, reason = "small")]
                let figure = Figure::rounded(sum as f64 * miles, 3);
                let shown = to_ticks(CounterKind::Odometer, &figure, unit.into()).unwrap();
                RawReading { shown, ..reading(id, on, 0) }
            }).collect();
            odometer(&readings, &[])
        };
        let (miles, kilometers) = (history(OdometerUnit::Mi, 15.625), history(OdometerUnit::Km, 25.146));
        prop_assert_eq!(miles.reached(due * KM), kilometers.reached(due * KM));
        prop_assert_eq!(miles, kilometers);
    }
}
#[test]
fn a_figure_shown_is_counted_by_the_instrument_of_the_day() {
    let changes = [swap(3, date!(2025 - 02 - 01), Some(40_000), 100), roll(4, date!(2025 - 04 - 01), 10_000)];
    let readings = [reading(1, START, 39_000), reading(2, date!(2025 - 03 - 31), 9900), reading(5, date!(2025 - 05 - 01), 300)];
    let counter = odometer(&readings, &changes);
    let at = |on, shown: i64| counter.counted(on, shown * KM).map(|ticks| ticks / KM);
    assert_eq!(at(START, 39_000), Some(39_000));
    assert_eq!(at(date!(2025 - 03 - 01), 600), Some(40_500));
    assert_eq!(at(date!(2025 - 05 - 01), 300), Some(50_200));
    assert_eq!(Counter::default().counted(START, 5), Some(5));
}
