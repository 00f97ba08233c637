//! Searching texts for words: all of them must be there, in any order, without regard to case.
use serde::{Deserialize, Serialize};
use time::Date;
use utoipa::ToSchema;
use uuid::Uuid;

use super::{
    id::Id,
    motorcycle::Motorcycle,
    sums,
    words::{Operation, Position, words},
};

words! {
    /// What was found.
    FoundKind { ServiceEvent => "service_event", Amendment => "amendment", InstalledPart => "installed_part", FollowUp => "follow_up", }
}

/// One thing that was found.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct Found {
    /// What it is.
    pub kind: FoundKind,
    /// Its id.
    pub id: Uuid,
    /// The motorcycle; for a part the one that it is or was on last.
    pub motorcycle_id: Option<Id<Motorcycle>>,
    /// The day; for a part that of its last fitting.
    pub on: Date,
    /// The pieces of text that hold the words.
    pub text: String,
}

/// The words that are looked for, in lower case.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Words(Vec<String>);

/// So many words are looked for at most.
pub const MOST_WORDS: usize = 10;

impl Words {
    /// The words of a question, split at white space and underscores.
    ///
    /// # Errors
    /// A sentence where there is none, or too many.
    pub fn of(question: &str) -> Result<Self, String> {
        let split = question.split(|letter: char| letter.is_whitespace() || letter == '_').filter(|word| !word.is_empty());
        let words: Vec<_> = split.map(str::to_lowercase).collect();
        match words.len() {
            0 => Err("Say what to look for: one word or several.".into()),
            1..=MOST_WORDS => Ok(Self(words)),
            _ => Err(format!("At most {MOST_WORDS} words are looked for at once; leave some out.")),
        }
    }
    /// Patterns for `like`, one for each of the three words that narrow down most. They find all that is wanted, and sometimes more: the
    /// engines lower letters beyond ASCII differently, and a JSON text escapes quotes, so whatever is not plain stands for anything.
    #[must_use]
    pub fn patterns(&self) -> [String; 3] {
        let mut plain: Vec<String> = self.0.iter().map(|word| pattern(word)).collect();
        plain.sort_by_key(|pattern| std::cmp::Reverse(pattern.chars().filter(|letter| *letter != '%').count()));
        let nth = |place: usize| plain.get(place).cloned().unwrap_or_else(|| "%".into());
        [nth(0), nth(1), nth(2)]
    }
    /// The pieces that hold one of the words, joined; `None` unless each word is in one of them.
    #[must_use]
    pub fn found_in(&self, pieces: &[String]) -> Option<String> {
        let lower: Vec<_> = pieces.iter().map(|piece| piece.to_lowercase().replace('_', " ")).collect();
        if !self.0.iter().all(|word| lower.iter().any(|piece| piece.contains(word))) {
            return None;
        }
        let holds = |piece: &str| self.0.iter().any(|word| piece.contains(word));
        let mut shown: Vec<&str> = Vec::new();
        for (place, piece) in pieces.iter().enumerate() {
            // The first piece is what the thing is called.
            if !piece.trim().is_empty() && (place == 0 || holds(&lower[place])) && !shown.contains(&piece.trim()) {
                shown.push(piece.trim());
            }
        }
        Some(shown.join(" · "))
    }
}

fn pattern(word: &str) -> String {
    let mut pattern = String::from("%");
    for letter in word.chars() {
        match letter {
            letter if letter.is_ascii_alphanumeric() => pattern.push(letter),
            _ if pattern.ends_with('%') => {}
            _ => pattern.push('%'),
        }
    }
    if !pattern.ends_with('%') {
        pattern.push('%');
    }
    pattern
}

/// A work line as people read it: `Rear brake pads, replace`.
#[must_use]
pub fn line(component: &str, position: Option<Position>, operation: Operation) -> String {
    format!("{}, {operation}", sums::component(component, position))
}
/// A component as people read it: `Rear brake pads`.
#[must_use]
pub fn component(component: &str, position: Option<Position>) -> String {
    sums::component(component, position)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(question: &str, pieces: &[&str]) -> Option<String> {
        let pieces: Vec<_> = pieces.iter().map(|piece| (*piece).to_owned()).collect();
        Words::of(question).unwrap().found_in(&pieces)
    }

    #[test]
    fn every_word_must_be_there_in_any_piece_without_regard_to_case() {
        let pieces = ["Rear wheel out", "Spacer left", "Drive chain, adjust"];
        assert_eq!(found("SPACER wheel", &pieces).as_deref(), Some("Rear wheel out · Spacer left"));
        assert_eq!(found("drive_chain", &pieces).as_deref(), Some("Rear wheel out · Drive chain, adjust"));
        assert_eq!(found("spacer front", &pieces), None);
        assert_eq!(found("ölwechsel", &["ÖLWECHSEL"]).as_deref(), Some("ÖLWECHSEL"));
    }
    #[test]
    fn patterns_find_all_that_is_wanted() {
        let patterns = |question: &str| Words::of(question).unwrap().patterns();
        assert_eq!(patterns("Spacer"), ["%spacer%", "%", "%"]);
        assert_eq!(patterns("öl 10w-40 a%b filter"), ["%filter%", "%10w%40%", "%a%b%"]);
    }
    #[test]
    fn no_word_and_too_many_are_said() {
        assert!(Words::of(" _ ").is_err() && Words::of(&"a ".repeat(11)).is_err() && Words::of(&"a ".repeat(10)).is_ok());
    }
}
