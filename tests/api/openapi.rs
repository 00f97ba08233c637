//! The OpenAPI document: its snapshot, and what makes it a good one. That it is true, the harness checks with every answer.
use std::collections::BTreeSet;

use serde_json::Value;

use crate::harness::promised::DOCUMENT;

/// Every operation with its path and method.
fn operations() -> impl Iterator<Item = (&'static str, &'static str, &'static Value)> {
    let paths = DOCUMENT["paths"].as_object().unwrap();
    paths.iter().flat_map(|(path, item)| {
        let methods = item.as_object().unwrap().iter().filter(|(method, _)| *method != "parameters");
        methods.map(move |(method, operation)| (path.as_str(), method.as_str(), operation))
    })
}
/// Everything in the document, with its pointer.
fn everywhere(value: &Value, at: &str, visit: &mut impl FnMut(&str, &Value)) {
    visit(at, value);
    match value {
        Value::Object(fields) => {
            for (name, value) in fields {
                everywhere(value, &format!("{at}/{}", name.replace('~', "~0").replace('/', "~1")), visit);
            }
        }
        Value::Array(items) => {
            for (place, value) in items.iter().enumerate() {
                everywhere(value, &format!("{at}/{place}"), visit);
            }
        }
        _ => {}
    }
}
fn resolve(value: &Value) -> &Value {
    match value["$ref"].as_str() {
        Some(at) => DOCUMENT.pointer(at.strip_prefix('#').unwrap()).unwrap_or_else(|| panic!("{at} leads nowhere")),
        None => value,
    }
}

#[test]
fn the_document_is_as_it_was() {
    // Pretty-printed JSON, so that a change of the contract shows in review line by line.
    insta::assert_snapshot!("openapi", serde_json::to_string_pretty(&*DOCUMENT).unwrap());
}

#[test]
fn version_3_1_in_its_own_idioms() {
    assert!(DOCUMENT["openapi"].as_str().unwrap().starts_with("3.1"));
    let mut references = BTreeSet::new();
    everywhere(&DOCUMENT, "", &mut |at, value| {
        if let Some(fields) = value.as_object() {
            // Inside an example these would be data.
            if !at.contains("/example") {
                assert!(!fields.contains_key("nullable"), "{at} is nullable the way of 3.0");
                for word in ["exclusiveMinimum", "exclusiveMaximum"] {
                    assert!(fields.get(word).is_none_or(Value::is_number), "{at} has {word} the way of 3.0");
                }
            }
            if let Some(reference) = fields.get("$ref").and_then(Value::as_str) {
                references.insert(reference.to_owned());
            }
        }
    });
    assert!(!references.is_empty());
    for reference in &references {
        assert!(DOCUMENT.pointer(reference.strip_prefix('#').unwrap()).is_some(), "{reference} leads nowhere");
    }
    // Every schema that is there is used; a page's items too are called by their name.
    for name in DOCUMENT["components"]["schemas"].as_object().unwrap().keys() {
        assert!(references.contains(&format!("#/components/schemas/{name}")), "nothing uses the schema {name}");
    }
}

#[test]
fn every_schema_is_json_schema_2020_12() {
    let schemas = DOCUMENT["components"]["schemas"].as_object().unwrap();
    for (name, schema) in schemas {
        assert!(jsonschema::draft202012::meta::validate(schema).is_ok(), "{name} is no JSON schema");
    }
}

#[test]
fn every_operation_has_an_id_a_tag_a_summary_and_its_errors() {
    let tags: BTreeSet<_> = DOCUMENT["tags"].as_array().unwrap().iter().map(|tag| tag["name"].as_str().unwrap()).collect();
    let mut ids = BTreeSet::new();
    for (path, method, operation) in operations() {
        let what = format!("{method} {path}");
        let id = operation["operationId"].as_str().unwrap_or_else(|| panic!("{what} has no id"));
        assert!(ids.insert(id), "{id} is said twice");
        assert!(id.chars().all(|letter| letter.is_ascii_lowercase() || letter == '_'), "{id}: a client makes a function name of it");
        let own: Vec<_> = operation["tags"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
        assert!(own.len() == 1 && tags.contains(own[0]), "{what}: tags {own:?}, described are {tags:?}");
        assert!(operation["summary"].as_str().is_some_and(|text| (3..80).contains(&text.len())), "{what} has no summary");
        let responses = operation["responses"].as_object().unwrap();
        for status in ["401", "403", "422"] {
            assert!(responses.contains_key(status), "{what} does not promise {status}");
        }
        assert!(responses.keys().any(|status| status.starts_with('2')), "{what} promises no success");
        for (status, response) in responses {
            assert!(response["description"].as_str().is_some_and(|text| !text.is_empty()), "{what} {status} is not described");
            if status.starts_with('4') || status.starts_with('5') {
                let schema = &response["content"]["application/problem+json"]["schema"]["$ref"];
                assert_eq!(schema, "#/components/schemas/ProblemDocument", "{what} {status}");
            }
        }
    }
    assert_eq!(ids.len(), operations().count());
}

#[test]
fn every_parameter_is_described_and_every_path_parameter_there() {
    for (path, method, operation) in operations() {
        let parameters: Vec<_> = operation["parameters"].as_array().into_iter().flatten().map(resolve).collect();
        for parameter in &parameters {
            assert!(
                parameter["description"].as_str().is_some_and(|text| !text.is_empty()) && parameter["schema"].is_object(),
                "{method} {path}: {parameter}"
            );
        }
        let named: BTreeSet<_> = parameters.iter().filter(|one| one["in"] == "path").map(|one| one["name"].as_str().unwrap()).collect();
        let wanted: BTreeSet<_> = path.split('/').filter_map(|part| part.strip_prefix('{')?.strip_suffix('}')).collect();
        assert_eq!(named, wanted, "{method} {path}");
        for limit in parameters.iter().filter(|one| one["name"] == "limit") {
            let kinds = &limit["schema"]["type"];
            assert!(kinds.to_string().contains("integer"), "{method} {path}: limit is {kinds}");
        }
    }
}

#[test]
fn every_body_has_an_example_that_is_right() {
    for (path, method, operation) in operations() {
        let Some(content) = operation["requestBody"]["content"].as_object() else { continue };
        for (media, body) in content.iter().filter(|(media, _)| media.contains("json")) {
            let what = format!("{method} {path} as {media}");
            let schema = resolve(&body["schema"]);
            let example = [&body["example"], &schema["example"], &schema["examples"][0]].into_iter().find(|example| !example.is_null());
            let example = example.unwrap_or_else(|| panic!("{what} has no example"));
            let mut whole = body["schema"].clone();
            whole["components"] = DOCUMENT["components"].clone();
            let validator = jsonschema::draft202012::options().should_validate_formats(true).build(&whole).unwrap();
            let wrong: Vec<_> = validator.iter_errors(example).map(|error| format!("{}: {error}", error.instance_path())).collect();
            assert!(wrong.is_empty() || method == "patch", "{what}: the example is wrong: {wrong:?}");
        }
    }
}

#[test]
fn bodies_are_closed_and_their_fields_described() {
    for (path, method, operation) in operations() {
        let bodies = operation["requestBody"]["content"].as_object().into_iter().flatten();
        for (_, body) in bodies.filter(|(media, _)| media.contains("json")) {
            let schema = resolve(&body["schema"]);
            if schema["type"] == "object" {
                assert_eq!(schema["additionalProperties"], false, "{method} {path} takes unknown fields");
            }
        }
    }
    for (name, schema) in DOCUMENT["components"]["schemas"].as_object().unwrap() {
        for (field, of) in schema["properties"].as_object().into_iter().flatten() {
            let says = |of: &Value| of["description"].as_str().is_some_and(|text| !text.is_empty()) || of["$ref"].is_string();
            let described = says(of) || of["oneOf"].as_array().is_some_and(|kinds| kinds.iter().any(says));
            assert!(described, "{name}.{field} is not described");
        }
    }
}

#[test]
fn changing_needs_if_match_and_posting_takes_a_key() {
    for (path, method, operation) in operations() {
        let headers: Vec<_> =
            operation["parameters"].as_array().into_iter().flatten().map(resolve).filter(|one| one["in"] == "header").collect();
        let has = |name: &str, required: bool| headers.iter().any(|one| one["name"] == name && one["required"] == required);
        match method {
            "patch" | "delete" => assert!(has("If-Match", true), "{method} {path}"),
            // A calculation stores nothing.
            "post" => assert_eq!(has("Idempotency-Key", false), !path.contains("/calculations/"), "{method} {path}"),
            _ => {}
        }
    }
}
