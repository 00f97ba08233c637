//! Local paths and query strings.
use std::fmt::Write;

use crate::domain::{id::Id, motorcycle::Motorcycle};

/// A motorcycle's page.
#[must_use]
pub fn motorcycle(id: Id<Motorcycle>) -> String {
    format!("/motorcycles/{id}")
}
/// The form to write up work on a motorcycle; `?due=` ticks what is done, and may be repeated.
#[must_use]
pub fn write_up(id: Id<Motorcycle>) -> String {
    format!("/motorcycles/{id}/write-up")
}
/// The form to note what a motorcycle's odometer shows.
#[must_use]
pub fn readings(id: Id<Motorcycle>) -> String {
    format!("/motorcycles/{id}/readings")
}
/// A motorcycle's job sheet.
#[must_use]
pub fn job_sheet(id: Id<Motorcycle>) -> String {
    format!("/motorcycles/{id}/job-sheet")
}

/// Text as it may stand in a query string (RFC 3986 unreserved characters stay).
#[must_use]
pub fn encode(text: &str) -> String {
    text.bytes().fold(String::new(), |mut out, byte| {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            out.push(char::from(byte));
        } else {
            let _ = write!(out, "%{byte:02X}");
        }
        out
    })
}

/// A path with a query string of these pairs; empty values are left out.
#[must_use]
pub fn with_query<'a>(path: &str, pairs: impl IntoIterator<Item = (&'a str, &'a str)>) -> String {
    let query: Vec<_> = pairs
        .into_iter()
        .filter(|(_, value)| !value.is_empty())
        .map(|(name, value)| format!("{}={}", encode(name), encode(value)))
        .collect();
    if query.is_empty() { path.to_owned() } else { format!("{path}?{}", query.join("&")) }
}

/// The path if it is one of this server, otherwise the first page: a link must not be able to lead anywhere else after signing in.
/// `//host` and `/\host` are other hosts to a browser, and control characters are dropped by it.
#[must_use]
pub fn local(path: &str) -> &str {
    let mut letters = path.chars();
    let is_local = letters.next() == Some('/') && !matches!(letters.next(), Some('/' | '\\'));
    if is_local && path.bytes().all(|byte| byte.is_ascii_graphic() && byte != b'\\') { path } else { "/" }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_paths_of_this_server_are_local() {
        assert_eq!(local("/motorcycles?q=a%20b"), "/motorcycles?q=a%20b");
        for elsewhere in [
            "",
            "motorcycles",
            "https://elsewhere.example",
            "//elsewhere.example",
            "/\\elsewhere.example",
            "/\t/elsewhere.example",
            "/a\\b",
        ] {
            assert_eq!(local(elsewhere), "/", "{elsewhere:?}");
        }
    }
    #[test]
    fn a_query_is_encoded_and_empty_values_are_left_out() {
        assert_eq!(with_query("/", [("q", "oil & filter"), ("owner", "")]), "/?q=oil%20%26%20filter");
        assert_eq!(with_query("/", [("q", "")]), "/");
    }
}
