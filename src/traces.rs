//! Traces for a collector of OpenTelemetry, where the standard's own variables name one: a span for each request, and below it those of
//! what it waits for. OTLP by HTTP, as protobuf.
//!
//! `OTEL_EXPORTER_OTLP_ENDPOINT` (or `…_TRACES_ENDPOINT`) switches them on; the standard's other variables hold too, such as
//! `OTEL_EXPORTER_OTLP_HEADERS`, `OTEL_SERVICE_NAME` and `OTEL_TRACES_SAMPLER`. A span says method, route and status, never a path or a name.
use std::{
    env,
    sync::atomic::{AtomicBool, Ordering::Relaxed},
    time::Duration,
};

use axum::{
    body::Body,
    extract::{MatchedPath, Request},
    http::Response,
};
use opentelemetry::{global, trace::Status};
use opentelemetry_http::{Bytes, HeaderExtractor, HttpClient, HttpError};
use opentelemetry_otlp::{SpanExporter, WithHttpConfig};
use opentelemetry_sdk::{Resource, propagation::TraceContextPropagator, trace::SdkTracerProvider};
use tokio::runtime::Handle;
use tower_http::trace::{DefaultOnResponse, OnResponse};
use tracing::Span;
use tracing_opentelemetry::OpenTelemetrySpanExt;

use crate::{domain::webhook::Target, feeds::post};

/// Whether spans go anywhere.
static ON: AtomicBool = AtomicBool::new(false);

/// What takes the spans, where the environment names a collector.
///
/// # Errors
/// With what to do, where the variables cannot be read.
pub fn provider() -> Result<Option<SdkTracerProvider>, String> {
    let set = |name: &str| env::var(name).ok().filter(|value| !value.is_empty());
    let named = ["OTEL_EXPORTER_OTLP_TRACES_ENDPOINT", "OTEL_EXPORTER_OTLP_ENDPOINT"].into_iter().find_map(set);
    let disabled = set("OTEL_SDK_DISABLED").is_some_and(|value| value.eq_ignore_ascii_case("true"));
    let Some(address) = named.filter(|_| !disabled) else { return Ok(None) };
    let exporter = SpanExporter::builder().with_http().with_http_client(Sender(Handle::current())).build();
    let exporter = Target::parse(&address).and_then(|_| exporter.map_err(|error| error.to_string()));
    let exporter = exporter.map_err(|error| {
        format!("the OTEL_ variables cannot be read ({error}); OTEL_EXPORTER_OTLP_ENDPOINT is an address such as http://127.0.0.1:4318")
    })?;
    let mut resource = Resource::builder();
    if set("OTEL_SERVICE_NAME").is_none() {
        resource = resource.with_service_name("witnessmark");
    }
    global::set_text_map_propagator(TraceContextPropagator::new());
    ON.store(true, Relaxed);
    Ok(Some(SdkTracerProvider::builder().with_batch_exporter(exporter).with_resource(resource.build()).build()))
}

/// Sends spans. The exporter has a thread of its own; the network is the runtime's.
#[derive(Debug)]
struct Sender(Handle);
#[async_trait::async_trait]
impl HttpClient for Sender {
    async fn send_bytes(&self, request: Request<Bytes>) -> Result<Response<Bytes>, HttpError> {
        let target = Target::parse(&request.uri().to_string())?;
        let status = self.0.spawn(async move { post::send(&target, request.map(Body::from), true).await }).await?;
        match &status {
            Ok(200..=299) => {}
            Ok(status) => tracing::warn!(status, "the collector did not take the traces"),
            Err(error) => tracing::warn!(error, "the traces could not be sent"),
        }
        let status = status?;
        Ok(Response::builder().status(status).body(Bytes::new())?)
    }
}

/// What stands before everything that is logged about a request: its id and its route. Never the path itself: some paths hold secrets.
pub fn span_of(request: &Request) -> Span {
    let route = request.extensions().get::<MatchedPath>().map_or("none", MatchedPath::as_str);
    let id = request.headers().get("x-request-id").and_then(|value| value.to_str().ok()).unwrap_or_default();
    let method = request.method();
    if !ON.load(Relaxed) {
        return tracing::info_span!("request", id, %method, route);
    }
    let span = tracing::info_span!("request", id, %method, route, otel.name = format!("{method} {route}"), otel.kind = "server");
    // Where a proxy in front traces too, its span is the parent of this one.
    let parent = global::get_text_map_propagator(|propagator| propagator.extract(&HeaderExtractor(request.headers())));
    let _ = span.set_parent(parent);
    span.set_attribute("http.request.method", method.to_string());
    span.set_attribute("http.route", route.to_owned());
    span
}

/// Says in the span what was answered.
pub fn answered<B>(response: &Response<B>, latency: Duration, span: &Span) {
    DefaultOnResponse::new().on_response(response, latency, span);
    if ON.load(Relaxed) {
        let status = response.status();
        span.set_attribute("http.response.status_code", i64::from(status.as_u16()));
        if status.is_server_error() {
            span.set_status(Status::error(""));
        }
    }
}

/// A text for the log with its control characters written out: what somebody sent cannot begin a line of its own.
#[must_use]
pub fn on_one_line(text: &str) -> String {
    let written = |letter: char| if letter.is_control() { letter.escape_default().collect() } else { letter.to_string() };
    text.chars().map(written).collect()
}

#[cfg(test)]
mod tests {
    #[test]
    fn a_text_stays_on_its_line() {
        let sent = "wrong\r\n2026-05-02 INFO signed in\u{1b}[2K\u{85}é";
        assert_eq!(super::on_one_line(sent), "wrong\\r\\n2026-05-02 INFO signed in\\u{1b}[2K\\u{85}é");
    }
}
