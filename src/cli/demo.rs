//! `witnessmark demo`: an invented workshop in a fresh database that is gone when the program ends.
//!
//! The data files in `demo/` hold the bodies of API requests. Beside what the API takes, they may hold `{"days_ago": 30}` for a date,
//! `{"week_of_days_ago": 900}` for a tire's date code, `{"year_of_days_ago": 900}` for a model year, a `"label"` in something that gets
//! an id, and `{"label": "…"}` where that id is wanted. They go through the API's own router, one request after the other, so that the
//! demo can hold nothing that a person could not have entered.
use std::{
    collections::HashMap,
    net::{Ipv4Addr, SocketAddr},
    path::{Path, PathBuf},
    process::ExitCode,
    sync::Arc,
};

use axum::{
    Router,
    body::Body,
    http::{Method, Request, header},
};
use clap::Args;
use serde_json::{Value, json};
use time::{Date, Duration};
use tokio::net::TcpListener;
use tower::ServiceExt;

use super::{environment, print, serve};
use crate::{
    access::{secret, whence::Whence},
    actions::{App, person, report::Looking, session},
    api,
    clock::Clock,
    config::reachable,
    domain::{
        id::Id,
        letter::{MailRoute, MailSettings, Recipient},
        workshop::Workshop,
    },
    error::{Error, Result},
    mail::reports,
    store::Store,
};

const WORKSHOP: &str = include_str!("../../demo/workshop.json");
/// What is entered first, file by file: where its list stands, and the path it is posted to.
const BASICS: &[(&str, &str, &str)] = &[
    ("owners", "/owners", include_str!("../../demo/owners.json")),
    ("limits", "/limits", include_str!("../../demo/limits.json")),
    ("fasteners", "/fasteners", include_str!("../../demo/fasteners.json")),
    ("procedures", "/procedures", include_str!("../../demo/procedures.json")),
];
const RULES: &str = include_str!("../../demo/rules.json");
/// Motorcycles with their history. A tire goes from Courier 3 to Courier 5, so that one comes later.
const MOTORCYCLES: &[&str] = &[
    include_str!("../../demo/motorcycles/courier-3.json"),
    include_str!("../../demo/motorcycles/courier-5.json"),
    include_str!("../../demo/motorcycles/packet.json"),
    include_str!("../../demo/motorcycles/ledger.json"),
    include_str!("../../demo/motorcycles/tidewater.json"),
    include_str!("../../demo/motorcycles/second-wind.json"),
    include_str!("../../demo/motorcycles/gull.json"),
    include_str!("../../demo/motorcycles/longshore.json"),
    include_str!("../../demo/motorcycles/kittiwake.json"),
    include_str!("../../demo/motorcycles/sandpiper.json"),
    include_str!("../../demo/motorcycles/foghorn.json"),
    include_str!("../../demo/motorcycles/bollard.json"),
];
/// What the password is made of: five of these, drawn anew for each demo.
const WORDS: [&str; 32] = [
    "anchor", "beacon", "bight", "bowline", "buoy", "cable", "capstan", "cleat", "cove", "dory", "ebb", "fathom", "ferry", "gannet",
    "gull", "hatch", "heron", "inlet", "jetty", "keel", "kelp", "lantern", "mast", "mooring", "oar", "pier", "rudder", "sail", "shoal",
    "tern", "tide", "wharf",
];

/// Serves an invented workshop from a fresh database.
#[derive(Debug, Args)]
pub struct Demo {
    /// Address and port; without it 127.0.0.1:8080, or a free port where that one is taken
    #[arg(long = "listen", value_name = "ADDR", env = "WITNESSMARK_LISTEN", value_parser = crate::config::address)]
    address: Option<SocketAddr>,
}

impl Demo {
    /// Runs the command until the process is told to stop.
    ///
    /// # Errors
    /// Where the address cannot be used, or no temporary file can be made.
    pub async fn run(self) -> Result<ExitCode> {
        let listener = self.bind().await?;
        let address = listener.local_addr().map_err(environment)?;
        let folder = Folder::new(Clock::System.new_id::<Workshop>())?;
        let mail = MailSettings {
            from: Recipient::new("", "reports@quaysidebench.example"),
            route: Some(MailRoute::Files(folder.0.join("mail"))),
            links: format!("http://{}", reachable(address)),
        };
        let app = Arc::new(App::new(Store::open(&folder.url()).await?, Clock::System).with_mail(mail));
        let (email, password, token) = fill(&app).await?;
        reports::compose(&app, Looking::For(None)).await?;
        print(&format!("address: http://{}", reachable(address)));
        print(&format!("sign in: {email} {password}"));
        // Beside what scripts read on standard output.
        for (role, email) in people()? {
            eprintln!("sign in as the {role} {email}: {password}");
        }
        print(&format!("token: {token}"));
        serve::serve(app, listener).await?;
        Ok(ExitCode::SUCCESS)
    }

    async fn bind(&self) -> Result<TcpListener> {
        if let Some(address) = self.address {
            let taken = |error| environment(format!("cannot listen on {address}: {error}; choose another with --listen"));
            return TcpListener::bind(address).await.map_err(taken);
        }
        match TcpListener::bind((Ipv4Addr::LOCALHOST, 8080)).await {
            Ok(listener) => Ok(listener),
            Err(error) => {
                eprintln!("witnessmark: cannot listen on 127.0.0.1:8080 ({error}); taking a free port instead");
                TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await.map_err(environment)
            }
        }
    }
}

/// A folder that is gone with its value.
#[derive(Debug)]
struct Folder(PathBuf);
impl Folder {
    fn new(id: Id<Workshop>) -> Result<Self> {
        let path = std::env::temp_dir().join(format!("witnessmark-demo-{id}"));
        let mut builder = std::fs::DirBuilder::new();
        #[cfg(unix)]
        std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
        builder.create(&path).map_err(|error| environment(format!("cannot make the folder {}: {error}", path.display())))?;
        Ok(Self(path))
    }
    fn url(&self) -> String {
        format!("sqlite:{}", Path::new(&self.0).join("demo.db").display())
    }
}
impl Drop for Folder {
    fn drop(&mut self) {
        if let Err(error) = std::fs::remove_dir_all(&self.0) {
            tracing::warn!(%error, folder = %self.0.display(), "the demo's folder stays behind");
        }
    }
}

/// Makes the invented workshop in an empty database; gives its manager's e-mail address, password and API token.
///
/// # Errors
/// Where the database refuses, or a data file says what the API does not take.
pub async fn fill(app: &Arc<App>) -> Result<(String, String, String)> {
    let file = parse(WORKSHOP)?;
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let (settings, email, password) = (&file["workshop"], text(&file["manager"]["email"]), password());
    let setup = session::Setup {
        workshop: text(&settings["name"]),
        time_zone: text(&settings["time_zone"]),
        email: email.clone(),
        name: text(&file["manager"]["name"]),
        password: password.clone(),
    };
    let (_, token) = session::set_up(app, setup).await?;
    let today = app.clock.today(&text(&settings["time_zone"]));
    let mut entry = Entry { router: crate::web::router(Arc::clone(app)), token: token.clone(), today, ids: HashMap::new() };
    let etag = entry.send(Method::GET, "/workshop", None, None).await?.1;
    entry.send(Method::PATCH, "/workshop", Some(settings), etag).await?;
    for (list, path, file) in BASICS {
        entry.post_all(path, &parse(file)?[*list]).await?;
    }
    let motorcycles = MOTORCYCLES.iter().map(|file| parse(file)).collect::<Result<Vec<_>>>()?;
    for file in &motorcycles {
        entry.post("/motorcycles", &file["motorcycle"]).await?;
    }
    entry.post_all("/interval-rules", &parse(RULES)?["interval_rules"]).await?;
    for file in &motorcycles {
        entry.history(&text(&file["motorcycle"]["label"]), &file["history"]).await?;
    }
    for person in file["people"].as_array().into_iter().flatten() {
        let invited = entry.post("/people", person).await?;
        let secret = text(&invited["link"]).rsplit('/').next().unwrap_or_default().to_owned();
        person::accept(app, &Whence::default(), &secret, &text(&person["name"]), password.clone()).await?;
    }
    Ok((email, password, token))
}

/// Who else can sign in, with the manager's password: what they are, and their e-mail address.
fn people() -> Result<Vec<(String, String)>> {
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let people = parse(WORKSHOP)?["people"].as_array().cloned().unwrap_or_default();
    Ok(people.iter().map(|person| (text(&person["roles"][0]), text(&person["email"]))).collect())
}

fn parse(file: &str) -> Result<Value> {
    serde_json::from_str(file).map_err(Error::internal)
}

fn password() -> String {
    let draw = secret::hash(&secret::new(""));
    draw.iter().take(5).map(|byte| WORDS[usize::from(*byte) % WORDS.len()]).collect::<Vec<_>>().join("-")
}

/// Enters the data files, request by request.
struct Entry {
    router: Router,
    token: String,
    today: Date,
    /// The ids of what has a label.
    ids: HashMap<String, String>,
}

impl Entry {
    async fn post_all(&mut self, path: &str, bodies: &Value) -> Result<()> {
        for body in bodies.as_array().into_iter().flatten() {
            self.post(path, body).await?;
        }
        Ok(())
    }

    /// Everything that happened to one motorcycle, in the order in which it was written down.
    async fn history(&mut self, motorcycle: &str, entries: &Value) -> Result<()> {
        let base = format!("/motorcycles/{}", self.id(motorcycle)?);
        let kinds = [
            ("part", "installed-parts", ""),
            ("reading", "odometer-readings", "/odometer-readings"),
            ("hour_reading", "hour-readings", "/odometer-readings"),
            ("odometer_change", "odometers", ""),
            ("lay_up", "lay-ups", ""),
            ("value", "measured-values", ""),
            ("service", "service-events", "/service-events"),
        ];
        for entry in entries.as_array().into_iter().flatten() {
            let known = kinds.iter().find_map(|(kind, path, one)| entry.get(kind).map(|body| (body, path, one)));
            let (body, path, one) = known.ok_or_else(|| Error::internal(format!("demo: unknown entry {entry}")))?;
            let answer = self.post(&format!("{base}/{path}"), body).await?;
            let one = format!("{one}/{}", answer["id"].as_str().unwrap_or_default());
            if let Some(reason) = entry["strike_out"].as_str() {
                let etag = self.send(Method::GET, &one, None, None).await?.1;
                self.send(Method::DELETE, &format!("{one}?reason={}", in_query(reason)), None, etag).await?;
            }
            if let Some(statement) = entry["sign"].as_str() {
                self.post(&format!("{one}/signature"), &json!({"statement": statement})).await?;
            }
            for text in entry["amend"].as_array().into_iter().flatten() {
                self.post(&format!("{one}/amendments"), &json!({"text": text})).await?;
            }
        }
        Ok(())
    }

    async fn post(&mut self, path: &str, body: &Value) -> Result<Value> {
        let resolved = self.resolve(body)?;
        let answer = self.send(Method::POST, path, Some(&resolved), None).await?.0;
        self.learn(body, &answer);
        Ok(answer)
    }

    async fn send(&self, method: Method, path: &str, body: Option<&Value>, etag: Option<String>) -> Result<(Value, Option<String>)> {
        let mut request = Request::builder()
            .method(method.clone())
            .uri(format!("{}{path}", api::BASE))
            .header(header::AUTHORIZATION, format!("Bearer {}", self.token))
            .header(header::CONTENT_TYPE, "application/json");
        if let Some(etag) = etag {
            request = request.header(header::IF_MATCH, etag);
        }
        let request = request.body(body.map_or_else(Body::empty, |body| body.to_string().into())).map_err(Error::internal)?;
        let response = self.router.clone().oneshot(request).await.map_err(Error::internal)?;
        let (parts, stream) = response.into_parts();
        let bytes = axum::body::to_bytes(stream, usize::MAX).await.map_err(Error::internal)?;
        let answer: Value = serde_json::from_slice(&bytes).unwrap_or_default();
        if !parts.status.is_success() {
            let sent = body.map(Value::to_string).unwrap_or_default();
            return Err(Error::internal(format!("demo: {method} {path}: {} {answer}\nsent: {sent}", parts.status)));
        }
        let etag = parts.headers.get(header::ETAG).and_then(|etag| etag.to_str().ok()).map(str::to_owned);
        Ok((answer, etag))
    }

    fn id(&self, label: &str) -> Result<&str> {
        self.ids.get(label).map(String::as_str).ok_or_else(|| Error::internal(format!("demo: nothing is labeled {label:?} yet")))
    }

    /// The body as the API takes it: dates and ids in their places, labels left out.
    fn resolve(&self, value: &Value) -> Result<Value> {
        Ok(match value {
            Value::Object(fields) if fields.len() == 1 => {
                let day = |value: &Value| self.today - Duration::days(value.as_i64().unwrap_or(0));
                match fields.iter().next() {
                    Some((key, value)) if key == "days_ago" => json!(day(value)),
                    Some((key, value)) if key == "year_of_days_ago" => json!(day(value).year()),
                    Some((key, value)) if key == "week_of_days_ago" => {
                        let (year, week, _) = day(value).to_iso_week_date();
                        json!(format!("{week:02}{:02}", year % 100))
                    }
                    Some((key, Value::String(label))) if key == "label" => json!(self.id(label)?),
                    _ => self.resolve_fields(fields)?,
                }
            }
            Value::Object(fields) => self.resolve_fields(fields)?,
            Value::Array(entries) => entries.iter().map(|entry| self.resolve(entry)).collect::<Result<_>>()?,
            plain => plain.clone(),
        })
    }
    fn resolve_fields(&self, fields: &serde_json::Map<String, Value>) -> Result<Value> {
        let kept = fields.iter().filter(|(key, _)| *key != "label");
        kept.map(|(key, value)| Ok((key.clone(), self.resolve(value)?))).collect()
    }

    /// Remembers the ids that the answer gives to what was labeled.
    fn learn(&mut self, body: &Value, answer: &Value) {
        let mut learn = |labeled: &Value, id: &Value| {
            if let (Some(label), Some(id)) = (labeled["label"].as_str(), id.as_str()) {
                self.ids.insert(label.to_owned(), id.to_owned());
            }
        };
        learn(body, &answer["id"]);
        let entries = |value: &Value| value.as_array().cloned().unwrap_or_default();
        for (sent, made) in entries(&body["fitted"]).iter().zip(entries(&answer["fitted"])) {
            learn(sent, &made["installed_part_id"]);
        }
        // The server adds follow-ups of its own, to check a torque again, say, so they are told apart by their text.
        let made = entries(&answer["follow_ups"]);
        for (sent, line) in entries(&body["tightened"]).iter().zip(entries(&answer["tightened"])) {
            let name = line["name"].as_str().unwrap_or_default();
            if let Some(again) = made.iter().find(|made| made["text"].as_str().is_some_and(|text| text.starts_with(name))) {
                learn(sent, &again["id"]);
            }
        }
        for sent in entries(&body["follow_ups"]) {
            if let Some(same) = made.iter().find(|made| made["text"] == sent["text"]) {
                learn(&sent, &same["id"]);
            }
        }
    }
}

/// A text as it stands in a query string.
fn in_query(text: &str) -> String {
    use std::fmt::Write;
    text.bytes().fold(String::new(), |mut written, byte| {
        if byte.is_ascii_alphanumeric() {
            written.push(char::from(byte));
        } else {
            let _ = write!(written, "%{byte:02X}");
        }
        written
    })
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::actions::check;

    /// Everything that is due in the workshop, page by page.
    async fn due(entry: &Entry) -> Vec<Value> {
        let (mut items, mut path) = (Vec::new(), "/due?limit=200".to_owned());
        loop {
            let page = entry.send(Method::GET, &path, None, None).await.unwrap().0;
            items.extend(page["items"].as_array().unwrap().iter().cloned());
            match page["next"].as_str() {
                Some(next) => path = format!("/due?limit=200&cursor={next}"),
                None => return items,
            }
        }
    }

    #[tokio::test]
    async fn the_demo_shows_what_the_program_can_do() {
        let folder = tempfile::tempdir().unwrap();
        let url = format!("sqlite:{}", folder.path().join("demo.db").display());
        let app = Arc::new(App::new(Store::open(&url).await.unwrap(), Clock::System));
        let (_, password, token) = fill(&app).await.unwrap();
        assert!(password.len() >= 12);
        let entry = Entry { router: crate::web::router(Arc::clone(&app)), token, today: app.clock.now().date(), ids: HashMap::new() };

        let items = due(&entry).await;
        let told = |field: &str| items.iter().filter_map(|item| item[field].as_str()).collect::<BTreeSet<_>>();
        assert_eq!(told("status"), BTreeSet::from(["due", "later", "nearly_due", "no_history", "overdue"]));
        assert_eq!(told("governs"), BTreeSet::from(["distance", "follow_up", "hours", "time", "wear"]));
        assert!(items.iter().any(|item| item["certain"] == json!(false)));
        let checked = check::check(&app.store).await.unwrap();
        assert_eq!((checked.motorcycles, checked.differences), (12, vec![]));
        assert_eq!(checked.due_items, items.len());

        let bikes = entry.send(Method::GET, "/motorcycles?limit=200", None, None).await.unwrap().0;
        let of = |name: &str| {
            let bike = bikes["items"].as_array().unwrap().iter().find(|bike| bike["name"] == json!(name));
            format!("/motorcycles/{}", bike.unwrap()["id"].as_str().unwrap())
        };
        let words = |field: &str| bikes["items"].as_array().unwrap().iter().map(|bike| bike[field].to_string()).collect::<BTreeSet<_>>();
        assert_eq!(words("final_drive").len(), 3);
        assert_eq!(words("odometer_unit").len(), 2);
        assert!(words("distance_status").contains("\"not_actual\""));

        // The same tension is right on a young belt and too slack on one past its break-in.
        let values =
            entry.send(Method::GET, &format!("{}/measured-values?component=drive_belt", of("Ledger")), None, None).await.unwrap().0;
        let verdicts = |reduced: f64| {
            let same = values["items"].as_array().unwrap().iter().filter(move |value| value["reduced"].as_f64() == Some(reduced));
            same.map(|value| value["verdict"].as_str().unwrap().to_owned()).collect::<BTreeSet<_>>()
        };
        assert_eq!(verdicts(9.0), BTreeSet::from(["outside".to_owned(), "within".to_owned()]));
        let values =
            entry.send(Method::GET, &format!("{}/measured-values?component=brake_disc", of("Bollard")), None, None).await.unwrap().0;
        assert_eq!(values["items"][0]["verdict"], json!("too_close_to_call"));

        // A procedure that was followed, with a step that was left out and why.
        let events = entry.send(Method::GET, &format!("{}/service-events?limit=200", of("Courier 3")), None, None).await.unwrap().0;
        assert!(events.to_string().contains("The paint pen was dry"), "{events}");

        // A tire that went from one motorcycle to another, with its distance.
        let parts = entry.send(Method::GET, &format!("{}/installed-parts?limit=200", of("Courier 5")), None, None).await.unwrap().0;
        assert!(parts["items"].as_array().unwrap().iter().any(|part| part["fittings"].as_array().unwrap().len() == 2));
        let reused = entry.send(Method::GET, "/follow-ups?limit=200", None, None).await.unwrap().0.to_string();
        assert!(reused.contains("Pad pin clip, rear: used again"));
    }

    #[test]
    fn dates_ids_and_labels_are_put_in_their_places() {
        let today = time::macros::date!(2026 - 01 - 02);
        let ids = HashMap::from([("a tire".to_owned(), "0193".to_owned())]);
        let entry = Entry { router: Router::new(), token: String::new(), today, ids };
        let body = json!({"label": "x", "on": {"days_ago": 2}, "year": {"year_of_days_ago": 2}, "part": {"label": "a tire"},
            "date_code": {"week_of_days_ago": 3}, "lines": [{"label": "y", "text": "z"}]});
        let right = json!({"on": "2025-12-31", "year": 2025, "part": "0193", "date_code": "0126", "lines": [{"text": "z"}]});
        assert_eq!(entry.resolve(&body).unwrap(), right);
        assert!(entry.resolve(&json!({"part": {"label": "unknown"}})).is_err());
        assert_eq!(in_query("a b&c=é"), "a%20b%26c%3D%C3%A9");
    }
}
