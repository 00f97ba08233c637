//! What was sent: read, checked against the same schema that the OpenAPI document shows, so that every place that is wrong is named at once.
use std::{
    any::TypeId,
    collections::HashMap,
    fmt::Write as _,
    sync::{Arc, LazyLock, RwLock},
    time::Duration,
};

use axum::{
    body::Bytes,
    extract::{FromRequest, Request},
    http::header,
};
use futures_util::StreamExt;
use jsonschema::{ValidationError, Validator, error::ValidationErrorKind};
use serde::{Serialize, de::DeserializeOwned};
use serde_json::{Value, json};
use utoipa::ToSchema;

use crate::{
    domain::validate::Problem,
    error::{Error, Result},
};

/// The largest body, 1 MiB.
pub const LARGEST: usize = 1024 * 1024;
/// The largest file that is imported, 64 MiB.
pub const LARGEST_FILE: usize = 64 * 1024 * 1024;
/// How much of a larger body is read, at least, and thrown away before it is refused.
const DRAINED: usize = 16 * LARGEST;

/// A body as it came in. Reading it cannot fail yet: what the path names is looked up first.
#[derive(Debug)]
pub struct Body {
    content_type: String,
    bytes: Result<Bytes>,
}

impl<S: Send + Sync> FromRequest<S> for Body {
    type Rejection = std::convert::Infallible;
    async fn from_request(request: Request, _: &S) -> Result<Self, Self::Rejection> {
        Ok(Self::up_to(LARGEST, request).await)
    }
}

/// A file as the body of a request: up to [`LARGEST_FILE`], whatever it is.
#[derive(Debug)]
pub struct FileBody(Body);

impl<S: Send + Sync> FromRequest<S> for FileBody {
    type Rejection = std::convert::Infallible;
    async fn from_request(request: Request, _: &S) -> Result<Self, Self::Rejection> {
        Ok(Self(Body::up_to(LARGEST_FILE, request).await))
    }
}
impl FileBody {
    /// The raw bytes, for the hash of an Idempotency-Key.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        self.0.bytes()
    }
    /// The file, where it is of one of these types; with the one that it is said to be.
    ///
    /// # Errors
    /// 413, 415, or 400 where there is nothing in it.
    pub fn of_types(&self, types: &[&str], said: &'static str) -> Result<(&str, &[u8])> {
        self.0.must_be(types, said)?;
        match &self.0.bytes {
            Ok(bytes) if bytes.is_empty() => Err(Error::Malformed("The body is empty; send the file.".into())),
            Ok(bytes) => Ok((&self.0.content_type, bytes)),
            Err(error) => Err(Error::Malformed(error.detail())),
        }
    }
}

/// Reads a body up to a size.
async fn read(body: axum::body::Body, declared: Option<usize>, largest: usize) -> Result<Bytes> {
    let mut stream = body.into_data_stream();
    let mut bytes = Vec::with_capacity(declared.unwrap_or(0).min(LARGEST));
    while declared.is_none_or(|length| length <= largest) {
        match stream.next().await {
            Some(Ok(chunk)) if bytes.len() + chunk.len() > largest => break,
            Some(Ok(chunk)) => bytes.extend_from_slice(&chunk),
            Some(Err(_)) => return Err(Error::Malformed("The body was cut off half way; send it again.".into())),
            None => return Ok(bytes.into()),
        }
    }
    // Read on for a moment: a client that is still sending would see a broken connection in place of the answer.
    let rest = async {
        let mut left = DRAINED.max(2 * largest);
        while let Some(Ok(chunk)) = stream.next().await
            && left > chunk.len()
        {
            left -= chunk.len();
        }
    };
    let patience = if largest > DRAINED { 10 } else { 1 };
    let _ = tokio::time::timeout(Duration::from_secs(patience), rest).await;
    Err(Error::TooLarge(format!("The body is over {} MiB; send less in one request.", largest / (1024 * 1024))))
}

impl Body {
    async fn up_to(largest: usize, request: Request) -> Self {
        let (parts, body) = request.into_parts();
        let text = |name| parts.headers.get(name).and_then(|value| value.to_str().ok()).unwrap_or_default();
        let content_type = text(header::CONTENT_TYPE).split(';').next().unwrap_or_default().trim().to_ascii_lowercase();
        let declared = text(header::CONTENT_LENGTH).parse().ok();
        Self { content_type, bytes: read(body, declared, largest).await }
    }
    /// The raw bytes, for the hash of an Idempotency-Key.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        self.bytes.as_deref().unwrap_or_default()
    }
    /// The body of a POST as a `T`.
    ///
    /// # Errors
    /// 413, 415, 400, or 422 with every place that is wrong.
    pub fn json<T: DeserializeOwned + ToSchema + 'static>(&self) -> Result<T> {
        self.must_be(&["application/json"], "application/json")?;
        typed(self.value()?)
    }
    /// The body of a PATCH (RFC 7396) merged into what is there.
    ///
    /// # Errors
    /// 413, 415, 400, or 422 with every place that is wrong.
    pub fn merged_into<T: Serialize + DeserializeOwned + ToSchema + 'static>(&self, now: &T) -> Result<T> {
        let patch = self.patch()?;
        let mut value = serde_json::to_value(now).map_err(Error::internal)?;
        let unknown = nulls_for_nothing(&value, &patch);
        json_patch::merge(&mut value, &patch);
        for pointer in unknown {
            put_null(&mut value, &pointer);
        }
        typed(value)
    }
    /// The body of a PATCH as it is. Call it before comparing `If-Match`: an unreadable body is said first.
    ///
    /// # Errors
    /// 413, 415, 400.
    pub fn patch(&self) -> Result<Value> {
        let types = ["application/merge-patch+json", "application/json"];
        self.must_be(&types, "application/merge-patch+json or application/json")?;
        match self.value()? {
            value @ Value::Object(_) => Ok(value),
            _ => Err(Error::invalid("", "A merge patch is a JSON object with the fields to change.")),
        }
    }

    fn must_be(&self, types: &[&str], said: &'static str) -> Result<()> {
        if let Err(Error::TooLarge(detail)) = &self.bytes {
            return Err(Error::TooLarge(detail.clone()));
        }
        // Whoever sends nothing need not say what it is.
        if self.bytes.as_ref().is_ok_and(Bytes::is_empty) {
            return Err(Error::Malformed("The body is empty; send a JSON object.".into()));
        }
        if types.contains(&self.content_type.as_str()) { Ok(()) } else { Err(Error::WrongMediaType(said)) }
    }
    fn value(&self) -> Result<Value> {
        let bytes = match &self.bytes {
            Ok(bytes) => bytes,
            Err(error) => return Err(Error::Malformed(error.detail())),
        };
        serde_json::from_slice(bytes)
            .map_err(|error| Error::Malformed(format!("The body is not JSON: line {}, column {}.", error.line(), error.column())))
    }
}

/// Where a merge patch takes away what is not there: merged, a mistyped name would be gone before anybody could say so.
fn nulls_for_nothing(now: &Value, patch: &Value) -> Vec<Vec<String>> {
    let (Value::Object(now), Value::Object(patch)) = (now, patch) else { return Vec::new() };
    let below = |(name, wanted): (&String, &Value)| match (now.get(name), wanted) {
        (None, Value::Null) => vec![vec![name.clone()]],
        (Some(there), Value::Object(_)) => {
            nulls_for_nothing(there, wanted).into_iter().map(|rest| std::iter::once(name.clone()).chain(rest).collect()).collect()
        }
        _ => Vec::new(),
    };
    patch.iter().flat_map(below).collect()
}
fn put_null(value: &mut Value, path: &[String]) {
    match path {
        [] => *value = Value::Null,
        [name, rest @ ..] => {
            if let Value::Object(fields) = value {
                put_null(fields.entry(name).or_insert(Value::Null), rest);
            }
        }
    }
}

/// A JSON value as a `T`, checked against its schema.
///
/// # Errors
/// 422 with every place that is wrong.
pub fn typed<T: DeserializeOwned + ToSchema + 'static>(value: Value) -> Result<T> {
    let mut problems = Vec::new();
    for error in validator::<T>()?.iter_errors(&value) {
        explain(&error, &mut problems);
    }
    if !problems.is_empty() {
        problems.dedup();
        return Err(Error::Invalid(problems));
    }
    serde_path_to_error::deserialize(value).map_err(|error| {
        let pointer = pointer(error.path());
        Error::invalid(pointer, sentence(&error.into_inner().to_string()))
    })
}

fn pointer(path: &serde_path_to_error::Path) -> String {
    path.iter().fold(String::new(), |mut pointer, segment| {
        let text = segment.to_string();
        let text = text.trim_start_matches('[').trim_end_matches(']');
        let _ = write!(pointer, "/{}", text.replace('~', "~0").replace('/', "~1"));
        pointer
    })
}

fn sentence(text: &str) -> String {
    let mut letters = text.trim_end_matches('.').chars();
    letters.next().map_or_else(String::new, |first| format!("{}{}.", first.to_uppercase(), letters.as_str()))
}

static VALIDATORS: LazyLock<RwLock<HashMap<TypeId, Arc<Validator>>>> = LazyLock::new(RwLock::default);

/// The validator of a type, made once.
fn validator<T: ToSchema + 'static>() -> Result<Arc<Validator>> {
    if let Some(made) = VALIDATORS.read().map_err(Error::internal)?.get(&TypeId::of::<T>()) {
        return Ok(Arc::clone(made));
    }
    let mut parts = Vec::new();
    T::schemas(&mut parts);
    let schemas: HashMap<_, _> = parts.into_iter().collect();
    let mut document = serde_json::to_value(T::schema()).map_err(Error::internal)?;
    document["components"] = json!({ "schemas": schemas });
    let validator = jsonschema::draft202012::options().should_validate_formats(true).build(&document).map_err(Error::internal)?;
    let made = Arc::new(validator);
    VALIDATORS.write().map_err(Error::internal)?.insert(TypeId::of::<T>(), Arc::clone(&made));
    Ok(made)
}

/// One problem for each place that is wrong. Where null or an object is wanted and the object is wrong, the places inside it are named.
fn explain(error: &ValidationError<'_>, problems: &mut Vec<Problem>) {
    let at = error.instance_path().to_string();
    let mut say = |pointer: String, detail: String| problems.push(Problem { pointer, detail });
    match error.kind() {
        ValidationErrorKind::AdditionalProperties { unexpected } | ValidationErrorKind::UnevaluatedProperties { unexpected } => {
            for name in unexpected {
                say(
                    format!("{at}/{}", name.replace('~', "~0").replace('/', "~1")),
                    format!("There is no field {name:?} here; take it out."),
                );
            }
        }
        ValidationErrorKind::Required { property } => {
            let name = property.as_str().unwrap_or_default();
            say(format!("{at}/{name}"), format!("The field {name} is missing; it must be given."));
        }
        ValidationErrorKind::OneOfNotValid { context } | ValidationErrorKind::AnyOf { context } => {
            let deepest = context.iter().max_by_key(|branch| branch.iter().map(|error| depth(error, &at)).max());
            let inner: Vec<_> = deepest.into_iter().flatten().filter(|error| depth(error, &at) > 0).collect();
            if inner.is_empty() {
                say(at, format!("This has the wrong type or word: {}.", short(error.instance())));
            } else {
                for error in inner {
                    explain(error, problems);
                }
            }
        }
        ValidationErrorKind::Enum { options } => {
            let words: Vec<_> = options.as_array().into_iter().flatten().filter_map(Value::as_str).collect();
            say(at, format!("{} is not known here; use one of {}.", short(error.instance()), words.join(", ")));
        }
        ValidationErrorKind::Format { format } if format == "date" => {
            say(at, "A date is written YYYY-MM-DD and must be in the calendar.".into());
        }
        ValidationErrorKind::Format { format } => say(at, format!("This is not a {format}.")),
        ValidationErrorKind::Type { kind: _ } => {
            say(at, format!("This has the wrong type: {}.", sentence(&error.to_string()).trim_end_matches('.')));
        }
        _ => say(at, sentence(&error.to_string())),
    }
}

/// How far below `at` an error lies; a missing or unexpected field counts as one below.
fn depth(error: &ValidationError<'_>, at: &str) -> usize {
    let below = error.instance_path().to_string().len() - at.len().min(error.instance_path().to_string().len());
    let field = matches!(
        error.kind(),
        ValidationErrorKind::AdditionalProperties { .. }
            | ValidationErrorKind::Required { .. }
            | ValidationErrorKind::OneOfNotValid { .. }
            | ValidationErrorKind::AnyOf { .. }
    );
    below + usize::from(field)
}

fn short(value: &Value) -> String {
    let text = value.to_string();
    if text.chars().count() > 60 { format!("{}…", text.chars().take(60).collect::<String>()) } else { text }
}
