//! Every parser of what strangers send, held against whatever bytes come: it reads or refuses with a sentence, and never panics. Where a
//! general-purpose library reads the same form, both have to agree.
use std::collections::BTreeMap;

use proptest::prelude::*;
use serde_json::Value;
use witnessmark::domain::{
    import::{DateOrder, day, figure},
    packet::check::check,
    quantity::{Figure, Quantity, Unit},
    sheet::{Sheet, decode},
    tire, vin,
};

/// Text in which the letters that mean something to a parser come often.
fn laced(with: &'static [char]) -> impl Strategy<Value = String> {
    let letter = prop_oneof![3 => proptest::sample::select(with), 2 => any::<char>(), 3 => proptest::char::range('0', '9')];
    proptest::collection::vec(letter, 0..60).prop_map(|letters| letters.into_iter().collect())
}
/// JSON of any shape, a few levels deep.
fn json() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::Bool),
        any::<i64>().prop_map(Value::from),
        any::<f64>().prop_map(|number| if number.is_finite() { Value::from(number) } else { Value::Null }),
        "\\PC{0,12}".prop_map(Value::String),
    ];
    leaf.prop_recursive(4, 40, 6, |inner| {
        prop_oneof![
            proptest::collection::vec(inner.clone(), 0..6).prop_map(Value::Array),
            proptest::collection::btree_map("[a-z_]{1,8}", inner, 0..6).prop_map(|map| Value::Object(map.into_iter().collect())),
        ]
    })
}
/// Names of columns, and cells with everything that CSV has to quote.
fn table() -> impl Strategy<Value = (Vec<String>, Vec<Vec<String>>)> {
    (1..6_usize).prop_flat_map(|width| {
        let names = (0..width).map(|place| format!("column_{place}")).collect::<Vec<_>>();
        let cell = proptest::collection::vec(proptest::sample::select(&['a', 'Ä', '"', ',', '\n', ';', ' ', '7', '=', '\''][..]), 0..8);
        let cell = cell.prop_map(|letters| letters.into_iter().collect::<String>());
        (Just(names), proptest::collection::vec(proptest::collection::vec(cell, width), 1..8))
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn a_file_is_text_or_refused(file in proptest::collection::vec(any::<u8>(), 0..400)) {
        if let Ok(text) = decode(&file) {
            // What was taken for UTF-8 is what the standard library takes for it.
            if !matches!(file.as_slice(), [0xff, 0xfe, ..] | [0xfe, 0xff, ..]) {
                let plain = file.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&file);
                prop_assert_eq!(std::str::from_utf8(plain).ok(), Some(text.as_str()));
            }
            let _ = (Sheet::from_csv(&text), Sheet::from_ndjson(&text));
        }
    }
    #[test]
    fn any_text_is_rows_or_refused(text in laced(&[',', '"', '\n', '\r', ';', '\t', '{', '}', ':', '[', '\\', '\u{feff}'])) {
        let _ = (Sheet::from_csv(&text), Sheet::from_ndjson(&text));
    }
    #[test]
    fn what_a_csv_library_writes_is_read_back((names, rows) in table()) {
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record(&names).unwrap();
        for row in &rows {
            writer.write_record(row).unwrap();
        }
        let text = String::from_utf8(writer.into_inner().unwrap()).unwrap();
        let sheet = Sheet::from_csv(&text).map_err(|why| TestCaseError::fail(why.0))?;
        let of = |row: &Vec<String>| -> BTreeMap<String, String> {
            let cells = names.iter().cloned().zip(row.iter().map(|cell| cell.trim().to_owned()));
            cells.filter(|(_, cell)| !cell.is_empty()).collect()
        };
        let wanted: Vec<_> = rows.iter().map(of).filter(|row| !row.is_empty()).collect();
        let found: Vec<_> = sheet.rows.into_iter().map(|row| row.cells).collect();
        prop_assert_eq!(found, wanted);
    }
    #[test]
    fn a_cell_is_a_figure_or_refused(text in laced(&['.', ',', ' ', '-', 'm', 'i', 'k', 'e', '+', '\'', '\u{a0}']), exact in any::<bool>()) {
        if let Ok((figure, _)) = figure(&text, exact) {
            prop_assert!(figure.value().is_finite());
        }
    }
    #[test]
    fn a_cell_is_a_day_of_the_calendar_or_refused(text in laced(&['.', '/', '-', ' ']), order in 0..3_usize) {
        if let Ok(day) = day(&text, [None, Some(DateOrder::Dmy), Some(DateOrder::Mdy)][order]) {
            // It comes back as itself in the form that needs no order.
            prop_assert_eq!(witnessmark::domain::import::day(&day.to_string(), None), Ok(day));
        }
    }
    #[test]
    fn a_number_is_a_figure_as_a_json_library_reads_it(text in laced(&['.', '-', '+', 'e', 'E', '_', ' ', 'N', 'a'])) {
        match (Figure::parse(&text), serde_json::from_str::<f64>(text.trim())) {
            (Ok(figure), Ok(number)) => prop_assert!((figure.value() - number).abs() <= f64::EPSILON * number.abs(), "{}", text),
            (Ok(_), Err(error)) => prop_assert!(false, "{text:?} is no JSON number: {error}"),
            (Err(_), _) => {}
        }
    }
    #[test]
    fn a_quantity_is_whole_or_refused(value in json()) {
        if let Ok(quantity) = serde_json::from_value::<Quantity>(value) {
            prop_assert!(quantity.si().is_finite());
        }
    }
    #[test]
    fn a_unit_is_one_of_the_list(text in "\\PC{0,10}") {
        prop_assert_eq!(text.parse::<Unit>().is_ok(), Unit::ALL.iter().any(|unit| unit.as_str() == text));
    }
    #[test]
    fn a_vin_has_seventeen_letters_of_its_alphabet(text in laced(&['W', 'I', 'O', 'Q', 'x', ' ', '-'])) {
        // ISO 3779: digits and capital letters without I, O and Q.
        if let Ok(vin) = vin::check(&text) {
            prop_assert!(vin.number.len() == 17 && vin.number.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b'A'..=b'Z')), "{}", text);
            prop_assert!(!vin.number.contains(['I', 'O', 'Q']), "{}", text);
        }
    }
    #[test]
    fn a_date_code_is_four_digits_of_a_week_and_a_year(text in laced(&['0', '5', ' ', '-'])) {
        if tire::made_on(&text).is_ok() {
            let digits: String = text.chars().filter(char::is_ascii_digit).collect();
            prop_assert!((1..=53).contains(&digits.get(..2).and_then(|week| week.parse::<u32>().ok()).unwrap_or(0)), "{}", text);
        }
    }
    #[test]
    fn a_packet_of_any_json_is_refused(packet in json()) {
        prop_assert!(check(&packet).is_err());
    }
}
