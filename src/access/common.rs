//! Passwords that many people choose, by how they are made: repetitions, walks over a keyboard, runs of digits and letters, words that stand
//! in every list of leaked passwords with a little around them, and what anybody knows about the person.
//!
//! The words are from memory and common knowledge of leaked lists; no such list is copied here. What is asked of a password otherwise is only
//! its length: no digit, no capital, no sign is demanded.

/// Words that common passwords are made of. From memory; none longer is needed, because words in a row are found too.
const WORDS: &[&str] = &[
    "password",
    "passwort",
    "passord",
    "motdepasse",
    "contrasena",
    "wachtwoord",
    "parola",
    "senha",
    "haslo",
    "pass",
    "word",
    "passphrase",
    "welcome",
    "letmein",
    "changeme",
    "changethis",
    "default",
    "secret",
    "admin",
    "administrator",
    "root",
    "user",
    "username",
    "guest",
    "login",
    "signin",
    "access",
    "master",
    "system",
    "server",
    "service",
    "account",
    "manager",
    "mechanic",
    "owner",
    "workshop",
    "garage",
    "motorcycle",
    "motorbike",
    "bike",
    "witnessmark",
    "witness",
    "mark",
    "test",
    "tests",
    "testing",
    "temp",
    "temporary",
    "hello",
    "monkey",
    "dragon",
    "shadow",
    "sunshine",
    "princess",
    "football",
    "baseball",
    "basketball",
    "hockey",
    "soccer",
    "killer",
    "freedom",
    "whatever",
    "computer",
    "internet",
    "iloveyou",
    "ilove",
    "love",
    "you",
    "me",
    "my",
    "mine",
    "your",
    "the",
    "this",
    "that",
    "is",
    "it",
    "a",
    "an",
    "and",
    "or",
    "not",
    "no",
    "yes",
    "for",
    "to",
    "in",
    "on",
    "of",
    "i",
    "am",
    "new",
    "old",
    "good",
    "god",
    "baby",
    "angel",
    "money",
    "trust",
    "trustno",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "spring",
    "summer",
    "autumn",
    "fall",
    "winter",
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
    "monday",
    "tuesday",
    "wednesday",
    "thursday",
    "friday",
    "saturday",
    "sunday",
    "abc",
    "abcd",
    "qwerty",
    "qwertz",
    "azerty",
    "asdf",
    "zxcv",
    "please",
    "open",
    "sesame",
    "superuser",
    "super",
    "long",
    "very",
    "really",
    "secure",
    "security",
    "safe",
    "strong",
    "twelve",
    "characters",
    "letters",
];

/// Keys in a row, as fingers walk over them: the rows of the common layouts, the columns, the letters and the digits in their order.
const WALKS: &[&str] = &[
    "abcdefghijklmnopqrstuvwxyzabc",
    "01234567890123456789",
    "qwertyuiop",
    "asdfghjkl",
    "zxcvbnm",
    "qwertzuiop",
    "yxcvbnm",
    "azertyuiop",
    "qsdfghjklm",
    "wxcvbn",
    "1qaz2wsx3edc4rfv5tgb6yhn7ujm8ik9ol0p",
    "!qaz@wsx#edc$rfv%tgb^yhn&ujm",
    "!@#$%^&*()",
    "qazwsxedcrfvtgbyhnujmikolp",
    "1q2w3e4r5t6y7u8i9o0p",
    "q1w2e3r4t5y6u7i8o9p0",
    "147258369",
    "963852741",
    "159357",
    "aqwzsxedcrfvtgb",
];

/// How many characters that are no letters may stand around common words without making a password of them.
const AROUND: usize = 6;

/// Why a password is one of the common ones; `known` is what anybody knows about its owner: address, name, workshop.
#[must_use]
pub fn why_common(password: &str, known: &[&str]) -> Option<&'static str> {
    let letters: Vec<char> = password.to_lowercase().chars().filter(|letter| !letter.is_whitespace()).collect();
    if of_few_characters(&letters) {
        return Some("The password is made of very few different characters; use a few words instead.");
    }
    if repeats(&letters) {
        return Some("The password repeats one short piece; use a few words instead.");
    }
    if walks(&letters) {
        return Some("The password follows the keys or the alphabet; use a few words instead.");
    }
    if of_known_words(password, known) {
        return Some(
            "The password is made of words that are tried first: the commonest ones, this service's, or your own name; use others.",
        );
    }
    None
}

fn of_few_characters(letters: &[char]) -> bool {
    let mut different = letters.to_vec();
    different.sort_unstable();
    different.dedup();
    different.len() < 5
}

/// Whether the whole is one piece again and again, the last time perhaps cut short.
fn repeats(letters: &[char]) -> bool {
    (1..=letters.len() / 2).any(|period| letters.iter().skip(period).zip(letters).all(|(later, earlier)| later == earlier))
}

/// Whether at least three quarters of it are steps from one key to the next of a walk, forwards or backwards, three or more in a row.
fn walks(letters: &[char]) -> bool {
    let mut covered = vec![false; letters.len()];
    for walk in WALKS {
        let there: Vec<char> = walk.chars().collect();
        let back: Vec<char> = walk.chars().rev().collect();
        for way in [there, back] {
            for start in 0..letters.len() {
                let longest = (0..way.len()).map(|at| in_step(&letters[start..], &way[at..])).max().unwrap_or(0);
                if longest >= 3 {
                    covered[start..start + longest].fill(true);
                }
            }
        }
    }
    let count = covered.iter().filter(|covered| **covered).count();
    count * 4 >= letters.len() * 3
}
fn in_step(letters: &[char], way: &[char]) -> usize {
    letters.iter().zip(way).take_while(|(letter, key)| letter == key).count()
}

/// Whether the letters fall apart into common words, or into what is known about the person, with little or a pattern around them.
/// Digits that stand for letters are read both ways.
fn of_known_words(password: &str, known: &[&str]) -> bool {
    let lower = password.to_lowercase();
    let own: Vec<String> = known.iter().flat_map(|text| pieces(text)).collect();
    let words: Vec<&str> = WORDS.iter().copied().chain(own.iter().map(String::as_str)).collect();
    let patterned = |rest: &[char]| rest.len() <= AROUND || of_few_characters(rest) || repeats(rest) || walks(rest);
    let is_letter = |letter: char| letter.is_alphabetic();
    let plain: String = lower.chars().filter(|letter| is_letter(*letter)).collect();
    let rest: Vec<char> = lower.chars().filter(|letter| !is_letter(*letter) && !letter.is_whitespace()).collect();
    let read = |text: &str| text.chars().map(meant).filter(|letter| is_letter(*letter)).collect::<String>();
    // Figures at either end that stand for nothing: `p4ssw0rd2024`.
    let body = lower.trim_matches(|letter| !is_letter(letter));
    let ends: Vec<char> = lower.split(body).filter(|_| !body.is_empty()).flat_map(str::chars).collect();
    patterned(&rest) && falls_apart(&plain, &words)
        || patterned(&ends) && falls_apart(&read(body), &words)
        || falls_apart(&read(&lower), &words)
}
/// The words in a text that is known about somebody, of four letters or more.
fn pieces(text: &str) -> Vec<String> {
    let lower = text.to_lowercase();
    let parts = lower.split(|letter: char| !letter.is_alphabetic()).map(str::to_owned);
    let whole: String = lower.split('@').next().unwrap_or_default().chars().filter(|letter| letter.is_alphabetic()).collect();
    parts.chain([whole]).filter(|part| part.chars().count() >= 3).collect()
}
fn meant(letter: char) -> char {
    match letter {
        '0' => 'o',
        '1' | '!' | '|' => 'i',
        '3' => 'e',
        '4' | '@' => 'a',
        '5' | '$' => 's',
        '7' | '+' => 't',
        '8' => 'b',
        '9' => 'g',
        other => other,
    }
}
/// Whether a text is words in a row with nothing left over.
fn falls_apart(text: &str, words: &[&str]) -> bool {
    if text.is_empty() {
        return false;
    }
    let mut reached = vec![false; text.len() + 1];
    reached[0] = true;
    for start in 0..text.len() {
        if reached[start] && text.is_char_boundary(start) {
            for word in words.iter().filter(|word| text[start..].starts_with(**word)) {
                reached[start + word.len()] = true;
            }
        }
    }
    reached[text.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    const KNOWN: &[&str] = &["ada.birch@example.org", "Ada Birch", "Quayside Works"];

    #[test]
    fn what_many_people_choose_is_refused() {
        for common in [
            "aaaaaaaaaaaa",
            "abababababab",
            "121212121212",
            "abcabcabcabc",
            "passwordpassword",
            "hay bale hay bale",
            "123456789012",
            "987654321098",
            "qwertyuiop123",
            "1qaz2wsx3edc",
            "asdfghjkl;123",
            "zaq12wsxcde3",
            "q1w2e3r4t5y6",
            "abcdefghijkl",
            "password1234",
            "Password123!",
            "P4ssw0rd2024!",
            "p@$$w0rd1234",
            "welcome12345",
            "letmein123456",
            "iloveyou2023",
            "Summer2026!!!",
            "thisismypassword",
            "admin1234567",
            "administrator",
            "changemeplease",
            "witnessmark1",
            "Witnessmark2026",
            "motorcycle123",
            "adabirch1234",
            "Birch-Birch-1",
            "quaysideworks",
            "quayside 2026",
            "passwordpassword1",
            "monday-tuesday",
            "master dragon 1",
            "dragon121212121212",
        ] {
            assert!(why_common(common, KNOWN).is_some(), "{common}");
        }
    }
    #[test]
    fn words_that_belong_together_only_for_their_owner_are_taken() {
        for good in [
            "hay bale under lantern",
            "ferry tern saltmarsh",
            "seven gulls on a crane",
            "Tq7-kestrel-moss",
            "blue valve whistling",
            "39184720563917",
            "my kettle has a dent",
            "dragon 93847561203",
            "ärger über öl im hof",
            "пять чаек на кране",
            "三羽のカモメがクレーンの上に",
        ] {
            assert_eq!(why_common(good, KNOWN), None, "{good}");
        }
    }
    #[test]
    fn what_is_known_about_one_person_is_no_reason_for_another() {
        assert!(why_common("saltmarsh-2026", &["bo@saltmarsh.example"]).is_some());
        assert_eq!(why_common("saltmarsh-2026", KNOWN), None);
    }
}
