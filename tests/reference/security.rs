//! The table of the OWASP Application Security Verification Standard 5.0, levels 1 and 2 (`tests/asvs.csv`): what it names is there.
use std::{collections::BTreeSet, fs, path::Path};

#[test]
fn every_test_that_the_table_names_is_there() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut table = csv::Reader::from_path(root.join("tests/asvs.csv")).unwrap();
    let (mut seen, mut named) = (BTreeSet::new(), 0);
    for row in table.records() {
        let row = row.unwrap();
        let (requirement, answer, place) = (&row[0], &row[2], &row[3]);
        assert!(seen.insert(requirement.to_owned()), "{requirement} stands there twice");
        assert!(["holds", "does not apply", "does not hold"].contains(&answer), "{requirement}: {answer}");
        assert!(!place.trim().is_empty(), "{requirement} says neither where nor why");
        if answer != "holds" {
            continue;
        }
        for claim in place.split("; ").filter(|claim| claim.starts_with("tests/") || claim.starts_with("src/")) {
            let mut words = claim.split_whitespace().map(|word| word.trim_end_matches([')', ',', '.']));
            let file = root.join(words.next().unwrap());
            let text = fs::read_to_string(&file).unwrap_or_else(|error| panic!("{requirement} names {}: {error}", file.display()));
            if let Some(test) = words.next().filter(|word| word.contains('_')) {
                named += 1;
                assert!(text.contains(test), "{requirement} names {test}, which is not in {}", file.display());
            }
        }
    }
    assert!(seen.len() > 250 && named > 60, "{} requirements, {named} tests named", seen.len());
}
