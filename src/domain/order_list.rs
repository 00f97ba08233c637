//! What to order for the work that waits in the whole workshop: the job sheets' parts, the same things added up.
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{due::MotorcycleRef, job_sheet::ToHave, quantity::Quantity, words::Position};

/// One motorcycle that something is for.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct OrderedFor {
    /// The motorcycle.
    pub motorcycle: MotorcycleRef,
    /// How many of them.
    pub count: u32,
    /// Why.
    pub because: String,
}
/// Something to order, and for which motorcycles.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct OrderLine {
    /// The component's key.
    pub component: String,
    /// Where it goes.
    pub position: Option<Position>,
    /// What it is.
    pub description: String,
    /// Its number.
    pub part_number: Option<String>,
    /// How many in all.
    pub count: u32,
    /// How much in all, for a fluid of which it is known.
    pub quantity: Option<Quantity>,
    /// For which motorcycles.
    pub motorcycles: Vec<OrderedFor>,
}
/// What to order.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct OrderList {
    /// The lines, by component and description.
    pub lines: Vec<OrderLine>,
    /// How many motorcycles with work waiting are not in it, because the list would get too long.
    pub left_out: usize,
}

impl OrderList {
    /// Adds what one motorcycle needs. The same number of the same component is one line; without a number the same description at the
    /// same place is. Two units of one fluid stay two lines.
    pub fn add(&mut self, motorcycle: &MotorcycleRef, parts: Vec<ToHave>) {
        for part in parts {
            let same = |line: &&mut OrderLine| {
                line.component == part.component
                    && line.part_number == part.part_number
                    && (part.part_number.is_some() || line.description == part.description && line.position == part.position)
                    && line.quantity.as_ref().map(|quantity| quantity.unit) == part.quantity.as_ref().map(|quantity| quantity.unit)
            };
            let ordered = OrderedFor { motorcycle: motorcycle.clone(), count: part.count, because: part.because.clone() };
            if let Some(line) = self.lines.iter_mut().find(same) {
                line.count += part.count;
                if line.position != part.position {
                    line.position = None;
                }
                line.quantity = line
                    .quantity
                    .take()
                    .zip(part.quantity)
                    .map(|(sum, more)| Quantity::rounded(sum.value.value() + more.value.value(), sum.unit, 6));
                line.motorcycles.push(ordered);
                continue;
            }
            self.lines.push(OrderLine {
                component: part.component,
                position: part.position,
                description: part.description,
                part_number: part.part_number,
                count: part.count,
                quantity: part.quantity,
                motorcycles: vec![ordered],
            });
        }
        self.lines.sort_by(|one, other| (&one.component, &one.description).cmp(&(&other.component, &other.description)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::{
        id::Id,
        quantity::{Figure, Unit},
    };

    fn to_have(component: &str, number: Option<&str>, position: Option<&str>, liters: Option<&str>) -> ToHave {
        ToHave {
            component: component.into(),
            position: position.map(|position| position.parse().unwrap()),
            description: component.into(),
            part_number: number.map(Into::into),
            count: 1,
            quantity: liters.map(|text| Quantity { value: Figure::parse(text).unwrap(), unit: Unit::L }),
            because: "It is due.".into(),
        }
    }

    #[test]
    fn the_same_things_for_several_motorcycles_are_one_line() {
        let bike = |number: u128| MotorcycleRef { id: Id::new(uuid::Uuid::from_u128(number)), name: format!("Courier {number}") };
        let mut list = OrderList::default();
        let pads = |number, position| to_have("brake_pads", number, Some(position), None);
        list.add(&bike(1), vec![pads(Some("BP-7"), "rear"), to_have("engine_oil", None, None, Some("3.1")), pads(None, "front")]);
        list.add(&bike(2), vec![pads(Some("BP-7"), "front"), to_have("engine_oil", None, None, Some("2.9")), pads(None, "rear")]);
        let lines: Vec<_> = list.lines.iter().map(|line| (line.component.as_str(), line.count, line.motorcycles.len())).collect();
        assert_eq!(lines, [("brake_pads", 2, 2), ("brake_pads", 1, 1), ("brake_pads", 1, 1), ("engine_oil", 2, 2)]);
        assert_eq!((list.lines[0].position, list.lines[3].quantity.as_ref().unwrap().value.value().to_string()), (None, "6".into()));
    }
}
