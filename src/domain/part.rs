//! A physical part: on a motorcycle, or on the shelf, with every fitting it had.
use serde::{Deserialize, Serialize};
use time::{Date, OffsetDateTime};
use utoipa::ToSchema;

use super::{
    id::Id,
    motorcycle::{Motorcycle, StruckOut},
    quantity::{Figure, Quantity},
    service::ServiceEvent,
    words::{Condition, Position},
};

/// A part as it is fitted: a part not seen before (`component`), or one from the shelf (`installed_part_id`).
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewFitted {
    /// A part from the shelf; then only `position` may be given beside it.
    pub installed_part_id: Option<Id<InstalledPart>>,
    /// The component's key, for a part not seen before.
    pub component: Option<String>,
    /// Where it goes.
    pub position: Option<Position>,
    /// What it is.
    #[serde(default)]
    pub description: String,
    /// Its number.
    pub part_number: Option<String>,
    /// New, used or rebuilt; new unless said.
    pub condition: Option<Condition>,
    /// What it had run before, in the motorcycle's odometer unit; 0 unless said.
    pub prior_distance: Option<Figure>,
    /// Whether it may be fitted once only.
    #[serde(default)]
    pub single_use: bool,
    /// A tire's date code: four digits, week and year.
    pub date_code: Option<String>,
}

/// A part fitted outside a service event.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"component": "tire", "position": "rear", "description": "Touring tire", "condition": "new", "date_code": "0926",
    "on": "2026-05-02", "odometer": 12345}))]
pub struct NewInstalledPart {
    /// A part from the shelf; then only `position` may be given beside it.
    pub installed_part_id: Option<Id<InstalledPart>>,
    /// The component's key, for a part not seen before.
    pub component: Option<String>,
    /// Where it goes.
    pub position: Option<Position>,
    /// What it is.
    #[serde(default)]
    pub description: String,
    /// Its number.
    pub part_number: Option<String>,
    /// New, used or rebuilt; new unless said.
    pub condition: Option<Condition>,
    /// What it had run before, in the motorcycle's odometer unit; 0 unless said.
    pub prior_distance: Option<Figure>,
    /// Whether it may be fitted once only.
    #[serde(default)]
    pub single_use: bool,
    /// A tire's date code: four digits, week and year.
    pub date_code: Option<String>,
    /// The day.
    pub on: Date,
    /// The odometer on that day.
    pub odometer: Option<Figure>,
}

/// A part taken off.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewRemoved {
    /// The part.
    pub installed_part_id: Id<InstalledPart>,
    /// Why.
    pub reason: Option<String>,
}

/// The day and distance at which a part was fitted or removed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct FittedAt {
    /// The day.
    pub on: Date,
    /// The odometer of the motorcycle that it was on, as shown then.
    pub odometer: Option<Quantity>,
    /// The service event.
    pub service_event_id: Option<Id<ServiceEvent>>,
}

/// The end of a fitting.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct RemovedAt {
    /// The day.
    pub on: Date,
    /// The odometer of the motorcycle that it was on, as shown then.
    pub odometer: Option<Quantity>,
    /// The service event.
    pub service_event_id: Option<Id<ServiceEvent>>,
    /// Why it came off.
    pub reason: Option<String>,
}

/// One stay of a part on one motorcycle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Fitting {
    /// The motorcycle.
    pub motorcycle_id: Id<Motorcycle>,
    /// Where it sat.
    pub position: Option<Position>,
    /// From.
    pub fitted: FittedAt,
    /// To; null while it is on.
    pub removed: Option<RemovedAt>,
    /// What it ran in this fitting.
    pub distance: Option<Quantity>,
}

/// One physical part with its life.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct InstalledPart {
    /// Its id.
    pub id: Id<InstalledPart>,
    /// The motorcycle that it is on; null on the shelf.
    pub motorcycle_id: Option<Id<Motorcycle>>,
    /// The component's key.
    pub component: String,
    /// Where it sits, or sat last.
    pub position: Option<Position>,
    /// What it is.
    pub description: String,
    /// Its number.
    pub part_number: Option<String>,
    /// What it was when first fitted.
    pub condition: Condition,
    /// Whether it may be fitted once only.
    pub single_use: bool,
    /// A tire's date code.
    pub date_code: Option<String>,
    /// What it had run before its first fitting, in the unit of the motorcycle it was first fitted to.
    pub prior_distance: Figure,
    /// The fitting that counts now, or the last one.
    pub fitted: FittedAt,
    /// Its end; null while it is on.
    pub removed: Option<RemovedAt>,
    /// What it has run over all its fittings, plus what it had before.
    pub part_distance: Option<Quantity>,
    /// Whole months since its first fitting, for a tire with a date code since that week.
    pub age_months: i32,
    /// Every fitting, oldest first.
    pub fittings: Vec<Fitting>,
    /// Set where the entry that brought it was struck out.
    pub struck_out: Option<StruckOut>,
    /// When it was entered.
    #[serde(with = "time::serde::rfc3339")]
    pub created_at: OffsetDateTime,
}
