//! A browser at a person's width, driven over WebDriver.
use std::{
    net::TcpListener,
    process::{Child, Command, Stdio},
    time::Duration,
};

use fantoccini::{Client, ClientBuilder, Locator, elements::Element};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};

/// What a path must be set to for these tests.
fn given(variable: &str) -> String {
    std::env::var(variable).unwrap_or_else(|_| panic!("{variable} is not set: run the tests by `sh tests/run`"))
}

/// A browser of its own, with a fresh profile.
pub struct Browser {
    /// The page.
    pub page: Client,
    driver: Child,
    address: String,
}

impl Browser {
    /// Starts a browser of a width.
    pub async fn start(width: u32) -> Self {
        let port = TcpListener::bind("127.0.0.1:0").expect("a free port").local_addr().expect("an address").port();
        let driver = Command::new(given("WITNESSMARK_TEST_CHROMEDRIVER"))
            .arg(format!("--port={port}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver starts");
        let address = format!("http://127.0.0.1:{port}");
        let flags = "--headless=new --no-sandbox --disable-gpu --disable-dev-shm-usage --no-first-run --disable-background-networking \
                     --disable-component-update --disable-sync --disable-quic";
        let options = json!({
            "binary": given("WITNESSMARK_TEST_CHROMIUM"),
            "args": flags.split_whitespace().collect::<Vec<_>>(),
            "mobileEmulation": {"deviceMetrics": {"width": width, "height": 800, "pixelRatio": 1.0, "touch": width < 600}},
        });
        let wanted = json!({"goog:chromeOptions": options, "goog:loggingPrefs": {"browser": "ALL"}});
        let Value::Object(wanted) = wanted else { unreachable!("it is an object") };
        let mut browser = None;
        for _ in 0..100 {
            if let Ok(page) = ClientBuilder::new(HttpConnector::new()).capabilities(wanted.clone()).connect(&address).await {
                browser = Some(page);
                break;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        Self { page: browser.expect("Chromium starts within ten seconds"), driver, address }
    }
    /// Asks the driver for what WebDriver itself has no word for.
    async fn ask_driver(&self, what: &str, body: &Value) -> Value {
        let session = self.page.session_id().await.expect("a session").expect("a session id");
        let url = format!("{}/session/{session}/{what}", self.address);
        let answer = reqwest::Client::new().post(url).json(body).send().await.expect("the driver answers");
        answer.json().await.expect("JSON")
    }
    /// Waits for an element.
    pub async fn see(&self, css: &str) -> Element {
        let found = self.page.wait().at_most(Duration::from_secs(20)).for_element(Locator::Css(css)).await;
        match found {
            Ok(element) => element,
            Err(error) => panic!("{css} does not come: {error}\n{}", self.text().await),
        }
    }
    /// Types into a field, in place of what stands there.
    pub async fn type_into(&self, css: &str, text: &str) {
        let field = self.see(css).await;
        field.clear().await.expect("the field can be cleared");
        field.send_keys(text).await.expect("the field takes text");
    }
    /// Presses something from the keyboard: the space bar ticks a box, Enter follows a link or pushes a button.
    pub async fn press(&self, css: &str) {
        let element = self.see(css).await;
        let key = if element.tag_name().await.expect("a tag") == "input" { " " } else { "\u{E007}" };
        element.send_keys(key).await.expect("it can be pressed");
    }
    /// The text of the page as people see it.
    pub async fn text(&self) -> String {
        match self.page.find(Locator::Css("body")).await {
            Ok(body) => body.text().await.unwrap_or_default(),
            Err(error) => error.to_string(),
        }
    }
    /// Signs in at the page that asks for it.
    pub async fn sign_in(&self, site: &str, email: &str, password: &str) {
        self.page.goto(&format!("{site}/")).await.expect("the first page");
        self.type_into("input[type=email]", email).await;
        self.type_into("input[type=password]", password).await;
        self.press("main button.main").await;
        self.see("header nav").await;
    }
    /// What the browser complained of since it was last asked.
    pub async fn complaints(&self) -> Vec<String> {
        let answer = self.ask_driver("se/log", &json!({"type": "browser"})).await;
        let entries = answer["value"].as_array().expect("a list of log entries").clone();
        let bad = entries.iter().filter(|entry| entry["level"] == "SEVERE" || entry["level"] == "WARNING");
        bad.map(|entry| entry["message"].as_str().unwrap_or_default().to_owned()).collect()
    }
    /// Ends the browser.
    pub async fn close(self) {
        let page = self.page.clone();
        page.close().await.expect("the browser ends");
    }
}
impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}
