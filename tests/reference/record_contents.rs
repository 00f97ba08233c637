//! What published rules ask of a maintenance record (the rules are named in each row of `record_contents.csv`: 14 CFR 43 and 91, 49 CFR 396 and
//! 580, California's 16 CCR 3353 to 3358, ISO 14224, …), and where each is kept: a property of the OpenAPI document that must be there.
use std::{fs, path::Path};

use serde_json::Value;

#[test]
fn each_is_kept_where_the_table_says() {
    let table = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/record_contents.csv")).unwrap();
    let document: Value = serde_json::to_value(witnessmark::web::openapi()).unwrap();
    let mut rows = csv::Reader::from_reader(table.as_bytes());
    for (place, row) in rows.records().enumerate() {
        let row = row.unwrap();
        let (number, answer, kept, remark) = (&row[0], &row[4], &row[5], &row[6]);
        assert_eq!(number, (place + 1).to_string());
        assert!(matches!(answer, "kept" | "partly" | "not kept"), "{number}: {answer}");
        assert!(!row[1].is_empty() && !row[2].is_empty() && !row[3].is_empty(), "{number} says neither what nor whence");
        assert_eq!(kept.is_empty(), answer == "not kept", "{number}: {answer}");
        assert!(answer == "kept" || !remark.is_empty(), "{number} is {answer}, and does not say why");
        for property in kept.split("; ").filter(|kept| !kept.is_empty()) {
            let (schema, name) = property.split_once('.').unwrap();
            let pointer = format!("/components/schemas/{schema}/properties/{name}");
            assert!(document.pointer(&pointer).is_some(), "{number} is said to be kept in {property}, which the document does not have");
        }
    }
    assert_eq!(rows.position().record(), 32, "31 things and the head");
}
