//! The steps of a procedure in its form: rows that are sorted by their numbers, and lines that become rows.
use std::collections::BTreeMap;

use crate::{
    actions::{Work, fastener, limit},
    domain::{
        component::Component,
        procedure::{MOST_STEPS, ProcedureStep, StepLimit},
    },
    error::Result,
    pages::{form::Form, standards::Options},
    store::Stretch,
};

/// More rows than a procedure can have steps are read, so that it can be said that there are too many.
const MOST_ROWS: usize = MOST_STEPS + 50;

/// A row of the form.
pub struct StepRow {
    /// Its name: `steps.3`.
    pub row: String,
    /// What is attached stands open.
    pub open: bool,
}
impl StepRow {
    /// The name of one of its fields.
    #[must_use]
    pub fn f(&self, field: &str) -> String {
        format!("{}.{field}", self.row)
    }
}

/// What can be attached to a step.
pub struct Attachable {
    /// Fasteners by name, none first.
    pub fasteners: Options,
    /// What there is a limit for, nothing first.
    pub limits: Options,
}
impl Attachable {
    /// What the workshop has, and what stands in the form already.
    ///
    /// # Errors
    /// Where the database refuses.
    pub async fn of(work: &mut Work, form: &Form, known: &[Component]) -> Result<Self> {
        let all = fastener::list(work, &fastener::Wanted::default(), Stretch { after: None, limit: 500 }).await?;
        let mut fasteners: BTreeMap<String, String> = all.into_iter().map(|one| (one.key, one.name)).collect();
        let all = limit::list(work, &limit::Wanted::default(), Stretch { after: None, limit: 500 }).await?;
        let limits = all.into_iter().map(|one| StepLimit { component: one.component, position: one.position, quantity: one.quantity });
        let chosen = rows(form).into_iter().filter_map(|row| read_limit(form.value(&row.f("limit"))));
        let limits: BTreeMap<_, _> =
            limits.chain(chosen).map(|measured| (written(&measured), super::measured_words(&measured, known))).collect();
        for row in rows(form) {
            let key = form.value(&row.f("fastener"));
            if !key.is_empty() && !fasteners.contains_key(key) {
                fasteners.insert(key.to_owned(), format!("{} (no torque on record)", key.replace('_', " ")));
            }
        }
        Ok(Self { fasteners: by_name("none", fasteners), limits: by_name("nothing", limits) })
    }
}
fn by_name(first: &str, all: BTreeMap<String, String>) -> Options {
    let mut all: Options = all.into_iter().collect();
    all.sort_by_key(|(_, name)| name.to_lowercase());
    std::iter::once((String::new(), first.to_owned())).chain(all).collect()
}

/// What is measured as the value of a choice: `drive_belt||deflection`.
fn written(measured: &StepLimit) -> String {
    format!("{}|{}|{}", measured.component, measured.position.map(|position| position.to_string()).unwrap_or_default(), measured.quantity)
}
fn read_limit(text: &str) -> Option<StepLimit> {
    let [component, position, quantity] = text.split('|').collect::<Vec<_>>()[..] else { return None };
    let position = if position.is_empty() { None } else { Some(position.parse().ok()?) };
    Some(StepLimit { component: component.to_owned(), position, quantity: quantity.parse().ok()? })
}

/// The rows that stand in a form.
#[must_use]
pub fn rows(form: &Form) -> Vec<StepRow> {
    let row = |place: usize| format!("steps.{place}");
    let there = (0..MOST_ROWS).map(row).take_while(|row| form.has(&format!("{row}.text")));
    there
        .map(|row| {
            let open = ["fastener", "limit", "caution"].iter().any(|field| {
                let name = format!("{row}.{field}");
                !form.value(&name).is_empty() || form.is_wrong(&name)
            });
            StepRow { row, open }
        })
        .collect()
}

/// Puts steps into a form, a row for each.
pub fn show(form: &mut Form, steps: &[ProcedureStep]) {
    for (place, step) in steps.iter().enumerate() {
        let mut set = |field: &str, value: String| form.set(&format!("steps.{place}.{field}"), value);
        set("number", (place + 1).to_string());
        set("text", step.text.clone());
        set("fastener", step.fastener.clone().unwrap_or_default());
        set("limit", step.limit.as_ref().map(written).unwrap_or_default());
        set("caution", step.caution.clone().unwrap_or_default());
    }
    form.set("more_steps", "");
}

/// The steps of a form, in the order of their numbers, then the lines that were typed. They stand in the form as rows in this order
/// afterwards, so that what is wrong with the third step has its place at the third row.
pub fn read(form: &mut Form) -> Vec<ProcedureStep> {
    let mut typed: Vec<(f64, ProcedureStep)> = Vec::new();
    for place in 0..MOST_ROWS {
        let name = |field: &str| format!("steps.{place}.{field}");
        let Some(text) = form.optional(&name("text")) else { continue };
        let number = form.figure(&name("number")).map_or(0.0, |number| number.value());
        let number = if form.value(&name("number")).is_empty() { f64::from(u32::try_from(place + 1).unwrap_or(u32::MAX)) } else { number };
        let step = ProcedureStep {
            text,
            fastener: form.optional(&name("fastener")),
            limit: read_limit(form.value(&name("limit"))),
            caution: form.optional(&name("caution")),
        };
        typed.push((number, step));
    }
    typed.sort_by(|one, other| one.0.total_cmp(&other.0));
    let mut steps: Vec<_> = typed.into_iter().map(|(_, step)| step).collect();
    let lines = form.value("more_steps").lines().map(str::trim).filter(|line| !line.is_empty());
    steps.extend(lines.take(MOST_ROWS).map(|line| ProcedureStep { text: line.to_owned(), fastener: None, limit: None, caution: None }));
    if !form.has_problems() {
        form.leave_out(|name| name.starts_with("steps."));
        show(form, &steps);
    }
    steps
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_sorted_by_their_numbers_and_lines_come_last() {
        let mut form = Form::showing([
            ("steps.0.number", "3".to_owned()),
            ("steps.0.text", "Third".into()),
            ("steps.0.fastener", "rear_axle_nut".into()),
            ("steps.1.number", "2".into()),
            ("steps.1.text", "Second".into()),
            ("steps.1.limit", "drive_belt|rear|deflection".into()),
            ("steps.2.number", "1.5".into()),
            ("steps.2.text", "First".into()),
            ("steps.3.number", "4".into()),
            ("steps.3.text", " ".into()),
            ("more_steps", "Fourth\r\n\r\n  Fifth ".into()),
        ]);
        let steps = read(&mut form);
        let texts: Vec<_> = steps.iter().map(|step| step.text.as_str()).collect();
        assert_eq!(texts, ["First", "Second", "Third", "Fourth", "Fifth"]);
        assert_eq!(steps[2].fastener.as_deref(), Some("rear_axle_nut"));
        assert_eq!(steps[1].limit.as_ref().map(written).as_deref(), Some("drive_belt|rear|deflection"));
        assert_eq!((form.value("steps.2.text"), form.value("steps.2.number"), form.value("more_steps")), ("Third", "3", ""));
        assert_eq!(rows(&form).iter().map(|row| row.open).collect::<Vec<_>>(), [false, true, true, false, false]);
        assert_eq!(read(&mut form), steps, "a second time changes nothing");
    }
    #[test]
    fn a_number_that_cannot_be_read_is_said_and_nothing_typed_is_lost() {
        let mut form =
            Form::showing([("steps.0.number", "x".to_owned()), ("steps.0.text", "Turn".into()), ("more_steps", "And back".into())]);
        assert_eq!(read(&mut form).len(), 2);
        assert!(form.is_wrong("steps.0.number"));
        assert_eq!((form.value("steps.0.number"), form.value("more_steps")), ("x", "And back"));
    }
}
