//! What may be used once only and was used again all the same, as long as nothing made it good.
use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use time::Date;
use utoipa::ToSchema;

use super::{
    calendar,
    due::MotorcycleRef,
    fastener::{self, Fastener},
    id::Id,
    job_sheet::ToHave,
    motorcycle::Motorcycle,
    part::InstalledPart,
    service::ServiceEvent,
    words::{Position, SingleUse, words},
};

words! {
    /// What was used again: a fastener that was tightened, or a part that was fitted.
    ReusedKind { Fastener => "fastener", Part => "part", }
}

/// Something that may be used once only and is in use again.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Reused {
    /// The motorcycle that it is on.
    pub motorcycle: MotorcycleRef,
    /// A fastener or a part.
    pub kind: ReusedKind,
    /// What it is.
    pub name: String,
    /// The fastener's key; null for a part.
    pub fastener: Option<String>,
    /// The part; null for a fastener.
    pub installed_part_id: Option<Id<InstalledPart>>,
    /// The part's component; null for a fastener.
    pub component: Option<String>,
    /// Where the part sits.
    pub position: Option<Position>,
    /// The day on which it was first used again.
    pub since: Date,
    /// How often it was used again since it was new.
    pub times: u32,
    /// The event of the last time; null for a part that was fitted outside one.
    pub service_event_id: Option<Id<ServiceEvent>>,
}
/// Where something stands in the list: by day, motorcycle, and what it is.
pub type ReusedKey = (Date, String, String);
impl Reused {
    /// What to have in its place; `None` for a fastener that is not on record any more.
    #[must_use]
    pub fn to_have(&self, fasteners: &[Fastener], bike: &Motorcycle) -> Option<ToHave> {
        let because = format!("It may be used once only and is in use again since {}.", calendar::words(self.since));
        match &self.fastener {
            Some(key) => fastener::of_key(fasteners, key, bike).map(|fastener| ToHave::fastener(fastener, because)),
            None => Some(ToHave {
                component: self.component.clone()?,
                position: self.position,
                description: self.name.clone(),
                part_number: None,
                count: 1,
                quantity: None,
                because,
            }),
        }
    }
    /// Whether it is what a sheet names already.
    #[must_use]
    pub fn is(&self, listed: &ToHave, have: &ToHave) -> bool {
        let one_place = (&listed.component, listed.position) == (&have.component, have.position);
        // Several fasteners belong to one component; a part is alone at its place.
        one_place && (self.kind == ReusedKind::Part || listed.description == have.description)
    }
    /// Where it stands in the list.
    #[must_use]
    pub fn key(&self) -> ReusedKey {
        let what = match self.installed_part_id {
            Some(part) => format!("part {part}"),
            None => format!("fastener {}", self.fastener.as_deref().unwrap_or_default()),
        };
        (self.since, self.motorcycle.id.to_string(), what)
    }
}

/// A single-use fastener as an event left it.
#[derive(Clone, Debug)]
pub struct Use {
    /// The motorcycle.
    pub motorcycle: MotorcycleRef,
    /// The day.
    pub on: Date,
    /// The event.
    pub event: Id<ServiceEvent>,
    /// The fastener's key.
    pub fastener: String,
    /// Its name then.
    pub name: String,
    /// What became of it.
    pub was: SingleUse,
}

/// The fasteners that were used again and not replaced since, from all their uses in the order of time.
#[must_use]
pub fn fasteners_reused(uses: &[Use]) -> Vec<Reused> {
    let mut open: BTreeMap<(Id<Motorcycle>, &str), Reused> = BTreeMap::new();
    for used in uses {
        let key = (used.motorcycle.id, used.fastener.as_str());
        match used.was {
            SingleUse::Replaced => {
                open.remove(&key);
            }
            SingleUse::Reused => {
                let found = open.entry(key).or_insert_with(|| Reused {
                    motorcycle: used.motorcycle.clone(),
                    kind: ReusedKind::Fastener,
                    name: used.name.clone(),
                    fastener: Some(used.fastener.clone()),
                    installed_part_id: None,
                    component: None,
                    position: None,
                    since: used.on,
                    times: 0,
                    service_event_id: None,
                });
                found.times += 1;
                found.name.clone_from(&used.name);
                found.service_event_id = Some(used.event);
            }
        }
    }
    open.into_values().collect()
}
