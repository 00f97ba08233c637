//! A service event: one visit or one evening at the bench, with everything that was done in it.
use serde::{Deserialize, Serialize};
use time::{Date, OffsetDateTime};
use utoipa::ToSchema;

use super::{
    conformity::Conformity,
    id::Id,
    motorcycle::{Motorcycle, StruckOut},
    part::{InstalledPart, NewFitted, NewRemoved},
    procedure::{Followed, NewFollowed},
    quantity::{Figure, Quantity, Unit},
    verdict::expanded_uncertainty,
    words::{FollowUpStatus, LimitKind, Measurand, Operation, Position, Reduce, SingleUse, Thread, Verdict},
};

/// What was done: component, position, operation.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WorkLine {
    /// The component's key.
    pub component: String,
    /// Where on the motorcycle.
    pub position: Option<Position>,
    /// What was done to it.
    pub operation: Operation,
    /// Anything else about it.
    #[serde(default)]
    pub note: String,
}

/// One quantity of one component, as measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewMeasured {
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
}

/// A value judged against one limit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Judged {
    /// The limit used.
    pub limit_id: Id<super::limit::Limit>,
    /// Adjust, wear or legal.
    pub kind: LimitKind,
    /// The least that is allowed, in the limit's unit.
    pub lower: Option<Figure>,
    /// The most that is allowed, in the limit's unit.
    pub upper: Option<Figure>,
    /// The limit's unit.
    pub unit: Unit,
    /// Where the limit comes from.
    pub source: String,
    /// How the value stands to it.
    pub verdict: Verdict,
}

/// A value and its verdict, as stored.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Verdicts {
    /// The worst of the verdicts.
    pub verdict: Verdict,
    /// One entry per limit used.
    pub judged: Vec<Judged>,
    /// Why there is no verdict, or what stood in its way.
    pub because: Vec<String>,
}

/// A measured value with its verdict at the time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct MeasuredValue {
    /// Its id.
    pub id: Id<MeasuredValue>,
    /// The motorcycle.
    pub motorcycle_id: Id<Motorcycle>,
    /// The service event that it came with.
    pub service_event_id: Option<Id<ServiceEvent>>,
    /// The day.
    pub on: Date,
    /// The component's key.
    pub component: String,
    /// Where on the motorcycle.
    pub position: Option<Position>,
    /// What was measured.
    pub quantity: Measurand,
    /// The readings as taken.
    pub readings: Vec<Figure>,
    /// Their unit.
    pub unit: Unit,
    /// How they reduce to one figure.
    pub reduce: Reduce,
    /// The gauge's resolution.
    pub resolution: Option<Figure>,
    /// Expanded uncertainty as given.
    pub uncertainty: Option<Figure>,
    /// The force it was measured at.
    pub at_force: Option<Quantity>,
    /// The part that was measured, where it is known.
    pub installed_part_id: Option<Id<InstalledPart>>,
    /// The one figure that the readings reduce to, in their unit.
    pub reduced: Figure,
    /// The part's distance at the time, where it is known.
    pub part_distance: Option<Quantity>,
    /// The worst verdict under the limits of the time.
    pub verdict: Verdict,
    /// One entry per limit used.
    pub judged: Vec<Judged>,
    /// Why there is no verdict, or what stood in its way.
    pub because: Vec<String>,
    /// The verdicts under today's limits; only with `?judge=now`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub judged_now: Option<Verdicts>,
    /// Set once it was struck out.
    pub struck_out: Option<StruckOut>,
    /// When it was entered.
    #[serde(with = "time::serde::rfc3339")]
    pub created_at: OffsetDateTime,
}

impl MeasuredValue {
    /// The question whether it conforms to a limit that it was judged by, in the limit's unit; `None` where the units do not fit.
    #[must_use]
    pub fn conformity_to(&self, judged: &Judged) -> Option<Conformity> {
        let u = expanded_uncertainty(self.uncertainty.as_ref(), self.resolution.as_ref());
        // An uncertainty is a difference, so no zero is shifted.
        let u = if self.unit == judged.unit { u } else { u * self.unit.si_per_unit() / judged.unit.si_per_unit() };
        Some(Conformity {
            value: self.unit.convert(self.reduced.value(), judged.unit).ok()?,
            uncertainty: u,
            lower: judged.lower.as_ref().map(Figure::value),
            upper: judged.upper.as_ref().map(Figure::value),
        })
    }
}

/// An adapter on the torque wrench, in line with it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Adapter {
    /// From the drive's center to the fastener's.
    pub length: Quantity,
    /// The wrench, from the grip's center to the drive's.
    pub wrench_length: Quantity,
}

/// A fastener as it was tightened.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewTightened {
    /// The fastener's key.
    pub fastener: String,
    /// What was reached, or with an adapter what the wrench was set to, stage by stage.
    #[serde(default)]
    pub stages: Vec<Quantity>,
    /// An adapter on the wrench.
    pub adapter: Option<Adapter>,
    /// How the thread was prepared.
    pub thread: Option<Thread>,
    /// What became of a single-use fastener.
    pub single_use_was: Option<SingleUse>,
    /// Whether the paint line was drawn.
    #[serde(default)]
    pub witness_mark: bool,
}

/// One stage of a tightened fastener against its range.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct StageVerdict {
    /// 1 for the first stage.
    pub stage: u32,
    /// As entered; null where the stage is missing.
    pub value: Option<Quantity>,
    /// The torque at the fastener, where an adapter makes it differ from the value.
    pub at_fastener: Option<Quantity>,
    /// The least allowed.
    pub lower: Option<Figure>,
    /// The most allowed.
    pub upper: Option<Figure>,
    /// The unit of the range.
    pub unit: Option<Unit>,
    /// `within`, `outside`, or `no_limit`.
    pub verdict: Verdict,
    /// In words: "below", "above", "missing".
    pub because: String,
}

/// A tightened fastener with the verdict of each stage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Tightened {
    /// The fastener's key.
    pub fastener: String,
    /// The fastener that the key meant for this motorcycle.
    pub fastener_id: Id<super::fastener::Fastener>,
    /// Its name then.
    pub name: String,
    /// Each stage and its verdict; missing stages are named too.
    pub stages: Vec<StageVerdict>,
    /// An adapter on the wrench.
    pub adapter: Option<Adapter>,
    /// How the thread was prepared.
    pub thread: Option<Thread>,
    /// What became of a single-use fastener.
    pub single_use_was: Option<SingleUse>,
    /// Whether the paint line was drawn.
    pub witness_mark: bool,
}

/// Oil or fluid that was filled in.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Filled {
    /// The component's key.
    pub component: String,
    /// Where on the motorcycle.
    pub position: Option<Position>,
    /// What it was.
    #[serde(default)]
    pub description: String,
    /// How much.
    pub quantity: Option<Quantity>,
}

/// How something was set or sat before it was taken apart.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AsFound {
    /// The component's key.
    pub component: String,
    /// Where on the motorcycle.
    pub position: Option<Position>,
    /// What was found.
    pub text: String,
}

/// When a follow-up comes due, counted from its event.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FollowUpIn {
    /// After so far, in the motorcycle's odometer unit.
    pub distance: Option<Figure>,
    /// After so many months.
    pub months: Option<u32>,
}

/// Something left to do later.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewFollowUp {
    /// What.
    pub text: String,
    /// The component that it is about.
    pub component: Option<String>,
    /// Where on the motorcycle.
    pub position: Option<Position>,
    /// When; null: next time the component is open.
    #[serde(rename = "in")]
    pub due_in: Option<FollowUpIn>,
}

/// A follow-up.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct FollowUp {
    /// Its id.
    pub id: Id<FollowUp>,
    /// The motorcycle.
    pub motorcycle_id: Id<Motorcycle>,
    /// The event that left it.
    pub service_event_id: Id<ServiceEvent>,
    /// The day of that event.
    pub on: Date,
    /// What.
    pub text: String,
    /// The component that it is about.
    pub component: Option<String>,
    /// Where on the motorcycle.
    pub position: Option<Position>,
    /// When; null: next time the component is open.
    #[serde(rename = "in")]
    pub due_in: Option<FollowUpIn>,
    /// open, done or dropped.
    pub status: FollowUpStatus,
    /// Why it was dropped.
    pub reason: Option<String>,
    /// The event in which it was done.
    pub done_in: Option<Id<ServiceEvent>>,
    /// Set once its event was struck out.
    pub struck_out: Option<StruckOut>,
    /// When it was entered.
    #[serde(with = "time::serde::rfc3339")]
    pub created_at: OffsetDateTime,
}

/// An amount of money, digits as entered.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Cost {
    /// A decimal amount as text, such as `84.50`.
    #[schema(pattern = r"^\d{1,12}(\.\d{1,4})?$")]
    pub amount: String,
    /// Three letters (ISO 4217).
    #[schema(pattern = "^[A-Z]{3}$")]
    pub currency: String,
}

/// A whole service in one request.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-02", "odometer": 12345, "performed_by": "R. Moss", "summary": "Chain adjusted",
    "work": [{"component": "drive_chain", "position": null, "operation": "adjust"}]}))]
pub struct NewServiceEvent {
    /// The day; not in the future.
    pub on: Date,
    /// The odometer on that day, in the motorcycle's unit; it is a reading like any other.
    pub odometer: Option<Figure>,
    /// The hour meter on that day.
    pub hours: Option<Figure>,
    /// Says that a distance of more than 2,000 km in a day is right.
    #[serde(default)]
    pub confirmed: bool,
    /// Who did it.
    pub performed_by: Option<String>,
    /// In one line.
    #[serde(default)]
    pub summary: String,
    /// What was done.
    #[serde(default)]
    pub work: Vec<WorkLine>,
    /// Parts fitted.
    #[serde(default)]
    pub fitted: Vec<NewFitted>,
    /// Parts removed.
    #[serde(default)]
    pub removed: Vec<NewRemoved>,
    /// Values measured.
    #[serde(default)]
    pub measured: Vec<NewMeasured>,
    /// Fasteners tightened.
    #[serde(default)]
    pub tightened: Vec<NewTightened>,
    /// Oils and fluids filled.
    #[serde(default)]
    pub filled: Vec<Filled>,
    /// Procedures followed, with the steps that were done.
    #[serde(default)]
    pub procedures: Vec<NewFollowed>,
    /// How things were before.
    #[serde(default)]
    pub as_found: Vec<AsFound>,
    /// What is left for later.
    #[serde(default)]
    pub follow_ups: Vec<NewFollowUp>,
    /// Earlier follow-ups that this event settles.
    #[serde(default)]
    pub follow_ups_done: Vec<Id<FollowUp>>,
    /// Minutes of labor.
    #[schema(minimum = 0, maximum = 100_000)]
    pub labor_minutes: Option<i32>,
    /// What it cost.
    pub cost: Option<Cost>,
    /// Anything else.
    #[serde(default)]
    pub notes: String,
    /// What stays inside the workshop: no owner sees it.
    #[serde(default)]
    pub internal_notes: String,
}
impl NewServiceEvent {
    /// A day on which nothing is written down yet.
    #[must_use]
    pub const fn on(on: Date) -> Self {
        Self {
            on,
            odometer: None,
            hours: None,
            confirmed: false,
            performed_by: None,
            summary: String::new(),
            work: Vec::new(),
            fitted: Vec::new(),
            removed: Vec::new(),
            measured: Vec::new(),
            tightened: Vec::new(),
            filled: Vec::new(),
            procedures: Vec::new(),
            as_found: Vec::new(),
            follow_ups: Vec::new(),
            follow_ups_done: Vec::new(),
            labor_minutes: None,
            cost: None,
            notes: String::new(),
            internal_notes: String::new(),
        }
    }
}

/// What may still be changed in an event before it is signed; figures and lines are struck out and entered anew.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"performed_by": "R. Moss", "summary": "Chain adjusted and lubricated", "notes": "Tightest at the third mark"}))]
pub struct EventDetails {
    /// Who did it.
    pub performed_by: Option<String>,
    /// In one line.
    #[serde(default)]
    pub summary: String,
    /// Minutes of labor.
    #[schema(minimum = 0, maximum = 100_000)]
    pub labor_minutes: Option<i32>,
    /// What it cost.
    pub cost: Option<Cost>,
    /// Anything else.
    #[serde(default)]
    pub notes: String,
    /// What stays inside the workshop: no owner sees it.
    #[serde(default)]
    pub internal_notes: String,
    /// How things were before.
    #[serde(default)]
    pub as_found: Vec<AsFound>,
    /// Oils and fluids filled.
    #[serde(default)]
    pub filled: Vec<Filled>,
}

/// A part that this event took off.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Removed {
    /// The part.
    pub installed_part_id: Id<InstalledPart>,
    /// The component's key.
    pub component: String,
    /// Where it sat.
    pub position: Option<Position>,
    /// Why it came off.
    pub reason: Option<String>,
}

/// A part that this event fitted.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Fitted {
    /// The part.
    pub installed_part_id: Id<InstalledPart>,
    /// The component's key.
    pub component: String,
    /// Where it sits.
    pub position: Option<Position>,
    /// What it is.
    pub description: String,
    /// Its number.
    pub part_number: Option<String>,
    /// New, used or rebuilt.
    pub condition: super::words::Condition,
    /// What it had run before, in the motorcycle's odometer unit.
    pub prior_distance: Figure,
    /// Whether it may be fitted once only.
    pub single_use: bool,
    /// The date code of a tire.
    pub date_code: Option<String>,
    /// The part that came off to make room.
    pub replaces: Option<Id<InstalledPart>>,
}

/// Who signed an event off, and when.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Signature {
    /// When.
    #[serde(with = "time::serde::rfc3339")]
    pub at: OffsetDateTime,
    /// Who.
    pub by: String,
    /// What was stated.
    pub statement: String,
}

/// What is stated when an event is signed off.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"statement": "Done as written, ridden and checked."}))]
pub struct NewSignature {
    /// What is stated, in words.
    #[serde(default)]
    pub statement: String,
}
/// What is added to a signed event.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"text": "The pads were the sintered ones."}))]
pub struct NewAmendment {
    /// The text.
    pub text: String,
}
/// How a follow-up stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"status": "dropped", "reason": "The motorcycle was sold"}))]
pub struct FollowUpChange {
    /// done, dropped, or open again.
    pub status: FollowUpStatus,
    /// Why it is dropped; needed for that.
    pub reason: Option<String>,
}

/// What was added to a signed event.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Amendment {
    /// Its id.
    pub id: Id<Amendment>,
    /// When.
    #[serde(with = "time::serde::rfc3339")]
    pub at: OffsetDateTime,
    /// Who.
    pub by: String,
    /// The text.
    pub text: String,
}

/// One visit or one evening at the bench.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ServiceEvent {
    /// Its id.
    pub id: Id<ServiceEvent>,
    /// The motorcycle.
    pub motorcycle_id: Id<Motorcycle>,
    /// The day.
    pub on: Date,
    /// The odometer on that day as entered, or as estimated.
    pub odometer: Option<Figure>,
    /// The hour meter on that day.
    pub hours: Option<Figure>,
    /// The unit of the odometer figure.
    pub unit: Unit,
    /// True where no odometer was entered: the figure is worked out from the readings around it.
    pub estimated: bool,
    /// Who did it.
    pub performed_by: Option<String>,
    /// In one line.
    pub summary: String,
    /// What was done.
    pub work: Vec<WorkLine>,
    /// Parts fitted.
    pub fitted: Vec<Fitted>,
    /// Parts removed, also those that made room for another.
    pub removed: Vec<Removed>,
    /// Values measured, with their verdicts.
    pub measured: Vec<MeasuredValue>,
    /// Fasteners tightened, with the verdict of each stage.
    pub tightened: Vec<Tightened>,
    /// Oils and fluids filled.
    pub filled: Vec<Filled>,
    /// Procedures followed, with what became of each step.
    #[serde(default)]
    pub procedures: Vec<Followed>,
    /// How things were before.
    pub as_found: Vec<AsFound>,
    /// What this event left for later.
    pub follow_ups: Vec<FollowUp>,
    /// Earlier follow-ups that this event settled.
    pub follow_ups_done: Vec<Id<FollowUp>>,
    /// Minutes of labor.
    pub labor_minutes: Option<i32>,
    /// What it cost.
    pub cost: Option<Cost>,
    /// Anything else.
    pub notes: String,
    /// What stays inside the workshop; empty for those who see their own motorcycles alone.
    pub internal_notes: String,
    /// True where an owner did it at home, not the workshop.
    pub at_home: bool,
    /// Set once it is signed; from then on there are only amendments.
    pub signature: Option<Signature>,
    /// Added after signing.
    pub amendments: Vec<Amendment>,
    /// Set once it was struck out.
    pub struck_out: Option<StruckOut>,
    /// When it was entered.
    #[serde(with = "time::serde::rfc3339")]
    pub created_at: OffsetDateTime,
}
