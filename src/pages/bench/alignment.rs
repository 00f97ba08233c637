//! `/motorcycles/{id}/bench/alignment`: how the rear axle sits, and the slack of belt or chain around one turn of the wheel.
use super::{Outcome, Row, Sheet, count, quantity, readings, said};
use crate::{
    actions::service::add::Found,
    domain::{
        motorcycle::Motorcycle,
        quantity::{Figure, Unit},
        service::NewMeasured,
        wheel::{axle_alignment, tightest},
        words::{FinalDrive, Measurand, Reduce},
    },
    pages::{form::Form, words},
};

/// The page.
#[derive(Clone, Copy, Debug)]
pub(in crate::pages) struct Alignment;
impl Sheet for Alignment {
    const PATH: &'static str = "alignment";
    const TITLE: &'static str = "Alignment and slack";
    const LEAD: &'static str = "The axle from the swingarm pivot on both sides, and the belt’s or chain’s deflection while the wheel is turned. Fill in either or both.";
    const COUNTS: &'static [usize] = &[3, 4, 6, 8];
    fn offer(form: &mut Form, bike: &Motorcycle) {
        let drive = if bike.final_drive == FinalDrive::Belt { "drive_belt" } else { "drive_chain" };
        for (name, value) in [("position", "rear"), ("unit", "mm"), ("component", drive), ("deflection_unit", "mm"), ("force.unit", "N")] {
            form.offer(name, value);
        }
    }
    fn rows(form: &Form) -> Vec<Row> {
        let lengths = [("mm", "mm"), ("in", "in")];
        let mut rows = vec![
            Row::Heading("Axle"),
            Row::figure("distances.0", "Pivot to axle, left", "", ""),
            Row::figure("distances.1", "Pivot to axle, right", "", ""),
            Row::choice("unit", "Unit", "", &lengths),
            Row::choice("position", "Which axle", "", &[("rear", "Rear"), ("front", "Front")]),
            Row::Heading("Belt or chain"),
            Row::choice("component", "Which", "", &[("drive_chain", "Drive chain"), ("drive_belt", "Drive belt")]),
        ];
        for place in 0..count(form, Self::COUNTS) {
            rows.push(Row::figure(format!("deflections.{place}"), format!("Deflection at place {}", place + 1), "", ""));
        }
        rows.push(Row::choice("deflection_unit", "Unit", "", &lengths));
        rows.push(Row::with_units("force", "Pressed with", "Where the manual names a force", &["N", "lbf"]));
        rows
    }
    fn work_out(form: &mut Form) -> Option<Outcome> {
        let many = count(form, Self::COUNTS);
        let typed = |form: &Form, name: &str, many: usize| (0..many).any(|place| form.optional(&format!("{name}.{place}")).is_some());
        let (axle, slack) = (typed(form, "distances", 2), typed(form, "deflections", many));
        if !axle && !slack {
            form.complain("distances.0", "Give the distances on both sides, or the deflections below.");
            return None;
        }
        let mut outcome = Outcome { said: Vec::new(), table: Vec::new(), found: None, fields: Vec::new() };
        let mut found = Found { summary: String::new(), measured: Vec::new(), note: String::new() };
        if axle {
            aligned(form, &mut outcome, &mut found)?;
        }
        if slack {
            slackness(form, many, &mut outcome, &mut found)?;
        }
        found.note = outcome.said.join(" ");
        found.summary = match (axle, slack) {
            (true, true) => "Axle alignment and slack measured".into(),
            (true, false) => "Axle alignment measured".into(),
            (false, _) => "Slack measured".into(),
        };
        outcome.found = Some(found);
        Some(outcome)
    }
}

fn line(component: &str, quantity: Measurand, readings: Vec<Figure>, unit: Unit) -> NewMeasured {
    NewMeasured {
        component: component.to_owned(),
        position: None,
        quantity,
        readings,
        unit,
        reduce: None,
        resolution: None,
        uncertainty: None,
        at_force: None,
        installed_part_id: None,
    }
}

fn aligned(form: &mut Form, outcome: &mut Outcome, found: &mut Found) -> Option<()> {
    let unit = form.chosen("unit").unwrap_or(Unit::Mm);
    for (place, side) in ["left", "right"].iter().enumerate() {
        let field = format!("distances.{place}");
        let figure = form.must(&field, &format!("Measure it on the {side} too.")).and_then(|_| form.figure(&field));
        if figure.is_some_and(|figure| figure.value() <= 0.0) {
            form.complain(&field, "A distance is more than 0.");
        }
    }
    let distances = readings(form, "distances", 2).filter(|_| !form.has_problems())?;
    let axle = axle_alignment(distances[0].value(), distances[1].value());
    let difference = said(axle.difference, 4, unit);
    outcome.said.push(axle.back.map_or_else(
        || "The axle sits equally far back on both sides.".to_owned(),
        |side| format!("The axle sits {difference} further back on the {side}."),
    ));
    outcome.table.push(("Difference of the axle".into(), difference));
    outcome.fields.push("distances");
    let position = form.chosen("position");
    let measured = line("axle", Measurand::AlignmentDifference, distances, unit);
    found.measured.push(NewMeasured { position, reduce: Some(Reduce::Range), ..measured });
    Some(())
}

fn slackness(form: &mut Form, many: usize, outcome: &mut Outcome, found: &mut Found) -> Option<()> {
    let unit = form.chosen("deflection_unit").unwrap_or(Unit::Mm);
    let deflections = readings(form, "deflections", many)?;
    let at_force = quantity(form, "force");
    for (place, figure) in deflections.iter().enumerate() {
        if figure.value() < 0.0 {
            form.complain(&format!("deflections.{place}"), "A deflection is 0 or more.");
        }
    }
    let values: Vec<_> = deflections.iter().map(Figure::value).collect();
    let place = tightest(&values).filter(|_| !form.has_problems())?;
    let component = form.value("component").to_owned();
    let name = component.replace('_', " ");
    let force = at_force.as_ref().map(|force| format!(" at {}", words::quantity(force))).unwrap_or_default();
    let (least, varies) = (said(place.deflection, 4, unit), said(place.variation, 4, unit));
    outcome.said.push(format!(
        "The {name} is tightest at place {} of {many}: {least}{force}. Adjust it there; the tightest place governs.",
        place.place + 1
    ));
    if place.variation > 0.0 {
        outcome.said.push(format!("It varies by {varies} around the wheel."));
    }
    outcome.table.extend([("Deflection at the tightest place".into(), least), ("Variation".into(), varies)]);
    outcome.fields.push("deflections");
    // How it reduces to one figure is the quantity's own: the least deflection.
    found.measured.push(NewMeasured { at_force, ..line(&component, Measurand::Deflection, deflections, unit) });
    Some(())
}
