//! Compares an answer with the OpenAPI document: status, content type and every field must be promised there.
use std::{
    collections::{BTreeSet, HashMap},
    sync::{Arc, LazyLock, Mutex},
};

use jsonschema::Validator;
use serde_json::{Value, json};

/// The OpenAPI document as the server gives it.
pub static DOCUMENT: LazyLock<Value> =
    LazyLock::new(|| serde_json::to_value(witnessmark::web::openapi()).expect("the OpenAPI document is JSON"));

/// The same, with every object closed: a field that the document does not name is found out too.
static CLOSED: LazyLock<Value> = LazyLock::new(|| {
    let mut document = DOCUMENT.clone();
    let mut open = BTreeSet::new();
    bases(&document, &mut open);
    close(&mut document["components"]["schemas"], &open);
    close(&mut document["paths"], &open);
    document
});

static VALIDATORS: LazyLock<Mutex<HashMap<String, Arc<Validator>>>> = LazyLock::new(Mutex::default);

fn close(value: &mut Value, bases: &BTreeSet<String>) {
    match value {
        Value::Object(fields) => {
            if fields.contains_key("allOf") {
                // Closed parts would refuse each other's fields; the whole is closed instead.
                fields.insert("unevaluatedProperties".into(), false.into());
                for part in fields["allOf"].as_array_mut().into_iter().flatten().filter_map(Value::as_object_mut) {
                    part.values_mut().for_each(|value| close(value, bases));
                }
                return;
            }
            if fields.get("properties").is_some_and(Value::is_object) && !fields.contains_key("additionalProperties") {
                fields.insert("additionalProperties".into(), false.into());
            }
            for (name, value) in fields.iter_mut() {
                if bases.contains(name) && value.get("properties").is_some() {
                    value["properties"].as_object_mut().into_iter().flat_map(|all| all.values_mut()).for_each(|value| close(value, bases));
                } else {
                    close(value, bases);
                }
            }
        }
        Value::Array(items) => items.iter_mut().for_each(|value| close(value, bases)),
        _ => {}
    }
}
/// The schemas that others are built on: they stay open, or what is added to them would be refused.
fn bases(value: &Value, found: &mut BTreeSet<String>) {
    match value {
        Value::Object(fields) => {
            let parts = fields.get("allOf").and_then(Value::as_array).into_iter().flatten();
            found.extend(parts.filter_map(|part| part["$ref"].as_str()?.rsplit('/').next().map(str::to_owned)));
            fields.values().for_each(|value| bases(value, found));
        }
        Value::Array(items) => items.iter().for_each(|value| bases(value, found)),
        _ => {}
    }
}

/// The path template of the document that a path is an instance of; literal segments go before parameters.
fn template(path: &str) -> Option<&'static str> {
    let paths = DOCUMENT["paths"].as_object()?;
    let segments: Vec<_> = path.split('/').collect();
    let fits = |template: &&String| {
        let parts: Vec<_> = template.split('/').collect();
        parts.len() == segments.len() && parts.iter().zip(&segments).all(|(part, segment)| part.starts_with('{') || part == segment)
    };
    paths.keys().filter(fits).min_by_key(|template| template.matches('{').count()).map(String::as_str)
}

fn escaped(segment: &str) -> String {
    segment.replace('~', "~0").replace('/', "~1")
}

/// Fails where an answer is not what the document says for its path, method and status.
#[track_caller]
pub fn check(method: &str, path: &str, status: u16, content_type: &str, text: &str) {
    let path = path.split('?').next().unwrap_or_default();
    let Some(template) = template(path) else {
        assert!(
            status == 404 || status == 401 || path.ends_with("/openapi.json"),
            "{method} {path} is answered with {status} but not in the OpenAPI document"
        );
        return;
    };
    let Some(operation) = DOCUMENT["paths"][template].get(method.to_lowercase()) else {
        assert_eq!(status, 405, "{method} {path} is answered but not in the OpenAPI document");
        return;
    };
    if status == 304 {
        return;
    }
    let promised = &operation["responses"][status.to_string()];
    assert!(!promised.is_null(), "{method} {template} gave {status}, which the OpenAPI document does not promise: {text}");
    let media = content_type.split(';').next().unwrap_or_default().trim();
    let Some(contents) = promised["content"].as_object() else {
        assert!(text.is_empty(), "{method} {template} {status} has a body that the document does not promise: {text}");
        return;
    };
    assert!(contents.contains_key(media), "{method} {template} {status} came as {media:?}, promised is {:?}", contents.keys());
    if !media.ends_with("json") {
        return;
    }
    let at = format!(
        "#/paths/{}/{}/responses/{status}/content/{}/schema",
        escaped(template).replace('{', "%7B").replace('}', "%7D"),
        method.to_lowercase(),
        escaped(media)
    );
    let validator = validator(&at);
    // A stream has a document on each line.
    let documents: Vec<_> = if media == "application/x-ndjson" { text.lines().collect() } else { vec![text] };
    for text in documents {
        let value: Value = serde_json::from_str(text).unwrap_or_else(|error| panic!("{method} {path}: {error} in {text}"));
        let wrong: Vec<_> = validator.iter_errors(&value).map(|error| format!("{}: {error}", error.instance_path())).collect();
        assert!(wrong.is_empty(), "{method} {template} {status} is not what the OpenAPI document promises:\n{}\n{text}", wrong.join("\n"));
    }
}

fn validator(at: &str) -> Arc<Validator> {
    let mut made = VALIDATORS.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    if let Some(validator) = made.get(at) {
        return Arc::clone(validator);
    }
    let schema = json!({"$ref": at, "components": CLOSED["components"], "paths": CLOSED["paths"]});
    let validator = jsonschema::draft202012::options().should_validate_formats(true).build(&schema).expect("the document's schemas hold");
    let validator = Arc::new(validator);
    made.insert(at.to_owned(), Arc::clone(&validator));
    validator
}
