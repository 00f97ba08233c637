//! What is read of a motorcycle beside its lists: history, job sheet, search, forecast; and that all of it is one workshop's own.
use reqwest::Method;
use serde_json::{Value, json};

use crate::harness::{Server, on_both_engines};

/// A motorcycle with something of everything.
async fn lived(server: &Server) -> (String, Value) {
    let bike = server.motorcycle(json!({})).await;
    let fastener =
        json!({"key": "axle_nut", "name": "Axle nut", "component": "axle", "stages": [{"lower": 90, "upper": 110, "unit": "N.m"}]});
    server.post("/fasteners", &fastener).await.created();
    let rule =
        json!({"name": "Chain", "component": "drive_chain", "operation": "adjust", "every": {"distance": {"value": 500, "unit": "mi"}}});
    server.post("/interval-rules", &rule).await.created();
    server.reading(&bike, "2026-04-01", 11_000).await.created();
    let event = json!({"on": "2026-05-02", "odometer": 12_345, "summary": "Rear wheel out, lantern light",
        "work": [{"component": "drive_chain", "operation": "adjust"}],
        "fitted": [{"component": "tire", "position": "rear", "description": "Touring tire"}],
        "measured": [{"component": "tire", "position": "rear", "quantity": "tread_depth", "readings": [7.5], "unit": "mm"}],
        "tightened": [{"fastener": "axle_nut", "stages": [{"value": 100, "unit": "N.m"}]}],
        "follow_ups": [{"text": "Look at the spacer", "component": "drive_chain"}]});
    let event = server.post(&format!("{bike}/service-events"), &event).await.created();
    (bike, event)
}

on_both_engines!(history_holds_everything_newest_first, async |server| {
    let (bike, event) = lived(&server).await;
    let all = server.all(&format!("{bike}/history?limit=2")).await;
    let kinds: Vec<_> = all.iter().map(|item| item["kind"].as_str().unwrap()).collect();
    for kind in ["service_event", "odometer_reading", "part_fitted", "measured_value"] {
        assert!(kinds.contains(&kind), "{kind} in {kinds:?}");
    }
    assert!(all.windows(2).all(|pair| pair[0]["on"].as_str() >= pair[1]["on"].as_str()), "newest first");
    for item in &all {
        let kind = item["kind"].as_str().unwrap();
        assert!(item[kind].is_object(), "the thing itself is under its kind's name: {item}");
        assert!(item["on"] == "2026-04-01" || item["service_event_id"] == event["id"] || kind == "service_event", "{item}");
    }
    // The same, streamed line by line.
    let request = server.request(Method::GET, &format!("{bike}/history")).header("accept", "application/x-ndjson");
    let streamed = server.send(request).await;
    assert_eq!((streamed.status, streamed.header("content-type")), (200, "application/x-ndjson"));
    let lines: Vec<Value> = streamed.text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(lines, all);
    // What it cannot be given as does not matter: it is JSON then (RFC 9110, 12.5.1).
    let request = server.request(Method::GET, &format!("{bike}/history")).header("accept", "image/png");
    assert_eq!(server.send(request).await.items(), all);
});

on_both_engines!(a_job_sheet_names_what_is_needed, async |server| {
    let (bike, event) = lived(&server).await;
    let due = server.get(&format!("{bike}/due")).await.items();
    let chain = due.iter().find(|item| item["component"] == "drive_chain").unwrap();
    let sheet = server.get(&format!("{bike}/job-sheet?due={}", chain["id"].as_str().unwrap())).await;
    assert!(sheet.text.contains("Look at the spacer"), "what is left for the next time it is open: {}", sheet.text);
    sheet.ok();
    let nobody = format!("{bike}/job-sheet?due=01933b6e-9a44-7cc0-8000-3f2a5c1d9e77,nonsense");
    let answer = server.get(&nobody).await;
    assert!(matches!(answer.status, 404 | 422), "{}", answer.text);
    assert!(event["id"].is_string());
});

on_both_engines!(search_finds_words_and_only_ones_own, async |server| {
    lived(&server).await;
    assert!(server.get("/search?q=lantern").await.text.contains("lantern light"));
    assert!(!server.other_workshop().get("/search?q=lantern").await.text.contains("lantern light"));
    for words in ["%25", "_", "'", "%22", "<script>", "%F0%9F%8F%8D"] {
        // Signs alone are nothing to look for; what is more is looked for as it stands.
        let answer = server.get(&format!("/search?q={words}")).await;
        assert!(matches!(answer.status, 200 | 422), "{words}: {}", answer.text);
    }
    assert_eq!(server.get("/search?q=").await.wrong(), ["/q"]);
    assert_eq!(server.get("/search").await.wrong(), ["/q"]);
});

on_both_engines!(what_a_service_made_is_one_workshops_own, async |server| {
    let (bike, event) = lived(&server).await;
    let other = server.other_workshop();
    let id = |pointer: &str| event.pointer(pointer).unwrap().as_str().unwrap();
    for path in [
        format!("/service-events/{}", id("/id")),
        format!("/installed-parts/{}", id("/fitted/0/installed_part_id")),
        format!("/measured-values/{}", id("/measured/0/id")),
        format!("/follow-ups/{}", id("/follow_ups/0/id")),
    ] {
        let etag = server.get(&path).await.etag();
        other.get(&path).await.problem(404);
        for method in [Method::PATCH, Method::DELETE] {
            let request = other.request(method, &format!("{path}?reason=theirs")).header("if-match", &etag).json(&json!({}));
            let answer = other.send(request).await;
            assert!(matches!(answer.status, 404 | 405), "{}: {}", answer.request, answer.text);
        }
    }
    for below in ["service-events", "installed-parts", "measured-values", "history", "job-sheet", "costs", "due", "forecast", "visits"] {
        server.get(&format!("{bike}/{below}")).await.ok();
        other.get(&format!("{bike}/{below}")).await.problem(404);
    }
    for path in ["signature", "amendments"] {
        let answer = other.post(&format!("/service-events/{}/{path}", id("/id")), &json!({"text": "theirs"})).await;
        answer.problem(404);
    }
    assert_eq!(other.count("/follow-ups").await, 0);
    // Their parts and follow-ups cannot be named here.
    let theirs = other.motorcycle(json!({})).await;
    let part = json!({"on": "2026-05-03", "removed": [{"installed_part_id": id("/fitted/0/installed_part_id")}]});
    assert_eq!(other.post(&format!("{theirs}/service-events"), &part).await.wrong(), ["/removed/0/installed_part_id"]);
    let done = json!({"on": "2026-05-03", "follow_ups_done": [id("/follow_ups/0/id")]});
    assert_eq!(other.post(&format!("{theirs}/service-events"), &done).await.wrong(), ["/follow_ups_done/0"]);
});
