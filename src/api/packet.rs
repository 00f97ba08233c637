//! `/motorcycles/{id}/packet`
use std::sync::Arc;

use axum::{
    extract::State,
    http::{HeaderMap, HeaderValue, header},
    response::{IntoResponse, Response},
};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    accept,
    answer::Answer,
    extract::{PathId, Reads},
};
use crate::{
    actions::{App, component, motorcycle, packet as actions},
    domain::{id::Id, motorcycle::Motorcycle, packet::Packet},
    error::{Error, Result},
    feeds::packet::{html, pdf},
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(show))
}

/// Get the history packet
///
/// Everything on record about a motorcycle, to hand to the next owner, as JSON, as a page to print, or as a PDF, by `Accept`; JSON without
/// it. It opens with what is not known. Each entry has the day it was done and the day it was written down; where an odometer was replaced, both
/// figures and the sum. Owners, the workshop's notes on the motorcycle, its internal notes and prices are left out. (The PDF has the letters of Western European
/// languages; any other letter stands in it as its code point.)
///
/// The entries of the JSON are chained: `hash` is SHA-256 over `previous`, a line feed and the canonical `entry`; the first `previous` is
/// `chain.start`, SHA-256 over the canonical packet without `entries`, `chain` and `signature`; the last `hash` is `chain.head`. Canonical: no blanks, names sorted,
/// each number as a string of its digits, UTF-8. In Python:
///
/// ```python
/// import hashlib, json, sys
/// packet = json.load(sys.stdin, parse_int=str, parse_float=str)
/// canonical = lambda value: json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
/// digest = lambda text: hashlib.sha256(text.encode()).hexdigest()
/// entries, chain, signature = packet.pop("entries"), packet.pop("chain"), packet.pop("signature")
/// head = digest(canonical(packet))
/// assert head == chain["start"]
/// for link in entries:
///     assert link["previous"] == head
///     head = digest(head + "\n" + canonical(link["entry"]))
///     assert link["hash"] == head
/// assert head == chain["head"]
/// ```
///
/// `signature.jws` is a JWS (RFC 7515; `EdDSA` by Ed25519, RFC 8037) by the workshop's key over the chain's head; `signature.key.kid` is the key's
/// fingerprint (RFC 7638). `witnessmark verify FILE` checks both.
#[utoipa::path(get, path = "/motorcycles/{id}/packet", operation_id = "get_history_packet", tag = "records",
    params(("id" = Id<Motorcycle>, Path, description = "The motorcycle's id")),
    responses((status = 200, description = "The packet", content((Packet = "application/json"), (String = "text/html"), (Vec<u8> = "application/pdf"))),
        (status = 406, description = "It can be given in none of the wanted types", body = super::answer::ProblemDocument, content_type = "application/problem+json")))]
async fn show(State(app): State<Arc<App>>, Reads(caller): Reads, PathId(id): PathId<Motorcycle>, headers: HeaderMap) -> Result<Response> {
    let mut work = app.read(&caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let wanted = accept::best(&headers, &["application/json", "text/html", "application/pdf"])
        .ok_or(Error::NotAcceptable("application/json, text/html or application/pdf"))?;
    let packet = actions::of(&app, &mut work, &bike).await?;
    let json = Answer::one(&packet)?;
    // One entity tag for each form of the same packet.
    let mut answer = if wanted == "application/json" {
        json
    } else {
        let tag = json.0.etag.map(|tag| format!("\"{}-{}\"", tag.trim_matches('"'), wanted.rsplit('/').next().unwrap_or_default()));
        let mut answer = Answer::nothing();
        (answer.0.status, answer.0.etag) = (200, tag);
        answer
    }
    .unless_known(&headers);
    let fresh = answer.0.status == 200;
    let body = std::mem::take(&mut answer.0.body);
    let mut response = answer.into_response();
    let content = match wanted {
        _ if !fresh => Vec::new(),
        "application/json" => body.into_bytes(),
        "text/html" => html(&packet, &component::all(&mut work).await?)?.into_bytes(),
        _ => pdf(&packet, &component::all(&mut work).await?),
    };
    let fields = response.headers_mut();
    if fresh {
        let kind = if wanted == "text/html" { "text/html; charset=utf-8" } else { wanted };
        fields.insert(header::CONTENT_TYPE, HeaderValue::from_str(kind).map_err(Error::internal)?);
    }
    if wanted == "application/pdf" {
        fields.insert(header::CONTENT_DISPOSITION, HeaderValue::from_static("attachment; filename=\"history.pdf\""));
    }
    fields.insert(header::VARY, HeaderValue::from_static("accept"));
    fields.remove(header::CONTENT_LENGTH);
    *response.body_mut() = content.into();
    Ok(response)
}
