//! Taking a person out of what was written: their names, e-mail addresses and telephone numbers, wherever they stand in a text.
//!
//! A name of several words is found in any case and spacing. A name of one word may be an ordinary word too ("Will", "Mark"), so within a
//! sentence it counts only as it is spelled; where a text says who did something, it counts in any case.
use serde_json::Value;

/// What stands in place of an address or a number.
pub const ERASED: &str = "[erased]";

/// The fields of a nested value that are written by people: all others may hold a word out of a list, which stays.
const WRITTEN: &[&str] = &[
    "name",
    "performed_by",
    "read_by",
    "written_by",
    "created_by",
    "made_by",
    "by",
    "email",
    "to_email",
    "phone",
    "recipient",
    "notes",
    "internal_notes",
    "note",
    "summary",
    "text",
    "reason",
    "description",
    "statement",
    "subject",
    "who",
];
/// Those of them that say who.
const WHO: &[&str] = &["name", "performed_by", "read_by", "written_by", "created_by", "made_by", "by", "who"];
/// A number of fewer digits is too little to know somebody by.
const LEAST_DIGITS: usize = 6;
/// So many must be left of a number without its country.
const LEAST_NATIONAL: usize = 8;

/// Where a text stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// Where it says who did something.
    Who,
    /// In sentences.
    Sentence,
}

/// One way in which a person is known.
#[derive(Clone, Debug, PartialEq)]
enum Trace {
    /// A name, in lower case; one of a single word as it is spelled too.
    Name { letters: Vec<char>, spelled: Option<String> },
    /// An e-mail address, in lower case.
    Email(Vec<char>),
    /// The digits of a telephone number.
    Phone(Vec<char>),
}

/// A person who is erased, with what stands in their place.
#[derive(Clone, Debug, PartialEq)]
pub struct Erasure {
    /// What is said instead of the name, such as `Erased person 3`.
    pub alias: String,
    traces: Vec<Trace>,
}

/// A text in lower case, each letter with the place where it begins; a run of spaces is one.
struct Folded<'a> {
    text: &'a str,
    letters: Vec<(usize, char)>,
}
impl<'a> Folded<'a> {
    fn new(text: &'a str) -> Self {
        let mut letters: Vec<(usize, char)> = Vec::with_capacity(text.len());
        for (at, letter) in text.char_indices() {
            if letter.is_whitespace() {
                if letters.last().is_none_or(|last| last.1 != ' ') {
                    letters.push((at, ' '));
                }
            } else {
                letters.extend(letter.to_lowercase().map(|letter| (at, letter)));
            }
        }
        Self { text, letters }
    }
    /// The letter at a place before or after another.
    fn letter(&self, at: Option<usize>) -> Option<char> {
        self.letters.get(at?).map(|letter| letter.1)
    }
    /// Where in the text the letter of a place begins.
    fn begins(&self, at: usize) -> usize {
        self.letters.get(at).map_or(self.text.len(), |letter| letter.0)
    }
    fn goes_on_with(&self, at: usize, wanted: &[char]) -> bool {
        let rest = self.letters.get(at..).unwrap_or_default();
        rest.len() >= wanted.len() && rest.iter().zip(wanted).all(|(letter, wanted)| letter.1 == *wanted)
    }
}

fn folded(text: &str) -> Vec<char> {
    Folded::new(text.trim()).letters.into_iter().map(|letter| letter.1).collect()
}
/// Whether a letter belongs to a script that puts spaces between words.
fn is_spaced(letter: char) -> bool {
    letter.is_alphanumeric() && letter < '\u{e00}'
}
/// As HTML has it, in the way of this server's templates.
fn in_html(text: &str) -> String {
    let mut html = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' | '<' | '>' | '"' | '\'' => html.extend(["&#", &u32::from(letter).to_string(), ";"]),
            other => html.push(other),
        }
    }
    html
}

/// Whether the digits before a place are a country's in front of a number: `+351`.
fn follows_a_country(text: &Folded<'_>, at: usize) -> bool {
    let before = (1..=3)
        .take_while(|back| at.checked_sub(*back).is_some_and(|at| text.letter(Some(at)).is_some_and(|letter| letter.is_ascii_digit())));
    before.last().is_some_and(|back| text.letter(at.checked_sub(back + 1)) == Some('+'))
}
/// The same number without the country, which has one to three digits, and with or without the zero that some countries put before it.
fn shorter(phone: &str, digits: &[char]) -> Vec<Vec<char>> {
    let phone = phone.trim();
    let (skipped, countries) = match (phone.starts_with('+'), digits) {
        (true, _) => (0, 1..=3),
        (false, ['0', '0', ..]) => (2, 0..=3),
        (false, ['0', ..]) => (0, 1..=1),
        _ => return Vec::new(),
    };
    let rests = countries.filter_map(|country| digits.get(skipped + country..)).filter(|rest| rest.len() >= LEAST_NATIONAL);
    rests.flat_map(|rest| [rest.to_vec(), [&['0'], rest].concat()]).collect()
}

impl Trace {
    fn name(name: &str) -> Self {
        let name = name.trim();
        let spelled = (!name.contains(char::is_whitespace)).then(|| name.to_owned());
        Self::Name { letters: folded(name), spelled }
    }

    /// Where it ends, if it begins at a letter of a text.
    fn end(&self, text: &Folded<'_>, at: usize, place: Place) -> Option<usize> {
        match self {
            Self::Name { letters, spelled } => {
                let end = at + letters.len();
                let free =
                    |edge: Option<&char>, next: Option<char>| !edge.is_some_and(|edge| is_spaced(*edge)) || !next.is_some_and(is_spaced);
                let before = text.letter(at.checked_sub(1));
                // Several languages put an s behind a name.
                let genitive = spelled.is_none() && text.letter(Some(end)) == Some('s') && free(letters.last(), text.letter(Some(end + 1)));
                let whole = free(letters.first(), before) && (free(letters.last(), text.letter(Some(end))) || genitive);
                let as_spelled =
                    |spelled: &String| place == Place::Who || text.text.get(text.begins(at)..text.begins(end)) == Some(spelled);
                (text.goes_on_with(at, letters) && whole && spelled.as_ref().is_none_or(as_spelled)).then_some(end)
            }
            Self::Email(letters) => {
                let end = at + letters.len();
                let belongs = |letter: char| letter.is_alphanumeric() || "._%+-".contains(letter);
                let before = text.letter(at.checked_sub(1)).is_some_and(belongs);
                let after = match text.letter(Some(end)) {
                    Some('.') => text.letter(Some(end + 1)).is_some_and(char::is_alphanumeric),
                    Some(letter) => letter.is_alphanumeric() || letter == '-',
                    None => false,
                };
                (text.goes_on_with(at, letters) && !before && !after).then_some(end)
            }
            Self::Phone(digits) => {
                let is_digit = |letter: Option<char>| letter.is_some_and(|letter| letter.is_ascii_digit());
                if is_digit(text.letter(at.checked_sub(1))) && !follows_a_country(text, at) {
                    return None;
                }
                let mut end = at;
                for (nth, digit) in digits.iter().enumerate() {
                    while nth > 0 && text.letter(Some(end)).is_some_and(|letter| " -./()".contains(letter)) {
                        end += 1;
                    }
                    if text.letter(Some(end)) != Some(*digit) {
                        return None;
                    }
                    end += 1;
                }
                (!is_digit(text.letter(Some(end)))).then_some(end)
            }
        }
    }

    /// Letters that stand in every text in which it is found, as a pattern of `like` on the text in lower case.
    fn pattern(&self) -> Option<String> {
        let letters = match self {
            Self::Name { letters, .. } | Self::Email(letters) => letters,
            Self::Phone(digits) => {
                return Some(digits.iter().fold("%".into(), |pattern, digit| format!("{pattern}{digit}%")));
            }
        };
        // An engine lowers ASCII alone; i and k are also what İ and the kelvin sign come down to, and then stand in no text that it lowered.
        let runs = letters.split(|letter| !letter.is_ascii_alphanumeric() || matches!(letter, 'i' | 'k'));
        let longest = runs.max_by_key(|run| run.len()).filter(|run| run.len() > 1)?;
        Some(format!("%{}%", longest.iter().collect::<String>()))
    }
}

impl Erasure {
    /// Everything that a person is known by. What is empty, or says too little, is left out.
    #[must_use]
    pub fn new(alias: String, names: &[String], emails: &[String], phones: &[String]) -> Self {
        let mut traces = Vec::new();
        for name in names.iter().filter(|name| !name.trim().is_empty()) {
            traces.push(Trace::name(name));
            traces.push(Trace::name(&in_html(name)));
        }
        for email in emails.iter().filter(|email| !email.trim().is_empty()) {
            traces.push(Trace::Email(folded(email)));
            traces.push(Trace::Email(folded(&in_html(email))));
        }
        for phone in phones {
            let digits: Vec<char> = phone.chars().filter(char::is_ascii_digit).collect();
            if digits.len() >= LEAST_DIGITS {
                traces.extend(shorter(phone, &digits).into_iter().map(Trace::Phone));
                traces.push(Trace::Phone(digits));
            } else if phone.trim().chars().count() > 2 {
                traces.push(Trace::name(phone));
            }
        }
        let mut once: Vec<Trace> = Vec::new();
        for trace in traces {
            if !once.contains(&trace) {
                once.push(trace);
            }
        }
        Self { alias, traces: once }
    }

    /// Patterns of `like`, of which one fits every text in lower case that holds the person; None where there can be no such pattern.
    #[must_use]
    pub fn patterns(&self) -> Option<Vec<String>> {
        let mut patterns = self.traces.iter().map(Trace::pattern).collect::<Option<Vec<_>>>()?;
        patterns.sort();
        patterns.dedup();
        Some(patterns)
    }

    /// A text without the person; None where they do not stand in it.
    #[must_use]
    pub fn cleaned(&self, text: &str, place: Place) -> Option<String> {
        let folded = Folded::new(text);
        let (mut out, mut at, mut copied, mut found) = (String::new(), 0, 0, false);
        while at < folded.letters.len() {
            let ends = self.traces.iter().filter_map(|trace| Some((trace.end(&folded, at, place)?, trace)));
            let Some((end, trace)) = ends.max_by_key(|found| found.0) else {
                at += 1;
                continue;
            };
            out.push_str(text.get(copied..folded.begins(at)).unwrap_or_default());
            out.push_str(if matches!(trace, Trace::Name { .. }) { &self.alias } else { ERASED });
            (at, copied, found) = (end, folded.begins(end), true);
        }
        out.push_str(text.get(copied..).unwrap_or_default());
        found.then_some(out)
    }

    /// Takes the person out of a nested value, but for the fields of these names; says whether they stood in it.
    pub fn clean(&self, value: &mut Value, but: &[&str]) -> bool {
        self.clean_below(value, "", but)
    }
    fn clean_below(&self, value: &mut Value, field: &str, but: &[&str]) -> bool {
        match value {
            Value::String(text) => {
                let is_word = text.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'_');
                if is_word && !WRITTEN.contains(&field) {
                    return false;
                }
                let place = if WHO.contains(&field) { Place::Who } else { Place::Sentence };
                let cleaned = self.cleaned(text, place);
                let found = cleaned.is_some();
                if let Some(cleaned) = cleaned {
                    *text = cleaned;
                }
                found
            }
            Value::Array(items) => {
                let found = items.iter_mut().filter_map(|item| self.clean_below(item, field, but).then_some(()));
                found.count() > 0
            }
            Value::Object(fields) => {
                let others = fields.iter_mut().filter(|(name, _)| !but.contains(&name.as_str()));
                let found = others.filter_map(|(name, value)| self.clean_below(value, name, but).then_some(()));
                found.count() > 0
            }
            Value::Null | Value::Bool(_) | Value::Number(_) => false,
        }
    }

    /// Empties what was recorded of the person themselves.
    pub fn empty(&self, value: &mut Value) {
        let Value::Object(fields) = value else { return };
        for (name, empty) in [
            ("name", Value::String(self.alias.clone())),
            ("email", Value::Null),
            ("phone", Value::Null),
            ("notes", Value::String(String::new())),
        ] {
            if let Some(field) = fields.get_mut(name) {
                *field = empty;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn ada() -> Erasure {
        let texts = |all: &[&str]| all.iter().map(|text| (*text).to_owned()).collect::<Vec<_>>();
        Erasure::new("Erased person 1".into(), &texts(&["Ada Birch"]), &texts(&["ada@example.org"]), &texts(&["+351 912 345-678"]))
    }
    fn cleaned(erasure: &Erasure, text: &str) -> String {
        erasure.cleaned(text, Place::Sentence).unwrap_or_else(|| text.to_owned())
    }

    #[test]
    fn a_name_is_found_in_any_case_and_spacing_and_never_within_another() {
        for (text, wanted) in [
            ("Ada Birch", "Erased person 1"),
            ("by ADA  birch, at home", "by Erased person 1, at home"),
            ("Ada\nBirch's and Ada Birchs", "Erased person 1's and Erased person 1s"),
            ("Ada Birchwood, Wanada Birch, Ada", "Ada Birchwood, Wanada Birch, Ada"),
            ("İ Ada Birch İ", "İ Erased person 1 İ"),
        ] {
            assert_eq!(cleaned(&ada(), text), wanted);
        }
    }
    #[test]
    fn an_address_and_a_number_are_found_whole() {
        for (text, wanted) in [
            ("Mail Ada@Example.org.", "Mail [erased]."),
            ("mia.ada@example.org, ada@example.org.uk, ada@example.org-x", "mia.ada@example.org, ada@example.org.uk, ada@example.org-x"),
            ("call 351 912 345 678 or +351912345678", "call [erased] or +[erased]"),
            ("912 345 678, 0912 345678, (912)345-678", "[erased], [erased], ([erased]"),
            ("part 3519123456789 and 1351912345678", "part 3519123456789 and 1351912345678"),
        ] {
            assert_eq!(cleaned(&ada(), text), wanted);
        }
    }
    #[test]
    fn a_name_that_is_a_word_counts_in_sentences_only_as_it_is_spelled() {
        let will = Erasure::new("Erased person 2".into(), &["Will".into()], &[], &["12".into()]);
        assert_eq!(cleaned(&will, "will need pads; Will said so on day 12"), "will need pads; Erased person 2 said so on day 12");
        assert_eq!(will.cleaned("will", Place::Who), Some("Erased person 2".into()));
        let chain = Erasure::new("Erased person 3".into(), &["chain".into()], &[], &[]);
        let mut value = json!({"component": "chain", "performed_by": "chain", "line": 84.50});
        assert!(chain.clean(&mut value, &[]));
        assert_eq!(value, json!({"component": "chain", "performed_by": "Erased person 3", "line": 84.50}));
    }
    #[test]
    fn names_in_every_script_and_in_html() {
        let yamada = Erasure::new("Erased person 1".into(), &["山田太郎".into()], &[], &[]);
        assert_eq!(cleaned(&yamada, "昨日山田太郎さんが"), "昨日Erased person 1さんが");
        assert_eq!(yamada.patterns(), None);
        let oba = Erasure::new("Erased person 1".into(), &["Bo O'Reed".into()], &[], &[]);
        assert_eq!(cleaned(&oba, "<b>Bo O&#39;Reed</b>"), "<b>Erased person 1</b>");
        let patterns = ada().patterns().expect("patterns");
        for pattern in ["%3%5%1%9%1%2%3%4%5%6%7%8%", "%9%1%2%3%4%5%6%7%8%", "%rch%", "%example%"] {
            assert!(patterns.contains(&pattern.to_owned()), "{patterns:?}");
        }
    }
    #[test]
    fn a_number_is_found_with_and_without_its_country() {
        let at_home = Erasure::new("Erased person 1".into(), &[], &[], &["0171 234567".into(), "0049 89 1234567".into()]);
        for (text, wanted) in [
            ("+49 171 234567 or +49171234567", "+49 [erased] or +49[erased]"),
            ("089 1234567, +49891234567", "[erased], +[erased]"),
            ("1171234567", "1171234567"),
        ] {
            assert_eq!(cleaned(&at_home, text), wanted);
        }
    }
    #[test]
    fn nested_values_are_cleaned_but_for_what_is_somebody_elses() {
        let mut value = json!({"name": "Ada Birch", "email": "ada@example.org", "lines": [{"note": "for Ada Birch"}], "notes": "x"});
        let mut own = value.clone();
        assert!(ada().clean(&mut value, &["name", "email"]));
        assert_eq!(
            value,
            json!({"name": "Ada Birch", "email": "ada@example.org", "lines": [{"note": "for Erased person 1"}], "notes": "x"})
        );
        ada().empty(&mut own);
        assert_eq!((&own["name"], &own["email"], &own["notes"]), (&json!("Erased person 1"), &Value::Null, &json!("")));
        assert!(!ada().clean(&mut json!({"summary": "Chain"}), &[]));
    }
}
