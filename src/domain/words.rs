//! The words of the trade as types: positions, operations, what is measured, conditions of parts.
use std::{fmt, str::FromStr};

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use utoipa::ToSchema;

/// Gives an enum of plain words its text, its parser and the list of all its words, so that the
/// three cannot disagree.
macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$word_doc:meta])* $variant:ident => $text:literal,)+ }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum $name { $(#[doc = concat!("`", $text, "`")] $(#[$word_doc])* #[serde(rename = $text)] $variant,)+ }
        impl $name {
            /// Every word there is, in the order in which they are listed to people.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)+];
            /// The word as it stands in the API and in the store.
            #[must_use]
            pub const fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $text,)+ }
            }
        }
        // Written out because the derive does not see a `rename` that comes out of a macro.
        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                utoipa::openapi::ObjectBuilder::new()
                    .schema_type(utoipa::openapi::schema::Type::String)
                    .enum_values(Some([$($text,)+]))
                    .into()
            }
        }
        impl utoipa::ToSchema for $name {
            fn name() -> std::borrow::Cow<'static, str> {
                stringify!($name).into()
            }
        }
        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.pad(self.as_str())
            }
        }
        impl std::str::FromStr for $name {
            type Err = String;
            fn from_str(text: &str) -> Result<Self, String> {
                Self::ALL.iter().copied().find(|word| word.as_str() == text).ok_or_else(|| {
                    let known: Vec<_> = Self::ALL.iter().map(|word| word.as_str()).collect();
                    format!("{text:?} is not known here; use one of {}", known.join(", "))
                })
            }
        }
    };
}
pub(crate) use words;

words! {
    /// What is done to a component.
    Operation {
        Inspect => "inspect", Clean => "clean", Adjust => "adjust", Lubricate => "lubricate", Tighten => "tighten",
        Replace => "replace", Repair => "repair", Measure => "measure", Fit => "fit", Remove => "remove", Record => "record",
    }
}
words! {
    /// How the engine's power gets to the rear wheel.
    FinalDrive { Belt => "belt", Chain => "chain", Shaft => "shaft", }
}
words! {
    /// The unit that an odometer counts in.
    OdometerUnit { Mi => "mi", Km => "km", }
}
words! {
    /// The three statements about a distance (49 CFR 580.5). `not_actual` is sticky.
    DistanceStatus { Actual => "actual", ExceedsMechanicalLimits => "exceeds_mechanical_limits", NotActual => "not_actual", }
}
words! {
    /// What a part was when it was fitted.
    Condition { New => "new", Used => "used", Rebuilt => "rebuilt", }
}
words! {
    /// The quantity that a measurement is about.
    Measurand {
        Thickness => "thickness", TreadDepth => "tread_depth", Runout => "runout", Deflection => "deflection", Pressure => "pressure",
        Voltage => "voltage", Clearance => "clearance", FreePlay => "free_play", Length => "length", Diameter => "diameter",
        Resistance => "resistance", Temperature => "temperature", Mass => "mass", Volume => "volume", Angle => "angle",
        AlignmentDifference => "alignment_difference", Elongation => "elongation", Compression => "compression",
    }
}
words! {
    /// What a value outside a limit means: adjust it, replace it, or it is not legal on the road.
    LimitKind { Adjust => "adjust", Wear => "wear", Legal => "legal", }
}
words! {
    /// How several readings become one figure.
    Reduce { Max => "max", Min => "min", Mean => "mean", Range => "range", Last => "last", }
}
words! {
    /// How a measured value stands to its limits; the later word is the worse one.
    Verdict { NoLimit => "no_limit", Within => "within", TooCloseToCall => "too_close_to_call", Outside => "outside", }
}
words! {
    /// How the thread of a fastener is prepared.
    Thread {
        CleanDry => "clean_dry", Oiled => "oiled", ThreadLockerLow => "thread_locker_low", ThreadLockerMedium => "thread_locker_medium",
        ThreadLockerHigh => "thread_locker_high", AntiSeize => "anti_seize", Sealant => "sealant",
    }
}
words! {
    /// The order in which several fasteners are tightened.
    Pattern { Star => "star", Cross => "cross", Sequence => "sequence", }
}
words! {
    /// What became of a single-use fastener that the work disturbed.
    SingleUse { Replaced => "replaced", Reused => "reused", }
}
words! {
    /// Which of several limbs decides: the first that is reached, or the last.
    Whichever { First => "first", Last => "last", }
}
words! {
    /// What an interval is counted from.
    CountsFrom { LastDone => "last_done", Schedule => "schedule", }
}
words! {
    /// Whether a rule is about the motorcycle or about each part of its component.
    Scope { Motorcycle => "motorcycle", Part => "part", }
}
words! {
    /// How a due item stands on a date.
    Status { Overdue => "overdue", Due => "due", NearlyDue => "nearly_due", Later => "later", NoHistory => "no_history", }
}
words! {
    /// The limb that sets the day an item comes due.
    Governs { Distance => "distance", Hours => "hours", Time => "time", Wear => "wear", FollowUp => "follow_up", }
}
words! {
    /// The two counters a motorcycle may have: one arithmetic serves both.
    CounterKind { Odometer => "odometer", Hours => "hours", }
}
words! {
    /// What happened to an instrument.
    InstrumentChange { Replaced => "replaced", RolledOver => "rolled_over", }
}
words! {
    /// Where a follow-up stands.
    FollowUpStatus { Open => "open", Done => "done", Dropped => "dropped", }
}
words! {
    /// What a person is in a workshop; one person may be several of these.
    Role { Manager => "manager", Mechanic => "mechanic", Owner => "owner", }
}
words! {
    /// A day of the week.
    Weekday {
        Monday => "monday", Tuesday => "tuesday", Wednesday => "wednesday", Thursday => "thursday", Friday => "friday",
        Saturday => "saturday", Sunday => "sunday",
    }
}
words! {
    /// How often a report is mailed.
    Frequency { Off => "off", Daily => "daily", Weekly => "weekly", Monthly => "monthly", }
}
words! {
    /// What a token may do; each scope includes none of the others.
    TokenScope { Read => "read", Write => "write", Admin => "admin", }
}

/// Where on the motorcycle: front, rear, left, right, upper, lower or a combination in that order.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Position(u8);

impl Position {
    /// The single words, in the order in which combinations join them.
    pub const WORDS: [&'static str; 6] = ["front", "rear", "left", "right", "upper", "lower"];
}
impl FromStr for Position {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let mut bits = 0_u8;
        for word in text.split('_') {
            match Self::WORDS.iter().position(|known| *known == word) {
                // A higher bit already set means: out of order or said twice.
                Some(place) if bits >> place == 0 => bits |= 1 << place,
                _ => {
                    return Err(format!(
                        "{text:?} is not a position; use {} or a combination joined by _ in that order, such as front_left",
                        Self::WORDS.join(", ")
                    ));
                }
            }
        }
        Ok(Self(bits))
    }
}
impl fmt::Display for Position {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let words: Vec<_> = (0..6).filter(|place| self.0 >> place & 1 == 1).map(|place| Self::WORDS[place]).collect();
        f.pad(&words.join("_"))
    }
}
impl fmt::Debug for Position {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}
impl Serialize for Position {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}
impl<'de> Deserialize<'de> for Position {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
    }
}
impl utoipa::PartialSchema for Position {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        utoipa::openapi::ObjectBuilder::new()
            .schema_type(utoipa::openapi::schema::Type::String)
            .description(Some("front, rear, left, right, upper, lower, or a combination joined by _ in that order"))
            .pattern(Some("^(?=.)(front)?(_?rear)?(_?left)?(_?right)?(_?upper)?(_?lower)?$"))
            .examples(["rear", "front_left"])
            .into()
    }
}
impl ToSchema for Position {}

/// A component that is always there: its key, its name, and whether it is a part (fluids, tests and
/// openings are not: nothing of them is fitted or has an age of its own).
pub const COMPONENTS: &[(&str, &str, bool)] = &[
    ("roadworthiness_test", "Roadworthiness test", false),
    ("engine_oil", "Engine oil", false),
    ("oil_filter", "Oil filter", true),
    ("air_filter", "Air filter", true),
    ("fuel_filter", "Fuel filter", true),
    ("fuel_hose", "Fuel hose", true),
    ("spark_plug", "Spark plug", true),
    ("valves", "Valves", false),
    ("coolant", "Coolant", false),
    ("coolant_hose", "Coolant hose", true),
    ("radiator", "Radiator", true),
    ("final_drive_oil", "Final drive oil", false),
    ("gearbox_oil", "Gearbox oil", false),
    ("drive_chain", "Drive chain", true),
    ("drive_belt", "Drive belt", true),
    ("sprocket", "Sprocket", true),
    ("cush_drive", "Cush drive", true),
    ("swingarm_bearing", "Swingarm bearing", true),
    ("brake_pads", "Brake pads", true),
    ("brake_disc", "Brake disc", true),
    ("brake_caliper", "Brake caliper", true),
    ("brake_hose", "Brake hose", true),
    ("brake_fluid", "Brake fluid", false),
    ("master_cylinder", "Master cylinder", true),
    ("pad_pin", "Pad pin", true),
    ("tire", "Tire", true),
    ("wheel", "Wheel", true),
    ("wheel_bearing", "Wheel bearing", true),
    ("axle", "Axle", true),
    ("fork_oil", "Fork oil", false),
    ("fork_seal", "Fork seal", true),
    ("shock_absorber", "Shock absorber", true),
    ("steering_bearing", "Steering bearing", true),
    ("clutch_plates", "Clutch plates", true),
    ("clutch_cable", "Clutch cable", true),
    ("clutch_fluid", "Clutch fluid", false),
    ("throttle_cable", "Throttle cable", true),
    ("battery", "Battery", true),
    ("exhaust", "Exhaust", true),
    ("lights", "Lights", true),
    ("stand", "Stand", true),
];
