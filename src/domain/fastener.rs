//! A bolt, nut or pin with its torque range, stages, thread treatment, and whether it is single-use.
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
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
