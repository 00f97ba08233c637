//! Figures, days and statuses in the words of the pages.
use time::{Date, OffsetDateTime};

use crate::{
    clock::{Clock, wall_clock},
    domain::{
        calendar,
        component::Component,
        due::DueItemOn,
        motorcycle::Instrument,
        quantity::{Figure, Quantity, grouped},
        service::MeasuredValue,
        words::{Governs, InstrumentChange, Position, Status, Thread, Verdict},
    },
};

/// A day with its weekday: `Wednesday 25 November 2026`.
#[must_use]
pub fn long_day(day: Date) -> String {
    format!("{} {} {} {}", day.weekday(), day.day(), day.month(), day.year())
}
/// A day and the time on the wall, in a time zone: `25 Nov 2026, 14:03`.
#[must_use]
pub fn instant(at: OffsetDateTime, time_zone: &str) -> String {
    let (hour, minute) = wall_clock(at, time_zone);
    format!("{}, {hour:02}:{minute:02}", calendar::words(Clock::Fixed(at).today(time_zone)))
}
/// A figure with its digits as entered, the whole part grouped: `16,214.5`.
#[must_use]
pub fn figure(figure: &Figure) -> String {
    let text = figure.text();
    let (whole, rest) = text.find(['.', 'e', 'E']).map_or((text.as_str(), ""), |place| text.split_at(place));
    let digits = whole.trim_start_matches('-');
    if digits.len() < 5 && digits.len() != 4 || !rest.is_empty() && !rest.starts_with('.') {
        return text;
    }
    let sign = if whole.starts_with('-') { "-" } else { "" };
    let groups: Vec<_> = digits.as_bytes().rchunks(3).rev().map(String::from_utf8_lossy).collect();
    format!("{sign}{}{rest}", groups.join(","))
}
/// A quantity with its digits as entered: `16,214 mi`.
#[must_use]
pub fn quantity(quantity: &Quantity) -> String {
    format!("{} {}", figure(&quantity.value), quantity.unit)
}
/// A quantity in whole units, without its sign: `320 mi`.
#[must_use]
pub fn about(quantity: &Quantity) -> String {
    format!("{} {}", grouped(quantity.value.value().abs().round()), quantity.unit)
}
/// A position as it is said: `front left`.
#[must_use]
pub fn position(position: Position) -> String {
    position.to_string().replace('_', " ")
}
/// Text with its first letter large.
#[must_use]
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}
/// Words joined as in a sentence: `Ferry, Saltmarsh and Tern`.
#[must_use]
pub fn list(words: &[String]) -> String {
    match words {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}
/// An age in months as people say it: `3 years 2 months`.
#[must_use]
pub fn age(months: i32) -> String {
    let count = |number: i32, word: &str| format!("{number} {word}{}", if number == 1 { "" } else { "s" });
    match (months.max(0) / 12, months.max(0) % 12) {
        (0, 0) => "under a month".into(),
        (0, months) => count(months, "month"),
        (years, 0) => count(years, "year"),
        (years, months) => format!("{} {}", count(years, "year"), count(months, "month")),
    }
}

/// A component where it sits, as it is said: `Rear brake pads`. A key that is no longer known is said as it is.
#[must_use]
pub fn component(known: &[Component], key: &str, place: Option<Position>) -> String {
    let name =
        known.iter().find(|component| component.key == key).map_or_else(|| key.replace('_', " "), |component| component.name.clone());
    match place {
        // A name such as ABS sensor keeps its letters.
        Some(place) if name.chars().nth(1).is_some_and(char::is_lowercase) => {
            let (first, rest) = name.split_at(name.chars().next().map_or(0, char::len_utf8));
            capital(&format!("{} {}{rest}", position(place), first.to_lowercase()))
        }
        Some(place) => capital(&format!("{} {name}", position(place))),
        None => name,
    }
}
/// The date code of a tire, week and year: `made in week 31 of 2025`.
#[must_use]
pub fn made_in(code: &str) -> String {
    match code.split_at_checked(2) {
        Some((week, year)) if year.len() == 2 => format!("made in week {} of 20{year}", week.trim_start_matches('0')),
        _ => format!("date code {code}"),
    }
}
/// A measured value: `deflection 9.0 mm at 45 N`.
#[must_use]
pub fn measured(value: &MeasuredValue) -> String {
    let force = value.at_force.as_ref().map(|force| format!(" at {}", quantity(force))).unwrap_or_default();
    format!("{} {} {}{force}", value.quantity.as_str().replace('_', " "), figure(&value.reduced), value.unit)
}

/// What happened to an instrument, in a sentence.
#[must_use]
pub fn instrument(change: &Instrument) -> String {
    let figure = |figure: &Option<_>| figure.as_ref().map(|figure| format!("{} {}", self::figure(figure), change.unit));
    let on = calendar::words(change.on);
    let why = if change.reason.is_empty() { String::new() } else { format!(" {}", change.reason) };
    match change.kind {
        InstrumentChange::Replaced => {
            let old = figure(&change.old_final)
                .map_or_else(|| "nobody knows what the old one showed last".into(), |old| format!("the old one showed {old} last"));
            let new = figure(&change.new_start).unwrap_or_else(|| format!("0 {}", change.unit));
            format!("Replaced on {on}: {old}, the new one showed {new} first.{why}")
        }
        InstrumentChange::RolledOver => {
            format!("Rolled over on {on}, at {}.{why}", figure(&change.capacity).unwrap_or_else(|| "its end".into()))
        }
    }
}

/// A status as a word.
#[must_use]
pub const fn status(status: Status) -> &'static str {
    match status {
        Status::Overdue => "Overdue",
        Status::Due => "Due",
        Status::NearlyDue => "Nearly due",
        Status::Later => "Later",
        Status::NoHistory => "No history",
    }
}
/// The status of an item; `Probably due` where it rests on a forecast.
#[must_use]
pub fn status_of(item: &DueItemOn) -> String {
    let word = status(item.status);
    if item.certain || item.status == Status::Later { word.into() } else { format!("Probably {}", word.to_lowercase()) }
}
/// How a thread is prepared, as it is said: `clean and dry`.
#[must_use]
pub const fn thread(thread: Thread) -> &'static str {
    match thread {
        Thread::CleanDry => "clean and dry",
        Thread::Oiled => "oiled",
        Thread::ThreadLockerLow => "thread locker, low strength",
        Thread::ThreadLockerMedium => "thread locker, medium strength",
        Thread::ThreadLockerHigh => "thread locker, high strength",
        Thread::AntiSeize => "anti-seize",
        Thread::Sealant => "sealant",
    }
}
/// A verdict as it is said: `too close to call`.
#[must_use]
pub const fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Within => "within",
        Verdict::Outside => "outside",
        Verdict::TooCloseToCall => "too close to call",
        Verdict::NoLimit => "no limit",
    }
}

/// When an item comes due, in a few words.
#[must_use]
pub fn when(item: &DueItemOn, today: Date) -> String {
    if item.status == Status::NoHistory {
        return "nobody knows; do it once and the rule runs".into();
    }
    let Some(due) = item.due_from else { return "no date can be given yet".into() };
    let day = calendar::words(due);
    let by_distance = matches!(item.governs, Some(Governs::Distance | Governs::Hours | Governs::Wear | Governs::FollowUp) | None);
    let left = left(item);
    if due <= today {
        let passed = left.filter(|_| by_distance).map(|(left, past)| if past { format!(", {left} past") } else { String::new() });
        let word = if item.status == Status::Overdue { "since" } else { "reached on" };
        return format!("{word} {day}{}", passed.unwrap_or_default());
    }
    let day = if by_distance && item.due_at.on != Some(due) { format!("about {day}") } else { day };
    match left {
        Some((left, false)) if by_distance => format!("in {left}, {day}"),
        Some((left, false)) => format!("{day}, or in {left}"),
        _ => day,
    }
}
/// What is left to the due point in distance or hours, and whether it is past.
fn left(item: &DueItemOn) -> Option<(String, bool)> {
    if item.governs == Some(Governs::Hours) {
        return item.remaining.hours.as_ref().map(|hours| (format!("{} h", grouped(hours.value().abs().round())), hours.value() < 0.0));
    }
    item.remaining.distance.as_ref().map(|left| (about(left), left.value.value() < 0.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_keep_their_digits() {
        for (text, said) in
            [("16214", "16,214"), ("1234.50", "1,234.50"), ("999", "999"), ("-12345", "-12,345"), ("0.50", "0.50"), ("1e+5", "1e+5")]
        {
            assert_eq!(figure(&Figure::parse(text).unwrap()), said);
        }
    }
    #[test]
    fn lists_and_ages_read_as_people_say_them() {
        let names = |count: usize| ["A", "B", "C"][..count].iter().map(ToString::to_string).collect::<Vec<_>>();
        assert_eq!((list(&names(1)), list(&names(2)), list(&names(3))), ("A".into(), "A and B".into(), "A, B and C".into()));
        assert_eq!(
            (age(0), age(1), age(12), age(38)),
            ("under a month".into(), "1 month".into(), "1 year".into(), "3 years 2 months".into())
        );
    }
}
