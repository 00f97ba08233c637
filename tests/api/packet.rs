//! The history packet: what it says, what it leaves out, and a chain that is worked out again here from the text alone.
use std::{path::Path, process::Command};

use reqwest::Method;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use crate::harness::{Answer, Server, on_both_engines};

fn digest(text: &str) -> String {
    Sha256::digest(text.as_bytes()).iter().map(|byte| format!("{byte:02x}")).collect()
}
/// Numbers as strings of their digits; this library sorts names and leaves no blanks by itself.
fn canonical(value: &Value) -> Value {
    match value {
        Value::Number(number) => number.to_string().into(),
        Value::Array(items) => items.iter().map(canonical).collect(),
        Value::Object(fields) => {
            let mut sorted: Vec<_> = fields.iter().collect();
            sorted.sort_by_key(|(name, _)| *name);
            sorted.into_iter().map(|(name, value)| (name.clone(), canonical(value))).collect::<serde_json::Map<_, _>>().into()
        }
        other => other.clone(),
    }
}
fn holds(text: &str) -> bool {
    let mut packet: Value = serde_json::from_str(text).unwrap();
    let entries = packet.as_object_mut().unwrap().remove("entries").unwrap();
    let chain = packet.as_object_mut().unwrap().remove("chain").unwrap();
    packet.as_object_mut().unwrap().remove("signature").unwrap();
    let mut head = digest(&canonical(&packet).to_string());
    let mut right = head == chain["start"];
    for link in entries.as_array().unwrap() {
        right &= link["previous"] == head;
        head = digest(&format!("{head}\n{}", canonical(&link["entry"])));
        right &= link["hash"] == head;
    }
    right && head == chain["head"]
}
async fn as_type(server: &Server, path: &str, accept: &str) -> Answer {
    server.send(server.request(Method::GET, path).header("accept", accept)).await
}

/// A number with these very digits.
fn digits(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}
/// A used motorcycle with a replaced odometer, a service with everything, a struck-out reading.
pub async fn lived(server: &Server) -> String {
    let owner = server.post("/owners", &json!({"name": "Ada Birch", "phone": "555 0100"})).await.id();
    let bike = server
        .motorcycle(json!({"owner_id": owner, "records_begin": {"on": "2024-03-01", "odometer": 18250}, "notes": "Call Ada Birch first", "vin": null}))
        .await;
    server.reading(&bike, "2024-03-01", 18250).await.created();
    let wrong = server.reading(&bike, "2024-04-01", 18300).await.id();
    server.remove(&format!("/odometer-readings/{wrong}?reason=another+motorcycle")).await;
    let change = json!({"on": "2025-03-01", "kind": "replaced", "old_final": 20100, "new_start": 0, "reason": "Drive worn out"});
    server.post(&format!("{bike}/odometers"), &change).await.created();
    let service = json!({"on": "2026-05-02", "odometer": digits("120.50"), "performed_by": "R. Moss", "summary": "Rear wheel out <b>\u{1f3cd}",
        "work": [{"component": "drive_chain", "operation": "adjust"}],
        "fitted": [{"component": "brake_pads", "position": "rear", "description": "Sintered"}],
        "measured": [{"component": "brake_disc", "position": "rear", "quantity": "thickness", "readings": [digits("4.90"), 4.85], "unit": "mm"}],
        "cost": {"amount": "84.50", "currency": "EUR"}, "notes": "Next time the bearings", "internal_notes": "Pays late"});
    let event = server.post(&format!("{bike}/service-events"), &service).await.id();
    server.post(&format!("/service-events/{event}/signature"), &json!({"statement": "Checked on the road"})).await.created();
    server.post(&format!("/service-events/{event}/amendments"), &json!({"text": "Torque was 110 N.m"})).await.created();
    bike
}

on_both_engines!(it_says_what_is_known_and_what_is_not, async |server| {
    let bike = lived(&server).await;
    let answer = server.get(&format!("{bike}/packet")).await;
    let packet = answer.clone().ok();
    let words: Vec<_> = packet["not_known"]["in_words"].as_array().unwrap().iter().map(|word| word.as_str().unwrap().to_owned()).collect();
    assert_eq!(words[0], "The records begin on 1 Mar 2024 at 18,250 mi; what was done before is not known.");
    assert!(words.contains(&"One entry was struck out; it stands below with the reason.".to_owned()), "{words:?}");
    assert_eq!(packet["not_known"]["longest_without_reading"], json!({"from": "2025-03-01", "to": "2026-05-02", "days": 427}));
    let entries = packet["entries"].as_array().unwrap();
    let kinds: Vec<_> = entries.iter().map(|link| link["entry"]["what"]["kind"].as_str().unwrap()).collect();
    assert_eq!(kinds, ["odometer_reading", "odometer_reading", "odometer_replaced", "service_event"]);
    let service = &entries[3]["entry"];
    assert_eq!(service["sum"], "20,100 + 120.5 = 20,220.5 mi");
    assert_eq!((&service["done_on"], &service["entered_at"]), (&json!("2026-05-02"), &json!("2026-06-15T12:00:00Z")));
    assert_eq!(service["what"]["service_event"]["amendments"][0]["text"], "Torque was 110 N.m");
    // Digits as entered.
    assert!(answer.text.contains("120.50") && answer.text.contains("4.90"), "{}", answer.text);
    for left_out in ["Birch", "555 0100", "84.50", "Pays late"] {
        assert!(!answer.text.contains(left_out), "{left_out}: {}", answer.text);
    }
    assert_eq!(server.other_workshop().get(&format!("{bike}/packet")).await.status, 404);
});

on_both_engines!(its_chain_holds_and_breaks, async |server| {
    let bike = lived(&server).await;
    let text = server.get(&format!("{bike}/packet")).await.text;
    assert!(holds(&text));
    for (from, to) in
        [("120.50", "120.5"), ("18250", "8250"), ("R. Moss", "R. Most"), ("Checked on the road", ""), ("witnessmark-packet", "x")]
    {
        assert!(text.contains(from));
        assert!(!holds(&text.replace(from, to)), "{from} became {to} and nothing noticed");
    }
    // One without any entry.
    let empty = server.motorcycle(json!({})).await;
    let text = server.get(&format!("{empty}/packet")).await;
    assert!(holds(&text.text));
    assert_eq!(text.body["not_known"]["in_words"][0], "Nothing is on record.");
});

on_both_engines!(as_a_page_and_as_a_pdf, async |server| {
    let bike = lived(&server).await;
    let path = format!("{bike}/packet");
    let page = as_type(&server, &path, "text/html,application/xhtml+xml,*/*;q=0.8").await;
    assert_eq!((page.status, page.header("content-type")), (200, "text/html; charset=utf-8"));
    let first = page.text.find("What is not known").unwrap();
    assert!(first < page.text.find("Statement of distance").unwrap() && first < page.text.find("Everything on record").unwrap());
    for said in [
        "Done 2 May 2026",
        "entered 15 Jun 2026",
        "20,100 + 120.5 = 20,220.5 mi",
        "Signed off on 15 Jun 2026",
        "Torque was 110 N.m",
        "Struck out on 15 Jun 2026: another motorcycle",
        "The fingerprint of the workshop’s key",
    ] {
        assert!(page.text.contains(said), "{said} is missing: {}", page.text);
    }
    assert!(!page.text.contains("<b>") && !page.text.contains("Birch"), "{}", page.text);
    let known = server.send(server.request(Method::GET, &path).header("accept", "text/html").header("if-none-match", page.etag())).await;
    assert_eq!(known.status, 304);
    let pdf = as_type(&server, &path, "application/pdf").await;
    assert_eq!((pdf.status, pdf.header("content-type")), (200, "application/pdf"));
    assert!(pdf.text.starts_with("%PDF-") && pdf.text.contains("Helvetica") && pdf.text.contains("[U+1F3CD]"));
    assert_ne!(pdf.etag(), page.etag());
    as_type(&server, &path, "image/png").await.problem(406);
});

/// What a program says of a packet on its standard input or in a file: its exit code and its standard output.
fn said(command: &mut Command) -> (Option<i32>, String) {
    let output = command.output().expect("the program starts");
    (output.status.code(), String::from_utf8_lossy(&output.stdout).into_owned())
}

on_both_engines!(it_is_signed_and_two_programs_verify_it, async |server| {
    let bike = lived(&server).await;
    let answer = server.get(&format!("{bike}/packet")).await;
    let (text, key) = (&answer.text, answer.body["signature"]["key"]["kid"].as_str().unwrap());
    // The key stays, and every workshop has its own. It is no part of an export.
    assert_eq!(server.get(&format!("{bike}/packet")).await.text, *text);
    let other = server.other_workshop();
    let stranger = other.motorcycle(json!({})).await;
    assert_ne!(other.get(&format!("{stranger}/packet")).await.body["signature"]["key"]["kid"], key);
    assert!(!server.get("/export").await.text.contains("workshop_key"));

    let folder = tempfile::tempdir().unwrap();
    let (good, bad) = (folder.path().join("good.json"), folder.path().join("bad.json"));
    std::fs::write(&good, text).unwrap();
    std::fs::write(&bad, text.replace("R. Moss", "R. Most")).unwrap();
    let verify = |file: &Path, more: &[&str]| said(Command::new(env!("CARGO_BIN_EXE_witnessmark")).arg("verify").arg(file).args(more));
    let script = |file: &Path| said(Command::new("python3").arg("tests/checks/packet.py").stdin(std::fs::File::open(file).unwrap()));
    let (code, told) = verify(&good, &["--key", key]);
    assert_eq!(code, Some(0), "{told}");
    assert!(told.contains("4 entries") && told.contains(key), "{told}");
    let (code, head) = script(&good);
    assert_eq!((code, json!(head.trim())), (Some(0), answer.body["chain"]["head"].clone()));
    assert_eq!(verify(&bad, &[]), (Some(1), "Entry 4 of 2 May 2026 was changed.\n".into()));
    assert_eq!(script(&bad).0, Some(1));
    // A fingerprint in base64url may begin with a hyphen.
    assert_eq!(verify(&good, &["--key", "-nother"]).0, Some(1));
    std::fs::write(&bad, "[]").unwrap();
    assert_eq!(verify(&bad, &[]).0, Some(3));
    assert_eq!(verify(&folder.path().join("none.json"), &[]).0, Some(3));
    assert_eq!(said(Command::new(env!("CARGO_BIN_EXE_witnessmark")).arg("verify")).0, Some(2));
});
