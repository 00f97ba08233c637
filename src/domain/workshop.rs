//! The workshop: one shop or one home garage, the tenant.
use serde::{Deserialize, Serialize};
use time::{Date, OffsetDateTime};
use utoipa::ToSchema;

use super::{
    id::Id,
    motorcycle::{Motorcycle, Owner, off, yes},
    noun::noun,
    quantity::Quantity,
    words::{Frequency, OdometerUnit, TokenScope, Weekday},
};

/// Days before a date at which something is nearly due, where neither rule nor workshop says otherwise.
pub const USUAL_LEAD_DAYS: u32 = 30;

/// The report on all motorcycles.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WorkshopReports {
    /// How often.
    #[serde(default = "off")]
    pub frequency: Frequency,
    /// No mail when nothing is due and nothing changed since the last one.
    #[serde(default = "yes")]
    pub only_changes: bool,
    /// Where it goes.
    #[serde(default)]
    pub to: Vec<String>,
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
    /// What the workshop says first in every report, to owners too; null: nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 1000)]
    pub greeting: Option<String>,
    /// What it says last, such as its address and telephone; null: nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 1000)]
    pub closing: Option<String>,
}
impl Default for WorkshopReports {
    fn default() -> Self {
        Self {
            frequency: Frequency::Off,
            only_changes: true,
            to: Vec::new(),
            hour: None,
            weekday: None,
            day: None,
            greeting: None,
            closing: None,
        }
    }
}

noun! {
    /// A workshop and its settings.
    pub struct Workshop, sent as
    /// A workshop's settings.
    #[schema(example = json!({"name": "Quayside Works", "time_zone": "Europe/Lisbon", "default_unit": "km", "currency": "EUR",
        "default_yearly_distance": {"value": 5000, "unit": "km"}}))]
    WorkshopSettings {
        /// The name.
        pub name: String,
        /// A time zone of the IANA database; decides which day it is.
        #[schema(example = "Europe/Lisbon")]
        pub time_zone: String,
        /// The odometer unit offered for a new motorcycle.
        pub default_unit: OdometerUnit,
        /// Three letters (ISO 4217).
        #[schema(pattern = "^[A-Z]{3}$")]
        pub currency: String,
        /// What a motorcycle with too few readings is taken to run in a year.
        pub default_yearly_distance: Quantity,
        /// What is due by the calendar is nearly due so many days before, where its rule says nothing else.
        #[serde(default = "usual_lead")]
        #[schema(minimum = 0, maximum = 366, default = 30)]
        pub lead_days: u32,
        /// The report on all motorcycles.
        #[serde(default)]
        pub reports: WorkshopReports,
    } and also {}
}

const fn usual_lead() -> u32 {
    USUAL_LEAD_DAYS
}

/// How a token is rotated.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"overlap_hours": 24}))]
pub struct TokenRotation {
    /// For so many hours the old secret works beside the new one.
    #[serde(default = "one_day")]
    #[schema(minimum = 0, maximum = 720, default = 24)]
    pub overlap_hours: i64,
}
const fn one_day() -> i64 {
    24
}

/// A person with an account.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Person {
    /// The id.
    pub id: Id<Person>,
    /// The e-mail address, in lower case.
    pub email: String,
    /// The name.
    pub name: String,
}

noun! {
    /// An API token. Its secret was shown once and is stored as a hash.
    pub struct Token, sent as
    /// A token as it is asked for.
    #[schema(example = json!({"name": "Odometer script", "scopes": ["read", "write"]}))]
    NewToken {
        /// What it is for.
        pub name: String,
        /// What it may do.
        #[schema(min_items = 1)]
        pub scopes: Vec<TokenScope>,
        /// The last day on which it works; null: no end.
        pub expires_on: Option<Date>,
        /// The owner whose motorcycles are all that it sees; null: no such bound.
        pub owner_id: Option<Id<Owner>>,
        /// The motorcycle that is all it sees; null: no such bound.
        pub motorcycle_id: Option<Id<Motorcycle>>,
    } and also {
        /// When it was last used, to the hour.
        #[serde(with = "time::serde::rfc3339::option")]
        pub last_used_at: Option<OffsetDateTime>,
        /// Set once it was rotated: it works until then beside the token that takes its place.
        #[serde(with = "time::serde::rfc3339::option")]
        pub ends_at: Option<OffsetDateTime>,
    }
}
