//! A history packet comes into another workshop as one motorcycle: the same history, the same distance, what is due by the rules there.
use reqwest::Method;
use serde_json::{Value, json};
use witnessmark::{actions::check, cli::demo};

use crate::{
    harness::{Answer, Engine, Server, on_both_engines, server},
    packet::lived,
};

async fn send(server: &Server, query: &str, packet: &str) -> Answer {
    let request = server.request(Method::POST, &format!("/imports?kind=packet{query}")).header("content-type", "application/json");
    server.send(request.body(packet.to_owned())).await
}
async fn packet(server: &Server, bike: &str) -> String {
    let answer = server.get(&format!("{bike}/packet")).await;
    assert_eq!(answer.status, 200, "{}", answer.text);
    answer.text
}
fn is_id(text: &str) -> bool {
    text.len() == 36
        && text
            .bytes()
            .enumerate()
            .all(|(place, byte)| if [8, 13, 18, 23].contains(&place) { byte == b'-' } else { byte.is_ascii_hexdigit() })
}
/// The value with every id replaced by a number in the order of their first appearance, so that two packets can be compared.
fn without_ids(value: &Value, seen: &mut Vec<String>) -> Value {
    match value {
        Value::String(text) if is_id(text) => {
            let place = seen.iter().position(|known| known == text).unwrap_or_else(|| {
                seen.push(text.clone());
                seen.len() - 1
            });
            format!("id {place}").into()
        }
        Value::Array(items) => items.iter().map(|item| without_ids(item, seen)).collect(),
        Value::Object(fields) => {
            fields.iter().map(|(name, value)| (name.clone(), without_ids(value, seen))).collect::<serde_json::Map<_, _>>().into()
        }
        other => other.clone(),
    }
}
/// What a packet says of the history, without ids and hashes.
fn history(packet: &str) -> Vec<Value> {
    let packet: Value = serde_json::from_str(packet).unwrap();
    let mut seen = vec![packet["motorcycle"]["id"].as_str().unwrap().to_owned()];
    packet["entries"].as_array().unwrap().iter().map(|link| without_ids(&link["entry"], &mut seen)).collect()
}

/// Takes a motorcycle's packet into another workshop and compares what both say.
async fn comes_out_the_same(from: &Server, bike: &str, to: &Server) -> String {
    let given = packet(from, bike).await;
    let tried = send(to, "&dry_run=true", &given).await.ok();
    assert_eq!((&tried["dry_run"], &tried["created"]), (&json!(true), &json!(0)), "{tried}");
    assert!(tried["rows"].as_array().unwrap().iter().all(|row| row["result"] == "new"), "{tried}");
    let done = send(to, "", &given).await.with(201);
    let entries = history(&given).len();
    assert_eq!(done["created"], entries + 1);
    let own = format!("/motorcycles/{}", done["motorcycle_id"].as_str().unwrap());
    let again = packet(to, &own).await;
    for (entry, other) in history(&given).iter().zip(&history(&again)) {
        assert_eq!(entry, other);
    }
    assert_eq!(entries, history(&again).len());
    let (theirs, ours): (Value, Value) = (serde_json::from_str(&given).unwrap(), serde_json::from_str(&again).unwrap());
    assert_eq!(theirs["distance"], ours["distance"]);
    let key = theirs["signature"]["key"]["kid"].as_str().unwrap();
    let (bike, words) = (to.get(&own).await.ok(), ours["not_known"]["in_words"].to_string());
    assert!(bike["notes"].as_str().unwrap().contains(key) && words.contains(key), "{bike} {words}");
    own
}

on_both_engines!(a_lived_motorcycle_comes_out_the_same, async |server| {
    let bike = lived(&server).await;
    let other = server.other_workshop();
    let rule = json!({"name": "Chain", "component": "drive_chain", "operation": "adjust", "every": {"distance": {"value": 600, "unit": "mi"}, "months": 12}});
    for workshop in [&server, &other] {
        workshop.post("/interval-rules", &rule).await.created();
    }
    let own = comes_out_the_same(&server, &bike, &other).await;
    // What is due by a rule that is there comes out as where it came from.
    let (theirs, ours) = (server.all(&format!("{bike}/due")).await, other.all(&format!("{own}/due")).await);
    let of_rule = |items: &[Value]| items.iter().find(|item| item["component"] == "drive_chain").cloned().unwrap();
    let (theirs, ours) = (of_rule(&theirs), of_rule(&ours));
    for name in ["due_from", "status", "because", "remaining"] {
        assert_eq!(theirs[name], ours[name], "{name}");
    }
    // A struck-out reading stays struck out, the replaced odometer counts on.
    let readings = other.all(&format!("{own}/odometer-readings")).await;
    assert!(readings.iter().any(|reading| reading["struck_out"]["reason"] == "another motorcycle"), "{readings:?}");
    assert_eq!(other.get(&own).await.ok()["odometer"]["reading"].to_string(), "120.50");
    let checked = check::check(&server.app.store).await.unwrap();
    assert!(checked.differences.is_empty(), "{:#?}", checked.differences);
});

on_both_engines!(the_demo_comes_out_the_same, async |server| {
    let (_, _, token) = demo::fill(&server.app).await.unwrap();
    let (demo, other) = (server.with_token(&token), server.other_workshop());
    let bikes = demo.all("/motorcycles").await;
    assert!(bikes.len() > 3);
    for bike in &bikes {
        comes_out_the_same(&demo, &format!("/motorcycles/{}", bike["id"].as_str().unwrap()), &other).await;
    }
    let checked = check::check(&server.app.store).await.unwrap();
    assert!(checked.differences.is_empty(), "{:#?}", checked.differences);
});

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn from_one_engine_to_the_other() {
    server::run(Engine::Sqlite, async |sqlite| {
        let bike = lived(&sqlite).await;
        server::run(Engine::Postgres, async |postgres| {
            let own = comes_out_the_same(&sqlite, &bike, &postgres).await;
            // And back: it is another motorcycle by then, with two packets behind it.
            let back = comes_out_the_same(&postgres, &own, &sqlite.other_workshop()).await;
            assert_ne!(back, own);
        })
        .await;
    })
    .await;
}

on_both_engines!(a_part_from_another_motorcycle_brings_what_it_ran_there, async |server| {
    let far = server.other_workshop();
    let (donor, bike) = (server.motorcycle(json!({"name": "Donor"})).await, server.motorcycle(json!({"name": "Ledger"})).await);
    let new = json!({"on": "2025-01-10", "odometer": 1000, "fitted": [{"component": "tire", "position": "rear", "description": "Tour"}]});
    let part = server.post(&format!("{donor}/service-events"), &new).await.created()["fitted"][0]["installed_part_id"].clone();
    let off = json!({"on": "2025-03-10", "odometer": 2500, "removed": [{"installed_part_id": part, "reason": "for another"}]});
    server.post(&format!("{donor}/service-events"), &off).await.created();
    let on = json!({"on": "2025-04-10", "odometer": 7000, "confirmed": true, "fitted": [{"installed_part_id": part, "position": "rear"}]});
    server.post(&format!("{bike}/service-events"), &on).await.created();
    server.reading(&bike, "2026-05-01", 7900).await.created();
    let run = async |server: &Server, bike: &str| {
        let parts = server.all(&format!("{bike}/installed-parts")).await;
        (parts[0]["part_distance"]["value"].clone(), parts[0]["condition"].clone())
    };
    assert_eq!(run(&server, &bike).await, (json!(2400), json!("new")), "1,500 mi there and 900 mi here");
    let packet = packet(&server, &bike).await;
    let imported = send(&far, "", &packet).await.with(201);
    let there = format!("/motorcycles/{}", imported["motorcycle_id"].as_str().unwrap());
    assert_eq!(run(&far, &there).await, (json!(2400), json!("used")), "fitted again: not the fitting of a new one");
});

on_both_engines!(only_as_it_was_made, async |server| {
    let bike = lived(&server).await;
    let other = server.other_workshop();
    let good = packet(&server, &bike).await;
    for (from, to, said) in [
        ("R. Moss", "R. Most", "Entry 4 of 2 May 2026 was changed."),
        ("18250", "8250", "What stands before the entries was changed."),
        ("witnessmark-packet", "x", "This is no history packet"),
        ("\"version\":1", "\"version\":2", "version 1 is"),
    ] {
        assert!(good.contains(from), "{from}");
        for query in ["", "&dry_run=true"] {
            let answer = send(&other, query, &good.replace(from, to)).await;
            assert_eq!(answer.status, if query.is_empty() { 422 } else { 200 });
            let told = answer.body["rows"][0]["errors"][0]["detail"].as_str().unwrap().to_owned();
            assert!(told.contains(said), "{told}");
        }
    }
    // The last entry cut off, and a signature by another key.
    let mut cut: Value = serde_json::from_str(&good).unwrap();
    cut["entries"].as_array_mut().unwrap().pop();
    let stranger = other.motorcycle(json!({})).await;
    let mut signed: Value = serde_json::from_str(&good).unwrap();
    signed["signature"] = serde_json::from_str::<Value>(&packet(&other, &stranger).await).unwrap()["signature"].take();
    for wrong in [cut, signed] {
        let told = send(&other, "", &wrong.to_string()).await.with(422);
        assert_eq!(told["created"], 0, "{told}");
    }
    send(&other, "", "{\"format\": ").await.problem(400);
    send(&other, "", "[]").await.with(422);
    let csv = other.request(Method::POST, "/imports?kind=packet").header("content-type", "text/csv").body(good.clone());
    other.send(csv).await.problem(415);
    let json = other.request(Method::POST, "/imports?kind=motorcycles").header("content-type", "application/json").body(good.clone());
    other.send(json).await.problem(415);
    assert_eq!(other.count("/motorcycles").await, 1, "nothing was stored");
    // The workshop's own motorcycle needs no import.
    let own = send(&server, "", &good).await.with(422);
    assert!(own["rows"][0]["errors"][0]["detail"].as_str().unwrap().contains("This workshop made the packet itself"), "{own}");
});

on_both_engines!(once_and_no_second_time, async |server| {
    let bike = lived(&server).await;
    let other = server.other_workshop();
    let first = packet(&server, &bike).await;
    let done = send(&other, "", &first).await.with(201);
    let remarks = done["remarks"].to_string();
    assert!(remarks.contains("does not hold the owner, prices"), "{remarks}");
    let again = send(&other, "", &first).await.with(201);
    assert_eq!((&again["created"], &again["motorcycle_id"]), (&json!(0), &done["motorcycle_id"]));
    assert!(again["rows"].as_array().unwrap().iter().all(|row| row["result"] == "same"));
    assert_eq!(other.count("/motorcycles").await, 1);
    // A later, longer packet adds nothing by itself: it says what to do.
    server.reading(&bike, "2026-06-01", 400).await.created();
    let later = packet(&server, &bike).await;
    let refused = send(&other, "", &later).await.with(422);
    let told = refused["rows"][0]["errors"][0]["detail"].as_str().unwrap();
    assert!(told.contains("(4 entries)") && told.contains("has 5 entries") && told.contains("archive Courier 3"), "{told}");
    let own = format!("/motorcycles/{}", done["motorcycle_id"].as_str().unwrap());
    other.remove(&own).await;
    let new = send(&other, "", &later).await.with(201);
    assert_ne!(new["motorcycle_id"], done["motorcycle_id"]);
    // The first one is still known, though archived.
    assert_eq!(send(&other, "", &first).await.with(201)["motorcycle_id"], done["motorcycle_id"]);
    // An export holds where it came from.
    let export = other.get("/export").await.text;
    assert_eq!(export.lines().filter(|line| line.contains("\"packet_import\"")).count(), 2);
});

on_both_engines!(a_motorcycle_with_the_same_vin_is_in_the_way, async |server| {
    let bike = server.motorcycle(json!({"vin": "1M8GDM9AXKP042788"})).await;
    let other = server.other_workshop();
    other.motorcycle(json!({"name": "Ferry", "vin": "1m8gdm9axkp042788"})).await;
    let told = send(&other, "", &packet(&server, &bike).await).await.with(422);
    assert!(told["rows"][0]["errors"][0]["detail"].as_str().unwrap().starts_with("Ferry is here with the same VIN."), "{told}");
});

/// A motorcycle with one of everything that a history can hold.
async fn eventful(server: &Server) -> String {
    let component = json!({"key": "side_stand_switch", "name": "Side stand switch", "part": true});
    server.post("/components", &component).await.created();
    let bike = server.motorcycle(json!({"odometer_unit": "km", "distance_status": "not_actual"})).await;
    let log = async |event: Value| server.post(&format!("{bike}/service-events"), &event).await.created();
    server.reading(&bike, "2023-01-10", 100).await.created();
    server.post(&format!("{bike}/hour-readings"), &json!({"on": "2023-01-10", "reading": 12.5})).await.created();
    let first = log(json!({"on": "2023-05-01", "odometer": 4000, "hours": 80, "performed_by": "R. Moss", "summary": "First",
        "fitted": [{"component": "brake_pads", "position": "front", "description": "First set"},
            {"component": "side_stand_switch", "single_use": true, "description": "Switch"},
            {"component": "tire", "position": "rear", "date_code": "0923", "condition": "used", "prior_distance": 1200}],
        "follow_ups": [{"text": "Look at the fork", "component": "fork_seal", "in": {"distance": 500, "months": 2}}, {"text": "Paint"}]}))
    .await;
    let part = |place: usize| first["fitted"][place]["installed_part_id"].clone();
    // One thing left is done later, the other dropped.
    log(json!({"on": "2023-07-01", "follow_ups_done": [first["follow_ups"][0]["id"]], "work": [{"component": "fork_seal", "operation": "inspect"}]})).await;
    let other = first["follow_ups"][1]["id"].as_str().unwrap();
    server.change(&format!("/follow-ups/{other}"), &json!({"status": "dropped", "reason": "Sold as it is"})).await.ok();
    // A part made room for one that was fitted outside a service; it came back from the shelf, and went for good.
    let fit = json!({"component": "brake_pads", "position": "front", "description": "Second set", "on": "2023-08-01", "odometer": 6000});
    let second = server.post(&format!("{bike}/installed-parts"), &fit).await.created();
    let back = json!({"installed_part_id": part(0), "position": "front", "on": "2023-09-01", "odometer": 7000});
    server.post(&format!("{bike}/installed-parts"), &back).await.created();
    let take_off = json!({"on": "2023-10-01", "odometer": 8000, "removed": [{"installed_part_id": part(0), "reason": "worn"}],
        "fitted": [{"installed_part_id": second["id"], "position": "front"}]});
    log(take_off).await;
    let value = json!({"component": "tire", "position": "rear", "quantity": "tread_depth", "readings": [4.2, 4.0], "unit": "mm",
        "on": "2023-10-05", "odometer": 8200});
    server.post(&format!("{bike}/measured-values"), &value).await.created();
    // Struck out with all that it did.
    let wrong = log(json!({"on": "2023-11-01", "odometer": 9000, "hours": 150, "summary": "Another motorcycle's",
        "fitted": [{"component": "tire", "position": "rear", "description": "Not ours"}],
        "removed": [{"installed_part_id": part(1), "reason": "broken"}],
        "measured": [{"component": "tire", "position": "rear", "quantity": "tread_depth", "readings": [8], "unit": "mm"}]}))
    .await;
    server.remove(&format!("/service-events/{}?reason=another+motorcycle", wrong["id"].as_str().unwrap())).await;
    // Both instruments were replaced, one went round.
    let change = json!({"on": "2024-02-01", "kind": "replaced", "old_final": 10000, "new_start": 5, "reason": "Worn"});
    server.post(&format!("{bike}/odometers"), &change).await.created();
    let change = json!({"on": "2024-02-01", "kind": "replaced", "old_final": 200, "new_start": 0});
    server.post(&format!("{bike}/hour-meters"), &change).await.created();
    // Two services of one day, one without a reading; the second is signed and amended.
    log(json!({"on": "2024-06-01", "odometer": 900, "work": [{"component": "engine_oil", "operation": "replace", "note": "Warm"}],
        "filled": [{"component": "engine_oil", "description": "10W-40", "quantity": {"value": 2.60, "unit": "L"}}],
        "as_found": [{"component": "engine_oil", "text": "Black"}], "labor_minutes": 40, "cost": {"amount": "84.50", "currency": "EUR"}}))
    .await;
    let signed =
        log(json!({"on": "2024-06-01", "summary": "Second of the day", "work": [{"component": "drive_chain", "operation": "adjust"}]}))
            .await;
    let path = format!("/service-events/{}", signed["id"].as_str().unwrap());
    server.post(&format!("{path}/signature"), &json!({"statement": "Done"})).await.created();
    for text in ["One", "Two"] {
        server.post(&format!("{path}/amendments"), &json!({"text": text})).await.created();
    }
    bike
}

on_both_engines!(one_of_everything_comes_out_the_same, async |server| {
    let other = server.other_workshop();
    let bike = eventful(&server).await;
    for rule in [
        json!({"name": "Oil", "component": "engine_oil", "operation": "replace", "every": {"distance": {"value": 6000, "unit": "km"}, "months": 12}}),
        json!({"name": "Tire", "component": "tire", "position": "rear", "operation": "replace", "every": {"months": 60}}),
        json!({"name": "Chain", "component": "drive_chain", "operation": "adjust", "every": {"distance": {"value": 800, "unit": "km"}}}),
    ] {
        for workshop in [&server, &other] {
            workshop.post("/interval-rules", &rule).await.created();
        }
    }
    let own = comes_out_the_same(&server, &bike, &other).await;
    for list in [
        "installed-parts",
        "installed-parts?removed=true",
        "measured-values",
        "odometers",
        "hour-meters",
        "hour-readings",
        "odometer-readings",
        "service-events",
        "due",
        "due?as_of=2024-01-01",
    ] {
        let what = |items: Vec<Value>| {
            let mut seen = Vec::new();
            let mut text = without_ids(&items.into(), &mut seen);
            // A price stays behind; what a day's distance needed to be let through is not in the packet; and the other workshop's rules are its own.
            for item in text.as_array_mut().unwrap() {
                for field in ["cost", "confirmed", "rule_id"] {
                    item.as_object_mut().unwrap().remove(field);
                }
            }
            text
        };
        let (theirs, ours) = (server.all(&format!("{bike}/{list}")).await, other.all(&format!("{own}/{list}")).await);
        assert!(!theirs.is_empty(), "{list} holds something");
        assert_eq!(what(theirs), what(ours), "{list}");
    }
    let done = send(&other, "", &packet(&server, &bike).await).await.with(201);
    assert_eq!(done["created"], 0);
    let name = other.all("/components").await.into_iter().find(|component| component["key"] == "side_stand_switch").unwrap();
    assert_eq!((&name["name"], &name["part"]), (&json!("Side stand switch"), &json!(true)));
    // On either side the part that came off may be fitted again, and the last service be struck out: nothing hangs in the air.
    let events = other.all(&format!("{own}/service-events")).await;
    let plain = events.iter().find(|event| event["signature"].is_null() && event["struck_out"].is_null()).unwrap();
    assert_eq!(other.remove(&format!("/service-events/{}?reason=typed+twice", plain["id"].as_str().unwrap())).await.status, 204);
    let checked = check::check(&server.app.store).await.unwrap();
    assert!(checked.differences.is_empty(), "{:#?}", checked.differences);
});
