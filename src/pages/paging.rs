//! Lists a page at a time, by the key of the last row seen.
use base64::{Engine, engine::general_purpose::URL_SAFE_NO_PAD};
use serde::{Serialize, de::DeserializeOwned};

use super::form::Form;
use crate::{
    error::{Error, Result},
    store::Stretch,
};

/// The stretch of a list that a page asks for; one row more than it shows, to know whether there is a next page.
///
/// # Errors
/// 400 for a cursor that no page gave.
pub fn stretch<K: DeserializeOwned>(asked: &Form, size: i64) -> Result<Stretch<K>> {
    let read = |text: String| URL_SAFE_NO_PAD.decode(text).ok().and_then(|bytes| serde_json::from_slice(&bytes).ok());
    let after = asked
        .optional("after")
        .map(|text| read(text).ok_or_else(|| Error::Malformed("This address cannot be read; begin again at the top of the list.".into())))
        .transpose()?;
    Ok(Stretch { after, limit: size + 1 })
}

/// Cuts the rows to one page; gives the value of `after` for the next page, where there is one.
pub fn cut<T, K: Serialize>(rows: &mut Vec<T>, size: i64, key: impl Fn(&T) -> K) -> Option<String> {
    let size = usize::try_from(size).unwrap_or(0);
    if rows.len() <= size {
        return None;
    }
    rows.truncate(size);
    rows.last().and_then(|last| encode(&key(last)))
}

/// A key as the value of `after`.
#[must_use]
pub fn encode<K: Serialize>(key: &K) -> Option<String> {
    serde_json::to_vec(key).ok().map(|json| URL_SAFE_NO_PAD.encode(json))
}
