//! Figures with the digits as entered, units with their exact factors, and distance in whole millimetres.
//!
//! To add a unit: one row in the `words!` list, one in [`Unit::kind`], one in [`Unit::si_per_unit`].
//! Factors are the exact definitions (NIST SP 811, Appendix B.8); the psi follows from the pound-force and the inch.
use std::{cmp::Ordering, fmt};

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use utoipa::ToSchema;

use super::words::{OdometerUnit, words};

/// A number with its digits as entered: `0.50` stays `0.50` from the request through the store to the answer.
/// An exponent gets its sign written out, so `1e3` comes back as `1e+3`: the same digits, the same number.
#[derive(Clone, Debug)]
pub struct Figure(serde_json::Number);

impl Figure {
    /// Reads a JSON number.
    ///
    /// # Errors
    /// A sentence that says what a figure looks like, for text that is no finite JSON number.
    pub fn parse(text: &str) -> Result<Self, String> {
        let number: serde_json::Number =
            text.trim().parse().map_err(|_| format!("{text:?} is not a number; write digits with a point, such as 12.5"))?;
        Self::checked(number)
    }
    fn checked(number: serde_json::Number) -> Result<Self, String> {
        // Beyond 10^15 an f64 no longer holds whole numbers apart: no instrument of a motorcycle shows such a figure.
        match number.as_f64() {
            Some(value) if value.is_finite() && value.abs() <= 1e15 && number.as_str().len() <= 40 => Ok(Self(number)),
            _ => Err("this number is too large or too long; use at most 15 digits before the point".into()),
        }
    }
    /// A computed figure, rounded to at most `decimals` places, without trailing zeros.
    #[must_use]
    pub fn rounded(value: f64, decimals: usize) -> Self {
        let text = format!("{value:.decimals$}");
        let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
        let text = if text == "-0" { "0" } else { text };
        Self(text.parse().unwrap_or_else(|_| 0.into()))
    }
    /// The figure for computing and comparing.
    #[must_use]
    pub fn value(&self) -> f64 {
        self.0.as_f64().unwrap_or(f64::NAN)
    }
    /// The digits as entered.
    #[must_use]
    pub fn text(&self) -> String {
        self.0.as_str().to_owned()
    }
}
impl From<i64> for Figure {
    fn from(value: i64) -> Self {
        Self(value.into())
    }
}
impl PartialEq for Figure {
    fn eq(&self, other: &Self) -> bool {
        self.0.as_str() == other.0.as_str()
    }
}
impl PartialOrd for Figure {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        self.value().partial_cmp(&other.value())
    }
}
impl fmt::Display for Figure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.0.as_str())
    }
}
impl Serialize for Figure {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.0.serialize(serializer)
    }
}
impl<'de> Deserialize<'de> for Figure {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Self::checked(serde_json::Number::deserialize(deserializer)?).map_err(serde::de::Error::custom)
    }
}
impl utoipa::PartialSchema for Figure {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        utoipa::openapi::ObjectBuilder::new()
            .schema_type(utoipa::openapi::schema::Type::Number)
            .description(Some("A number; the digits come back as they were entered"))
            .into()
    }
}
impl ToSchema for Figure {}

words! {
    /// A unit, spelt as in the API.
    Unit {
        Mi => "mi", Km => "km", M => "m", In => "in", Mm => "mm", ThirtySecondIn => "1/32in",
        FtLb => "ft-lb", InLb => "in-lb", Nm => "N.m", KgfM => "kgf.m",
        Psi => "psi", KPa => "kPa", Bar => "bar",
        G => "g", Oz => "oz", Kg => "kg", Lb => "lb",
        Ml => "mL", L => "L", FlOz => "fl-oz",
        V => "V", Deg => "deg", DegC => "degC", DegF => "degF",
        Lbf => "lbf", N => "N", Ohm => "ohm", Min => "min", H => "h", Percent => "percent",
    }
}
words! {
    /// What kind of quantity a unit measures; only units of one kind can be compared.
    Kind {
        Distance => "distance", Length => "length", Torque => "torque", Pressure => "pressure", Mass => "mass", Volume => "volume",
        Voltage => "voltage", Angle => "angle", Temperature => "temperature", Force => "force", Resistance => "resistance",
        Time => "time", Ratio => "ratio",
    }
}

impl Unit {
    /// The kind of quantity that this unit measures.
    #[must_use]
    pub const fn kind(self) -> Kind {
        match self {
            Self::Mi | Self::Km | Self::M => Kind::Distance,
            Self::In | Self::Mm | Self::ThirtySecondIn => Kind::Length,
            Self::FtLb | Self::InLb | Self::Nm | Self::KgfM => Kind::Torque,
            Self::Psi | Self::KPa | Self::Bar => Kind::Pressure,
            Self::G | Self::Oz | Self::Kg | Self::Lb => Kind::Mass,
            Self::Ml | Self::L | Self::FlOz => Kind::Volume,
            Self::V => Kind::Voltage,
            Self::Deg => Kind::Angle,
            Self::DegC | Self::DegF => Kind::Temperature,
            Self::Lbf | Self::N => Kind::Force,
            Self::Ohm => Kind::Resistance,
            Self::Min | Self::H => Kind::Time,
            Self::Percent => Kind::Ratio,
        }
    }
    /// How many SI units (m, N.m, Pa, kg, m³, V, degree, K, N, ohm, s, 1) one of this unit is; for
    /// temperatures the size of the degree, their zero is in [`Unit::to_si`].
    #[must_use]
    pub const fn si_per_unit(self) -> f64 {
        const INCH: f64 = 0.0254;
        const POUND_FORCE: f64 = 4.448_221_615_260_5;
        match self {
            Self::Mi => 1609.344,
            Self::Km | Self::KPa => 1000.0,
            Self::M | Self::Nm | Self::Kg | Self::V | Self::Deg | Self::DegC | Self::N | Self::Ohm => 1.0,
            Self::In => INCH,
            Self::Mm | Self::G | Self::L => 0.001,
            Self::ThirtySecondIn => 0.000_793_75,
            Self::FtLb => 1.355_817_948_331_400_4,
            Self::InLb => 0.112_984_829_027_616_7,
            Self::KgfM => 9.806_65,
            Self::Psi => POUND_FORCE / (INCH * INCH),
            Self::Bar => 100_000.0,
            Self::Oz => 0.028_349_523_125,
            Self::Lb => 0.453_592_37,
            Self::Ml => 0.000_001,
            Self::FlOz => 0.000_029_573_529_562_5,
            Self::DegF => 5.0 / 9.0,
            Self::Lbf => POUND_FORCE,
            Self::Min => 60.0,
            Self::H => 3600.0,
            Self::Percent => 0.01,
        }
    }
    /// A value in this unit as SI.
    #[must_use]
    pub fn to_si(self, value: f64) -> f64 {
        match self {
            Self::DegC => value + 273.15,
            Self::DegF => (value + 459.67) / 1.8,
            _ => value * self.si_per_unit(),
        }
    }
    /// An SI value in this unit.
    #[must_use]
    pub fn from_si(self, value: f64) -> f64 {
        match self {
            Self::DegC => value - 273.15,
            Self::DegF => value * 1.8 - 459.67,
            _ => value / self.si_per_unit(),
        }
    }
    /// The value in another unit of the same kind.
    ///
    /// # Errors
    /// A sentence that names both kinds where they differ.
    pub fn convert(self, value: f64, to: Self) -> Result<f64, String> {
        self.must_be(to.kind())?;
        Ok(if self == to { value } else { to.from_si(self.to_si(value)) })
    }
    /// Refuses a unit of another kind.
    ///
    /// # Errors
    /// A sentence that names both kinds and the units that would do.
    pub fn must_be(self, kind: Kind) -> Result<(), String> {
        if self.kind() == kind {
            return Ok(());
        }
        let good: Vec<_> = Self::ALL.iter().filter(|unit| unit.kind() == kind).map(|unit| unit.as_str()).collect();
        Err(format!("{self} is a unit of {}, but {kind} is wanted here; use {}", self.kind(), good.join(", ")))
    }
}
impl From<OdometerUnit> for Unit {
    fn from(unit: OdometerUnit) -> Self {
        match unit {
            OdometerUnit::Mi => Self::Mi,
            OdometerUnit::Km => Self::Km,
        }
    }
}

/// A figure with its unit, as entered.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"value": 18.0, "unit": "ft-lb"}))]
pub struct Quantity {
    /// The number; its digits come back as entered.
    pub value: Figure,
    /// Its unit.
    pub unit: Unit,
}

impl Quantity {
    /// A computed quantity, rounded to at most `decimals` places.
    #[must_use]
    pub fn rounded(value: f64, unit: Unit, decimals: usize) -> Self {
        Self { value: Figure::rounded(value, decimals), unit }
    }
    /// The value in SI units.
    #[must_use]
    pub fn si(&self) -> f64 {
        self.unit.to_si(self.value.value())
    }
    /// The value in another unit of the same kind.
    ///
    /// # Errors
    /// A sentence that names both kinds where they differ.
    pub fn in_unit(&self, unit: Unit) -> Result<f64, String> {
        self.unit.convert(self.value.value(), unit)
    }
}
impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.value, self.unit)
    }
}

/// A distance in whole millimetres (1 mi = 1,609,344 mm exactly).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Distance(i64);

impl Distance {
    /// No distance at all.
    pub const ZERO: Self = Self(0);
    /// The distance of so many millimetres.
    #[must_use]
    pub const fn from_mm(mm: i64) -> Self {
        Self(mm)
    }
    /// The whole millimetres.
    #[must_use]
    pub const fn mm(self) -> i64 {
        self.0
    }
    /// A figure in an odometer's unit, rounded to the nearest millimetre, halves away from zero.
    #[must_use]
    pub fn new(value: f64, unit: OdometerUnit) -> Self {
        Self::round(value * mm_per(unit.into()))
    }
    #[expect(clippy::cast_possible_truncation, reason = "figures are at most 10^15 and the cast saturates")]
    fn round(mm: f64) -> Self {
        Self(mm.round() as i64)
    }
    /// A quantity of distance, rounded to the nearest millimetre, halves away from zero.
    ///
    /// # Errors
    /// A sentence that names both kinds where the unit is not one of distance.
    pub fn from_quantity(quantity: &Quantity) -> Result<Self, String> {
        quantity.unit.must_be(Kind::Distance)?;
        Ok(Self::round(quantity.value.value() * mm_per(quantity.unit)))
    }
    /// The distance as a number of an odometer's units.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "2^53 mm are nine billion kilometres")]
    pub fn in_unit(self, unit: OdometerUnit) -> f64 {
        self.0 as f64 / mm_per(unit.into())
    }
    /// The distance as a quantity, to three decimals.
    #[must_use]
    pub fn quantity(self, unit: OdometerUnit) -> Quantity {
        Quantity::rounded(self.in_unit(unit), unit.into(), 3)
    }
    /// For people: whole units with separators, `12,345 mi`.
    #[must_use]
    pub fn words(self, unit: OdometerUnit) -> String {
        format!("{} {unit}", grouped(self.in_unit(unit)))
    }
}
impl std::ops::Add for Distance {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}
impl std::ops::Sub for Distance {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

const fn mm_per(unit: Unit) -> f64 {
    match unit {
        Unit::Mi => 1_609_344.0,
        Unit::Km => 1_000_000.0,
        _ => 1000.0,
    }
}

/// Whether two figures are equal within 1 part in 10⁹: what is equal in decimals must not differ in binary.
#[must_use]
pub fn close(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * a.abs().max(b.abs())
}

/// A number for people: rounded to whole, with separators, `12,345`.
#[must_use]
pub fn grouped(value: f64) -> String {
    let digits = format!("{:.0}", value.abs());
    let mut text = String::new();
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    if value < 0.0 && digits != "0" { format!("-{text}") } else { text }
}
