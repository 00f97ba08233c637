//! Answers: JSON with its entity tag, lists with their cursor, problem documents (RFC 9457).
use axum::{
    http::{HeaderMap, HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use base64::{Engine, engine::general_purpose::URL_SAFE_NO_PAD};
use serde::{Deserialize, Serialize, de::DeserializeOwned};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;

use super::BASE;
use crate::{
    actions::{StoredAnswer, Work},
    domain::validate::Problem,
    error::{Error, Neighbor, Result},
    store::Stretch,
};

/// A problem document (RFC 9457).
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ProblemDocument {
    /// Which kind of problem, a URI reference.
    #[serde(rename = "type")]
    #[schema(example = "about:blank")]
    pub kind: String,
    /// The kind in words.
    #[schema(example = "Unprocessable Content")]
    pub title: String,
    /// The status code.
    #[schema(example = 422)]
    pub status: u16,
    /// What is wrong this time, and what to do next.
    pub detail: String,
    /// The path of the request.
    #[schema(example = "/api/v1/motorcycles")]
    pub instance: String,
    /// One entry for each place that is wrong.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    pub errors: Vec<Problem>,
    /// The readings that a reading contradicts.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    pub neighbors: Vec<Neighbor>,
    /// The ids of what it collides with.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    pub conflicts_with: Vec<uuid::Uuid>,
}

impl ProblemDocument {
    /// The document of an error; the request's path is filled in by [`crate::web`].
    #[must_use]
    pub fn of(error: &Error) -> Self {
        let status = error.status();
        let title = StatusCode::from_u16(status).ok().and_then(|status| status.canonical_reason()).unwrap_or("Error");
        let title = if status == 422 { "Unprocessable Content" } else { title };
        let (neighbors, conflicts_with) = match error {
            Error::Contradicts { neighbors, .. } => (neighbors.clone(), Vec::new()),
            Error::Conflict { with, .. } => (Vec::new(), with.clone()),
            _ => Default::default(),
        };
        Self {
            kind: "about:blank".into(),
            title: title.into(),
            status,
            detail: error.detail(),
            instance: String::new(),
            errors: error.problems().to_vec(),
            neighbors,
            conflicts_with,
        }
    }
}

impl IntoResponse for Error {
    fn into_response(self) -> Response {
        if let Self::Replayed(answer) = self {
            let mut response = Answer(*answer).into_response();
            response.headers_mut().insert("idempotency-replayed", HeaderValue::from_static("true"));
            return response;
        }
        match &self {
            Self::Internal(why) => tracing::error!(why, "the server failed"),
            Self::Unavailable(why) | Self::Unsure(why) | Self::Unwritable { why, .. } => tracing::warn!(why, "the database cannot be used"),
            _ => {}
        }
        let document = ProblemDocument::of(&self);
        let status = StatusCode::from_u16(document.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let mut response = (status, [(header::CONTENT_TYPE, "application/problem+json")], document.to_json()).into_response();
        match &self {
            // RFC 6750, section 3.1: without a token nothing is said about one.
            Self::Unauthenticated(why) if *why == NO_TOKEN => challenge(&mut response, "Bearer realm=\"witnessmark\""),
            Self::Unauthenticated(_) => challenge(&mut response, "Bearer realm=\"witnessmark\", error=\"invalid_token\""),
            Self::Forbidden(_) => challenge(&mut response, "Bearer realm=\"witnessmark\", error=\"insufficient_scope\""),
            Self::TooOften(seconds) => {
                response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from(*seconds));
            }
            Self::Unavailable(_) | Self::Unsure(_) | Self::Unwritable { .. } | Self::Busy => {
                response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static("2"));
            }
            _ => {}
        }
        response.extensions_mut().insert(NeedsInstance);
        response
    }
}

fn challenge(response: &mut Response, how: &'static str) {
    response.headers_mut().insert(header::WWW_AUTHENTICATE, HeaderValue::from_static(how));
}

/// What is said to whoever sends no token.
pub const NO_TOKEN: &str = "Send an API token as Authorization: Bearer wmk_…; a manager makes one on the page Tokens.";

/// Marks a problem document whose `instance` is still to be filled in: the error does not know the request's path.
#[derive(Clone, Copy, Debug)]
pub struct NeedsInstance;

impl ProblemDocument {
    fn to_json(&self) -> String {
        serde_json::to_string(self).unwrap_or_default()
    }
}

/// A success: status, body, and the headers that belong to it.
#[derive(Clone, Debug)]
pub struct Answer(pub StoredAnswer);

/// The entity tag of a body (RFC 9110): a hash, so that it is strong and changes exactly when the body does.
#[must_use]
pub fn etag(body: &str) -> String {
    format!("\"{}\"", URL_SAFE_NO_PAD.encode(&Sha256::digest(body.as_bytes())[..12]))
}

fn json<T: Serialize>(value: &T) -> Result<String> {
    serde_json::to_string(value).map_err(Error::internal)
}

impl Answer {
    /// 200 with a single resource and its entity tag.
    ///
    /// # Errors
    /// Where the value cannot be written as JSON.
    pub fn one<T: Serialize>(value: &T) -> Result<Self> {
        let body = json(value)?;
        Ok(Self(StoredAnswer { status: 200, location: None, etag: Some(etag(&body)), body }))
    }
    /// 201 with what was made and where it is now; `path` is below the API's base.
    ///
    /// # Errors
    /// Where the value cannot be written as JSON.
    pub fn created<T: Serialize>(path: &str, value: &T) -> Result<Self> {
        let body = json(value)?;
        Ok(Self(StoredAnswer { status: 201, location: Some(format!("{BASE}{path}")), etag: Some(etag(&body)), body }))
    }
    /// 200 with a calculation or a vocabulary: nothing that could be changed.
    ///
    /// # Errors
    /// Where the value cannot be written as JSON.
    pub fn plain<T: Serialize>(value: &T) -> Result<Self> {
        Ok(Self(StoredAnswer { status: 200, location: None, etag: None, body: json(value)? }))
    }
    /// 204: done, nothing to say.
    #[must_use]
    pub fn nothing() -> Self {
        Self(StoredAnswer { status: 204, location: None, etag: None, body: String::new() })
    }
    /// Commits the work that this answers.
    ///
    /// # Errors
    /// Where the database refuses; then nothing is stored.
    pub async fn after(self, work: Work) -> Result<Self> {
        work.finish(Some(&self.0)).await?;
        Ok(self)
    }
    /// 201 with something that was made together with a secret, which this answer alone holds: in the one that is kept for a repeated
    /// request, `made` is given none. The entity tag is that of the resource, which has no secret in it. Commits the work.
    ///
    /// # Errors
    /// Where the database refuses; then nothing is stored.
    pub async fn with_secret<R: Serialize, M: Serialize>(
        work: Work,
        path: &str,
        resource: &R,
        made: impl Fn(Option<String>) -> M,
        secret: String,
    ) -> Result<Self> {
        let tag = Self::one(resource)?.0.etag;
        let answer = |secret| -> Result<Self> {
            let mut answer = Self::created(path, &made(secret))?;
            answer.0.etag.clone_from(&tag);
            Ok(answer)
        };
        answer(None)?.after(work).await?;
        answer(Some(secret))
    }
    /// 304 where the client has this already (`If-None-Match`).
    #[must_use]
    pub fn unless_known(mut self, headers: &HeaderMap) -> Self {
        let known = headers.get(header::IF_NONE_MATCH).and_then(|value| value.to_str().ok()).unwrap_or_default();
        if let Some(etag) = &self.0.etag
            && known.split(',').map(|tag| tag.trim().trim_start_matches("W/")).any(|tag| tag == etag || tag == "*")
        {
            self.0.status = 304;
            self.0.body.clear();
        }
        self
    }
}

impl IntoResponse for Answer {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.0.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let mut response = (status, self.0.body).into_response();
        let headers = response.headers_mut();
        headers.remove(header::CONTENT_TYPE);
        if !matches!(status, StatusCode::NO_CONTENT | StatusCode::NOT_MODIFIED) {
            headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/json"));
        }
        for (name, value) in [(header::LOCATION, self.0.location), (header::ETAG, self.0.etag)] {
            if let Some(value) = value.and_then(|value| HeaderValue::from_str(&value).ok()) {
                headers.insert(name, value);
            }
        }
        response
    }
}

/// Compares `If-Match` with a resource as it is now.
///
/// # Errors
/// 428 without the header, 412 where the resource was changed since.
pub fn unchanged<T: Serialize>(headers: &HeaderMap, now: &T) -> Result<()> {
    let wanted = headers.get(header::IF_MATCH).ok_or(Error::NeedsIfMatch)?.to_str().unwrap_or_default();
    let now = etag(&json(now)?);
    if wanted.split(',').map(str::trim).any(|tag| tag == "*" || tag == now) { Ok(()) } else { Err(Error::Stale) }
}

/// Whether a person is to be erased, and not only taken out.
#[derive(Clone, Copy, Debug, Default, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
pub struct EraseQuery {
    /// Erase the person as well (GDPR, article 17). Needs the scope `admin`, and cannot be undone.
    #[serde(default)]
    #[param(default = false)]
    pub erase: bool,
}

/// A list: what is on this page, and the cursor of the next.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct Page<T> {
    /// What is on this page.
    pub items: Vec<T>,
    /// Send it as `?cursor=` for the next page; null on the last one.
    pub next: Option<String>,
}

/// Which page of a list is asked for.
#[derive(Clone, Debug, Default, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
pub struct PageQuery {
    /// How many items, 1 to 200.
    #[param(value_type = Option<i64>, minimum = 1, maximum = 200, default = 50)]
    pub limit: Option<String>,
    /// `next` of the page before.
    pub cursor: Option<String>,
}

impl PageQuery {
    /// The stretch of the list. One row more than the page is asked for, to know whether there is a next page.
    ///
    /// # Errors
    /// 422 for a limit outside 1–200 or a cursor that this list never gave.
    pub fn stretch<K: DeserializeOwned>(&self) -> Result<Stretch<K>> {
        let limit = match &self.limit {
            None => 50,
            Some(text) => text
                .parse()
                .ok()
                .filter(|limit| (1..=200).contains(limit))
                .ok_or_else(|| Error::invalid("/limit", "limit is a whole number from 1 to 200; leave it out for 50."))?,
        };
        let wrong = || Error::invalid("/cursor", "This cursor is not one that this list gave; begin again without it.");
        let decode =
            |text: &String| URL_SAFE_NO_PAD.decode(text).ok().and_then(|bytes| serde_json::from_slice(&bytes).ok()).ok_or_else(wrong);
        Ok(Stretch { after: self.cursor.as_ref().map(decode).transpose()?, limit: limit + 1 })
    }
}

/// Makes the page of rows that were asked for by [`PageQuery::stretch`], with its `Link` header (RFC 8288).
///
/// # Errors
/// Where a value cannot be written as JSON.
pub fn page<T: Serialize, K: Serialize>(items: Vec<T>, limit: i64, uri: &axum::http::Uri, key: impl Fn(&T) -> K) -> Result<Response> {
    keyed_page(items.into_iter().map(|item| (key(&item), item)).collect(), limit, uri)
}
/// The same of rows that bring their place in the list along, where it does not follow from the item.
///
/// # Errors
/// Where a value cannot be written as JSON.
pub fn keyed_page<T: Serialize, K: Serialize>(mut items: Vec<(K, T)>, limit: i64, uri: &axum::http::Uri) -> Result<Response> {
    let size = usize::try_from(limit - 1).unwrap_or(0);
    let more = items.len() > size;
    items.truncate(size);
    let next = match items.last() {
        Some((key, _)) if more => Some(URL_SAFE_NO_PAD.encode(json(key)?)),
        _ => None,
    };
    let link = next.as_ref().map(|cursor| {
        let kept = uri.query().unwrap_or_default().split('&').filter(|pair| !pair.is_empty() && !pair.starts_with("cursor="));
        let query: Vec<_> = kept.map(str::to_owned).chain([format!("cursor={cursor}")]).collect();
        // The nested router has taken the base off the path.
        format!("<{BASE}{}?{}>; rel=\"next\"", uri.path(), query.join("&"))
    });
    let items = items.into_iter().map(|(_, item)| item).collect();
    let body = json(&Page { items, next })?;
    let mut response = Answer(StoredAnswer { status: 200, location: None, etag: None, body }).into_response();
    if let Some(link) = link.and_then(|link| HeaderValue::from_str(&link).ok()) {
        response.headers_mut().insert(header::LINK, link);
    }
    Ok(response)
}

/// 405: the path is there, the method is not; `Allow` says which are.
#[must_use]
pub fn method_not_allowed() -> Response {
    let document = ProblemDocument {
        kind: "about:blank".into(),
        title: "Method Not Allowed".into(),
        status: 405,
        detail: "This path does not take this method; Allow says which it takes.".into(),
        instance: String::new(),
        errors: Vec::new(),
        neighbors: Vec::new(),
        conflicts_with: Vec::new(),
    };
    let mut response =
        (StatusCode::METHOD_NOT_ALLOWED, [(header::CONTENT_TYPE, "application/problem+json")], document.to_json()).into_response();
    response.extensions_mut().insert(NeedsInstance);
    response
}
