//! What a service event leaves for later by itself: single-use hardware that went back on, and torques to check again.
use time::Date;

use super::{
    calendar,
    fastener::Fastener,
    quantity::Distance,
    service::{FollowUpIn, NewFollowUp, NewTightened},
    verdict::plain,
    words::{OdometerUnit, Position, SingleUse},
};

/// The follow-ups of one tightened fastener; `unit` is the odometer unit of the motorcycle.
#[must_use]
pub fn after_tightening(tightened: &NewTightened, fastener: &Fastener, on: Date, unit: OdometerUnit) -> Vec<NewFollowUp> {
    let mut left = Vec::new();
    if fastener.single_use && tightened.single_use_was == Some(SingleUse::Reused) {
        left.push(used_again(&fastener.name, &fastener.component, fastener.position, on));
    }
    let recheck = fastener.recheck_after.as_ref().and_then(|quantity| Distance::from_quantity(quantity).ok());
    if let Some(distance) = recheck.filter(|distance| *distance > Distance::ZERO) {
        left.push(NewFollowUp {
            text: format!("{}: check the torque again. It was tightened on {}.", fastener.name, calendar::words(on)),
            component: Some(fastener.component.clone()),
            position: fastener.position,
            due_in: Some(FollowUpIn { distance: Some(distance.quantity(unit).value), months: None }),
        });
    }
    left
}

/// The follow-up of a single-use part that was fitted again from the shelf. `description` is the part's own; where it
/// has none, the component names it.
#[must_use]
pub fn after_fitting_again(description: &str, component: &str, position: Option<Position>, on: Date) -> NewFollowUp {
    let name = if description.trim().is_empty() { capital(&plain(component)) } else { description.trim().to_owned() };
    used_again(&name, component, position, on)
}

fn used_again(name: &str, component: &str, position: Option<Position>, on: Date) -> NewFollowUp {
    NewFollowUp {
        text: format!("{name}: used again on {}. Fit a new one next time it is open.", calendar::words(on)),
        component: Some(component.to_owned()),
        position,
        due_in: None,
    }
}
fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
