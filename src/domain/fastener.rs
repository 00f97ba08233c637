//! A bolt, nut or pin with its torque range, stages, thread treatment, and whether it is single-use.
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
    limit::share_a_bike,
    motorcycle::Motorcycle,
    noun::noun,
    quantity::{Figure, Quantity, Unit},
    rule::AppliesToBike,
    words::{Pattern, Position, Thread},
};

/// The torque range of one stage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Stage {
    /// The least.
    pub lower: Option<Figure>,
    /// The most.
    pub upper: Option<Figure>,
    /// The unit of both.
    pub unit: Unit,
}
fn once() -> u32 {
    1
}

noun! {
    /// A fastener.
    pub struct Fastener, sent as
    /// A fastener as entered.
    #[schema(example = json!({"key": "rear_axle_nut", "name": "Rear axle nut", "component": "axle", "position": "rear",
        "stages": [{"lower": 20, "upper": 25, "unit": "N.m"}, {"lower": 105, "upper": 115, "unit": "N.m"}], "thread": "clean_dry", "source": "Invented"}))]
    NewFastener {
        /// What a tightened line calls it.
        #[schema(pattern = "^[a-z0-9_]{1,60}$")]
        pub key: String,
        /// What people call it.
        pub name: String,
        /// The component that it holds.
        pub component: String,
        /// Where.
        pub position: Option<Position>,
        /// How many there are.
        #[serde(default = "once")]
        #[schema(minimum = 1, maximum = 100)]
        pub count: u32,
        /// The order in which several are tightened.
        pub pattern: Option<Pattern>,
        /// The torque of each stage.
        #[serde(default)]
        pub stages: Vec<Stage>,
        /// How the thread is prepared.
        pub thread: Option<Thread>,
        /// Whether it may be used once only.
        #[serde(default)]
        pub single_use: bool,
        /// Check the torque again after this distance.
        pub recheck_after: Option<Quantity>,
        /// Which motorcycles it is for.
        #[serde(default)]
        pub applies_to: AppliesToBike,
        /// Where the figures come from.
        #[serde(default)]
        pub source: String,
    } and also {}
}

/// The fastener of a key that a motorcycle has: the most specific of those that are for it. At one rank the older one stands.
#[must_use]
pub fn of_key<'f>(fasteners: &'f [Fastener], key: &str, bike: &Motorcycle) -> Option<&'f Fastener> {
    let meant = fasteners.iter().filter(|fastener| fastener.key == key && fastener.applies_to.matches(bike));
    meant.min_by_key(|fastener| (std::cmp::Reverse(fastener.applies_to.rank()), fastener.id))
}

/// Whether two fasteners contradict: one key at one rank for one motorcycle, so that a tightened line could mean either.
#[must_use]
pub fn contradict(a: &NewFastener, b: &NewFastener) -> bool {
    a.key == b.key && a.applies_to.rank() == b.applies_to.rank() && share_a_bike(&a.applies_to, &b.applies_to)
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};
    use time::OffsetDateTime;
    use uuid::Uuid;

    use super::*;
    use crate::domain::id::Id;

    fn bike() -> Motorcycle {
        let new = json!({"name": "Courier 3", "make": "Halden", "model": "650 Twin", "year": 2021, "final_drive": "chain", "odometer_unit": "mi"});
        Motorcycle::from_new(
            Id::new(Uuid::from_u128(7)),
            serde_json::from_value(new).unwrap(),
            false,
            None,
            vec![],
            OffsetDateTime::UNIX_EPOCH,
        )
    }
    fn fastener(id: u128, applies_to: &Value) -> Fastener {
        let new = json!({"key": "rear_axle_nut", "name": "Rear axle nut", "component": "axle", "applies_to": applies_to});
        Fastener::from_new(Id::new(Uuid::from_u128(id)), serde_json::from_value(new).unwrap(), OffsetDateTime::UNIX_EPOCH)
    }

    #[test]
    fn the_most_specific_fastener_is_meant() {
        let other_bike = json!({"motorcycle_id": Uuid::from_u128(8)});
        let by_rank = [
            json!({}),
            json!({"make": "halden"}),
            json!({"model": "650 Twin"}),
            json!({"model": "650 Twin", "years": {"from": 2020, "to": null}}),
            json!({"motorcycle_id": Uuid::from_u128(7)}),
        ];
        for best in 0..by_rank.len() {
            let mut fasteners: Vec<_> = (1..).zip(&by_rank[..=best]).map(|(id, applies_to)| fastener(id, applies_to)).collect();
            fasteners.push(fastener(90, &other_bike));
            fasteners.push(fastener(91, &json!({"model": "650 Twin", "years": {"from": 2022, "to": null}})));
            fasteners.reverse();
            let id = of_key(&fasteners, "rear_axle_nut", &bike()).map(|fastener| fastener.id.uuid().as_u128());
            assert_eq!(id, Some(best as u128 + 1));
        }
        assert_eq!(of_key(&[fastener(1, &other_bike)], "rear_axle_nut", &bike()), None);
        assert_eq!(of_key(&[fastener(1, &json!({}))], "front_axle_nut", &bike()), None);
    }
    #[test]
    fn one_key_is_one_fastener_for_a_motorcycle() {
        let of = |applies_to: Value| fastener(1, &applies_to).details();
        let model = of(json!({"make": "Halden", "model": "650 Twin"}));
        assert!(contradict(&model, &of(json!({"model": "650 TWIN "}))));
        assert!(!contradict(&model, &of(json!({"make": "Corvane", "model": "650 Twin"}))));
        assert!(!contradict(&model, &of(json!({"make": "Halden"}))));
        assert!(!contradict(&model, &NewFastener { key: "front_axle_nut".into(), ..model.clone() }));
        let years = |from, to| of(json!({"model": "650 Twin", "years": {"from": from, "to": to}}));
        assert!(contradict(&years(Some(2019), Some(2021)), &years(Some(2021), None)));
        assert!(!contradict(&years(Some(2019), Some(2020)), &years(Some(2021), None)));
    }
}
