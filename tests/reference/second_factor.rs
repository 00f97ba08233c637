//! The codes of the second factor against the vectors of RFC 6238.
use serde_json::Value;
use witnessmark::access::totp;

#[test]
fn the_vectors_of_the_rfc_come_out() {
    let file: Value = serde_json::from_str(include_str!("second_factor.json")).expect("the file is JSON");
    let secret = file["secret"].as_str().expect("text").as_bytes();
    let digits = u32::try_from(file["digits"].as_u64().expect("a number")).expect("a small one");
    let rows = file["codes"].as_array().expect("rows");
    assert_eq!(rows.len(), 6);
    for row in rows {
        let (second, code) = (row["second"].as_i64().expect("a number"), row["code"].as_str().expect("text"));
        assert_eq!(totp::code(secret, totp::step(second), digits), code, "{second}");
        // What people type are the last six of these digits.
        let typed = &code[2..];
        assert_eq!(totp::step_of(secret, typed, second, 0), Some(totp::step(second)), "{second}");
    }
}
