//! Cautions that belong to components: what can hurt someone, or spoil a brake, when that component is worked on.
//!
//! The sources are publications of public bodies; the sentences are our own.
use serde::Serialize;
use utoipa::ToSchema;

/// What every sheet and page with a torque, a limit or an interval says.
pub const GENERAL: &str = "The maker's service manual for this exact motorcycle and the local rules come first. Have safety-critical work \
                           checked by a qualified person.";

/// A caution.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Caution {
    /// What to mind.
    pub text: &'static str,
    /// Where it comes from.
    pub source: &'static str,
}

struct Row {
    caution: Caution,
    /// The components that it belongs to; empty: to any work.
    components: &'static [&'static str],
}
const fn row(text: &'static str, source: &'static str, components: &'static [&'static str]) -> Row {
    Row { caution: Caution { text, source }, components }
}

const ROWS: &[Row] = &[
    row(
        "Dust of brakes and clutches may hold asbestos: catch it with a HEPA vacuum in an enclosure, or clean wet. For up to 5 pairs of \
         brakes or 5 clutches a week the simple wet method will do.",
        "29 CFR 1910.1001 Appendix F",
        &["brake_pads", "brake_disc", "brake_caliper", "pad_pin", "clutch_plates"],
    ),
    row(
        "Keep a household vacuum away from brake dust: the fibers pass its filter and are stirred up.",
        "EPA 560/OPTS-86-002 (June 1986)",
        &["brake_pads", "brake_disc", "brake_caliper", "clutch_plates"],
    ),
    row(
        "Wet the parts, wipe them, bag the cloth. Never brush them dry.",
        "OSHA guidance on the solvent spray method",
        &["brake_pads", "brake_disc", "brake_caliper", "clutch_plates"],
    ),
    row(
        "Compressed air for cleaning stays below 30 psi, with a guard against chips and eye protection; never toward people or clothing.",
        "29 CFR 1910.242(b)",
        &["air_filter", "brake_caliper", "radiator", "spark_plug", "throttle_cable"],
    ),
    row(
        "Keep brake fluid clean and dry in its own closed container: water or oil in it can make the brakes fail.",
        "49 CFR 571.116 S5.2.2.2(g)",
        &["brake_fluid", "master_cylinder", "brake_hose", "brake_caliper", "clutch_fluid"],
    ),
    row(
        "Clean the reservoir's cap before you open it. Fill only the fluid that it names, from a container that was sealed.",
        "49 CFR 571.135 S5.4.3 (cars); for motorcycles common practice, no source",
        &["brake_fluid", "master_cylinder", "clutch_fluid"],
    ),
    row(
        "Grease sparingly where brakes pivot: too much of it reaches the lining and weakens the brake.",
        "TM 9-879 paragraph 20c(1)",
        &["brake_pads", "brake_caliper", "pad_pin", "wheel_bearing"],
    ),
    row(
        "Brakes and hubs are hot after a ride and can burn you.",
        "TM 5-3825-225-14P",
        &["brake_pads", "brake_disc", "brake_caliper", "pad_pin", "wheel", "wheel_bearing", "axle", "tire", "exhaust"],
    ),
    row("Battery acid burns: wear goggles and gloves. Take the negative cable off first.", "TM 5-3805-262-20 paragraph 5-9", &["battery"]),
    row(
        "Cleaning solvent is poisonous and burns: fresh air, gloves, no flame.",
        "TM 9-2320-279-10-3",
        &["drive_chain", "sprocket", "air_filter", "wheel_bearing", "steering_bearing", "swingarm_bearing", "fuel_filter", "fuel_hose"],
    ),
    row(
        "Let an engine that ran hot cool down by itself before you open the coolant cap.",
        "Highway Code (UK), Annex 6",
        &["coolant", "coolant_hose", "radiator"],
    ),
    row(
        "Torques come from the maker's manual. A general table is only for where none is given, and never for screws that hold rubber parts.",
        "AC 43.13-1B paragraph 7-40(i); TB 43-0218 paragraph 8",
        &[],
    ),
    row(
        "A jack lifts, a stand holds: secure the motorcycle before you work under it or take a wheel out.",
        "29 CFR 1910.244(a)(2)",
        &[
            "wheel",
            "wheel_bearing",
            "axle",
            "tire",
            "swingarm_bearing",
            "steering_bearing",
            "shock_absorber",
            "fork_seal",
            "fork_oil",
            "stand",
        ],
    ),
    row(
        "Nobody is under the machine while it is started or moved.",
        "TM 10-3930-671-24 Appendix E",
        &["engine_oil", "gearbox_oil", "final_drive_oil", "drive_chain", "drive_belt", "exhaust", "stand"],
    ),
];

/// The cautions that belong to these components, each once, in their order; with those that belong to any work.
#[must_use]
pub fn for_components<'c>(components: impl IntoIterator<Item = &'c str>) -> Vec<Caution> {
    let touched: Vec<_> = components.into_iter().collect();
    if touched.is_empty() {
        return Vec::new();
    }
    let belongs = |row: &&Row| row.components.is_empty() || row.components.iter().any(|component| touched.contains(component));
    ROWS.iter().filter(belongs).map(|row| row.caution).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::words::COMPONENTS;

    #[test]
    fn every_caution_belongs_to_components_there_are_and_has_a_source() {
        for row in ROWS {
            for component in row.components {
                assert!(COMPONENTS.iter().any(|(key, ..)| key == component), "{component}");
            }
            assert!(row.caution.source.len() > 5 && row.caution.text.ends_with('.'), "{:?}", row.caution);
        }
    }
    #[test]
    fn a_component_brings_its_own_cautions() {
        let says = |component: &str, word: &str| for_components([component]).iter().any(|caution| caution.text.contains(word));
        assert!(says("battery", "acid") && !says("battery", "asbestos"));
        assert!(says("brake_pads", "asbestos") && says("brake_fluid", "container"));
        assert!(says("engine_oil", "manual"), "what belongs to any work");
        let twice = for_components(["brake_pads", "brake_disc"]);
        assert!(twice.iter().enumerate().all(|(place, caution)| !twice[..place].contains(caution)));
        assert_eq!(for_components([]), []);
    }
}
