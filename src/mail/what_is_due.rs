//! The mail "What is due" in words, as text and as HTML: the same sentences in both.
use askama::Template;

use crate::{
    domain::{
        calendar, caution,
        due::DueItemOn,
        report::{Change, MOST, Report},
        words::Status,
        workshop::Workshop,
    },
    error::{Error, Result},
    pages::{links, words},
};

/// What the mail says, in words.
#[derive(Clone, Debug)]
pub struct InWords {
    /// The workshop's name.
    pub workshop: String,
    /// The day that it is about.
    pub day: String,
    /// What the workshop says first, line by line.
    pub greeting: Vec<String>,
    /// What it says last, line by line.
    pub closing: Vec<String>,
    /// What there is to do, in one sentence.
    pub opening: String,
    /// What is new since the last one.
    pub changes: Vec<Change>,
    /// The day of the last one.
    pub since: Option<String>,
    /// What is due or overdue.
    pub due: Vec<Bike>,
    /// What is nearly due.
    pub soon: Vec<Bike>,
    /// What comes due in the next months.
    pub coming: Vec<Coming>,
    /// What nobody knows a date of.
    pub unknown: Vec<Bike>,
    /// Said where something is left out.
    pub more: Option<String>,
    /// What to mind before relying on it.
    pub caution: &'static str,
    /// The page with all of it.
    pub all: String,
    /// Why the recipient gets it.
    pub why: String,
    /// Where it can be stopped; none in a preview.
    pub stop: Option<String>,
}

/// A motorcycle with what is to be done on it.
#[derive(Clone, Debug)]
pub struct Bike {
    /// Its name.
    pub name: String,
    /// Its page.
    pub href: String,
    /// What is to be done.
    pub lines: Vec<Line>,
}
/// One thing to be done.
#[derive(Clone, Debug)]
pub struct Line {
    /// What.
    pub title: String,
    /// How it stands and since or until when: `Probably due, reached on 2 Oct 2026`.
    pub state: String,
    /// The first reason.
    pub because: Option<String>,
}
/// Something that comes due.
#[derive(Clone, Debug)]
pub struct Coming {
    /// The day.
    pub day: String,
    /// The motorcycle's name.
    pub motorcycle: String,
    /// What.
    pub title: String,
}

impl InWords {
    /// A report in words. `links` is scheme and host of the pages; `stop` the address where it can be stopped.
    #[must_use]
    pub fn new(report: &Report, workshop: &Workshop, links: &str, for_owner: bool, stop: Option<String>) -> Self {
        let name = &workshop.name;
        let of = |wanted: &dyn Fn(&&DueItemOn) -> bool| {
            let items: Vec<_> = report.waiting.iter().filter(wanted).take(MOST).collect();
            by_motorcycle(&items, report, links)
        };
        let unknown: Vec<_> = report.unknown.iter().take(MOST).collect();
        let coming = report.coming.iter().take(MOST).map(|item| Coming {
            day: item.due_from.map(calendar::words).unwrap_or_default(),
            motorcycle: item.motorcycle.name.clone(),
            title: item.title.clone(),
        });
        let left_out =
            report.due() > MOST || report.soon() > MOST || [&report.coming, &report.unknown].iter().any(|list| list.len() > MOST);
        Self {
            workshop: name.clone(),
            greeting: lines(workshop.reports.greeting.as_deref()),
            closing: lines(workshop.reports.closing.as_deref()),
            day: words::long_day(report.day),
            opening: opening(report),
            changes: report.changes.iter().take(MOST).cloned().collect(),
            since: report.since.map(calendar::words),
            due: of(&|item| item.status != Status::NearlyDue),
            soon: of(&|item| item.status == Status::NearlyDue),
            coming: coming.collect(),
            unknown: by_motorcycle(&unknown, report, links),
            more: left_out.then(|| format!("Each list stops at {MOST} entries; the page has all of them.")),
            caution: caution::GENERAL,
            all: format!("{links}/"),
            why: if for_owner {
                format!("You get this because {name} keeps the history of your motorcycles.")
            } else {
                format!("You get this because the settings of {name} name this address.")
            },
            stop,
        }
    }
}

fn lines(text: Option<&str>) -> Vec<String> {
    text.unwrap_or_default().lines().map(|line| line.trim_end().to_owned()).collect()
}

fn opening(report: &Report) -> String {
    let count = |count: usize, words: &str| format!("{count} {}{words}", if count == 1 { "thing is " } else { "things are " });
    match (report.due(), report.soon()) {
        (0, 0) => "Nothing is due.".into(),
        (due, 0) => format!("{}.", count(due, "due")),
        (0, soon) => format!("{}.", count(soon, "nearly due")),
        (due, soon) => format!("{}, {soon} nearly.", count(due, "due")),
    }
}

/// Items under their motorcycles, in the order in which the motorcycles come first.
fn by_motorcycle(items: &[&DueItemOn], report: &Report, links: &str) -> Vec<Bike> {
    let mut bikes: Vec<(_, Bike)> = Vec::new();
    for item in items {
        let line = Line {
            title: item.title.clone(),
            state: format!("{}, {}", words::status_of(item), words::when(item, report.day)),
            because: item.because.first().cloned(),
        };
        if let Some((_, bike)) = bikes.iter_mut().find(|(id, _)| *id == item.motorcycle.id) {
            bike.lines.push(line);
        } else {
            let href = format!("{links}{}", links::motorcycle(item.motorcycle.id));
            bikes.push((item.motorcycle.id, Bike { name: item.motorcycle.name.clone(), href, lines: vec![line] }));
        }
    }
    bikes.into_iter().map(|(_, bike)| bike).collect()
}

#[derive(Template)]
#[template(path = "mail/what_is_due.txt", whitespace = "preserve")]
struct Text<'a> {
    said: &'a InWords,
}
#[derive(Template)]
#[template(path = "mail/what_is_due.html", whitespace = "minimize")]
struct Html<'a> {
    said: &'a InWords,
}

/// The mail as text.
///
/// # Errors
/// Where the template fails.
pub fn text(said: &InWords) -> Result<String> {
    Text { said }.render().map_err(Error::internal)
}
/// The mail as HTML.
///
/// # Errors
/// Where the template fails.
pub fn html(said: &InWords) -> Result<String> {
    Html { said }.render().map_err(Error::internal)
}
