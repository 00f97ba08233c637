//! The OpenAPI 3.1 document: generated from the handlers' types; what every operation has in common is added here, in one place.
use std::collections::BTreeMap;

use utoipa::ToSchema;
use utoipa::openapi::{
    Content, Info, OpenApi, Ref, RefOr, Required, Response, ResponseBuilder,
    path::{HttpMethod, Operation, ParameterBuilder, ParameterIn, PathItem},
    schema::{ArrayItems, ObjectBuilder, Schema, Type},
    security::{Http, HttpAuthScheme, SecurityRequirement, SecurityScheme},
    tag::TagBuilder,
};

use super::answer::ProblemDocument;

/// The chapters of the document, in the order in which a newcomer reads them.
const TAGS: &[(&str, &str)] = &[
    ("due", "What is due, when and why"),
    ("motorcycles", "Motorcycles and what is on them"),
    ("services", "Service events: what was done, fitted, measured, tightened and left for later"),
    ("parts", "Installed parts and their lives"),
    ("values", "Measured values and their verdicts"),
    ("readings", "Odometer and hour readings, and the instruments behind them"),
    ("history", "Everything that happened, in one list"),
    ("rules", "Interval rules, limits, fasteners and procedures"),
    ("bench", "Job sheets, visits and forecasts"),
    ("calculations", "Calculations, which store nothing"),
    ("owners", "Whose motorcycles they are"),
    ("vocabularies", "Components, quantities and units"),
    ("records", "Attachments, history packets, search and costs"),
    ("workshop", "The workshop's settings, people, tokens and webhooks"),
    ("exchange", "Imports, exports and calendars"),
    ("audit", "Who did what"),
];

/// Completes the document that the router collected.
#[must_use]
pub fn complete(mut document: OpenApi) -> OpenApi {
    document.info = Info::builder()
        .title("Witnessmark")
        .version("1")
        .description(Some("The maintenance history of motorcycles, and what is due on them and why. The maker's service manual and local rules come first."))
        .build();
    document.servers = None;
    let components = document.components.get_or_insert_default();
    let mut schemas = Vec::new();
    ProblemDocument::schemas(&mut schemas);
    components.schemas.insert("ProblemDocument".into(), <ProblemDocument as utoipa::PartialSchema>::schema());
    components.schemas.extend(schemas);
    name_the_items_of_pages(&mut components.schemas);
    components
        .add_security_scheme("token", SecurityScheme::Http(Http::builder().scheme(HttpAuthScheme::Bearer).bearer_format("wmk_…").build()));
    document.tags = Some(TAGS.iter().map(|(name, about)| TagBuilder::new().name(*name).description(Some(*about)).build()).collect());
    document.security = Some(vec![SecurityRequirement::new::<_, [&str; 0], &str>("token", [])]);
    for (path, item) in &mut document.paths.paths {
        for (method, operation) in operations(item) {
            offer_csv(operation);
            add_what_all_have(path, &method, operation);
        }
    }
    document
}

/// `Page_Motorcycle` holds motorcycles by their name: written out in place, a generated client would have a second type for them.
fn name_the_items_of_pages(schemas: &mut BTreeMap<String, RefOr<Schema>>) {
    let pages: Vec<_> = schemas.keys().filter_map(|name| name.strip_prefix("Page_")).map(str::to_owned).collect();
    for noun in pages.into_iter().filter(|noun| schemas.contains_key(noun)).collect::<Vec<_>>() {
        if let Some(RefOr::T(Schema::Object(page))) = schemas.get_mut(&format!("Page_{noun}"))
            && let Some(RefOr::T(Schema::Array(list))) = page.properties.get_mut("items")
        {
            list.items = ArrayItems::RefOrSchema(Box::new(Ref::from_schema_name(noun).into()));
        }
    }
}

/// A page of a list is given as CSV too, for whoever asks for it.
fn offer_csv(operation: &mut Operation) {
    let Some(RefOr::T(response)) = operation.responses.responses.get_mut("200") else { return };
    let is_page = |content: &RefOr<Content>| match content {
        RefOr::T(Content { schema: Some(RefOr::Ref(name)), .. }) => {
            name.ref_location.rsplit('/').next().is_some_and(|name| name.starts_with("Page_"))
        }
        _ => false,
    };
    if response.content.get("application/json").is_some_and(is_page) {
        let schema = ObjectBuilder::new()
            .schema_type(Type::String)
            .description(Some("The same page (RFC 4180): a first row with names, nested fields with a point in theirs"))
            .build();
        response.content.insert("text/csv".into(), RefOr::T(Content::new(Some(schema))));
    }
}

fn operations(item: &mut PathItem) -> impl Iterator<Item = (HttpMethod, &mut Operation)> {
    [
        (HttpMethod::Get, item.get.as_mut()),
        (HttpMethod::Post, item.post.as_mut()),
        (HttpMethod::Patch, item.patch.as_mut()),
        (HttpMethod::Delete, item.delete.as_mut()),
    ]
    .into_iter()
    .filter_map(|(method, operation)| Some((method, operation?)))
}

/// The errors that any operation of this kind can give, and the headers that it takes.
fn add_what_all_have(path: &str, method: &HttpMethod, operation: &mut Operation) {
    let mut errors = vec![
        (401, "Nobody known is asking"),
        (403, "The token lacks the scope"),
        (422, "What was sent cannot be"),
        (429, "Too many requests in a short time; Retry-After says how long to wait"),
        (503, "The database cannot be used right now"),
    ];
    if path.contains('{') {
        errors.push((404, "There is none, or it is not yours"));
    }
    if operation.request_body.is_some() {
        errors.extend([(400, "The body cannot be read"), (413, "The body is too large"), (415, "The body has the wrong content type")]);
    }
    match method {
        // Nothing is stored, so nothing is done twice.
        HttpMethod::Post if path.contains("/calculations/") => {}
        HttpMethod::Post => {
            errors.push((409, "It collides with something that is there"));
            header(
                operation,
                "Idempotency-Key",
                false,
                "Any text of up to 255 characters: the same request with the same key is done once",
            );
        }
        HttpMethod::Patch | HttpMethod::Delete => {
            errors.extend([(409, "It collides with something that is there"), (412, "It was changed since"), (428, "If-Match is missing")]);
            header(operation, "If-Match", true, "The ETag of what was read");
        }
        _ => {
            header(operation, "If-None-Match", false, "An ETag: 304 where nothing has changed");
            let same = ResponseBuilder::new().description("Nothing has changed since the ETag in If-None-Match").build();
            operation.responses.responses.entry("304".into()).or_insert_with(|| RefOr::T(same));
        }
    }
    for (status, description) in errors {
        operation.responses.responses.entry(status.to_string()).or_insert_with(|| RefOr::T(problem(description)));
    }
}

fn problem(description: &str) -> Response {
    let content = Content::new(Some(Ref::from_schema_name("ProblemDocument")));
    ResponseBuilder::new().description(description).content("application/problem+json", content).build()
}

fn header(operation: &mut Operation, name: &str, required: bool, description: &str) {
    let key = name == "Idempotency-Key";
    let schema = ObjectBuilder::new().schema_type(Type::String).min_length(key.then_some(1)).max_length(key.then_some(255)).build();
    let parameter = ParameterBuilder::new()
        .name(name)
        .parameter_in(ParameterIn::Header)
        .required(if required { Required::True } else { Required::False })
        .description(Some(description))
        .schema(Some(schema))
        .build();
    operation.parameters.get_or_insert_default().push(RefOr::T(parameter));
}
