//! What follows from work that was written up, in a sentence or two.
use time::Date;

use super::{ServiceEvent, Verdict, words};
use crate::domain::{component::Component, due::DueItemOn, words::Status};

/// The most things that are said of a kind before the rest is only mentioned.
const MOST: usize = 2;

/// The verdicts of what was measured and tightened, and when what was done comes due again.
#[must_use]
pub fn what_follows(event: &ServiceEvent, next: &[DueItemOn], ticked: &[&DueItemOn], components: &[Component], today: Date) -> String {
    let mut sentences = vec!["Saved.".to_owned()];
    sentences.extend(verdicts(event, components));
    // Where a new part was fitted, the rule goes on with that one.
    let goes_on = |item: &DueItemOn, done: &DueItemOn| {
        let rule = |item: &DueItemOn| item.rule.as_ref().map(|rule| rule.id);
        item.id == done.id || rule(item).is_some() && rule(item) == rule(done) && item.position == done.position
    };
    let again: Vec<_> = next.iter().filter(|item| ticked.iter().any(|done| goes_on(item, done))).collect();
    for item in again.iter().take(MOST) {
        let when = words::when(item, today);
        sentences.push(match item.status {
            Status::Later | Status::NearlyDue => format!("{}: due again {when}.", item.title),
            _ => format!("{}: still {}, {when}.", item.title, words::status(item.status).to_lowercase()),
        });
    }
    if again.len() > MOST {
        sentences.push("What else comes next stands on the motorcycle’s page.".into());
    }
    sentences.join(" ")
}

/// `Drive belt: deflection 9.0 mm, within. All torques are within.` What is not within comes first.
fn verdicts(event: &ServiceEvent, components: &[Component]) -> Vec<String> {
    let mut values: Vec<_> = event.measured.iter().collect();
    values.sort_by_key(|value| std::cmp::Reverse(value.verdict));
    let mut sentences: Vec<String> = values
        .iter()
        .take(MOST)
        .map(|value| {
            let name = words::component(components, &value.component, value.position);
            format!("{name}: {}, {}.", words::measured(value), words::verdict(value.verdict))
        })
        .collect();
    if values.len() > MOST {
        sentences.push("The other values stand below.".into());
    }
    let stages = || event.tightened.iter().flat_map(|line| line.stages.iter().map(move |stage| (line, stage)));
    let wrong = stages()
        .find(|(_, stage)| stage.verdict == Verdict::Outside || stage.value.is_none() && (stage.lower.is_some() || stage.upper.is_some()));
    match wrong {
        Some((line, stage)) => {
            let how = if stage.value.is_none() { "missing" } else { "outside" };
            sentences.push(format!("{}, stage {}: {how}.", line.name, stage.stage));
        }
        None if stages().all(|(_, stage)| stage.verdict == Verdict::Within) && stages().next().is_some() => {
            sentences.push("All torques are within.".into());
        }
        None => {}
    }
    sentences
}
