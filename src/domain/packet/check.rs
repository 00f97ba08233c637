//! Whether a packet is as it was made: its chain of hashes, then its signature.
use serde_json::Value;
use time::Date;

use super::{
    hash,
    signature::{PacketSignature, Signed},
};
use crate::domain::{calendar, id::Id, motorcycle::Motorcycle};

/// A packet that is as it was made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Checked {
    /// What the workshop calls the motorcycle.
    pub motorcycle: String,
    /// The workshop's name.
    pub workshop: String,
    /// The day the packet was made.
    pub made_on: Date,
    /// How many entries it has.
    pub entries: usize,
    /// The last hash of the chain.
    pub head: String,
    /// The fingerprint of the key that it is signed with.
    pub fingerprint: String,
}

/// What is wrong with a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Wrong {
    /// It is no packet, or one of a version that is not known.
    NotAPacket(String),
    /// It is not as it was made: the first place that does not fit.
    Changed(String),
}

/// Checks a packet as it was read, all digits kept.
///
/// # Errors
/// The first thing that does not fit.
pub fn check(packet: &Value) -> Result<Checked, Wrong> {
    let not = |why: &str| Wrong::NotAPacket(why.to_owned());
    let changed = |what: &str| Wrong::Changed(what.to_owned());
    let mut about = packet.as_object().ok_or_else(|| not("It is no JSON object."))?.clone();
    if about.get("format").and_then(Value::as_str) != Some("witnessmark-packet") {
        return Err(not("It does not say that it is a packet (`format`)."));
    }
    if about.get("version").and_then(Value::as_u64) != Some(1) {
        return Err(not("It is of a version that is not known here; version 1 is."));
    }
    let mut part = |name: &str| about.remove(name).ok_or_else(|| Wrong::Changed(format!("Its `{name}` was taken out.")));
    let (entries, chain, signature) = (part("entries")?, part("chain")?, part("signature")?);
    let entries = entries.as_array().ok_or_else(|| changed("Its `entries` are no list."))?;
    let text = |name: &str| chain[name].as_str().unwrap_or_default();
    let names = ["method", "start", "head", "does_not_prove"];
    if chain.as_object().is_none_or(|chain| chain.len() != names.len() || names.iter().any(|name| !chain.contains_key(*name))) {
        return Err(changed("The chain is not as it was made."));
    }
    let about = Value::Object(about);
    let start = hash("", &about);
    if text("start") != start {
        return Err(changed("What stands before the entries was changed."));
    }
    let head = follow(entries, start).map_err(Wrong::Changed)?;
    if text("head") != head {
        return Err(changed("The chain does not end with its last entry: entries at the end were left out or added."));
    }
    let word = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let (made_on, id) = (serde_json::from_value(about["made_on"].clone()), serde_json::from_value(about["motorcycle"]["id"].clone()));
    let (Ok(made_on), Ok(motorcycle_id)): (_, Result<Id<Motorcycle>, _>) = (made_on, id) else {
        return Err(not("It does not say which motorcycle it is of, or when it was made."));
    };
    let signature: PacketSignature = serde_json::from_value(signature).map_err(|_| changed("The signature is not as it was made."))?;
    let what = Signed { format: "witnessmark-packet".into(), head: head.clone(), entries: entries.len(), motorcycle_id, made_on };
    signature.check(&what).map_err(changed)?;
    let (motorcycle, workshop) = (word(&about["motorcycle"]["name"]), word(&about["workshop"]));
    Ok(Checked { motorcycle, workshop, made_on, entries: entries.len(), head, fingerprint: signature.key.kid })
}

/// Follows the chain from its start to its head; the error says which entry does not fit.
fn follow(entries: &[Value], start: String) -> Result<String, String> {
    let mut head = start;
    for (place, link) in entries.iter().enumerate() {
        let day = serde_json::from_value::<Date>(link["entry"]["done_on"].clone());
        let which = format!("Entry {}{}", place + 1, day.map(|day| format!(" of {}", calendar::words(day))).unwrap_or_default());
        if link["previous"].as_str() != Some(&head) {
            return Err(format!("{which} does not follow on what stands before it: an entry was left out, added or moved."));
        }
        head = hash(&format!("{head}\n"), &link["entry"]);
        if link["hash"].as_str() != Some(&head) || link.as_object().is_none_or(|link| link.len() != 3) {
            return Err(format!("{which} was changed."));
        }
    }
    Ok(head)
}
