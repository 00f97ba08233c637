//! Limits: the range a measured value must stay in, which limit holds for which part, and the verdict.
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
    noun::noun,
    quantity::{Figure, Quantity, Unit},
    rule::AppliesToBike,
    words::{LimitKind, Measurand, Position},
};

/// A range of part distance, `[from, to)`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DistanceRange {
    /// From this part distance on.
    pub from: Option<Quantity>,
    /// Up to, and without, this part distance.
    pub to: Option<Quantity>,
}
/// A range of part hours, `[from, to)`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HoursRange {
    /// From so many hours on.
    pub from: Option<Figure>,
    /// Up to, and without, so many hours.
    pub to: Option<Figure>,
}
/// A range of part age in months, `[from, to)`.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MonthsRange {
    /// From so many months on.
    #[schema(maximum = 1200)]
    pub from: Option<u32>,
    /// Up to, and without, so many months.
    #[schema(maximum = 1200)]
    pub to: Option<u32>,
}

noun! {
    /// The range that a measured value must stay in.
    pub struct Limit, sent as
    /// A limit as entered.
    #[schema(example = json!({"component": "drive_belt", "quantity": "deflection", "lower": 8, "upper": 10, "unit": "mm", "kind": "adjust",
        "at_force": {"value": 45, "unit": "N"}, "part_distance": {"from": null, "to": {"value": 800, "unit": "mi"}}, "source": "Invented"}))]
    NewLimit {
        /// The component's key.
        pub component: String,
        /// Where; null: anywhere.
        pub position: Option<Position>,
        /// What is measured.
        pub quantity: Measurand,
        /// The least that is allowed.
        pub lower: Option<Figure>,
        /// The most that is allowed.
        pub upper: Option<Figure>,
        /// What it should be.
        pub nominal: Option<Figure>,
        /// The unit of all three.
        pub unit: Unit,
        /// What a value outside means: adjust it, replace it, or not legal.
        pub kind: LimitKind,
        /// The force at which it holds (a deflection is a pair).
        pub at_force: Option<Quantity>,
        /// Where it is the law.
        pub jurisdiction: Option<String>,
        /// The part distances for which it holds.
        pub part_distance: Option<DistanceRange>,
        /// The part hours for which it holds.
        pub part_hours: Option<HoursRange>,
        /// The part ages for which it holds.
        pub part_months: Option<MonthsRange>,
        /// The variant of the component for which it holds: words that stand in the part's description.
        pub variant: Option<String>,
        /// Which motorcycles it is for.
        #[serde(default)]
        pub applies_to: AppliesToBike,
        /// Where the figures come from.
        #[serde(default)]
        pub source: String,
    } and also {}
}
