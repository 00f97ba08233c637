//! The procedures that the work follows: a box for each step, and a place to say why one was left out.
//!
//! The row's marker says which version lay on the bench: `<id> <version>`. So what was ticked stays ticked, and means the same steps, where
//! somebody writes a new version in the meantime.
use super::{
    bench::Bench,
    form::{MOST_ROWS, any, at, rows},
    rows::{short, shorts, wrong_within},
};
use crate::{
    actions::{Work, job_sheet, procedure},
    domain::{
        id::Id,
        job_sheet::SheetProcedure,
        motorcycle::Motorcycle,
        procedure::{NewFollowed, Procedure, StepLeftOut},
    },
    error::{Error, Result},
    pages::{form::Form, procedures},
};

/// A procedure with its boxes.
#[derive(Debug)]
pub struct ProcedureRow {
    /// The marker's name.
    pub row: String,
    /// The procedure and the version.
    pub marker: String,
    /// What people call it.
    pub title: String,
    /// In which condition it begins, and which version it is.
    pub hint: String,
    /// Its steps.
    pub steps: Vec<StepBox>,
    /// It stands open.
    pub open: bool,
    /// It was just added.
    pub fresh: bool,
    /// The due items that it belongs to.
    pub items: String,
}
/// A step with its box.
#[derive(Debug)]
pub struct StepBox {
    /// The value of its box.
    pub number: String,
    /// What to do.
    pub text: String,
    /// Its torque, its limit, its caution.
    pub hints: Vec<String>,
    /// The field that says why it was left out.
    pub why: String,
}
impl ProcedureRow {
    /// Whether a reason was typed, or is wrong.
    #[must_use]
    pub fn left_out(&self, form: &Form) -> bool {
        self.steps.iter().any(|step| !form.value(&step.why).is_empty() || form.is_wrong(&step.why))
    }
    /// The name of one of its fields.
    #[must_use]
    pub fn f(&self, field: &str) -> String {
        at(&self.row, field)
    }
}

/// The marker's name.
#[must_use]
pub fn row_of(id: Id<Procedure>) -> String {
    format!("procedures.p-{}", short(&id.to_string()))
}
fn marker(id: Id<Procedure>, version: u32) -> String {
    format!("{id} {version}")
}
fn read_marker(text: &str) -> Option<(Id<Procedure>, u32)> {
    let (id, version) = text.split_once(' ')?;
    Some((id.parse().ok()?, version.parse().ok()?))
}

/// Ticks a step that was ticked on the job sheet: `<id>:<version>:<step>`.
pub fn tick(form: &mut Form, step: &str) {
    let [id, version, number] = step.split(':').collect::<Vec<_>>()[..] else { return };
    let (Ok(id), Ok(version)) = (id.parse::<Id<Procedure>>(), version.parse()) else { return };
    let row = row_of(id);
    form.offer(&row, marker(id, version));
    form.push(&at(&row, "done"), number);
}
/// Adds the procedure that was picked, and says which row is new.
pub fn add(form: &mut Form) -> Option<String> {
    let (id, version) = read_marker(form.value("pick_procedure"))?;
    let row = row_of(id);
    form.offer(&row, marker(id, version));
    Some(row)
}
/// The procedures on offer for other work.
#[must_use]
pub fn choices(all: &[Procedure]) -> Vec<(String, String)> {
    all.iter().map(|one| (marker(one.id, one.version), one.title.clone())).collect()
}

/// Every procedure on the page: those of what is due, and those that were added.
///
/// # Errors
/// Where the database refuses.
pub async fn all(work: &mut Work, bike: &Motorcycle, form: &mut Form, bench: &Bench, fresh: Option<&str>) -> Result<Vec<ProcedureRow>> {
    for (found, _) in &bench.procedures {
        form.offer(&row_of(found.id), marker(found.id, found.version));
    }
    let mut shown = Vec::new();
    for row in rows(form, "procedures").into_iter().take(MOST_ROWS) {
        let text = form.value(&row).to_owned();
        let Some((id, version)) = read_marker(&text) else { continue };
        let due = bench.procedures.iter().find(|(found, _)| (found.id, found.version) == (id, version));
        let found = match due {
            Some((found, _)) => Some(found.clone()),
            None => other(work, bike, bench, id, version).await?,
        };
        let Some(found) = found else { continue };
        let items = due.map_or(&[][..], |(_, items)| items);
        shown.push(row_for(form, bench, row, &found, items, fresh));
    }
    Ok(shown)
}

/// One that no due item brought: with its figures where it is the newest version, or else as it was written.
async fn other(work: &mut Work, bike: &Motorcycle, bench: &Bench, id: Id<Procedure>, version: u32) -> Result<Option<SheetProcedure>> {
    if work.caller.sight.is_narrow() {
        return Ok(None);
    }
    let version = match procedure::version(work, id, version).await {
        Err(Error::NotFound(_)) => return Ok(None),
        found => found?,
    };
    let as_written = Procedure::from_new(id, version.details(), version.version, Vec::new(), version.created_at);
    let newest = bench.all_procedures.iter().find(|one| (one.id, one.version) == (id, version.version));
    let found = job_sheet::with_figures(work, bike, newest.unwrap_or(&as_written)).await?;
    Ok(Some(found))
}

fn row_for(form: &Form, bench: &Bench, row: String, found: &SheetProcedure, items: &[String], fresh: Option<&str>) -> ProcedureRow {
    let begins = if found.applies_when.is_empty() { String::new() } else { format!("Begins with: {}. ", found.applies_when) };
    let steps: Vec<_> = found
        .steps
        .iter()
        .map(|step| StepBox {
            number: step.step.to_string(),
            text: step.text.clone(),
            hints: procedures::hints(step, &bench.components),
            why: at(&row, &format!("why.{}", step.step)),
        })
        .collect();
    let typed = any(form, &row, &["done"]) || steps.iter().any(|step| !form.value(&step.why).is_empty());
    ProcedureRow {
        marker: marker(found.id, found.version),
        title: found.title.clone(),
        hint: format!("{begins}Version {}.", found.version),
        steps,
        open: fresh == Some(row.as_str()) || typed || wrong_within(form, &row),
        fresh: fresh == Some(row.as_str()),
        items: shorts(items),
        row,
    }
}

/// What was ticked and typed, row by row; rows in which nothing was are left out. With each stand the names of the fields of the reasons.
pub fn read(form: &mut Form) -> Vec<(String, NewFollowed, Vec<String>)> {
    let mut all = Vec::new();
    for row in rows(form, "procedures") {
        let Some((id, version)) = read_marker(form.value(&row)) else { continue };
        let mut steps_done: Vec<u32> = form.values(&at(&row, "done")).filter_map(|number| number.parse().ok()).collect();
        steps_done.sort_unstable();
        steps_done.dedup();
        let front = at(&row, "why.");
        let mut left: Vec<(u32, String)> = form
            .names()
            .filter_map(|name| Some((name.strip_prefix(&front)?.parse().ok()?, name)))
            .filter(|(_, name)| !form.value(name).is_empty())
            .map(|(number, name)| (number, name.to_owned()))
            .collect();
        left.sort();
        left.dedup();
        if steps_done.is_empty() && left.is_empty() {
            continue;
        }
        let steps_left_out = left.iter().map(|(step, name)| StepLeftOut { step: *step, reason: form.value(name).to_owned() }).collect();
        // Boxes that are not ticked are not sent; what is wrong with them has a place all the same.
        form.offer(&at(&row, "done"), "");
        all.push((row, NewFollowed { id, version, steps_done, steps_left_out }, left.into_iter().map(|(_, name)| name).collect()));
    }
    all
}
