//! The function that passwords are stored by against the vector of RFC 9106, and that what is stored was made by it.
use argon2::{Algorithm, Argon2, AssociatedData, ParamsBuilder, Version};
use serde_json::Value;
use witnessmark::access::password;

fn number(value: &Value) -> u32 {
    value.as_u64().and_then(|number| u32::try_from(number).ok()).expect("a small number")
}
fn bytes(value: &Value) -> Vec<u8> {
    vec![u8::try_from(number(&value["byte"])).expect("a byte"); number(&value["length"]) as usize]
}

#[test]
fn the_vector_of_the_rfc_comes_out() {
    let file: Value = serde_json::from_str(include_str!("password_hash.json")).expect("the file is JSON");
    let params = ParamsBuilder::new()
        .m_cost(number(&file["memory_kib"]))
        .t_cost(number(&file["passes"]))
        .p_cost(number(&file["lanes"]))
        .data(AssociatedData::new(&bytes(&file["associated_data"])).expect("short enough"))
        .output_len(32)
        .build()
        .expect("what the RFC allows");
    let secret = bytes(&file["secret"]);
    let argon = Argon2::new_with_secret(&secret, Algorithm::Argon2id, Version::V0x13, params).expect("short enough");
    let mut tag = [0; 32];
    argon.hash_password_into(&bytes(&file["password"]), &bytes(&file["salt"]), &mut tag).expect("a hash");
    let hex = file["tag"].as_str().expect("text").as_bytes();
    let wanted: Vec<_> =
        hex.chunks(2).map(|pair| std::str::from_utf8(pair).ok().and_then(|pair| u8::from_str_radix(pair, 16).ok()).expect("hex")).collect();
    assert_eq!(tag.to_vec(), wanted);
}

#[tokio::test]
async fn what_is_stored_names_the_function_and_fits_its_password_alone() {
    let stored = password::hash("hay bale under lantern".into()).await.expect("a hash");
    assert!(stored.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{stored}");
    assert_ne!(stored, password::hash("hay bale under lantern".into()).await.expect("a hash"), "each has a salt of its own");
    for (typed, fits) in
        [("hay bale under lantern", true), ("hay bale under lantern ", false), ("Hay bale under lantern", false), ("", false)]
    {
        assert_eq!(password::verify(typed.into(), Some(stored.clone())).await.expect("an answer"), fits, "{typed:?}");
    }
    assert!(!password::verify("hay bale under lantern".into(), None).await.expect("an answer"), "nobody has no password");
}
