//! The server is killed under concurrent writes, again and again. What it acknowledged has to be there, once; what it did not is sent again
//! under the same key, until it is acknowledged.
use std::{
    collections::HashMap,
    process::{Child, ExitCode},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering::Relaxed},
    },
    time::{Duration, Instant},
};

use reqwest::{Client, StatusCode};
use serde_json::{Value, json};
use time::{Date, macros::date};
use tokio::task::JoinSet;

use super::program::Program;

/// How many write at once.
const WRITERS: usize = 6;
/// Motorcycles of each writer: many, so that no history gets so long that the rounds are about that.
const BIKES: usize = 20;
/// The longest that a server lives on after the first acknowledged write, in milliseconds.
const LONGEST: u64 = 400;
/// One server in so many is killed while it starts, within the next figure of milliseconds.
const WHILE_STARTING: u32 = 10;
const STARTING: u64 = 600;
/// One in so many acknowledged entries is sent again, as a client that forgot would do.
const AGAIN: usize = 50;

/// One entry that is to be there once.
#[derive(Clone, Debug)]
pub struct Entry {
    bike: usize,
    nth: u32,
    service: bool,
    key: String,
}
impl Entry {
    /// Its place among the lists of its motorcycle.
    fn list(&self) -> &'static str {
        if self.service { "service-events" } else { "odometer-readings" }
    }
    /// What nothing else on its motorcycle shows.
    fn odometer(&self) -> u32 {
        self.nth * 10
    }
    fn body(&self) -> Value {
        let on: Date = date!(2001 - 01 - 01) + time::Duration::days((self.nth % 9000).into());
        if self.service {
            json!({"on": on.to_string(), "odometer": self.odometer(), "confirmed": true, "summary": self.key,
                "work": [{"component": "engine_oil", "operation": "replace"}]})
        } else {
            json!({"on": on.to_string(), "reading": self.odometer(), "confirmed": true})
        }
    }
}

/// What one writer knows.
#[derive(Default)]
pub struct Writer {
    number: usize,
    bikes: Vec<String>,
    /// How many entries were made for each motorcycle.
    made: Vec<u32>,
    /// Sent and not acknowledged; each writer waits for an answer before it goes on, so it is one at most.
    open: Option<Entry>,
    pub acknowledged: Vec<(Entry, String)>,
    retried: usize,
    /// Retried, and told that it had been stored before the kill.
    stored_before: usize,
    again: usize,
    doubled: Vec<String>,
}

/// What came of sending an entry.
enum Sent {
    Acknowledged {
        id: String,
        replayed: bool,
    },
    /// Nobody answered, or not now.
    Open,
}

async fn send(client: &Client, program: &Program, bike: &str, entry: &Entry) -> Sent {
    let request = client
        .post(format!("http://{}/api/v1/motorcycles/{bike}/{}", program.address, entry.list()))
        .bearer_auth(&program.token)
        .header("idempotency-key", &entry.key)
        .json(&entry.body());
    let Ok(answer) = request.send().await else { return Sent::Open };
    let (status, replayed) = (answer.status(), answer.headers().contains_key("idempotency-replayed"));
    // The head may be there and the body cut off.
    let Ok(text) = answer.text().await else { return Sent::Open };
    match status {
        StatusCode::CREATED => {
            let body: Value = serde_json::from_str(&text).expect("JSON");
            Sent::Acknowledged { id: body["id"].as_str().expect("an id").into(), replayed }
        }
        StatusCode::SERVICE_UNAVAILABLE => Sent::Open,
        other => panic!("{other} for {entry:?}: {text}"),
    }
}

impl Writer {
    fn next(&mut self) -> Entry {
        let count = self.acknowledged.len();
        let bike = count % self.bikes.len();
        self.made[bike] += 1;
        let nth = self.made[bike];
        Entry { bike, nth, service: (count / self.bikes.len()).is_multiple_of(2), key: format!("{}-{bike}-{nth}", self.number) }
    }
    /// Writes until it is told to stop and, where that was before it began, until nothing is open.
    pub async fn write(&mut self, client: &Client, program: &Program, stop: &AtomicBool, written: &AtomicBool) {
        let mut retry = self.open.is_some();
        let last = stop.load(Relaxed);
        while if last { self.open.is_some() } else { !stop.load(Relaxed) } {
            let entry = self.open.take().unwrap_or_else(|| self.next());
            match send(client, program, &self.bikes[entry.bike], &entry).await {
                Sent::Acknowledged { id, replayed } => {
                    self.retried += usize::from(retry);
                    self.stored_before += usize::from(replayed);
                    retry = false;
                    written.store(true, Relaxed);
                    self.acknowledged.push((entry, id));
                    if self.acknowledged.len().is_multiple_of(AGAIN) {
                        self.send_again(client, program).await;
                    }
                }
                Sent::Open => {
                    self.open = Some(entry);
                    retry = true;
                    tokio::time::sleep(Duration::from_millis(5)).await;
                }
            }
        }
    }
    /// Sends something acknowledged once more: the same entry has to be the answer.
    async fn send_again(&mut self, client: &Client, program: &Program) {
        let (entry, id) = self.acknowledged[rand::random_range(0..self.acknowledged.len())].clone();
        if let Sent::Acknowledged { id: told, replayed } = send(client, program, &self.bikes[entry.bike], &entry).await {
            self.again += 1;
            if told != id || !replayed {
                self.doubled.push(format!("{entry:?} was {id} and is {told}"));
            }
        }
    }
}

/// Kills the server `rounds` times, then looks at what is there.
pub async fn run(rounds: u32) -> ExitCode {
    let longest = std::env::var("WITNESSMARK_FAULTS_SECONDS").ok().and_then(|text| text.parse().ok()).filter(|seconds| *seconds > 0);
    let program = Arc::new(Program::new());
    let client = client();
    let mut server = program.serve();
    program.ready(&client).await;
    let mut writers = writers(&client, &program).await;
    server.kill().expect("it is ours");
    server.wait().expect("it ends");
    let began = Instant::now();
    let (mut done, mut before_ready) = (0, 0);
    while done < rounds && longest.is_none_or(|seconds| began.elapsed() < Duration::from_secs(seconds)) {
        let before: usize = writers.iter().map(|writer| writer.acknowledged.len()).sum();
        writers = round(&client, &program, writers).await;
        done += 1;
        before_ready += u32::from(before == writers.iter().map(|writer| writer.acknowledged.len()).sum::<usize>());
    }
    let server = program.serve();
    program.ready(&client).await;
    for writer in &mut writers {
        writer.write(&client, &program, &AtomicBool::new(true), &AtomicBool::new(false)).await;
    }
    println!("rounds: {done} in {:.0} s, {before_ready} of them killed before anything was acknowledged", began.elapsed().as_secs_f64());
    verdict(&client, &program, server, &writers).await
}

/// A client that begins each request on a connection of its own.
pub fn client() -> Client {
    Client::builder().pool_max_idle_per_host(0).timeout(Duration::from_secs(40)).build().expect("a client")
}
/// Those who write, with their motorcycles. Something is due on each of them, or `check` would have nothing to compare.
pub async fn writers(client: &Client, program: &Program) -> Vec<Writer> {
    let rule = json!({"name": "Oil", "component": "engine_oil", "operation": "replace",
        "every": {"distance": {"value": 5000, "unit": "km"}, "months": 12}});
    make(client, program, "interval-rules", &rule).await;
    let mut writers = Vec::new();
    for number in 0..WRITERS {
        let mut bikes = Vec::new();
        for _ in 0..BIKES {
            bikes.push(motorcycle(client, program).await);
        }
        writers.push(Writer { number, made: vec![0; bikes.len()], bikes, ..Writer::default() });
    }
    writers
}
/// Lets them write until they are told to stop.
pub fn begin(
    client: &Client,
    program: &Arc<Program>,
    writers: Vec<Writer>,
    stop: &Arc<AtomicBool>,
    written: &Arc<AtomicBool>,
) -> JoinSet<Writer> {
    let mut all = JoinSet::new();
    for mut writer in writers {
        let (client, program, stop, written) = (client.clone(), Arc::clone(program), Arc::clone(stop), Arc::clone(written));
        all.spawn(async move {
            writer.write(&client, &program, &stop, &written).await;
            writer
        });
    }
    all
}
/// Compares what is there with what was acknowledged, and prints it.
pub async fn verdict(client: &Client, program: &Program, mut server: Child, writers: &[Writer]) -> ExitCode {
    let found = Found::compare(client, program, writers).await;
    server.kill().expect("it is ours");
    server.wait().expect("it ends");
    let (clean, said) = program.check();
    let sum = |figure: fn(&Writer) -> usize| writers.iter().map(figure).sum::<usize>();
    let doubled = found.doubled.len() + sum(|writer| writer.doubled.len());
    println!("acknowledged: {}", sum(|writer| writer.acknowledged.len()));
    println!("retried: {}, {} of them stored before the kill", sum(|writer| writer.retried), sum(|writer| writer.stored_before));
    println!("sent again though acknowledged: {}", sum(|writer| writer.again));
    println!("lost: {}", found.lost.len());
    println!("doubled: {doubled}");
    println!("check: {said}");
    for line in found.lost.iter().chain(&found.doubled).chain(writers.iter().flat_map(|writer| &writer.doubled)).take(20) {
        println!("  {line}");
    }
    ExitCode::from(u8::from(!(clean && found.lost.is_empty() && doubled == 0 && sum(|writer| writer.acknowledged.len()) > 0)))
}

/// One life of the server. It is killed at any moment of it, before it is ready too.
async fn round(client: &Client, program: &Arc<Program>, writers: Vec<Writer>) -> Vec<Writer> {
    let mut server = program.serve();
    let (stop, written) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
    let tasks = begin(client, program, writers, &stop, &written);
    if rand::random_range(0..WHILE_STARTING) == 0 {
        tokio::time::sleep(Duration::from_millis(rand::random_range(0..STARTING))).await;
    } else {
        while !written.load(Relaxed) {
            assert!(server.try_wait().expect("it is ours").is_none(), "the server does not start again");
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
        tokio::time::sleep(Duration::from_millis(rand::random_range(0..LONGEST))).await;
    }
    server.kill().expect("it is ours");
    stop.store(true, Relaxed);
    server.wait().expect("it ends");
    // A writer fails only for an answer that must not be.
    tasks.join_all().await
}

pub async fn motorcycle(client: &Client, program: &Program) -> String {
    let body = json!({"name": "Courier", "final_drive": "chain", "odometer_unit": "km", "in_service_on": "2000-01-01"});
    make(client, program, "motorcycles", &body).await
}
async fn make(client: &Client, program: &Program, list: &str, body: &Value) -> String {
    let request = client.post(format!("http://{}/api/v1/{list}", program.address)).bearer_auth(&program.token).json(body);
    let made: Value = request.send().await.expect("an answer").error_for_status().expect("made").json().await.expect("JSON");
    made["id"].as_str().expect("an id").into()
}

/// What is in the database beside what has to be.
struct Found {
    lost: Vec<String>,
    doubled: Vec<String>,
}
impl Found {
    async fn compare(client: &Client, program: &Program, writers: &[Writer]) -> Self {
        let mut found = Self { lost: Vec::new(), doubled: Vec::new() };
        for writer in writers {
            for (nth, bike) in writer.bikes.iter().enumerate() {
                for list in ["service-events", "odometer-readings"] {
                    let wanted = writer.acknowledged.iter().filter(|(entry, _)| entry.bike == nth && entry.list() == list);
                    found.list(&all(client, program, bike, list).await, wanted, list);
                }
            }
        }
        found
    }
    /// One list of one motorcycle. A service leaves a reading too, which is nobody's entry: readings are told apart by what they show.
    fn list<'a>(&mut self, there: &[Value], wanted: impl Iterator<Item = &'a (Entry, String)>, list: &str) {
        let field = if list == "service-events" { "odometer" } else { "reading" };
        let mut shown: HashMap<String, usize> = HashMap::new();
        let mut ids: HashMap<&str, usize> = HashMap::new();
        for item in there {
            *shown.entry(item[field].to_string()).or_default() += 1;
            *ids.entry(item["id"].as_str().expect("an id")).or_default() += 1;
        }
        let mut count = 0;
        for (entry, id) in wanted {
            count += 1;
            if ids.get(id.as_str()) != Some(&1) {
                self.lost.push(format!("{entry:?} as {id}"));
            }
        }
        self.doubled
            .extend(shown.iter().filter(|(_, times)| **times > 1).map(|(shown, times)| format!("{list}: {shown} is there {times} times")));
        if list == "service-events" && there.len() != count {
            self.doubled.push(format!("{} services are there, {count} were acknowledged", there.len()));
        }
    }
}

/// Everything in a list of a motorcycle, page by page.
async fn all(client: &Client, program: &Program, bike: &str, list: &str) -> Vec<Value> {
    let base = format!("http://{}", program.address);
    let (mut all, mut next) = (Vec::new(), Some(format!("/api/v1/motorcycles/{bike}/{list}?limit=200")));
    while let Some(path) = next {
        let answer = client.get(format!("{base}{path}")).bearer_auth(&program.token).send().await.expect("an answer");
        assert_eq!(answer.status(), 200, "{path}");
        let link = answer.headers().get("link").and_then(|link| link.to_str().ok()).unwrap_or_default();
        next = link.strip_prefix('<').and_then(|link| link.split_once(">; rel=\"next\"")).map(|(path, _)| path.to_owned());
        let mut body: Value = answer.json().await.expect("JSON");
        if let Value::Array(items) = body["items"].take() {
            all.extend(items);
        }
    }
    all
}
