//! A running server and requests to it.
use std::{sync::Arc, time::Duration};

use reqwest::{Client, Method, RequestBuilder};
use serde_json::{Value, json};
use time::{OffsetDateTime, macros::datetime};
use tokio::{net::TcpListener, task::JoinHandle};
use witnessmark::{actions::App, clock::Clock, store::Store};

use super::{Answer, Engine, database::Database, promised};

/// The day on which the tests run: nothing in them depends on when they are run.
const NOW: OffsetDateTime = datetime!(2026-06-15 12:00 UTC);

/// The instant at which the tests run.
pub fn now() -> OffsetDateTime {
    NOW
}
/// The clock of the server under test.
pub fn clock() -> Clock {
    Clock::Fixed(NOW)
}

/// A server on a port of its own. Cloned, it is the same server.
#[derive(Clone, Debug)]
pub struct Server {
    /// Scheme, host and port.
    pub address: String,
    /// What it runs on.
    pub app: Arc<App>,
    /// Its database.
    pub url: String,
    /// Tokens with every scope for the two workshops in it.
    pub tokens: [String; 2],
    /// The token that requests are sent with; empty for none.
    pub token: String,
    client: Client,
    _task: Arc<Task>,
}

#[derive(Debug)]
struct Task(JoinHandle<()>);
impl Drop for Task {
    fn drop(&mut self) {
        self.0.abort();
    }
}

/// Runs a test on a fresh database of an engine.
pub async fn run(engine: Engine, test: impl AsyncFnOnce(Server)) {
    let database = Database::with_two_workshops(engine).await;
    let server = Server::start(&database.url, database.tokens.clone(), clock()).await;
    let app = Arc::clone(&server.app);
    let done = tokio::time::timeout(Duration::from_mins(2), test(server)).await;
    assert!(done.is_ok(), "the test hangs");
    app.store.close().await;
    database.remove().await;
}

impl Server {
    /// Starts a server on a database.
    pub async fn start(url: &str, tokens: [String; 2], clock: Clock) -> Self {
        let store = Store::open(url).await.expect("the test's database opens");
        Self::of(App::new(store, clock), url, tokens).await
    }
    async fn of(app: App, url: &str, tokens: [String; 2]) -> Self {
        let app = Arc::new(app);
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let address = format!("http://{}", listener.local_addr().expect("an address"));
        let router = witnessmark::web::router(Arc::clone(&app));
        let task = Task(tokio::spawn(witnessmark::connections::serve(listener, router, std::future::pending())));
        let client = Client::builder().redirect(reqwest::redirect::Policy::none()).build().expect("a client");
        Self { address, app, url: url.into(), token: tokens[0].clone(), tokens, client, _task: Arc::new(task) }
    }
    /// A further server on the same database, on another day.
    pub async fn at(&self, now: OffsetDateTime) -> Self {
        Self::start(&self.url, self.tokens.clone(), Clock::Fixed(now)).await
    }
    /// A further server on the same database, whose webhooks may reach into the private network.
    pub async fn allowing_private_webhooks(&self) -> Self {
        self.like(|app| app.with_private_webhooks(true)).await
    }
    /// A further server on the same database, which is told the address that people use.
    pub async fn reached_at(&self, public_url: &str) -> Self {
        self.like(|app| app.at(Some(public_url.into()))).await
    }
    /// A further server on the same database, made ready by `ready`.
    pub async fn like(&self, ready: impl FnOnce(App) -> App) -> Self {
        let store = Store::open(&self.url).await.expect("the test's database opens");
        Self::of(ready(App::new(store, clock())), &self.url, self.tokens.clone()).await
    }
    /// The same server, asked with another token.
    pub fn with_token(&self, token: &str) -> Self {
        Self { token: token.into(), ..self.clone() }
    }
    /// The same server, asked by the other workshop.
    pub fn other_workshop(&self) -> Self {
        self.with_token(&self.tokens[1])
    }

    /// A request with the token, still to be completed; `path` is below the API's base.
    pub fn request(&self, method: Method, path: &str) -> RequestBuilder {
        let request = self.client.request(method, format!("{}/api/v1{path}", self.address));
        if self.token.is_empty() { request } else { request.bearer_auth(&self.token) }
    }
    /// Sends a request and compares the answer with the OpenAPI document.
    pub async fn send(&self, request: RequestBuilder) -> Answer {
        let request = request.build().expect("a request");
        let method = request.method().to_string();
        let mut path = request.url().path().to_owned();
        if let Some(query) = request.url().query() {
            path = format!("{path}?{query}");
        }
        let response = self.client.execute(request).await.expect("the server answers");
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        let text = response.text().await.expect("a body in UTF-8");
        let answer =
            Answer { request: format!("{method} {path}"), status, headers, body: serde_json::from_str(&text).unwrap_or(Value::Null), text };
        promised::check(&method, &path, status, answer.header("content-type"), &answer.text);
        answer
    }
    /// GET.
    pub async fn get(&self, path: &str) -> Answer {
        self.send(self.request(Method::GET, path)).await
    }
    /// POST a JSON body.
    pub async fn post(&self, path: &str, body: &Value) -> Answer {
        self.send(self.request(Method::POST, path).json(body)).await
    }
    /// POST text that claims to be JSON.
    pub async fn post_text(&self, path: &str, body: impl Into<String>) -> Answer {
        self.send(self.request(Method::POST, path).header("content-type", "application/json").body(body.into())).await
    }
    /// PATCH with an entity tag.
    pub async fn patch(&self, path: &str, etag: &str, body: &Value) -> Answer {
        let request = self.request(Method::PATCH, path).header("content-type", "application/merge-patch+json");
        self.send(request.header("if-match", etag).body(body.to_string())).await
    }
    /// PATCH what is there now.
    pub async fn change(&self, path: &str, body: &Value) -> Answer {
        let etag = self.get(path).await.etag();
        self.patch(path, &etag, body).await
    }
    /// DELETE with an entity tag.
    pub async fn delete(&self, path: &str, etag: &str) -> Answer {
        self.send(self.request(Method::DELETE, path).header("if-match", etag)).await
    }
    /// DELETE what is there now.
    pub async fn remove(&self, path: &str) -> Answer {
        let etag = self.get(path.split('?').next().unwrap_or_default()).await.etag();
        self.delete(path, &etag).await
    }

    /// A motorcycle with these fields beside the usual ones; its path.
    pub async fn motorcycle(&self, fields: Value) -> String {
        let mut body = json!({"name": "Courier 3", "make": "Halden", "model": "650 Twin", "year": 2021, "final_drive": "chain",
            "odometer_unit": "mi", "in_service_on": "2021-04-10"});
        merge(&mut body, fields);
        format!("/motorcycles/{}", self.post("/motorcycles", &body).await.id())
    }
    /// An odometer reading.
    pub async fn reading(&self, motorcycle: &str, on: &str, reading: impl Into<Value>) -> Answer {
        let body = json!({"on": on, "reading": reading.into(), "confirmed": true});
        self.post(&format!("{motorcycle}/odometer-readings"), &body).await
    }
    /// How many of the things of a list there are, over all its pages.
    pub async fn count(&self, path: &str) -> usize {
        self.all(path).await.len()
    }
    /// Everything in a list, page by page, by the Link header as a script follows it.
    pub async fn all(&self, path: &str) -> Vec<Value> {
        let (mut all, mut next) = (Vec::new(), Some(path.to_owned()));
        while let Some(path) = next {
            let answer = self.get(&path).await;
            let link = answer.header("link").to_owned();
            next = link.strip_prefix('<').and_then(|link| link.split_once(">; rel=\"next\"")).map(|(path, _)| path.to_owned());
            if let Some(path) = &mut next {
                *path = path.strip_prefix("/api/v1").expect("the link stays in the API").to_owned();
            }
            all.extend(answer.items());
        }
        all
    }
}

/// Sets the fields of an object.
pub fn merge(body: &mut Value, fields: Value) {
    if let (Some(body), Value::Object(fields)) = (body.as_object_mut(), fields) {
        body.extend(fields);
    }
}
