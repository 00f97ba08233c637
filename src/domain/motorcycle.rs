//! The motorcycle, its owner, and the notes of its two counters (odometer and hour meter).
use serde::{Deserialize, Serialize};
use time::{Date, OffsetDateTime};
use utoipa::ToSchema;

use super::{
    id::Id,
    noun::noun,
    quantity::{Figure, Unit},
    service::ServiceEvent,
    vin,
    words::{CounterKind, DistanceStatus, FinalDrive, Frequency, InstrumentChange, OdometerUnit, Weekday},
};

fn one() -> Figure {
    Figure::from(1)
}
fn actual() -> DistanceStatus {
    DistanceStatus::Actual
}

/// Where the known history of a motorcycle that arrived used starts.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RecordsBegin {
    /// The day.
    pub on: Date,
    /// The odometer on that day, in the motorcycle's odometer unit.
    pub odometer: Figure,
}

/// The odometer or hour reading that counts as the last one.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct LastReading {
    /// The reading's id.
    pub id: Id<Reading>,
    /// The day it was read.
    pub on: Date,
    /// What the instrument showed.
    pub reading: Figure,
    /// The unit it counts in.
    pub unit: Unit,
}

noun! {
    /// A motorcycle.
    pub struct Motorcycle, sent as
    /// A motorcycle as it is entered.
    #[schema(example = json!({"name": "Courier 3", "make": "Halden", "model": "650 Twin", "year": 2021, "final_drive": "chain",
        "odometer_unit": "mi", "in_service_on": "2021-04-10"}))]
    NewMotorcycle {
        /// What the workshop calls it.
        pub name: String,
        /// The maker.
        #[serde(default)]
        pub make: String,
        /// The model.
        #[serde(default)]
        pub model: String,
        /// The model year.
        pub year: Option<i32>,
        /// Vehicle identification number: 17 characters without I, O, Q (49 CFR 565).
        pub vin: Option<String>,
        /// An older, shorter frame number.
        pub frame_number: Option<String>,
        /// The registration mark.
        pub registration: Option<String>,
        /// Belt, chain or shaft.
        pub final_drive: FinalDrive,
        /// What its odometer counts in.
        pub odometer_unit: OdometerUnit,
        /// The day it first went on the road; the base of intervals in months.
        pub in_service_on: Option<Date>,
        /// Whose it is.
        pub owner_id: Option<Id<Owner>>,
        /// Multiplies every interval: 0.5 halves them (hard use); 0.1 to 3.
        #[serde(default = "one")]
        pub interval_factor: Figure,
        /// Where its known history starts; null: known since new.
        pub records_begin: Option<RecordsBegin>,
        /// The statement about its distance (49 CFR 580.5).
        #[serde(default = "actual")]
        pub distance_status: DistanceStatus,
        /// Anything else.
        #[serde(default)]
        pub notes: String,
    } and also {
        /// Archived: left out of lists, readable by its id.
        pub archived: bool,
        /// The last odometer reading, or null.
        pub odometer: Option<LastReading>,
        /// What is doubtful about what was entered, in words.
        pub warnings: Vec<String>,
    }
}

/// Which reports an owner or the workshop gets by mail.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Reports {
    /// How often.
    #[serde(default = "off")]
    pub frequency: Frequency,
    /// No mail when nothing is due and nothing changed since the last one.
    #[serde(default = "yes")]
    pub only_changes: bool,
    /// The hour at which it is mailed, in the workshop's time zone; null: 7.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0, maximum = 23)]
    pub hour: Option<u8>,
    /// The day of a weekly report; null: Monday.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weekday: Option<Weekday>,
    /// The day of a monthly report, the last one in a shorter month; null: 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 31)]
    pub day: Option<u8>,
}
pub(super) fn off() -> Frequency {
    Frequency::Off
}
pub(super) fn yes() -> bool {
    true
}
impl Default for Reports {
    fn default() -> Self {
        Self { frequency: Frequency::Off, only_changes: true, hour: None, weekday: None, day: None }
    }
}

noun! {
    /// The person whose motorcycle it is.
    pub struct Owner, sent as
    /// An owner as entered.
    #[schema(example = json!({"name": "Ada Birch", "email": "ada@example.org"}))]
    NewOwner {
        /// The name.
        pub name: String,
        /// Where reports go.
        pub email: Option<String>,
        /// A telephone number.
        pub phone: Option<String>,
        /// Anything else.
        #[serde(default)]
        pub notes: String,
        /// Which reports this owner gets.
        #[serde(default)]
        pub reports: Reports,
    } and also {}
}

/// Why and when an entry was struck out. It stays visible.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct StruckOut {
    /// When.
    #[serde(with = "time::serde::rfc3339")]
    pub at: OffsetDateTime,
    /// Why.
    pub reason: String,
}

noun! {
    /// What an odometer or hour meter showed on a day.
    pub struct Reading, sent as
    /// A reading as it is taken.
    #[schema(example = json!({"on": "2026-05-02", "reading": 12345, "read_by": "R. Moss"}))]
    NewReading {
        /// The day.
        pub on: Date,
        /// What the instrument showed, in its unit.
        pub reading: Figure,
        /// Who read it.
        pub read_by: Option<String>,
        /// Says that a distance of more than 2,000 km in a day is right.
        #[serde(default)]
        pub confirmed: bool,
    } and also {
        /// The motorcycle.
        pub motorcycle_id: Id<Motorcycle>,
        /// Odometer or hour meter.
        pub counter: CounterKind,
        /// The unit of the figure.
        pub unit: Unit,
        /// The service event that it came with.
        pub service_event_id: Option<Id<ServiceEvent>>,
        /// Set once it was struck out.
        pub struck_out: Option<StruckOut>,
    }
}

noun! {
    /// An odometer or hour meter was replaced, or rolled over.
    pub struct Instrument, sent as
    /// What happened to the instrument.
    #[schema(example = json!({"on": "2026-05-02", "kind": "replaced", "old_final": 40210, "new_start": 0, "reason": "Drive worn out"}))]
    NewInstrument {
        /// The day.
        pub on: Date,
        /// Replaced or rolled over.
        pub kind: InstrumentChange,
        /// What the old one showed last; null where unknown.
        pub old_final: Option<Figure>,
        /// What the new one showed first; 0 unless said.
        pub new_start: Option<Figure>,
        /// What the instrument counts to before it starts again (rolled over); 100000 unless said.
        pub capacity: Option<Figure>,
        /// Why.
        #[serde(default)]
        pub reason: String,
    } and also {
        /// The motorcycle.
        pub motorcycle_id: Id<Motorcycle>,
        /// Odometer or hour meter.
        pub counter: CounterKind,
        /// The unit of the figures.
        pub unit: Unit,
    }
}

impl NewMotorcycle {
    /// What is doubtful about what was entered, in words.
    #[must_use]
    pub fn warnings(&self) -> Vec<String> {
        let Some(Ok(vin)) = self.vin.as_deref().map(vin::check) else { return Vec::new() };
        let year = self.year.and_then(|year| vin.year_warning(year));
        vin.warnings.into_iter().chain(year).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_doubtful_vin_has_its_warnings() {
        let with = |vin: &str, year| {
            let sent = serde_json::json!({"name": "A", "final_drive": "belt", "odometer_unit": "km", "vin": vin, "year": year});
            serde_json::from_value::<NewMotorcycle>(sent).unwrap().warnings()
        };
        // The example of 49 CFR 565 for the check digit.
        assert_eq!(with("1M8GDM9AXKP042788", 2019), Vec::<String>::new());
        assert_eq!(with("1M8GDM9AXKP042788", 2020).len(), 1);
        assert!(with("WM8GDM9AXKP042788", 2019)[0].contains("check digit"));
    }
}
