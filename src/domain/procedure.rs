//! Procedures: reusable lists of steps for one operation on a component, with the fastener, limit or caution that belongs to a step.
//!
//! A procedure is changed by writing its next version; every version stays as it was written. What a service event followed is copied into
//! the event, so that it can be read wherever the event goes.
use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};
use time::OffsetDateTime;
use utoipa::ToSchema;

use super::{
    caution,
    id::Id,
    noun::noun,
    rule::AppliesToBike,
    validate::Problem,
    words::{Measurand, Operation, Position},
};

/// The most steps of one procedure. More than that is several procedures.
pub const MOST_STEPS: usize = 100;
/// The longest step, in characters.
pub const LONGEST_STEP: usize = 500;
/// The most procedures that one service event can follow.
pub const MOST_FOLLOWED: usize = 50;

/// What a step measures; the limits that hold for the motorcycle, at the age of its part, are shown with it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StepLimit {
    /// The component's key.
    pub component: String,
    /// Where on the motorcycle.
    pub position: Option<Position>,
    /// What is measured.
    pub quantity: Measurand,
}

/// One step. Its number is its place in the list, from 1.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ProcedureStep {
    /// What to do, on one line.
    pub text: String,
    /// The key of the fastener that is tightened; its stages are those of the motorcycle at hand.
    #[schema(pattern = "^[a-z0-9_]{1,60}$")]
    pub fastener: Option<String>,
    /// What is measured against a limit.
    pub limit: Option<StepLimit>,
    /// What to mind at this step.
    pub caution: Option<String>,
}

noun! {
    /// A procedure as it stands now.
    pub struct Procedure, sent as
    /// A procedure as entered.
    #[schema(example = json!({"title": "Refit the rear wheel", "component": "wheel", "position": "rear", "operation": "fit",
        "applies_when": "Wheel out, motorcycle on a stand", "steps": [{"text": "Clean the axle and grease it thinly"},
        {"text": "Tighten the axle nut in stages", "fastener": "rear_axle_nut"},
        {"text": "Check the deflection at several wheel positions", "limit": {"component": "drive_chain", "quantity": "deflection"}},
        {"text": "Pump the brake", "caution": "Do not ride before the lever is hard"}], "source": "Invented"}))]
    NewProcedure {
        /// What people call it.
        pub title: String,
        /// The component that is worked on.
        pub component: String,
        /// Where; null: any position.
        pub position: Option<Position>,
        /// What is done to it.
        pub operation: Operation,
        /// The condition of the motorcycle in which it begins, in words.
        #[serde(default)]
        pub applies_when: String,
        /// What to do, in this order.
        #[schema(min_items = 1, max_items = 100)]
        pub steps: Vec<ProcedureStep>,
        /// Which motorcycles it is for.
        #[serde(default)]
        pub applies_to: AppliesToBike,
        /// Where it comes from.
        #[serde(default)]
        pub source: String,
    } and also {
        /// The number of its newest version, from 1.
        pub version: u32,
        /// The cautions that belong to the components that it touches.
        pub cautions: Vec<String>,
    }
}

/// One version of a procedure, as it was written. It never changes.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct ProcedureVersion {
    /// Its own id.
    pub id: Id<ProcedureVersion>,
    /// The procedure.
    pub procedure_id: Id<Procedure>,
    /// Its number, from 1.
    pub version: u32,
    /// What people call it.
    pub title: String,
    /// The component that is worked on.
    pub component: String,
    /// Where; null: any position.
    pub position: Option<Position>,
    /// What is done to it.
    pub operation: Operation,
    /// The condition of the motorcycle in which it begins, in words.
    pub applies_when: String,
    /// What to do, in this order.
    pub steps: Vec<ProcedureStep>,
    /// Which motorcycles it is for.
    pub applies_to: AppliesToBike,
    /// Where it comes from.
    pub source: String,
    /// Who wrote it.
    pub written_by: String,
    /// When it was written.
    #[serde(with = "time::serde::rfc3339")]
    pub created_at: OffsetDateTime,
}
impl ProcedureVersion {
    /// The version that comes of what was sent in.
    #[must_use]
    pub fn new(
        id: Id<Self>,
        procedure: Id<Procedure>,
        version: u32,
        new: NewProcedure,
        written_by: String,
        created_at: OffsetDateTime,
    ) -> Self {
        Self {
            id,
            procedure_id: procedure,
            version,
            title: new.title,
            component: new.component,
            position: new.position,
            operation: new.operation,
            applies_when: new.applies_when,
            steps: new.steps,
            applies_to: new.applies_to,
            source: new.source,
            written_by,
            created_at,
        }
    }
    /// What was sent in.
    #[must_use]
    pub fn details(&self) -> NewProcedure {
        NewProcedure {
            title: self.title.clone(),
            component: self.component.clone(),
            position: self.position,
            operation: self.operation,
            applies_when: self.applies_when.clone(),
            steps: self.steps.clone(),
            applies_to: self.applies_to.clone(),
            source: self.source.clone(),
        }
    }
}

impl NewProcedure {
    /// The components that it touches: its own, then those that its steps measure.
    pub fn components(&self) -> impl Iterator<Item = &str> {
        let measured = self.steps.iter().filter_map(|step| step.limit.as_ref()).map(|limit| limit.component.as_str());
        std::iter::once(self.component.as_str()).chain(measured)
    }
    /// The cautions that belong to those components.
    #[must_use]
    pub fn cautions(&self) -> Vec<String> {
        caution::for_components(self.components()).iter().map(|caution| caution.text.to_owned()).collect()
    }
}

/// A step that was left out, and why.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StepLeftOut {
    /// Its number, from 1.
    pub step: u32,
    /// Why.
    pub reason: String,
}

/// A procedure that a service event follows.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewFollowed {
    /// The procedure.
    pub id: Id<Procedure>,
    /// The version that lay on the bench.
    #[schema(minimum = 1)]
    pub version: u32,
    /// The numbers of the steps that were done.
    #[serde(default)]
    pub steps_done: Vec<u32>,
    /// The steps that were left out on purpose. A step that is in neither list is not known to be done.
    #[serde(default)]
    pub steps_left_out: Vec<StepLeftOut>,
}

/// A step of a procedure that an event followed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct FollowedStep {
    /// What was to be done, as it stood in that version.
    pub text: String,
    /// Whether it was done.
    pub done: bool,
    /// Why it was left out, where that was said.
    pub left_out_because: Option<String>,
}

/// A procedure that an event followed, with what became of each step.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Followed {
    /// The procedure.
    pub procedure_id: Id<Procedure>,
    /// The version that was followed.
    pub version: u32,
    /// What that version was called.
    pub title: String,
    /// The condition in which it begins.
    pub applies_when: String,
    /// Every step of that version.
    pub steps: Vec<FollowedStep>,
}
impl Followed {
    /// The numbers of the steps that were done, as a person says them: `1 to 4, 6`.
    #[must_use]
    pub fn done_in_words(&self) -> String {
        let done: Vec<usize> = (1..).zip(&self.steps).filter(|(_, step)| step.done).map(|(number, _)| number).collect();
        let runs = done.chunk_by(|one, next| one + 1 == *next).map(|run| match run {
            [one] => one.to_string(),
            [one, two] => format!("{one}, {two}"),
            [first, .., last] => format!("{first} to {last}"),
            [] => String::new(),
        });
        runs.collect::<Vec<_>>().join(", ")
    }
    /// Each step that was not done, with its number and why.
    pub fn not_done(&self) -> impl Iterator<Item = (usize, &FollowedStep)> {
        (1..).zip(&self.steps).filter(|(_, step)| !step.done)
    }
    /// `Refit the rear wheel (version 2): done were the steps 1 to 4, 6 of 7.`
    #[must_use]
    pub fn in_words(&self) -> String {
        let count = self.steps.len();
        let name = format!("{} (version {})", self.title, self.version);
        match self.steps.iter().filter(|step| step.done).count() {
            0 => format!("{name}: none of {count} steps is said to be done."),
            done if done == count => format!("{name}: all {count} steps done."),
            _ => format!("{name}: steps {} of {count} done.", self.done_in_words()),
        }
    }
}

/// What becomes of each step of a version.
///
/// # Errors
/// What is wrong, each with its place below `at`.
pub fn follow(new: &NewFollowed, version: &ProcedureVersion, at: &str) -> Result<Followed, Vec<Problem>> {
    let count = version.steps.len();
    let mut problems = Vec::new();
    let mut known = |step: u32, pointer: String, known: &mut BTreeSet<u32>| {
        if step == 0 || usize::try_from(step).is_ok_and(|step| step > count) {
            let detail = format!("there is no step {step}: version {} has the steps 1 to {count}", version.version);
            problems.push(Problem::new(pointer, detail));
        } else if !known.insert(step) {
            problems.push(Problem::new(pointer, format!("step {step} is named twice; it was either done or left out, once")));
        }
    };
    let mut named = BTreeSet::new();
    for (place, step) in new.steps_done.iter().enumerate() {
        known(*step, format!("{at}/steps_done/{place}"), &mut named);
    }
    for (place, left) in new.steps_left_out.iter().enumerate() {
        known(left.step, format!("{at}/steps_left_out/{place}/step"), &mut named);
    }
    for (place, left) in new.steps_left_out.iter().enumerate().filter(|(_, left)| left.reason.trim().is_empty()) {
        let detail = format!("must not be empty; say why step {} was left out", left.step);
        problems.push(Problem::new(format!("{at}/steps_left_out/{place}/reason"), detail));
    }
    if named.is_empty() && problems.is_empty() {
        problems.push(Problem::new(format!("{at}/steps_done"), "names no step; say which were done, or leave the procedure out"));
    }
    if !problems.is_empty() {
        return Err(problems);
    }
    let step = |(number, step): (u32, &ProcedureStep)| FollowedStep {
        text: step.text.clone(),
        done: new.steps_done.contains(&number),
        left_out_because: new.steps_left_out.iter().find(|left| left.step == number).map(|left| left.reason.clone()),
    };
    Ok(Followed {
        procedure_id: version.procedure_id,
        version: version.version,
        title: version.title.clone(),
        applies_when: version.applies_when.clone(),
        steps: (1..).zip(&version.steps).map(step).collect(),
    })
}

#[cfg(test)]
mod tests;
