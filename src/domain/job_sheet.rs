//! The job sheet of one visit: what is to be done, and everything to have at hand for it.
//!
//! What has to be opened to get at a component ([`reached_through`]) is common practice, no source.
mod procedures;
mod together;

use serde::Serialize;
use time::Date;
use utoipa::ToSchema;

use super::{
    calendar,
    caution::{self, Caution},
    due::DueItemOn,
    fastener::{Fastener, of_key},
    history::{PartLife, Stay},
    id::Id,
    limit::Limit,
    motorcycle::{LastReading, Motorcycle},
    part::InstalledPart,
    procedure::Procedure,
    quantity::{Distance, Quantity},
    road::Roads,
    service::{AsFound, Filled, FollowUp, ServiceEvent},
    sums,
    verdict::{Judging, PartAge, choose},
    words::{COMPONENTS, DistanceStatus, LimitKind, Measurand, Operation, Position},
};

pub use procedures::{SheetProcedure, SheetStep};
pub use together::Together;

/// The motorcycle on the sheet.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct SheetMotorcycle {
    /// Its id.
    pub id: Id<Motorcycle>,
    /// What the workshop calls it.
    pub name: String,
    /// The maker.
    pub make: String,
    /// The model.
    pub model: String,
    /// The model year.
    pub year: Option<i32>,
    /// The registration mark.
    pub registration: Option<String>,
    /// The last odometer reading.
    pub odometer: Option<LastReading>,
    /// The statement about its distance.
    pub distance_status: DistanceStatus,
}

/// A limit that will apply to a part.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct SheetLimit {
    /// The limit.
    pub limit: Limit,
    /// Where it is measured.
    pub position: Option<Position>,
    /// The part that it will be held against; null for a new one, and where none is on record.
    pub installed_part_id: Option<Id<InstalledPart>>,
    /// What that part has run by the last reading; 0 for a new one.
    pub part_distance: Option<Quantity>,
    /// How old it is; 0 for a new one.
    pub age_months: Option<i32>,
    /// A new part goes on, so the limit is the one for a new part.
    pub new_part: bool,
}

/// Something to have at hand before the work starts.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct ToHave {
    /// The component's key.
    pub component: String,
    /// Where it goes.
    pub position: Option<Position>,
    /// What it is: as it was last time, where that is on record.
    pub description: String,
    /// Its number.
    pub part_number: Option<String>,
    /// How many.
    pub count: u32,
    /// How much was filled in last time, for a fluid.
    pub quantity: Option<Quantity>,
    /// Why.
    pub because: String,
}
impl ToHave {
    /// New ones of a fastener.
    #[must_use]
    pub fn fastener(fastener: &Fastener, because: String) -> Self {
        Self {
            component: fastener.component.clone(),
            position: fastener.position,
            description: fastener.name.clone(),
            part_number: None,
            count: fastener.count,
            quantity: None,
            because,
        }
    }
}

/// How something was found the last time.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct FoundThen {
    /// The day.
    pub on: Date,
    /// The event.
    pub service_event_id: Id<ServiceEvent>,
    /// The component's key.
    pub component: String,
    /// Where.
    pub position: Option<Position>,
    /// What was found.
    pub text: String,
    /// Where it stands in that event, as its photos name it.
    #[schema(example = "/as_found/0")]
    pub line: String,
}

/// What is to be done on one visit, and what that takes.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct JobSheet {
    /// The motorcycle.
    pub motorcycle: SheetMotorcycle,
    /// The day as of which it was made.
    pub on: Date,
    /// What comes before anything on this sheet.
    pub caution: &'static str,
    /// What is to be done: due items, soonest first, each followed by what is done while the same thing is open.
    pub operations: Vec<DueItemOn>,
    /// What else comes due before long and could be done while that work has it open.
    pub together: Vec<Together>,
    /// The fasteners of what is touched, each the most specific one of its key.
    pub fasteners: Vec<Fastener>,
    /// The limits that will apply to what is touched, at the age that it has or will have.
    pub limits: Vec<SheetLimit>,
    /// The workshop's procedures for this work, with the figures of this motorcycle; none for those who see their own motorcycles alone.
    pub procedures: Vec<SheetProcedure>,
    /// Parts, fluids and single-use hardware to have ready.
    pub parts: Vec<ToHave>,
    /// Cautions that belong to what is touched.
    pub cautions: Vec<Caution>,
    /// How things were found the last time.
    pub as_found: Vec<FoundThen>,
    /// What was left for the next time that it is open.
    pub follow_ups: Vec<FollowUp>,
}

/// A part now on the motorcycle, as far as ordering it again needs it.
#[derive(Clone, Debug)]
pub struct OnBike {
    /// Its id.
    pub id: Id<InstalledPart>,
    /// Its number.
    pub part_number: Option<String>,
    /// Whether it may be fitted once only.
    pub single_use: bool,
}

/// What an earlier event noted.
#[derive(Clone, Debug)]
pub struct EventNotes {
    /// The event.
    pub id: Id<ServiceEvent>,
    /// Its day.
    pub on: Date,
    /// How things were.
    pub as_found: Vec<AsFound>,
    /// What was filled in.
    pub filled: Vec<Filled>,
}

/// Everything that a sheet is made from.
#[derive(Debug)]
pub struct Making<'a> {
    /// The motorcycle's history.
    pub roads: &'a Roads<'a>,
    /// The day.
    pub today: Date,
    /// What is to be done.
    pub operations: Vec<DueItemOn>,
    /// What else is on the list of what is due, most pressing first.
    pub others: &'a [DueItemOn],
    /// Fasteners that may be the motorcycle's.
    pub fasteners: &'a [Fastener],
    /// Limits that may hold for it.
    pub limits: &'a [Limit],
    /// Procedures that are for it.
    pub procedures: &'a [Procedure],
    /// The parts on it.
    pub parts: &'a [OnBike],
    /// What was noted in earlier events, newest first.
    pub notes: &'a [EventNotes],
    /// Its open follow-ups.
    pub follow_ups: Vec<FollowUp>,
}

/// A component at a place that the work touches.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Touched {
    component: String,
    position: Option<Position>,
    /// A new one goes on.
    replaced: bool,
}
impl Touched {
    fn is(&self, component: &str, position: Option<Position>) -> bool {
        self.component == component && meet(self.position, position)
    }
}

/// Whether two places can be one: front meets front left, and any meets a place that is not said.
fn meet(one: Option<Position>, other: Option<Position>) -> bool {
    let (Some(one), Some(other)) = (one, other) else { return true };
    let (one, other) = (one.to_string(), other.to_string());
    let within = |small: &str, large: &str| small.split('_').all(|word| large.split('_').any(|known| known == word));
    within(&one, &other) || within(&other, &one)
}

/// What has to be opened to do this, beside the component itself, and where; `None` for the component's own place.
fn reached_through(component: &str, position: Option<Position>, operation: Option<Operation>) -> Vec<(&'static str, Option<Position>)> {
    let apart = matches!(operation, Some(Operation::Replace | Operation::Repair | Operation::Fit | Operation::Remove));
    let at = |place: &str| place.parse().ok();
    let (front, rear): (Option<Position>, Option<Position>) = (at("front"), at("rear"));
    match component {
        "drive_chain" | "drive_belt" if apart || operation == Some(Operation::Adjust) => vec![("axle", rear)],
        _ if !apart => Vec::new(),
        "tire" | "wheel_bearing" | "brake_disc" => vec![("wheel", position), ("axle", position)],
        "wheel" => vec![("axle", position)],
        "brake_pads" | "pad_pin" => vec![("brake_caliper", position), ("pad_pin", position)],
        "sprocket" if position != front => vec![("wheel", rear), ("axle", rear)],
        "cush_drive" | "swingarm_bearing" => vec![("wheel", rear), ("axle", rear)],
        "fork_oil" | "fork_seal" | "steering_bearing" => vec![("wheel", front), ("axle", front)],
        "oil_filter" => vec![("engine_oil", None)],
        "coolant_hose" | "radiator" => vec![("coolant", None)],
        "brake_hose" | "master_cylinder" | "brake_caliper" => vec![("brake_fluid", position)],
        _ => Vec::new(),
    }
}

impl Making<'_> {
    /// Makes the sheet.
    #[must_use]
    pub fn sheet(self) -> JobSheet {
        let bike = &self.roads.history.motorcycle;
        let touched = self.touched();
        let is_touched = |component: &str, position| touched.iter().any(|touched| touched.is(component, position));
        let fasteners = self.fasteners_of(bike, &touched);
        let follow_ups = self.follow_ups.iter().filter(|left| {
            let own_item = self.operations.iter().any(|item| item.follow_up_id == Some(left.id));
            let open_next_time = left.due_in.as_ref().is_none_or(|due_in| due_in.distance.is_none() && due_in.months.is_none());
            !own_item && open_next_time && left.component.as_ref().is_some_and(|component| is_touched(component, left.position))
        });
        JobSheet {
            motorcycle: SheetMotorcycle {
                id: bike.id,
                name: bike.name.clone(),
                make: bike.make.clone(),
                model: bike.model.clone(),
                year: bike.year,
                registration: bike.registration.clone(),
                odometer: bike.odometer.clone(),
                distance_status: bike.distance_status,
            },
            on: self.today,
            caution: caution::GENERAL,
            limits: self.limits_of(&touched),
            procedures: self.procedures(),
            parts: self.to_have(&touched, &fasteners),
            cautions: caution::for_components(touched.iter().map(|touched| touched.component.as_str())),
            as_found: self.found_then(&touched),
            follow_ups: follow_ups.cloned().collect(),
            together: together::together(&self.operations, self.others, self.today),
            operations: together::in_order(self.operations),
            fasteners,
        }
    }

    /// What the operations touch: their components first, then what has to be opened for them.
    fn touched(&self) -> Vec<Touched> {
        let mut all: Vec<Touched> = Vec::new();
        let mut opened = Vec::new();
        for item in &self.operations {
            let Some(component) = &item.component else { continue };
            let replaced = item.operation == Some(Operation::Replace);
            let touched = Touched { component: component.clone(), position: item.position, replaced };
            let known = all.iter_mut().find(|known| (&known.component, known.position) == (component, item.position));
            match known {
                Some(known) => known.replaced |= replaced,
                None => all.push(touched),
            }
            opened.extend(reached_through(component, item.position, item.operation));
        }
        for (component, position) in opened {
            if !all.iter().any(|known| known.is(component, position)) {
                all.push(Touched { component: component.to_owned(), position, replaced: false });
            }
        }
        all
    }

    fn fasteners_of(&self, bike: &Motorcycle, touched: &[Touched]) -> Vec<Fastener> {
        let mut keys: Vec<&str> = Vec::new();
        for place in touched {
            for fastener in self.fasteners.iter().filter(|fastener| place.is(&fastener.component, fastener.position)) {
                if !keys.contains(&fastener.key.as_str()) {
                    keys.push(&fastener.key);
                }
            }
        }
        // The most specific one of a key may hold another component than the general one: then it is not touched.
        let of_touched = |fastener: &Fastener| touched.iter().any(|place| place.is(&fastener.component, fastener.position));
        keys.into_iter().filter_map(|key| of_key(self.fasteners, key, bike).cloned()).filter(of_touched).collect()
    }

    /// Whether a new one goes on at this place.
    fn replaces(&self, component: &str, position: Option<Position>) -> bool {
        let at = |item: &DueItemOn| item.component.as_deref() == Some(component) && meet(item.position, position);
        self.operations.iter().any(|item| item.operation == Some(Operation::Replace) && at(item))
    }
    fn parts_at(&self, place: &Touched) -> Vec<(&PartLife, &Stay)> {
        self.roads.history.parts_on().filter(|(part, stay)| place.is(&part.component, stay.position)).collect()
    }

    fn limits_of(&self, touched: &[Touched]) -> Vec<SheetLimit> {
        let mut all: Vec<SheetLimit> = Vec::new();
        for place in touched {
            let parts = self.parts_at(place);
            let mut found: Vec<_> = parts.iter().flat_map(|(part, stay)| self.limits_at(place, stay.position, Some(part))).collect();
            if parts.is_empty() {
                found.extend(self.limits_at(place, place.position, None));
            }
            for limit in found {
                let known = |known: &SheetLimit| (known.limit.id, known.position) == (limit.limit.id, limit.position);
                if !all.iter().any(known) {
                    all.push(limit);
                }
            }
        }
        all
    }
    /// The limits that will hold for one part, or for a component without one. Each is asked for at its own force.
    fn limits_at(&self, place: &Touched, position: Option<Position>, part: Option<&PartLife>) -> Vec<SheetLimit> {
        let is_part = COMPONENTS.iter().find(|(key, ..)| *key == place.component).is_none_or(|(.., part)| *part);
        // A place may hold several parts, of which not every one is replaced.
        let replaced = if part.is_some() { self.replaces(&place.component, position) } else { place.replaced };
        let new = replaced && is_part;
        let distance = if new { Some(Distance::ZERO) } else { part.and_then(|part| part.distance_now(self.roads)) };
        let months = if new { Some(0) } else { part.map(|part| part.age_months(self.today)) };
        let description = part.map_or("", |part| part.description.as_str());
        let age = PartAge { distance, hours: new.then_some(0.0), months, description };
        let bike = &self.roads.history.motorcycle;
        let holds = |limit: &&Limit| {
            let judging = Judging {
                bike,
                component: &place.component,
                position,
                quantity: limit.quantity,
                value: 0.0,
                unit: limit.unit,
                u: 0.0,
                u_stated: false,
                at_force: limit.at_force.as_ref(),
                part: (new || part.is_some()).then(|| age.clone()),
            };
            choose(&judging, limit.kind, self.limits).iter().any(|chosen| chosen.id == limit.id)
        };
        let mut holding: Vec<_> = self.limits.iter().filter(|limit| limit.component == place.component).filter(holds).collect();
        let order = |limit: &Limit| -> (Measurand, LimitKind, Id<Limit>) { (limit.quantity, limit.kind, limit.id) };
        holding.sort_by_key(|limit| order(limit));
        let sheet = |limit: &Limit| SheetLimit {
            limit: limit.clone(),
            position: position.or(limit.position),
            installed_part_id: part.filter(|_| !new).map(|part| part.id),
            part_distance: distance.map(|distance| distance.quantity(bike.odometer_unit)),
            age_months: months,
            new_part: new,
        };
        holding.into_iter().map(sheet).collect()
    }

    /// What to have ready: what is replaced, and what may be used once only.
    fn to_have(&self, touched: &[Touched], fasteners: &[Fastener]) -> Vec<ToHave> {
        let mut all: Vec<ToHave> = Vec::new();
        for place in touched {
            let parts = self.parts_at(place);
            if place.replaced && parts.is_empty() {
                all.push(self.like_last_time(place));
            }
            for (part, stay) in parts {
                let known = self.parts.iter().find(|known| known.id == part.id);
                let single_use = known.is_some_and(|known| known.single_use);
                if !(place.replaced || single_use) {
                    continue;
                }
                let name = sums::component(&part.component, stay.position);
                let fitted = calendar::words(stay.fitted.on);
                all.push(ToHave {
                    component: part.component.clone(),
                    position: stay.position,
                    description: if part.description.is_empty() { name } else { part.description.clone() },
                    part_number: known.and_then(|known| known.part_number.clone()),
                    count: 1,
                    quantity: None,
                    because: if place.replaced {
                        format!("It is to be replaced; described is the one fitted on {fitted}.")
                    } else {
                        format!("The one fitted on {fitted} may be used once only, and the work disturbs it.")
                    },
                });
            }
        }
        let once = fasteners.iter().filter(|fastener| fastener.single_use);
        all.extend(once.map(|fastener| ToHave::fastener(fastener, "It may be used once only.".into())));
        all
    }
    /// A fluid, or a part of which none is on record: as it was filled in last.
    fn like_last_time(&self, place: &Touched) -> ToHave {
        let mut filled = self.notes.iter().flat_map(|event| event.filled.iter().map(move |filled| (event.on, filled)));
        let last = filled.find(|(_, filled)| place.is(&filled.component, filled.position));
        let name = sums::component(&place.component, place.position);
        ToHave {
            component: place.component.clone(),
            position: place.position,
            description: last.map(|(_, filled)| filled.description.clone()).filter(|text| !text.is_empty()).unwrap_or(name),
            part_number: None,
            count: 1,
            quantity: last.and_then(|(_, filled)| filled.quantity.clone()),
            because: last.map_or_else(
                || "It is to be replaced; none is on record yet.".into(),
                |(on, _)| format!("It is to be replaced; described is what was filled in on {}.", calendar::words(on)),
            ),
        }
    }

    /// For each place the notes of the last event that has any about it.
    fn found_then(&self, touched: &[Touched]) -> Vec<FoundThen> {
        let mut all: Vec<FoundThen> = Vec::new();
        for place in touched {
            let about = |note: &&AsFound| place.is(&note.component, note.position);
            let Some(event) = self.notes.iter().find(|event| event.as_found.iter().any(|note| about(&note))) else { continue };
            for (number, note) in event.as_found.iter().enumerate().filter(|(_, note)| about(note)) {
                let found = FoundThen {
                    on: event.on,
                    service_event_id: event.id,
                    component: note.component.clone(),
                    position: note.position,
                    text: note.text.clone(),
                    line: format!("/as_found/{number}"),
                };
                if !all.contains(&found) {
                    all.push(found);
                }
            }
        }
        all
    }
}

impl SheetLimit {
    /// The range in words: `8 to 10 mm`.
    #[must_use]
    pub fn range(&self) -> String {
        super::verdict::range_in_words(self.limit.lower.as_ref(), self.limit.upper.as_ref(), self.limit.unit)
    }
}

#[cfg(test)]
mod tests;
