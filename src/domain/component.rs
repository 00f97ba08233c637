//! Components: those that are always there, and those that a workshop adds.
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
    validate::{LONGEST_NAME, Problem, strings_and_lists},
    words::COMPONENTS,
};

/// A component that a workshop adds.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"key": "side_stand_switch", "name": "Side stand switch", "part": true}))]
pub struct NewComponent {
    /// The word that stands for it: small letters, digits and `_`.
    #[schema(pattern = "^[a-z0-9_]{1,60}$")]
    pub key: String,
    /// What people call it.
    pub name: String,
    /// Whether it is a part, which is fitted and has an age of its own; false for fluids, tests and openings. True unless said.
    #[serde(default = "yes")]
    pub part: bool,
}
fn yes() -> bool {
    true
}

/// A kind of part or system.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Component {
    /// The word that stands for it.
    pub key: String,
    /// What people call it.
    pub name: String,
    /// Whether it is a part, which is fitted and has an age of its own.
    pub part: bool,
    /// Whether the workshop added it itself.
    pub own: bool,
}

/// The components that every workshop has.
pub fn always_there() -> impl Iterator<Item = Component> {
    COMPONENTS.iter().map(|&(key, name, part)| Component { key: key.into(), name: name.into(), part, own: false })
}

/// What is wrong with a component of the workshop's own.
#[must_use]
pub fn check(new: &NewComponent) -> Vec<Problem> {
    let mut problems = strings_and_lists(new);
    let good = |letter: char| letter.is_ascii_lowercase() || letter.is_ascii_digit() || letter == '_';
    if new.key.is_empty() || new.key.len() > 60 || !new.key.chars().all(good) {
        problems.push(Problem::new("/key", "has 1 to 60 small letters, digits and _, such as side_stand_switch"));
    }
    if new.name.trim().is_empty() {
        problems.push(Problem::new("/name", "must not be empty; say what people call it"));
    }
    problems
}

/// What to say about a component that nobody knows: the known ones that look like it, where there are any.
#[must_use]
pub fn unknown(key: &str, known: &[Component]) -> String {
    let mut close: Vec<_> = known.iter().map(|component| (strangeness(key, &component.key), component.key.as_str())).collect();
    close.retain(|(strangeness, _)| *strangeness <= 3);
    close.sort_unstable();
    let close: Vec<_> = close.into_iter().take(3).map(|(_, key)| key).collect();
    let shown: String = key.chars().take(LONGEST_NAME).collect();
    let hint = if close.is_empty() { String::new() } else { format!(" (is it {}?)", close.join(" or ")) };
    format!("{shown:?} is not a component here{hint}; GET /components lists them, POST /components adds one")
}
/// How far two words are apart: 0 where one is a word of the other, else the letters to change, put in or leave out.
fn strangeness(wrong: &str, known: &str) -> usize {
    let wrong = wrong.trim().to_lowercase().replace([' ', '-'], "_");
    let is_word_of =
        |part: &str, whole: &str| part.len() > 2 && whole.split('_').any(|word| word == part || word.strip_suffix('s') == Some(part));
    if is_word_of(&wrong, known) || is_word_of(known, &wrong) { 0 } else { letters_apart(&wrong, known) }
}
/// The Levenshtein distance. Only words of about the same length are compared: a request's text may be long.
fn letters_apart(a: &str, b: &str) -> usize {
    let (a, b): (Vec<_>, Vec<_>) = (a.chars().take(LONGEST_NAME).collect(), b.chars().collect());
    if a.len().abs_diff(b.len()) > 3 {
        return usize::MAX;
    }
    let mut row: Vec<_> = (0..=b.len()).collect();
    for (line, letter) in a.iter().enumerate() {
        let mut diagonal = std::mem::replace(&mut row[0], line + 1);
        for (column, other) in b.iter().enumerate() {
            let change = diagonal + usize::from(letter != other);
            diagonal = row[column + 1];
            row[column + 1] = change.min(diagonal + 1).min(row[column] + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(key: &str) -> String {
        unknown(key, &always_there().collect::<Vec<_>>())
    }

    #[test]
    fn a_word_that_is_almost_right_is_told_what_it_may_have_been() {
        assert!(said("brake_pad").contains("(is it brake_pads?)"), "{}", said("brake_pad"));
        assert!(said("Drive-Chain").contains("is it drive_chain"), "{}", said("Drive-Chain"));
        assert!(said("chain").contains("is it drive_chain?"), "{}", said("chain"));
        assert!(said("ignition_coil").starts_with("\"ignition_coil\" is not a component here; GET"), "{}", said("ignition_coil"));
    }
    #[test]
    fn letters_apart_are_counted() {
        for (a, b, apart) in [("tire", "tire", 0), ("tyre", "tire", 1), ("axel", "axle", 2), ("", "axle", usize::MAX), ("oil", "coil", 1)] {
            assert_eq!(letters_apart(a, b), apart, "{a} {b}");
        }
    }
    #[test]
    fn a_key_is_plain() {
        let with = |key: &str| check(&NewComponent { key: key.into(), name: "Side stand switch".into(), part: true });
        assert_eq!(with("side_stand_switch"), []);
        for key in ["", "Side", "side stand", "sidé", &"x".repeat(61)] {
            assert_eq!(with(key)[0].pointer, "/key", "{key}");
        }
        let blank = NewComponent { key: "x".into(), name: " ".into(), part: true };
        assert_eq!(check(&blank)[0].pointer, "/name");
    }
}
