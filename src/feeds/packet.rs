//! The history packet on paper: a page for the browser and its printer, and a PDF.
use askama::Template;

use super::pdf::{Document, Style};
use crate::{
    domain::{
        calendar, caution,
        component::Component,
        packet::{
            Packet,
            lines::{InWords, Names, quantity},
        },
    },
    error::{Error, Result},
    pages::assets,
};

/// The packet in words: what both forms show.
#[derive(Debug, Template)]
#[template(path = "packet.html", whitespace = "minimize")]
struct Paper<'a> {
    icon: &'a str,
    style: &'a str,
    title: String,
    workshop: &'a str,
    made_on: String,
    not_known: &'a [String],
    facts: Vec<(&'static str, String)>,
    distance: Vec<String>,
    entries: Vec<InWords>,
    does_not_prove: &'a str,
    head: &'a str,
    fingerprint: &'a str,
    signature_says: &'a str,
    caution: &'static str,
}

impl<'a> Paper<'a> {
    fn new(packet: &'a Packet, components: &[Component]) -> Self {
        let (about, names) = (&packet.about, Names(components));
        Self {
            icon: &assets::ICON.url,
            style: &assets::STYLE.url,
            title: about.motorcycle.name.clone(),
            workshop: &about.workshop,
            made_on: calendar::words(about.made_on),
            not_known: &about.not_known.in_words,
            facts: facts(packet),
            distance: distance(packet),
            entries: packet.entries.iter().map(|link| names.entry(&link.entry)).collect(),
            does_not_prove: &packet.chain.does_not_prove,
            head: &packet.chain.head,
            fingerprint: &packet.signature.key.kid,
            signature_says: &packet.signature.says,
            caution: caution::GENERAL,
        }
    }
}

fn facts(packet: &Packet) -> Vec<(&'static str, String)> {
    let bike = &packet.about.motorcycle;
    let make = [bike.year.map(|year| year.to_string()).unwrap_or_default(), bike.make.clone(), bike.model.clone()];
    let make: Vec<_> = make.into_iter().filter(|word| !word.is_empty()).collect();
    let facts = [
        ("Make and model", Some(make.join(" "))),
        ("VIN", bike.vin.clone()),
        ("Frame number", bike.frame_number.clone()),
        ("Registration", bike.registration.clone()),
        ("Final drive", Some(bike.final_drive.to_string())),
        ("Odometer counts in", Some(bike.odometer_unit.to_string())),
        ("First on the road", bike.in_service_on.map(calendar::words)),
    ];
    facts.into_iter().filter_map(|(name, value)| Some((name, value.filter(|value| !value.is_empty())?))).collect()
}

fn distance(packet: &Packet) -> Vec<String> {
    let distance = &packet.about.distance;
    let mut sentences = vec![distance.statement.clone()];
    match &distance.shown {
        Some(shown) => sentences.push(format!("On {} the odometer showed {}.", calendar::words(shown.on), quantity(&shown.odometer))),
        None => sentences.push("The odometer was never read.".into()),
    }
    sentences.extend(distance.sum.as_ref().map(|sum| format!("With what was counted before: {sum}.")));
    sentences
}

/// The packet as a page of its own, made to be printed.
///
/// # Errors
/// Where the page cannot be made.
pub fn html(packet: &Packet, components: &[Component]) -> Result<String> {
    Paper::new(packet, components).render().map_err(Error::internal)
}

/// The packet as a PDF on A4.
#[must_use]
pub fn pdf(packet: &Packet, components: &[Component]) -> Vec<u8> {
    let paper = Paper::new(packet, components);
    let mut document = Document::new(format!("History of {}", paper.title), format!("Chain ends with {}", paper.head));
    document.add(Style::Title, &format!("History of {}", paper.title));
    document.add(Style::Soft, &format!("Kept by {}. Made on {}.", paper.workshop, paper.made_on));
    document.add(Style::Heading, "What is not known");
    for sentence in paper.not_known {
        document.add(Style::Item, sentence);
    }
    document.add(Style::Heading, "The motorcycle");
    for (name, value) in &paper.facts {
        document.add(Style::Text, &format!("{name}: {value}"));
    }
    document.add(Style::Heading, "Statement of distance");
    for sentence in &paper.distance {
        document.add(Style::Text, sentence);
    }
    document.add(Style::Heading, "Everything on record");
    for entry in &paper.entries {
        add_entry(&mut document, entry);
    }
    document.add(Style::Heading, "How to check this");
    document.add(Style::Text, paper.does_not_prove);
    document.add(Style::Text, &format!("The last hash of the chain (SHA-256): {}", paper.head));
    document.add(Style::Text, paper.signature_says);
    document.add(Style::Text, &format!("The fingerprint of the workshop's key (RFC 7638): {}", paper.fingerprint));
    document.add(Style::Text, &format!("Before you rely on a figure: {}", paper.caution));
    document.finish()
}

fn add_entry(document: &mut Document, entry: &InWords) {
    document.add(Style::Entry, &entry.title);
    let mut when = format!("Done {}", entry.done);
    if !entry.odometer.is_empty() {
        when = format!("{when} at {}", entry.odometer);
    }
    if !entry.by.is_empty() {
        when = format!("{when} by {}", entry.by);
    }
    document.add(Style::Soft, &format!("{when}; entered {}.", entry.entered));
    if let Some(struck) = &entry.struck_out {
        document.add(Style::Bold, struck);
    }
    for line in &entry.lines {
        document.add(Style::Item, line);
    }
}
