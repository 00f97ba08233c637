//! What is due on one motorcycle: every rule that applies to it, every follow-up, worked out from its history.
//!
//! Pure: the same history and rules give the same items, in the same order, with the same ids.
use std::cmp::Ordering;

use sha2::{Digest, Sha256};
use time::Date;
use uuid::Uuid;

use super::{
    because, calendar,
    due::{DueAt, DueItem, DueItemId, LastDone, MotorcycleRef, RuleRef},
    due_dates::{DuePoint, OnCounter, margins, own_margins},
    history::{History, LeftOver, PartLife, Stay},
    id::Id,
    interval::{Base, Doing, NextPoint, TICKS_PER_HOUR, Terms, next_point},
    motorcycle::Motorcycle,
    quantity::{Distance, Figure, Quantity, Unit},
    road::{Road, Roads},
    rule::IntervalRule,
    satisfied::{self, DoneAt},
    words::{Governs, Scope, Whichever},
};

/// Everything that is or will be due on a motorcycle: by the day it comes due, what has no such day after, what nobody knows last.
#[must_use]
pub fn work_out(history: &History, rules: &[IntervalRule]) -> Vec<DueItem> {
    work_out_on(&Roads::new(history), rules)
}

/// The same where the counters have been forecast already.
#[must_use]
pub fn work_out_on(roads: &Roads, rules: &[IntervalRule]) -> Vec<DueItem> {
    let history = roads.history;
    let Some(road) = roads.own() else { return Vec::new() };
    let mut items = Vec::new();
    for rule in rules.iter().filter(|rule| rule.applies_to.matches(&history.motorcycle, |component| history.has_fitted(component))) {
        match rule.scope {
            Scope::Motorcycle => items.extend(Case::on_motorcycle(roads, road, rule).item()),
            Scope::Part => {
                let of_rule = |part: &PartLife, stay: &Stay| {
                    part.component == rule.component && (rule.position.is_none() || rule.position == stay.position)
                };
                let parts = history.parts_on().filter(|(part, stay)| of_rule(part, stay));
                items.extend(parts.filter_map(|(part, stay)| Case::on_part(roads, road, rule, part, stay).item()));
            }
        }
    }
    items.extend(history.follow_ups.iter().filter_map(|left| follow_up(roads, road, left)));
    sort(&mut items);
    items
}

/// By the day it comes due, what has no such day after, what nobody knows last; of one day by id.
pub fn sort(items: &mut [DueItem]) {
    items.sort_by(|one, other| {
        let day = |item: &DueItem| (item.no_history, item.dates.due_from.is_none(), item.dates.due_from);
        match day(one).cmp(&day(other)) {
            Ordering::Equal => one.id.cmp(&other.id),
            order => order,
        }
    });
}

/// The id of a due item: a UUIDv7 (RFC 9562) that holds the time of the youngest of what it is derived from, and their hash
/// in place of random bits. `tag` keeps apart what is derived from the same things.
#[must_use]
pub fn derived_id(tag: &str, from: &[Uuid]) -> DueItemId {
    let millis = from.iter().map(|id| id.as_u128() >> 80).max().unwrap_or(0);
    let mut hash = Sha256::new_with_prefix(tag);
    for id in from {
        hash.update(id.as_bytes());
    }
    let mut bits = [0; 10];
    bits.iter_mut().zip(hash.finalize()).for_each(|(to, from)| *to = from);
    Id::new(uuid::Builder::from_unix_timestamp_millis(u64::try_from(millis).unwrap_or(0), &bits).into_uuid())
}

/// A part on the motorcycle, as a rule about parts sees it.
pub(super) struct OnPart<'a> {
    /// The part.
    pub part: &'a PartLife,
    /// Its present stay.
    pub stay: &'a Stay,
    /// True distance of the motorcycle at its present fitting.
    pub fitted: Option<i64>,
    /// What it had run then.
    pub run: Option<i64>,
    /// True distance of the motorcycle less part distance, in the present stay.
    shift: Option<i64>,
    /// The same in hours.
    hours_shift: Option<i64>,
}

/// One rule on one motorcycle or one of its parts.
pub(super) struct Case<'a> {
    pub roads: &'a Roads<'a>,
    pub road: &'a Road<'a>,
    pub rule: &'a IntervalRule,
    pub terms: Terms,
    pub base: Base,
    /// Every time it was done, oldest first.
    pub done: Vec<DoneAt>,
    /// As the rule counts: the motorcycle's counts, or the part's.
    pub next: NextPoint,
    pub part: Option<OnPart<'a>>,
    /// On the motorcycle's counters.
    pub point: DuePoint<'a>,
}

impl<'a> Case<'a> {
    fn on_motorcycle(roads: &'a Roads<'a>, road: &'a Road<'a>, rule: &'a IntervalRule) -> Self {
        let bike = &roads.history.motorcycle;
        let records = bike.records_begin.as_ref();
        let base = Base {
            distance: road.distance.known().then_some(0),
            hours: road.hours.known().then_some(0),
            on: bike.in_service_on,
            records_distance: records.map(|records| {
                let shown = Distance::new(records.odometer.value(), bike.odometer_unit).mm();
                road.distance.counter.counted(records.on, shown).unwrap_or(shown)
            }),
            records_on: records.map(|records| records.on),
        };
        Self::new(roads, road, rule, base, satisfied::on_motorcycle(rule, roads.history, road), None)
    }

    fn on_part(roads: &'a Roads<'a>, road: &'a Road<'a>, rule: &'a IntervalRule, part: &'a PartLife, stay: &'a Stay) -> Self {
        let place = part.stays.len().saturating_sub(1);
        let fitted = road.distance_at(&stay.fitted).map(|count| count.ticks);
        let run = part.run_before(place, roads);
        let hours_fitted = road.hours_at(&stay.fitted).map(|count| count.ticks);
        let on = OnPart {
            part,
            stay,
            fitted,
            run,
            shift: fitted.zip(run).map(|(fitted, run)| fitted - run),
            hours_shift: hours_fitted.zip(part.hours_before(place, roads)).map(|(fitted, run)| fitted - run),
        };
        // A part that was fitted used starts used: its life counts from none.
        let base = Base {
            distance: on.shift.map(|_| 0),
            hours: on.hours_shift.map(|_| 0),
            on: part.ages_from(),
            records_distance: None,
            records_on: None,
        };
        Self::new(roads, road, rule, base, satisfied::on_part(rule, part, roads), Some(on))
    }

    fn new(
        roads: &'a Roads<'a>,
        road: &'a Road<'a>,
        rule: &'a IntervalRule,
        base: Base,
        done: Vec<DoneAt>,
        part: Option<OnPart<'a>>,
    ) -> Self {
        let terms = Terms::of(rule, &roads.history.motorcycle.interval_factor);
        let doings: Vec<Doing> = done.iter().map(|done| done.doing).collect();
        let next = next_point(&terms, &base, &doings);
        let shift = part.as_ref().map_or(Some(0), |part| part.shift);
        let hours_shift = part.as_ref().map_or(Some(0), |part| part.hours_shift);
        let not_before = part.as_ref().map(|part| part.stay.fitted.on);
        let on_distance = next.distance.point().zip(shift).map(|(point, shift)| point + shift);
        let on_hours = next.hours.point().zip(hours_shift).map(|(point, shift)| point + shift);
        let point = DuePoint {
            distance: on_distance.map(|due| OnCounter { gauge: &road.distance, due, not_before }),
            hours: on_hours.map(|due| OnCounter { gauge: &road.hours, due, not_before }),
            date: next.date.point(),
            whichever: terms.whichever,
            margins: margins(rule, &terms, &next, roads.history.lead_days),
        };
        Self { roads, road, rule, terms, base, done, next, part, point }
    }

    /// The due item; `None` where the rule was for the first time alone and that is done.
    fn item(&self) -> Option<DueItem> {
        if self.next.ended() {
            return None;
        }
        let bike = &self.roads.history.motorcycle;
        let part = self.part.as_ref();
        let mut from = vec![bike.id.uuid(), self.rule.id.uuid()];
        from.extend(part.map(|on| on.part.id.uuid()));
        let item = bare(bike, derived_id("rule", &from), title(self.rule));
        let item = DueItem {
            rule: Some(RuleRef { id: self.rule.id, name: self.rule.name.clone() }),
            installed_part_id: part.map(|on| on.part.id),
            component: Some(self.rule.component.clone()),
            position: part.map_or(self.rule.position, |on| on.stay.position),
            operation: Some(self.rule.operation),
            last_done: self.last_done(),
            no_history: self.point.unknown(),
            because: because::of_rule(self),
            ..item
        };
        Some(with_point(item, bike, self.road, &self.point))
    }

    fn last_done(&self) -> Option<LastDone> {
        let last = self.done.last()?;
        let shown = self.roads.of(last.motorcycle).zip(last.distance);
        let shown = shown.and_then(|(road, count)| road.distance.counter.shown_then(last.mark.on, count.ticks));
        Some(LastDone {
            on: last.mark.on,
            odometer: shown.map(|ticks| Distance::from_mm(ticks).quantity(self.roads.history.motorcycle.odometer_unit)),
            service_event_id: last.event,
        })
    }
}

/// What the rule asks for: its name, with the operation unless the name says it.
fn title(rule: &IntervalRule) -> String {
    let operation = rule.operation.as_str();
    if rule.name.to_lowercase().contains(operation) { rule.name.clone() } else { format!("{}, {operation}", rule.name) }
}

/// An item of a motorcycle about which nothing is known yet.
pub(super) fn bare(bike: &Motorcycle, id: DueItemId, title: String) -> DueItem {
    DueItem {
        id,
        motorcycle: MotorcycleRef { id: bike.id, name: bike.name.clone() },
        rule: None,
        follow_up_id: None,
        installed_part_id: None,
        title,
        component: None,
        position: None,
        operation: None,
        last_done: None,
        due_at: DueAt::default(),
        remaining_distance: None,
        remaining_hours: None,
        dates: super::due::DueDates::default(),
        actual: super::due::DueDates::default(),
        no_history: false,
        expected: None,
        governs: None,
        because: Vec::new(),
    }
}

/// Fills in everything that follows from the due point.
pub(super) fn with_point(item: DueItem, bike: &Motorcycle, road: &Road, point: &DuePoint) -> DueItem {
    let unit = bike.odometer_unit;
    let left = |limb: OnCounter| limb.gauge.counter.last().map(|last| limb.due - last.ticks);
    let due_at = DueAt {
        odometer: point.distance.and_then(|limb| odometer(road, bike, limb.due)),
        hours: point.hours.and_then(|limb| Some(in_hours(limb.gauge.counter.shown_now(limb.due)?))),
        on: point.date,
    };
    DueItem {
        due_at,
        remaining_distance: point.distance.and_then(left).map(|mm| Distance::from_mm(mm).quantity(unit)),
        remaining_hours: point.hours.and_then(left).map(in_hours),
        dates: point.dates(),
        actual: point.actual(),
        expected: point.expected(),
        governs: point.governs(),
        ..item
    }
}

/// A true distance as the odometer now on the motorcycle shows it, or will; `None` before that odometer's start.
pub(super) fn odometer(road: &Road, bike: &Motorcycle, ticks: i64) -> Option<Quantity> {
    Some(Distance::from_mm(road.distance.counter.shown_now(ticks)?).quantity(bike.odometer_unit))
}

#[expect(clippy::cast_precision_loss, reason = "2^53 ms are 285,000 years")]
fn in_hours(ticks: i64) -> Figure {
    Figure::rounded(ticks as f64 / TICKS_PER_HOUR, 3)
}

/// A follow-up with a distance or months is a due item of its own, counted from its event.
fn follow_up(roads: &Roads, road: &Road, left: &LeftOver) -> Option<DueItem> {
    let due_in = left.due_in.as_ref().filter(|_| left.settled_on.is_none())?;
    let bike = &roads.history.motorcycle;
    let distance = due_in.distance.as_ref().map(|figure| Distance::new(figure.value(), bike.odometer_unit).mm());
    let months = due_in.months.map(i64::from);
    if distance.is_none() && months.is_none() {
        return None;
    }
    let due = |add: i64| Some(road.distance_at(&left.mark)?.ticks + add);
    let on_distance = distance.and_then(due).map(|due| OnCounter { gauge: &road.distance, due, not_before: None });
    let date: Option<Date> = months.map(|months| calendar::add_months(left.mark.on, months));
    let point = DuePoint {
        distance: on_distance,
        hours: None,
        date,
        whichever: Whichever::First,
        margins: own_margins(distance, months, bike.odometer_unit, roads.history.lead_days),
    };
    let item = DueItem {
        follow_up_id: Some(left.id),
        component: left.component.clone(),
        position: left.position,
        no_history: point.unknown(),
        because: because::of_follow_up(bike, road, left, distance, months, &point),
        ..bare(bike, derived_id("follow-up", &[bike.id.uuid(), left.id.uuid()]), left.text.clone())
    };
    let item = with_point(item, bike, road, &point);
    Some(DueItem { governs: item.governs.map(|_| Governs::FollowUp), ..item })
}

/// The unit that a motorcycle's odometer counts in.
pub(super) fn unit(bike: &Motorcycle) -> Unit {
    bike.odometer_unit.into()
}

#[cfg(test)]
mod tests;
