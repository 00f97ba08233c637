//! The signature of a packet against the published example.
use base64::{Engine, engine::general_purpose::URL_SAFE_NO_PAD};
use serde_json::Value;
use witnessmark::domain::packet::signature::{Jwk, Seed, compact, payload, thumbprint};

#[test]
fn the_published_key_signs_alike() {
    let example: Value = serde_json::from_str(include_str!("signature.json")).expect("the file is JSON");
    let text = |name: &str| example[name].as_str().expect("text");
    let seed = Seed(URL_SAFE_NO_PAD.decode(text("d")).expect("base64url").try_into().expect("32 bytes"));
    assert_eq!(compact(&seed, text("header").as_bytes(), text("payload").as_bytes()).as_deref(), Some(text("jws")));
    assert_eq!(payload(text("jws"), text("x")), Ok(text("payload").into()));
    assert_eq!(thumbprint(text("x")), text("thumbprint"));
    assert_eq!(Jwk::new(&URL_SAFE_NO_PAD.decode(text("x")).expect("base64url")).kid, text("thumbprint"));
    assert_eq!(format!("{seed:?}"), "Seed(..)");
    // Another payload under the same signature, and the same under another key.
    assert!(payload(&text("jws").replace("RXhh", "RXhi"), text("x")).is_err());
    assert!(payload(text("jws"), &text("x").replace("11q", "11r")).is_err());
    assert!(payload(&text("jws").replace("eyJhbGciOiJFZERTQSJ9", &URL_SAFE_NO_PAD.encode(r#"{"alg":"none"}"#)), text("x")).is_err());
}
