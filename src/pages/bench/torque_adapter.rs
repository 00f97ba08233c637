//! `/motorcycles/{id}/bench/torque-adapter`: the wrench with an adapter on it, both ways, and torque units.
use super::{Outcome, Row, Sheet, must_quantity, quantity, said};
use crate::{
    domain::{
        calculation::{TorqueAdapterRequest, torque_adapter},
        motorcycle::Motorcycle,
        quantity::{Quantity, Unit},
    },
    pages::form::Form,
};

/// The units of torque, as they are offered.
const TORQUES: [&str; 4] = ["N.m", "ft-lb", "in-lb", "kgf.m"];

/// The page.
#[derive(Clone, Copy, Debug)]
pub(in crate::pages) struct TorqueAdapter;
impl Sheet for TorqueAdapter {
    const PATH: &'static str = "torque-adapter";
    const TITLE: &'static str = "Torque with an adapter";
    const LEAD: &'static str = "What to set the wrench to with an adapter in line with it, or what a setting gives at the fastener. Without an adapter it converts the units.";
    fn offer(form: &mut Form, _: &Motorcycle) {
        for (name, value) in [("way", "wanted"), ("torque.unit", "N.m"), ("wrench_length.unit", "mm"), ("adapter_length.unit", "mm")] {
            form.offer(name, value);
        }
    }
    fn rows(_: &Form) -> Vec<Row> {
        vec![
            Row::choice("way", "I know", "", &[("wanted", "the torque that the fastener is to get"), ("set", "what the wrench is set to")]),
            Row::with_units("torque", "Torque", "", &TORQUES),
            Row::with_units("adapter_length", "Adapter", "From the drive’s center to the fastener’s; empty without one", &["mm", "in"]),
            Row::with_units("wrench_length", "Wrench", "From the grip’s center to the drive’s", &["mm", "in"]),
        ]
    }
    fn work_out(form: &mut Form) -> Option<Outcome> {
        let torque = must_quantity(form, "torque", "Give the torque.");
        let adapter = quantity(form, "adapter_length");
        if adapter.as_ref().is_some_and(|adapter| adapter.value.value() < 0.0) {
            form.complain("adapter_length.value", "An adapter that points back along the wrench is not worked out here; turn it forward.");
        }
        let adapter = adapter.filter(|adapter| adapter.value.value() > 0.0);
        let wrench =
            adapter.as_ref().and_then(|_| must_quantity(form, "wrench_length", "With an adapter, the wrench’s length is needed too."));
        let torque = torque.filter(|_| !form.has_problems())?;
        let Some((adapter_length, wrench_length)) = adapter.zip(wrench) else {
            return Some(plain(&torque));
        };
        let wanted = !form.is("way", "set");
        let long = adapter_length.si() > wrench_length.si();
        let asked = TorqueAdapterRequest {
            wanted: wanted.then(|| torque.clone()),
            set: (!wanted).then(|| torque.clone()),
            wrench_length,
            adapter_length,
        };
        let answer = torque_adapter(&asked).map_err(|problems| super::wrong(form, problems)).ok()?;
        let found = answer.set.or(answer.torque)?;
        let figure = said(found.value.value(), 2, found.unit);
        let mut lines = vec![if wanted { format!("Set the wrench to {figure}.") } else { format!("The fastener gets {figure}.") }];
        if long {
            lines.push("The adapter is longer than the wrench: small errors of its length weigh heavily. Check both lengths, or use a longer wrench.".into());
        }
        lines.push("It holds with the adapter in line with the wrench; at a right angle the setting stays the torque.".into());
        Some(Outcome { said: lines, table: in_units(&found), found: None, fields: Vec::new() })
    }
}

fn plain(torque: &Quantity) -> Outcome {
    let said = vec![format!("{torque} in other units:")];
    Outcome { said, table: in_units(torque), found: None, fields: Vec::new() }
}
/// The torque in every unit.
fn in_units(torque: &Quantity) -> Vec<(String, String)> {
    let units = TORQUES.iter().filter_map(|unit| unit.parse::<Unit>().ok());
    units.map(|unit| (format!("in {unit}"), said(unit.from_si(torque.si()), 2, unit))).collect()
}
