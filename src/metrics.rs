//! How the server is doing, in the text format that Prometheus and its kin read: requests by route and status and how long they took,
//! what waits to be sent, and how big the database is.
//!
//! A route is the path as the router knows it (`/api/v1/motorcycles/{id}`), never an id or a name, so the number of series is bounded and nothing of a
//! workshop shows. `/metrics` asks for no token: keep it inside, by the proxy.
use std::{
    collections::BTreeMap,
    fmt::Write as _,
    sync::{
        Arc, RwLock,
        atomic::{AtomicI64, AtomicU64, Ordering::Relaxed},
    },
    time::Duration,
};

use crate::store::numbers::Numbers;

/// The statuses that are counted by themselves; any other counts as the last, 0.
const STATUSES: [u16; 26] =
    [200, 201, 202, 204, 206, 301, 302, 303, 304, 308, 400, 401, 403, 404, 405, 406, 409, 412, 413, 415, 422, 428, 429, 500, 503, 0];
/// Upper bounds of the classes of durations, in microseconds, and how they are written in seconds.
const BOUNDS: [(u64, &str); 12] = [
    (500, "0.0005"),
    (1_000, "0.001"),
    (2_500, "0.0025"),
    (5_000, "0.005"),
    (10_000, "0.01"),
    (25_000, "0.025"),
    (50_000, "0.05"),
    (100_000, "0.1"),
    (250_000, "0.25"),
    (1_000_000, "1"),
    (2_500_000, "2.5"),
    (10_000_000, "10"),
];

/// The counts of one method and route.
#[derive(Debug, Default)]
struct Series {
    by_status: [AtomicU64; STATUSES.len()],
    /// Not cumulative; the last is for what took longer than every bound.
    by_duration: [AtomicU64; BOUNDS.len() + 1],
    microseconds: AtomicU64,
}

impl Series {
    fn count(&self, status: u16, took: Duration) {
        let microseconds = u64::try_from(took.as_micros()).unwrap_or(u64::MAX);
        let status = STATUSES.iter().position(|known| *known == status).unwrap_or(STATUSES.len() - 1);
        let class = BOUNDS.iter().position(|(bound, _)| microseconds <= *bound).unwrap_or(BOUNDS.len());
        self.by_status[status].fetch_add(1, Relaxed);
        self.by_duration[class].fetch_add(1, Relaxed);
        self.microseconds.fetch_add(microseconds, Relaxed);
    }
}

/// By route, then by method.
type AllSeries = BTreeMap<Box<str>, BTreeMap<&'static str, Series>>;

/// What came of a try to send something.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Try {
    /// It was taken.
    Accepted,
    /// It is tried again.
    Later,
    /// It is given up.
    Never,
}
impl Try {
    const ALL: [(Self, &'static str); 3] = [(Self::Accepted, "accepted"), (Self::Later, "later"), (Self::Never, "never")];
}

/// A sum of times with how many there were.
#[derive(Debug, Default)]
struct Times {
    count: AtomicU64,
    microseconds: AtomicU64,
}

/// What is counted.
#[derive(Debug, Default)]
pub struct Metrics {
    series: RwLock<AllSeries>,
    in_flight: AtomicI64,
    turned_away: AtomicU64,
    rebuilds: Times,
    rebuilt: AtomicU64,
    letters: [AtomicU64; Try::ALL.len()],
    /// Of the primary, and of its copy.
    reads: [AtomicU64; 2],
}

/// One request under way; however it ends, it is counted off.
#[derive(Debug)]
pub struct InFlight(Arc<Metrics>);
impl Drop for InFlight {
    fn drop(&mut self) {
        self.0.in_flight.fetch_sub(1, Relaxed);
    }
}

/// A method by one of the usual names; a client can make up others, which count as one.
fn method_name(method: &str) -> &'static str {
    ["GET", "HEAD", "POST", "PATCH", "DELETE", "PUT", "OPTIONS"].into_iter().find(|name| *name == method).unwrap_or("other")
}

impl Metrics {
    /// Counts a request that begins.
    #[must_use]
    pub fn begin(self: &Arc<Self>) -> InFlight {
        self.in_flight.fetch_add(1, Relaxed);
        InFlight(Arc::clone(self))
    }
    /// Counts a request that was turned away because too many were under way.
    pub fn turn_away(&self) {
        self.turned_away.fetch_add(1, Relaxed);
    }
    /// Counts a request that was answered.
    pub fn count(&self, method: &str, route: Option<&str>, status: u16, took: Duration) {
        let (method, route) = (method_name(method), route.unwrap_or("none"));
        if let Ok(all) = self.series.read()
            && let Some(series) = all.get(route).and_then(|methods| methods.get(method))
        {
            series.count(status, took);
            return;
        }
        if let Ok(mut all) = self.series.write() {
            all.entry(route.into()).or_default().entry(method).or_default().count(status, took);
        }
    }

    /// Counts that what is due was worked out again, on how many motorcycles, before a write was committed.
    pub fn rebuilt(&self, motorcycles: usize, took: Duration) {
        if motorcycles > 0 {
            self.rebuilds.count.fetch_add(1, Relaxed);
            self.rebuilds.microseconds.fetch_add(u64::try_from(took.as_micros()).unwrap_or(u64::MAX), Relaxed);
            self.rebuilt.fetch_add(u64::try_from(motorcycles).unwrap_or(u64::MAX), Relaxed);
        }
    }
    /// Counts a try to send a letter.
    pub fn letter(&self, came_of_it: Try) {
        if let Some(place) = Try::ALL.iter().position(|(known, _)| *known == came_of_it) {
            self.letters[place].fetch_add(1, Relaxed);
        }
    }

    /// Counts a read where the database has a copy: whether the copy answers it.
    pub fn read_from(&self, copy: bool) {
        self.reads[usize::from(copy)].fetch_add(1, Relaxed);
    }

    /// Everything counted, as text; with what the database says, where it says something, and how many writes wait for its one writer,
    /// where it has one.
    #[must_use]
    pub fn text(&self, database: Option<(Numbers, i64)>, waiting: Option<usize>) -> String {
        let mut text = String::new();
        if let Some(waiting) = waiting {
            head(&mut text, "witnessmark_writes_waiting", "gauge", "Writes that wait for the one writer.");
            let _ = writeln!(text, "witnessmark_writes_waiting {waiting}");
        }
        of_the_database(&mut text, database);
        self.of_work(&mut text);
        self.of_requests(&mut text);
        text
    }

    fn of_work(&self, text: &mut String) {
        const REBUILDS: &str = "witnessmark_due_rebuild_seconds";
        head(text, REBUILDS, "summary", "Time that writes spent on working out what is due again.");
        let _ = writeln!(text, "{REBUILDS}_sum {}", seconds(&self.rebuilds.microseconds));
        let _ = writeln!(text, "{REBUILDS}_count {}", self.rebuilds.count.load(Relaxed));
        head(text, "witnessmark_due_rebuilt_motorcycles_total", "counter", "Motorcycles on which what is due was worked out again.");
        let _ = writeln!(text, "witnessmark_due_rebuilt_motorcycles_total {}", self.rebuilt.load(Relaxed));
        head(text, "witnessmark_replica_reads_total", "counter", "Reads where the database has a copy, by which of them answered.");
        for (from, count) in ["primary", "replica"].iter().zip(&self.reads) {
            let _ = writeln!(text, "witnessmark_replica_reads_total{{from=\"{from}\"}} {}", count.load(Relaxed));
        }
        head(text, "witnessmark_letter_tries_total", "counter", "Tries of this server to send a letter, by what came of them.");
        for ((_, outcome), count) in Try::ALL.iter().zip(&self.letters) {
            let _ = writeln!(text, "witnessmark_letter_tries_total{{outcome=\"{outcome}\"}} {}", count.load(Relaxed));
        }
    }

    fn of_requests(&self, text: &mut String) {
        head(text, "witnessmark_build_info", "gauge", "The program's version.");
        let _ = writeln!(text, "witnessmark_build_info{{version=\"{}\"}} 1", env!("CARGO_PKG_VERSION"));
        head(text, "witnessmark_http_requests_in_flight", "gauge", "Requests under way.");
        let _ = writeln!(text, "witnessmark_http_requests_in_flight {}", self.in_flight.load(Relaxed));
        head(text, "witnessmark_http_requests_turned_away_total", "counter", "Requests answered with 503 because too many were under way.");
        let _ = writeln!(text, "witnessmark_http_requests_turned_away_total {}", self.turned_away.load(Relaxed));
        let Ok(all) = self.series.read() else { return };
        let each = || all.iter().flat_map(|(route, methods)| methods.iter().map(move |(method, series)| (method, route, series)));
        head(text, "witnessmark_http_requests_total", "counter", "Requests answered, by route and status.");
        for (method, route, series) in each() {
            for (status, count) in STATUSES.iter().zip(&series.by_status) {
                let count = count.load(Relaxed);
                if count > 0 {
                    let status = if *status == 0 { "other".into() } else { status.to_string() };
                    let _ = writeln!(
                        text,
                        "witnessmark_http_requests_total{{method=\"{method}\",route=\"{}\",status=\"{status}\"}} {count}",
                        label(route)
                    );
                }
            }
        }
        head(text, "witnessmark_http_request_duration_seconds", "histogram", "Time from the request's head to the answer's head.");
        for (method, route, series) in each() {
            durations(text, method, &label(route), series);
        }
    }
}

fn of_the_database(text: &mut String, database: Option<(Numbers, i64)>) {
    head(text, "witnessmark_database_up", "gauge", "Whether the database answered for these numbers.");
    let _ = writeln!(text, "witnessmark_database_up {}", u8::from(database.is_some()));
    let Some((numbers, bytes)) = database else { return };
    let gauges = [
        ("witnessmark_letters_pending", "Letters that wait for a try, in the whole database.", numbers.letters_pending),
        ("witnessmark_letters_given_up", "Letters that were given up, in the whole database.", numbers.letters_given_up),
        ("witnessmark_webhook_deliveries_pending", "Messages to webhooks that wait for a try.", numbers.deliveries_pending),
        ("witnessmark_webhook_deliveries_given_up", "Messages to webhooks that were given up.", numbers.deliveries_given_up),
        ("witnessmark_database_bytes", "The size of the database.", bytes),
    ];
    for (name, about, value) in gauges {
        head(text, name, "gauge", about);
        let _ = writeln!(text, "{name} {value}");
    }
}

/// Microseconds in seconds, exactly.
fn seconds(microseconds: &AtomicU64) -> String {
    let microseconds = microseconds.load(Relaxed);
    format!("{}.{:06}", microseconds / 1_000_000, microseconds % 1_000_000)
}

fn durations(text: &mut String, method: &str, route: &str, series: &Series) {
    const NAME: &str = "witnessmark_http_request_duration_seconds";
    let mut so_far = 0;
    let bounds = BOUNDS.iter().map(|(_, bound)| *bound).chain(["+Inf"]);
    for (bound, count) in bounds.zip(&series.by_duration) {
        so_far += count.load(Relaxed);
        let _ = writeln!(text, "{NAME}_bucket{{method=\"{method}\",route=\"{route}\",le=\"{bound}\"}} {so_far}");
    }
    let _ = writeln!(text, "{NAME}_sum{{method=\"{method}\",route=\"{route}\"}} {}", seconds(&series.microseconds));
    let _ = writeln!(text, "{NAME}_count{{method=\"{method}\",route=\"{route}\"}} {so_far}");
}

fn head(text: &mut String, name: &str, kind: &str, about: &str) {
    let _ = writeln!(text, "# HELP {name} {about}\n# TYPE {name} {kind}");
}

fn label(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn requests_are_counted_by_route_status_and_duration() {
        let metrics = Arc::new(Metrics::default());
        let route = Some("/api/v1/motorcycles/{id}");
        let under_way = metrics.begin();
        metrics.count("GET", route, 200, Duration::from_micros(800));
        metrics.count("GET", route, 200, Duration::from_millis(3));
        metrics.count("GET", route, 404, Duration::from_secs(20));
        metrics.count("BREW", None, 418, Duration::ZERO);
        let text = metrics.text(None, Some(3));
        for line in [
            "witnessmark_writes_waiting 3",
            "witnessmark_http_requests_in_flight 1",
            "witnessmark_http_requests_total{method=\"GET\",route=\"/api/v1/motorcycles/{id}\",status=\"200\"} 2",
            "witnessmark_http_requests_total{method=\"GET\",route=\"/api/v1/motorcycles/{id}\",status=\"404\"} 1",
            "witnessmark_http_requests_total{method=\"other\",route=\"none\",status=\"other\"} 1",
            "witnessmark_http_request_duration_seconds_bucket{method=\"GET\",route=\"/api/v1/motorcycles/{id}\",le=\"0.0005\"} 0",
            "witnessmark_http_request_duration_seconds_bucket{method=\"GET\",route=\"/api/v1/motorcycles/{id}\",le=\"0.001\"} 1",
            "witnessmark_http_request_duration_seconds_bucket{method=\"GET\",route=\"/api/v1/motorcycles/{id}\",le=\"10\"} 2",
            "witnessmark_http_request_duration_seconds_bucket{method=\"GET\",route=\"/api/v1/motorcycles/{id}\",le=\"+Inf\"} 3",
            "witnessmark_http_request_duration_seconds_sum{method=\"GET\",route=\"/api/v1/motorcycles/{id}\"} 20.003800",
            "witnessmark_http_request_duration_seconds_count{method=\"GET\",route=\"/api/v1/motorcycles/{id}\"} 3",
        ] {
            assert!(text.lines().any(|has| has == line), "{line} is missing from\n{text}");
        }
        drop(under_way);
        assert!(metrics.text(None, Some(3)).contains("witnessmark_http_requests_in_flight 0"));
    }
}
