//! What came back, and what a test asks of it.
use reqwest::header::HeaderMap;
use serde_json::Value;

/// An answer of the server.
#[derive(Clone, Debug)]
pub struct Answer {
    /// Method and path of the request, for messages.
    pub request: String,
    /// The status code.
    pub status: u16,
    /// The headers.
    pub headers: HeaderMap,
    /// The body as JSON; null where there is none or it is something else.
    pub body: Value,
    /// The body as it came.
    pub text: String,
}

impl Answer {
    /// A header's text; empty where it is missing.
    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).and_then(|value| value.to_str().ok()).unwrap_or_default()
    }
    /// The entity tag.
    pub fn etag(&self) -> String {
        let etag = self.header("etag");
        assert!(etag.starts_with('"') && etag.len() > 2, "{} has no strong ETag: {etag:?}", self.request);
        etag.to_owned()
    }
    /// The body, of an answer that must have this status.
    #[track_caller]
    pub fn with(self, status: u16) -> Value {
        assert_eq!(self.status, status, "{}: {}", self.request, self.text);
        self.body
    }
    /// The body of a 200.
    #[track_caller]
    pub fn ok(self) -> Value {
        self.with(200)
    }
    /// The body of a 201, which says where the new thing is.
    #[track_caller]
    pub fn created(self) -> Value {
        assert_eq!(self.status, 201, "{}: {}", self.request, self.text);
        assert!(self.header("location").starts_with("/api/v1/"), "{} says where it is: {:?}", self.request, self.headers);
        self.body
    }
    /// The id of what was made.
    #[track_caller]
    pub fn id(self) -> String {
        self.created()["id"].as_str().expect("what was made has an id").to_owned()
    }
    /// A problem document (RFC 9457) with this status and all its five fields; where places are wrong, they are named.
    #[track_caller]
    pub fn problem(&self, status: u16) -> &Value {
        assert_eq!(self.status, status, "{}: {}", self.request, self.text);
        assert_eq!(self.header("content-type"), "application/problem+json", "{}", self.request);
        for (field, text) in [("type", true), ("title", true), ("status", false), ("detail", true), ("instance", true)] {
            let value = &self.body[field];
            assert!(if text { value.as_str().is_some_and(|text| !text.is_empty()) } else { value.is_u64() }, "{field}: {}", self.text);
        }
        assert_eq!(self.body["status"], status);
        let path = self.request.split(' ').nth(1).unwrap_or_default().split('?').next().unwrap_or_default();
        assert_eq!(self.body["instance"], path, "instance is the path that was asked for");
        for leak in ["sqlx", "sqlite", "postgres", "select ", "insert into", "constraint", "/tmp", "src/", ".rs:"] {
            assert!(!self.text.to_lowercase().contains(leak), "{} tells {leak:?}: {}", self.request, self.text);
        }
        &self.body
    }
    /// The places that a 422 names, sorted.
    #[track_caller]
    pub fn wrong(&self) -> Vec<String> {
        let errors = self.problem(422)["errors"].as_array().cloned().unwrap_or_default();
        assert!(!errors.is_empty(), "{} names no place: {}", self.request, self.text);
        let mut pointers: Vec<String> = errors
            .iter()
            .map(|error| {
                assert!(error["detail"].as_str().is_some_and(|detail| detail.len() > 8), "{error}");
                error["pointer"].as_str().expect("a pointer").to_owned()
            })
            .collect();
        pointers.sort();
        pointers.dedup();
        pointers
    }
    /// The items of a list.
    #[track_caller]
    pub fn items(self) -> Vec<Value> {
        let mut body = self.ok();
        match body["items"].take() {
            Value::Array(items) => items,
            other => panic!("no list: {other}"),
        }
    }
}
