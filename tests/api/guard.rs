//! What keeps the server standing on the internet: how much anybody may ask, whom it believes about addresses, what its answers say about
//! how they may be used.
use serde_json::json;
use witnessmark::access::address::{TrustedProxies, network};

use crate::harness::on_both_engines;

on_both_engines!(too_many_requests_wait_and_are_told_how_long, async |server| {
    let paced = server.like(|app| app.with_pace(Some(5))).await;
    for left in (0..5).rev() {
        let answer = paced.get("/units").await;
        answer.clone().ok();
        assert_eq!(answer.header("ratelimit-policy"), "\"address\";q=5;w=60, \"token\";q=5;w=60");
        assert!(answer.header("ratelimit").starts_with(&format!("\"address\";r={left};t=")), "{}", answer.header("ratelimit"));
    }
    let refused = paced.get("/units").await;
    refused.problem(429);
    let wait: u64 = refused.header("retry-after").parse().expect("seconds");
    assert!((1..=13).contains(&wait), "{wait}");
    // The page is refused in words, and another server has buckets of its own.
    server.get("/units").await.ok();
    let page = reqwest::get(format!("{}/sign-in", paced.address)).await.unwrap();
    assert_eq!(page.status(), 429);
    assert!(page.text().await.unwrap().contains("<!doctype html>"));
    // Unless it is asked for, the machine's own requests are not counted.
    let usual = server.like(|app| app.with_pace(None)).await;
    assert_eq!(usual.get("/units").await.header("ratelimit"), "");
});

on_both_engines!(a_trusted_proxy_says_who_asked, async |server| {
    let address = async |server: &crate::harness::Server| -> serde_json::Value {
        let request = server.request(reqwest::Method::POST, "/owners").header("x-forwarded-for", "203.0.113.9, 198.51.100.7");
        server.send(request.json(&json!({"name": "Ada Birch"}))).await.created();
        server.get("/audit?limit=1").await.items()[0]["address"].clone()
    };
    assert_eq!(address(&server).await, "127.0.0.1");
    let behind = server.like(|app| app.behind(TrustedProxies::new(vec![network("127.0.0.1").unwrap()]))).await;
    assert_eq!(address(&behind).await, "198.51.100.7");
    // Nor does anybody else choose the id under which the log has a request.
    let id = async |server: &crate::harness::Server| {
        let request = server.request(reqwest::Method::GET, "/units").header("x-request-id", "chosen");
        server.send(request).await.header("x-request-id").to_owned()
    };
    assert_eq!(id(&behind).await, "chosen");
    assert_ne!(id(&server).await, "chosen");
});

on_both_engines!(answers_say_how_they_may_be_used, async |server| {
    // CSP Level 3, HSTS (RFC 6797), cookie prefixes (RFC 6265bis): by the specifications.
    let secure = server.like(|app| app.at(Some("https://bikes.example.org".into()))).await;
    for path in ["/sign-in", "/api/v1/units", "/nowhere"] {
        let answer = reqwest::get(format!("{}{path}", secure.address)).await.unwrap();
        let header = |name: &str| answer.headers().get(name).map(|value| value.to_str().unwrap().to_owned()).unwrap_or_default();
        let policy = header("content-security-policy");
        for part in ["default-src 'none'", "frame-ancestors 'none'", "base-uri 'none'", "form-action 'self'"] {
            assert!(policy.contains(part), "{path}: {policy}");
        }
        assert!(!policy.contains("unsafe"), "{policy}");
        assert_eq!((header("x-content-type-options"), header("referrer-policy")), ("nosniff".into(), "same-origin".into()));
        assert!(header("strict-transport-security").contains("max-age=31536000"));
        assert!(header("permissions-policy").contains("geolocation=()"));
        let plain = reqwest::get(format!("{}{path}", server.address)).await.unwrap();
        assert!(plain.headers().get("strict-transport-security").is_none(), "over plain http there is nothing to insist on");
    }
});

// Medians of answers taken in turn differ by less than a quarter: what is somebody else's cannot be told from what is not there. The machine
// may be busy at any time, so one round of five suffices; a difference of the server's would be there in all.
on_both_engines!(what_is_somebody_elses_takes_as_long_as_what_is_not_there, async |server| {
    let own = server.motorcycle(json!({"name": "Own"})).await;
    let others = server.motorcycle(json!({"name": "Somebody else's"})).await;
    let body = json!({"name": "bound", "scopes": ["read"], "motorcycle_id": own.rsplit('/').next().unwrap()});
    let token = server.post("/tokens", &body).await.created()["token"].as_str().unwrap().to_owned();
    let bound = server.with_token(&token);
    bound.get(&own).await.ok();
    let nobodys = "/motorcycles/01933b6e-9a44-7cc0-8000-3f2a5c1d9e77".to_owned();
    let elsewhere = server.other_workshop().motorcycle(json!({"name": "Another workshop's"})).await;
    let mut ratios = Vec::new();
    for _ in 0..5 {
        let mut took = [Vec::new(), Vec::new(), Vec::new()];
        for _ in 0..60 {
            for (path, took) in [&nobodys, &others, &elsewhere].into_iter().zip(&mut took) {
                let from = std::time::Instant::now();
                bound.get(path).await.problem(404);
                took.push(from.elapsed());
            }
        }
        let median = took.map(|mut took| {
            took.sort_unstable();
            took[took.len() / 2].as_secs_f64()
        });
        ratios.push((median[1] / median[0], median[2] / median[0]));
        if [ratios[ratios.len() - 1].0, ratios[ratios.len() - 1].1].iter().all(|ratio| (0.8..1.25).contains(ratio)) {
            return;
        }
    }
    panic!("{ratios:?}");
});
