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
