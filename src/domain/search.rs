//! Searching texts for words: all of them must be there, in any order, without regard to case and accents.
//!
//! Texts are split and folded here, not by the engines: so both find the same, and nothing typed can be an operator to them.
use std::collections::HashSet;

use serde::{Deserialize, Serialize};
use time::Date;
use utoipa::ToSchema;
use uuid::Uuid;

use super::{
    id::Id,
    motorcycle::Motorcycle,
    service::ServiceEvent,
    sums,
    words::{Operation, Position, words},
};

words! {
    /// What was found.
    FoundKind { ServiceEvent => "service_event", Amendment => "amendment", InstalledPart => "installed_part", FollowUp => "follow_up",
        Attachment => "attachment", }
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
    /// The service event that it belongs to; for an event its own id.
    pub service_event_id: Option<Id<ServiceEvent>>,
    /// The day; for a part that of its last fitting.
    pub on: Date,
    /// Whether it was struck out.
    pub struck_out: bool,
    /// The pieces of text that hold the words.
    pub text: String,
}

/// The words that are looked for, folded; the last of them may be the beginning of one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Words {
    words: Vec<String>,
    /// They were asked in a whole sentence: then one piece is to hold all of them.
    together: bool,
}

/// So many words are looked for at most.
pub const MOST_WORDS: usize = 10;
/// The longest word that is told apart, in letters.
const LONGEST_WORD: usize = 64;
/// So many bytes of words are kept of one thing: well below what an engine takes.
const MOST_BYTES: usize = 200_000;

/// With these a question begins, and in it they say nothing about what is meant.
const ASKING: [&str; 14] = ["when", "what", "which", "who", "where", "how", "did", "do", "does", "was", "were", "has", "have", "is"];
const FILLING: [&str; 28] = [
    "the",
    "a",
    "an",
    "of",
    "on",
    "in",
    "at",
    "to",
    "for",
    "and",
    "my",
    "our",
    "its",
    "it",
    "we",
    "i",
    "are",
    "had",
    "been",
    "be",
    "last",
    "latest",
    "lastly",
    "time",
    "times",
    "ever",
    "previously",
    "done",
];

impl Words {
    /// The words of a question. Of one that is asked in a whole sentence (`When were the rear pads last changed?`) those that matter.
    ///
    /// # Errors
    /// A sentence where there is none, or too many.
    pub fn of(question: &str) -> Result<Self, String> {
        let (mut words, mut together) = (words(question), false);
        let asks = |word: &String| ASKING.contains(&word.as_str());
        if words.len() > 2 && (words.first().is_some_and(asks) || question.trim_end().ends_with('?')) {
            let meant: Vec<_> = words.iter().filter(|word| !asks(word) && !FILLING.contains(&word.as_str())).cloned().collect();
            if !meant.is_empty() {
                (words, together) = (meant, true);
            }
        }
        match words.len() {
            0 => Err("Say what to look for: one word or several.".into()),
            1..=MOST_WORDS => Ok(Self { words, together }),
            _ => Err(format!("At most {MOST_WORDS} words are looked for at once; leave some out.")),
        }
    }
    /// The question as SQLite's full-text index takes it. Words are letters and digits alone, so nothing in them can be an operator.
    #[must_use]
    pub fn for_sqlite(&self) -> String {
        let words: Vec<_> = self.words.iter().map(|word| format!("\"{word}\"")).collect();
        format!("{} *", words.join(" AND "))
    }
    /// The question as PostgreSQL's full-text index takes it.
    #[must_use]
    pub fn for_postgres(&self) -> String {
        let words: Vec<_> = self.words.iter().map(|word| format!("'{word}'")).collect();
        format!("{}:*", words.join(" & "))
    }
    /// The pieces that hold one of the words, joined; the first is what the thing is called, and always there. Behind a tab a piece has what
    /// else it is found by. `None` where a whole sentence was asked and no piece answers it: what was changed on one day and looked at on
    /// another is not to be mixed up.
    #[must_use]
    pub fn shown<'a>(&self, pieces: impl Iterator<Item = &'a str>) -> Option<String> {
        let last = self.words.last().map_or("", String::as_str);
        let is_meant = |word: &String| self.words.contains(word) || word.starts_with(last);
        let mut shown: Vec<&str> = Vec::new();
        let mut answered = !self.together;
        for (place, piece) in pieces.enumerate() {
            let held = words(piece);
            let before = &self.words[..self.words.len().saturating_sub(1)];
            let answers = before.iter().all(|word| held.contains(word)) && held.iter().any(|word| word.starts_with(last));
            answered = answered || answers;
            let piece = piece.split('\t').next().unwrap_or_default().trim();
            let wanted = if self.together { answers } else { held.iter().any(is_meant) };
            if !piece.is_empty() && !shown.contains(&piece) && (place == 0 || wanted) {
                shown.push(piece);
            }
        }
        answered.then(|| shown.join(" · "))
    }
}

/// The words of a text: runs of letters and digits, in small letters without accents.
#[must_use]
pub fn words(text: &str) -> Vec<String> {
    let folded = fold(text);
    let split = folded.split(|letter: char| !letter.is_alphanumeric()).filter(|word| !word.is_empty());
    split.map(|word| word.chars().take(LONGEST_WORD).collect()).collect()
}
/// The words of several texts, each once, as the index holds them: joined by spaces.
#[must_use]
pub fn indexed<'a>(texts: impl Iterator<Item = &'a str>) -> String {
    let mut seen = HashSet::new();
    let mut all = String::new();
    for word in texts.flat_map(words) {
        if all.len() + word.len() < MOST_BYTES && seen.insert(word.clone()) {
            if !all.is_empty() {
                all.push(' ');
            }
            all.push_str(&word);
        }
    }
    all
}

/// Small letters without what stands above or below them: `Größe` and `grosse`, `Café` and `cafe` are the same.
#[must_use]
pub fn fold(text: &str) -> String {
    let mut folded = String::with_capacity(text.len());
    for letter in text.chars().flat_map(char::to_lowercase) {
        match plain(letter) {
            Some(plain) => folded.push_str(plain),
            None => folded.push(letter),
        }
    }
    folded
}
/// The plain letters of an accented Latin one (Unicode's blocks Latin-1 Supplement and Latin Extended-A, small letters); nothing for an
/// accent that stands by itself.
fn plain(letter: char) -> Option<&'static str> {
    Some(match letter {
        '\u{300}'..='\u{36f}' => "",
        'à'..='å' | 'ā' | 'ă' | 'ą' => "a",
        'æ' => "ae",
        'ç' | 'ć' | 'ĉ' | 'ċ' | 'č' => "c",
        'ð' | 'ď' | 'đ' => "d",
        'è'..='ë' | 'ē' | 'ĕ' | 'ė' | 'ę' | 'ě' => "e",
        'ĝ' | 'ğ' | 'ġ' | 'ģ' => "g",
        'ĥ' | 'ħ' => "h",
        'ì'..='ï' | 'ĩ' | 'ī' | 'ĭ' | 'į' | 'ı' => "i",
        'ĵ' => "j",
        'ķ' => "k",
        'ĺ' | 'ļ' | 'ľ' | 'ŀ' | 'ł' => "l",
        'ñ' | 'ń' | 'ņ' | 'ň' => "n",
        'ò'..='ö' | 'ø' | 'ō' | 'ŏ' | 'ő' => "o",
        'œ' => "oe",
        'ŕ' | 'ŗ' | 'ř' => "r",
        'ś' | 'ŝ' | 'ş' | 'š' | 'ș' => "s",
        'ß' => "ss",
        'ţ' | 'ť' | 'ŧ' | 'ț' => "t",
        'þ' => "th",
        'ù'..='ü' | 'ũ' | 'ū' | 'ŭ' | 'ů' | 'ű' | 'ų' => "u",
        'ŵ' => "w",
        'ý' | 'ÿ' | 'ŷ' => "y",
        'ź' | 'ż' | 'ž' => "z",
        _ => return None,
    })
}

/// What else people call what was done: it is found by these too.
#[must_use]
pub const fn also(operation: Operation) -> &'static str {
    match operation {
        Operation::Inspect => "inspected checked check",
        Operation::Clean => "cleaned washed",
        Operation::Adjust => "adjusted set",
        Operation::Lubricate => "lubricated greased grease oiled lube",
        Operation::Tighten => "tightened torqued",
        Operation::Replace => "replaced changed change renewed renew swapped new",
        Operation::Repair => "repaired fixed",
        Operation::Measure => "measured",
        Operation::Fit => "fitted mounted installed",
        Operation::Remove => "removed",
        Operation::Record => "recorded",
    }
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
    use proptest::prelude::*;

    use super::*;

    fn of(question: &str) -> Vec<String> {
        Words::of(question).unwrap().words
    }

    #[test]
    fn words_are_folded_and_split_at_all_signs() {
        assert_eq!(of("Größe CAFÉ drive_chain 10w-40"), ["grosse", "cafe", "drive", "chain", "10w", "40"]);
        assert_eq!(fold("e\u{301}"), fold("é"));
        assert_eq!(of("Ёлка 部品"), ["ёлка", "部品"], "other scripts stay as they are");
    }
    #[test]
    fn a_question_is_asked_by_what_it_is_about() {
        assert_eq!(of("When were the rear pads last changed?"), ["rear", "pads", "changed"]);
        assert_eq!(of("rear pads changed?"), ["rear", "pads", "changed"]);
        // No question: every word counts.
        assert_eq!(of("last time at the wall"), ["last", "time", "at", "the", "wall"]);
        assert_eq!(of("when was the"), ["when", "was", "the"]);
    }
    #[test]
    fn the_engines_are_asked_in_their_own_languages() {
        let words = Words::of("rear \"pads' OR *").unwrap();
        assert_eq!(words.for_sqlite(), r#""rear" AND "pads" AND "or" *"#);
        assert_eq!(words.for_postgres(), "'rear' & 'pads' & 'or':*");
    }
    #[test]
    fn what_holds_the_words_is_shown_behind_what_it_is_called() {
        let words = Words::of("chain spac").unwrap();
        let pieces = ["Rear wheel out", "Spacers left", "Drive chain, adjust", "Rear wheel out", "Nothing"];
        assert_eq!(words.shown(pieces.into_iter()), Some("Rear wheel out · Spacers left · Drive chain, adjust".into()));
        let asked = Words::of("When were the rear pads last changed?").unwrap();
        let changed = ["Service", "Rear brake pads, replace\tbrake_pads replaced changed", "Rear tire, inspect"];
        assert_eq!(asked.shown(changed.into_iter()), Some("Service · Rear brake pads, replace".into()));
        let looked_at = ["Service", "Rear brake pads, inspect\tchecked", "Engine oil, replace\tchanged"];
        assert_eq!(asked.shown(looked_at.into_iter()), None);
    }
    #[test]
    fn no_word_and_too_many_are_said() {
        assert!(Words::of(" _ ").is_err() && Words::of(&"a ".repeat(11)).is_err() && Words::of(&"a ".repeat(10)).is_ok());
    }
    #[test]
    fn the_index_holds_each_word_once_and_no_more_than_an_engine_takes() {
        assert_eq!(indexed(["Chain, chain", "CHAIN oil"].into_iter()), "chain oil");
        let long: String = (0..100_000).flat_map(|number| ["word".to_owned(), number.to_string(), " ".to_owned()]).collect();
        assert!(indexed([long.as_str()].into_iter()).len() < MOST_BYTES);
    }
    proptest! {
        #[test]
        fn whatever_is_typed_is_words_and_nothing_else(question in "\\PC{0,60}") {
            if let Ok(words) = Words::of(&question) {
                prop_assert!((1..=MOST_WORDS).contains(&words.words.len()));
                for word in &words.words {
                    prop_assert!(!word.is_empty() && word.chars().all(char::is_alphanumeric), "{word:?}");
                    prop_assert_eq!(&super::words(word).concat(), word, "folding once more changes nothing");
                }
            }
        }
    }
}
