//! What is wrong with a service event, line by line.
use super::{Problem, Problems, kinds_of};
use crate::domain::{
    part::{NewFitted, NewInstalledPart},
    quantity::{Figure, Kind},
    service::{Adapter, Cost, EventDetails, Filled, NewFollowUp, NewMeasured, NewServiceEvent, NewTightened},
    words::Measurand,
};

/// What is wrong with a service event, as far as the request alone can tell.
#[must_use]
pub fn service_event(new: &NewServiceEvent) -> Vec<Problem> {
    let mut problems = Problems::of(new);
    let lists = [new.work.len(), new.fitted.len(), new.measured.len(), new.tightened.len(), new.filled.len(), new.follow_ups.len()];
    // A list that is far too long is refused at once; nobody reads ten thousand problems.
    if lists.iter().any(|entries| *entries > super::MOST_ENTRIES) {
        return problems.0;
    }
    problems.date("/on", new.on);
    problems.counter("/odometer", new.odometer.as_ref());
    problems.counter("/hours", new.hours.as_ref());
    for (place, line) in new.work.iter().enumerate() {
        problems.not_empty(&format!("/work/{place}/component"), &line.component, "which component was worked on");
    }
    for (place, part) in new.fitted.iter().enumerate() {
        check_fitted(&mut problems, part, &format!("/fitted/{place}"));
    }
    for (place, value) in new.measured.iter().enumerate() {
        problems.measured(value, &format!("/measured/{place}"));
    }
    for (place, line) in new.tightened.iter().enumerate() {
        check_tightened(&mut problems, line, &format!("/tightened/{place}"));
    }
    for (place, line) in new.follow_ups.iter().enumerate() {
        check_follow_up(&mut problems, line, &format!("/follow_ups/{place}"));
    }
    for (place, found) in new.as_found.iter().enumerate() {
        problems.not_empty(&format!("/as_found/{place}/text"), &found.text, "how it was found");
    }
    check_filled(&mut problems, &new.filled);
    check_labor_and_cost(&mut problems, new.labor_minutes, new.cost.as_ref());
    problems.0
}

/// What is wrong with the details of an event that may still be changed.
#[must_use]
pub fn event_details(new: &EventDetails) -> Vec<Problem> {
    let mut problems = Problems::of(new);
    for (place, found) in new.as_found.iter().enumerate() {
        problems.not_empty(&format!("/as_found/{place}/text"), &found.text, "how it was found");
    }
    check_filled(&mut problems, &new.filled);
    check_labor_and_cost(&mut problems, new.labor_minutes, new.cost.as_ref());
    problems.0
}

/// What is wrong with a measured line at a pointer (`""` where it is the body).
#[must_use]
pub fn measured(new: &NewMeasured, at: &str) -> Vec<Problem> {
    let mut problems = Problems::default();
    problems.measured(new, at);
    problems.0
}
impl Problems {
    fn measured(&mut self, new: &NewMeasured, at: &str) {
        self.not_empty(&format!("{at}/component"), &new.component, "which component was measured");
        let good = self.kind(&format!("{at}/unit"), new.unit, kinds_of(new.quantity));
        let count = new.readings.len();
        self.must((1..=360).contains(&count), &format!("{at}/readings"), &format!("has {count} readings; give between 1 and 360"));
        for (place, reading) in new.readings.iter().enumerate().take(if good { 360 } else { 0 }) {
            if let Some(detail) = impossible(new, reading) {
                self.add(format!("{at}/readings/{place}"), detail);
            }
        }
        let resolution = new.resolution.as_ref().is_none_or(|step| step.value() > 0.0);
        self.must(resolution, &format!("{at}/resolution"), "must be more than 0; it is the smallest step that the gauge shows");
        self.at_least_0(&format!("{at}/uncertainty"), new.uncertainty.as_ref());
        self.force(&format!("{at}/at_force"), new.at_force.as_ref());
    }
}
/// Why a reading cannot be: sizes and amounts are never negative, and nothing is colder than absolute zero.
fn impossible(new: &NewMeasured, reading: &Figure) -> Option<String> {
    let never_negative = matches!(
        new.quantity,
        Measurand::Thickness
            | Measurand::TreadDepth
            | Measurand::Length
            | Measurand::Diameter
            | Measurand::Mass
            | Measurand::Volume
            | Measurand::Resistance
            | Measurand::Compression
    );
    if never_negative && reading.value() < 0.0 {
        return Some(format!("a {} cannot be less than 0; zero the gauge and measure again", new.quantity.as_str().replace('_', " ")));
    }
    // Rounded figures for absolute zero itself pass.
    (new.quantity == Measurand::Temperature && new.unit.to_si(reading.value()) < -0.01)
        .then(|| format!("{reading} {} is below absolute zero; check the figure and its unit", new.unit))
}

/// What is wrong with a part fitted outside a service event.
#[must_use]
pub fn installed_part(new: &NewInstalledPart) -> Vec<Problem> {
    let mut problems = Problems::of(new);
    problems.date("/on", new.on);
    problems.counter("/odometer", new.odometer.as_ref());
    let part = NewFitted {
        installed_part_id: new.installed_part_id,
        component: new.component.clone(),
        position: new.position,
        description: new.description.clone(),
        part_number: new.part_number.clone(),
        condition: new.condition,
        prior_distance: new.prior_distance.clone(),
        single_use: new.single_use,
        date_code: new.date_code.clone(),
    };
    check_fitted(&mut problems, &part, "");
    problems.0
}
fn check_fitted(problems: &mut Problems, part: &NewFitted, at: &str) {
    problems.counter(&format!("{at}/prior_distance"), part.prior_distance.as_ref());
    if part.installed_part_id.is_none() {
        let component = part.component.as_deref().unwrap_or_default();
        let what = "which component the part is of, or its `installed_part_id` if it comes from the shelf";
        problems.not_empty(&format!("{at}/component"), component, what);
        return;
    }
    let given = [
        ("component", part.component.is_some()),
        ("description", !part.description.is_empty()),
        ("part_number", part.part_number.is_some()),
        ("condition", part.condition.is_some()),
        ("prior_distance", part.prior_distance.is_some()),
        ("single_use", part.single_use),
        ("date_code", part.date_code.is_some()),
    ];
    for (field, _) in given.iter().filter(|(_, given)| *given) {
        problems.add(format!("{at}/{field}"), "a part from the shelf brings this along; leave it out, only `position` may be given");
    }
}

fn check_tightened(problems: &mut Problems, line: &NewTightened, at: &str) {
    problems.not_empty(&format!("{at}/fastener"), &line.fastener, "the key of the fastener");
    for (place, value) in line.stages.iter().enumerate() {
        // What the fastener's own stage is, torque or angle, is asked once the fastener is known.
        problems.kind(&format!("{at}/stages/{place}/unit"), value.unit, &[Kind::Torque, Kind::Angle]);
        problems.at_least_0(&format!("{at}/stages/{place}/value"), Some(&value.value));
    }
    if let Some(adapter) = &line.adapter {
        check_adapter(problems, adapter, &format!("{at}/adapter"));
    }
}
fn check_adapter(problems: &mut Problems, adapter: &Adapter, at: &str) {
    for (field, quantity, good) in [
        ("length", &adapter.length, adapter.length.value.value() >= 0.0),
        ("wrench_length", &adapter.wrench_length, adapter.wrench_length.value.value() > 0.0),
    ] {
        problems.kind(&format!("{at}/{field}/unit"), quantity.unit, &[Kind::Length]);
        problems.must(good, &format!("{at}/{field}/value"), "must be a length from the center of the drive; give it as a positive figure");
    }
}

fn check_filled(problems: &mut Problems, lines: &[Filled]) {
    for (place, line) in lines.iter().enumerate() {
        let at = format!("/filled/{place}");
        problems.not_empty(&format!("{at}/component"), &line.component, "which component it was filled into, such as engine_oil");
        if let Some(amount) = &line.quantity {
            problems.kind(&format!("{at}/quantity/unit"), amount.unit, &[Kind::Volume, Kind::Mass]);
            let good = amount.value.value() > 0.0;
            problems.must(good, &format!("{at}/quantity/value"), "must be more than 0; leave the quantity out where it is not known");
        }
    }
}

fn check_labor_and_cost(problems: &mut Problems, labor: Option<i32>, cost: Option<&Cost>) {
    problems.must(labor.is_none_or(|minutes| (0..=100_000).contains(&minutes)), "/labor_minutes", "must lie between 0 and 100,000 minutes");
    if let Some(cost) = cost {
        problems.must(is_amount(&cost.amount), "/cost/amount", "must be a decimal amount as text, such as \"84.50\"");
        let currency = cost.currency.len() == 3 && cost.currency.bytes().all(|letter| letter.is_ascii_uppercase());
        problems.must(currency, "/cost/currency", "must be the three letters of a currency (ISO 4217), such as EUR or USD");
    }
}
/// Up to twelve digits, and up to four behind a point.
fn is_amount(text: &str) -> bool {
    let digits = |text: &str, most: usize| (1..=most).contains(&text.len()) && text.bytes().all(|digit| digit.is_ascii_digit());
    text.split_once('.').map_or_else(|| digits(text, 12), |(whole, part)| digits(whole, 12) && digits(part, 4))
}

/// What is wrong with a follow-up at a pointer.
#[must_use]
pub fn follow_up(new: &NewFollowUp, at: &str) -> Vec<Problem> {
    let mut problems = Problems::default();
    check_follow_up(&mut problems, new, at);
    problems.0
}
fn check_follow_up(problems: &mut Problems, new: &NewFollowUp, at: &str) {
    problems.not_empty(&format!("{at}/text"), &new.text, "what is left to do");
    let Some(due) = &new.due_in else { return };
    problems.must(
        due.distance.is_some() || due.months.is_some(),
        &format!("{at}/in"),
        "give a distance, months or both; leave `in` out for next time the component is open",
    );
    let distance = due.distance.as_ref().is_none_or(|figure| figure.value() > 0.0 && figure.value() <= super::FARTHEST);
    problems.must(distance, &format!("{at}/in/distance"), "must be more than 0 and at most 10,000,000, in the odometer's unit");
    let months = due.months.is_none_or(|months| (1..=1200).contains(&months));
    problems.must(months, &format!("{at}/in/months"), "must lie between 1 and 1200");
}
