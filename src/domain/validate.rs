//! What is wrong with a request, as far as the request alone can tell: every problem with its place and what to do next.
//!
//! The nouns of service events are in [`service`](self::service), the workshop's rules, limits and fasteners in
//! [`rules`](self::rules). What needs the database (does the component exist, does the odometer go down) is not asked here.
mod rules;
mod service;
#[cfg(test)]
mod tests;

use serde::Serialize;
use serde_json::Value;
use time::Date;

pub use self::{
    rules::{fastener, interval_rule, kinds_of, limit, procedure},
    service::{event_details, follow_up, installed_part, measured, service_event},
};
use super::{
    lay_up::NewLayUp,
    motorcycle::{NewInstrument, NewMotorcycle, NewOwner, NewReading},
    quantity::{Figure, Kind, Quantity, Unit},
    rule::Years,
};

/// A thing that is wrong, and where.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Problem {
    /// A JSON pointer into the request body (RFC 6901), such as `/every/distance/unit`.
    pub pointer: String,
    /// What is wrong and what to do next, in one sentence.
    pub detail: String,
}
impl Problem {
    /// A problem at a place.
    #[must_use]
    pub fn new(pointer: impl Into<String>, detail: impl Into<String>) -> Self {
        Self { pointer: pointer.into(), detail: detail.into() }
    }
}

/// The longest list in one request. A service with more lines than this is a mistake, not a service.
pub const MOST_ENTRIES: usize = 2000;
/// The longest name, number or key, in characters.
pub const LONGEST_NAME: usize = 200;
/// The longest free text, in characters.
pub const LONGEST_TEXT: usize = 10_000;
/// More than any vehicle runs, in any of the units a counter has.
pub const FARTHEST: f64 = 10_000_000.0;
/// The years a date may lie in: the first motorcycle, and far enough ahead for any interval.
const YEARS: std::ops::RangeInclusive<i32> = 1885..=2200;
/// Fields that hold free text; every other string is a name, a number or a key, and stands on one line.
const TEXTS: [&str; 10] = ["notes", "note", "text", "summary", "source", "reason", "statement", "description", "greeting", "closing"];

/// Problems as they are found.
#[derive(Debug, Default)]
struct Problems(Vec<Problem>);

impl Problems {
    /// Starts with what is wrong with the strings and lists of a body, whatever they mean.
    fn of(body: &impl Serialize) -> Self {
        Self(strings_and_lists(body))
    }
    fn add(&mut self, pointer: impl Into<String>, detail: impl Into<String>) {
        self.0.push(Problem::new(pointer, detail));
    }
    fn must(&mut self, holds: bool, pointer: &str, detail: &str) {
        if !holds {
            self.add(pointer, detail);
        }
    }
    fn not_empty(&mut self, pointer: &str, text: &str, what: &str) {
        self.must(!text.trim().is_empty(), pointer, &format!("must not be empty; say {what}"));
    }
    fn date(&mut self, pointer: &str, date: Date) {
        self.must(YEARS.contains(&date.year()), pointer, &format!("the year must lie between {} and {}", YEARS.start(), YEARS.end()));
    }
    /// A unit of one of these kinds; the answer says whether it is.
    fn kind(&mut self, pointer: &str, unit: Unit, kinds: &[Kind]) -> bool {
        if kinds.contains(&unit.kind()) {
            return true;
        }
        let good: Vec<_> = Unit::ALL.iter().filter(|unit| kinds.contains(&unit.kind())).map(|unit| unit.as_str()).collect();
        let wanted: Vec<_> = kinds.iter().map(|kind| kind.as_str()).collect();
        self.add(
            pointer,
            format!("{unit} is a unit of {}, but {} is wanted here; use {}", unit.kind(), wanted.join(" or "), good.join(", ")),
        );
        false
    }
    fn at_least_0(&mut self, pointer: &str, figure: Option<&Figure>) {
        self.must(figure.is_none_or(|figure| figure.value() >= 0.0), pointer, "must not be less than 0");
    }
    /// What a counter shows, or a plain distance in its unit.
    fn counter(&mut self, pointer: &str, figure: Option<&Figure>) {
        let good = figure.is_none_or(|figure| (0.0..=FARTHEST).contains(&figure.value()));
        self.must(good, pointer, "must lie between 0 and 10,000,000; enter what the instrument shows");
    }
    /// A distance with its unit, above 0 or from 0 on.
    fn distance(&mut self, pointer: &str, quantity: Option<&Quantity>, zero_too: bool) {
        let Some(quantity) = quantity else { return };
        self.kind(&format!("{pointer}/unit"), quantity.unit, &[Kind::Distance]);
        let value = quantity.value.value();
        let good = (value > 0.0 || zero_too && value == 0.0) && value <= FARTHEST;
        let least = if zero_too { "must not be less than 0" } else { "must be more than 0" };
        self.must(good, &format!("{pointer}/value"), &format!("{least} and at most 10,000,000"));
    }
    fn years(&mut self, pointer: &str, years: Option<&Years>) {
        let Some(Years { from: Some(from), to: Some(to) }) = years else { return };
        self.must(from <= to, pointer, "the first year must not lie after the last; swap them");
    }
}

/// What is wrong with the strings and lists of a body, whatever they mean: control characters, lengths. The checks of
/// whole nouns begin with it; a body that has no check of its own is given to it alone.
#[must_use]
pub fn strings_and_lists(body: &impl Serialize) -> Vec<Problem> {
    let mut problems = Vec::new();
    if let Ok(body) = serde_json::to_value(body) {
        walk(&body, "", "", &mut problems);
    }
    problems
}
fn walk(value: &Value, pointer: &str, field: &str, problems: &mut Vec<Problem>) {
    match value {
        Value::String(text) => problems.extend(wrong_text(text, TEXTS.contains(&field)).map(|detail| Problem::new(pointer, detail))),
        Value::Array(entries) if entries.len() > MOST_ENTRIES => {
            problems.push(Problem::new(
                pointer,
                format!("has {} entries, but at most {MOST_ENTRIES} are taken; send several requests", entries.len()),
            ));
        }
        Value::Array(entries) => {
            for (place, entry) in entries.iter().enumerate() {
                walk(entry, &format!("{pointer}/{place}"), field, problems);
            }
        }
        Value::Object(fields) => {
            for (name, entry) in fields {
                walk(entry, &format!("{pointer}/{}", name.replace('~', "~0").replace('/', "~1")), name, problems);
            }
        }
        _ => {}
    }
}
/// What is wrong with one string. A text may have line breaks and tabs, a name stands on one line.
fn wrong_text(text: &str, long: bool) -> Option<String> {
    // Forms send a line break as CR LF; a CR alone is no line break.
    let bare = text.replace("\r\n", "\n");
    if let Some(letter) = bare.chars().find(|letter| letter.is_control() && !matches!(letter, '\n' | '\t')) {
        return Some(format!("holds the control character U+{:04X}; leave it out", u32::from(letter)));
    }
    if !long && bare.contains(['\n', '\t']) {
        return Some("must stand on one line; leave out line breaks and tabs".into());
    }
    let most = if long { LONGEST_TEXT } else { LONGEST_NAME };
    let length = text.chars().count();
    (length > most).then(|| format!("has {length} characters, but at most {most} are taken; shorten it"))
}

/// What is wrong with a motorcycle. The VIN has its own check.
#[must_use]
pub fn motorcycle(new: &NewMotorcycle) -> Vec<Problem> {
    let mut problems = Problems::of(new);
    problems.not_empty("/name", &new.name, "what the workshop calls this motorcycle");
    problems.must(
        new.year.is_none_or(|year| (1885..=2100).contains(&year)),
        "/year",
        "must lie between 1885 and 2100; it is the model year",
    );
    let factor = new.interval_factor.value();
    problems.must((0.1..=3.0).contains(&factor), "/interval_factor", "must lie between 0.1 and 3; 0.5 halves every interval, 1 leaves it");
    if let Some(on) = new.in_service_on {
        problems.date("/in_service_on", on);
    }
    if let Some(begin) = &new.records_begin {
        problems.date("/records_begin/on", begin.on);
        problems.counter("/records_begin/odometer", Some(&begin.odometer));
    }
    problems.0
}

/// What is wrong with an owner.
#[must_use]
pub fn owner(new: &NewOwner) -> Vec<Problem> {
    let mut problems = Problems::of(new);
    problems.not_empty("/name", &new.name, "who it is");
    if let Some(email) = &new.email {
        problems.must(looks_like_an_address(email), "/email", "is not an e-mail address; write it as name@example.org, or null for none");
    }
    problems.0.extend(report_times(new.reports.hour, new.reports.day));
    problems.0
}
/// What is wrong with when reports are mailed.
#[must_use]
pub fn report_times(hour: Option<u8>, day: Option<u8>) -> Vec<Problem> {
    let mut problems = Problems(Vec::new());
    problems.must(hour.is_none_or(|hour| hour < 24), "/reports/hour", "must lie between 0 and 23");
    problems.must(day.is_none_or(|day| (1..=31).contains(&day)), "/reports/day", "must lie between 1 and 31");
    problems.0
}
/// One `@` with something on both sides and nothing that could end a mail header. Whether it exists, only a mail can tell.
#[must_use]
pub fn looks_like_an_address(text: &str) -> bool {
    let odd = |letter: char| letter.is_whitespace() || letter.is_control() || matches!(letter, '<' | '>' | ',' | ';' | '"' | '(' | ')');
    text.len() <= 254
        && !text.contains(odd)
        && text.split_once('@').is_some_and(|(name, host)| !name.is_empty() && !host.is_empty() && !host.contains('@'))
}

/// What is wrong with an odometer or hour reading, apart from its neighbors.
#[must_use]
pub fn reading(new: &NewReading) -> Vec<Problem> {
    let mut problems = Problems::of(new);
    problems.date("/on", new.on);
    problems.counter("/reading", Some(&new.reading));
    problems.0
}

/// What is wrong with a lay-up as far as it alone can tell.
#[must_use]
pub fn lay_up(new: &NewLayUp) -> Vec<Problem> {
    let mut problems = Problems::of(new);
    problems.date("/from", new.from);
    if let Some(to) = new.to {
        problems.date("/to", to);
        problems.must(
            to >= new.from,
            "/to",
            "lies before the first day; it is the last day on which it stands, or null while nobody knows",
        );
    }
    problems.0
}

/// What is wrong with the note that an instrument was replaced or rolled over.
#[must_use]
pub fn instrument(new: &NewInstrument) -> Vec<Problem> {
    let mut problems = Problems::of(new);
    problems.date("/on", new.on);
    problems.counter("/old_final", new.old_final.as_ref());
    problems.counter("/new_start", new.new_start.as_ref());
    let capacity = new.capacity.as_ref().is_none_or(|figure| figure.value() > 0.0 && figure.value() <= FARTHEST);
    problems.must(
        capacity,
        "/capacity",
        "must be more than 0 and at most 10,000,000; it is the figure at which the instrument starts again",
    );
    problems.0
}
