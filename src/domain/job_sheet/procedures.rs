//! The procedures that belong to the work of a sheet, with the figures of the motorcycle at hand.
use serde::Serialize;
use utoipa::ToSchema;

use super::{Making, SheetLimit, Touched, meet, reached_through};
use crate::domain::{
    fastener::{Fastener, of_key},
    id::Id,
    procedure::{Procedure, ProcedureStep, StepLimit},
    words::Operation,
};

/// A step with the figures that it takes on this motorcycle.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct SheetStep {
    /// Its number, from 1.
    pub step: u32,
    /// What to do.
    pub text: String,
    /// The key of the fastener that is tightened.
    pub fastener_key: Option<String>,
    /// The fastener that the key means on this motorcycle; null where none is on record for it.
    pub fastener: Option<Fastener>,
    /// What is measured.
    pub measured: Option<StepLimit>,
    /// The limits that will apply to it, at the age of its part.
    pub limits: Vec<SheetLimit>,
    /// What to mind at this step.
    pub caution: Option<String>,
}

/// A procedure for some of the work on the sheet.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct SheetProcedure {
    /// The procedure.
    pub id: Id<Procedure>,
    /// Its newest version.
    pub version: u32,
    /// What people call it.
    pub title: String,
    /// The condition of the motorcycle in which it begins.
    pub applies_when: String,
    /// What to do, in this order.
    pub steps: Vec<SheetStep>,
}

/// What is done again and again while something is apart.
const WHILE_APART: [Operation; 3] = [Operation::Remove, Operation::Fit, Operation::Tighten];

impl Making<'_> {
    /// The procedures for what is to be done, and for taking off and putting back what is opened for it.
    pub(super) fn procedures(&self) -> Vec<SheetProcedure> {
        self.procedures.iter().filter(|procedure| self.takes(procedure)).map(|procedure| self.with_figures(procedure)).collect()
    }

    fn takes(&self, procedure: &Procedure) -> bool {
        let while_apart = WHILE_APART.contains(&procedure.operation);
        self.operations.iter().any(|item| {
            let own = item.component.as_ref() == Some(&procedure.component) && meet(item.position, procedure.position);
            let apart = matches!(item.operation, Some(Operation::Replace | Operation::Repair));
            let opened = item.component.as_deref().is_some_and(|component| {
                let opened = reached_through(component, item.position, item.operation);
                opened.iter().any(|(opened, at)| *opened == procedure.component && meet(*at, procedure.position))
            });
            own && (item.operation == Some(procedure.operation) || apart && while_apart) || opened && while_apart
        })
    }

    /// A procedure with the fasteners of this motorcycle, and the limits that hold for its parts.
    #[must_use]
    pub fn with_figures(&self, procedure: &Procedure) -> SheetProcedure {
        SheetProcedure {
            id: procedure.id,
            version: procedure.version,
            title: procedure.title.clone(),
            applies_when: procedure.applies_when.clone(),
            steps: (1..).zip(&procedure.steps).map(|(number, step)| self.step(number, step)).collect(),
        }
    }

    fn step(&self, number: u32, step: &ProcedureStep) -> SheetStep {
        let meant = |key: &String| of_key(self.fasteners, key, &self.roads.history.motorcycle).cloned();
        SheetStep {
            step: number,
            text: step.text.clone(),
            fastener_key: step.fastener.clone(),
            fastener: step.fastener.as_ref().and_then(meant),
            measured: step.limit.clone(),
            limits: step.limit.as_ref().map(|measured| self.limits_of_step(measured)).unwrap_or_default(),
            caution: step.caution.clone(),
        }
    }

    /// A step that names no place is about where the sheet has work on the component; about all of them where it has none.
    fn limits_of_step(&self, measured: &StepLimit) -> Vec<SheetLimit> {
        let of_component = self.operations.iter().filter(|item| item.component.as_ref() == Some(&measured.component));
        let mut places: Vec<_> = match measured.position {
            Some(_) => vec![measured.position],
            None => of_component.map(|item| item.position).collect(),
        };
        if places.is_empty() {
            places.push(None);
        }
        let touched = |position| {
            let replaced = self.replaces(&measured.component, position);
            Touched { component: measured.component.clone(), position, replaced }
        };
        let mut limits = self.limits_of(&places.into_iter().map(touched).collect::<Vec<_>>());
        limits.retain(|limit| limit.limit.quantity == measured.quantity);
        limits
    }
}
