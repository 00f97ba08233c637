//! `/motorcycles/{id}/bench/runout`: dial readings once around a wheel or disc.
use super::{Outcome, Row, Sheet, count, readings, said, wrong};
use crate::{
    actions::service::add::Found,
    domain::{
        calculation::{RunoutRequest, runout},
        motorcycle::Motorcycle,
        quantity::Unit,
        service::NewMeasured,
        wheel::{self, Blame},
        words::{Measurand, Reduce},
    },
    pages::{form::Form, words},
};

/// The page.
#[derive(Clone, Copy, Debug)]
pub(in crate::pages) struct Runout;
impl Sheet for Runout {
    const PATH: &'static str = "runout";
    const TITLE: &'static str = "Runout";
    const LEAD: &'static str = "Dial readings once around a wheel or disc, at equal steps from a mark. Zero the dial at the lowest place, so that none is negative.";
    const COUNTS: &'static [usize] = &[4, 8, 6, 12];
    fn offer(form: &mut Form, _: &Motorcycle) {
        for (name, value) in [("component", "brake_disc"), ("position", "front"), ("direction", "sideways"), ("unit", "mm")] {
            form.offer(name, value);
        }
    }
    fn rows(form: &Form) -> Vec<Row> {
        let mut rows = vec![
            Row::choice("component", "What was read", "", &[("brake_disc", "Brake disc"), ("wheel", "Wheel")]),
            Row::choice("position", "Where", "", &super::balance::POSITIONS),
            Row::choice(
                "direction",
                "The dial stood",
                "",
                &[("sideways", "sideways, along the axle"), ("radially", "radially, toward the axle")],
            ),
            Row::choice("unit", "Unit of the readings", "", &[("mm", "mm"), ("in", "in")]),
            Row::Heading("Readings"),
        ];
        let many = count(form, Self::COUNTS);
        for place in 0..many {
            let label = format!("Place {}, {} degrees", place + 1, 360 * place / many.max(1));
            rows.push(Row::figure(format!("readings.{place}"), label, "", ""));
        }
        rows
    }
    fn work_out(form: &mut Form) -> Option<Outcome> {
        let many = count(form, Self::COUNTS);
        let unit: Unit = form.chosen("unit").unwrap_or(Unit::Mm);
        let readings = readings(form, "readings", many)?;
        let answer = runout(&RunoutRequest { readings: readings.clone(), unit }).map_err(|problems| wrong(form, problems)).ok()?;
        let values: Vec<_> = readings.iter().map(crate::domain::quantity::Figure::value).collect();
        let found = wheel::Runout::of(&values)?;
        let amount = |value: f64| said(value, 4, unit);
        let at = found.high_at_deg.map(|at| place_of(at, many));
        let component = form.value("component").to_owned();
        let blame = blame(found.blame(), form.is("direction", "radially"), &component);
        let mut lines = vec![format!("Total indicated reading {}. {blame}", amount(found.total_indicated))];
        lines.extend(at.as_ref().map(|at| format!("Its first harmonic is high {at}.")));
        lines.extend(answer.because.into_iter().skip(1));
        let position = form.chosen("position");
        let place = position.map(words::position).unwrap_or_default();
        let name = format!("{place} {}", component.replace('_', " "));
        let note = format!(
            "Runout of {}, read {}: first harmonic {}{}, remainder {}. {blame}",
            name.trim(),
            form.value("direction"),
            amount(found.amplitude),
            at.map(|at| format!(", high {at}")).unwrap_or_default(),
            amount(found.remainder)
        );
        let line = NewMeasured {
            component,
            position,
            quantity: Measurand::Runout,
            readings,
            unit,
            reduce: Some(Reduce::Range),
            resolution: None,
            uncertainty: None,
            at_force: None,
            installed_part_id: None,
        };
        let table = vec![
            ("Total indicated reading".into(), amount(found.total_indicated)),
            ("First harmonic, amplitude".into(), amount(found.amplitude)),
            ("Remainder".into(), amount(found.remainder)),
        ];
        let summary = format!("Runout of {} measured", name.trim());
        Some(Outcome { said: lines, table, found: Some(Found { summary, measured: vec![line], note }), fields: vec!["readings"] })
    }
}

/// `at 135 degrees, at place 4 of 8`.
fn place_of(at: f64, many: usize) -> String {
    let nearest = (0..many).min_by(|one, other| away(*one, at, many).total_cmp(&away(*other, at, many))).unwrap_or(0);
    format!("at {} degrees, nearest to place {} of {many}", words::figure(&super::rounded(at, 0)), nearest + 1)
}
fn away(place: usize, at: f64, many: usize) -> f64 {
    let step = f64::from(u32::try_from(place * 360).unwrap_or(0)) / f64::from(u32::try_from(many.max(1)).unwrap_or(1));
    let apart = (step - at).abs();
    apart.min(360.0 - apart)
}

fn blame(blame: Blame, radially: bool, component: &str) -> String {
    let what = if component == "wheel" { "rim" } else { "disc" };
    match (blame, radially) {
        (Blame::Nothing, _) => "It runs true.".into(),
        (Blame::Mounting, true) => {
            format!("Blame the mounting: the {what} sits off center. Look at its seat and the bearings before you blame its shape.")
        }
        (Blame::Mounting, false) => {
            format!("Blame the mounting: the {what} sits at a tilt. Clean its seat and look at the bearings before you blame its shape.")
        }
        (Blame::Shape, true) => format!("Blame the shape: the {what} is oval or dented; mounting it anew does not help."),
        (Blame::Shape, false) => format!("Blame the shape: the {what} is warped or bent; mounting it anew does not help."),
        (Blame::Both, _) => format!(
            "Both have a part in it: the {what} is mounted out of true, and its shape is off as well. Put the mounting right, then read again."
        ),
    }
}
