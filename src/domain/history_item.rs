//! The history of a motorcycle as one list: what happened, whatever kind of thing it was.
use serde::{Deserialize, Serialize};
use time::Date;
use utoipa::ToSchema;
use uuid::Uuid;

use super::{
    id::Id,
    motorcycle::{Instrument, Reading},
    part::InstalledPart,
    service::{Amendment, MeasuredValue, ServiceEvent},
    words::words,
};

words! {
    /// What kind of thing happened.
    HistoryKind {
        ServiceEvent => "service_event", OdometerReading => "odometer_reading", HourReading => "hour_reading", PartFitted => "part_fitted",
        PartRemoved => "part_removed", MeasuredValue => "measured_value", OdometerReplaced => "odometer_replaced",
        HourMeterReplaced => "hour_meter_replaced", Amendment => "amendment",
    }
}

/// One thing that happened, under the name of its kind.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct HistoryItem {
    /// What kind of thing; the thing itself stands under this name.
    pub kind: HistoryKind,
    /// The day.
    pub on: Date,
    /// The id of the thing: of the event, reading, value, instrument or amendment, or of the part that was fitted or removed.
    pub id: Uuid,
    /// The service event that it came with; for an event its own id.
    pub service_event_id: Option<Id<ServiceEvent>>,
    /// A service event, with all its lines.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub service_event: Option<ServiceEvent>,
    /// What the odometer showed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub odometer_reading: Option<Reading>,
    /// What the hour meter showed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hour_reading: Option<Reading>,
    /// The part; `position`, `fitted` and `removed` are those of this fitting.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub part_fitted: Option<InstalledPart>,
    /// The part; `position`, `fitted` and `removed` are those of the fitting that ended.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub part_removed: Option<InstalledPart>,
    /// A measured value with its verdict.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measured_value: Option<MeasuredValue>,
    /// The odometer was replaced, or rolled over.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub odometer_replaced: Option<Instrument>,
    /// The hour meter was replaced, or rolled over.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hour_meter_replaced: Option<Instrument>,
    /// What was added to a signed event.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub amendment: Option<Amendment>,
}
impl HistoryItem {
    /// An item without its thing.
    #[must_use]
    pub fn new(kind: HistoryKind, on: Date, id: Uuid, service_event_id: Option<Id<ServiceEvent>>) -> Self {
        Self {
            kind,
            on,
            id,
            service_event_id,
            service_event: None,
            odometer_reading: None,
            hour_reading: None,
            part_fitted: None,
            part_removed: None,
            measured_value: None,
            odometer_replaced: None,
            hour_meter_replaced: None,
            amendment: None,
        }
    }
}
