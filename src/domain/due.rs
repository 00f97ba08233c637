//! A due item: what a rule, a follow-up or a wear forecast yields for one motorcycle, and its status on a date.
use serde::{Deserialize, Serialize};
use time::Date;
use utoipa::ToSchema;

use super::{
    id::Id,
    motorcycle::Motorcycle,
    part::InstalledPart,
    quantity::{Figure, Quantity},
    rule::IntervalRule,
    service::{FollowUp, ServiceEvent},
    words::{Governs, Operation, Position, Status},
};

pub use super::work_out::work_out;

/// The id of a due item. It is derived from motorcycle, rule and part (or follow-up), so it stays the same however often it is worked out.
pub type DueItemId = Id<DueItem>;

/// A motorcycle by id and name.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct MotorcycleRef {
    /// Its id.
    pub id: Id<Motorcycle>,
    /// Its name.
    pub name: String,
}
/// A rule by id and name.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RuleRef {
    /// Its id.
    pub id: Id<IntervalRule>,
    /// Its name.
    pub name: String,
}
/// When an operation was last done.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct LastDone {
    /// The day.
    pub on: Date,
    /// What the odometer showed then.
    pub odometer: Option<Quantity>,
    /// The service event, where it was one.
    pub service_event_id: Option<Id<ServiceEvent>>,
}
/// The due point, limb by limb.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct DueAt {
    /// The distance limb, on the odometer now on the motorcycle; null where it lies before that odometer's start.
    pub odometer: Option<Quantity>,
    /// The hours limb, on the hour meter now on the motorcycle; only where the rule has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hours: Option<Figure>,
    /// The date limb.
    pub on: Option<Date>,
}
/// What is left to the due point; negative past it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Remaining {
    /// Due distance less the true distance at the last reading.
    pub distance: Option<Quantity>,
    /// Due hours less the hours at the last reading; only where the rule has an hours limb.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hours: Option<Figure>,
    /// `due_at.on` less the date asked for.
    pub days: Option<i64>,
}
/// The three dates from which every status follows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct DueDates {
    /// From this day on it is nearly due.
    pub nearly_due_from: Option<Date>,
    /// From this day on it is due.
    pub due_from: Option<Date>,
    /// From this day on it is overdue.
    pub overdue_from: Option<Date>,
}
/// Percentiles of a date.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ExpectedDates {
    /// One future in ten is earlier.
    pub p10: Option<Date>,
    /// As many are earlier as later.
    pub p50: Option<Date>,
    /// One future in ten is later; null where it is out of sight.
    pub p90: Option<Date>,
}

/// A due item as it is worked out and stored: it holds for any date of asking.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DueItem {
    /// Derived from motorcycle, rule and part (or follow-up).
    pub id: DueItemId,
    /// The motorcycle.
    pub motorcycle: MotorcycleRef,
    /// The rule; `None` for a follow-up or a wear forecast without one.
    pub rule: Option<RuleRef>,
    /// The follow-up.
    pub follow_up_id: Option<Id<FollowUp>>,
    /// The part, for a part-scope rule or a wear forecast.
    pub installed_part_id: Option<Id<InstalledPart>>,
    /// In words, without the motorcycle: `Engine oil and filter, replace`, or the follow-up's text.
    pub title: String,
    /// The component's key.
    pub component: Option<String>,
    /// Where.
    pub position: Option<Position>,
    /// What is to be done; `None` for a follow-up.
    pub operation: Option<Operation>,
    /// When it was last done.
    pub last_done: Option<LastDone>,
    /// The due point.
    pub due_at: DueAt,
    /// Due distance less the true distance at the last reading.
    pub remaining_distance: Option<Quantity>,
    /// Due hours less the hours at the last reading.
    pub remaining_hours: Option<Figure>,
    /// The three dates, projecting where there is no reading.
    pub dates: DueDates,
    /// The same from actual readings and the calendar alone; decides `certain`.
    pub actual: DueDates,
    /// Nobody knows when it was last done.
    pub no_history: bool,
    /// The dates at which it comes due.
    pub expected: Option<ExpectedDates>,
    /// The limb that sets `due_from`.
    pub governs: Option<Governs>,
    /// The arithmetic, in sentences.
    pub because: Vec<String>,
}

/// A due item as it stands on one date.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[schema(as = DueItem)]
pub struct DueItemOn {
    /// The same as long as motorcycle, rule and part (or follow-up) stay the same.
    #[schema(value_type = uuid::Uuid)]
    pub id: DueItemId,
    /// The motorcycle.
    pub motorcycle: MotorcycleRef,
    /// The rule; null for a follow-up or a wear forecast without one.
    pub rule: Option<RuleRef>,
    /// The follow-up.
    pub follow_up_id: Option<Id<FollowUp>>,
    /// The part, for a part-scope rule or a wear forecast.
    pub installed_part_id: Option<Id<InstalledPart>>,
    /// In words, without the motorcycle.
    pub title: String,
    /// The component's key.
    pub component: Option<String>,
    /// Where.
    pub position: Option<Position>,
    /// What is to be done; null for a follow-up.
    pub operation: Option<Operation>,
    /// How it stands.
    pub status: Status,
    /// Whether the status also follows from actual readings and the date alone.
    pub certain: bool,
    /// When it was last done.
    pub last_done: Option<LastDone>,
    /// The due point.
    pub due_at: DueAt,
    /// What is left to it.
    pub remaining: Remaining,
    /// From this day on it is nearly due.
    pub nearly_due_from: Option<Date>,
    /// From this day on it is due.
    pub due_from: Option<Date>,
    /// From this day on it is overdue.
    pub overdue_from: Option<Date>,
    /// The dates at which it comes due.
    pub expected: Option<ExpectedDates>,
    /// The limb that sets `due_from`.
    pub governs: Option<Governs>,
    /// The arithmetic, in sentences.
    pub because: Vec<String>,
}

impl DueDates {
    /// The status on a date; without dates it is `later`.
    #[must_use]
    pub fn status(&self, as_of: Date) -> Status {
        let reached = |date: Option<Date>| date.is_some_and(|date| date <= as_of);
        if reached(self.overdue_from) {
            Status::Overdue
        } else if reached(self.due_from) {
            Status::Due
        } else if reached(self.nearly_due_from) {
            Status::NearlyDue
        } else {
            Status::Later
        }
    }
}

impl DueItem {
    /// How the item stands on a date.
    #[must_use]
    pub fn on(&self, as_of: Date) -> DueItemOn {
        self.clone().into_on(as_of)
    }
    /// The same, of an item that is not needed any more.
    #[must_use]
    pub fn into_on(self, as_of: Date) -> DueItemOn {
        let (status, certain) = if self.no_history {
            (Status::NoHistory, true)
        } else {
            let status = self.dates.status(as_of);
            (status, status == self.actual.status(as_of))
        };
        DueItemOn {
            id: self.id,
            motorcycle: self.motorcycle,
            rule: self.rule,
            follow_up_id: self.follow_up_id,
            installed_part_id: self.installed_part_id,
            title: self.title,
            component: self.component,
            position: self.position,
            operation: self.operation,
            status,
            certain,
            last_done: self.last_done,
            remaining: Remaining {
                distance: self.remaining_distance,
                hours: self.remaining_hours,
                days: self.due_at.on.map(|on| (on - as_of).whole_days()),
            },
            due_at: self.due_at,
            nearly_due_from: self.dates.nearly_due_from,
            due_from: self.dates.due_from,
            overdue_from: self.dates.overdue_from,
            expected: self.expected,
            governs: self.governs,
            because: self.because,
        }
    }
}
