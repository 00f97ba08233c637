//! `/metrics`: the numbers for a monitoring system.
use serde_json::json;

use crate::harness::on_both_engines;

on_both_engines!(requests_are_counted_by_route, async |server| {
    let bike = server.motorcycle(json!({"name": "Quiet Heron"})).await;
    server.get(&bike).await.ok();
    server.get("/motorcycles/nobody").await.problem(404);
    let answer = reqwest::get(format!("{}/metrics", server.address)).await.unwrap();
    assert_eq!(answer.headers()["content-type"], "text/plain; version=0.0.4; charset=utf-8");
    let text = answer.text().await.unwrap();
    for line in [
        "witnessmark_http_requests_total{method=\"POST\",route=\"/api/v1/motorcycles\",status=\"201\"} 1",
        "witnessmark_http_requests_total{method=\"GET\",route=\"/api/v1/motorcycles/{id}\",status=\"200\"} 1",
        "witnessmark_http_requests_total{method=\"GET\",route=\"/api/v1/motorcycles/{id}\",status=\"404\"} 1",
        "witnessmark_http_request_duration_seconds_count{method=\"GET\",route=\"/api/v1/motorcycles/{id}\"} 2",
        "witnessmark_http_requests_in_flight 1",
    ] {
        assert!(text.lines().any(|has| has == line), "{line} is missing from\n{text}");
    }
    // No id, no name, no secret.
    for leak in [bike.trim_start_matches("/motorcycles/"), "Heron", "wmk_", "nobody"] {
        assert!(!text.contains(leak), "{leak}: {text}");
    }
});
