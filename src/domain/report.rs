//! What a report says: what is waiting, what is new since the last one, what comes next.
use std::collections::HashMap;

use serde::{Deserialize, Serialize};
use time::Date;

use super::{
    calendar,
    due::{DueItemId, DueItemOn},
    id::Id,
    letter::one_line,
    motorcycle::Motorcycle,
    words::Status,
};

/// How many items of one kind a report lists at most; the page has the rest.
pub const MOST: usize = 100;
/// How many months ahead a report looks.
pub const MONTHS: i64 = 3;

/// An item as a report told of it, for the next one to compare with.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Told {
    /// The due item.
    pub id: DueItemId,
    /// Its motorcycle.
    pub motorcycle_id: Id<Motorcycle>,
    /// The motorcycle's name then.
    pub motorcycle: String,
    /// What it was about.
    pub title: String,
    /// How it stood.
    pub status: Status,
}

/// Something that is new since the last report, in a sentence.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    /// The motorcycle's name.
    pub motorcycle: String,
    /// The rest of the sentence.
    pub what: String,
}

/// The last report that was mailed to the same recipient.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Last {
    /// The day it was about.
    pub on: Date,
    /// What it told.
    pub told: Vec<Told>,
}

/// What a report says.
#[derive(Clone, Debug, PartialEq)]
pub struct Report {
    /// The day it is about.
    pub day: Date,
    /// What is overdue, due or nearly due, soonest first.
    pub waiting: Vec<DueItemOn>,
    /// What comes due in the next three months.
    pub coming: Vec<DueItemOn>,
    /// What nobody knows a date of.
    pub unknown: Vec<DueItemOn>,
    /// What is new since the last report.
    pub changes: Vec<Change>,
    /// The day of the last report.
    pub since: Option<Date>,
}

/// The order in which statuses are listed: the most pressing first.
fn is_waiting(status: Status) -> bool {
    matches!(status, Status::Overdue | Status::Due | Status::NearlyDue)
}

impl Report {
    /// The report on these items, soonest first, on a day. `settled` holds the items that the last report told of and that are waiting no
    /// longer, where they still exist: they tell whether the work was done.
    #[must_use]
    pub fn new(day: Date, items: Vec<DueItemOn>, last: Option<&Last>, settled: &[DueItemOn]) -> Self {
        let until = calendar::add_months(day, MONTHS);
        let (waiting, rest): (Vec<_>, Vec<_>) = items.into_iter().partition(|item| is_waiting(item.status));
        let (unknown, rest): (Vec<_>, Vec<_>) = rest.into_iter().partition(|item| item.status == Status::NoHistory);
        let coming = rest.into_iter().filter(|item| item.due_from.is_some_and(|due| due <= until)).collect();
        let changes = last.map(|last| changes(last, &waiting, settled)).unwrap_or_default();
        Self { day, waiting, coming, unknown, changes, since: last.map(|last| last.on) }
    }

    /// How many items are due or overdue.
    #[must_use]
    pub fn due(&self) -> usize {
        self.waiting.iter().filter(|item| item.status != Status::NearlyDue).count()
    }
    /// How many items are nearly due.
    #[must_use]
    pub fn soon(&self) -> usize {
        self.waiting.len() - self.due()
    }
    /// Whether it is worth a mail to somebody who wants none when nothing is due and nothing changed. What is nearly due is new in a first
    /// report.
    #[must_use]
    pub fn says_something(&self) -> bool {
        self.due() > 0 || !self.changes.is_empty() || (self.since.is_none() && self.soon() > 0)
    }
    /// What the next report compares with.
    #[must_use]
    pub fn told(&self) -> Vec<Told> {
        let told = |item: &DueItemOn| Told {
            id: item.id,
            motorcycle_id: item.motorcycle.id,
            motorcycle: item.motorcycle.name.clone(),
            title: item.title.clone(),
            status: item.status,
        };
        self.waiting.iter().map(told).collect()
    }

    /// The fact, in one line: `2 due, 1 soon: Courier 3, Ferry`.
    #[must_use]
    pub fn subject(&self) -> String {
        let counts = match (self.due(), self.soon()) {
            (0, 0) => {
                return match self.coming.first() {
                    Some(next) => {
                        let day = next.due_from.map(calendar::words).unwrap_or_default();
                        format!("Nothing due; next {day}: {}", short(&next.motorcycle.name))
                    }
                    None => "Nothing due".into(),
                };
            }
            (due, 0) => format!("{due} due"),
            (0, soon) => format!("{soon} soon"),
            (due, soon) => format!("{due} due, {soon} soon"),
        };
        let mut names: Vec<String> = Vec::new();
        for item in &self.waiting {
            let name = short(&item.motorcycle.name);
            if !names.contains(&name) {
                names.push(name);
            }
        }
        let more = names.len().saturating_sub(4);
        names.truncate(4);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        format!("{counts}: {}{more}", names.join(", "))
    }
}

/// A name that leaves room for others in a subject.
fn short(name: &str) -> String {
    let line = one_line(name);
    if line.chars().count() <= 40 { line } else { format!("{}…", line.chars().take(39).collect::<String>()) }
}

const fn said(status: Status) -> &'static str {
    match status {
        Status::Overdue => "overdue",
        Status::Due => "due",
        Status::NearlyDue => "nearly due",
        Status::Later => "not due yet",
        Status::NoHistory => "without history",
    }
}

fn changes(last: &Last, waiting: &[DueItemOn], settled: &[DueItemOn]) -> Vec<Change> {
    let before: HashMap<_, _> = last.told.iter().map(|told| (told.id, told)).collect();
    let change = |name: &str, what| Change { motorcycle: name.to_owned(), what };
    let mut changes = Vec::new();
    for item in waiting {
        let (title, now) = (&item.title, said(item.status));
        match before.get(&item.id) {
            Some(told) if told.status == item.status => {}
            Some(told) => changes.push(change(&item.motorcycle.name, format!("{title}: {now}, was {}.", said(told.status)))),
            None => changes.push(change(&item.motorcycle.name, format!("{title}: {now}."))),
        }
    }
    for told in last.told.iter().filter(|told| !waiting.iter().any(|item| item.id == told.id)) {
        let done = settled.iter().find(|item| item.id == told.id).and_then(|item| item.last_done.as_ref()).map(|done| done.on);
        let what = match done.filter(|on| *on >= last.on) {
            Some(on) => format!("{}: done on {}.", told.title, calendar::words(on)),
            None => format!("{}: waiting no longer, was {}.", told.title, said(told.status)),
        };
        changes.push(change(&told.motorcycle, what));
    }
    changes
}
