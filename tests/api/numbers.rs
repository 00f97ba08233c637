//! `/metrics`: the numbers for a monitoring system.
use std::collections::{HashMap, HashSet};

use serde_json::json;
use time::Duration;

use super::mail::{note, queue, send, through};
use super::smtp::{Fault, MailServer, Step};
use crate::harness::{Server, on_both_engines, server::now};

/// One sample: its name, its labels and its value.
type Sample = (String, Vec<(String, String)>, f64);

fn is_name(text: &str, colon: bool) -> bool {
    let good = |letter: char| letter.is_ascii_alphanumeric() || letter == '_' || colon && letter == ':';
    !text.is_empty() && text.chars().all(good) && !text.starts_with(|first: char| first.is_ascii_digit())
}

/// `{name="value",…}` with its escapes; gives the labels and what stands behind them.
fn labels(text: &str) -> (Vec<(String, String)>, &str) {
    let Some(mut rest) = text.strip_prefix('{') else { return (Vec::new(), text) };
    let mut labels = Vec::new();
    while !rest.starts_with('}') {
        let (name, behind) = rest.split_once("=\"").expect("a label has a quoted value");
        assert!(is_name(name, false), "{name:?} is a label's name");
        let (mut value, mut letters) = (String::new(), behind.char_indices());
        let end = loop {
            match letters.next().expect("the value ends") {
                (at, '"') => break at,
                (_, '\\') => value.push(match letters.next() {
                    Some((_, '\\')) => '\\',
                    Some((_, '"')) => '"',
                    Some((_, 'n')) => '\n',
                    other => panic!("{other:?} is no escape"),
                }),
                (_, letter) => value.push(letter),
            }
        };
        labels.push((name.to_owned(), value));
        rest = &behind[end + 1..];
        rest = rest.strip_prefix(',').unwrap_or(rest);
    }
    (labels, &rest[1..])
}

/// The text format, version 0.0.4: each metric's HELP and TYPE once and before its samples, which stand together; names, labels and values
/// as they may be; no sample twice; the classes of a histogram cumulative, the last as much as its count. Source: the exposition formats'
/// page of the Prometheus documentation.
fn parse(text: &str) -> (HashMap<String, String>, Vec<Sample>) {
    assert!(text.ends_with('\n'), "the last line ends too");
    let (mut types, mut samples, mut seen) = (HashMap::new(), Vec::<Sample>::new(), HashSet::new());
    let mut current = String::new();
    for line in text.lines() {
        if let Some(about) = line.strip_prefix("# HELP ") {
            let (name, help) = about.split_once(' ').expect("a name and a text");
            assert!(is_name(name, true) && !help.is_empty(), "{line}");
            assert!(seen.insert(name.to_owned()), "{name} begins twice");
            name.clone_into(&mut current);
        } else if let Some(about) = line.strip_prefix("# TYPE ") {
            let (name, kind) = about.split_once(' ').expect("a name and a type");
            assert!(name == current && ["counter", "gauge", "histogram", "summary"].contains(&kind), "{line}");
            assert!(types.insert(name.to_owned(), kind.to_owned()).is_none(), "{name} has one type");
        } else {
            let end = line.find(['{', ' ']).expect("a name and a value");
            let (name, rest) = line.split_at(end);
            let (labels, value) = labels(rest);
            let value: f64 = value.strip_prefix(' ').expect("a space").parse().expect("a number");
            let kind = types.get(&current).map_or("", String::as_str);
            let endings: &[&str] = match kind {
                "histogram" => &["_bucket", "_sum", "_count"],
                "summary" => &["_sum", "_count"],
                _ => &[""],
            };
            assert!(is_name(name, true) && endings.iter().any(|ending| format!("{current}{ending}") == name), "{line} of {current}");
            assert!(kind != "counter" || name.ends_with("_total"), "{line}");
            assert!(!samples.iter().any(|known| known.0 == name && known.1 == labels), "{line} is there twice");
            samples.push((name.to_owned(), labels, value));
        }
    }
    for name in types.iter().filter(|(_, kind)| *kind == "histogram").map(|(name, _)| name) {
        histogram(name, &samples);
    }
    (types, samples)
}
fn histogram(name: &str, samples: &[Sample]) {
    let counts = samples.iter().filter(|sample| sample.0 == format!("{name}_count"));
    for (_, labels, count) in counts {
        let of_series = |sample: &&Sample| sample.0 == format!("{name}_bucket") && labels.iter().all(|label| sample.1.contains(label));
        let classes: Vec<_> = samples.iter().filter(of_series).collect();
        let bound = |sample: &Sample| {
            let text = &sample.1.iter().find(|label| label.0 == "le").expect("a class has a bound").1;
            if text == "+Inf" { f64::INFINITY } else { text.parse().expect("a number") }
        };
        assert!(classes.is_sorted_by(|one, next| bound(one) < bound(next) && one.2 <= next.2), "{classes:?}");
        let last = classes.last().expect("there are classes");
        assert!(bound(last).is_infinite() && (last.2 - count).abs() < 0.5, "{last:?}, {count}");
    }
}
async fn scrape(server: &Server) -> Vec<Sample> {
    parse(&reqwest::get(format!("{}/metrics", server.address)).await.unwrap().text().await.unwrap()).1
}
fn value(samples: &[Sample], name: &str) -> f64 {
    samples.iter().find(|sample| sample.0 == name).unwrap_or_else(|| panic!("{name} is missing")).2
}

on_both_engines!(what_waits_and_what_failed_is_counted, async |server| {
    let hooks = server.allowing_private_webhooks().await;
    hooks.post("/webhooks", &json!({"url": "http://127.0.0.1:9/", "events": ["service.logged"]})).await.created();
    let bike = server.motorcycle(json!({})).await;
    let before = scrape(&server).await;
    let count = |samples: &[Sample], name: &str| format!("{}", value(samples, name));
    for name in ["witnessmark_letters_pending", "witnessmark_letters_given_up", "witnessmark_webhook_deliveries_pending"] {
        assert_eq!(count(&before, name), "0", "{name}");
    }
    assert_eq!(count(&before, "witnessmark_database_up"), "1");
    assert!(value(&before, "witnessmark_database_bytes") > 100_000.0);
    let rebuilds = value(&before, "witnessmark_due_rebuild_seconds_count");
    let event = json!({"on": "2026-06-01", "odometer": 100, "work": [{"component": "engine_oil", "operation": "replace"}]});
    server.post(&format!("{bike}/service-events"), &event).await.created();
    for _ in 0..2 {
        queue(&server.app, note("ada@example.org")).await;
    }
    let after = scrape(&server).await;
    assert_eq!(count(&after, "witnessmark_letters_pending"), "2");
    assert_eq!(count(&after, "witnessmark_webhook_deliveries_pending"), "1");
    assert!(value(&after, "witnessmark_due_rebuild_seconds_count") > rebuilds);
    assert!(value(&after, "witnessmark_due_rebuild_seconds_sum") > 0.0);
    // One is refused for good, the other waits.
    let mail = MailServer::start().await;
    mail.next([Fault::Answer(Step::Rcpt, "550 5.1.1 no such mailbox")]);
    mail.next([Fault::Answer(Step::Rcpt, "450 4.2.0 later")]);
    assert_eq!(send(&server, now() + Duration::seconds(1), &through(&mail)).await, 2);
    let failed = scrape(&server).await;
    assert_eq!(count(&failed, "witnessmark_letters_given_up"), "1");
    assert_eq!(count(&failed, "witnessmark_letters_pending"), "1");
});

on_both_engines!(the_numbers_follow_the_text_format, async |server| {
    // What a client makes up must not get into a label as it is.
    let odd = reqwest::Method::from_bytes(b"BREW").unwrap();
    let _ = reqwest::Client::new().request(odd, format!("{}/a%22%0a\\b", server.address)).send().await;
    server.get("/motorcycles").await.ok();
    let samples = scrape(&server).await;
    let info = samples.iter().find(|sample| sample.0 == "witnessmark_build_info").expect("build info");
    assert_eq!(info.1, [("version".to_owned(), env!("CARGO_PKG_VERSION").to_owned())]);
    let outcomes: Vec<_> = samples.iter().filter(|sample| sample.0 == "witnessmark_letter_tries_total").collect();
    assert_eq!(outcomes.len(), 3);
});

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
