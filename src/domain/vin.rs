//! Vehicle identification numbers (49 CFR 565): their characters, check digit and model year.

/// A vehicle identification number that was checked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Vin {
    /// The 17 characters, letters as capitals.
    pub number: String,
    /// What is doubtful about it, in words.
    pub warnings: Vec<String>,
}

const LENGTH: usize = 17;
/// Place 9, counted from 0.
const CHECK_PLACE: usize = 8;
/// Place 10, counted from 0.
const YEAR_PLACE: usize = 9;
/// 49 CFR 565.15(c)(2), Table IV; the check digit itself does not count.
const WEIGHTS: [u32; LENGTH] = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2];
/// 49 CFR 565.15, Table VII: the codes of 1980 and the years after it. They come round every 30 years.
const YEAR_CODES: &str = "ABCDEFGHJKLMNPRSTVWXY123456789";

/// Checks a vehicle identification number.
///
/// In North America the check digit is part of the number (49 CFR 565), so a wrong one is refused; elsewhere ISO 3779
/// does not ask for it, and a number without a right one only has a warning.
///
/// # Errors
/// A sentence that says what is wrong and what it may have been.
pub fn check(text: &str) -> Result<Vin, String> {
    let number = text.trim().to_ascii_uppercase();
    let count = number.chars().count();
    if count != LENGTH {
        return Err(format!("a VIN has 17 characters and this has {count}; an older, shorter number is a frame number"));
    }
    if let Some((place, wrong)) = (1..).zip(number.chars()).find(|(_, letter)| value(*letter).is_none()) {
        return Err(not_used(wrong, place, &number));
    }
    let mut warnings = Vec::new();
    let (expected, found) = (check_digit(&number), number.chars().nth(CHECK_PLACE));
    if expected != found {
        let detail = format!("the check digit (place 9) of {number} should be {}", expected.unwrap_or_default());
        if is_north_american(&number) {
            return Err(format!("{detail}: a character is wrong or two are swapped"));
        }
        warnings.push(format!("{detail} if its maker uses one: compare it with the number on the frame"));
    }
    Ok(Vin { number, warnings })
}

impl Vin {
    /// The model years that place 10 can mean, 30 years apart: on a motorcycle nothing else in the number tells which. Empty where
    /// place 10 is no year code, and for a number that does not follow the North American rules.
    #[must_use]
    pub fn model_years(&self) -> Vec<i32> {
        let follows = is_north_american(&self.number) || self.warnings.is_empty();
        let code = self.number.chars().nth(YEAR_PLACE).filter(|_| follows);
        let years = (1980..).zip(YEAR_CODES.chars()).find(|(_, known)| Some(*known) == code);
        years.map(|(year, _)| vec![year, year + 30]).unwrap_or_default()
    }
    /// A warning where a model year disagrees with the number. Outside North America place 10 need not be the year, so there is none.
    #[must_use]
    pub fn year_warning(&self, year: i32) -> Option<String> {
        match self.model_years()[..] {
            [early, late] if is_north_american(&self.number) && year != early && year != late => {
                Some(format!("the VIN says model year {early} or {late} (place 10), not {year}"))
            }
            _ => None,
        }
    }
}
fn is_north_american(number: &str) -> bool {
    number.starts_with(['1', '2', '3', '4', '5'])
}
fn not_used(wrong: char, place: usize, number: &str) -> String {
    let meant = match wrong {
        'O' | 'Q' => "a zero",
        'I' => "a one",
        _ => return format!("{wrong:?} (place {place}) is not used in a VIN; it has only digits and letters from A to Z"),
    };
    let hint = format!("{wrong} (place {place}) is not used in a VIN: is it {meant}?");
    let repaired: String = number.chars().map(repair).collect();
    let is_right = check_digit(&repaired).is_some_and(|digit| repaired.chars().nth(CHECK_PLACE) == Some(digit));
    if is_right { format!("{hint} {repaired} would have the right check digit") } else { hint }
}
fn repair(letter: char) -> char {
    match letter {
        'O' | 'Q' => '0',
        'I' => '1',
        other => other,
    }
}
/// The digit that belongs in place 9; `None` with a character that has no value.
fn check_digit(number: &str) -> Option<char> {
    let mut sum = 0;
    for (letter, weight) in number.chars().zip(WEIGHTS) {
        sum += value(letter)? * weight;
    }
    match sum % 11 {
        10 => Some('X'),
        rest => char::from_digit(rest, 10),
    }
}
/// 49 CFR 565.15(c)(1), Table III: what a character counts. I, O and Q have no value.
fn value(letter: char) -> Option<u32> {
    match letter {
        '0'..='9' => letter.to_digit(10),
        'A' | 'J' => Some(1),
        'B' | 'K' | 'S' => Some(2),
        'C' | 'L' | 'T' => Some(3),
        'D' | 'M' | 'U' => Some(4),
        'E' | 'N' | 'V' => Some(5),
        'F' | 'W' => Some(6),
        'G' | 'P' | 'X' => Some(7),
        'H' | 'Y' => Some(8),
        'R' | 'Z' => Some(9),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_number_is_tidied_up() {
        assert_eq!(check(" 1m8gdm9axkp042788\n").unwrap(), Vin { number: "1M8GDM9AXKP042788".into(), warnings: vec![] });
    }
    #[test]
    fn what_is_wrong_is_said() {
        assert!(check("1M8GDM9AXKP04278").unwrap_err().contains("has 16"));
        assert!(check("").unwrap_err().contains("has 0"));
        assert!(check("1M8GDM9AXKP0427889").unwrap_err().contains("has 18"));
        assert!(check("1M8GDM9AXKPO42788").unwrap_err().contains("O (place 12) is not used in a VIN: is it a zero?"));
        assert!(check("1M8GDM9AXKPO42788").unwrap_err().contains("1M8GDM9AXKP042788 would have the right check digit"));
        assert!(!check("1M8GDM9AXKPO42789").unwrap_err().contains("would have"));
        assert!(check("IM8GDM9AXKP042788").unwrap_err().contains("I (place 1) is not used in a VIN: is it a one?"));
        assert!(check("1M8GDM9A-KP042788").unwrap_err().contains("'-' (place 9)"));
        assert!(check("1M8GDM9AÄKP042788").unwrap_err().contains("'Ä' (place 9)"));
    }
    #[test]
    fn outside_north_america_the_check_digit_is_only_a_warning() {
        assert!(check("1M8GDM9A1KP042788").unwrap_err().contains("should be X"));
        let abroad = check("WDBEA30D4HA391172").unwrap();
        assert!(abroad.warnings[0].contains("should be 3"));
        assert!(abroad.model_years().is_empty());
    }
    #[test]
    fn the_year_is_one_of_two() {
        let vin = check("1M8GDM9AXKP042788").unwrap();
        assert_eq!(vin.model_years(), [1989, 2019]);
        assert_eq!(vin.year_warning(2019), None);
        assert_eq!(vin.year_warning(2018).unwrap(), "the VIN says model year 1989 or 2019 (place 10), not 2018");
        assert_eq!(check("WDBEA30D3HA391172").unwrap().year_warning(2020), None);
    }
    proptest! {
        // Weights and 11 have no common factor, so one wrong digit always shows.
        #[test]
        fn one_wrong_digit_is_always_noticed(
            number in "[1-5][A-HJ-NPR-Z0-9]{7}[0-9][A-HJ-NPR-Z][A-HJ-NPR-Z0-9]{3}[0-9]{4}", place in 13..17_usize, added in 1..10_u32
        ) {
            let digit = check_digit(&number).unwrap();
            let right = format!("{}{digit}{}", &number[..8], &number[9..]);
            prop_assert!(check(&right).is_ok());
            let old = right[place..=place].parse::<u32>().unwrap();
            let wrong = format!("{}{}{}", &right[..place], (old + added) % 10, &right[place + 1..]);
            prop_assert!(check(&wrong).is_err());
        }
        #[test]
        fn no_text_is_too_odd(text in "\\PC{0,20}") {
            if let Ok(vin) = check(&text) {
                prop_assert_eq!(vin.number.len(), 17);
            }
        }
    }
}
