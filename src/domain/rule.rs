//! An interval rule as it is written: when an operation comes due.
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
    id::Id,
    motorcycle::Motorcycle,
    noun::noun,
    quantity::{Figure, Quantity},
    words::{CountsFrom, FinalDrive, Operation, Position, Scope, Whichever},
};

/// Model years, both ends included; null is open.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Years {
    /// From this model year on.
    pub from: Option<i32>,
    /// Up to this model year.
    pub to: Option<i32>,
}

/// Which motorcycles a limit or fastener is for; null: all.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AppliesToBike {
    /// Only this motorcycle.
    pub motorcycle_id: Option<Id<Motorcycle>>,
    /// Only this make.
    pub make: Option<String>,
    /// Only this model.
    pub model: Option<String>,
    /// Only these model years.
    pub years: Option<Years>,
}

/// Which motorcycles a rule is for; null: all.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AppliesTo {
    /// Only this motorcycle.
    pub motorcycle_id: Option<Id<Motorcycle>>,
    /// Only this make.
    pub make: Option<String>,
    /// Only this model.
    pub model: Option<String>,
    /// Only these model years.
    pub years: Option<Years>,
    /// Only this final drive.
    pub final_drive: Option<FinalDrive>,
    /// Only where a part of this component is fitted.
    pub component_fitted: Option<String>,
}

impl AppliesToBike {
    /// Whether the motorcycle is meant. Makes and models are compared without regard to case.
    #[must_use]
    pub fn matches(&self, bike: &Motorcycle) -> bool {
        let same = |want: &Option<String>, have: &str| want.as_ref().is_none_or(|want| want.trim().eq_ignore_ascii_case(have.trim()));
        self.motorcycle_id.is_none_or(|id| id == bike.id)
            && same(&self.make, &bike.make)
            && same(&self.model, &bike.model)
            && self.years.as_ref().is_none_or(|years| {
                let within = |year| years.from.is_none_or(|from| from <= year) && years.to.is_none_or(|to| year <= to);
                *years == Years::default() || bike.year.is_some_and(within)
            })
    }
    /// How specific it is: one motorcycle, then model and years, then model, then make, then the whole workshop.
    #[must_use]
    pub fn rank(&self) -> u8 {
        let years = self.years.as_ref().is_some_and(|years| *years != Years::default());
        match (self.motorcycle_id, &self.model, years, &self.make) {
            (Some(_), ..) => 4,
            (None, Some(_), true, _) => 3,
            (None, Some(_), false, _) => 2,
            (None, None, _, Some(_)) => 1,
            (None, None, _, None) => 0,
        }
    }
}
impl AppliesTo {
    /// Whether the motorcycle is meant; `fitted` says whether a part of a component is on it.
    pub fn matches(&self, bike: &Motorcycle, fitted: impl Fn(&str) -> bool) -> bool {
        let plain = AppliesToBike {
            motorcycle_id: self.motorcycle_id,
            make: self.make.clone(),
            model: self.model.clone(),
            years: self.years.clone(),
        };
        plain.matches(bike)
            && self.final_drive.is_none_or(|drive| drive == bike.final_drive)
            && self.component_fitted.as_ref().is_none_or(|component| fitted(component))
    }
}

/// An interval by distance, hours and months; each may be left out.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Limbs {
    /// A distance.
    pub distance: Option<Quantity>,
    /// Engine hours.
    pub hours: Option<Figure>,
    /// Calendar months.
    #[schema(minimum = 1, maximum = 1200)]
    pub months: Option<u32>,
}

/// How long before (lead) or beyond (grace) the due point.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Margin {
    /// A distance.
    pub distance: Option<Quantity>,
    /// Engine hours.
    pub hours: Option<Figure>,
    /// Days.
    #[schema(minimum = 0, maximum = 3660)]
    pub days: Option<u32>,
}

fn first() -> Whichever {
    Whichever::First
}
fn last_done() -> CountsFrom {
    CountsFrom::LastDone
}
fn motorcycle() -> Scope {
    Scope::Motorcycle
}

noun! {
    /// When an operation comes due.
    pub struct IntervalRule, sent as
    /// An interval rule as entered.
    #[schema(example = json!({"name": "Engine oil and filter", "component": "engine_oil", "operation": "replace",
        "first": {"distance": {"value": 600, "unit": "mi"}, "months": 1}, "every": {"distance": {"value": 5000, "unit": "mi"}, "months": 12},
        "source": "Invented"}))]
    NewIntervalRule {
        /// What people call it.
        pub name: String,
        /// The component's key.
        pub component: String,
        /// Where; null: any position satisfies it.
        pub position: Option<Position>,
        /// What is to be done.
        pub operation: Operation,
        /// The first time, where it differs.
        pub first: Option<Limbs>,
        /// Each later time.
        pub every: Option<Limbs>,
        /// Whether the first limb that is reached decides, or the last.
        #[serde(default = "first")]
        pub whichever: Whichever,
        /// Counted from when it was last done, or on a fixed grid.
        #[serde(default = "last_done")]
        pub counts_from: CountsFrom,
        /// The fraction of the interval within which an event fulfils a point without moving the anchor; 0 for `last_done`, 0.10 for `schedule` unless said.
        pub window: Option<Figure>,
        /// About the motorcycle, or about each part of the component.
        #[serde(default = "motorcycle")]
        pub scope: Scope,
        /// From how long before the due point it is nearly due; a tenth of the interval unless said.
        #[serde(default)]
        pub lead: Margin,
        /// Up to how long beyond the due point it is not yet overdue.
        #[serde(default)]
        pub grace: Margin,
        /// Further operations that satisfy it.
        #[serde(default)]
        pub satisfied_by: Vec<Operation>,
        /// Which motorcycles it is for.
        #[serde(default)]
        pub applies_to: AppliesTo,
        /// Where the figures come from.
        #[serde(default)]
        pub source: String,
    } and also {}
}
