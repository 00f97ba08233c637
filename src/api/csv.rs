//! Lists as CSV (RFC 4180) for whoever asks for `text/csv`: a row for each item, nested fields as columns with a point in their names.
use std::{collections::HashMap, fmt};

use axum::{
    body::{Body, to_bytes},
    extract::Request,
    http::{HeaderValue, Method, StatusCode, header},
    middleware::Next,
    response::Response,
};
use serde::{
    Deserialize, Deserializer,
    de::{MapAccess, SeqAccess, Visitor},
};

use super::accept;
use crate::error::{Error, Result};

const CSV: &str = "text/csv";

/// Turns a list into CSV where that is wanted more than JSON. Everything else goes through as it is.
pub async fn where_wanted(request: Request, next: Next) -> Response {
    let is_get = request.method() == Method::GET;
    let wanted =
        is_get && accept::names(request.headers(), CSV) && accept::best(request.headers(), &["application/json", CSV]) == Some(CSV);
    let path = request.uri().path().to_owned();
    let mut response = next.run(request).await;
    if is_get && is_json(&response) {
        response.headers_mut().append(header::VARY, HeaderValue::from_static("accept"));
    }
    if !wanted || response.status() != StatusCode::OK || !is_json(&response) {
        return response;
    }
    let (mut parts, body) = response.into_parts();
    // It was made in memory a moment ago.
    let bytes = to_bytes(body, usize::MAX).await.unwrap_or_default();
    let table = match serde_json::from_slice::<Page>(&bytes) {
        Ok(page) => table(&page.items),
        // One thing is no list.
        Err(_) => return Response::from_parts(parts, Body::from(bytes)),
    };
    match table {
        Ok(table) => {
            parts.headers.remove(header::CONTENT_LENGTH);
            parts.headers.remove(header::ETAG);
            parts.headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("text/csv; charset=utf-8; header=present"));
            let name =
                path.rsplit('/').next().unwrap_or_default().replace(|letter: char| !letter.is_ascii_alphanumeric() && letter != '-', "");
            if let Ok(value) = HeaderValue::from_str(&format!("attachment; filename=\"{name}.csv\"")) {
                parts.headers.insert(header::CONTENT_DISPOSITION, value);
            }
            Response::from_parts(parts, Body::from(table))
        }
        Err(error) => axum::response::IntoResponse::into_response(error),
    }
}
fn is_json(response: &Response) -> bool {
    response.headers().get(header::CONTENT_TYPE).is_some_and(|kind| kind == "application/json")
}

/// Items as CSV.
///
/// # Errors
/// Where an item cannot be written as JSON.
pub fn of<T: serde::Serialize>(items: &[T]) -> Result<String> {
    let text = serde_json::to_string(items).map_err(Error::internal)?;
    table(&serde_json::from_str::<Vec<Node>>(&text).map_err(Error::internal)?)
}

#[derive(Deserialize)]
struct Page {
    items: Vec<Node>,
    #[expect(dead_code, reason = "a page has it; other things with items are no lists")]
    next: Option<String>,
}

/// A JSON value whose fields stay in their order.
#[derive(Clone, Debug, PartialEq)]
enum Node {
    Null,
    /// A number or a truth value, as it is written.
    Plain(String),
    Text(String),
    List(Vec<Node>),
    Fields(Vec<(String, Node)>),
}
/// How this library hands on a number with its digits.
const NUMBER: &str = "$serde_json::private::Number";

impl<'de> Deserialize<'de> for Node {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Nodes;
        impl<'de> Visitor<'de> for Nodes {
            type Value = Node;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("JSON")
            }
            fn visit_unit<E>(self) -> Result<Node, E> {
                Ok(Node::Null)
            }
            fn visit_bool<E>(self, value: bool) -> Result<Node, E> {
                Ok(Node::Plain(value.to_string()))
            }
            fn visit_i64<E>(self, value: i64) -> Result<Node, E> {
                Ok(Node::Plain(value.to_string()))
            }
            fn visit_u64<E>(self, value: u64) -> Result<Node, E> {
                Ok(Node::Plain(value.to_string()))
            }
            fn visit_f64<E>(self, value: f64) -> Result<Node, E> {
                Ok(Node::Plain(value.to_string()))
            }
            fn visit_str<E>(self, value: &str) -> Result<Node, E> {
                Ok(Node::Text(value.to_owned()))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<Node, A::Error> {
                let mut nodes = Vec::new();
                while let Some(node) = list.next_element()? {
                    nodes.push(node);
                }
                Ok(Node::List(nodes))
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Node, A::Error> {
                let mut fields = Vec::new();
                while let Some(name) = map.next_key::<String>()? {
                    if name == NUMBER {
                        return Ok(Node::Plain(map.next_value()?));
                    }
                    fields.push((name, map.next_value()?));
                }
                Ok(Node::Fields(fields))
            }
        }
        deserializer.deserialize_any(Nodes)
    }
}

impl Node {
    /// The cells of an item, each with the name of its column.
    fn cells(&self, name: &str, cells: &mut Vec<(String, String)>) {
        match self {
            Self::Null => cells.push((name.to_owned(), String::new())),
            Self::Plain(text) => cells.push((name.to_owned(), text.clone())),
            Self::Text(text) => cells.push((name.to_owned(), harmless(text))),
            Self::List(nodes) => cells.push((name.to_owned(), harmless(&nodes.iter().map(Self::in_a_list).collect::<Vec<_>>().join("; ")))),
            Self::Fields(fields) => {
                for (inner, node) in fields {
                    let path = if name.is_empty() { inner.clone() } else { format!("{name}.{inner}") };
                    node.cells(&path, cells);
                }
            }
        }
    }
    /// The value as it stands among others in one cell.
    fn in_a_list(&self) -> String {
        match self {
            Self::Null => String::new(),
            Self::Plain(text) | Self::Text(text) => text.clone(),
            Self::List(nodes) => nodes.iter().map(Self::in_a_list).collect::<Vec<_>>().join(" "),
            Self::Fields(fields) => {
                let said = fields.iter().filter(|(_, node)| *node != Self::Null && *node != Self::Text(String::new()));
                said.map(|(name, node)| format!("{name} {}", node.in_a_list())).collect::<Vec<_>>().join(", ")
            }
        }
    }
}

/// A text that a spreadsheet program takes for a formula gets an apostrophe in front. A plain negative number is none.
fn harmless(text: &str) -> String {
    let number = text.strip_prefix('-').is_some_and(|rest| {
        let (whole, part) = rest.split_once('.').unwrap_or((rest, "0"));
        [whole, part].iter().all(|digits| !digits.is_empty() && digits.bytes().all(|digit| digit.is_ascii_digit()))
    });
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) && !number { format!("'{text}") } else { text.to_owned() }
}

/// A first row with the names of all columns, in the order in which they first come up, and a row for each item.
fn table(items: &[Node]) -> Result<String> {
    let mut columns: Vec<String> = Vec::new();
    let mut places: HashMap<String, usize> = HashMap::new();
    let mut rows = Vec::new();
    for item in items {
        let mut cells = Vec::new();
        item.cells("", &mut cells);
        let mut row = Vec::new();
        for (name, cell) in cells {
            let place = *places.entry(name.clone()).or_insert_with(|| {
                columns.push(name);
                columns.len() - 1
            });
            row.push((place, cell));
        }
        rows.push(row);
    }
    // What is null in one item may have fields in another: then its own column says nothing.
    let said: Vec<bool> = columns
        .iter()
        .enumerate()
        .map(|(place, name)| {
            let below = format!("{name}.");
            !columns.iter().any(|other| other.starts_with(&below))
                || rows.iter().flatten().any(|(at, cell)| *at == place && !cell.is_empty())
        })
        .collect();
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let mut write = |cells: Vec<&str>| writer.write_record(cells.iter().zip(&said).filter(|(_, said)| **said).map(|(cell, _)| *cell));
    if columns.is_empty() {
        return Ok("id\r\n".into());
    }
    write(columns.iter().map(String::as_str).collect()).map_err(Error::internal)?;
    for row in &rows {
        let mut cells = vec![""; columns.len()];
        for (place, cell) in row {
            cells[*place] = cell;
        }
        write(cells).map_err(Error::internal)?;
    }
    String::from_utf8(writer.into_inner().map_err(Error::internal)?).map_err(Error::internal)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn csv(json: &str) -> String {
        table(&serde_json::from_str::<Vec<Node>>(json).unwrap()).unwrap()
    }

    #[test]
    fn fields_become_columns_in_their_order_with_their_digits() {
        assert_eq!(
            csv(
                r#"[{"name": "A", "id": 1, "odometer": null, "tags": []}, {"name": "B, \"C\"", "id": 2, "odometer": {"value": 0.50, "unit": "mi"}, "tags": ["x", {"n": 1, "m": null}]}]"#
            ),
            "name,id,tags,odometer.value,odometer.unit\r\nA,1,,,\r\n\"B, \"\"C\"\"\",2,x; n 1,0.50,mi\r\n"
        );
        assert_eq!(csv("[]"), "id\r\n");
    }
    #[test]
    fn nothing_is_taken_for_a_formula() {
        for (text, cell) in [
            ("=1+1", "'=1+1"),
            ("+49 555", "'+49 555"),
            ("-5.50", "-5.50"),
            ("-5+1", "'-5+1"),
            ("-", "'-"),
            ("@SUM(A1)", "'@SUM(A1)"),
            ("\tx", "'\tx"),
            ("\rx", "'\rx"),
            ("a=b", "a=b"),
            ("", ""),
        ] {
            assert_eq!(harmless(text), cell, "{text:?}");
        }
        assert_eq!(csv(r#"[{"n": -5, "t": ["=x"]}]"#), "n,t\r\n-5,'=x\r\n");
    }
}
