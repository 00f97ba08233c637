//! The fewest workshop visits with no item late and none done too early.
//!
//! Each item may be done from the day it is nearly due to the last day it is not yet overdue. The fewest days that meet all of
//! these spans are found by going to the span that ends first, visiting on its last day, and taking along all that have begun by
//! then: every plan needs a visit within that span, and none later in it meets fewer of the others.
use serde::{Deserialize, Serialize};
use time::Date;
use utoipa::ToSchema;

use super::{
    calendar::words,
    due::{DueDates, DueItem, DueItemId},
};

/// An item as far as planning a visit needs it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VisitItem<'a> {
    /// The due item.
    pub id: DueItemId,
    /// What people call it.
    pub title: &'a str,
    /// Its three dates.
    pub dates: DueDates,
}

impl<'a> From<&'a DueItem> for VisitItem<'a> {
    fn from(item: &'a DueItem) -> Self {
        Self { id: item.id, title: &item.title, dates: item.dates }
    }
}

/// One visit and what is done in it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Visit {
    /// The day.
    pub on: Date,
    /// The due items, the most pressing first.
    #[schema(value_type = Vec<uuid::Uuid>)]
    pub due_items: Vec<DueItemId>,
    /// Why they go together, in sentences.
    pub together_because: Vec<String>,
}

struct Span<'a> {
    item: &'a VisitItem<'a>,
    earliest: Date,
    due: Date,
    latest: Date,
}

impl<'a> Span<'a> {
    /// From when to when the item may be done, as seen on `today`; `None` for an item that never comes due.
    fn of(item: &'a VisitItem<'a>, today: Date) -> Option<Self> {
        let due = item.dates.due_from?;
        let latest = item.dates.overdue_from.and_then(Date::previous_day).unwrap_or(due).max(today);
        let earliest = item.dates.nearly_due_from.unwrap_or(due).max(today).min(latest);
        Some(Self { item, earliest, due: due.clamp(earliest, latest), latest })
    }
    fn words(&self, today: Date) -> String {
        let title = self.item.title;
        match self.item.dates {
            DueDates { overdue_from: Some(since), .. } if since <= today => format!("{title}: overdue since {}.", words(since)),
            DueDates { nearly_due_from: Some(from), .. } => {
                format!("{title}: nearly due from {}, not yet overdue on {}.", words(from), words(self.latest))
            }
            _ => format!("{title}: due on {}.", words(self.due)),
        }
    }
}

/// The fewest visits from `from` (today) to `until` such that no item is late by `until` and none is done before it is nearly due.
///
/// An item that is overdue already is done on the first day. One that may wait until after `until` asks for no visit, but goes
/// along with one that falls into its span. An item without a due date is in no visit. Within the same number of visits, each is
/// on the day its first item comes due, as far as the others allow.
#[must_use]
pub fn visits(items: &[VisitItem<'_>], from: Date, until: Date) -> Vec<Visit> {
    let mut waiting: Vec<_> = items.iter().filter_map(|item| Span::of(item, from)).collect();
    waiting.sort_by_key(|span| (span.latest, span.due));
    let mut visits = Vec::new();
    while let Some(day) = waiting.first().map(|span| span.latest).filter(|latest| *latest <= until) {
        let (together, later): (Vec<_>, Vec<_>) = waiting.into_iter().partition(|span| span.earliest <= day);
        waiting = later;
        let all_begun = together.iter().map(|span| span.earliest).max().unwrap_or(day);
        let first_due = together.iter().map(|span| span.due).min().unwrap_or(day);
        let on = all_begun.max(first_due);
        let pressing = together.first().map_or("", |span| span.item.title);
        let mut because = vec![match together.len() {
            1 => format!("On {} by itself: nothing else still open is nearly due by {}.", words(on), words(day)),
            count => format!(
                "On {} these {count} can be done together: by then each is nearly due or more, and {pressing} cannot wait beyond {}.",
                words(on),
                words(day)
            ),
        }];
        because.extend(together.iter().map(|span| span.words(from)));
        visits.push(Visit { on, due_items: together.iter().map(|span| span.item.id).collect(), together_because: because });
    }
    visits
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use time::{Duration, macros::date};
    use uuid::Uuid;

    use super::*;

    const TODAY: Date = date!(2026 - 05 - 01);

    fn day(number: i64) -> Date {
        TODAY + Duration::days(number)
    }
    /// Days from today on which the item is nearly due, due and overdue.
    fn item(id: u128, days: [i64; 3]) -> VisitItem<'static> {
        let [nearly, due, overdue] = days.map(|number| Some(day(number)));
        let dates = DueDates { nearly_due_from: nearly, due_from: due, overdue_from: overdue };
        VisitItem { id: DueItemId::new(Uuid::from_u128(id)), title: "Oil", dates }
    }
    fn planned(items: &[VisitItem<'_>], until: i64) -> Vec<(i64, Vec<u128>)> {
        let number = |id: &DueItemId| id.uuid().as_u128();
        visits(items, TODAY, day(until))
            .iter()
            .map(|visit| ((visit.on - TODAY).whole_days(), visit.due_items.iter().map(number).collect()))
            .collect()
    }

    #[test]
    fn items_that_can_go_together_do() {
        let items = [item(1, [10, 40, 41]), item(2, [35, 65, 66]), item(3, [50, 80, 81])];
        assert_eq!(planned(&items, 365), [(40, vec![1, 2]), (80, vec![3])]);
    }

    #[test]
    fn what_is_overdue_is_done_today_with_all_that_is_nearly_due() {
        let items = [item(1, [-60, -30, -29]), item(2, [-5, 25, 26]), item(3, [1, 31, 32])];
        assert_eq!(planned(&items, 365), [(0, vec![1, 2]), (31, vec![3])]);
        let because = &visits(&items, TODAY, day(365))[0].together_because;
        assert!(because[1].starts_with("Oil: overdue since"), "{because:?}");
        assert!(because[2].starts_with("Oil: nearly due from"), "{because:?}");
    }

    #[test]
    fn grace_is_used_only_where_it_saves_a_visit() {
        assert_eq!(planned(&[item(1, [10, 40, 51])], 365), [(40, vec![1])], "alone: on the day it comes due");
        assert_eq!(planned(&[item(1, [10, 40, 51]), item(2, [45, 70, 71])], 365), [(45, vec![1, 2])]);
    }

    #[test]
    fn what_can_wait_beyond_the_look_ahead_asks_for_no_visit_but_goes_along() {
        assert_eq!(planned(&[item(1, [20, 50, 51])], 49), []);
        assert_eq!(planned(&[item(1, [20, 50, 51]), item(2, [10, 30, 31])], 49), [(30, vec![2, 1])]);
    }

    #[test]
    fn what_never_comes_due_is_in_no_visit() {
        let parked = VisitItem { dates: DueDates::default(), ..item(1, [0, 0, 0]) };
        assert_eq!(planned(&[parked], 365), []);
    }

    /// The fewest of the days 0 to 12 that meet every span, by trying all of them.
    fn fewest(spans: &[(i64, i64)]) -> u32 {
        (0_u32..1 << 13)
            .filter(|days| spans.iter().all(|(first, last)| (*first..=*last).any(|day| days >> day & 1 == 1)))
            .map(u32::count_ones)
            .min()
            .unwrap()
    }

    proptest! {
        #[test]
        fn no_plan_has_fewer_visits_and_every_item_is_done_once_in_its_span(
            raw in prop::collection::vec((-4_i64..10, 0_i64..5, 0_i64..4), 0..7),
            until in 0_i64..13,
        ) {
            let items: Vec<_> = raw
                .iter()
                .zip(1..)
                .map(|((nearly, lead, grace), id)| item(id, [*nearly, nearly + lead, nearly + lead + grace + 1]))
                .collect();
            let spans: Vec<_> = raw.iter().map(|(nearly, lead, grace)| {
                let last = (nearly + lead + grace).max(0);
                ((*nearly).max(0).min(last), last)
            }).collect();
            let must: Vec<_> = spans.iter().copied().filter(|(_, last)| *last <= until).collect();
            let plan = planned(&items, until);
            prop_assert_eq!(plan.len(), usize::try_from(fewest(&must)).unwrap());
            prop_assert!(plan.iter().map(|(on, _)| on).is_sorted());
            for ((first, last), id) in spans.iter().zip(1..) {
                let days: Vec<_> = plan.iter().filter(|(_, ids)| ids.contains(&id)).map(|(on, _)| *on).collect();
                prop_assert!(days.len() == 1 || days.is_empty() && *last > until, "item {} on {:?}", id, days);
                prop_assert!(days.iter().all(|on| (*first..=*last).contains(on)), "item {} on {:?}", id, days);
            }
        }
    }
}
