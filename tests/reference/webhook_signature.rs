//! The signature of a webhook's message against the published example.
use serde_json::Value;
use witnessmark::feeds::webhooks::sign;

#[test]
fn the_published_example_is_signed_alike() {
    let example: Value = serde_json::from_str(include_str!("webhook_signature.json")).expect("the file is JSON");
    let text = |name: &str| example[name].as_str().expect("text").to_owned();
    let at = example["timestamp"].as_i64().expect("a number");
    assert_eq!(sign(&text("secret"), &text("id"), at, &text("payload")), Ok(text("signature")));
    assert_ne!(sign(&text("secret"), &text("id"), at + 1, &text("payload")), Ok(text("signature")));
    assert!(sign("whsec_no base64!", &text("id"), at, &text("payload")).is_err());
}
