//! Whatever bytes strangers send to the parsers behind HTTP: bodies, forms in parts, cursors, merge patches, addresses. Each answer is one
//! that the document promises (the harness looks), none is the server's fault, and nothing of it is stored.
use proptest::{collection::vec, prelude::*, strategy::ValueTree, test_runner::TestRunner};
use reqwest::Method;
use serde_json::{Map, Value, json};

use crate::harness::{Server, on_both_engines};

/// So many samples of a strategy, the same ones every time.
fn samples<T>(count: usize, strategy: &impl Strategy<Value = T>) -> Vec<T> {
    let mut runner = TestRunner::deterministic();
    (0..count).map(|_| strategy.new_tree(&mut runner).expect("a sample").current()).collect()
}
/// Bytes among which those that mean something come often.
fn bytes(laced: &'static [u8], most: usize) -> impl Strategy<Value = Vec<u8>> {
    vec(prop_oneof![proptest::sample::select(laced), any::<u8>()], 0..most)
}
fn json_value() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::Bool),
        any::<i32>().prop_map(Value::from),
        "\\PC{0,8}".prop_map(Value::String)
    ];
    leaf.prop_recursive(3, 24, 4, |inner| {
        let name = proptest::sample::select(&["name", "notes", "make", "odometer_unit", "vin", "other", ""][..]);
        let fields = proptest::collection::btree_map(name, inner.clone(), 0..4);
        prop_oneof![
            vec(inner, 0..4).prop_map(Value::Array),
            fields.prop_map(|map| map.into_iter().map(|(name, value)| (name.to_owned(), value)).collect::<Map<_, _>>().into())
        ]
    })
}
/// Sends it; the answer must not be the server's fault.
async fn send(server: &Server, method: Method, path: &str, kind: &str, body: Vec<u8>) -> u16 {
    let request = server.request(method, path).header("content-type", kind);
    let status = server.send(request.body(body.clone())).await.status;
    assert!(status < 500, "{path} {status} for {:?}", String::from_utf8_lossy(&body));
    status
}

on_both_engines!(bodies_of_any_bytes, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let laced = b"{}[]\":,\\0123456789eE+-. \n\ttruefalsn";
    for (nth, body) in samples(150, &bytes(laced, 80)).into_iter().enumerate() {
        let events = format!("{bike}/service-events");
        let path = [events.as_str(), "/motorcycles", "/limits", "/calculations/balance"][nth % 4];
        let status = send(&server, Method::POST, path, "application/json", body).await;
        assert!(matches!(status, 400 | 422), "{status}");
    }
    assert_eq!((server.count("/motorcycles").await, server.count("/limits").await), (1, 0));
});

on_both_engines!(files_of_any_bytes, async |server| {
    let bike = server.motorcycle(json!({})).await;
    for (nth, file) in samples(150, &bytes(b"on,reading\"\n\r;\t2026-05-02{}:", 200)).into_iter().enumerate() {
        let (kind, format) =
            [("odometer_readings", "text/csv"), ("service_events", "application/x-ndjson"), ("packet", "application/json")][nth % 3];
        send(&server, Method::POST, &format!("/imports?kind={kind}"), format, file).await;
    }
    assert_eq!(server.count(&format!("{bike}/history")).await, 0);
});

on_both_engines!(forms_of_any_parts, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let id = bike.rsplit('/').next().unwrap().to_owned();
    let parts = b"--x\r\n\r\n\r\nContent-Disposition: form-data; name=\"file\"; filename=\"a.png\"\r\n\x89PNG";
    for body in samples(100, &bytes(parts, 300)) {
        let whole =
            [&b"--x\r\nContent-Disposition: form-data; name=\"belongs_to\"\r\n\r\n"[..], id.as_bytes(), b"\r\n", &body, b"\r\n--x--\r\n"]
                .concat();
        for body in [body, whole] {
            let status = send(&server, Method::POST, "/attachments", "multipart/form-data; boundary=x", body).await;
            assert!((400..500).contains(&status), "{status}");
        }
    }
    assert_eq!(server.count("/attachments").await, 0);
});

on_both_engines!(cursors_and_filters_of_any_text, async |server| {
    server.motorcycle(json!({})).await;
    for text in samples(120, &"\\PC{0,40}") {
        let query = encoded(&text);
        for path in ["/motorcycles", "/due", "/limits", "/single-use", "/audit"] {
            let status = server.get(&format!("{path}?cursor={query}")).await.status;
            assert!(status == 422 || text.is_empty() && status == 200, "{path} {status} for {text:?}");
        }
        let found = server.get(&format!("/search?q={query}")).await.status;
        assert!(matches!(found, 200 | 422), "{found} for {text:?}");
    }
});
/// Percent-encoded whole, as a client sends it.
fn encoded(text: &str) -> String {
    text.bytes().map(|byte| format!("%{byte:02x}")).collect()
}

on_both_engines!(patches_of_any_json, async |server| {
    let bike = server.motorcycle(json!({"notes": "Kept dry"})).await;
    let mut changed = 0;
    for patch in samples(200, &json_value()) {
        let before = server.get(&bike).await;
        let answer = server.patch(&bike, &before.etag(), &patch).await;
        assert!(matches!(answer.status, 200 | 400 | 422), "{} for {patch}", answer.status);
        let (was, is) = (before.ok(), server.get(&bike).await.ok());
        if answer.status == 200 {
            // RFC 7396: what the patch names is as it says, the rest is as it was.
            for field in ["name", "notes", "make", "odometer_unit"] {
                match patch.get(field) {
                    None => assert_eq!(is[field], was[field], "{patch}"),
                    Some(Value::String(text)) => assert_eq!(is[field].as_str().map(str::trim), Some(text.trim()), "{patch}"),
                    Some(_) => assert!(is[field].is_null() || is[field] == "", "{patch}"),
                }
            }
            changed += 1;
        } else {
            assert_eq!(was, is, "a refused patch changes nothing: {patch}");
        }
    }
    assert!(changed > 0, "no patch was taken: the samples say nothing");
});
