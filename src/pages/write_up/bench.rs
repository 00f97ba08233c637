//! What the page knows before anything is typed: what is due, and what that takes.
use std::collections::HashSet;

use super::{form::Tick, rows::Spec};
use crate::{
    actions::{Work, component, due, follow_up, job_sheet, measure, part, procedure},
    domain::{
        component::Component,
        due::DueItemOn,
        fastener::{Fastener, of_key},
        job_sheet::{FoundThen, SheetLimit, SheetProcedure},
        motorcycle::Motorcycle,
        part::InstalledPart,
        procedure::Procedure,
        service::{FollowUp, MeasuredValue},
        words::{FollowUpStatus, Position, Status},
    },
    error::Result,
    pages::{form::Form, words},
    store::{self, Stretch},
};

/// The most due items that bring their limits and fasteners along without being ticked: the page stays light.
const MOST_NEAR: usize = 5;

/// From so many values and fasteners on, only what is ticked brings more of them.
const MOST_ROWS: usize = 3;

/// A value that what is due takes, with the limits that hold for it.
#[derive(Debug)]
pub struct Group {
    /// What is measured.
    pub spec: Spec,
    /// One of each kind.
    pub limits: Vec<SheetLimit>,
    /// The due items that it belongs to.
    pub items: Vec<String>,
}

/// Everything at hand.
#[derive(Debug)]
pub struct Bench {
    /// What is due on the motorcycle, soonest first.
    pub items: Vec<DueItemOn>,
    /// The same as boxes to tick.
    pub ticks: Vec<Tick>,
    /// Values to measure for what waits or is ticked.
    pub groups: Vec<Group>,
    /// Fasteners of what waits or is ticked, with the due items that they belong to.
    pub fasteners: Vec<(Fastener, Vec<String>)>,
    /// Procedures of what waits or is ticked, with the due items that they belong to.
    pub procedures: Vec<(SheetProcedure, Vec<String>)>,
    /// Every procedure that is for the motorcycle.
    pub all_procedures: Vec<Procedure>,
    /// How things were found the last time, at what waits or is ticked.
    pub as_found: Vec<FoundThen>,
    /// Every fastener of the motorcycle.
    pub all_fasteners: Vec<Fastener>,
    /// Left for the next time that it is open.
    pub follow_ups: Vec<FollowUp>,
    /// The components of the workshop.
    pub components: Vec<Component>,
    /// The parts on the motorcycle.
    pub parts: Vec<InstalledPart>,
    /// Parts that came off it and lie on the shelf.
    pub shelf: Vec<InstalledPart>,
    values: Vec<MeasuredValue>,
}

/// What is due, as boxes to tick.
///
/// # Errors
/// Where the database refuses.
pub async fn ticks(work: &mut Work, bike: &Motorcycle, components: &[Component]) -> Result<(Vec<DueItemOn>, Vec<Tick>)> {
    let items = if bike.archived { Vec::new() } else { due::of_motorcycle(work, bike, None).await? };
    let is_part = |key: Option<&str>| components.iter().any(|component| component.part && Some(component.key.as_str()) == key);
    let ticks = items.iter().map(|item| Tick::new(item, is_part(item.component.as_deref()))).collect();
    Ok((items, ticks))
}

impl Bench {
    /// Looks everything up.
    ///
    /// # Errors
    /// Where the database refuses.
    pub async fn load(work: &mut Work, bike: &Motorcycle, form: &Form) -> Result<Self> {
        let components = component::all(work).await?;
        let (items, ticks) = ticks(work, bike, &components).await?;
        let near: Vec<_> =
            items.iter().enumerate().filter(|(place, item)| is_near(*place, item, form)).map(|(_, item)| item.clone()).collect();
        let sheets = job_sheet::of_each(work, bike, &near).await?;
        let (mut groups, mut fasteners): (Vec<Group>, Vec<(Fastener, Vec<String>)>) = (Vec::new(), Vec::new());
        let mut as_found: Vec<FoundThen> = Vec::new();
        let mut procedures: Vec<(SheetProcedure, Vec<String>)> = Vec::new();
        for (item, sheet) in near.iter().zip(sheets) {
            let id = item.id.to_string();
            for found in sheet.as_found {
                if !as_found.contains(&found) {
                    as_found.push(found);
                }
            }
            for found in sheet.procedures {
                match procedures.iter_mut().find(|(known, _)| known.id == found.id) {
                    Some((_, items)) => items.push(id.clone()),
                    None => procedures.push((found, vec![id.clone()])),
                }
            }
            if groups.len() + fasteners.len() >= MOST_ROWS && !form.is("due", &id) {
                continue;
            }
            // A new part is measured now and then; what was found on the old one is what the work is about.
            for limit in sheet.limits.into_iter().filter(|limit| !limit.new_part || form.is("due", &id)) {
                add_limit(&mut groups, limit, &id);
            }
            for fastener in sheet.fasteners {
                match fasteners.iter_mut().find(|(known, _)| known.id == fastener.id) {
                    Some((_, items)) => items.push(id.clone()),
                    None => fasteners.push((fastener, vec![id.clone()])),
                }
            }
        }
        let open = follow_up::list(work, Some(bike.id), Some(FollowUpStatus::Open), Stretch { after: None, limit: 100 }).await?;
        let with_box: HashSet<_> = items.iter().filter_map(|item| item.follow_up_id).collect();
        let listed = |removed| store::part::Wanted { on: work.today, removed, changed_since: None };
        let (on, off) = (listed(false), listed(true));
        let stretch = || Stretch { after: None, limit: 200 };
        let newest = Stretch { after: None, limit: 200 };
        let any = store::measured_value::Wanted { component: None, quantity: None, since: None };
        Ok(Self {
            follow_ups: open.into_iter().filter(|left| !with_box.contains(&left.id)).collect(),
            parts: part::list(work, bike, on, stretch()).await?.into_iter().map(|(_, part)| part).collect(),
            shelf: part::list(work, bike, off, stretch()).await?.into_iter().map(|(_, part)| part).filter(on_shelf).collect(),
            values: measure::list(work, bike.id, &any, newest).await?,
            all_fasteners: all_fasteners(work, bike).await?,
            all_procedures: procedure::for_motorcycle(work, bike).await?,
            procedures,
            items,
            ticks,
            groups,
            fasteners,
            as_found,
            components,
        })
    }

    /// Whether a due item brings what it takes along: it waits, or it is ticked.
    #[must_use]
    pub fn is_near(&self, id: &str, form: &Form) -> bool {
        self.items.iter().enumerate().any(|(place, item)| item.id.to_string() == id && is_near(place, item, form))
    }
    /// A component where it sits, in words.
    #[must_use]
    pub fn name(&self, component: &str, position: Option<Position>) -> String {
        words::component(&self.components, component, position)
    }
    /// The value before, of the same component, place and quantity.
    #[must_use]
    pub fn last_value(&self, spec: &Spec) -> Option<&MeasuredValue> {
        let same = |value: &&MeasuredValue| {
            value.struck_out.is_none()
                && (&value.component, value.position, value.quantity) == (&spec.component, spec.position, spec.quantity)
        };
        self.values.iter().find(same)
    }
}

/// Whether an item stands in the list that is open.
#[must_use]
pub fn waits(item: &DueItemOn) -> bool {
    matches!(item.status, Status::Overdue | Status::Due | Status::NearlyDue | Status::NoHistory)
}
fn is_near(place: usize, item: &DueItemOn, form: &Form) -> bool {
    form.is("due", &item.id.to_string()) || place < MOST_NEAR && matches!(item.status, Status::Overdue | Status::Due)
}
fn on_shelf(part: &InstalledPart) -> bool {
    part.motorcycle_id.is_none() && part.struck_out.is_none()
}

fn add_limit(groups: &mut Vec<Group>, limit: SheetLimit, item: &str) {
    let spec = Spec {
        component: limit.limit.component.clone(),
        position: limit.position,
        quantity: limit.limit.quantity,
        force: limit.limit.at_force.clone(),
        new_part: limit.new_part,
    };
    let place = groups.iter().position(|group| group.spec == spec).unwrap_or_else(|| {
        groups.push(Group { spec, limits: Vec::new(), items: Vec::new() });
        groups.len() - 1
    });
    let group = &mut groups[place];
    if group.limits.iter().all(|known| known.limit.id != limit.limit.id) {
        group.limits.push(limit);
    }
    if group.items.iter().all(|known| known != item) {
        group.items.push(item.to_owned());
    }
}

/// The fastener that each key means for the motorcycle, by name.
async fn all_fasteners(work: &mut Work, bike: &Motorcycle) -> Result<Vec<Fastener>> {
    let workshop = work.workshop_id();
    let perhaps = store::fastener::perhaps_for(&mut work.tx, workshop, bike.id).await?;
    let keys: HashSet<_> = perhaps.iter().map(|fastener| fastener.key.clone()).collect();
    let mut all: Vec<_> = keys.iter().filter_map(|key| of_key(&perhaps, key, bike).cloned()).collect();
    all.sort_by(|one, other| (&one.name, &one.key).cmp(&(&other.name, &other.key)));
    Ok(all)
}
