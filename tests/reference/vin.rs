use witnessmark::domain::vin::check;

use crate::table::{rows, text};

const TABLE: &str = include_str!("vin.json");

#[test]
fn published_numbers_have_the_right_check_digit() {
    for row in rows(TABLE, "valid_example") {
        let vin = check(text(&row, "vin")).unwrap_or_else(|problem| panic!("{row}: {problem}"));
        assert_eq!(vin.warnings, Vec::<String>::new(), "{row}");
    }
    for row in rows(TABLE, "invalid_example") {
        let problem = check(text(&row, "vin")).unwrap_err();
        assert!(problem.contains(&format!("should be {}", text(&row, "expected"))), "{row}: {problem}");
    }
    for row in rows(TABLE, "repair_hint") {
        let problem = check(text(&row, "vin")).unwrap_err();
        assert!(problem.contains("WDBEA30D3HA391172"), "{row}: {problem}");
    }
}
#[test]
fn every_letter_and_place_weighs_what_the_tables_say() {
    let table = rows(TABLE, "transliteration")[0]["table"].clone();
    let weights = rows(TABLE, "weights")[0]["weights"].clone();
    let value = |letter: char| table[letter.to_string()].as_u64().or(letter.to_digit(10).map(u64::from)).unwrap();
    for letter in table.as_object().unwrap().keys().map(|key| key.chars().next().unwrap()) {
        for place in (0..17).filter(|place| *place != 8) {
            let mut number = ['1'; 17];
            number[place] = letter;
            let sum: u64 = (0..17).map(|place| weights[place].as_u64().unwrap() * value(number[place])).sum();
            for (digit, sign) in ('0'..='9').chain(['X']).enumerate() {
                number[8] = sign;
                let answer = check(&number.iter().collect::<String>());
                let right = answer.is_ok_and(|vin| vin.warnings.is_empty());
                assert_eq!(right, sum % 11 == digit as u64, "{letter} in place {}, {sign}", place + 1);
            }
        }
    }
}
#[test]
fn the_year_code_means_the_published_years() {
    for row in rows(TABLE, "model_year") {
        let code = text(&row, "code");
        // One of the eleven signs is right.
        let vin = ('0'..='9').chain(['X']).find_map(|sign| check(&format!("11111111{sign}{code}1111111")).ok()).unwrap();
        let years: Vec<_> = vin.model_years().into_iter().map(serde_json::Value::from).collect();
        assert_eq!(row["years"], serde_json::Value::Array(years), "{row}");
    }
}
