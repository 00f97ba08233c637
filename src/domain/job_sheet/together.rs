//! What is open anyway is done together: the order of the work on a sheet, and what else could be done while it is open.
//!
//! What comes bare with what, and how near is near, are common practice, no source.
use serde::Serialize;
use time::{Date, Duration};
use utoipa::ToSchema;

use super::{meet, reached_through};
use crate::domain::{
    due::{DueItemId, DueItemOn},
    quantity::grouped,
    sums,
    words::{Position, Status},
};

/// Something that is not on the sheet, comes due before long, and could be done while the work on the sheet has it open.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Together {
    /// The due item.
    #[schema(value_type = uuid::Uuid)]
    pub due_item_id: DueItemId,
    /// What people call it.
    pub title: String,
    /// What opens it, and how near it is, in a sentence.
    pub because: String,
}

/// So near in distance is near: 1,500 mi, in meters.
const NEAR: f64 = 1_500.0 * 1_609.344;
/// So near in time is near.
const SOON: Duration = Duration::days(90);

type Place = (String, Option<Position>);

/// The places that an operation opens: its own component, and what it is reached through.
fn opened(item: &DueItemOn) -> Vec<Place> {
    let Some(component) = &item.component else { return Vec::new() };
    let mut places = vec![(component.clone(), item.position)];
    places.extend(reached_through(component, item.position, item.operation).into_iter().map(|(key, at)| (key.to_owned(), at)));
    places
}

/// What lies bare once a component is off.
fn laid_bare(component: &str, position: Option<Position>) -> &'static [&'static str] {
    let is = |place: &str| position.is_some_and(|position| position.to_string() == place);
    match component {
        "wheel" if is("rear") => {
            &["tire", "wheel_bearing", "brake_disc", "brake_pads", "axle", "drive_chain", "drive_belt", "sprocket", "cush_drive"]
        }
        "wheel" => &["tire", "wheel_bearing", "brake_disc", "brake_pads", "axle"],
        "brake_caliper" => &["brake_pads", "pad_pin", "brake_disc"],
        "axle" if is("rear") => &["drive_chain", "drive_belt"],
        "engine_oil" => &["oil_filter"],
        _ => &[],
    }
}

/// The place through which one operation opens what another one needs; the component's own place before any that it is reached through.
fn shared(one: &DueItemOn, other: &DueItemOn) -> Option<Place> {
    let component = other.component.as_deref()?;
    let needs = opened(other);
    opened(one).into_iter().find(|(key, at)| {
        let same = needs.iter().any(|(need, there)| need == key && meet(*at, *there));
        let bare = laid_bare(key, *at).contains(&component)
            && (other.position.is_none() || meet(*at, other.position) || matches!(component, "drive_chain" | "drive_belt"));
        same || bare
    })
}

/// The operations, soonest first, each followed by those that are done while the same thing is open.
pub(super) fn in_order(operations: Vec<DueItemOn>) -> Vec<DueItemOn> {
    let mut left = operations;
    let mut ordered = Vec::with_capacity(left.len());
    while !left.is_empty() {
        let first = left.remove(0);
        let (with, rest): (Vec<_>, Vec<_>) =
            left.into_iter().partition(|item| shared(&first, item).is_some() || shared(item, &first).is_some());
        ordered.push(first);
        ordered.extend(with);
        left = rest;
    }
    ordered
}

/// What else comes due before long where the work on the sheet has it open, the most pressing first as in `others`.
pub(super) fn together(operations: &[DueItemOn], others: &[DueItemOn], today: Date) -> Vec<Together> {
    let waiting = others.iter().filter(|other| operations.iter().all(|item| item.id != other.id));
    waiting
        .filter_map(|other| {
            let near = near(other, today)?;
            let (opener, (component, position)) = operations.iter().find_map(|item| Some((item, shared(item, other)?)))?;
            let name = sums::component(&component, position);
            let because = format!("{name}: open anyway for {}. {} {near}.", opener.title, other.title);
            Some(Together { due_item_id: other.id, title: other.title.clone(), because })
        })
        .collect()
}

/// How near an item is, to stand behind its name; `None` where it is far off.
fn near(item: &DueItemOn, today: Date) -> Option<String> {
    match item.status {
        Status::NoHistory => return None,
        Status::Overdue => return Some("is overdue".into()),
        Status::Due => return Some("is due".into()),
        Status::NearlyDue | Status::Later => {}
    }
    if let Some(distance) = item.remaining.distance.as_ref().filter(|left| left.si() >= 0.0 && left.si() <= NEAR) {
        return Some(format!("is due within {} {}", grouped(distance.value.value()), distance.unit));
    }
    let on = item.due_from.filter(|on| *on <= today + SOON)?;
    Some(format!("is due on {}", crate::domain::calendar::words(on)))
}

#[cfg(test)]
mod tests {
    use serde_json::json;
    use time::macros::date;

    use super::*;
    use crate::domain::fixture::{Bench, rule, uuid};

    const TODAY: Date = date!(2026 - 05 - 01);

    /// An item of a component and place with the miles that are left to it.
    fn item(number: u128, component: &str, position: &str, operation: &str, left: i64) -> DueItemOn {
        let mut item = Bench::new().due(&rule(json!({"every": {"months": 12}}))).on(TODAY);
        item.id = DueItemId::new(uuid(number));
        item.title = format!("Item {number}");
        item.component = Some(component.into());
        item.position = position.parse().ok();
        item.operation = operation.parse().ok();
        item.status = Status::Later;
        item.remaining.distance = serde_json::from_value(json!({"value": left, "unit": "mi"})).unwrap();
        item.due_from = Some(date!(2028 - 01 - 01));
        item
    }
    fn numbers(items: &[DueItemOn]) -> Vec<&str> {
        items.iter().map(|item| item.title.as_str()).collect()
    }

    #[test]
    fn the_rear_wheel_comes_out_for_the_tire_so_pads_and_belt_go_along() {
        let tire = item(1, "tire", "rear", "replace", 100);
        let others = [
            item(2, "brake_pads", "rear", "replace", 1_400),
            item(3, "brake_pads", "front", "replace", 1_400),
            item(4, "drive_belt", "", "inspect", 1_500),
            item(5, "drive_belt", "", "replace", 1_501),
            item(6, "engine_oil", "", "replace", 10),
            tire.clone(),
        ];
        let found = together(std::slice::from_ref(&tire), &others, TODAY);
        let ids: Vec<_> = found.iter().map(|found| found.title.as_str()).collect();
        assert_eq!(ids, ["Item 2", "Item 4"]);
        assert_eq!(found[0].because, "Rear wheel: open anyway for Item 1. Item 2 is due within 1,400 mi.");
    }

    #[test]
    fn looking_at_a_tire_opens_nothing() {
        let tire = item(1, "tire", "rear", "inspect", 100);
        assert!(together(&[tire], &[item(2, "brake_pads", "rear", "replace", 100)], TODAY).is_empty());
    }

    #[test]
    fn what_shares_an_opening_follows_what_opens_it() {
        let items = vec![
            item(1, "tire", "rear", "replace", 0),
            item(2, "engine_oil", "", "replace", 10),
            item(3, "wheel_bearing", "rear", "replace", 20),
            item(4, "oil_filter", "", "replace", 30),
        ];
        assert_eq!(numbers(&in_order(items)), ["Item 1", "Item 3", "Item 2", "Item 4"]);
    }
}
