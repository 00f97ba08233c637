//! The usual operations for a motorcycle's first evening: what is looked after on every motorcycle, and what its final drive adds.
//!
//! Common practice, no source. There are no figures here: distances and months come from the maker's service manual.
use super::words::{FinalDrive, Operation, Position};

/// One usual operation.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Usual {
    /// The component's key.
    pub component: &'static str,
    /// Where.
    pub position: Option<Position>,
    /// What is done.
    pub operation: Operation,
}

type Row = (&'static str, Option<&'static str>, Operation);

const EVERY: &[Row] = &[
    ("engine_oil", None, Operation::Replace),
    ("oil_filter", None, Operation::Replace),
    ("air_filter", None, Operation::Inspect),
    ("air_filter", None, Operation::Replace),
    ("spark_plug", None, Operation::Replace),
    ("valves", None, Operation::Inspect),
    ("brake_pads", Some("front"), Operation::Inspect),
    ("brake_pads", Some("rear"), Operation::Inspect),
    ("brake_fluid", None, Operation::Replace),
    ("brake_hose", None, Operation::Replace),
    ("fuel_hose", None, Operation::Inspect),
    ("tire", Some("front"), Operation::Inspect),
    ("tire", Some("rear"), Operation::Inspect),
    ("wheel_bearing", Some("front"), Operation::Inspect),
    ("wheel_bearing", Some("rear"), Operation::Inspect),
    ("steering_bearing", None, Operation::Inspect),
    ("swingarm_bearing", None, Operation::Inspect),
    ("fork_oil", None, Operation::Replace),
    ("throttle_cable", None, Operation::Inspect),
    ("battery", None, Operation::Inspect),
    ("roadworthiness_test", None, Operation::Record),
];
const CHAIN: &[Row] = &[
    ("drive_chain", None, Operation::Lubricate),
    ("drive_chain", None, Operation::Adjust),
    ("drive_chain", None, Operation::Replace),
    ("sprocket", Some("front"), Operation::Inspect),
    ("sprocket", Some("rear"), Operation::Inspect),
    ("cush_drive", None, Operation::Inspect),
];
const BELT: &[Row] = &[
    ("drive_belt", None, Operation::Inspect),
    ("drive_belt", None, Operation::Measure),
    ("drive_belt", None, Operation::Replace),
    ("sprocket", Some("front"), Operation::Inspect),
    ("sprocket", Some("rear"), Operation::Inspect),
];
const SHAFT: &[Row] = &[("final_drive_oil", None, Operation::Replace), ("cush_drive", None, Operation::Inspect)];

/// The usual operations on a motorcycle with this final drive.
#[must_use]
pub fn operations(drive: FinalDrive) -> Vec<Usual> {
    let own = match drive {
        FinalDrive::Belt => BELT,
        FinalDrive::Chain => CHAIN,
        FinalDrive::Shaft => SHAFT,
    };
    let usual = |&(component, position, operation): &Row| {
        // A position that does not parse is left out; the test below sees to it that none is.
        Usual { component, position: position.and_then(|text| text.parse().ok()), operation }
    };
    EVERY.iter().chain(own).map(usual).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::words::COMPONENTS;

    #[test]
    fn every_usual_operation_is_about_a_component_and_position_there_is() {
        for (component, position, _) in EVERY.iter().chain(CHAIN).chain(BELT).chain(SHAFT) {
            assert!(COMPONENTS.iter().any(|(key, ..)| key == component), "{component}");
            assert!(position.is_none_or(|text| text.parse::<Position>().is_ok()), "{position:?}");
        }
    }
    #[test]
    fn a_drive_has_its_own_and_not_those_of_another() {
        let has = |drive, component: &str| operations(drive).iter().any(|usual| usual.component == component);
        for (drive, own, other) in [
            (FinalDrive::Belt, "drive_belt", "drive_chain"),
            (FinalDrive::Chain, "drive_chain", "final_drive_oil"),
            (FinalDrive::Shaft, "final_drive_oil", "drive_belt"),
        ] {
            assert!(has(drive, own) && has(drive, "engine_oil") && !has(drive, other), "{drive}");
            let all = operations(drive);
            assert!(all.iter().enumerate().all(|(place, usual)| !all[..place].contains(usual)), "{drive}");
        }
    }
}
