//! `/motorcycles/{id}/bench/balance`: static balance of a wheel.
use super::{Outcome, Row, Sheet, quantity, rounded, said, wrong};
use crate::{
    actions::service::add::Found,
    domain::{
        calculation::{BalanceAnswer, BalanceRequest, CausingWeight, CorrectAt, CorrectionWeight, balance},
        motorcycle::Motorcycle,
        quantity::{Figure, Quantity, Unit},
        service::NewMeasured,
        wheel::{degrees, permissible_residual, revolutions},
        words::Measurand,
    },
    pages::{form::Form, words},
};

/// Where a wheel or a disc sits.
pub(super) const POSITIONS: [(&str, &str); 6] = [
    ("front", "Front"),
    ("rear", "Rear"),
    ("front_left", "Front left"),
    ("front_right", "Front right"),
    ("rear_left", "Rear left"),
    ("rear_right", "Rear right"),
];
/// How many weights can be typed.
const MOST: usize = 3;
/// A mile in kilometres.
const MILE: f64 = 1.609_344;

/// The page.
#[derive(Clone, Copy, Debug)]
pub(in crate::pages) struct Balance;
impl Sheet for Balance {
    const PATH: &'static str = "balance";
    const TITLE: &'static str = "Balance";
    const LEAD: &'static str = "Static balance of a wheel on the stand, from what a balancer shows or from trial weights. Angles count from the valve, or from a mark of yours.";
    fn offer(form: &mut Form, _: &Motorcycle) {
        for (name, value) in [
            ("position", "front"),
            ("way", "trial"),
            ("unit", "g"),
            ("angles", "deg"),
            ("radius.unit", "mm"),
            ("correct_at.radius.unit", "mm"),
            ("wheel_mass.unit", "kg"),
            ("speed_unit", "km/h"),
            ("circumference.unit", "mm"),
            ("grade", "40"),
        ] {
            form.offer(name, value);
        }
    }
    fn rows(_: &Form) -> Vec<Row> {
        let mut rows = vec![
            Row::choice("position", "Which wheel", "", &POSITIONS[..2]),
            Row::choice(
                "way",
                "The figures are",
                "The wheel stops with its heavy side down; a trial weight at the top that makes it stay wherever it is turned is the answer.",
                &[("trial", "trial weights that bring balance"), ("heavy", "the heavy spot, as a balancer shows it")],
            ),
            Row::choice("unit", "Masses in", "", &[("g", "g"), ("oz", "oz")]),
            Row::choice("angles", "Angles in", "", &[("deg", "degrees"), ("clock", "hours of a clock, such as 4.5")]),
        ];
        for place in 0..MOST {
            let more = if place == 0 { "" } else { ", if there is one more" };
            rows.push(Row::figure(format!("weights.{place}.mass"), format!("Mass {}{more}", place + 1), "", ""));
            rows.push(Row::figure(format!("weights.{place}.at_deg"), format!("Its angle {}", place + 1), "", ""));
        }
        rows.push(Row::with_units(
            "radius",
            "They sit at this radius",
            "From the axle; empty where it is that of the weights put on",
            &["mm", "in"],
        ));
        rows.extend([
            Row::Heading("Weights to put on"),
            Row::with_units("correct_at.radius", "At this radius", "", &["mm", "in"]),
            Row::figure("correct_at.angles_deg.0", "Two weights: the first at", "", "Empty for one weight opposite the heavy spot"),
            Row::figure("correct_at.angles_deg.1", "The second at", "", ""),
            Row::Tick { name: "rims", label: "Split over both rims", hint: "Half on the left, half on the right" },
            Row::Heading("What may remain, as guidance"),
            Row::with_units("wheel_mass", "Mass of the wheel with its tire", "", &["kg", "lb"]),
            Row::figure("speed", "Top speed", "", ""),
            Row::choice("speed_unit", "Speed in", "", &[("km/h", "km/h"), ("mph", "mph")]),
            Row::with_units("circumference", "Once around the tire", "", &["mm", "in"]),
            Row::figure("grade", "Balance quality grade G", "", "ISO 21940-11 names 40 for car wheels; less is finer"),
        ]);
        rows
    }
    fn work_out(form: &mut Form) -> Option<Outcome> {
        let unit = form.chosen("unit").unwrap_or(Unit::G);
        let radius = quantity(form, "radius");
        let correct_at = correct_at(form);
        let weights = weights(form, unit, radius.as_ref());
        let guidance = Guidance::read(form);
        if form.has_problems() {
            return None;
        }
        let put_at = correct_at.radius.clone().or(radius);
        let answer = balance(&BalanceRequest { weights, correct_at: Some(correct_at) });
        let answer = answer.map_err(|problems| wrong(form, beside_their_fields(problems))).ok()?;
        let clock = form.is("angles", "clock");
        let mass = answer.unbalance.mass.value.value();
        let mut lines = vec![answer.unbalance.at_deg.as_ref().map_or_else(
            || "The wheel is balanced.".to_owned(),
            |at| format!("Unbalance {}, heavy at {}.", amount(mass, unit), angle(at, clock)),
        )];
        lines.extend(to_put_on(&answer, unit, clock));
        lines.extend(guidance.map(|guidance| guidance.says(&answer.unbalance.mass, put_at.as_ref())));
        let table = answer.correction.iter().map(|weight| row(weight, unit, clock)).collect();
        let position = form.chosen("position");
        let place = position.map(words::position).unwrap_or_default();
        let line = NewMeasured {
            component: "wheel".into(),
            position,
            quantity: Measurand::Mass,
            readings: vec![rounded(mass, decimals(unit))],
            unit,
            reduce: None,
            resolution: None,
            uncertainty: None,
            at_force: None,
            installed_part_id: None,
        };
        let note = format!("Balance of the {place} wheel: {}", lines.join(" "));
        let found = Found { summary: format!("Balance of the {place} wheel measured"), measured: vec![line], note };
        Some(Outcome { said: lines, table, found: Some(found), fields: vec!["weights/0/mass"] })
    }
}

/// The weights that were typed, as what would cause the unbalance.
fn weights(form: &mut Form, unit: Unit, radius: Option<&Quantity>) -> Vec<CausingWeight> {
    let trial = !form.is("way", "heavy");
    let mut found = Vec::new();
    for place in 0..MOST {
        let (mass_field, at_field) = (format!("weights.{place}.mass"), format!("weights.{place}.at_deg"));
        if place > 0 && form.optional(&mass_field).is_none() && form.optional(&at_field).is_none() {
            continue;
        }
        form.must(&mass_field, "Give the mass.");
        form.must(&at_field, "Give its angle.");
        let (mass, at) = (form.figure(&mass_field), read_angle(form, &at_field));
        if mass.as_ref().is_some_and(|mass| mass.value() <= 0.0) {
            form.complain(&mass_field, "A mass is more than 0.");
        }
        if let Some((mass, at)) = mass.zip(at) {
            // A weight brings balance opposite the heavy spot.
            let at = if trial { Figure::rounded(degrees(at + 180.0), 6) } else { Figure::rounded(at, 6) };
            found.push(CausingWeight { mass: Quantity { value: mass, unit }, at_deg: at, radius: radius.cloned() });
        }
    }
    found
}

fn correct_at(form: &mut Form) -> CorrectAt {
    let fields = ["correct_at.angles_deg.0", "correct_at.angles_deg.1"];
    let mut angles_deg = None;
    if fields.iter().any(|field| form.optional(field).is_some()) {
        for field in fields {
            form.must(field, "Give both angles, or neither for one weight.");
        }
        angles_deg = Some(fields.iter().filter_map(|field| read_angle(form, field)).map(|at| Figure::rounded(at, 6)).collect());
    }
    let rims = if form.is("rims", "yes") { 2 } else { 1 };
    CorrectAt { radius: quantity(form, "correct_at.radius"), angles_deg, rims: Some(rims) }
}
/// The angles stand in two fields; what is wrong with them stands beside the first.
fn beside_their_fields(mut problems: Vec<crate::domain::calculation::Problem>) -> Vec<crate::domain::calculation::Problem> {
    for problem in &mut problems {
        if problem.pointer == "/correct_at/angles_deg" {
            problem.pointer.push_str("/0");
        }
    }
    problems
}

/// An angle in degrees, typed as degrees or as hours of a clock with 12 at the mark.
fn read_angle(form: &mut Form, field: &str) -> Option<f64> {
    let clock = form.is("angles", "clock");
    let typed = form.figure(field)?.value();
    let (most, words) =
        if clock { (12.99, "An hour of a clock lies between 0 and 12.99.") } else { (360.0, "An angle lies between 0 and 360 degrees.") };
    if !(0.0..=most).contains(&typed) {
        form.complain(field, words);
        return None;
    }
    Some(degrees(if clock { typed * 30.0 } else { typed }))
}
fn angle(at: &Figure, clock: bool) -> String {
    if clock {
        let hours = at.value() / 30.0;
        let hours = if hours < 0.95 { hours + 12.0 } else { hours };
        return format!("{} o’clock", words::figure(&rounded(hours, 1)));
    }
    format!("{} degrees", words::figure(&rounded(at.value(), 1)))
}
const fn decimals(unit: Unit) -> usize {
    if matches!(unit, Unit::Oz) { 3 } else { 2 }
}
fn amount(mass: f64, unit: Unit) -> String {
    said(mass, decimals(unit), unit)
}

fn to_put_on(answer: &BalanceAnswer, unit: Unit, clock: bool) -> Option<String> {
    let weights: Vec<_> = answer
        .correction
        .iter()
        .map(|weight| {
            let rim = weight.rim.map(|rim| format!(" on the {rim} rim")).unwrap_or_default();
            format!("{} at {}{rim}", amount(weight.mass.value.value(), unit), angle(&weight.at_deg, clock))
        })
        .collect();
    (!weights.is_empty()).then(|| format!("Put on {}.", words::list(&weights)))
}
fn row(weight: &CorrectionWeight, unit: Unit, clock: bool) -> (String, String) {
    let rim = weight.rim.map(|rim| format!(", {rim} rim")).unwrap_or_default();
    (format!("At {}{rim}", angle(&weight.at_deg, clock)), amount(weight.mass.value.value(), unit))
}

/// What may remain, by ISO 21940-11.
struct Guidance {
    grade: f64,
    mass_kg: f64,
    rpm: f64,
}
impl Guidance {
    /// None where the mass or the speed is not given; with one of them the others are asked for.
    fn read(form: &mut Form) -> Option<Self> {
        let fields = ["wheel_mass.value", "speed", "circumference.value"];
        if fields[..2].iter().all(|field| form.optional(field).is_none()) {
            return None;
        }
        for (field, message) in fields.iter().zip([
            "Give the wheel’s mass too, or leave the speed out.",
            "Give the speed too, or leave the mass out.",
            "Measure once around the tire: how fast the wheel turns follows from it.",
        ]) {
            form.must(field, message);
        }
        let (mass, speed, around) = (quantity(form, "wheel_mass"), form.figure("speed"), quantity(form, "circumference"));
        let grade = form.figure("grade");
        for (field, figure) in [
            ("wheel_mass.value", mass.as_ref().map(Quantity::si)),
            ("speed", speed.as_ref().map(Figure::value)),
            ("circumference.value", around.as_ref().map(Quantity::si)),
            ("grade", grade.as_ref().map(Figure::value)),
        ] {
            if figure.is_some_and(|figure| figure <= 0.0) {
                form.complain(field, "It is more than 0.");
            }
        }
        let factor = if form.is("speed_unit", "mph") { MILE } else { 1.0 };
        let rpm = revolutions(speed?.value() * factor, around?.si());
        Some(Self { grade: grade.map_or(40.0, |grade| grade.value()), mass_kg: mass?.si(), rpm })
    }
    /// In a sentence: as a mass at the radius where one is known, and how the unbalance stands to it.
    fn says(&self, unbalance: &Quantity, radius: Option<&Quantity>) -> String {
        let permissible = permissible_residual(self.grade, self.mass_kg, self.rpm);
        let basis = format!("G {} and {} revolutions a minute", rounded(self.grade, 1), rounded(self.rpm, 0));
        let Some(radius) = radius.map(|radius| radius.si() * 1000.0).filter(|radius| *radius > 0.0) else {
            return format!("As guidance, {} g·mm may remain ({basis}).", words::figure(&rounded(permissible, 0)));
        };
        let grams = permissible / radius;
        let most = amount(unbalance.unit.from_si(grams / 1000.0), unbalance.unit);
        let verdict = if unbalance.si() * 1000.0 > grams { "this wheel has more" } else { "this wheel has less" };
        format!("As guidance, {most} may remain at that radius ({basis}); {verdict}.")
    }
}
