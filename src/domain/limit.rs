//! Limits: the range a measured value must stay in, for which part at which age, and when two of them contradict.
//!
//! The choice among them and the verdict are in [`verdict`](super::verdict).
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

pub use super::verdict::{Judging, PartAge, decide, default_reduce, expanded_uncertainty, judge, reduce};
use super::{
    noun::noun,
    quantity::{Distance, Figure, Quantity, Unit, close},
    rule::{AppliesToBike, Years},
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

/// From (included) and to (not included); `None` is open.
pub(super) type Bounds<T> = (Option<T>, Option<T>);

pub(super) fn distances(range: Option<&DistanceRange>) -> Bounds<Distance> {
    let mm = |quantity: &Option<Quantity>| quantity.as_ref().and_then(|quantity| Distance::from_quantity(quantity).ok());
    range.map_or((None, None), |range| (mm(&range.from), mm(&range.to)))
}
pub(super) fn hours(range: Option<&HoursRange>) -> Bounds<f64> {
    let value = |figure: &Option<Figure>| figure.as_ref().map(Figure::value);
    range.map_or((None, None), |range| (value(&range.from), value(&range.to)))
}
pub(super) fn months(range: Option<&MonthsRange>) -> Bounds<i64> {
    range.map_or((None, None), |range| (range.from.map(i64::from), range.to.map(i64::from)))
}

impl NewLimit {
    /// Whether it holds for parts of some age only.
    #[must_use]
    pub fn ranged(&self) -> bool {
        distances(self.part_distance.as_ref()) != (None, None)
            || hours(self.part_hours.as_ref()) != (None, None)
            || months(self.part_months.as_ref()) != (None, None)
    }
}
impl Limit {
    /// Whether it holds for parts of some age only.
    #[must_use]
    pub fn ranged(&self) -> bool {
        distances(self.part_distance.as_ref()) != (None, None)
            || hours(self.part_hours.as_ref()) != (None, None)
            || months(self.part_months.as_ref()) != (None, None)
    }
}

/// The words of a text in lower case, without what stands between them.
pub(super) fn words_of(text: &str) -> Vec<String> {
    text.split(|letter: char| !letter.is_alphanumeric()).filter(|word| !word.is_empty()).map(str::to_lowercase).collect()
}

/// Whether two ranges `[from, to)` have a point in common.
fn meet<T: PartialOrd + Copy>(a: Bounds<T>, b: Bounds<T>) -> bool {
    let before = |from: Option<T>, to: Option<T>| from.is_none_or(|from| to.is_none_or(|to| from < to));
    before(a.0, b.1) && before(b.0, a.1)
}

/// Whether two forces are the same, within 2 % of the second.
pub(super) fn same_force(force: &Quantity, wanted: &Quantity) -> bool {
    let (force, wanted) = (force.si(), wanted.si());
    let off = (force - wanted).abs();
    off <= 0.02 * wanted.abs() || close(off, 0.02 * wanted.abs())
}

/// Whether two descriptions of motorcycles can both mean one motorcycle.
#[must_use]
pub fn share_a_bike(a: &AppliesToBike, b: &AppliesToBike) -> bool {
    let no_clash = |a: &Option<String>, b: &Option<String>| match (a, b) {
        (Some(a), Some(b)) => a.trim().eq_ignore_ascii_case(b.trim()),
        _ => true,
    };
    let years = |years: &Option<Years>| years.as_ref().map_or((None, None), |years| (years.from, years.to.map(|to| to.saturating_add(1))));
    a.motorcycle_id.is_none_or(|id| b.motorcycle_id.is_none_or(|other| id == other))
        && no_clash(&a.make, &b.make)
        && no_clash(&a.model, &b.model)
        && meet(years(&a.years), years(&b.years))
}

/// Whether two limits contradict: both of one kind and one rank would hold for one value of one part, and neither
/// goes before the other. The second of them is refused when it is created.
#[must_use]
pub fn overlaps(a: &NewLimit, b: &NewLimit) -> bool {
    let jurisdiction = |limit: &NewLimit| limit.jurisdiction.as_deref().unwrap_or_default().trim().to_lowercase();
    let variant = |limit: &NewLimit| {
        let mut words = words_of(limit.variant.as_deref().unwrap_or_default());
        words.sort();
        words
    };
    let forces = match (&a.at_force, &b.at_force) {
        (None, None) => true,
        (Some(a), Some(b)) => same_force(a, b) || same_force(b, a),
        _ => false,
    };
    a.component == b.component
        && (a.position, a.quantity, a.kind) == (b.position, b.quantity, b.kind)
        && a.unit.kind() == b.unit.kind()
        && a.applies_to.rank() == b.applies_to.rank()
        && share_a_bike(&a.applies_to, &b.applies_to)
        && variant(a) == variant(b)
        && jurisdiction(a) == jurisdiction(b)
        && forces
        && a.ranged() == b.ranged()
        && meet(distances(a.part_distance.as_ref()), distances(b.part_distance.as_ref()))
        && meet(hours(a.part_hours.as_ref()), hours(b.part_hours.as_ref()))
        && meet(months(a.part_months.as_ref()), months(b.part_months.as_ref()))
}
