//! Below HTTP's good manners: bodies that are cut off half way, announced larger than allowed, or never end.
use std::time::Duration;

use serde_json::json;
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::TcpStream,
    time::timeout,
};

use crate::harness::{Server, on_both_engines};

/// Sends bytes as they are, closes the sending side where wanted, and gives what comes back until the server closes or says nothing for a while.
async fn send(server: &Server, bytes: &[u8], close: bool) -> String {
    let mut stream = TcpStream::connect(server.address.strip_prefix("http://").unwrap()).await.unwrap();
    stream.write_all(bytes).await.unwrap();
    if close {
        stream.shutdown().await.unwrap();
    }
    let mut got = Vec::new();
    let mut buffer = [0; 4096];
    while let Ok(Ok(read @ 1..)) = timeout(Duration::from_secs(2), stream.read(&mut buffer)).await {
        got.extend_from_slice(&buffer[..read]);
        if got.windows(4).any(|end| end == b"\r\n\r\n") {
            break;
        }
    }
    String::from_utf8_lossy(&got).into_owned()
}
fn post(server: &Server, headers: &str, body: &str) -> String {
    let token = &server.token;
    format!(
        "POST /api/v1/motorcycles HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {token}\r\nContent-Type: application/json\r\n{headers}\r\n\r\n{body}"
    )
}
fn status(answer: &str) -> &str {
    answer.split(' ').nth(1).unwrap_or("none")
}

on_both_engines!(a_body_cut_off_half_way, async |server| {
    let body = json!({"name": "Courier 3", "final_drive": "chain", "odometer_unit": "mi"}).to_string();
    for length in [body.len() + 1, body.len() + 5000] {
        // The body is whole JSON, but more was announced.
        let answer = send(&server, post(&server, &format!("Content-Length: {length}"), &body).as_bytes(), true).await;
        assert!(matches!(status(&answer), "400" | "none"), "{answer}");
    }
    let half = &body[..body.len() / 2];
    let answer = send(&server, post(&server, &format!("Content-Length: {}", body.len()), half).as_bytes(), true).await;
    assert!(matches!(status(&answer), "400" | "none"), "{answer}");
    let chunk = format!("{:x}\r\n{body}\r\n", body.len());
    let answer = send(&server, post(&server, "Transfer-Encoding: chunked", &chunk).as_bytes(), true).await;
    assert!(matches!(status(&answer), "400" | "none"), "{answer}");
    assert_eq!(server.count("/motorcycles").await, 0);
});

on_both_engines!(a_body_announced_too_large_is_refused_before_it_comes, async |server| {
    let answer = send(&server, post(&server, "Content-Length: 99999999999", "{").as_bytes(), false).await;
    assert_eq!(status(&answer), "413", "{answer}");
});

on_both_engines!(a_body_without_end_is_refused_at_the_limit, async |server| {
    let chunk = format!("{:x}\r\n{}\r\n", 300_000, " ".repeat(300_000));
    let answer = send(&server, post(&server, "Transfer-Encoding: chunked", &chunk.repeat(4)).as_bytes(), false).await;
    assert_eq!(status(&answer), "413", "{answer}");
});

/// What comes back in all, until the server closes or a time is over; the second part is whether it closed.
async fn read_all(stream: &mut TcpStream, longest: Duration) -> (String, bool) {
    let mut got = Vec::new();
    let closed = timeout(longest, stream.read_to_end(&mut got)).await.is_ok();
    (String::from_utf8_lossy(&got).into_owned(), closed)
}
async fn connect(server: &Server) -> TcpStream {
    TcpStream::connect(server.address.strip_prefix("http://").unwrap()).await.unwrap()
}

on_both_engines!(requests_sent_without_waiting_are_answered_in_their_order, async |server| {
    let request = |nth| {
        let path = if nth % 2 == 0 { "motorcycles" } else { "motorcycles/nobody" };
        let last = if nth == 49 { "Connection: close\r\n" } else { "" };
        format!("GET /api/v1/{path} HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {}\r\n{last}\r\n", server.token)
    };
    let text: String = (0..50).map(request).collect::<Vec<_>>().concat();
    let mut stream = connect(&server).await;
    stream.write_all(text.as_bytes()).await.unwrap();
    let (answers, closed) = read_all(&mut stream, Duration::from_secs(30)).await;
    let statuses: Vec<_> = answers.match_indices("HTTP/1.1 ").map(|(at, _)| &answers[at + 9..at + 12]).collect();
    assert_eq!(statuses, ["200", "404"].repeat(25), "{answers}");
    assert!(closed);
});

on_both_engines!(a_client_that_has_said_everything_is_still_answered, async |server| {
    let request = format!("GET /api/v1/motorcycles HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {}\r\n\r\n", server.token);
    let answer = send(&server, request.as_bytes(), true).await;
    // Whoever closes his side may have hung up altogether; then nothing is done for him.
    assert!(matches!(status(&answer), "200" | "none"), "{answer}");
    // Half a head, then nothing more.
    let mut stream = connect(&server).await;
    stream.write_all(&request.as_bytes()[..40]).await.unwrap();
    stream.shutdown().await.unwrap();
    assert!(read_all(&mut stream, Duration::from_secs(5)).await.1, "the server closes");
    server.get("/motorcycles").await.ok();
});

on_both_engines!(a_flood_of_headers_is_refused, async |server| {
    let many = (0..5000).map(|nth| format!("X-{nth}: 1\r\n")).collect::<Vec<_>>().concat();
    let long = format!("X-Long: {}\r\n", "x".repeat(1_000_000));
    for headers in [many, long] {
        let mut stream = connect(&server).await;
        // The server may close before it has read all of it.
        let _ = stream.write_all(format!("GET /api/v1/motorcycles HTTP/1.1\r\nHost: localhost\r\n{headers}\r\n").as_bytes()).await;
        let (answer, closed) = read_all(&mut stream, Duration::from_secs(5)).await;
        assert!(closed && matches!(status(&answer), "431" | "none"), "{answer}");
    }
    server.get("/motorcycles").await.ok();
});

/// Sends a byte a second until the server has had enough, or `longest` is over; gives what it said.
async fn dribble(server: &Server, text: &str, longest: Duration) -> Option<String> {
    let mut stream = connect(server).await;
    let (mut reading, mut writing) = stream.split();
    let end = async {
        let mut got = Vec::new();
        let _ = reading.read_to_end(&mut got).await;
        String::from_utf8_lossy(&got).into_owned()
    };
    let write = async {
        for byte in text.bytes().cycle() {
            if writing.write_all(&[byte]).await.is_err() {
                break;
            }
            tokio::time::sleep(Duration::from_secs(1)).await;
        }
        std::future::pending::<()>().await;
    };
    timeout(longest, async {
        tokio::select! { said = end => said, () = write => String::new() }
    })
    .await
    .ok()
}

on_both_engines!(a_byte_a_second_is_too_slow, async |server| {
    let began = std::time::Instant::now();
    let head = dribble(&server, "GET /api/v1/motorcycles HTTP/1.1\r\nHost: localhost\r\nX-Slow: ", Duration::from_secs(50));
    let many = futures_util::future::join_all((0..20).map(|_| dribble(&server, "GET / HTTP/1.1\r\nX-", Duration::from_secs(50))));
    let (head, many) = tokio::join!(head, many);
    assert!(head.is_some() && many.iter().all(Option::is_some), "the server hangs up on them");
    assert!(began.elapsed() > Duration::from_secs(20), "but not at once: {:?}", began.elapsed());
    server.get("/motorcycles").await.ok();
});

on_both_engines!(http_2_is_not_spoken, async |server| {
    // The preface of RFC 9113, section 3.4, empty settings, then a thousand streams that are each opened and reset at once.
    let mut rapid = b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n\0\0\0\x04\0\0\0\0\0".to_vec();
    for stream in (1..2000_u32).step_by(2) {
        let id = stream.to_be_bytes();
        // GET / by the static table of RFC 7541: method, scheme, path.
        rapid.extend([&b"\0\0\x03\x01\x05"[..], &id, b"\x82\x86\x84", b"\0\0\x04\x03\0", &id, b"\0\0\0\x08"].concat());
    }
    let mut stream = connect(&server).await;
    let _ = stream.write_all(&rapid).await;
    let (answer, closed) = read_all(&mut stream, Duration::from_secs(5)).await;
    assert!(closed && matches!(status(&answer), "400" | "505" | "none"), "{answer}");
    // Nor is it changed over to.
    let upgrade = "GET /healthz HTTP/1.1\r\nHost: localhost\r\nConnection: Upgrade, HTTP2-Settings, close\r\nUpgrade: h2c\r\nHTTP2-Settings: AAMAAABkAAQAAP__\r\n\r\n";
    assert_eq!(status(&send(&server, upgrade.as_bytes(), false).await), "200");
    server.get("/motorcycles").await.ok();
});

on_both_engines!(what_is_no_http, async |server| {
    for bytes in [&b"\x16\x03\x01\x02\x00\x01\x00"[..], b"nonsense\r\n\r\n", b"GET / HTTP/9.9\r\n\r\n", b"\0\0\0\0"] {
        let answer = send(&server, bytes, true).await;
        assert!(matches!(status(&answer), "400" | "505" | "none"), "{answer}");
    }
    let long = format!("GET /api/v1/motorcycles?q={} HTTP/1.1\r\nHost: a\r\n\r\n", "x".repeat(100_000));
    let answer = send(&server, long.as_bytes(), false).await;
    assert!(matches!(status(&answer), "401" | "414" | "431"), "{answer}");
    server.get("/motorcycles").await.ok();
});

/// The head of a request with the token, and no more of its body than nothing.
fn announced(server: &Server) -> String {
    let headers = "Content-Type: multipart/form-data; boundary=b\r\nContent-Length: 1000";
    format!("POST /api/v1/attachments HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {}\r\n{headers}\r\n\r\n", server.token)
}

on_both_engines!(so_many_files_come_at_once_and_no_more, async |server| {
    let mut under_way = Vec::new();
    for _ in 0..32 {
        let mut stream = connect(&server).await;
        stream.write_all(announced(&server).as_bytes()).await.unwrap();
        under_way.push(stream);
    }
    tokio::time::sleep(Duration::from_secs(1)).await;
    assert_eq!(status(&send(&server, announced(&server).as_bytes(), false).await), "503");
    server.get("/motorcycles").await.ok();
    drop(under_way);
    tokio::time::sleep(Duration::from_secs(1)).await;
    assert_eq!(status(&send(&server, announced(&server).as_bytes(), true).await), "400", "there is room again");
});

on_both_engines!(who_takes_in_nothing_is_let_go, async |server| {
    let mut stream = connect(&server).await;
    // More than the system keeps for both ends of a connection: some 80 MB.
    stream.write_all("GET /api/v1/openapi.json HTTP/1.1\r\nHost: localhost\r\n\r\n".repeat(100).as_bytes()).await.unwrap();
    tokio::time::sleep(Duration::from_secs(40)).await;
    let (answers, closed) = read_all(&mut stream, Duration::from_secs(20)).await;
    let whole = answers.matches("HTTP/1.1 200").count();
    assert!(closed && whole < 100, "{whole} answers came after all");
    server.get("/motorcycles").await.ok();
});
