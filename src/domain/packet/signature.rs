//! The workshop's signature under a packet: a JWS (RFC 7515) in its compact form, by `EdDSA` over Ed25519 (RFC 8037).
use base64::{Engine, engine::general_purpose::URL_SAFE_NO_PAD};
use ring::signature::{ED25519, Ed25519KeyPair, KeyPair, UnparsedPublicKey};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use time::Date;
use utoipa::ToSchema;

use crate::domain::{id::Id, motorcycle::Motorcycle};

/// What the signature shows and what it does not.
const SAYS: &str = "The signature shows that whoever holds the workshop's key made this packet, as it stands: the hash of its last entry is signed. It does \
                    not prove that what was written down is true, nor who holds the key: compare the key's fingerprint with the one that the workshop \
                    tells you itself.";

/// The secret that a workshop signs with: an Ed25519 seed. It is never shown.
pub struct Seed(pub [u8; 32]);
impl std::fmt::Debug for Seed {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Seed(..)")
    }
}

/// A public key as a JWK (RFC 7517, RFC 8037).
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Jwk {
    /// Always `OKP`.
    pub kty: String,
    /// Always `Ed25519`.
    pub crv: String,
    /// The key, 32 bytes in base64url.
    #[schema(pattern = "^[A-Za-z0-9_-]{43}$")]
    pub x: String,
    /// Its fingerprint: the SHA-256 thumbprint of RFC 7638, in base64url.
    #[schema(pattern = "^[A-Za-z0-9_-]{43}$")]
    pub kid: String,
}
impl Jwk {
    /// The key of these bytes.
    #[must_use]
    pub fn new(public: &[u8]) -> Self {
        let x = URL_SAFE_NO_PAD.encode(public);
        Self { kty: "OKP".into(), crv: "Ed25519".into(), kid: thumbprint(&x), x }
    }
}

/// The thumbprint of an Ed25519 key (RFC 7638, RFC 8037 appendix A.3).
#[must_use]
pub fn thumbprint(x: &str) -> String {
    URL_SAFE_NO_PAD.encode(Sha256::digest(format!(r#"{{"crv":"Ed25519","kty":"OKP","x":"{x}"}}"#)))
}

/// The signature under a packet.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PacketSignature {
    /// A JWS in its compact form (RFC 7515), `alg` `EdDSA`. Its payload is JSON: `format`, `head` (the chain's), `entries` (how many),
    /// `motorcycle_id`, `made_on`.
    pub jws: String,
    /// The workshop's public key.
    pub key: Jwk,
    /// What this shows and what it does not.
    pub says: String,
}

/// What is signed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Signed {
    /// The packet's format.
    pub format: String,
    /// The last hash of the chain.
    pub head: String,
    /// How many entries there are.
    pub entries: usize,
    /// The motorcycle.
    pub motorcycle_id: Id<Motorcycle>,
    /// The day the packet was made.
    pub made_on: Date,
}

/// Signs. The same seed and facts always give the same signature. `None` where the seed is no key.
#[must_use]
pub fn sign(seed: &Seed, what: &Signed) -> Option<PacketSignature> {
    let pair = Ed25519KeyPair::from_seed_unchecked(&seed.0).ok()?;
    let key = Jwk::new(pair.public_key().as_ref());
    let header = format!(r#"{{"alg":"EdDSA","kid":"{}"}}"#, key.kid);
    let jws = compact(seed, header.as_bytes(), &serde_json::to_vec(what).ok()?)?;
    Some(PacketSignature { jws, key, says: SAYS.into() })
}

/// A JWS in its compact form over a protected header and a payload. `None` where the seed is no key.
#[must_use]
pub fn compact(seed: &Seed, header: &[u8], payload: &[u8]) -> Option<String> {
    let pair = Ed25519KeyPair::from_seed_unchecked(&seed.0).ok()?;
    let input = format!("{}.{}", URL_SAFE_NO_PAD.encode(header), URL_SAFE_NO_PAD.encode(payload));
    let signature = URL_SAFE_NO_PAD.encode(pair.sign(input.as_bytes()));
    Some(format!("{input}.{signature}"))
}

/// The payload of a JWS whose signature by the key of these bytes in base64url is right.
///
/// # Errors
/// A sentence that says what is wrong.
pub fn payload(jws: &str, x: &str) -> Result<Vec<u8>, &'static str> {
    let shape = "The signature is not a JWS in its compact form.";
    let decoded = |text: &str| URL_SAFE_NO_PAD.decode(text).map_err(|_| shape);
    let (input, signature) = jws.rsplit_once('.').ok_or(shape)?;
    let (header, payload) = input.split_once('.').ok_or(shape)?;
    let header: serde_json::Value = serde_json::from_slice(&decoded(header)?).map_err(|_| shape)?;
    // `crit` names what a reader must understand; this one understands nothing more.
    if header["alg"] != "EdDSA" || header.get("crit").is_some() {
        return Err("The signature is not by EdDSA.");
    }
    let key = UnparsedPublicKey::new(&ED25519, decoded(x)?);
    key.verify(input.as_bytes(), &decoded(signature)?).map_err(|_| "The signature is not by the key that stands beside it.")?;
    decoded(payload)
}

impl PacketSignature {
    /// Checks that these facts were signed by the key that stands beside the signature.
    ///
    /// # Errors
    /// A sentence that says what is wrong.
    pub fn check(&self, what: &Signed) -> Result<(), &'static str> {
        let Jwk { kty, crv, x, kid } = &self.key;
        if kty != "OKP" || crv != "Ed25519" || *kid != thumbprint(x) {
            return Err("The key of the signature is not an Ed25519 key with its own fingerprint.");
        }
        let signed: Option<Signed> = serde_json::from_slice(&payload(&self.jws, x)?).ok();
        if signed.as_ref() == Some(what) { Ok(()) } else { Err("The signature is for another packet.") }
    }
}
