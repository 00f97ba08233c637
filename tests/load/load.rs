//! The project's own benchmark: `sh tests/load/run`. It builds two fleets, serves both from this process on two ports, and prints ratios
//! from this one run, so that they can be compared from machine to machine. Everything is bounded in count and time.
mod client;
mod fleet;
mod long_history;
mod outside;
mod points;
mod program;

use std::{
    collections::HashMap,
    net::SocketAddr,
    path::{Path, PathBuf},
    process::ExitCode,
    sync::Arc,
    time::{Duration, Instant},
};

use axum::{Router, http::header, routing::get};
use tokio::{net::TcpListener, runtime::Runtime};
use uuid::Uuid;
use witnessmark::{
    access::{Caller, whence::Whence},
    actions::{
        App, check, session,
        sign_in::{self, SignedIn},
    },
    clock::Clock,
    domain::{id::Id, motorcycle::Motorcycle, workshop::Workshop},
    pages::guard::session_cookie,
    store::Store,
    web,
};

const PASSWORD: &str = "only for the benchmark";
const EMAIL: &str = "load@example.org";

/// A workshop that is served.
struct Served {
    app: Arc<App>,
    workshop: Id<Workshop>,
    address: SocketAddr,
    bikes: Vec<Id<Motorcycle>>,
    token: String,
    cookie: String,
    built_in: Duration,
}

/// One line of the table.
struct Line {
    what: String,
    measured: String,
    ratio: Option<f64>,
    /// What the ratio has to be.
    wanted: Option<(bool, f64)>,
}

fn main() -> ExitCode {
    if !std::env::args().any(|argument| argument == "--bench") {
        println!("this is a benchmark; run sh tests/load/run");
        return ExitCode::SUCCESS;
    }
    let number = |name: &str, default| std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(default);
    let (small, large) = (number("WITNESSMARK_LOAD_SMALL", 500), number("WITNESSMARK_LOAD_LARGE", 50_000));
    let middle = number("WITNESSMARK_LOAD_MIDDLE", 5_000);
    let seconds = Duration::from_secs(number("WITNESSMARK_LOAD_SECONDS", 5).into());
    let smoke = std::env::var_os("WITNESSMARK_LOAD_SMOKE").is_some();
    let mut table = Table::new(smoke);
    let (here, in_memory) = points::here();
    table.add(&[in_memory]);
    let runtime = Runtime::new().expect("a runtime");
    let folder = tempfile::tempdir().expect("a folder");
    let serve = |count| {
        let path = folder.path().join(format!("{count}.db"));
        runtime.block_on(serve(&format!("sqlite:{}", path.display()), count))
    };
    let fleets = [serve(small), serve(large)];
    for fleet in &fleets {
        table.add(&[Line {
            what: format!("enter {} motorcycles with {} events and work out what is due", fleet.bikes.len(), fleet::EVENTS),
            measured: format!("{:.1} s", fleet.built_in.as_secs_f64()),
            ratio: None,
            wanted: None,
        }]);
    }
    let checked = runtime.block_on(check::check(&fleets[0].app.store)).expect("a check");
    assert!(checked.differences.is_empty(), "{:?}", checked.differences.first());
    table.add(&one_bike(&fleets[0], seconds));
    table.add(&one_bike(&fleets[1], seconds));
    table.add(&first_pages(&fleets));
    table.add(&log_a_service(&runtime, &fleets));
    table.add(&[long_history(&runtime, &fleets[0])]);
    let [small, large] = fleets;
    for fleet in [small, serve(middle), large] {
        let fleet = runtime.block_on(fleet.into_file(folder.path()));
        table.add(&runtime.block_on(outside::measure(&fleet, seconds)));
        if let Some(programs) = std::env::var_os("WITNESSMARK_LOAD_PEERS").map(PathBuf::from) {
            table.add(&[beside_a_peer(&runtime, &fleet, &programs, seconds)]);
        }
    }
    if let Some(programs) = std::env::var_os("WITNESSMARK_LOAD_PEERS").map(PathBuf::from) {
        table.add(&points::columnar(&programs, folder.path(), &here));
    }
    if table.good { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

async fn serve(url: &str, count: u32) -> Served {
    let app = Arc::new(App::new(Store::open(url).await.expect("a database"), Clock::System));
    let setup = session::Setup {
        workshop: "Load".into(),
        time_zone: "Europe/Lisbon".into(),
        email: EMAIL.into(),
        name: "Load".into(),
        password: PASSWORD.into(),
    };
    let (workshop, token) = session::set_up(&app, setup).await.expect("a workshop");
    let start = Instant::now();
    let bikes = fleet::build(&app, &Caller::command_line(workshop), count).await.expect("a fleet");
    let built_in = start.elapsed();
    let signed_in = sign_in::sign_in(&app, &Whence::default(), EMAIL, PASSWORD.into()).await.expect("a session");
    let SignedIn::Session(cookie) = signed_in else { panic!("no second factor is set up") };
    let listener = TcpListener::bind(("127.0.0.1", 0)).await.expect("a port");
    let address = listener.local_addr().expect("an address");
    // The answer to compare with: as many bytes of JSON as one motorcycle's due items, always the same.
    let due = axum_answer(&app, &token, bikes[0]).await;
    let fixed = get(move || {
        let due = due.clone();
        async move { ([(header::CONTENT_TYPE, "application/json")], due) }
    });
    let router = Router::new().route("/fixed", fixed).merge(web::router(Arc::clone(&app)));
    tokio::spawn(async move { axum::serve(listener, router).await });
    Served { app, workshop, address, bikes, token, cookie, built_in }
}

async fn axum_answer(app: &Arc<App>, token: &str, bike: Id<Motorcycle>) -> axum::body::Bytes {
    use tower::ServiceExt;
    let request = axum::http::Request::get(due_path(bike)).header(header::AUTHORIZATION, format!("Bearer {token}"));
    let request = request.body(axum::body::Body::empty()).expect("a request");
    let response = web::router(Arc::clone(app)).oneshot(request).await.expect("an answer");
    axum::body::to_bytes(response.into_body(), usize::MAX).await.expect("a body")
}

fn due_path(bike: Id<Motorcycle>) -> String {
    format!("/api/v1/motorcycles/{bike}/due")
}

impl Served {
    /// The fleet as a file that nobody serves any more.
    async fn into_file(self, folder: &Path) -> outside::Fleet {
        self.app.store.close().await;
        outside::Fleet {
            path: folder.join(format!("{}.db", self.bikes.len())),
            workshop: self.workshop.uuid(),
            events: self.bikes.len() * fleet::EVENTS as usize,
            bikes: self.bikes.iter().map(|bike| bike.uuid()).collect(),
            bearer: self.bearer(),
            session: self.session(),
            today: self.app.clock.today("Europe/Lisbon").to_string(),
        }
    }
    fn bearer(&self) -> String {
        format!("Authorization: Bearer {}", self.token)
    }
    fn session(&self) -> String {
        format!("Cookie: {}={}", session_cookie(&self.app), self.cookie)
    }
}

/// One motorcycle's whole answer, worked out again.
fn long_history(runtime: &Runtime, fleet: &Served) -> Line {
    let bike = runtime.block_on(long_history::enter(&fleet.app, &fleet.token));
    let worked_out = runtime.block_on(long_history::worked_out(&fleet.app, &Caller::command_line(fleet.workshop), bike));
    let (took, items) = worked_out.expect("an answer");
    assert!(items >= long_history::PARTS, "each wearing part has a due item: {items}");
    Line {
        what: format!(
            "one motorcycle worked out again: {} rules, {} wearing parts, {} values, {} readings, {items} due items; in ms",
            fleet::RULES,
            long_history::PARTS,
            long_history::PARTS * long_history::VALUES as usize,
            long_history::READINGS,
        ),
        measured: format!("{:.3} ms", millis(took)),
        ratio: Some(millis(took)),
        wanted: Some((false, 1.0)),
    }
}

/// One motorcycle's due items, asked of a general-purpose server on the same file.
fn beside_a_peer(runtime: &Runtime, fleet: &outside::Fleet, programs: &Path, time: Duration) -> Line {
    let (own, peer) = runtime.block_on(outside::beside_a_peer(fleet, &programs.join("datasette"), time));
    Line {
        what: format!(
            "{} motorcycles: one motorcycle's due, beside a general-purpose server of SQL as JSON (datasette)",
            fleet.bikes.len()
        ),
        measured: format!("{own:.0} /s, {peer:.0} /s"),
        ratio: Some(own / peer),
        wanted: Some((true, 20.0)),
    }
}

/// How often per second one motorcycle's due items are given, beside a fixed answer of the same size.
fn one_bike(served: &Served, time: Duration) -> Vec<Line> {
    const CONNECTIONS: usize = 8;
    let requests: Vec<_> = served.bikes.iter().map(|bike| client::get(&due_path(*bike), &served.bearer())).collect();
    let fixed = [client::get("/fixed", &served.bearer())];
    let size = client::Client::new(served.address).send(&fixed[0]).len();
    let mut best = (0.0_f64, 0.0_f64);
    for _ in 0..3 {
        let of_fixed = client::rate(served.address, &fixed, CONNECTIONS, time / 3);
        let of_due = client::rate(served.address, &requests, CONNECTIONS, time / 3);
        best = (best.0.max(of_fixed), best.1.max(of_due));
    }
    let (of_fixed, of_due) = best;
    vec![
        Line { what: format!("a fixed JSON answer of {size} bytes"), measured: format!("{of_fixed:.0} /s"), ratio: None, wanted: None },
        Line {
            what: format!("GET /motorcycles/{{id}}/due, {} motorcycles in turn, beside it", served.bikes.len()),
            measured: format!("{of_due:.0} /s"),
            ratio: Some(of_due / of_fixed),
            wanted: (served.bikes.len() <= 1000).then_some((true, 0.5)),
        },
    ]
}

/// What the first pages cost in the large fleet, beside the small one.
fn first_pages(fleets: &[Served; 2]) -> Vec<Line> {
    let page = |what: &str, path: fn(&Served) -> String, credentials: fn(&Served) -> String| {
        let sides: Vec<_> = fleets.iter().map(|fleet| (fleet.address, client::get(&path(fleet), &credentials(fleet)))).collect();
        let medians = client::medians(&sides, 400);
        Line {
            what: format!("{what}, {} motorcycles beside {}", fleets[1].bikes.len(), fleets[0].bikes.len()),
            measured: format!("{:.2} ms, {:.2} ms", millis(medians[1]), millis(medians[0])),
            ratio: Some(medians[1].as_secs_f64() / medians[0].as_secs_f64()),
            wanted: Some((false, 1.3)),
        }
    };
    vec![
        page("GET /due, first page", |_| "/api/v1/due".into(), Served::bearer),
        page("the workshop's page, first page", |_| "/".into(), Served::session),
        page("a motorcycle's page", |fleet| format!("/motorcycles/{}", fleet.bikes[fleet.bikes.len() / 2]), Served::session),
    ]
}

/// Logs services and looks which due items they changed.
fn log_a_service(runtime: &Runtime, fleets: &[Served; 2]) -> Vec<Line> {
    let mut lines = Vec::new();
    for fleet in fleets {
        let before = runtime.block_on(stored(fleet));
        let bike = fleet.bikes[fleet.bikes.len() / 2];
        let body = r#"{"on": "2020-01-01", "summary": "Oil", "work": [{"component": "engine_oil", "operation": "replace"}]}"#;
        let today = fleet.app.clock.today("Europe/Lisbon").to_string();
        let request =
            client::post(&format!("/api/v1/motorcycles/{bike}/service-events"), &fleet.bearer(), &body.replace("2020-01-01", &today));
        let mut client = client::Client::new(fleet.address);
        let start = Instant::now();
        client.send(&request);
        let took = start.elapsed();
        let after = runtime.block_on(stored(fleet));
        let changed: Vec<_> = after.iter().filter(|(id, row)| before.get(id) != Some(row)).collect();
        let gone = before.keys().filter(|id| !after.contains_key(id)).count();
        let elsewhere = changed.iter().filter(|(_, row)| row.0 != bike.uuid()).count();
        assert!(gone == 0 && !changed.is_empty(), "a service changes what is due and takes nothing away: {gone}, {}", changed.len());
        lines.push(Line {
            what: format!("log a service, {} motorcycles: {} due items changed here, and elsewhere", fleet.bikes.len(), changed.len()),
            measured: format!("{elsewhere} ({:.1} ms)", millis(took)),
            #[expect(clippy::cast_precision_loss, reason = "a count of rows")]
            ratio: Some(elsewhere as f64),
            wanted: Some((false, 0.0)),
        });
    }
    lines
}

/// Every due item that is stored: its motorcycle and what is stored of it.
async fn stored(fleet: &Served) -> HashMap<Uuid, (Uuid, String)> {
    let Store::Sqlite { read, .. } = &fleet.app.store else { return HashMap::new() };
    let rows: Vec<(Uuid, Uuid, String)> =
        sqlx::query_as("select id, motorcycle_id, body from due_item").fetch_all(read).await.expect("the due items");
    rows.into_iter().map(|(id, bike, body)| (id, (bike, body))).collect()
}

fn millis(time: Duration) -> f64 {
    time.as_secs_f64() * 1000.0
}

/// The table, printed as it grows, and whether every ratio is what it has to be. In a build for development only what has to be none is
/// looked at.
struct Table {
    smoke: bool,
    good: bool,
}
impl Table {
    fn new(smoke: bool) -> Self {
        println!("| what | measured | ratio | wanted |\n| --- | --- | --- | --- |");
        Self { smoke, good: true }
    }
    /// Adds lines; gives the first one's ratio.
    fn add(&mut self, lines: &[Line]) {
        for line in lines {
            let ratio = line.ratio.map(|ratio| format!("{ratio:.2}")).unwrap_or_default();
            let wanted = line.wanted.map(|(least, bound)| format!("{} {bound}", if least { "at least" } else { "at most" }));
            println!("| {} | {} | {ratio} | {} |", line.what, line.measured, wanted.unwrap_or_default());
            let looked_at = line.wanted.filter(|(_, bound)| !self.smoke || *bound == 0.0);
            self.good &=
                looked_at.zip(line.ratio).is_none_or(|((least, bound), ratio)| if least { ratio >= bound } else { ratio <= bound });
        }
    }
}
