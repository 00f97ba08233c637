//! A value measured outside a service event.
use serde::{Deserialize, Serialize};
use time::Date;
use utoipa::ToSchema;

use super::{
    id::Id,
    part::InstalledPart,
    quantity::{Figure, Quantity, Unit},
    service::NewMeasured,
    words::{Measurand, Position, Reduce},
};

/// A value measured outside a service event.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"component": "brake_disc", "position": "rear", "quantity": "thickness", "readings": [4.9, 4.85, 4.9], "unit": "mm",
    "resolution": 0.05, "on": "2026-05-02", "odometer": 12345}))]
pub struct NewMeasuredValue {
    /// The component's key.
    pub component: String,
    /// Where on the motorcycle.
    pub position: Option<Position>,
    /// What was measured.
    pub quantity: Measurand,
    /// The readings as taken.
    #[schema(min_items = 1, max_items = 360)]
    pub readings: Vec<Figure>,
    /// Their unit.
    pub unit: Unit,
    /// How they reduce to one figure; by quantity unless said.
    pub reduce: Option<Reduce>,
    /// The gauge's resolution, in the same unit.
    pub resolution: Option<Figure>,
    /// Expanded uncertainty U, in the same unit; half the resolution unless said.
    pub uncertainty: Option<Figure>,
    /// The force it was measured at (a deflection).
    pub at_force: Option<Quantity>,
    /// The part that was measured; the one of that component and position then on the motorcycle unless said.
    pub installed_part_id: Option<Id<InstalledPart>>,
    /// The day; not in the future.
    pub on: Date,
    /// The odometer on that day, in the motorcycle's unit; it is a reading like any other.
    pub odometer: Option<Figure>,
}

impl NewMeasuredValue {
    /// The value as a line of a service event has it.
    #[must_use]
    pub fn line(&self) -> NewMeasured {
        NewMeasured {
            component: self.component.clone(),
            position: self.position,
            quantity: self.quantity,
            readings: self.readings.clone(),
            unit: self.unit,
            reduce: self.reduce,
            resolution: self.resolution.clone(),
            uncertainty: self.uncertainty.clone(),
            at_force: self.at_force.clone(),
            installed_part_id: self.installed_part_id,
        }
    }
}
