//! What is wrong with a limit, a fastener, a procedure or an interval rule.
use super::{Problem, Problems};
use crate::domain::{
    fastener::{NewFastener, Stage},
    limit::NewLimit,
    procedure::{LONGEST_STEP, MOST_STEPS, NewProcedure},
    quantity::{Distance, Figure, Kind, Quantity},
    rule::{Limbs, Margin, NewIntervalRule},
    words::Measurand,
};

/// The kinds of unit that a quantity can be measured in.
#[must_use]
pub const fn kinds_of(quantity: Measurand) -> &'static [Kind] {
    match quantity {
        Measurand::Thickness
        | Measurand::TreadDepth
        | Measurand::Runout
        | Measurand::Deflection
        | Measurand::Clearance
        | Measurand::Length
        | Measurand::Diameter => &[Kind::Length],
        Measurand::Pressure | Measurand::Compression => &[Kind::Pressure],
        Measurand::Voltage => &[Kind::Voltage],
        Measurand::FreePlay | Measurand::AlignmentDifference => &[Kind::Length, Kind::Angle],
        Measurand::Resistance => &[Kind::Resistance],
        Measurand::Temperature => &[Kind::Temperature],
        Measurand::Mass => &[Kind::Mass],
        Measurand::Volume => &[Kind::Volume],
        Measurand::Angle => &[Kind::Angle],
        Measurand::Elongation => &[Kind::Length, Kind::Ratio],
    }
}

impl Problems {
    /// A force with its unit, above 0.
    pub(super) fn force(&mut self, pointer: &str, force: Option<&Quantity>) {
        let Some(force) = force else { return };
        self.kind(&format!("{pointer}/unit"), force.unit, &[Kind::Force]);
        self.must(
            force.value.value() > 0.0,
            &format!("{pointer}/value"),
            "must be more than 0; leave at_force out where no force is meant",
        );
    }
    fn order<T: PartialOrd>(&mut self, pointer: &str, from: Option<T>, to: Option<T>) {
        let good = from.is_none_or(|from| to.is_none_or(|to| from < to));
        self.must(good, pointer, "`from` must be less than `to`; the range begins at from and ends just before to");
    }
}

/// What is wrong with a limit.
#[must_use]
pub fn limit(new: &NewLimit) -> Vec<Problem> {
    let mut problems = Problems::of(new);
    problems.not_empty("/component", &new.component, "which component it is for");
    if problems.kind("/unit", new.unit, kinds_of(new.quantity)) {
        bounds(&mut problems, new);
    }
    problems.force("/at_force", new.at_force.as_ref());
    if let Some(range) = &new.part_distance {
        problems.distance("/part_distance/from", range.from.as_ref(), true);
        problems.distance("/part_distance/to", range.to.as_ref(), false);
        let mm = |quantity: &Option<Quantity>| quantity.as_ref().and_then(|quantity| Distance::from_quantity(quantity).ok());
        problems.order("/part_distance", mm(&range.from), mm(&range.to));
    }
    if let Some(range) = &new.part_hours {
        problems.at_least_0("/part_hours/from", range.from.as_ref());
        problems.at_least_0("/part_hours/to", range.to.as_ref());
        problems.order("/part_hours", range.from.as_ref().map(Figure::value), range.to.as_ref().map(Figure::value));
    }
    if let Some(range) = &new.part_months {
        for (name, months) in [("from", range.from), ("to", range.to)] {
            problems.must(months.is_none_or(|months| months <= 1200), &format!("/part_months/{name}"), "must be at most 1200 months");
        }
        problems.order("/part_months", range.from, range.to);
    }
    problems.years("/applies_to/years", new.applies_to.years.as_ref());
    problems.0
}
fn bounds(problems: &mut Problems, new: &NewLimit) {
    let (lower, upper) = (new.lower.as_ref().map(Figure::value), new.upper.as_ref().map(Figure::value));
    problems.must(
        lower.is_some() || upper.is_some(),
        "/lower",
        "a limit needs `lower`, `upper` or both; give the least or the most that is allowed",
    );
    problems.must(
        lower.is_none_or(|lower| upper.is_none_or(|upper| lower <= upper)),
        "/lower",
        "must not be more than `upper`; swap them or mend one",
    );
    let nominal = new.nominal.as_ref().map(Figure::value);
    let inside = nominal.is_none_or(|nominal| lower.is_none_or(|lower| lower <= nominal) && upper.is_none_or(|upper| nominal <= upper));
    problems.must(inside, "/nominal", "must lie between `lower` and `upper`; mend it or leave it out");
}

/// What is wrong with a fastener.
#[must_use]
pub fn fastener(new: &NewFastener) -> Vec<Problem> {
    let mut problems = Problems::of(new);
    let letter = |letter: char| letter.is_ascii_lowercase() || letter.is_ascii_digit() || letter == '_';
    problems.must(
        (1..=60).contains(&new.key.len()) && new.key.chars().all(letter),
        "/key",
        "must be 1 to 60 lower-case letters, digits and _, such as rear_axle_nut",
    );
    problems.not_empty("/name", &new.name, "what people call it");
    problems.not_empty("/component", &new.component, "which component it holds");
    problems.must((1..=100).contains(&new.count), "/count", "must lie between 1 and 100; it is how many of them there are");
    for (place, stage) in new.stages.iter().enumerate() {
        check_stage(&mut problems, stage, &format!("/stages/{place}"));
    }
    problems.distance("/recheck_after", new.recheck_after.as_ref(), false);
    problems.years("/applies_to/years", new.applies_to.years.as_ref());
    problems.0
}
/// A stage is a torque, or an angle by which the fastener is turned on after one.
fn check_stage(problems: &mut Problems, stage: &Stage, at: &str) {
    problems.kind(&format!("{at}/unit"), stage.unit, &[Kind::Torque, Kind::Angle]);
    problems.at_least_0(&format!("{at}/lower"), stage.lower.as_ref());
    problems.at_least_0(&format!("{at}/upper"), stage.upper.as_ref());
    let (lower, upper) = (stage.lower.as_ref().map(Figure::value), stage.upper.as_ref().map(Figure::value));
    problems.must(lower.is_some() || upper.is_some(), at, "a stage needs `lower`, `upper` or both; give the least or the most torque");
    let ordered = lower.is_none_or(|lower| upper.is_none_or(|upper| lower <= upper));
    problems.must(ordered, &format!("{at}/lower"), "must not be more than `upper`; swap them or mend one");
}

/// What is wrong with a procedure, as far as it alone can tell.
#[must_use]
pub fn procedure(new: &NewProcedure) -> Vec<Problem> {
    let mut problems = Problems::of(new);
    problems.not_empty("/title", &new.title, "what people call it");
    problems.not_empty("/component", &new.component, "which component is worked on");
    problems.must(!new.steps.is_empty(), "/steps", "must not be empty; write at least one step");
    problems.must(
        new.steps.len() <= MOST_STEPS,
        "/steps",
        &format!("has {} steps, but at most {MOST_STEPS} are taken; make several procedures of it", new.steps.len()),
    );
    for (place, step) in new.steps.iter().enumerate().take(MOST_STEPS) {
        let at = format!("/steps/{place}");
        problems.not_empty(&format!("{at}/text"), &step.text, "what to do");
        problems.must(!step.text.contains('\n'), &format!("{at}/text"), "a step stands on one line; make two steps of it");
        let length = step.text.chars().count();
        problems.must(
            length <= LONGEST_STEP,
            &format!("{at}/text"),
            &format!("has {length} characters, but a step has at most {LONGEST_STEP}; make two steps of it"),
        );
        for (field, text) in [("fastener", &step.fastener), ("caution", &step.caution)] {
            let empty = text.as_ref().is_some_and(|text| text.trim().is_empty());
            problems.must(!empty, &format!("{at}/{field}"), "must not be empty; leave it out where there is none");
        }
        if let Some(limit) = &step.limit {
            problems.not_empty(&format!("{at}/limit/component"), &limit.component, "which component is measured");
        }
    }
    problems.years("/applies_to/years", new.applies_to.years.as_ref());
    problems.0
}

/// What is wrong with an interval rule.
#[must_use]
pub fn interval_rule(new: &NewIntervalRule) -> Vec<Problem> {
    let mut problems = Problems::of(new);
    problems.not_empty("/name", &new.name, "what people call it");
    problems.not_empty("/component", &new.component, "which component it is for");
    let limbs = [("/first", &new.first), ("/every", &new.every)];
    let none = |limbs: &Option<Limbs>| limbs.as_ref().is_none_or(|limbs| *limbs == Limbs::default());
    problems.must(
        !limbs.iter().all(|(_, limbs)| none(limbs)),
        "/every",
        "a rule needs a distance, hours or months; give `every`, or `first` for what is due once",
    );
    for (at, limbs) in limbs {
        if let Some(limbs) = limbs {
            check_limbs(&mut problems, limbs, at);
        }
    }
    let window = new.window.as_ref().is_none_or(|window| (0.0..1.0).contains(&window.value()));
    problems.must(window, "/window", "must be a fraction from 0 up to, and without, 1; 0.1 is a tenth of the interval");
    check_margin(&mut problems, &new.lead, "/lead");
    check_margin(&mut problems, &new.grace, "/grace");
    problems.years("/applies_to/years", new.applies_to.years.as_ref());
    problems.0
}
fn check_limbs(problems: &mut Problems, limbs: &Limbs, at: &str) {
    problems.distance(&format!("{at}/distance"), limbs.distance.as_ref(), false);
    let hours = limbs.hours.as_ref().is_none_or(|hours| hours.value() > 0.0 && hours.value() <= super::FARTHEST);
    problems.must(hours, &format!("{at}/hours"), "must be more than 0 and at most 10,000,000");
    let months = limbs.months.is_none_or(|months| (1..=1200).contains(&months));
    problems.must(months, &format!("{at}/months"), "must lie between 1 and 1200");
}
fn check_margin(problems: &mut Problems, margin: &Margin, at: &str) {
    problems.distance(&format!("{at}/distance"), margin.distance.as_ref(), true);
    let hours = margin.hours.as_ref().is_none_or(|hours| (0.0..=super::FARTHEST).contains(&hours.value()));
    problems.must(hours, &format!("{at}/hours"), "must lie between 0 and 10,000,000");
    problems.must(margin.days.is_none_or(|days| days <= 3660), &format!("{at}/days"), "must be at most 3660 days");
}
