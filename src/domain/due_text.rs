//! A stored due item as the answer to a question about one day, without reading more of it than the day changes: the rest goes from the
//! database into the answer as it is. What it gives is, letter by letter, what [`DueItem::on`](super::due::DueItem::on) gives.
use serde::{Deserialize, Serialize, Serializer, ser::Error};
use serde_json::value::RawValue;
use time::Date;

use super::{
    due::{DueDates, DueItem, status_on},
    words::Status,
};

/// A due item as it is stored, and the day that is asked for.
#[derive(Clone, Debug)]
pub struct DueText {
    /// A [`DueItem`] as JSON.
    pub stored: String,
    /// The day.
    pub as_of: Date,
}

impl DueText {
    /// An item that is not stored.
    ///
    /// # Errors
    /// Where it cannot be written as JSON.
    pub fn of(item: &DueItem, as_of: Date) -> serde_json::Result<Self> {
        Ok(Self { stored: serde_json::to_string(item)?, as_of })
    }
}

/// What is read of a stored item.
#[derive(Deserialize)]
struct Stored<'a> {
    #[serde(borrow)]
    id: &'a RawValue,
    motorcycle: &'a RawValue,
    rule: &'a RawValue,
    follow_up_id: &'a RawValue,
    installed_part_id: &'a RawValue,
    title: &'a RawValue,
    component: &'a RawValue,
    position: &'a RawValue,
    operation: &'a RawValue,
    last_done: &'a RawValue,
    due_at: &'a RawValue,
    remaining_distance: &'a RawValue,
    remaining_hours: Option<&'a RawValue>,
    dates: DueDates,
    actual: DueDates,
    no_history: bool,
    expected: &'a RawValue,
    governs: &'a RawValue,
    because: &'a RawValue,
}

/// The fields of [`DueItemOn`](super::due::DueItemOn), in its order.
#[derive(Serialize)]
struct OnDay<'a> {
    id: &'a RawValue,
    motorcycle: &'a RawValue,
    rule: &'a RawValue,
    follow_up_id: &'a RawValue,
    installed_part_id: &'a RawValue,
    title: &'a RawValue,
    component: &'a RawValue,
    position: &'a RawValue,
    operation: &'a RawValue,
    status: Status,
    certain: bool,
    last_done: &'a RawValue,
    due_at: &'a RawValue,
    remaining: Remaining<'a>,
    #[serde(flatten)]
    dates: DueDates,
    expected: &'a RawValue,
    governs: &'a RawValue,
    because: &'a RawValue,
}
#[derive(Serialize)]
struct Remaining<'a> {
    distance: &'a RawValue,
    #[serde(skip_serializing_if = "Option::is_none")]
    hours: Option<&'a RawValue>,
    days: Option<i64>,
}

impl Serialize for DueText {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(Deserialize)]
        struct DateLimb {
            on: Option<Date>,
        }
        let item: Stored = serde_json::from_str(&self.stored).map_err(S::Error::custom)?;
        let limb: DateLimb = serde_json::from_str(item.due_at.get()).map_err(S::Error::custom)?;
        let (status, certain) = status_on(item.no_history, &item.dates, &item.actual, self.as_of);
        let on_day = OnDay {
            id: item.id,
            motorcycle: item.motorcycle,
            rule: item.rule,
            follow_up_id: item.follow_up_id,
            installed_part_id: item.installed_part_id,
            title: item.title,
            component: item.component,
            position: item.position,
            operation: item.operation,
            status,
            certain,
            last_done: item.last_done,
            due_at: item.due_at,
            remaining: Remaining {
                distance: item.remaining_distance,
                hours: item.remaining_hours,
                days: limb.on.map(|on| (on - self.as_of).whole_days()),
            },
            dates: item.dates,
            expected: item.expected,
            governs: item.governs,
            because: item.because,
        };
        on_day.serialize(serializer)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::{Value, json};
    use time::{Duration, macros::date};
    use uuid::Uuid;

    use super::*;

    /// An item of which each field that may be absent is there or not, by the bits of `which`.
    fn item(which: u32, days: [i64; 6]) -> DueItem {
        let has = |bit: u32, value: Value| if which >> bit & 1 == 1 { value } else { Value::Null };
        let day = |bit: u32, nth: usize| has(bit, json!((date!(2026 - 05 - 02) + Duration::days(days[nth])).to_string()));
        let id = Uuid::nil();
        let mut due_at = json!({"odometer": has(0, json!({"value": 18_250.0, "unit": "mi"})), "on": day(1, 0)});
        if which >> 2 & 1 == 1 {
            due_at["hours"] = json!(120.50);
        }
        serde_json::from_value(json!({
            "id": id, "motorcycle": {"id": id, "name": "Jib \"Sooty\" \\ № 1"}, "rule": has(3, json!({"id": id, "name": "Öl"})),
            "follow_up_id": has(4, json!(id)), "installed_part_id": has(5, json!(id)), "title": "Engine oil, replace",
            "component": has(6, json!("engine_oil")), "position": has(7, json!("front")), "operation": has(8, json!("replace")),
            "last_done": has(9, json!({"on": "2025-04-01", "odometer": {"value": 9001, "unit": "km"}, "service_event_id": null})),
            "due_at": due_at, "remaining_distance": has(10, json!({"value": -12.5, "unit": "mi"})),
            "remaining_hours": has(11, json!(-3.25)),
            "dates": {"nearly_due_from": day(12, 1), "due_from": day(13, 2), "overdue_from": day(14, 3)},
            "actual": {"nearly_due_from": day(15, 4), "due_from": day(16, 5), "overdue_from": null},
            "no_history": which >> 17 & 1 == 1, "expected": has(18, json!({"p10": "2026-01-01", "p50": null, "p90": null})),
            "governs": has(19, json!("distance")), "because": ["Every 5,000 mi.", "12 months < 14."],
        }))
        .unwrap()
    }

    proptest! {
        #[test]
        fn the_text_says_what_the_item_says(which in 0_u32..1 << 20, days in prop::array::uniform6(-40_i64..40)) {
            let (item, as_of) = (item(which, days), date!(2026 - 05 - 02));
            let text = serde_json::to_string(&DueText::of(&item, as_of).unwrap()).unwrap();
            prop_assert_eq!(text, serde_json::to_string(&item.on(as_of)).unwrap());
        }
    }
}
