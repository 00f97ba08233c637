//! Each sentence of the interval rules, limb by limb.
use proptest::prelude::*;
use time::macros::date;

use super::*;

const MI: i64 = 1_609_344;
const HOUR: i64 = 3_600_000;

fn span(distance: impl Into<Option<i64>>, months: impl Into<Option<i64>>) -> Span {
    Span { distance: distance.into().map(|mi: i64| mi * MI), hours: None, months: months.into() }
}
fn last_done(first: Span, every: Span) -> Terms {
    Terms { first, every, whichever: Whichever::First, counts_from: CountsFrom::LastDone, window: 0.0 }
}
fn schedule(first: Span, every: Span) -> Terms {
    Terms { counts_from: CountsFrom::Schedule, window: 0.10, ..last_done(first, every) }
}
fn in_service(on: Date) -> Base {
    Base { distance: Some(0), hours: Some(0), on: Some(on), ..Base::default() }
}
fn at(mi: i64, on: Date) -> Doing {
    Doing { distance: Some(mi * MI), hours: None, on }
}
fn miles(next: NextPoint) -> Option<i64> {
    next.distance.point().map(|ticks| ticks / MI)
}
const NEW: Date = date!(2024 - 01 - 10);

#[test]
fn never_done_it_is_base_and_first_where_first_names_the_limb_else_base_and_every() {
    // First 600 mi, every 5,000 mi or 12 months: 600 mi or 12 months.
    let next = next_point(&last_done(span(600, None), span(5000, 12)), &in_service(NEW), &[]);
    assert_eq!(next.distance, Limb::At { point: 600 * MI, anchor: 0, how: How::First });
    assert_eq!(next.date, Limb::At { point: date!(2025 - 01 - 10), anchor: NEW, how: How::Every });
    assert!(next.hours.is_absent());
}

#[test]
fn next_is_last_done_and_every() {
    let terms = last_done(span(600, 1), span(5000, 12));
    let next = next_point(&terms, &in_service(NEW), &[at(700, date!(2024 - 02 - 01)), at(5000, date!(2025 - 01 - 31))]);
    assert_eq!(next.distance, Limb::At { point: 10_000 * MI, anchor: 5000 * MI, how: How::Done });
    assert_eq!(next.date.point(), Some(date!(2026 - 01 - 31)));
}

#[test]
fn first_alone_is_due_once() {
    let terms = last_done(span(600, None), Span::default());
    assert_eq!(miles(next_point(&terms, &in_service(NEW), &[])), Some(600));
    assert!(next_point(&terms, &in_service(NEW), &[at(100, NEW)]).ended());
    // A limb that `first` alone names is gone with the first time; the others go on.
    let next = next_point(&last_done(span(600, 1), span(5000, None)), &in_service(NEW), &[at(650, NEW)]);
    assert_eq!((miles(next), next.date), (Some(5650), Limb::Absent));
}

#[test]
fn with_neither_a_done_event_nor_a_base_the_limb_is_unknown() {
    let nobody_knows = Base { on: None, ..in_service(NEW) };
    let terms = last_done(Span::default(), span(5000, 12));
    let next = next_point(&terms, &nobody_knows, &[]);
    assert_eq!((miles(next), next.date), (Some(5000), Limb::Unknown(Missing::Count)));
    assert_eq!(next_point(&terms, &nobody_knows, &[at(3000, NEW)]).date.point(), Some(date!(2025 - 01 - 10)));
    assert!(next_point(&last_done(Span::default(), span(None, 12)), &nobody_knows, &[]).unknown());
}

#[test]
fn an_event_whose_count_nobody_knows_leaves_the_limb_unknown_until_the_next() {
    let terms = last_done(Span::default(), Span { hours: Some(50 * HOUR), ..Span::default() });
    let blind = Doing { distance: None, hours: None, on: NEW };
    assert_eq!(next_point(&terms, &in_service(NEW), &[blind]).hours, Limb::Unknown(Missing::Count));
    let seen = Doing { hours: Some(80 * HOUR), ..blind };
    assert_eq!(next_point(&terms, &in_service(NEW), &[blind, seen]).hours.point(), Some(130 * HOUR));
}

#[test]
fn a_point_before_the_known_history_is_unknown_limb_by_limb() {
    let used = Base { records_distance: Some(18_250 * MI), records_on: Some(date!(2024 - 03 - 01)), ..in_service(date!(2015 - 05 - 01)) };
    let terms = last_done(Span::default(), span(20_000, 24));
    let next = next_point(&terms, &used, &[]);
    assert_eq!(miles(next), Some(20_000));
    assert_eq!(next.date, Limb::Unknown(Missing::BeforeRecords(date!(2017 - 05 - 01))));
    assert!(next_point(&last_done(Span::default(), span(5000, 24)), &used, &[]).unknown());
    // On the very point the history is known.
    assert_eq!(miles(next_point(&last_done(Span::default(), span(18_250, None)), &used, &[])), Some(18_250));
    // Done once, the rule runs, from wherever it was done.
    assert_eq!(miles(next_point(&last_done(Span::default(), span(5000, 24)), &used, &[at(18_300, date!(2024 - 03 - 02))])), Some(23_300));
    assert!(next_point(&schedule(Span::default(), span(5000, None)), &used, &[]).unknown());
    // Hours are not touched.
    let by_hours = last_done(Span::default(), Span { hours: Some(50 * HOUR), ..Span::default() });
    assert_eq!(next_point(&by_hours, &used, &[]).hours.point(), Some(50 * HOUR));
}

#[test]
fn within_the_window_the_anchor_stays_on_the_point_outside_it_moves() {
    let terms = Terms { window: 0.10, ..last_done(Span::default(), span(1000, None)) };
    let next = |done: &[i64]| {
        let done: Vec<_> = done.iter().map(|mi| at(*mi, NEW)).collect();
        next_point(&terms, &in_service(NEW), &done)
    };
    for (done, want) in [(900, 2000), (899, 1899), (1100, 2000), (1101, 2101), (1000, 2000)] {
        assert_eq!(miles(next(&[done])), Some(want), "done at {done}");
    }
    // The point meant is the one that stood open: 1,100 leaves it at 2,000, and 2,050 belongs to that.
    assert_eq!(next(&[1100, 2050]).distance, Limb::At { point: 3000 * MI, anchor: 2000 * MI, how: How::Kept });
    // Limb by limb: the distance stays, the date moves.
    let both = Terms { window: 0.10, ..last_done(Span::default(), span(1000, 12)) };
    let next = next_point(&both, &in_service(NEW), &[at(950, date!(2024 - 06 - 01))]);
    assert_eq!((miles(next), next.date.point()), (Some(2000), Some(date!(2025 - 06 - 01))));
}

#[test]
fn the_first_point_has_a_window_of_every() {
    let terms = Terms { window: 0.10, ..last_done(span(600, None), span(5000, None)) };
    assert_eq!(miles(next_point(&terms, &in_service(NEW), &[at(100, NEW)])), Some(5600));
    assert_eq!(miles(next_point(&terms, &in_service(NEW), &[at(99, NEW)])), Some(5099));
    // In months too: base to base + every, 366 days in this year: 36 days around 10 Feb.
    let terms = Terms { window: 0.10, ..last_done(span(None, 1), span(None, 12)) };
    let next = |on| next_point(&terms, &in_service(NEW), &[at(0, on)]).date.point();
    assert_eq!(next(date!(2024 - 03 - 17)), Some(date!(2025 - 02 - 10)));
    assert_eq!(next(date!(2024 - 03 - 18)), Some(date!(2025 - 03 - 18)));
}

#[test]
fn on_months_the_window_counts_in_days_rounded_down_of_the_interval_that_ends_at_the_point() {
    // 10 Jan 2024 to 10 Jan 2025 are 366 days: 36 days each side.
    let terms = Terms { window: 0.10, ..last_done(Span::default(), span(None, 12)) };
    let next = |on| next_point(&terms, &in_service(NEW), &[at(0, on)]).date.point();
    assert_eq!(next(date!(2024 - 12 - 05)), Some(date!(2026 - 01 - 10)));
    assert_eq!(next(date!(2024 - 12 - 04)), Some(date!(2025 - 12 - 04)));
    assert_eq!(next(date!(2025 - 02 - 15)), Some(date!(2026 - 01 - 10)));
    assert_eq!(next(date!(2025 - 02 - 16)), Some(date!(2026 - 02 - 16)));
}

#[test]
fn a_kept_anchor_keeps_its_day() {
    let terms = Terms { window: 0.10, ..last_done(Span::default(), span(None, 1)) };
    let base = in_service(date!(2025 - 12 - 31));
    let next = next_point(&terms, &base, &[at(0, date!(2026 - 01 - 31)), at(1, date!(2026 - 02 - 28))]);
    assert_eq!(next.date, Limb::At { point: date!(2026 - 03 - 31), anchor: date!(2026 - 02 - 28), how: How::Kept });
}

#[test]
fn a_window_of_nothing_is_no_window() {
    let terms = last_done(Span::default(), span(None, 1));
    let next = next_point(&terms, &in_service(date!(2025 - 12 - 31)), &[at(0, date!(2026 - 01 - 31)), at(1, date!(2026 - 02 - 28))]);
    assert_eq!(next.date.point(), Some(date!(2026 - 03 - 28)));
}

#[test]
fn two_things_at_the_same_count_are_one_doing() {
    let terms = Terms { window: 0.10, ..last_done(Span::default(), span(1000, None)) };
    let next = next_point(&terms, &in_service(NEW), &[at(950, NEW), at(950, date!(2024 - 02 - 01))]);
    assert_eq!(miles(next), Some(2000));
}

#[test]
fn a_schedule_is_a_grid_from_the_base() {
    let terms = schedule(span(600, None), span(5000, None));
    let next = |done: &[i64]| {
        let done: Vec<_> = done.iter().map(|mi| at(*mi, NEW)).collect();
        next_point(&terms, &in_service(NEW), &done)
    };
    // Points 600, 5,600, 10,600 …; each opens 500 mi before.
    for (done, want) in
        [(99, 600), (100, 5600), (900, 5600), (5099, 5600), (5100, 10_600), (5600, 10_600), (5900, 10_600), (10_100, 15_600)]
    {
        assert_eq!(miles(next(&[done])), Some(want), "done at {done}");
    }
    assert_eq!(miles(next(&[])), Some(600));
    // An event fulfils its point and all before it, and an earlier one takes nothing back.
    assert_eq!(miles(next(&[16_000])), Some(20_600));
    assert_eq!(next(&[16_000, 16_100]).distance, Limb::At { point: 20_600 * MI, anchor: 0, how: How::Grid(4) });
    // Without first: every, 2 × every …
    let plain = schedule(Span::default(), span(5000, None));
    assert_eq!(miles(next_point(&plain, &in_service(NEW), &[at(4400, NEW)])), Some(5000));
    assert_eq!(miles(next_point(&plain, &in_service(NEW), &[at(4500, NEW)])), Some(10_000));
}

#[test]
fn a_schedule_in_months_has_its_grid_on_dates() {
    let terms = schedule(Span::default(), span(None, 1));
    let base = in_service(date!(2026 - 01 - 31));
    let next = |on| next_point(&terms, &base, &[at(0, on)]).date.point();
    // 28 Feb less a tenth of 28 days, rounded down to 2.
    assert_eq!(next(date!(2026 - 02 - 25)), Some(date!(2026 - 02 - 28)));
    assert_eq!(next(date!(2026 - 02 - 26)), Some(date!(2026 - 03 - 31)));
    assert_eq!(next(date!(2026 - 04 - 01)), Some(date!(2026 - 04 - 30)));
    // Decades later the grid still lies on the last day of the month.
    assert_eq!(next(date!(2056 - 02 - 15)), Some(date!(2056 - 02 - 29)));
    assert_eq!(next(date!(2056 - 02 - 28)), Some(date!(2056 - 03 - 31)));
}

#[test]
fn beside_the_grid_the_other_limbs_count_from_the_last_event_however_early() {
    let terms = schedule(span(600, None), span(5000, 12));
    let next = next_point(&terms, &in_service(NEW), &[]);
    assert_eq!((miles(next), next.date.point()), (Some(600), Some(date!(2025 - 01 - 10))));
    // At 50 mi it is too early for the 600 mi point, but the year counts from there.
    let next = next_point(&terms, &in_service(NEW), &[at(50, date!(2024 - 03 - 05))]);
    assert_eq!((miles(next), next.date.point()), (Some(600), Some(date!(2025 - 03 - 05))));
    // Within a tenth of the year's end: no window on this limb.
    let next = next_point(&terms, &in_service(NEW), &[at(700, date!(2024 - 12 - 30))]);
    assert_eq!((miles(next), next.date.point()), (Some(5600), Some(date!(2025 - 12 - 30))));
}

#[test]
fn the_grid_lies_on_the_first_of_distance_hours_months() {
    let every = Span { hours: Some(100 * HOUR), ..span(None, 12) };
    let done = Doing { hours: Some(95 * HOUR), ..at(0, date!(2024 - 06 - 01)) };
    let next = next_point(&schedule(Span::default(), every), &in_service(NEW), &[done]);
    assert_eq!((next.hours.point(), next.date.point()), (Some(200 * HOUR), Some(date!(2025 - 06 - 01))));
}

#[test]
fn what_first_alone_names_is_due_once_without_a_window_on_a_schedule() {
    let terms = schedule(span(600, None), span(None, 12));
    let next = |mi, on| next_point(&terms, &in_service(NEW), &[at(mi, on)]);
    let early = next(590, date!(2024 - 02 - 01));
    assert_eq!((miles(early), early.date.point()), (Some(600), Some(date!(2025 - 01 - 10))));
    assert!(next(600, date!(2024 - 02 - 01)).distance.is_absent());
    // The first service as a whole was fulfilled by the calendar.
    let by_date = next(400, date!(2025 - 01 - 02));
    assert_eq!((by_date.distance, by_date.date.point()), (Limb::Absent, Some(date!(2026 - 01 - 10))));
    // A rule for the first time alone, by whichever comes first.
    let once = schedule(span(600, 1), Span::default());
    let next = |mi, on| next_point(&once, &in_service(NEW), &[at(mi, on)]);
    assert!(next(620, date!(2024 - 01 - 20)).ended());
    assert_eq!(miles(next(590, date!(2024 - 01 - 20))), Some(600));
    // And by whichever comes last.
    let last = Terms { whichever: Whichever::Last, ..once };
    let next = |mi, on| next_point(&last, &in_service(NEW), &[at(mi, on)]);
    assert_eq!(next(620, date!(2024 - 01 - 20)).date.point(), Some(date!(2024 - 02 - 10)));
    assert!(next(620, date!(2024 - 02 - 10)).ended());
}

#[test]
fn a_grid_without_a_base_counts_from_what_was_done() {
    let base = Base { on: None, ..in_service(NEW) };
    let terms = schedule(Span::default(), span(None, 12));
    assert!(next_point(&terms, &base, &[]).unknown());
    assert_eq!(next_point(&terms, &base, &[at(0, NEW)]).date.point(), Some(date!(2025 - 01 - 10)));
}

#[test]
fn the_factor_multiplies_first_and_every_and_leaves_at_least_a_month() {
    let limbs = |distance: &str, hours: &str, months| Limbs {
        distance: Some(super::super::quantity::Quantity {
            value: Figure::parse(distance).unwrap(),
            unit: super::super::quantity::Unit::Mi,
        }),
        hours: Some(Figure::parse(hours).unwrap()),
        months: Some(months),
    };
    let half = Span::of(Some(&limbs("5000", "50", 12)), 0.5);
    assert_eq!(half, Span { distance: Some(2500 * MI), hours: Some(25 * HOUR), months: Some(6) });
    assert_eq!(Span::of(Some(&limbs("5000", "50", 5)), 0.5).months, Some(2));
    assert_eq!(Span::of(Some(&limbs("5000", "50", 1)), 0.1).months, Some(1));
    assert_eq!(Span::of(Some(&limbs("5000", "50", 100)), 0.29).months, Some(29));
    assert_eq!(Span::of(Some(&limbs("600.5", "0.1", 3)), 1.0).distance, Some(966_411_072));
}

fn day() -> impl Strategy<Value = Date> {
    (0_i64..20_000).prop_map(|days| date!(1990 - 01 - 01) + time::Duration::days(days))
}
fn doings() -> impl Strategy<Value = Vec<Doing>> {
    prop::collection::vec((0_i64..100_000, day()), 0..6).prop_map(|rows| {
        let (mut distances, mut days): (Vec<_>, Vec<_>) = rows.into_iter().unzip();
        distances.sort_unstable();
        days.sort_unstable();
        distances.into_iter().zip(days).map(|(mi, on)| at(mi, on)).collect()
    })
}
fn terms() -> impl Strategy<Value = Terms> {
    let limb = |from: i64, to: i64| prop::option::of(from..to);
    (limb(1, 20_000), limb(1, 60), limb(1, 20_000), limb(1, 60), any::<bool>(), prop::sample::select(vec![0.0, 0.05, 0.10, 0.25])).prop_map(
        |(first_mi, first_months, every_mi, every_months, on_grid, window)| Terms {
            window,
            counts_from: if on_grid { CountsFrom::Schedule } else { CountsFrom::LastDone },
            ..last_done(span(first_mi, first_months), span(every_mi, every_months))
        },
    )
}

proptest! {
    #[test]
    fn done_again_later_at_the_same_distance_never_brings_the_point_forward(terms in terms(), mut done in doings(), days in 0_i64..400) {
        let Some(last) = done.last().copied() else { return Ok(()) };
        let before = next_point(&terms, &in_service(NEW), &done);
        done.push(Doing { on: last.on + time::Duration::days(days), ..last });
        let after = next_point(&terms, &in_service(NEW), &done);
        if let (Some(before), Some(after)) = (before.distance.point(), after.distance.point()) {
            prop_assert!(after >= before);
        }
        // With a window an early event may by rule draw the anchor to itself; without one dates too only move on.
        if terms.window == 0.0 && let (Some(before), Some(after)) = (before.date.point(), after.date.point()) {
            prop_assert!(after >= before);
        }
    }
    #[test]
    fn the_next_point_of_a_grid_is_on_the_grid_and_still_open(every in 1_i64..20_000, first in prop::option::of(1_i64..5000), done in doings()) {
        let terms = schedule(span(first, None), span(every, None));
        let point = next_point(&terms, &in_service(NEW), &done).distance.point().unwrap();
        let start = first.unwrap_or(every) * MI;
        prop_assert_eq!((point - start) % (every * MI), 0);
        let opens = point - fraction(0.10, every * MI);
        prop_assert!(done.iter().all(|doing| doing.distance.unwrap() < opens));
        // And the point before it, if any, is fulfilled.
        prop_assert!(point == start || done.iter().any(|doing| doing.distance.unwrap() >= opens - every * MI));
    }
    #[test]
    fn the_next_date_of_a_grid_is_open_and_the_one_before_fulfilled(base in day(), months in 1_i64..60, on in day()) {
        let terms = schedule(Span::default(), span(None, months));
        let Limb::At { point, how, .. } = next_point(&terms, &in_service(base), &[at(0, on)]).date else { panic!("a date") };
        let steps = if let How::Grid(steps) = how { steps } else { 0 };
        let on_grid = |steps: i64| calendar::add_months(base, (steps + 1) * months);
        prop_assert_eq!(point, on_grid(steps));
        let opens = |steps: i64| on_grid(steps) - time::Duration::days((on_grid(steps) - on_grid(steps - 1)).whole_days() / 10);
        prop_assert!(on < opens(steps));
        prop_assert!(steps == 0 || on >= opens(steps - 1));
    }
}
