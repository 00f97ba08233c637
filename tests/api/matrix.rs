//! Who may do what, and to which things: every operation of the OpenAPI document × every kind of caller × {their own, the same workshop's
//! but not theirs, another workshop's, an id that nothing has}. The expected answer follows from the one table below; an operation without
//! a row fails the test. What comes back to those who see a part of the workshop is searched for anything of the rest.
use std::collections::BTreeMap;

use reqwest::Method;
use serde_json::{Value, json};

use crate::harness::{Server, on_both_engines, promised::DOCUMENT};

/// What a caller must be at least.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
enum Least {
    /// Whoever sees the motorcycle.
    Owner,
    /// Whoever works in the workshop.
    Workshop,
}
use Least::{Owner, Workshop};

/// Operation, scope, what a caller must be, the kind of thing that the path names (`-`: none).
const TABLE: &[(&str, &str, Least, &str)] = &[
    ("list_motorcycles", "read", Owner, "-"),
    ("add_motorcycle", "write", Workshop, "-"),
    ("show_motorcycle", "read", Owner, "motorcycle"),
    ("change_motorcycle", "write", Workshop, "motorcycle"),
    ("archive_motorcycle", "write", Workshop, "motorcycle"),
    ("list_offers", "read", Owner, "motorcycle"),
    ("make_offer", "write", Workshop, "motorcycle"),
    ("show_offer", "read", Owner, "offer"),
    ("withdraw_offer", "write", Workshop, "offer"),
    ("accept_offer", "write", Owner, "offer"),
    ("decline_offer", "write", Owner, "offer"),
    ("accept_linked_offer", "write", Workshop, "-"),
    ("decline_linked_offer", "write", Workshop, "-"),
    ("list_odometer_readings", "read", Owner, "motorcycle"),
    ("record_odometer_reading", "write", Owner, "motorcycle"),
    ("show_odometer_reading", "read", Owner, "odometer_reading"),
    ("strike_out_odometer_reading", "write", Owner, "odometer_reading"),
    ("list_hour_readings", "read", Owner, "motorcycle"),
    ("record_hour_reading", "write", Owner, "motorcycle"),
    ("show_hour_reading", "read", Owner, "hour_reading"),
    ("strike_out_hour_reading", "write", Owner, "hour_reading"),
    ("list_odometers", "read", Owner, "motorcycle"),
    ("change_odometer", "write", Workshop, "motorcycle"),
    ("list_lay_ups", "read", Owner, "motorcycle"),
    ("add_lay_up", "write", Workshop, "motorcycle"),
    ("show_lay_up", "read", Owner, "lay_up"),
    ("change_lay_up", "write", Workshop, "lay_up"),
    ("delete_lay_up", "write", Workshop, "lay_up"),
    ("list_hour_meters", "read", Owner, "motorcycle"),
    ("change_hour_meter", "write", Workshop, "motorcycle"),
    ("list_service_events", "read", Owner, "motorcycle"),
    ("log_service", "write", Owner, "motorcycle"),
    ("show_service_event", "read", Owner, "service_event"),
    ("change_service_event", "write", Owner, "service_event"),
    ("strike_out_service_event", "write", Owner, "service_event"),
    ("sign_service_event", "write", Workshop, "service_event"),
    ("amend_service_event", "write", Workshop, "service_event"),
    ("list_installed_parts", "read", Owner, "motorcycle"),
    ("fit_part", "write", Workshop, "motorcycle"),
    ("show_installed_part", "read", Owner, "installed_part"),
    ("list_measured_values", "read", Owner, "motorcycle"),
    ("take_measured_value", "write", Workshop, "motorcycle"),
    ("show_measured_value", "read", Owner, "measured_value"),
    ("due_of_motorcycle", "read", Owner, "motorcycle"),
    ("due_of_workshop", "read", Owner, "-"),
    ("list_history", "read", Owner, "motorcycle"),
    ("forecast_of_motorcycle", "read", Owner, "motorcycle"),
    ("make_job_sheet", "read", Owner, "motorcycle"),
    ("plan_visits", "read", Owner, "motorcycle"),
    ("list_reused", "read", Owner, "-"),
    ("make_order_list", "read", Workshop, "-"),
    ("costs_of_motorcycle", "read", Owner, "motorcycle"),
    ("get_history_packet", "read", Owner, "motorcycle"),
    ("list_follow_ups", "read", Owner, "-"),
    ("show_follow_up", "read", Owner, "follow_up"),
    ("change_follow_up", "write", Workshop, "follow_up"),
    ("list_attachments", "read", Owner, "-"),
    ("attach_file", "write", Owner, "-"),
    ("show_attachment", "read", Owner, "attachment"),
    ("show_thumbnail", "read", Owner, "attachment"),
    ("hide_attachment", "write", Workshop, "attachment"),
    ("search", "read", Owner, "-"),
    ("list_components", "read", Owner, "-"),
    ("add_component", "write", Workshop, "-"),
    ("list_quantities", "read", Owner, "-"),
    ("list_units", "read", Owner, "-"),
    ("list_interval_rules", "read", Workshop, "-"),
    ("add_interval_rule", "write", Workshop, "-"),
    ("show_interval_rule", "read", Workshop, "interval_rule"),
    ("change_interval_rule", "write", Workshop, "interval_rule"),
    ("delete_interval_rule", "write", Workshop, "interval_rule"),
    ("list_limits", "read", Workshop, "-"),
    ("add_limit", "write", Workshop, "-"),
    ("show_limit", "read", Workshop, "limit"),
    ("change_limit", "write", Workshop, "limit"),
    ("delete_limit", "write", Workshop, "limit"),
    ("list_fasteners", "read", Workshop, "-"),
    ("add_fastener", "write", Workshop, "-"),
    ("show_fastener", "read", Workshop, "fastener"),
    ("change_fastener", "write", Workshop, "fastener"),
    ("delete_fastener", "write", Workshop, "fastener"),
    ("list_procedures", "read", Workshop, "-"),
    ("add_procedure", "write", Workshop, "-"),
    ("show_procedure", "read", Workshop, "procedure"),
    ("change_procedure", "write", Workshop, "procedure"),
    ("withdraw_procedure", "write", Workshop, "procedure"),
    ("list_procedure_versions", "read", Workshop, "procedure"),
    ("show_procedure_version", "read", Workshop, "procedure"),
    ("list_owners", "read", Workshop, "-"),
    ("add_owner", "write", Workshop, "-"),
    ("show_owner", "read", Workshop, "owner"),
    ("change_owner", "write", Workshop, "owner"),
    ("delete_owner", "write", Workshop, "owner"),
    ("show_workshop", "read", Workshop, "-"),
    ("change_workshop", "admin", Workshop, "-"),
    ("list_people", "admin", Workshop, "-"),
    ("invite_person", "admin", Workshop, "-"),
    ("show_person", "admin", Workshop, "person"),
    ("change_person", "admin", Workshop, "person"),
    ("remove_person", "admin", Workshop, "person"),
    ("list_tokens", "admin", Workshop, "-"),
    ("make_token", "admin", Workshop, "-"),
    ("show_token", "admin", Workshop, "token"),
    ("revoke_token", "admin", Workshop, "token"),
    ("rotate_token", "admin", Workshop, "token"),
    ("list_webhooks", "admin", Workshop, "-"),
    ("add_webhook", "admin", Workshop, "-"),
    ("show_webhook", "admin", Workshop, "webhook"),
    ("change_webhook", "admin", Workshop, "webhook"),
    ("delete_webhook", "admin", Workshop, "webhook"),
    ("list_webhook_deliveries", "admin", Workshop, "webhook"),
    ("test_webhook", "admin", Workshop, "webhook"),
    ("import_file", "write", Workshop, "-"),
    ("export_workshop", "admin", Workshop, "-"),
    ("list_audit", "admin", Workshop, "-"),
    ("list_calendars", "read", Owner, "-"),
    ("make_calendar", "write", Owner, "-"),
    ("show_calendar", "read", Owner, "calendar"),
    ("revoke_calendar", "write", Owner, "calendar"),
    ("calculate_torque_adapter", "read", Owner, "-"),
    ("calculate_runout", "read", Owner, "-"),
    ("calculate_balance", "read", Owner, "-"),
    ("calculate_wear", "read", Owner, "-"),
    ("calculate_conformity", "read", Owner, "-"),
];
/// Questions that a list cannot be asked without.
const QUESTIONS: &[(&str, &str)] = &[("search", "?q=chain"), ("forecast_of_motorcycle", "?on=2026-09-01")];

/// One motorcycle with something of everything on it, by kind; entered with the token that `server` has.
async fn furnish(server: &Server, keeper: &Server, bike: &str, mark: &str) -> BTreeMap<&'static str, String> {
    let path = format!("/motorcycles/{bike}");
    let event = keeper
        .post(
            &format!("{path}/service-events"),
            &json!({"on": "2026-05-01", "odometer": 5000, "summary": format!("Chain {mark}"), "notes": mark,
                "work": [{"component": "drive_chain", "operation": "adjust", "note": mark}],
                "fitted": [{"component": "brake_pads", "position": "rear", "description": format!("Pads {mark}")}],
                "measured": [{"component": "brake_pads", "position": "rear", "quantity": "thickness", "readings": [4.1], "unit": "mm"}],
                "follow_ups": [{"text": format!("Look again {mark}"), "component": "drive_chain"}]}),
        )
        .await
        .created();
    let text = |value: &Value| value.as_str().expect("an id").to_owned();
    let reading = keeper.post(&format!("{path}/odometer-readings"), &json!({"on": "2026-06-01", "reading": 5200})).await.id();
    let hours = keeper.post(&format!("{path}/hour-readings"), &json!({"on": "2026-06-01", "reading": 52})).await.id();
    let lay_up = server.post(&format!("{path}/lay-ups"), &json!({"from": "2026-12-01", "to": "2027-02-28", "note": mark})).await.id();
    let part = reqwest::multipart::Part::bytes(crate::harness::picture::PHOTO).file_name(format!("{mark}.png"));
    let form = reqwest::multipart::Form::new().text("belongs_to", bike.to_owned()).part("file", part);
    let attachment = server.send(server.request(Method::POST, "/attachments").multipart(form)).await.id();
    let offer = server.post(&format!("{path}/offers"), &json!({"to_email": format!("{mark}@example.org")})).await.id();
    let calendar = keeper.post("/calendars", &json!({"motorcycle_id": bike})).await.id();
    BTreeMap::from([
        ("motorcycle", bike.to_owned()),
        ("calendar", calendar),
        ("offer", offer),
        ("service_event", text(&event["id"])),
        ("installed_part", text(&event["fitted"][0]["installed_part_id"])),
        ("measured_value", text(&event["measured"][0]["id"])),
        ("follow_up", text(&event["follow_ups"][0]["id"])),
        ("odometer_reading", reading),
        ("hour_reading", hours),
        ("lay_up", lay_up),
        ("attachment", attachment),
    ])
}

/// A workshop with two owners, a motorcycle and everything on it for each, and what belongs to the workshop itself.
struct Shop {
    /// Each caller by name: the server with their token, their scopes, whether they see all.
    callers: Vec<(&'static str, Server, Vec<&'static str>, bool)>,
    own: BTreeMap<&'static str, String>,
    others: BTreeMap<&'static str, String>,
    workshops: BTreeMap<&'static str, String>,
    another: BTreeMap<&'static str, String>,
}

async fn token(server: &Server, scopes: &[&str], bound: Value) -> Server {
    let mut body = json!({"name": "matrix", "scopes": scopes});
    crate::harness::server::merge(&mut body, bound);
    let made = server.post("/tokens", &body).await.created();
    server.with_token(made["token"].as_str().expect("a secret"))
}

async fn of_workshop(server: &Server) -> BTreeMap<&'static str, String> {
    let rule =
        json!({"name": "Chain", "component": "drive_chain", "operation": "adjust", "every": {"distance": {"value": 500, "unit": "mi"}}});
    let limit = json!({"component": "brake_pads", "quantity": "thickness", "lower": 1.5, "unit": "mm", "kind": "wear"});
    let fastener = json!({"key": "rear_axle_nut", "name": "Rear axle nut", "component": "axle", "stages": [{"lower": 90, "upper": 110, "unit": "N.m"}]});
    let procedure =
        json!({"title": "Refit the rear wheel", "component": "wheel", "operation": "fit", "steps": [{"text": "Clean the axle"}]});
    BTreeMap::from([
        ("interval_rule", server.post("/interval-rules", &rule).await.id()),
        ("limit", server.post("/limits", &limit).await.id()),
        ("fastener", server.post("/fasteners", &fastener).await.id()),
        ("procedure", server.post("/procedures", &procedure).await.id()),
        ("token", server.post("/tokens", &json!({"name": "other", "scopes": ["read"]})).await.id()),
        ("person", server.post("/people", &json!({"email": "dee@example.org", "name": "Dee Moss", "roles": ["mechanic"]})).await.id()),
        ("webhook", server.post("/webhooks", &json!({"url": "https://hooks.example.org/x", "events": ["service.logged"]})).await.id()),
    ])
}

async fn open(server: &Server) -> Shop {
    let ada = server.post("/owners", &json!({"name": "Ada Birch"})).await.id();
    let bo = server.post("/owners", &json!({"name": "Bo Secretive", "email": "bo@example.org"})).await.id();
    let bike = async |server: &Server, name: &str, owner: Option<&str>| -> String {
        let path = server.motorcycle(json!({"name": name, "vin": null, "owner_id": owner})).await;
        path.rsplit('/').next().expect("an id").to_owned()
    };
    let (own, others) = (bike(server, "Courier 3", Some(&ada)).await, bike(server, "Hidden Ferry", Some(&bo)).await);
    let elsewhere = server.other_workshop();
    let far = bike(&elsewhere, "Far away", None).await;
    let mut workshops = of_workshop(server).await;
    workshops.insert("owner", ada.clone());
    let mut another = of_workshop(&elsewhere).await;
    another.insert("owner", elsewhere.post("/owners", &json!({"name": "Cy Marsh"})).await.id());
    another.extend(furnish(&elsewhere, &elsewhere, &far, "far").await);
    let keeper = token(server, &["read", "write"], json!({"owner_id": ada})).await;
    Shop {
        own: furnish(server, &keeper, &own, "mine").await,
        others: furnish(server, server, &others, "unseen").await,
        callers: vec![
            ("nobody", server.with_token(""), vec![], false),
            ("reads", token(server, &["read"], json!({})).await, vec!["read"], true),
            ("writes", token(server, &["write"], json!({})).await, vec!["write"], true),
            ("administers", token(server, &["admin"], json!({})).await, vec!["admin"], true),
            ("Ada", keeper, vec!["read", "write"], false),
            ("Ada, reading", token(server, &["read"], json!({"owner_id": ada})).await, vec!["read"], false),
            ("the motorcycle", token(server, &["read"], json!({"motorcycle_id": own})).await, vec!["read"], false),
        ],
        workshops,
        another,
    }
}

/// What is expected of a request.
fn expected(name: &str, scopes: &[&str], sees_all: bool, row: &(&str, &str, Least, &str), object: &str) -> Option<u16> {
    let (_, scope, least, kind) = row;
    if name == "nobody" {
        return Some(401);
    }
    if !scopes.contains(scope) || (*least == Workshop && !sees_all) {
        return Some(403);
    }
    let there = *kind == "-" || object == "own" || (object == "another owner's" && sees_all);
    (!there).then_some(404)
}

on_both_engines!(everybody_reaches_what_is_theirs_and_nothing_else, async |server| {
    let shop = open(&server).await;
    let unknown = "01933b6e-9a44-7cc0-8000-3f2a5c1d9e77";
    let mut rows: BTreeMap<&str, _> = TABLE.iter().map(|row| (row.0, row)).collect();
    let mut asked = 0;
    for (path, item) in DOCUMENT["paths"].as_object().expect("paths") {
        for (method, operation) in item.as_object().expect("operations").iter().filter(|(method, _)| *method != "parameters") {
            let id = operation["operationId"].as_str().expect("an operation id");
            let Some(row) = rows.remove(id) else {
                assert_eq!(id, "openapi", "{id} ({method} {path}) has no row in the table: say who may use it");
                continue;
            };
            let objects: Vec<(&str, String)> = if path.contains('{') {
                let kind = row.3;
                let own = shop.own.get(kind).or_else(|| shop.workshops.get(kind)).unwrap_or_else(|| panic!("no {kind} in the shop"));
                let others = shop.others.get(kind).map(|id| ("another owner's", id.clone()));
                let far = shop.another.get(kind).unwrap_or_else(|| panic!("no {kind} elsewhere"));
                [("own", own.clone()), ("another workshop's", far.clone()), ("unknown", unknown.to_owned())]
                    .into_iter()
                    .chain(others)
                    .collect()
            } else {
                vec![("own", String::new())]
            };
            for (name, caller, scopes, sees_all) in &shop.callers {
                for (object, of) in &objects {
                    let question = QUESTIONS.iter().find(|(operation, _)| *operation == id).map_or("", |(_, question)| question);
                    let target =
                        format!("{}{question}", path.strip_prefix("/api/v1").unwrap_or(path).replace("{id}", of).replace("{version}", "1"));
                    let verb = Method::from_bytes(method.to_uppercase().as_bytes()).expect("a method");
                    let mut request = caller.request(verb.clone(), &target);
                    if ["post", "patch"].contains(&method.as_str()) {
                        request = request.header("content-type", "application/json").body(r#"{"nonsense": 1}"#);
                    }
                    let answer = caller.send(request).await;
                    asked += 1;
                    let what = format!("{name} asks {id} of {object}: {} {}", answer.status, answer.text);
                    match expected(name, scopes, *sees_all, row, object) {
                        Some(status) => assert_eq!(answer.status, status, "{what}"),
                        None if verb == Method::GET => assert_eq!(answer.status, 200, "{what}"),
                        // What takes no body cannot be asked wrongly: it is done.
                        None if operation["requestBody"].is_null() && answer.status == 202 => {}
                        None => assert!([400, 409, 412, 415, 422, 428].contains(&answer.status), "{what}"),
                    }
                    if !sees_all {
                        for (kind, unseen) in &shop.others {
                            assert!(*object == "another owner's" || !answer.text.contains(unseen), "{what}: tells of a {kind}");
                        }
                        for word in ["Hidden Ferry", "Secretive", "unseen", "bo@example.org"] {
                            assert!(!answer.text.contains(word), "{what}: tells {word:?}");
                        }
                    }
                }
            }
        }
    }
    assert!(rows.is_empty(), "the table has rows for operations that are not there: {:?}", rows.keys());
    assert!(asked > 1000, "only {asked} requests");
});

on_both_engines!(what_is_not_theirs_answers_like_what_is_not_there, async |server| {
    let shop = open(&server).await;
    let ada = shop.callers.iter().find(|caller| caller.0 == "Ada").map(|caller| &caller.1).expect("Ada");
    for (kind, path) in [
        ("motorcycle", "/motorcycles"),
        ("service_event", "/service-events"),
        ("installed_part", "/installed-parts"),
        ("measured_value", "/measured-values"),
        ("follow_up", "/follow-ups"),
        ("odometer_reading", "/odometer-readings"),
        ("lay_up", "/lay-ups"),
        ("attachment", "/attachments"),
    ] {
        let hidden = ada.get(&format!("{path}/{}", shop.others[kind])).await;
        let none = ada.get(&format!("{path}/01933b6e-9a44-7cc0-8000-3f2a5c1d9e77")).await;
        let mut said = (hidden.problem(404).clone(), none.problem(404).clone());
        for one in [&mut said.0, &mut said.1] {
            one["instance"] = Value::Null;
        }
        assert_eq!(said.0, said.1, "{kind}");
    }
    // Filters do not reach around it, and counts and cursors tell nothing.
    assert_eq!(ada.count("/motorcycles?limit=1").await, 1);
    let bo = server.get(&format!("/motorcycles/{}", shop.others["motorcycle"])).await.ok()["owner_id"].as_str().unwrap().to_owned();
    assert_eq!(ada.count(&format!("/motorcycles?owner={bo}")).await, 0);
    assert_eq!(ada.count(&format!("/due?owner={bo}")).await, 0);
    assert_eq!(ada.count(&format!("/follow-ups?motorcycle={}", shop.others["motorcycle"])).await, 0);
    assert_eq!(ada.count(&format!("/attachments?belongs_to={}", shop.others["motorcycle"])).await, 0);
    let found = ada.all("/search?q=chain").await;
    assert!(!found.is_empty() && found.iter().all(|it| it["motorcycle_id"] == shop.own["motorcycle"].as_str()), "{found:?}");
    // A part of somebody else's motorcycle cannot be named either.
    let event = json!({"on": "2026-06-10", "fitted": [{"installed_part_id": shop.others["installed_part"], "position": "front"}]});
    let path = format!("/motorcycles/{}/service-events", shop.own["motorcycle"]);
    assert_eq!(ada.post(&path, &event).await.wrong(), ["/fitted/0/installed_part_id"]);
    let event = json!({"on": "2026-06-10", "follow_ups_done": [shop.others["follow_up"]]});
    assert_eq!(ada.post(&path, &event).await.wrong(), ["/follow_ups_done/0"]);
});

on_both_engines!(an_owner_writes_what_he_did_at_home_and_touches_nothing_else, async |server| {
    let shop = open(&server).await;
    let ada = shop.callers.iter().find(|caller| caller.0 == "Ada").map(|caller| &caller.1).expect("Ada");
    let events = format!("/motorcycles/{}/service-events", shop.own["motorcycle"]);
    let body = json!({"on": "2026-06-12", "summary": "Brakes", "cost": {"amount": "84.50", "currency": "EUR"},
        "internal_notes": "Rider pays late", "work": [{"component": "brake_fluid", "operation": "replace"}]});
    let shops = server.post(&events, &body).await.created();
    assert_eq!((&shops["at_home"], &shops["internal_notes"]), (&json!(false), &json!("Rider pays late")));
    let shops = format!("/service-events/{}", shops["id"].as_str().unwrap());
    let seen = ada.get(&shops).await.ok();
    assert_eq!((&seen["internal_notes"], &seen["cost"]["amount"]), (&json!(""), &json!("84.50")));
    assert_eq!(ada.count("/search?q=late").await, 0);
    ada.change(&shops, &json!({"summary": "Better brakes"})).await.problem(403);
    ada.remove(&format!("{shops}?reason=mine")).await.problem(403);
    let home = ada
        .post(&events, &json!({"on": "2026-06-13", "summary": "Chain", "work": [{"component": "drive_chain", "operation": "clean"}]}))
        .await
        .created();
    assert_eq!(home["at_home"], json!(true));
    let home = format!("/service-events/{}", home["id"].as_str().unwrap());
    ada.change(&home, &json!({"notes": "With paraffin"})).await.ok();
    assert_eq!(ada.remove(&format!("{home}?reason=typing+error")).await.status, 204);
    let reading = server.reading(&format!("/motorcycles/{}", shop.own["motorcycle"]), "2026-06-14", 5400).await.id();
    ada.remove(&format!("/odometer-readings/{reading}?reason=mine")).await.problem(403);
    // What was paid before the motorcycle was his is not his to see, nor in the sum of its costs.
    let bo = server.get(&format!("/motorcycles/{}", shop.others["motorcycle"])).await.ok()["owner_id"].clone();
    let others = format!("/motorcycles/{}", shop.others["motorcycle"]);
    let paid = server.post(&format!("{others}/service-events"), &body).await.id();
    server
        .change(&others, &json!({"owner_id": server.get(&format!("/motorcycles/{}", shop.own["motorcycle"])).await.ok()["owner_id"]}))
        .await
        .ok();
    let seen = ada.get(&format!("/service-events/{paid}")).await.ok();
    assert_eq!(seen["cost"], Value::Null);
    assert!(!ada.get(&format!("{others}/costs")).await.text.contains("84.5"));
    let stranger = token(&server, &["read"], json!({"owner_id": bo})).await;
    stranger.get(&others).await.problem(404);
});

on_both_engines!(tokens_are_bound_and_rotated, async |server| {
    let ada = server.post("/owners", &json!({"name": "Ada Birch"})).await.id();
    let bike = server.motorcycle(json!({"owner_id": ada})).await;
    let bike_id = bike.rsplit('/').next().unwrap();
    let unknown = "01933b6e-9a44-7cc0-8000-3f2a5c1d9e77";
    for (fields, pointer) in [
        (json!({"owner_id": unknown}), "/owner_id"),
        (json!({"motorcycle_id": unknown}), "/motorcycle_id"),
        (json!({"owner_id": ada, "motorcycle_id": bike_id}), "/motorcycle_id"),
        (json!({"owner_id": ada, "scopes": ["admin"]}), "/scopes"),
    ] {
        let mut body = json!({"name": "script", "scopes": ["read"]});
        crate::harness::server::merge(&mut body, fields);
        assert_eq!(server.post("/tokens", &body).await.wrong(), [pointer], "{body}");
    }
    let made = server.post("/tokens", &json!({"name": "script", "scopes": ["read"], "owner_id": ada})).await.created();
    let path = format!("/tokens/{}", made["id"].as_str().unwrap());
    let old = server.with_token(made["token"].as_str().unwrap());
    old.get(&bike).await.ok();
    assert_eq!(server.post(&format!("{path}/rotation"), &json!({"overlap_hours": 721})).await.wrong(), ["/overlap_hours"]);
    let next = server.post(&format!("{path}/rotation"), &json!({"overlap_hours": 1})).await.created();
    assert_eq!((&next["owner_id"], &next["scopes"]), (&json!(ada), &json!(["read"])));
    server.post(&format!("{path}/rotation"), &json!({})).await.problem(409);
    let new = server.with_token(next["token"].as_str().unwrap());
    old.get(&bike).await.ok();
    new.get(&bike).await.ok();
    let later = server.at(crate::harness::server::now() + time::Duration::minutes(61)).await;
    later.with_token(&old.token).get(&bike).await.problem(401);
    later.with_token(&new.token).get(&bike).await.ok();
    // The owner is taken out of the list: the token says so.
    server.change(&bike, &json!({"owner_id": null})).await.ok();
    assert_eq!(server.remove(&format!("/owners/{ada}")).await.status, 204);
    let gone = later.with_token(&new.token);
    let fresh = gone.at(crate::harness::server::now() + time::Duration::minutes(61)).await.with_token(&new.token);
    fresh.get("/motorcycles").await.problem(401);
});
