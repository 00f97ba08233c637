//! A packet's entry in lines of words, for paper and screen.
use std::fmt::Write as _;

use super::{Entry, Quantity, figure, struck_out};
use crate::domain::{
    calendar,
    component::Component,
    history_item::HistoryItem,
    motorcycle::{Instrument, Reading},
    part::InstalledPart,
    procedure::Followed,
    service::{Fitted, MeasuredValue, ServiceEvent, Tightened},
    sums,
    words::{InstrumentChange, Position, SingleUse, Verdict},
};

/// An entry in words.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct InWords {
    /// What it is, in one line.
    pub title: String,
    /// The day it was done.
    pub done: String,
    /// The day it was written down.
    pub entered: String,
    /// What the odometer showed, and the sum where one was replaced.
    pub odometer: String,
    /// Who did it.
    pub by: String,
    /// Everything else, a line each.
    pub lines: Vec<String>,
    /// When and why it was struck out.
    pub struck_out: Option<String>,
}

/// A quantity for people: `12,345 mi`.
#[must_use]
pub fn quantity(quantity: &Quantity) -> String {
    format!("{} {}", figure(&quantity.value), quantity.unit)
}

/// What the components are called.
#[derive(Clone, Copy, Debug)]
pub struct Names<'a>(pub &'a [Component]);

impl Names<'_> {
    fn of(self, key: &str, position: Option<Position>) -> String {
        let own = self.0.iter().find(|component| component.key == key && component.own);
        match (own, position) {
            (None, _) => sums::component(key, position),
            (Some(own), None) => own.name.clone(),
            (Some(own), Some(position)) => format!("{}, {}", own.name, position.to_string().replace('_', " ")),
        }
    }

    /// An entry in words.
    #[must_use]
    pub fn entry(self, entry: &Entry) -> InWords {
        let what = &entry.what;
        let mut words = InWords {
            done: calendar::words(entry.done_on),
            entered: calendar::words(entry.entered_at.date()),
            odometer: match (&entry.odometer_shown, &entry.sum) {
                (Some(shown), Some(sum)) => format!("{} shown; in all {sum}", quantity(shown)),
                (Some(shown), None) => quantity(shown),
                _ => String::new(),
            },
            struck_out: struck_out(what).map(|out| format!("Struck out on {}: {}", calendar::words(out.at.date()), out.reason)),
            ..InWords::default()
        };
        self.tell(what, &mut words);
        words
    }

    fn tell(self, what: &HistoryItem, words: &mut InWords) {
        if let Some(event) = &what.service_event {
            words.title = if event.summary.is_empty() { "Service".into() } else { event.summary.clone() };
            words.by = event.performed_by.clone().unwrap_or_default();
            words.lines = self.event(event);
        } else if let Some(reading) = what.odometer_reading.as_ref().or(what.hour_reading.as_ref()) {
            words.title = if what.hour_reading.is_some() { "Hour meter read".into() } else { "Odometer read".into() };
            words.by = reading.read_by.clone().unwrap_or_default();
            words.lines.extend(hours(reading));
        } else if let Some(part) = &what.part_fitted {
            words.title = format!("{} fitted", self.of(&part.component, part.position));
            words.lines.extend(about_part(part));
        } else if let Some(part) = &what.part_removed {
            words.title = format!("{} removed", self.of(&part.component, part.position));
            let run = part.part_distance.as_ref().map(|run| format!("Had run {}.", quantity(run)));
            let reason = part.removed.as_ref().and_then(|removed| removed.reason.clone());
            words.lines.extend(about_part(part).into_iter().chain(run).chain(reason));
        } else if let Some(value) = &what.measured_value {
            words.title = "Value measured".into();
            words.lines.push(self.value(value));
        } else if let Some(change) = &what.odometer_replaced {
            words.title =
                if change.kind == InstrumentChange::Replaced { "Odometer replaced".into() } else { "Odometer rolled over".into() };
            words.lines = instrument(change);
        } else if let Some(change) = &what.hour_meter_replaced {
            words.title =
                if change.kind == InstrumentChange::Replaced { "Hour meter replaced".into() } else { "Hour meter rolled over".into() };
            words.lines = instrument(change);
        }
    }

    fn event(self, event: &ServiceEvent) -> Vec<String> {
        let mut lines = Vec::new();
        for line in &event.work {
            let note = if line.note.is_empty() { String::new() } else { format!(" ({})", line.note) };
            lines.push(format!("{}: {}{note}.", self.of(&line.component, line.position), sums::past(line.operation)));
        }
        lines.extend(event.removed.iter().map(|part| {
            let why = part.reason.as_ref().map(|why| format!(" ({why})")).unwrap_or_default();
            format!("{}: removed{why}.", self.of(&part.component, part.position))
        }));
        lines.extend(event.fitted.iter().map(|part| self.fitted(part, event)));
        lines.extend(event.measured.iter().map(|value| self.value(value)));
        lines.extend(event.tightened.iter().map(tightened));
        for filled in &event.filled {
            let much = filled.quantity.as_ref().map(|much| format!(", {}", quantity(much))).unwrap_or_default();
            lines.push(format!("{}: filled with {}{much}.", self.of(&filled.component, filled.position), or(&filled.description, "fluid")));
        }
        lines.extend(event.procedures.iter().flat_map(followed));
        lines.extend(event.as_found.iter().map(|found| format!("{} as found: {}", self.of(&found.component, found.position), found.text)));
        lines.extend(event.follow_ups.iter().map(|left| format!("Left for later: {} ({})", left.text, left.status)));
        if !event.notes.is_empty() {
            lines.push(format!("Notes: {}", event.notes));
        }
        match &event.signature {
            Some(signature) => {
                let statement = if signature.statement.is_empty() { String::new() } else { format!(": {}", signature.statement) };
                lines.push(format!("Signed off on {} by {}{statement}", calendar::words(signature.at.date()), signature.by));
            }
            None => lines.push("Not signed off.".into()),
        }
        lines.extend(
            event.amendments.iter().map(|added| format!("Added on {} by {}: {}", calendar::words(added.at.date()), added.by, added.text)),
        );
        lines
    }

    fn fitted(self, part: &Fitted, event: &ServiceEvent) -> String {
        let mut about: Vec<String> = [&part.description].into_iter().filter(|text| !text.is_empty()).cloned().collect();
        about.extend(part.part_number.as_ref().map(|number| format!("part number {number}")));
        about.extend(part.date_code.as_ref().map(|code| format!("date code {code}")));
        about.push(part.condition.to_string());
        if part.prior_distance.value() > 0.0 {
            about.push(format!("had run {} {}", figure(&part.prior_distance), event.unit));
        }
        format!("{}: fitted, {}.", self.of(&part.component, part.position), about.join(", "))
    }

    fn value(self, value: &MeasuredValue) -> String {
        let mut text = format!(
            "{}: {} {} {}",
            self.of(&value.component, value.position),
            value.quantity.as_str().replace('_', " "),
            figure(&value.reduced),
            value.unit
        );
        if value.readings.len() > 1 {
            let readings: Vec<_> = value.readings.iter().map(figure).collect();
            let _ = write!(text, " ({} of {})", value.reduce, readings.join(", "));
        }
        let judged: Vec<_> = value
            .judged
            .iter()
            .map(|limit| {
                let range = match (&limit.lower, &limit.upper) {
                    (Some(lower), Some(upper)) => format!("{} to {}", figure(lower), figure(upper)),
                    (Some(lower), None) => format!("at least {}", figure(lower)),
                    (None, Some(upper)) => format!("at most {}", figure(upper)),
                    (None, None) => "no bounds".into(),
                };
                format!("{} ({} limit: {range} {}, {})", verdict(limit.verdict), limit.kind, limit.unit, or(&limit.source, "no source"))
            })
            .collect();
        let verdicts = if judged.is_empty() { verdict(value.verdict).into() } else { judged.join("; ") };
        format!("{text}: {verdicts}.")
    }
}

fn or<'a>(text: &'a str, otherwise: &'a str) -> &'a str {
    if text.is_empty() { otherwise } else { text }
}

fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Within => "within",
        Verdict::Outside => "outside",
        Verdict::TooCloseToCall => "too close to call",
        Verdict::NoLimit => "no limit known",
    }
}

/// What was followed, then each step that was not done.
fn followed(followed: &Followed) -> Vec<String> {
    let not_done = followed.not_done().map(|(number, step)| {
        let why = step.left_out_because.as_ref().map_or_else(|| "not said to be done".to_owned(), |why| format!("left out ({why})"));
        format!("Step {number}, {}: {why}.", step.text.trim_end_matches('.'))
    });
    std::iter::once(format!("Procedure followed: {}", followed.in_words())).chain(not_done).collect()
}
fn tightened(tightened: &Tightened) -> String {
    let stages: Vec<_> = tightened
        .stages
        .iter()
        .map(|stage| {
            let value = stage.value.as_ref().map_or_else(|| format!("stage {}", stage.stage), quantity);
            let because = if stage.because.is_empty() { verdict(stage.verdict) } else { &stage.because };
            format!("{value} ({because})")
        })
        .collect();
    let mut text = format!("{}: tightened", tightened.name);
    if !stages.is_empty() {
        let _ = write!(text, " to {}", stages.join(", "));
    }
    match tightened.single_use_was {
        Some(SingleUse::Reused) => text.push_str("; single-use, fitted a second time"),
        Some(SingleUse::Replaced) => text.push_str("; single-use, replaced"),
        None => {}
    }
    if tightened.witness_mark {
        text.push_str("; witness mark drawn");
    }
    text + "."
}

fn hours(reading: &Reading) -> Option<String> {
    (reading.counter == crate::domain::words::CounterKind::Hours).then(|| format!("{} {}", figure(&reading.reading), reading.unit))
}

fn about_part(part: &InstalledPart) -> Vec<String> {
    let mut about: Vec<String> = [&part.description].into_iter().filter(|text| !text.is_empty()).cloned().collect();
    about.extend(part.part_number.as_ref().map(|number| format!("Part number {number}")));
    about.extend(part.date_code.as_ref().map(|code| format!("Date code {code}")));
    about.push(format!("{} when first fitted", part.condition));
    about
}

fn instrument(change: &Instrument) -> Vec<String> {
    let shown =
        |figure_of: &Option<crate::domain::quantity::Figure>| figure_of.as_ref().map(|shown| format!("{} {}", figure(shown), change.unit));
    let mut lines = Vec::new();
    if change.kind == InstrumentChange::Replaced {
        lines.push(match shown(&change.old_final) {
            Some(last) => format!("The old one showed {last} last."),
            None => "What the old one showed last is not known.".into(),
        });
        lines.extend(shown(&change.new_start).map(|first| format!("The new one began at {first}.")));
    } else {
        lines.extend(shown(&change.capacity).map(|capacity| format!("It counts to {capacity} and then starts again.")));
    }
    if !change.reason.is_empty() {
        lines.push(change.reason.clone());
    }
    lines
}
