//! A small HTTP/1.1 client that keeps its connection: it asks, reads the whole answer, and asks again.
use std::{
    io::{BufRead, BufReader, Read, Write},
    net::{SocketAddr, TcpStream},
    time::{Duration, Instant},
};

pub struct Client {
    stream: BufReader<TcpStream>,
    body: Vec<u8>,
}

impl Client {
    pub fn new(address: SocketAddr) -> Self {
        let stream = TcpStream::connect(address).expect("the server listens");
        stream.set_nodelay(true).expect("a TCP socket");
        Self { stream: BufReader::with_capacity(64 * 1024, stream), body: Vec::new() }
    }

    /// Sends a request and reads the answer, which must be a success. Gives the body.
    pub fn send(&mut self, request: &[u8]) -> &[u8] {
        self.stream.get_mut().write_all(request).expect("the server reads");
        let mut line = String::new();
        self.stream.read_line(&mut line).expect("the server answers");
        assert!(line.starts_with("HTTP/1.1 2"), "{line}for {}", String::from_utf8_lossy(request));
        let mut length = None;
        loop {
            line.clear();
            self.stream.read_line(&mut line).expect("headers");
            let Some((name, value)) = line.trim_end().split_once(':') else { break };
            if name.eq_ignore_ascii_case("content-length") {
                length = value.trim().parse().ok();
            }
        }
        self.body.resize(length.expect("every answer says its length"), 0);
        self.stream.read_exact(&mut self.body).expect("the body");
        &self.body
    }
}

pub fn get(path: &str, credentials: &str) -> Vec<u8> {
    format!("GET {path} HTTP/1.1\r\nHost: localhost\r\n{credentials}\r\n\r\n").into_bytes()
}
pub fn post(path: &str, credentials: &str, body: &str) -> Vec<u8> {
    let length = body.len();
    format!("POST {path} HTTP/1.1\r\nHost: localhost\r\n{credentials}\r\nContent-Type: application/json\r\nContent-Length: {length}\r\n\r\n{body}")
        .into_bytes()
}

/// Requests per second of `connections` connections that ask in turn for `time`.
pub fn rate(address: SocketAddr, requests: &[Vec<u8>], connections: usize, time: Duration) -> f64 {
    let count: u64 = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..connections)
            .map(|first| {
                scope.spawn(move || {
                    let mut client = Client::new(address);
                    let end = Instant::now() + time;
                    let mut count = 0;
                    for request in requests.iter().cycle().skip(first * requests.len() / connections) {
                        client.send(request);
                        count += 1;
                        if Instant::now() >= end {
                            break;
                        }
                    }
                    count
                })
            })
            .collect();
        threads.into_iter().map(|thread| thread.join().expect("no request failed")).sum()
    });
    #[expect(clippy::cast_precision_loss, reason = "a count of requests")]
    let count = count as f64;
    count / time.as_secs_f64()
}

/// The middle of the times that one connection waits for an answer, for each of several servers, asked in turns so that a busy
/// machine is busy for all of them.
pub fn medians(sides: &[(SocketAddr, Vec<u8>)], rounds: usize) -> Vec<Duration> {
    let mut clients: Vec<_> = sides.iter().map(|(address, _)| Client::new(*address)).collect();
    let mut times = vec![Vec::with_capacity(rounds); sides.len()];
    for round in 0..rounds + rounds / 10 {
        for (side, (_, request)) in sides.iter().enumerate() {
            let start = Instant::now();
            clients[side].send(request);
            // The first tenth warms up.
            if round >= rounds / 10 {
                times[side].push(start.elapsed());
            }
        }
    }
    times
        .into_iter()
        .map(|mut times| {
            times.sort();
            times[times.len() / 2]
        })
        .collect()
}
