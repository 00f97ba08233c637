//! Wear forecasts among the due items: each an item of its own, unless a rule for that operation on that part is due anyway.
use super::{
    due::{DueDates, DueItem, ExpectedDates},
    due_dates::{DuePoint, OnCounter, own_margins},
    history::PartLife,
    id::Id,
    motorcycle::Motorcycle,
    part::InstalledPart,
    projection::Band,
    road::{Road, Roads},
    sums,
    words::{Governs, Operation, Position, Whichever},
    work_out::{bare, derived_id, sort, with_point},
};

/// When a part is worn to a limit.
#[derive(Clone, Debug, PartialEq)]
pub struct WearDue {
    /// The part.
    pub part: Id<InstalledPart>,
    /// The component's key.
    pub component: String,
    /// Where it sits.
    pub position: Option<Position>,
    /// What is to be done at the limit: replace, or adjust.
    pub operation: Operation,
    /// The true distance of the motorcycle at which the limit is met, in millimetres: early, most likely, late.
    pub at: Band,
    /// The part distance at which it is most likely met, in millimetres: its tenth is the lead.
    pub part_distance: i64,
    /// The measurements and the line through them, in sentences.
    pub because: Vec<String>,
}

/// Puts wear forecasts among the due items of the same motorcycle. Of several on one part for one operation the earliest
/// counts. Where a rule asks for the same operation on that part, the earlier of the two governs that rule's item.
pub fn merge_wear(items: &mut Vec<DueItem>, roads: &Roads, mut forecasts: Vec<WearDue>) {
    let Some(road) = roads.own() else { return };
    let bike = &roads.history.motorcycle;
    forecasts.sort_by(|one, other| {
        (one.part, one.operation, one.at.p50, one.at.p10).cmp(&(other.part, other.operation, other.at.p50, other.at.p10))
    });
    forecasts.dedup_by_key(|wear| (wear.part, wear.operation));
    // A rule without a position may ask for several parts: the first of them governs it.
    forecasts.sort_by_key(|wear| wear.at.p50);
    for wear in forecasts {
        let part = roads.history.parts.iter().find(|part| part.id == wear.part);
        let item = item_of(bike, road, part, &wear);
        let same = items
            .iter_mut()
            .filter(|item| is_about(item, &wear))
            .min_by_key(|item| (item.dates.due_from.is_none(), item.dates.due_from, item.id));
        match same {
            Some(rule) => govern(rule, item),
            None => items.push(item),
        }
    }
    sort(items);
}

/// Whether a rule's item asks for the same operation on the same part.
fn is_about(item: &DueItem, wear: &WearDue) -> bool {
    let same_place = match item.installed_part_id {
        Some(part) => part == wear.part,
        None => item.component.as_ref() == Some(&wear.component) && (item.position.is_none() || item.position == wear.position),
    };
    item.rule.is_some() && item.operation == Some(wear.operation) && same_place
}

/// The forecast as an item of its own.
fn item_of(bike: &Motorcycle, road: &Road, part: Option<&PartLife>, wear: &WearDue) -> DueItem {
    let not_before = part.and_then(|part| part.stay_on(bike.id)).map(|stay| stay.fitted.on);
    let on = |due| OnCounter { gauge: &road.distance, due, not_before };
    let point = DuePoint {
        distance: Some(on(wear.at.p50)),
        hours: None,
        date: None,
        whichever: Whichever::First,
        margins: own_margins(Some(wear.part_distance), None, bike.odometer_unit, 0),
    };
    let title = format!("{}, {}", sums::component(&wear.component, wear.position), wear.operation);
    let id = derived_id(&format!("wear {}", wear.operation), &[bike.id.uuid(), wear.part.uuid()]);
    let item = DueItem {
        installed_part_id: Some(wear.part),
        component: Some(wear.component.clone()),
        position: wear.position,
        operation: Some(wear.operation),
        because: wear.because.iter().cloned().chain(super::because::projected(bike, road, &point)).collect(),
        ..bare(bike, id, title)
    };
    let item = with_point(item, bike, road, &point);
    // An early limit on a fast road, and a late one on a slow road.
    let (early, late) = (road.distance.expected(wear.at.p10).p10, road.distance.expected(wear.at.p90).p90);
    let expected = item.expected.map(|dates| ExpectedDates {
        p10: early.max(not_before.filter(|_| early.is_some())).or(dates.p10),
        p50: dates.p50,
        p90: late.max(not_before.filter(|_| late.is_some())),
    });
    DueItem { expected, governs: item.governs.map(|_| Governs::Wear), ..item }
}

/// Lets the earlier of a rule's item and a wear forecast govern; the reasons of both are kept.
fn govern(rule: &mut DueItem, wear: DueItem) {
    let sooner = match (rule.dates.due_from, wear.dates.due_from) {
        (Some(rule), Some(wear)) => wear < rule,
        (None, wear) => wear.is_some(),
        (Some(_), None) => false,
    };
    rule.because.extend(wear.because);
    rule.installed_part_id = rule.installed_part_id.or(if sooner { wear.installed_part_id } else { None });
    rule.dates = earlier(rule.dates, wear.dates);
    rule.actual = earlier(rule.actual, wear.actual);
    if !sooner {
        rule.because.push("The rule comes before the wear.".into());
        return;
    }
    rule.because.push("The wear comes before the rule.".into());
    rule.no_history = false;
    rule.due_at.odometer = wear.due_at.odometer;
    rule.remaining_distance = wear.remaining_distance;
    rule.expected = wear.expected;
    rule.governs = wear.governs;
}

fn earlier(one: DueDates, other: DueDates) -> DueDates {
    let min = |one: Option<time::Date>, other: Option<time::Date>| one.into_iter().chain(other).min();
    DueDates {
        nearly_due_from: min(one.nearly_due_from, other.nearly_due_from),
        due_from: min(one.due_from, other.due_from),
        overdue_from: min(one.overdue_from, other.overdue_from),
    }
}
