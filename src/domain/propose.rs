//! What a line of an old record was about: components and operations proposed by its words, for a person to confirm. Nothing is taken for granted.
use super::{
    component::Component,
    words::{Operation, Position},
};

/// What may have been done, as the words have it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Proposal {
    /// The component's key.
    pub component: String,
    /// Where.
    pub position: Option<Position>,
    /// What was done to it.
    pub operation: Operation,
}

/// Words that mean an operation.
const DONE: &[(&str, Operation)] = &[
    ("replaced", Operation::Replace),
    ("replace", Operation::Replace),
    ("changed", Operation::Replace),
    ("change", Operation::Replace),
    ("new", Operation::Replace),
    ("renewed", Operation::Replace),
    ("swapped", Operation::Replace),
    ("fitted", Operation::Replace),
    ("adjusted", Operation::Adjust),
    ("adjust", Operation::Adjust),
    ("tensioned", Operation::Adjust),
    ("lubricated", Operation::Lubricate),
    ("lubed", Operation::Lubricate),
    ("lube", Operation::Lubricate),
    ("greased", Operation::Lubricate),
    ("oiled", Operation::Lubricate),
    ("cleaned", Operation::Clean),
    ("clean", Operation::Clean),
    ("checked", Operation::Inspect),
    ("check", Operation::Inspect),
    ("inspected", Operation::Inspect),
    ("looked", Operation::Inspect),
    ("tightened", Operation::Tighten),
    ("repaired", Operation::Repair),
    ("fixed", Operation::Repair),
    ("mended", Operation::Repair),
    ("measured", Operation::Measure),
];
/// What people call components beside their names; the longer phrase goes first. Names are added to these.
const CALLED: &[(&str, &str)] = &[
    ("air filter", "air_filter"),
    ("fuel filter", "fuel_filter"),
    ("oil filter", "oil_filter"),
    ("engine oil", "engine_oil"),
    ("fork oil", "fork_oil"),
    ("gearbox oil", "gearbox_oil"),
    ("final drive oil", "final_drive_oil"),
    ("brake fluid", "brake_fluid"),
    ("clutch fluid", "clutch_fluid"),
    ("brake hoses", "brake_hose"),
    ("fork seals", "fork_seal"),
    ("wheel bearings", "wheel_bearing"),
    ("head bearings", "steering_bearing"),
    ("oil", "engine_oil"),
    ("filter", "oil_filter"),
    ("plugs", "spark_plug"),
    ("plug", "spark_plug"),
    ("chain", "drive_chain"),
    ("belt", "drive_belt"),
    ("sprockets", "sprocket"),
    ("pads", "brake_pads"),
    ("disc", "brake_disc"),
    ("discs", "brake_disc"),
    ("rotor", "brake_disc"),
    ("caliper", "brake_caliper"),
    ("tyre", "tire"),
    ("tyres", "tire"),
    ("tires", "tire"),
    ("antifreeze", "coolant"),
    ("shock", "shock_absorber"),
    ("valve", "valves"),
    ("lamp", "lights"),
    ("bulb", "lights"),
];

/// What a text proposes: of each clause the components that it names, with the operation of the clause, or of the one next to it.
#[must_use]
pub fn propose(text: &str, components: &[Component]) -> Vec<Proposal> {
    let clauses: Vec<Vec<String>> = clauses(text);
    let operations: Vec<Option<Operation>> = clauses.iter().map(|words| operation(words)).collect();
    let mut proposals = Vec::new();
    for (place, words) in clauses.iter().enumerate() {
        // "Oil and filter changed": the word may stand with the last of several things, or with the first.
        let after = || operations[place..].iter().flatten().next();
        let before = || operations[..place].iter().rev().flatten().next();
        let Some(operation) = operations[place].or_else(|| after().or_else(before).copied()) else { continue };
        let position = position(words);
        for component in named(words, components) {
            let proposal = Proposal { component, position, operation };
            if !proposals.contains(&proposal) {
                proposals.push(proposal);
            }
        }
    }
    proposals
}
/// The words of each clause, in small letters.
fn clauses(text: &str) -> Vec<Vec<String>> {
    let text = text.to_lowercase().replace(" and ", ",").replace(" with ", ",");
    let words = |clause: &str| -> Vec<String> {
        clause.split(|letter: char| !letter.is_alphanumeric()).filter(|word| !word.is_empty()).map(str::to_owned).collect()
    };
    text.split([',', ';', '.', '+', '&', '/', '\n']).map(words).filter(|words| !words.is_empty()).collect()
}
fn operation(words: &[String]) -> Option<Operation> {
    words.iter().find_map(|word| DONE.iter().find(|(known, _)| known == word).map(|(_, operation)| *operation))
}
fn position(words: &[String]) -> Option<Position> {
    let said: Vec<_> = Position::WORDS.iter().filter(|known| words.iter().any(|word| word == *known)).copied().collect();
    said.join("_").parse().ok()
}
/// The components that a clause names; a word belongs to the longest phrase that holds it.
fn named(words: &[String], components: &[Component]) -> Vec<String> {
    let own = components.iter().map(|component| (component.name.to_lowercase(), component.key.clone()));
    let known = CALLED.iter().filter(|(_, key)| components.iter().any(|component| component.key == *key));
    let mut phrases: Vec<(Vec<String>, String)> = known
        .map(|(phrase, key)| ((*phrase).to_owned(), (*key).to_owned()))
        .chain(own)
        .map(|(phrase, key)| (phrase.split_whitespace().map(str::to_owned).collect(), key))
        .collect();
    phrases.sort_by_key(|(phrase, _)| std::cmp::Reverse(phrase.len()));
    let mut taken = vec![false; words.len()];
    let mut found = Vec::new();
    for (phrase, key) in phrases.iter().filter(|(phrase, _)| !phrase.is_empty()) {
        for start in 0..(words.len() + 1).saturating_sub(phrase.len()) {
            let range = start..start + phrase.len();
            if words[range.clone()] == phrase[..] && !taken[range.clone()].contains(&true) {
                taken[range].fill(true);
                if !found.contains(key) {
                    found.push(key.clone());
                }
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::component::always_there;

    fn said(text: &str) -> Vec<String> {
        let own = Component { key: "side_stand_switch".into(), name: "Side stand switch".into(), part: true, own: true };
        let components: Vec<_> = always_there().chain([own]).collect();
        let line = |it: Proposal| {
            let position = it.position.map(|position| format!(" {position}")).unwrap_or_default();
            format!("{}{position} {}", it.component, it.operation)
        };
        propose(text, &components).into_iter().map(line).collect()
    }

    #[test]
    fn old_lines_are_understood_as_far_as_they_go() {
        for (text, is) in [
            ("Oil and filter changed", &["engine_oil replace", "oil_filter replace"][..]),
            ("Changed oil, chain adjusted", &["engine_oil replace", "drive_chain adjust"]),
            ("New front tyre", &["tire front replace"]),
            ("Fork oil changed; new fork seals", &["fork_oil replace", "fork_seal replace"]),
            ("Rear pads replaced & brake fluid changed", &["brake_pads rear replace", "brake_fluid replace"]),
            ("Side stand switch repaired", &["side_stand_switch repair"]),
            ("Checked valves", &["valves inspect"]),
            ("Air filter cleaned", &["air_filter clean"]),
            ("Rode to the coast", &[]),
            ("Oil", &[]),
            ("New jacket", &[]),
            ("", &[]),
        ] {
            assert_eq!(said(text), is, "{text}");
        }
    }
}
