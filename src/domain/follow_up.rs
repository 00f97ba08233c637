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

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};
    use time::{OffsetDateTime, macros::date};
    use uuid::Uuid;

    use super::*;
    use crate::domain::{id::Id, torque};

    fn fastener(more: &Value) -> Fastener {
        let mut new = json!({"key": "rear_axle_nut", "name": "Rear axle nut", "component": "axle", "position": "rear", "stages": []});
        new.as_object_mut().unwrap().append(&mut more.as_object().unwrap().clone());
        Fastener::from_new(Id::new(Uuid::nil()), serde_json::from_value(new).unwrap(), OffsetDateTime::UNIX_EPOCH)
    }
    fn line(single_use_was: &Value) -> NewTightened {
        serde_json::from_value(json!({"fastener": "rear_axle_nut", "single_use_was": single_use_was})).unwrap()
    }
    const ON: Date = date!(2026 - 05 - 03);

    #[test]
    fn single_use_hardware_that_was_used_again_is_remembered() {
        let once = fastener(&json!({"single_use": true}));
        let left = after_tightening(&line(&json!("reused")), &once, ON, OdometerUnit::Mi);
        assert_eq!(left.len(), 1);
        assert_eq!(left[0].text, format!("Rear axle nut: used again on {}. Fit a new one next time it is open.", calendar::words(ON)));
        assert_eq!((left[0].component.as_deref(), left[0].position, &left[0].due_in), (Some("axle"), once.position, &None));
        assert_eq!(after_tightening(&line(&json!("replaced")), &once, ON, OdometerUnit::Mi), []);
        assert_eq!(after_tightening(&line(&json!("reused")), &fastener(&json!({})), ON, OdometerUnit::Mi), []);
    }
    #[test]
    fn what_became_of_single_use_hardware_must_be_said() {
        let once = fastener(&json!({"single_use": true}));
        let problems = torque::problems(&line(&Value::Null), &once, "/tightened/0");
        assert_eq!(problems[0].pointer, "/tightened/0/single_use_was");
        assert!(problems[0].detail.contains("replaced") && problems[0].detail.contains("reused"), "{problems:?}");
        assert_eq!(torque::problems(&line(&json!("reused")), &once, "/tightened/0"), []);
        assert_eq!(torque::problems(&line(&Value::Null), &fastener(&json!({})), "/tightened/0"), []);
    }
    #[test]
    fn a_torque_to_check_again_comes_due_in_the_unit_of_the_motorcycle() {
        let again = fastener(&json!({"recheck_after": {"value": 50, "unit": "mi"}}));
        for (unit, distance) in [(OdometerUnit::Mi, "50"), (OdometerUnit::Km, "80.467")] {
            let left = after_tightening(&line(&Value::Null), &again, ON, unit);
            assert_eq!(left.len(), 1);
            assert!(left[0].text.starts_with("Rear axle nut: check the torque again."), "{}", left[0].text);
            assert_eq!(left[0].due_in.as_ref().unwrap().distance.as_ref().unwrap().text(), distance);
        }
    }
    #[test]
    fn a_single_use_part_from_the_shelf_counts_as_used_again() {
        let clip = after_fitting_again("", "pad_pin", Some("front".parse().unwrap()), ON);
        assert!(clip.text.starts_with("Pad pin: used again on "), "{}", clip.text);
        assert_eq!(clip.component.as_deref(), Some("pad_pin"));
        assert!(after_fitting_again("Clip 4", "pad_pin", None, ON).text.starts_with("Clip 4: used again on "));
    }
}
