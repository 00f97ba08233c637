//! A calendar that programs fetch (RFC 5545): an all-day entry on the day from which each thing is due.
use icalendar::{Calendar, Component, Event, Parameter, Property};
use serde::{Deserialize, Serialize};
use time::{Date, OffsetDateTime, macros::format_description};
use utoipa::ToSchema;

use super::{
    due::{DueItemId, DueItemOn},
    id::Id,
    motorcycle::Motorcycle,
};

/// An address for a calendar program, as entered.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"motorcycle_id": null}))]
pub struct NewCalendar {
    /// Only this motorcycle; null: every one that the caller sees.
    pub motorcycle_id: Option<Id<Motorcycle>>,
}

/// An address that a calendar program fetches, without its secret.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct CalendarAddress {
    /// Its id, a UUIDv7 (RFC 9562).
    pub id: Id<CalendarAddress>,
    /// Only this motorcycle; null: every one that its maker saw.
    pub motorcycle_id: Option<Id<Motorcycle>>,
    /// Who made it: a person's or token's name.
    #[schema(example = "Ada Birch")]
    pub made_by: String,
    /// When it was made, RFC 3339 in UTC.
    #[serde(with = "time::serde::rfc3339")]
    pub created_at: OffsetDateTime,
}

/// What an entry says, apart from how often it has changed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Content {
    /// The due item; the entry is called after it.
    pub id: DueItemId,
    /// The day.
    pub on: Date,
    /// In one line.
    pub summary: String,
    /// Why, line by line.
    pub description: String,
    /// The page of the motorcycle.
    pub url: Option<String>,
}

/// An entry with how often and when its content changed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// What it says.
    pub content: Content,
    /// How often that has changed.
    pub sequence: i64,
    /// When it last did.
    pub changed_at: OffsetDateTime,
}

impl Content {
    /// The entry of a due item; none where nobody knows a day. `site` is the address of the pages, where it is known.
    #[must_use]
    pub fn of(item: &DueItemOn, site: Option<&str>) -> Option<Self> {
        let on = item.due_from?;
        let caution = "The maker's service manual and local rules come first.";
        let lines: Vec<_> = item.because.iter().map(String::as_str).chain([caution]).collect();
        Some(Self {
            id: item.id,
            on,
            summary: format!("{}: {}", item.motorcycle.name, item.title),
            description: lines.join("\n"),
            url: site.map(|site| format!("{site}/motorcycles/{}", item.motorcycle.id)),
        })
    }
}

/// The calendar as text, with the lines of RFC 5545.
#[must_use]
pub fn text(name: &str, entries: &[Entry]) -> String {
    let mut calendar = Calendar::empty();
    for (key, value) in
        [("VERSION", "2.0"), ("PRODID", "-//Witnessmark//What is due//EN"), ("CALSCALE", "GREGORIAN"), ("X-WR-CALNAME", &one_line(name))]
    {
        calendar.append_property(Property::new(key, value));
    }
    for entry in entries {
        calendar.push(event(entry));
    }
    folded(&calendar.to_string())
}

fn event(entry: &Entry) -> Event {
    let content = &entry.content;
    let day = |on: Date| on.format(format_description!("[year][month][day]")).unwrap_or_default();
    let changed = entry.changed_at.format(format_description!("[year][month][day]T[hour][minute][second]Z")).unwrap_or_default();
    let all_day = |name: &str, on| Property::new(name, day(on)).append_parameter(Parameter::new("VALUE", "DATE")).done();
    let mut event = Event::new();
    event.add_property("UID", format!("{}@witnessmark", content.id));
    // Without a METHOD the stamp says when the entry last changed (3.8.7.2).
    event.add_property("DTSTAMP", &changed).add_property("LAST-MODIFIED", &changed);
    event.add_property("SEQUENCE", entry.sequence.to_string());
    event.append_property(all_day("DTSTART", content.on));
    // The end is the first day that does not belong to it any more (3.6.1).
    event.append_property(all_day("DTEND", content.on.next_day().unwrap_or(content.on)));
    event.add_property("SUMMARY", one_line(&content.summary)).add_property("DESCRIPTION", plain(&content.description));
    // Something to do on a day, not a day that is taken.
    event.add_property("TRANSP", "TRANSPARENT");
    if let Some(url) = &content.url {
        event.add_property("URL", url);
    }
    event.done()
}
/// Text without what no calendar may hold: control characters other than line breaks.
fn plain(text: &str) -> String {
    text.replace("\r\n", "\n").chars().filter(|letter| !letter.is_control() || *letter == '\n').collect()
}
fn one_line(text: &str) -> String {
    plain(text).replace('\n', " ")
}

/// Content lines of at most 75 octets without their end (3.1), cut between letters.
fn folded(text: &str) -> String {
    let unfolded = text.replace("\r\n ", "");
    let mut folded = String::with_capacity(text.len() + 64);
    for line in unfolded.split_terminator("\r\n") {
        let mut octets = 0;
        for letter in line.chars() {
            if octets + letter.len_utf8() > 75 {
                folded.push_str("\r\n ");
                octets = 1;
            }
            folded.push(letter);
            octets += letter.len_utf8();
        }
        folded.push_str("\r\n");
    }
    folded
}

#[cfg(test)]
mod tests {
    use time::macros::{date, datetime};
    use uuid::Uuid;

    use super::*;

    fn entry(summary: &str) -> Entry {
        let content = Content {
            id: Id::new(Uuid::from_u128(7)),
            on: date!(2026 - 12 - 31),
            summary: summary.into(),
            description: "One, two; three\nBack\\slash".into(),
            url: None,
        };
        Entry { content, sequence: 3, changed_at: datetime!(2026-05-02 10:00:07.5 UTC) }
    }

    #[test]
    fn an_entry_is_written_as_the_standard_says() {
        let text = text("Quayside, Works", &[entry("Courier 3: Öl; Filter\u{7}")]);
        assert_eq!(
            text.split("\r\n").collect::<Vec<_>>(),
            [
                "BEGIN:VCALENDAR",
                "VERSION:2.0",
                "PRODID:-//Witnessmark//What is due//EN",
                "CALSCALE:GREGORIAN",
                "X-WR-CALNAME:Quayside\\, Works",
                "BEGIN:VEVENT",
                "DESCRIPTION:One\\, two\\; three\\nBack\\\\slash",
                "DTEND;VALUE=DATE:20270101",
                "DTSTAMP:20260502T100007Z",
                "DTSTART;VALUE=DATE:20261231",
                "LAST-MODIFIED:20260502T100007Z",
                "SEQUENCE:3",
                "SUMMARY:Courier 3: Öl\\; Filter",
                "TRANSP:TRANSPARENT",
                "UID:00000000-0000-0000-0000-000000000007@witnessmark",
                "END:VEVENT",
                "END:VCALENDAR",
                "",
            ]
        );
    }
    #[test]
    fn long_lines_are_folded_between_letters() {
        for length in 50..200 {
            let summary = "ä".repeat(length) + &"x".repeat(length % 7);
            let text = text("W", &[entry(&summary)]);
            assert!(text.split("\r\n").all(|line| line.len() <= 75), "{text}");
            assert!(text.replace("\r\n ", "").contains(&format!("SUMMARY:{summary}\r\n")), "{text}");
        }
    }
}
