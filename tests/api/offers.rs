//! Handing on a motorcycle: to another owner of the workshop, and with its history to another workshop.
use reqwest::{Method, multipart};
use serde_json::{Value, json};
use time::Duration;
use witnessmark::actions::check;

use crate::harness::{Server, on_both_engines, server::now};

/// An owner, with a token that sees what they see.
async fn owner(server: &Server, name: &str) -> (String, Server) {
    let id = server.post("/owners", &json!({"name": name})).await.id();
    let made = server.post("/tokens", &json!({"name": name, "scopes": ["read", "write"], "owner_id": id})).await.created();
    (id, server.with_token(made["token"].as_str().unwrap()))
}
/// Lets an owner come in with an account.
async fn comes_in(server: &Server, owner: &str, email: &str) {
    let body = json!({"email": email, "name": "Somebody", "roles": ["owner"], "owner_id": owner});
    let link = server.post("/people", &body).await.created()["link"].as_str().unwrap().to_owned();
    let client = reqwest::Client::builder().redirect(reqwest::redirect::Policy::none()).build().unwrap();
    let form = [("name", "Somebody"), ("password", "kettle moss crane")];
    let answer = client.post(format!("{}{link}", server.address)).form(&form).send().await.unwrap();
    assert_eq!(answer.status().as_u16(), 303);
}
fn path(offer: &Value) -> String {
    format!("/offers/{}", offer["id"].as_str().unwrap())
}
fn secret(offer: &Value) -> Value {
    json!({"secret": offer["link"].as_str().unwrap().strip_prefix("/offers/").unwrap()})
}
async fn holds_together(server: &Server) {
    let checked = check::check(&server.app.store).await.unwrap();
    assert!(checked.motorcycles > 0 && checked.differences.is_empty(), "{:#?}", checked.differences);
}

on_both_engines!(an_owner_accepts_and_the_one_before_sees_it_no_more, async |server| {
    let ((ada, adas), (bo, bos), (_, cys)) =
        (owner(&server, "Ada Birch").await, owner(&server, "Bo Reed").await, owner(&server, "Cy Marsh").await);
    let bike = server.motorcycle(json!({"owner_id": ada})).await;
    let event = json!({"on": "2026-05-01", "odometer": 4000, "summary": "Chain", "cost": {"amount": "84.50", "currency": "EUR"}, "internal_notes": "pays late"});
    let event = format!("/service-events/{}", server.post(&format!("{bike}/service-events"), &event).await.id());
    let offers = format!("{bike}/offers");
    let to_bo = json!({"to_owner_id": bo});
    assert_eq!(server.post(&offers, &to_bo).await.wrong(), ["/to_owner_id"], "without an account nobody could accept");
    comes_in(&server, &bo, "bo@example.org").await;
    assert_eq!(server.post(&offers, &json!({"to_owner_id": ada})).await.wrong(), ["/to_owner_id"]);
    assert_eq!(server.post(&offers, &json!({})).await.wrong(), [""]);
    adas.post(&offers, &to_bo).await.problem(403);

    let offer = server.post(&offers, &to_bo).await.created();
    assert_eq!((&offer["state"], &offer["link"], &offer["expires_at"]), (&json!("open"), &Value::Null, &json!("2026-07-15T12:00:00Z")));
    server.post(&offers, &to_bo).await.problem(409);
    let path = path(&offer);
    // He sees the offer and not yet the motorcycle; others see neither.
    assert_eq!(bos.get(&path).await.ok()["motorcycle_name"], "Courier 3");
    bos.get(&bike).await.problem(404);
    cys.get(&path).await.problem(404);
    cys.post(&format!("{path}/acceptance"), &json!({})).await.problem(404);
    adas.post(&format!("{path}/acceptance"), &json!({})).await.problem(409);
    server.post(&format!("{path}/acceptance"), &json!({})).await.problem(409);
    assert_eq!(server.get(&bike).await.ok()["owner_id"], ada.as_str());

    assert_eq!(bos.post(&format!("{path}/acceptance"), &json!({})).await.ok()["owner_id"], bo.as_str());
    adas.get(&bike).await.problem(404);
    let seen = bos.get(&event).await.ok();
    assert_eq!((&seen["cost"], &seen["internal_notes"], &seen["summary"]), (&Value::Null, &json!(""), &json!("Chain")));
    assert_eq!(server.get(&path).await.ok()["state"], "accepted");
    bos.post(&format!("{path}/acceptance"), &json!({})).await.problem(409);
    let audit = server.all("/audit").await;
    for action in ["offer", "accept", "change"] {
        assert!(audit.iter().any(|entry| entry["action"] == action), "{action}");
    }
    holds_together(&server).await;
});

on_both_engines!(an_offer_that_is_over_is_refused, async |server| {
    let ((ada, _), (bo, bos), (cy, _)) =
        (owner(&server, "Ada Birch").await, owner(&server, "Bo Reed").await, owner(&server, "Cy Marsh").await);
    comes_in(&server, &bo, "bo@example.org").await;
    let bike = server.motorcycle(json!({"owner_id": ada})).await;
    let offers = format!("{bike}/offers");
    let make = async || path(&server.post(&offers, &json!({"to_owner_id": bo})).await.created());
    let withdrawn = make().await;
    assert_eq!(server.delete(&withdrawn, "\"stale\"").await.status, 412);
    assert_eq!(server.remove(&withdrawn).await.status, 204);
    bos.post(&format!("{withdrawn}/acceptance"), &json!({})).await.problem(409);
    let declined = make().await;
    assert_eq!(bos.post(&format!("{declined}/refusal"), &json!({})).await.ok()["state"], "declined");
    bos.post(&format!("{declined}/acceptance"), &json!({})).await.problem(409);
    let late = make().await;
    let later = server.at(now() + Duration::days(30)).await;
    later.with_token(&bos.token).post(&format!("{late}/acceptance"), &json!({})).await.problem(409);
    assert_eq!(later.get(&late).await.ok()["state"], "expired");
    // It was sold to somebody else meanwhile.
    server.change(&bike, &json!({"owner_id": cy})).await.ok();
    bos.post(&format!("{late}/acceptance"), &json!({})).await.problem(409);
    assert_eq!(server.get(&bike).await.ok()["owner_id"], cy.as_str());
    assert_eq!(server.count(&offers).await, 3);
});

/// A motorcycle with something of everything, and rules of both kinds.
async fn furnished(server: &Server) -> String {
    server.post("/components", &json!({"key": "x_sidecar_hitch", "name": "Sidecar hitch", "part": true})).await.created();
    let bike = server.motorcycle(json!({"vin": null})).await;
    let id = bike.rsplit('/').next().unwrap();
    let every = json!({"distance": {"value": 500, "unit": "mi"}, "months": 6});
    for rule in [
        json!({"name": "Chain", "component": "drive_chain", "operation": "adjust", "every": every}),
        json!({"name": "Hitch", "component": "x_sidecar_hitch", "operation": "inspect", "every": every, "applies_to": {"motorcycle_id": id}}),
        json!({"name": "Other make", "component": "drive_belt", "operation": "inspect", "every": every, "applies_to": {"make": "Corvane"}}),
    ] {
        server.post("/interval-rules", &rule).await.created();
    }
    for (lower, applies) in [(1.5, json!({})), (2.0, json!({"make": "Halden"}))] {
        let limit = json!({"component": "brake_pads", "quantity": "thickness", "lower": lower, "unit": "mm", "kind": "wear", "applies_to": applies});
        server.post("/limits", &limit).await.created();
    }
    let events = format!("{bike}/service-events");
    for (on, odometer, thickness) in [("2025-05-01", 3000, 4.1), ("2026-05-01", 5000, 3.0)] {
        let event = json!({"on": on, "odometer": odometer, "summary": "Chain and pads", "notes": "As agreed", "internal_notes": "pays late",
            "cost": {"amount": "84.50", "currency": "EUR"}, "work": [{"component": "drive_chain", "operation": "adjust"}],
            "measured": [{"component": "brake_pads", "position": "rear", "quantity": "thickness", "readings": [thickness], "unit": "mm"}],
            "follow_ups": [{"text": "Look again", "component": "drive_chain", "in": {"months": 2}}]});
        server.post(&events, &event).await.created();
    }
    let fitted = json!({"on": "2026-05-01", "odometer": 5000, "summary": "Pads",
        "fitted": [{"component": "brake_pads", "position": "rear", "description": "Pads"}]});
    server.post(&events, &fitted).await.created();
    server.reading(&bike, "2026-06-01", 5400).await.created();
    server.post(&format!("{bike}/lay-ups"), &json!({"from": "2025-12-01", "to": "2026-02-28", "note": "Winter"})).await.created();
    let file = multipart::Part::bytes(b"%PDF-1.4 nothing".to_vec()).file_name("title.pdf");
    let form = multipart::Form::new().text("belongs_to", id.to_owned()).part("file", file);
    server.send(server.request(Method::POST, "/attachments").multipart(form)).await.created();
    bike
}
/// A value without what is its own in each workshop: ids, and when it was entered.
fn without_ids(value: &mut Value) {
    match value {
        Value::Object(fields) => {
            fields.retain(|name, _| name != "id" && !name.ends_with("_id") && name != "created_at" && name != "ids");
            fields.values_mut().for_each(without_ids);
        }
        Value::Array(values) => values.iter_mut().for_each(without_ids),
        Value::String(text) if text.parse::<uuid::Uuid>().is_ok() => "an id".clone_into(text),
        _ => {}
    }
}
async fn told(server: &Server, path: &str) -> Vec<Value> {
    let mut all = server.all(path).await;
    all.iter_mut().for_each(without_ids);
    all
}

on_both_engines!(another_workshop_takes_it_over_with_its_history, async |server| {
    let far = server.other_workshop();
    let (ada, _) = owner(&server, "Ada Birch").await;
    let bike = furnished(&server).await;
    server.change(&bike, &json!({"owner_id": ada})).await.ok();
    let lists = ["due", "installed-parts", "measured-values", "lay-ups", "odometer-readings", "odometers"];
    let mut before = Vec::new();
    for list in lists {
        before.push(told(&server, &format!("{bike}/{list}")).await);
    }
    let counts: Vec<_> = before.iter().map(Vec::len).collect();
    assert_eq!(counts, [4, 1, 2, 1, 4, 0]);
    let offer = server.post(&format!("{bike}/offers"), &json!({"to_email": " Dee@Example.org "})).await.created();
    assert_eq!(offer["to_email"], "dee@example.org");
    server.post("/offers/acceptance", &secret(&offer)).await.problem(409);
    assert_eq!(far.post("/offers/acceptance", &json!({"secret": "guessed"})).await.wrong(), ["/secret"]);
    far.get(&path(&offer)).await.problem(404);

    let new = far.post("/offers/acceptance", &secret(&offer)).await.created();
    assert_eq!((&new["name"], &new["owner_id"], &new["archived"]), (&json!("Courier 3"), &Value::Null, &json!(false)));
    let id = new["id"].as_str().unwrap();
    let moved = format!("/motorcycles/{id}");
    assert_ne!(moved, bike);
    for (list, before) in lists.iter().zip(&before) {
        assert_eq!(&told(&far, &format!("{moved}/{list}")).await, before, "{list}");
    }
    let (old, new) = (server.all(&format!("{bike}/service-events")).await, far.all(&format!("{moved}/service-events")).await);
    assert_eq!((old.len(), new.len()), (3, 3));
    for (old, new) in old.iter().zip(&new) {
        assert_eq!((&old["summary"], &old["on"], &old["work"]), (&new["summary"], &new["on"], &new["work"]));
        assert_eq!((&new["internal_notes"], &new["cost"]), (&json!(""), &Value::Null));
        assert_eq!(new["motorcycle_id"], id);
    }
    assert!(old.iter().any(|event| event["internal_notes"] == "pays late"), "it stays where it was");
    assert_eq!(far.count(&format!("/attachments?belongs_to={id}")).await, 1);
    assert_eq!(far.count(&format!("/follow-ups?motorcycle={id}")).await, 2);
    let rules = far.all("/interval-rules").await;
    assert_eq!(rules.len(), 2);
    assert!(rules.iter().all(|rule| rule["applies_to"]["motorcycle_id"] == id), "{rules:?}");
    let limits = far.all("/limits").await;
    assert_eq!((limits.len(), &limits[0]["lower"]), (1, &json!(2.0)), "the more specific one alone");
    assert!(far.get("/components").await.text.contains("x_sidecar_hitch"));
    // Nothing of what was internal is anywhere there.
    let whole = far.get("/export").await.text;
    for word in ["pays late", "84.5", "Ada Birch", &ada, bike.rsplit('/').next().unwrap()] {
        assert!(!whole.contains(word), "{word} came along");
    }
    // Where it was it is archived, and both sides say what happened.
    assert_eq!(server.get(&bike).await.ok()["archived"], true);
    let audit = server.all("/audit").await;
    assert!(audit.iter().any(|entry| entry["action"] == "hand_on"));
    // Who took it there is that workshop's business: here stands its name alone.
    for entry in audit.iter().filter(|entry| ["accept", "archive", "hand_on"].map(Value::from).contains(&entry["action"])) {
        let said = (&entry["who"], &entry["person_id"], &entry["token_id"], &entry["address"]);
        assert_eq!(said, (&json!("workshop Hill Street Garage"), &Value::Null, &Value::Null, &Value::Null), "{entry}");
    }
    assert!(
        far.all("/audit").await.iter().any(|entry| entry["action"] == "take_over" && entry["who"].as_str().unwrap().starts_with("token"))
    );
    assert!(far.all("/audit").await.iter().any(|entry| entry["action"] == "take_over"));
    assert_eq!(server.get(&path(&offer)).await.ok()["state"], "accepted");
    far.post("/offers/acceptance", &secret(&offer)).await.problem(409);
    assert_eq!(far.count("/motorcycles").await, 1);
    holds_together(&server).await;
});

on_both_engines!(a_part_keeps_what_it_ran_on_another_motorcycle, async |server| {
    let far = server.other_workshop();
    let donor = server.motorcycle(json!({"name": "Donor"})).await;
    let new =
        json!({"on": "2025-01-10", "odometer": 1000, "fitted": [{"component": "brake_disc", "position": "rear", "description": "Disc"}]});
    let part = server.post(&format!("{donor}/service-events"), &new).await.created()["fitted"][0]["installed_part_id"].clone();
    let off = json!({"on": "2025-03-10", "odometer": 2500, "removed": [{"installed_part_id": part, "reason": "for another"}]});
    server.post(&format!("{donor}/service-events"), &off).await.created();
    let bike = server.motorcycle(json!({"name": "Courier 3"})).await;
    let on = json!({"on": "2025-04-10", "odometer": 7000, "confirmed": true, "fitted": [{"installed_part_id": part, "position": "rear"}]});
    server.post(&format!("{bike}/service-events"), &on).await.created();
    server.reading(&bike, "2026-05-01", 7900).await.created();
    let distance = |parts: &[Value]| parts.iter().map(|part| part["part_distance"]["value"].clone()).collect::<Vec<_>>();
    let parts = server.all(&format!("{bike}/installed-parts")).await;
    assert_eq!(distance(&parts), [json!(2400)], "1,500 mi there and 900 mi here: {parts:?}");
    // One that was fitted new here and went on to another since: it was new here.
    let filter =
        json!({"on": "2025-05-10", "odometer": 7200, "confirmed": true, "fitted": [{"component": "oil_filter", "description": "Filter"}]});
    let filter = server.post(&format!("{bike}/service-events"), &filter).await.created()["fitted"][0]["installed_part_id"].clone();
    let off = json!({"on": "2025-06-10", "odometer": 7300, "confirmed": true, "removed": [{"installed_part_id": filter, "reason": "for another"}]});
    server.post(&format!("{bike}/service-events"), &off).await.created();
    let on = json!({"on": "2025-07-10", "odometer": 2600, "confirmed": true, "fitted": [{"installed_part_id": filter}]});
    server.post(&format!("{donor}/service-events"), &on).await.created();
    let offer = server.post(&format!("{bike}/offers"), &json!({"to_email": "dee@example.org"})).await.created();
    let new = far.post("/offers/acceptance", &secret(&offer)).await.created();
    let removed = far.all(&format!("/motorcycles/{}/installed-parts?removed=true", new["id"].as_str().unwrap())).await;
    let known = |component: &str| removed.iter().find(|part| part["component"] == component).map(|part| part["condition"].clone());
    assert_eq!(known("oil_filter"), Some(json!("new")), "{removed:?}");
    let parts = far.all(&format!("/motorcycles/{}/installed-parts", new["id"].as_str().unwrap())).await;
    assert_eq!((distance(&parts), &parts[0]["prior_distance"]), (vec![json!(2400)], &json!(1500)));
    holds_together(&server).await;
});

on_both_engines!(a_link_that_is_over_says_so, async |server| {
    let far = server.other_workshop();
    let bike = server.motorcycle(json!({})).await;
    let make = async || server.post(&format!("{bike}/offers"), &json!({"to_email": "dee@example.org"})).await.created();
    let refused = async |far: &Server, offer: &Value, word: &str| {
        let answer = far.post("/offers/acceptance", &secret(offer)).await;
        assert!(answer.problem(409)["detail"].as_str().unwrap().contains(word), "{}", answer.text);
    };
    let withdrawn = make().await;
    server.remove(&path(&withdrawn)).await;
    refused(&far, &withdrawn, "taken back").await;
    let declined = make().await;
    assert_eq!(far.post("/offers/refusal", &secret(&declined)).await.status, 204);
    refused(&far, &declined, "declined").await;
    let late = make().await;
    refused(&far.at(now() + Duration::days(30)).await.with_token(&far.token), &late, "30 days").await;
    let lone = far.motorcycle(json!({})).await;
    let bound = far.post("/tokens", &json!({"name": "one", "scopes": ["write"], "motorcycle_id": lone.rsplit('/').next()})).await.created();
    far.with_token(bound["token"].as_str().unwrap()).post("/offers/acceptance", &secret(&late)).await.problem(403);
    server.remove(&bike).await;
    refused(&far, &late, "archived").await;
    assert_eq!(far.count("/motorcycles").await, 1);
});
