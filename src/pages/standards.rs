//! What the forms for rules, limits and fasteners have in common: fields of a noun as dotted names, quantities, intervals, conditions.
use serde::Serialize;
use serde_json::Value;

use super::form::Form;
use crate::{
    actions::{Work, component, motorcycle},
    domain::{
        component::Component,
        id::Id,
        motorcycle::Motorcycle,
        quantity::{Kind, Quantity, Unit},
        rule::{AppliesToBike, Limbs, Margin, Years},
        words::{FinalDrive, OdometerUnit},
    },
    error::{Error, Result},
};

/// Value and words of an option.
pub type Options = Vec<(String, String)>;

/// The fields of a noun with what stands in them: `/every/distance/value` is `every.distance.value`; a list of words is ticked boxes.
///
/// # Errors
/// Where it cannot be written as JSON.
pub fn fields<T: Serialize>(noun: &T) -> Result<Form> {
    let mut pairs = Vec::new();
    flatten("", &serde_json::to_value(noun).map_err(Error::internal)?, &mut pairs);
    Ok(Form::showing(pairs.iter().map(|(name, value): &(String, String)| (name.as_str(), value.clone()))))
}
fn flatten(name: &str, value: &Value, pairs: &mut Vec<(String, String)>) {
    let below = |part: &str| if name.is_empty() { part.to_owned() } else { format!("{name}.{part}") };
    match value {
        Value::Null => pairs.push((name.into(), String::new())),
        Value::Bool(true) => pairs.push((name.into(), "yes".into())),
        Value::Bool(false) => {}
        Value::String(text) => pairs.push((name.into(), text.clone())),
        Value::Number(number) => pairs.push((name.into(), number.to_string())),
        Value::Array(all) if all.iter().all(Value::is_string) => {
            pairs.extend(all.iter().filter_map(Value::as_str).map(|word| (name.to_owned(), word.to_owned())));
        }
        Value::Array(all) => {
            for (place, one) in all.iter().enumerate() {
                flatten(&below(&place.to_string()), one, pairs);
            }
        }
        Value::Object(all) => {
            for (part, one) in all {
                flatten(&below(part), one, pairs);
            }
        }
    }
}

/// A figure with the unit chosen beside it.
pub fn quantity(form: &mut Form, name: &str) -> Option<Quantity> {
    let value = form.figure(&format!("{name}.value"))?;
    let unit = form.chosen(&format!("{name}.unit")).unwrap_or(Unit::Km);
    Some(Quantity { value, unit })
}
/// An interval; `None` where all of it was left empty.
pub fn limbs(form: &mut Form, name: &str) -> Option<Limbs> {
    let limbs = Limbs {
        distance: quantity(form, &format!("{name}.distance")),
        hours: form.figure(&format!("{name}.hours")),
        months: form.whole(&format!("{name}.months")),
    };
    (limbs != Limbs::default()).then_some(limbs)
}
/// A lead or grace.
pub fn margin(form: &mut Form, name: &str) -> Margin {
    Margin {
        distance: quantity(form, &format!("{name}.distance")),
        hours: form.figure(&format!("{name}.hours")),
        days: form.whole(&format!("{name}.days")),
    }
}
/// Model years; `None` where both were left empty.
pub fn years(form: &mut Form) -> Option<Years> {
    let years = Years { from: form.whole("applies_to.years.from"), to: form.whole("applies_to.years.to") };
    (years != Years::default()).then_some(years)
}
/// Which motorcycles it is for.
pub fn applies_to(form: &mut Form) -> AppliesToBike {
    AppliesToBike {
        motorcycle_id: form.chosen("applies_to.motorcycle_id"),
        make: form.optional("applies_to.make"),
        model: form.optional("applies_to.model"),
        years: years(form),
    }
}

/// The choices that these forms offer.
#[derive(Debug)]
pub struct Choices {
    /// The components themselves.
    pub known: Vec<Component>,
    /// Components by name.
    pub components: Options,
    /// Positions, none first.
    pub positions: Options,
    /// Final drives, any first.
    pub drives: Options,
    /// Units of distance.
    pub distances: Options,
    /// Units of force.
    pub forces: Options,
    /// All units.
    pub units: Options,
}
impl Choices {
    /// What a workshop offers; the odometer unit that it uses stands first.
    ///
    /// # Errors
    /// Where the database refuses.
    pub async fn of(work: &mut Work) -> Result<Self> {
        let known = component::all(work).await?;
        let mut components: Options = known.iter().map(|one| (one.key.clone(), one.name.clone())).collect();
        components.sort_by(|one, other| one.1.cmp(&other.1));
        let (first, second) = match work.workshop.default_unit {
            OdometerUnit::Mi => (Unit::Mi, Unit::Km),
            OdometerUnit::Km => (Unit::Km, Unit::Mi),
        };
        let same = |unit: Unit| (unit.to_string(), unit.to_string());
        Ok(Self {
            known,
            components,
            positions: positions(),
            drives: std::iter::once((String::new(), "any".into()))
                .chain(FinalDrive::ALL.iter().map(|drive| (drive.to_string(), drive.to_string())))
                .collect(),
            distances: vec![same(first), same(second)],
            forces: of_kind(Kind::Force),
            units: Unit::ALL.iter().copied().map(same).collect(),
        })
    }
}
fn of_kind(kind: Kind) -> Options {
    Unit::ALL.iter().filter(|unit| unit.kind() == kind).map(|unit| (unit.to_string(), unit.to_string())).collect()
}
/// The positions that are asked for most, none first; any other comes in over the API.
fn positions() -> Options {
    let known = ["front", "rear", "left", "right", "upper", "lower", "front_left", "front_right", "rear_left", "rear_right"];
    std::iter::once((String::new(), "none".into())).chain(known.iter().map(|word| ((*word).to_owned(), word.replace('_', " ")))).collect()
}

/// Words of a list of enum values, with spaces.
pub fn words<T: ToString>(all: &[T]) -> Options {
    all.iter().map(|word| (word.to_string(), word.to_string().replace('_', " "))).collect()
}

/// Which motorcycles a rule, limit or fastener is for, in words.
pub struct For {
    /// The one motorcycle, where it is for one alone.
    pub only: Option<(Id<Motorcycle>, String)>,
    /// Everything else that it asks for.
    pub others: String,
}
/// Who a thing is for.
///
/// # Errors
/// Where the database refuses.
pub async fn meant_for(work: &mut Work, applies_to: &AppliesToBike) -> Result<For> {
    let only = match applies_to.motorcycle_id {
        Some(id) => motorcycle::get(work, id).await.ok().map(|bike| (id, bike.name)),
        None => None,
    };
    let mut others: Vec<String> = [&applies_to.make, &applies_to.model].into_iter().flatten().cloned().collect();
    match applies_to.years.as_ref().map(|years| (years.from, years.to)) {
        Some((Some(from), Some(to))) => others.push(format!("{from} to {to}")),
        Some((Some(from), None)) => others.push(format!("from {from}")),
        Some((None, Some(to))) => others.push(format!("up to {to}")),
        _ => {}
    }
    Ok(For { only, others: others.join(", ") })
}
impl For {
    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        match &self.only {
            Some((_, name)) => name.clone(),
            None if self.others.is_empty() => "all motorcycles".into(),
            None => self.others.clone(),
        }
    }
}

/// A row of a list of rules, limits or fasteners.
pub struct Row {
    /// Where it is changed.
    pub href: String,
    /// What it is called.
    pub name: String,
    /// Which motorcycles it is for, and what else belongs to it.
    pub about: String,
    /// Its figures.
    pub figures: String,
}

/// The name of the one motorcycle that a form is for, where it is for one alone.
///
/// # Errors
/// Where the database refuses.
pub async fn only_for(work: &mut Work, form: &Form) -> Result<Option<String>> {
    let applies_to = AppliesToBike { motorcycle_id: form.value("applies_to.motorcycle_id").parse().ok(), ..AppliesToBike::default() };
    Ok(meant_for(work, &applies_to).await?.only.map(|only| only.1))
}
