//! The demo's workshop, served on a free port.
use std::sync::Arc;

use axum::{
    extract::Request,
    http::StatusCode,
    middleware::{self, Next},
    response::{IntoResponse, Response},
};
use serde_json::{Value, json};
use tempfile::TempDir;
use time::{Date, Duration};
use tokio::net::TcpListener;
use witnessmark::{actions::App, cli::demo, clock::Clock, store::Store};

/// A running demo.
pub struct Workshop {
    /// Its address.
    pub site: String,
    /// The manager.
    pub email: String,
    /// The manager's password.
    pub password: String,
    token: String,
    /// Today in it.
    pub today: Date,
    _folder: TempDir,
}

/// Whether pages get their script.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Script {
    /// They do.
    On,
    /// The server hands out none, and the pages' Content-Security-Policy lets no other run.
    Off,
}

async fn without_script(request: Request, next: Next) -> Response {
    if request.uri().path().rsplit('.').next() == Some("js") { StatusCode::NOT_FOUND.into_response() } else { next.run(request).await }
}

impl Workshop {
    /// Fills and serves it.
    pub async fn open(script: Script) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let url = format!("sqlite:{}", folder.path().join("demo.db").display());
        let app = Arc::new(App::new(Store::open(&url).await.expect("the database opens"), Clock::System));
        let (email, password, token) = demo::fill(&app).await.expect("the demo's data fit");
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let site = format!("http://{}", listener.local_addr().expect("an address"));
        let today = app.clock.now().date();
        let mut router = witnessmark::web::router(app);
        if script == Script::Off {
            router = router.layer(middleware::from_fn(without_script));
        }
        tokio::spawn(async move { axum::serve(listener, router).await });
        Self { site, email, password, token, today, _folder: folder }
    }
    /// POST to the API; the id of what was made.
    pub async fn post(&self, path: &str, body: Value) -> String {
        let request = reqwest::Client::new().post(format!("{}/api/v1{path}", self.site)).bearer_auth(&self.token).json(&body);
        let answer = request.send().await.expect("the server answers");
        let status = answer.status();
        let body: Value = answer.json().await.expect("JSON");
        assert!(status.is_success(), "{path}: {body}");
        body["id"].as_str().expect("an id").to_owned()
    }
    /// GET from the API.
    pub async fn get(&self, path: &str) -> Value {
        let request = reqwest::Client::new().get(format!("{}/api/v1{path}", self.site)).bearer_auth(&self.token);
        request.send().await.expect("the server answers").json().await.expect("JSON")
    }
    /// A motorcycle whose engine oil was replaced at 1,000 mi two years ago and is overdue at 7,000 mi.
    pub async fn with_old_oil(&self) -> String {
        let bike =
            json!({"name": "Mule", "make": "Halden", "final_drive": "shaft", "odometer_unit": "mi", "in_service_on": self.before(900)});
        let bike = self.post("/motorcycles", bike).await;
        let rule = json!({"name": "Mule oil", "component": "engine_oil", "operation": "replace",
            "every": {"distance": {"value": 5000, "unit": "mi"}, "months": 120}, "applies_to": {"motorcycle_id": bike}});
        self.post("/interval-rules", rule).await;
        let done = json!({"on": self.before(730), "odometer": 1000, "work": [{"component": "engine_oil", "operation": "replace"}]});
        self.post(&format!("/motorcycles/{bike}/service-events"), done).await;
        self.post(&format!("/motorcycles/{bike}/odometer-readings"), json!({"on": self.before(10), "reading": 7000})).await;
        bike
    }
    fn before(&self, days: i64) -> String {
        (self.today - Duration::days(days)).to_string()
    }
}
