//! The router and its layers: the API below `/api/v1`, the pages, health.
use std::{
    net::SocketAddr,
    sync::{Arc, LazyLock},
    time::{Duration, Instant},
};

use axum::{
    Extension, Router,
    body::Body,
    extract::{ConnectInfo, MatchedPath, Request, State},
    http::{HeaderValue, StatusCode, header, response::Parts},
    middleware::{self, Next},
    response::{IntoResponse, Response},
    routing::get,
};
use tokio::sync::{Semaphore, SemaphorePermit};
use tower::ServiceBuilder;
use tower_http::{
    catch_panic::CatchPanicLayer,
    request_id::{MakeRequestUuid, PropagateRequestIdLayer, SetRequestIdLayer},
    trace::TraceLayer,
};
use utoipa::openapi::OpenApi;

use crate::{
    access::{address::ClientAddress, pace},
    actions::App,
    api::{self, answer::NeedsInstance},
    error::Error,
    feeds,
    metrics::Metrics,
    pages, store, traces,
};

/// The OpenAPI document.
#[must_use]
pub fn openapi() -> OpenApi {
    api::openapi::complete(utoipa_axum::router::OpenApiRouter::new().nest(api::BASE, api::routes()).into_openapi())
}

/// The document as it is sent. It is made when somebody asks for it first: nothing waits for it when the server starts.
static DOCUMENT: LazyLock<String> = LazyLock::new(|| serde_json::to_string(&openapi()).unwrap_or_default());

/// Everything that the server answers.
pub fn router(app: Arc<App>) -> Router {
    let (api, _) = utoipa_axum::router::OpenApiRouter::new().nest(api::BASE, api::routes()).split_for_parts();
    let openapi = get(|| async { ([(header::CONTENT_TYPE, "application/json")], DOCUMENT.as_str()) });
    // The outermost first. One stack, not one `Router::layer` after another: each of those would be a box of its own around each route,
    // and every layer copies what is within it for every request.
    let around = ServiceBuilder::new()
        .layer(middleware::from_fn_with_state(Arc::clone(&app), security_headers))
        .layer(Extension(Arc::new(Traffic {
            metrics: Arc::clone(&app.metrics),
            room: Semaphore::new(MOST_AT_ONCE),
            files: Semaphore::new(MOST_FILES),
        })))
        .layer(middleware::from_fn(watch))
        .layer(middleware::from_fn_with_state(Arc::clone(&app), whence))
        .layer(SetRequestIdLayer::x_request_id(MakeRequestUuid))
        .layer(TraceLayer::new_for_http().make_span_with(traces::span_of).on_response(traces::answered))
        .layer(PropagateRequestIdLayer::x_request_id())
        .layer(CatchPanicLayer::custom(|_: Box<dyn std::any::Any + Send>| {
            Error::Internal("a handler panicked".into()).into_response().map(Body::new)
        }))
        .layer(middleware::from_fn(note_refusals))
        .layer(middleware::from_fn(complete_problems))
        .layer(middleware::from_fn(in_time))
        .layer(Extension(app.pace.clone()))
        .layer(middleware::from_fn(pace::keep));
    Router::new()
        .merge(api.layer(middleware::from_fn(api::csv::where_wanted)))
        .merge(pages::routes(Arc::clone(&app)))
        .merge(feeds::calendar::routes())
        .route(&format!("{}/openapi.json", api::BASE), openapi)
        .route("/healthz", get(|| async { "ok\n" }))
        .route("/readyz", get(ready))
        .route("/metrics", get(numbers))
        .fallback(|| async { Error::NotFound("page or resource") })
        .method_not_allowed_fallback(|| async { StatusCode::METHOD_NOT_ALLOWED })
        .layer(around)
        .with_state(app)
}

/// Whether files are sent to an address.
fn takes_files(path: &str) -> bool {
    let own = path.strip_prefix(api::BASE).unwrap_or(path);
    let begins = ["/imports", "/attachments", "/photos"].iter().any(|start| own.starts_with(start));
    begins || ["/photos", "/write-up"].iter().any(|end| own.ends_with(end))
}
/// How long a request may take. What brings a file may take longer, over a telephone's network too.
fn patience(path: &str) -> Duration {
    if takes_files(path) { Duration::from_mins(15) } else { Duration::from_mins(1) }
}
/// Gives up on a request that takes too long.
async fn in_time(request: Request, next: Next) -> Response {
    let (most, reads) = (patience(request.uri().path()), request.method().is_safe());
    let response = tokio::time::timeout(most, next.run(request)).await;
    response.unwrap_or_else(|_| {
        let why = "the request took too long".into();
        if reads { Error::Unavailable(why) } else { Error::Unsure(why) }.into_response()
    })
}

/// A line in the log for each request that was turned away for who sent it, or for how often.
async fn note_refusals(request: Request, next: Next) -> Response {
    let address = request.extensions().get::<ClientAddress>().copied().unwrap_or_default().0;
    let response = next.run(request).await;
    let status = response.status().as_u16();
    if matches!(status, 401 | 403 | 429) {
        tracing::warn!(status, address = ?address, "refused");
    }
    response
}

/// What a page may use of a device: nothing. A photograph comes through the file chooser, which asks for none of these.
const PERMISSIONS: &str = "accelerometer=(), camera=(), display-capture=(), geolocation=(), gyroscope=(), magnetometer=(), microphone=(), midi=(), payment=(), usb=()";

/// The most requests under way at once; those beyond it are turned away at once instead of queueing behind each other.
const MOST_AT_ONCE: usize = 1024;
/// The most of them that bring a file: an import is held in memory, 64 MiB of it at most, until its turn to be written comes.
const MOST_FILES: usize = 32;

/// What is known about the requests under way.
#[derive(Debug)]
struct Traffic {
    metrics: Arc<Metrics>,
    room: Semaphore,
    files: Semaphore,
}
impl Traffic {
    /// Room for one more request; none where it is to be turned away.
    fn take_in(&self, request: &Request) -> Option<(SemaphorePermit<'_>, Option<SemaphorePermit<'_>>)> {
        let room = self.room.try_acquire().ok()?;
        let brings_a_file = !request.method().is_safe() && takes_files(request.uri().path());
        Some((room, if brings_a_file { Some(self.files.try_acquire().ok()?) } else { None }))
    }
}

/// The numbers for a monitoring system. They ask for no token: a proxy in front keeps this path inside.
async fn numbers(State(app): State<Arc<App>>) -> Response {
    // Where the database is out of reach that is one of the numbers; the others do not wait for it long.
    let read = async { store::numbers::read(&mut app.store.read().await?).await };
    let database = tokio::time::timeout(Duration::from_secs(2), read).await.ok().and_then(Result::ok);
    ([(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], app.metrics.text(database, app.store.waiting_writes()))
        .into_response()
}

/// Counts a request, and turns it away where too many are under way. Whoever asks how the server is doing is always let in.
async fn watch(Extension(traffic): Extension<Arc<Traffic>>, request: Request, next: Next) -> Response {
    let route = request.extensions().get::<MatchedPath>().cloned();
    let method = request.method().clone();
    let begun = Instant::now();
    let room = traffic.take_in(&request);
    let always = matches!(request.uri().path(), "/healthz" | "/readyz" | "/metrics");
    let response = if room.is_some() || always {
        let _under_way = traffic.metrics.begin();
        next.run(request).await
    } else {
        traffic.metrics.turn_away();
        with_instance(Error::Busy.into_response(), request.uri().path()).await
    };
    traffic.metrics.count(method.as_str(), route.as_ref().map(MatchedPath::as_str), response.status().as_u16(), begun.elapsed());
    response
}

async fn ready(State(app): State<Arc<App>>) -> Response {
    match app.store.ready().await {
        Ok(()) => "ready\n".into_response(),
        Err(error) => error.into_response(),
    }
}

/// Fills in the `instance` of a problem document: the error did not know the path of its request. 405 gets its document here.
async fn complete_problems(request: Request, next: Next) -> Response {
    let path = request.uri().path().to_owned();
    let mut response = next.run(request).await;
    if !path.starts_with(api::BASE) && path != "/readyz" {
        return page_instead(response).await;
    }
    if response.status() == StatusCode::METHOD_NOT_ALLOWED {
        let allow = response.headers().get(header::ALLOW).cloned();
        response = api::answer::method_not_allowed();
        if let Some(allow) = allow {
            response.headers_mut().insert(header::ALLOW, allow);
        }
    }
    if response.extensions().get::<NeedsInstance>().is_none() {
        return response;
    }
    with_instance(response, &path).await
}

/// A problem document with the path of its request.
async fn with_instance(response: Response, path: &str) -> Response {
    let (parts, mut document) = opened(response).await;
    document["instance"] = path.into();
    Response::from_parts(parts, Body::from(document.to_string()))
}
async fn opened(problem: Response) -> (Parts, serde_json::Value) {
    let (parts, body) = problem.into_parts();
    let bytes = axum::body::to_bytes(body, usize::MAX).await.unwrap_or_default();
    (parts, serde_json::from_slice(&bytes).unwrap_or_default())
}

/// Outside the API people read the answers: a page in place of a problem document.
async fn page_instead(response: Response) -> Response {
    let status = response.status();
    let kept = if status == StatusCode::METHOD_NOT_ALLOWED { header::ALLOW } else { header::RETRY_AFTER };
    let value = response.headers().get(&kept).cloned();
    let detail = match status {
        StatusCode::METHOD_NOT_ALLOWED => "Go back and follow the link again; nothing was done.".to_owned(),
        _ if response.extensions().get::<NeedsInstance>().is_none() => return response,
        StatusCode::NOT_FOUND => "There is no page at this address. Follow one of these ways.".to_owned(),
        _ => opened(response).await.1["detail"].as_str().unwrap_or_default().to_owned(),
    };
    let mut page = pages::fault::page(status.as_u16(), detail);
    if let Some(value) = value {
        page.headers_mut().insert(kept, value);
    }
    page
}

/// Notes on a request which address it comes from; whoever is no trusted proxy gives it no id.
async fn whence(State(app): State<Arc<App>>, mut request: Request, next: Next) -> Response {
    let peer = request.extensions().get::<ConnectInfo<SocketAddr>>().map(|peer| peer.0.ip());
    let client = app.proxies.client(peer, request.headers());
    request.extensions_mut().insert(client);
    if !app.proxies.believes(peer) {
        request.headers_mut().remove("x-request-id");
    }
    next.run(request).await
}

/// What every answer says about how it may be used.
async fn security_headers(State(app): State<Arc<App>>, request: Request, next: Next) -> Response {
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    let policy = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; form-action 'self'; base-uri 'none'; object-src 'none'; frame-ancestors 'none'";
    for (name, value) in [
        (header::CONTENT_SECURITY_POLICY, policy),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "same-origin"),
        (header::HeaderName::from_static("permissions-policy"), PERMISSIONS),
        (header::HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        (header::HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    ] {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    if app.site.is_https() {
        headers.entry(header::STRICT_TRANSPORT_SECURITY).or_insert(HeaderValue::from_static("max-age=31536000; includeSubDomains"));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("private, no-cache"));
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_brings_a_file_has_time_for_it() {
        for path in ["/api/v1/imports", "/imports/x", "/api/v1/attachments", "/photos", "/motorcycles/x/photos", "/motorcycles/x/write-up"]
        {
            assert_eq!(patience(path), Duration::from_mins(15), "{path}");
        }
        for path in ["/", "/api/v1/motorcycles", "/motorcycles/x", "/api/v1/search"] {
            assert_eq!(patience(path), Duration::from_mins(1), "{path}");
        }
    }
}
