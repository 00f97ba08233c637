//! The program as its users start it, a process of its own on a fleet's file: how fast it answers and how long one waits, how soon it is
//! ready, what it keeps in memory and on disk, and what becomes of more than it can take.
use std::{
    io,
    net::SocketAddr,
    path::Path,
    process::{Child, Command, Stdio},
    sync::Arc,
    time::{Duration, Instant},
};

use sqlx::sqlite::{SqliteConnectOptions, SqlitePoolOptions};
use tokio::{
    io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader},
    net::TcpStream,
    sync::Mutex,
    task::JoinSet,
    time::timeout,
};
use uuid::Uuid;

use super::{
    Line, client,
    program::{Program, memory},
};

/// How many clients ask at once where nothing else is said.
const CLIENTS: usize = 8;
/// The most that a flood keeps under way: what comes on top of it waits for a connection, as it would in front of a full server.
const MOST_CONNECTIONS: usize = 4000;

/// A fleet's file, and how one is let in.
pub struct Fleet {
    pub path: std::path::PathBuf,
    pub workshop: Uuid,
    pub bikes: Vec<Uuid>,
    pub events: usize,
    pub bearer: String,
    pub session: String,
    pub today: String,
}

/// The answers to many requests: when each came, and its status.
#[derive(Default)]
struct Answers {
    took: Vec<(u16, Duration)>,
    over: Duration,
}
impl Answers {
    fn of(&self, wanted: impl Fn(u16) -> bool) -> Waits {
        let mut took: Vec<_> = self.took.iter().filter(|(status, _)| wanted(*status)).map(|(_, took)| *took).collect();
        took.sort_unstable();
        Waits { took, over: self.over }
    }
    /// All of them, where nothing else than these statuses was answered.
    fn all(&self, good: &[u16]) -> Waits {
        let other = self.took.iter().find(|(status, _)| !good.contains(status));
        assert_eq!(other, None, "only {good:?} are good answers here");
        self.of(|_| true)
    }
}
/// How long clients waited, shortest first.
struct Waits {
    took: Vec<Duration>,
    over: Duration,
}
impl Waits {
    /// The wait that so many of a thousand stay within, in milliseconds.
    fn of_thousand(&self, share: usize) -> f64 {
        let place = (self.took.len() * share / 1000).min(self.took.len().saturating_sub(1));
        self.took.get(place).map_or(f64::NAN, |took| took.as_secs_f64() * 1000.0)
    }
    #[expect(clippy::cast_precision_loss, reason = "a count of requests")]
    fn rate(&self) -> f64 {
        self.took.len() as f64 / self.over.as_secs_f64()
    }
    fn said(&self) -> String {
        let [half, most, nearly_all] = [500, 990, 999].map(|share| self.of_thousand(share));
        format!("{:.0} /s; {half:.2}, {most:.2}, {nearly_all:.2} ms", self.rate())
    }
}

/// A connection that asks, reads the whole answer, and asks again.
struct Connection(BufReader<TcpStream>);
impl Connection {
    async fn open(address: SocketAddr) -> io::Result<Self> {
        let stream = TcpStream::connect(address).await?;
        stream.set_nodelay(true)?;
        Ok(Self(BufReader::with_capacity(32 * 1024, stream)))
    }
    /// Gives the status.
    async fn ask(&mut self, request: &[u8]) -> io::Result<u16> {
        self.0.get_mut().write_all(request).await?;
        let mut line = String::new();
        self.0.read_line(&mut line).await?;
        let status = line.get(9..12).and_then(|status| status.parse().ok()).ok_or(io::ErrorKind::UnexpectedEof)?;
        let (mut length, mut chunked) = (0, false);
        loop {
            line.clear();
            self.0.read_line(&mut line).await?;
            let Some((name, value)) = line.trim_end().split_once(':') else { break };
            match name.to_ascii_lowercase().as_str() {
                "content-length" => length = value.trim().parse().map_err(|_| io::ErrorKind::InvalidData)?,
                "transfer-encoding" => chunked = true,
                _ => {}
            }
        }
        let mut sink = tokio::io::sink();
        if !chunked {
            tokio::io::copy(&mut (&mut self.0).take(length), &mut sink).await?;
            return Ok(status);
        }
        loop {
            line.clear();
            self.0.read_line(&mut line).await?;
            let size = u64::from_str_radix(line.trim(), 16).map_err(|_| io::ErrorKind::InvalidData)?;
            tokio::io::copy(&mut (&mut self.0).take(size + 2), &mut sink).await?;
            if size == 0 {
                return Ok(status);
            }
        }
    }
}

/// What the nth request of a client is.
type Asks = Arc<dyn Fn(usize, usize) -> Vec<u8> + Send + Sync>;

/// Clients that each ask again as soon as they are answered.
async fn clients(address: SocketAddr, count: usize, time: Duration, asks: &Asks) -> Answers {
    let begun = Instant::now();
    let mut all = JoinSet::new();
    for client in 0..count {
        let asks = Arc::clone(asks);
        all.spawn(async move {
            let mut connection = Connection::open(address).await.expect("the server listens");
            let mut took = Vec::new();
            for nth in 0.. {
                let request = asks(client, nth);
                let from = Instant::now();
                let status = connection.ask(&request).await.expect("an answer");
                took.push((status, from.elapsed()));
                if begun.elapsed() >= time {
                    break;
                }
            }
            took
        });
    }
    let took = all.join_all().await.concat();
    Answers { took, over: begun.elapsed() }
}

/// Requests that arrive at a rate, whether the ones before were answered or not.
async fn flood(address: SocketAddr, a_second: f64, time: Duration, asks: &Asks) -> Answers {
    let idle: Arc<Mutex<Vec<Connection>>> = Arc::default();
    let begun = Instant::now();
    let (mut all, mut nth, mut took) = (JoinSet::new(), 0_u32, Vec::new());
    while begun.elapsed() < time {
        let at = Duration::from_secs_f64(f64::from(nth) / a_second);
        if let Some(early) = at.checked_sub(begun.elapsed()) {
            tokio::time::sleep(early).await;
        }
        while let Some(answered) = all.try_join_next() {
            took.push(answered.expect("an answer"));
        }
        if all.len() < MOST_CONNECTIONS {
            let (idle, request) = (Arc::clone(&idle), asks(0, nth as usize));
            all.spawn(async move {
                let from = Instant::now();
                let waiting = idle.lock().await.pop();
                let mut connection = match waiting {
                    Some(connection) => connection,
                    None => Connection::open(address).await.expect("the server accepts"),
                };
                let status = connection.ask(&request).await.expect("an answer");
                idle.lock().await.push(connection);
                (status, from.elapsed())
            });
        }
        nth += 1;
    }
    let over = begun.elapsed();
    took.extend(all.join_all().await);
    Answers { took, over }
}

/// A server of the fleet; it is stopped when this is dropped.
struct Running {
    server: Child,
    address: SocketAddr,
    ready: Duration,
}
impl Running {
    async fn start(fleet: &Fleet) -> Self {
        let program = Program::on(&fleet.path);
        let begun = Instant::now();
        let server = program.serve();
        let request = client::get("/readyz", "X-Ask: ready");
        loop {
            if let Ok(mut connection) = Connection::open(program.address).await
                && connection.ask(&request).await.is_ok_and(|status| status == 200)
            {
                break;
            }
            assert!(begun.elapsed() < Duration::from_mins(1), "the server does not get ready");
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
        Self { server, address: program.address, ready: begun.elapsed() }
    }
    /// What it holds in memory: all of it, and what is not the program or a file.
    fn resident(&self) -> [f64; 2] {
        ["VmRSS", "RssAnon"].map(|figure| megabytes(memory(self.server.id(), figure)))
    }
}
impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.server.kill();
        let _ = self.server.wait();
    }
}
#[expect(clippy::cast_precision_loss, reason = "kilobytes of a process")]
fn megabytes(kilobytes: Option<u64>) -> f64 {
    kilobytes.unwrap_or(0) as f64 / 1024.0
}

fn line(what: impl Into<String>, measured: String) -> Line {
    Line { what: what.into(), measured, ratio: None, wanted: None }
}
fn bounded(what: impl Into<String>, measured: String, ratio: f64, most: f64) -> Line {
    Line { ratio: Some(ratio), wanted: Some((false, most)), ..line(what, measured) }
}

/// Everything that is measured on one fleet, each rate for `time`.
pub async fn measure(fleet: &Fleet, time: Duration) -> Vec<Line> {
    let size = fleet.bikes.len();
    let disk = disk(fleet);
    let running = Running::start(fleet).await;
    let fresh = running.resident();
    let mut lines = vec![bounded(
        format!("{size} motorcycles: started until ready, in ms"),
        format!("{:.0} ms", running.ready.as_secs_f64() * 1e3),
        running.ready.as_secs_f64() * 1e3,
        50.0,
    )];
    lines.push(disk);
    lines.push(line(
        format!("{size} motorcycles: resident when just started"),
        format!("{:.0} MiB, {:.0} of it its own", fresh[0], fresh[1]),
    ));
    let straight = straight_sql(fleet, time).await;
    lines.push(line(format!("{size} motorcycles: their due items by SQL alone, {CLIENTS} connections"), straight.said()));
    for (what, asks) in reads(fleet) {
        let answers = clients(running.address, CLIENTS, time, &asks).await;
        lines.push(line(format!("{size} motorcycles: {what}, {CLIENTS} clients"), answers.all(&[200]).said()));
    }
    let logs = log(fleet);
    for count in [1, 16, 64] {
        let waits = clients(running.address, count, time, &logs).await.all(&[201]);
        let what = format!("{size} motorcycles: log a service, {count} clients");
        lines.push(match count {
            16 => bounded(format!("{what}; p99 ÷ p50"), waits.said(), waits.of_thousand(990) / waits.of_thousand(500), 10.0),
            _ => line(what, waits.said()),
        });
    }
    let mixed = mixed(&reads(fleet)[0].1, &logs);
    lines.push(line(
        format!("{size} motorcycles: 95 due, 5 services, 16 clients"),
        clients(running.address, 16, time, &mixed).await.all(&[200, 201]).said(),
    ));
    lines.extend(overload(&running, fleet, time).await);
    tokio::time::sleep(Duration::from_secs(3)).await;
    let [resident, own] = running.resident();
    let measured = format!("{resident:.0} MiB, {own:.0} of it not the program itself or a file");
    lines.push(bounded(format!("{size} motorcycles: resident when idle after that, in MiB"), measured, resident, 64.0));
    drop(running);
    lines.push(check(fleet));
    lines
}

/// What is read, as in a workshop's day.
fn reads(fleet: &Fleet) -> Vec<(&'static str, Asks)> {
    let of_bikes = |path: fn(Uuid) -> String, credentials: &str| -> Asks {
        let requests: Vec<_> = fleet.bikes.iter().map(|bike| client::get(&path(*bike), credentials)).collect();
        Arc::new(move |client, nth| requests[(client * requests.len() / CLIENTS + nth) % requests.len()].clone())
    };
    let always = |path: &str, credentials: &str| -> Asks {
        let request = client::get(path, credentials);
        Arc::new(move |_, _| request.clone())
    };
    vec![
        ("one motorcycle's due", of_bikes(|bike| format!("/api/v1/motorcycles/{bike}/due"), &fleet.bearer)),
        ("the workshop's due", always("/api/v1/due", &fleet.bearer)),
        ("a history", of_bikes(|bike| format!("/api/v1/motorcycles/{bike}/history"), &fleet.bearer)),
        ("a motorcycle's page", of_bikes(|bike| format!("/motorcycles/{bike}"), &fleet.session)),
    ]
}
fn log(fleet: &Fleet) -> Asks {
    let (bikes, bearer, today) = (fleet.bikes.clone(), fleet.bearer.clone(), fleet.today.clone());
    Arc::new(move |client, nth| {
        let bike = bikes[(client * 7919 + nth * 31) % bikes.len()];
        let body = format!(r#"{{"on": "{today}", "summary": "Oil", "work": [{{"component": "engine_oil", "operation": "replace"}}]}}"#);
        client::post(&format!("/api/v1/motorcycles/{bike}/service-events"), &bearer, &body)
    })
}
fn mixed(read: &Asks, write: &Asks) -> Asks {
    let (read, write) = (Arc::clone(read), Arc::clone(write));
    Arc::new(move |client, nth| if (client + nth) % 20 == 0 { write(client, nth) } else { read(client, nth) })
}

/// The rows of one motorcycle's answer, asked of the database alone.
async fn straight_sql(fleet: &Fleet, time: Duration) -> Waits {
    let options = SqliteConnectOptions::new().filename(&fleet.path).read_only(true);
    let pool = SqlitePoolOptions::new().max_connections(8).connect_with(options).await.expect("the file opens");
    let begun = Instant::now();
    let mut all = JoinSet::new();
    for client in 0..CLIENTS {
        let (pool, workshop, bikes) = (pool.clone(), fleet.workshop, fleet.bikes.clone());
        all.spawn(async move {
            let mut connection = pool.acquire().await.expect("a connection");
            let mut took = Vec::new();
            for bike in bikes.iter().cycle().skip(client * bikes.len() / CLIENTS) {
                let from = Instant::now();
                let sql = "select body from due_item where workshop_id = $1 and motorcycle_id = $2";
                let rows: Vec<String> =
                    sqlx::query_scalar(sql).bind(workshop).bind(bike).fetch_all(&mut *connection).await.expect("its rows");
                assert!(!rows.is_empty());
                took.push((200, from.elapsed()));
                if begun.elapsed() >= time {
                    break;
                }
            }
            took
        });
    }
    let took = all.join_all().await.concat();
    pool.close().await;
    Answers { took, over: begun.elapsed() }.of(|_| true)
}

/// Ten times as many services a second as it can log.
async fn overload(running: &Running, fleet: &Fleet, time: Duration) -> Vec<Line> {
    let (logs, size) = (log(fleet), fleet.bikes.len());
    let full = clients(running.address, 64, time, &logs).await.all(&[201]);
    let flooded = flood(running.address, 10.0 * full.rate(), time, &logs).await;
    let (taken, refused) = (flooded.of(|status| status == 201), flooded.of(|status| status == 503));
    assert_eq!(taken.took.len() + refused.took.len(), flooded.took.len(), "taken or refused, nothing else");
    let after = clients(running.address, 1, time, &logs).await.all(&[201]);
    let slower = taken.of_thousand(990) / full.of_thousand(990);
    vec![
        bounded(
            format!("{size} motorcycles: ten times as many services as it can log: those logged; p99 ÷ that of 64 clients"),
            taken.said(),
            slower,
            4.0,
        ),
        line(format!("{size} motorcycles: those refused with 503 meanwhile"), refused.said()),
        line(format!("{size} motorcycles: log a service right after, 1 client"), after.said()),
    ]
}

fn disk(fleet: &Fleet) -> Line {
    let bytes = std::fs::metadata(&fleet.path).map_or(0, |file| file.len());
    let each = bytes / (fleet.events as u64).max(1);
    line(
        format!("{} motorcycles: on disk, {} events", fleet.bikes.len(), fleet.events),
        format!("{} MiB, {each} bytes an event", bytes >> 20),
    )
}

/// `check` over the whole fleet: what it takes in time and memory.
fn check(fleet: &Fleet) -> Line {
    let begun = Instant::now();
    let mut check = Command::new(super::program::PROGRAM)
        .args(["check", "--database", &url(&fleet.path)])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("check starts");
    let mut most = 0.0_f64;
    let ended = loop {
        most = most.max(megabytes(memory(check.id(), "VmHWM")));
        if let Some(ended) = check.try_wait().expect("it is ours") {
            break ended;
        }
        std::thread::sleep(Duration::from_millis(10));
    };
    assert!(ended.success(), "check is clean");
    let measured = format!("{:.1} s, {most:.0} MiB", begun.elapsed().as_secs_f64());
    bounded(format!("{} motorcycles: `check` works out everything again; most memory in MiB", fleet.bikes.len()), measured, most, 512.0)
}
fn url(path: &Path) -> String {
    format!("sqlite:{}", path.display())
}

/// How often a second one motorcycle's due items are answered, here and by a general-purpose server that gives SQL queries as JSON.
pub async fn beside_a_peer(fleet: &Fleet, program: &Path, time: Duration) -> (f64, f64) {
    let running = Running::start(fleet).await;
    let own = clients(running.address, CLIENTS, time, &reads(fleet)[0].1).await.all(&[200]).rate();
    drop(running);
    let file = due_items_alone(fleet).await;
    let port = std::net::TcpListener::bind("127.0.0.1:0").and_then(|socket| socket.local_addr()).expect("a free port").port();
    let mut peer = Command::new(program)
        .args(["serve", "--host", "127.0.0.1", "--port", &port.to_string()])
        .arg(&file)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the peer starts");
    let address = SocketAddr::from(([127, 0, 0, 1], port));
    let begun = Instant::now();
    while !matches!(timeout(Duration::from_secs(1), Connection::open(address)).await, Ok(Ok(_))) {
        assert!(begun.elapsed() < Duration::from_mins(1), "the peer does not listen");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    let stem = file.file_stem().expect("a name").to_string_lossy().into_owned();
    let ask = |bike: &Uuid| {
        let sql = format!("select+body+from+due_item+where+motorcycle_id+=+x'{}'", bike.simple());
        client::get(&format!("/{stem}.json?sql={sql}&_shape=array"), "Accept: application/json")
    };
    let requests: Vec<_> = fleet.bikes.iter().take(1000).map(ask).collect();
    let asks: Asks = Arc::new(move |client, nth| requests[(client * requests.len() / CLIENTS + nth) % requests.len()].clone());
    let answers = clients(address, CLIENTS, time, &asks).await;
    assert!(answers.took.iter().all(|(status, _)| *status == 200), "the peer answers");
    let _ = peer.kill();
    let _ = peer.wait();
    (own, answers.all(&[200]).rate())
}

/// The due items in a file of their own with an index for the question: the peer's SQLite is older and refuses the index of words.
async fn due_items_alone(fleet: &Fleet) -> std::path::PathBuf {
    let file = fleet.path.with_file_name(format!("due_of_{}.db", fleet.bikes.len()));
    let pool =
        SqlitePoolOptions::new().max_connections(1).connect_with(SqliteConnectOptions::new().filename(&fleet.path).create_if_missing(true));
    let pool = pool.await.expect("the file opens");
    sqlx::query("attach $1 as alone").bind(file.to_str().expect("a path")).execute(&pool).await.expect("a second file");
    for sql in [
        "create table alone.due_item as select motorcycle_id, body from due_item",
        "create index alone.due_item_motorcycle on due_item (motorcycle_id)",
        "detach alone",
    ] {
        sqlx::query(sql).execute(&pool).await.expect("it is copied");
    }
    pool.close().await;
    file
}
