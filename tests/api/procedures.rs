//! Procedures: written, changed in versions, withdrawn; and service events that follow one.
use serde_json::{Value, json};

use crate::harness::{Server, on_both_engines, server::merge};

const UNKNOWN: &str = "01933b6e-9a44-7cc0-8000-3f2a5c1d9e77";

fn wheel(fields: Value) -> Value {
    let mut new = json!({"title": "Refit the rear wheel", "component": "wheel", "position": "rear", "operation": "fit",
        "applies_when": "Wheel out, motorcycle on a stand",
        "steps": [{"text": "Clean the axle and grease it thinly"}, {"text": "Spacer with its shoulder outward"},
            {"text": "Tighten the axle nut in stages", "fastener": "rear_axle_nut"},
            {"text": "Check the belt at four wheel positions", "limit": {"component": "drive_belt", "quantity": "deflection"}},
            {"text": "Pump the brake", "caution": "Do not ride before the lever is hard"}], "source": "Invented"});
    merge(&mut new, fields);
    new
}
async fn nut(server: &Server) {
    let nut = json!({"key": "rear_axle_nut", "name": "Rear axle nut", "component": "axle", "position": "rear",
        "stages": [{"lower": 20, "upper": 25, "unit": "N.m"}, {"lower": 105, "upper": 115, "unit": "N.m"}]});
    server.post("/fasteners", &nut).await.created();
}
/// A bench with a procedure on it; gives its id.
async fn written(server: &Server) -> String {
    nut(server).await;
    server.post("/procedures", &wheel(json!({}))).await.id()
}
fn event(followed: Value) -> Value {
    json!({"on": "2026-05-02", "odometer": 12345, "summary": "Rear wheel", "work": [{"component": "wheel", "position": "rear", "operation": "fit"}],
        "procedures": followed})
}

on_both_engines!(a_procedure_comes_back_as_it_was_written, async |server| {
    nut(&server).await;
    let made = server.post("/procedures", &wheel(json!({}))).await;
    assert!(made.header("location").ends_with(&format!("/procedures/{}", made.body["id"].as_str().unwrap())));
    let made = made.created();
    let path = format!("/procedures/{}", made["id"].as_str().unwrap());
    assert_eq!(server.get(&path).await.ok(), made);
    assert_eq!((&made["version"], &made["title"]), (&json!(1), &json!("Refit the rear wheel")));
    let full = json!({"text": "Tighten the axle nut in stages", "fastener": "rear_axle_nut", "limit": null, "caution": null});
    assert_eq!(made["steps"][2], full);
    let limit = json!({"component": "drive_belt", "position": null, "quantity": "deflection"});
    assert_eq!((made["steps"].as_array().unwrap().len(), &made["steps"][3]["limit"]), (5, &limit));
    assert!(made["cautions"].to_string().contains("A jack lifts, a stand holds"), "{}", made["cautions"]);
    let other = wheel(json!({"title": "Pads", "component": "brake_pads", "steps": [{"text": "Pump"}]}));
    server.post("/procedures", &other).await.created();
    assert_eq!(server.all("/procedures?limit=1").await.len(), 2);
    assert_eq!(server.count("/procedures?component=wheel").await, 1);
    let csv = server.send(server.request(reqwest::Method::GET, "/procedures").header("accept", "text/csv")).await;
    assert!(csv.text.starts_with("id,title,component,position,operation,"), "{}", csv.text);
    server.remove(&path).await.with(204);
    server.get(&path).await.problem(404);
    assert_eq!(server.count("/procedures").await, 1);
});

on_both_engines!(every_version_stays_as_it_was_written, async |server| {
    let path = format!("/procedures/{}", written(&server).await);
    let versions = format!("{path}/versions");
    let first = server.get(&format!("{versions}/1")).await.ok();
    assert_eq!((&first["version"], &first["written_by"]), (&json!(1), &json!("token made at setup")));
    let shorter = json!({"steps": [{"text": "Clean the axle"}], "applies_when": "Wheel out"});
    let changed = server.change(&path, &shorter).await.ok();
    assert_eq!((&changed["version"], &changed["steps"][0]["text"]), (&json!(2), &json!("Clean the axle")));
    // What changes nothing makes no version.
    assert_eq!(server.change(&path, &shorter).await.ok()["version"], 2);
    server.change(&path, &json!({"title": "Rear wheel, back in"})).await.ok();
    assert_eq!(server.get(&format!("{versions}/1")).await.ok(), first);
    let all = server.all(&format!("{versions}?limit=1")).await;
    let told: Vec<_> = all.iter().map(|one| (one["version"].as_u64().unwrap(), one["title"].as_str().unwrap())).collect();
    assert_eq!(told, [(1, "Refit the rear wheel"), (2, "Refit the rear wheel"), (3, "Rear wheel, back in")]);
    assert_eq!(all[0], first);
    for unknown in ["0", "4", "x", "99999999999"] {
        server.get(&format!("{versions}/{unknown}")).await.problem(404);
    }
    server.get(&format!("/procedures/{UNKNOWN}/versions")).await.problem(404);
    // Two who read the same: the second must look again.
    let etag = server.get(&path).await.etag();
    server.patch(&path, &etag, &json!({"title": "A"})).await.ok();
    server.patch(&path, &etag, &json!({"title": "B"})).await.problem(412);
    server.remove(&path).await.with(204);
    assert_eq!(server.all(&versions).await.len(), 4, "its versions stay readable");
});

on_both_engines!(what_a_procedure_cannot_be_is_refused_with_its_place, async |server| {
    nut(&server).await;
    for (fields, pointer, words) in [
        (json!({"title": ""}), "/title", "must not be empty; say what people call it"),
        (json!({"component": "rotor_blade"}), "/component", "rotor_blade"),
        (json!({"steps": []}), "/steps", "has less than 1 item"),
        (json!({"steps": [{"text": "Turn"}, {"text": " "}]}), "/steps/1/text", "say what to do"),
        (json!({"steps": [{"text": "Turn\nback"}]}), "/steps/0/text", "make two steps of it"),
        (json!({"steps": [{"text": "Turn", "fastener": "no_such_nut"}]}), "/steps/0/fastener", "is the key of no fastener"),
        (
            json!({"steps": [{"text": "Turn", "limit": {"component": "rotor_blade", "quantity": "length"}}]}),
            "/steps/0/limit/component",
            "rotor_blade",
        ),
        (json!({"applies_to": {"motorcycle_id": UNKNOWN}}), "/applies_to/motorcycle_id", "There is no motorcycle here with this id"),
    ] {
        let refused = server.post("/procedures", &wheel(fields.clone())).await;
        assert_eq!(refused.wrong(), [pointer], "{fields}");
        assert!(refused.text.contains(words), "{fields}: {}", refused.text);
    }
    let refused = server.post("/procedures", &wheel(json!({"steps": [{"text": "Turn", "photo": 1}]}))).await;
    assert!([400, 422].contains(&refused.status) && refused.text.contains("photo"), "{}", refused.text);
    assert_eq!(server.count("/procedures").await, 0);
});

on_both_engines!(an_event_follows_a_version_and_says_what_was_not_done, async |server| {
    let id = written(&server).await;
    let bike = server.motorcycle(json!({"final_drive": "belt"})).await;
    let followed =
        json!([{"id": id, "version": 1, "steps_done": [1, 2, 3], "steps_left_out": [{"step": 4, "reason": "Gauge is being mended"}]}]);
    let logged = server.post(&format!("{bike}/service-events"), &event(followed)).await.created();
    let told = &logged["procedures"][0];
    assert_eq!((&told["procedure_id"], &told["version"], &told["title"]), (&json!(id), &json!(1), &json!("Refit the rear wheel")));
    let steps: Vec<_> = told["steps"].as_array().unwrap().iter().map(|step| (&step["done"], &step["left_out_because"])).collect();
    let (yes, no) = (json!(true), json!(false));
    assert_eq!(
        steps,
        [(&yes, &Value::Null), (&yes, &Value::Null), (&yes, &Value::Null), (&no, &json!("Gauge is being mended")), (&no, &Value::Null)]
    );
    assert_eq!(told["steps"][4]["text"], "Pump the brake");

    // The procedure goes on; what was followed stays.
    let path = format!("/procedures/{id}");
    server.change(&path, &json!({"steps": [{"text": "All new"}]})).await.ok();
    let event_path = format!("/service-events/{}", logged["id"].as_str().unwrap());
    assert_eq!(server.get(&event_path).await.ok()["procedures"], logged["procedures"]);
    let history = server.get(&format!("{bike}/history")).await.items();
    assert!(history.iter().any(|item| item["service_event"]["procedures"] == logged["procedures"]), "{history:#?}");
    // Texts of the event may still change, and after the signature there are amendments.
    let changed = server.change(&event_path, &json!({"notes": "Gauge comes back on Friday"})).await.ok();
    assert_eq!(changed["procedures"], logged["procedures"]);
    server.post(&format!("{event_path}/signature"), &json!({"statement": "Done"})).await.created();
    let amended = server.post(&format!("{event_path}/amendments"), &json!({"text": "Brake pumped before the ride"})).await.created();
    assert_eq!(amended["procedures"], logged["procedures"]);
    // The packet tells it: which were done, which were left out and why, and which nobody spoke of.
    let html = server.send(server.request(reqwest::Method::GET, &format!("{bike}/packet")).header("accept", "text/html")).await;
    for words in [
        "Procedure followed: Refit the rear wheel (version 1): steps 1 to 3 of 5 done.",
        "Step 4, Check the belt at four wheel positions: left out (Gauge is being mended).",
        "Step 5, Pump the brake: not said to be done.",
    ] {
        assert!(html.text.contains(words), "{words}: {}", html.text);
    }
    // A sheet that was printed before the procedure was withdrawn was followed all the same.
    server.remove(&path).await.with(204);
    let late = json!([{"id": id, "version": 2, "steps_done": [1]}]);
    server.post(&format!("{bike}/service-events"), &json!({"on": "2026-05-03", "procedures": late})).await.created();
});

on_both_engines!(an_event_cannot_follow_what_is_not_there, async |server| {
    let id = written(&server).await;
    let bike = server.motorcycle(json!({"make": "Halden"})).await;
    let refused = async |followed: Value, pointer: &str, words: &str| {
        let refused = server.post(&format!("{bike}/service-events"), &event(json!([followed]))).await;
        assert_eq!(refused.wrong(), [pointer], "{}", refused.text);
        assert!(refused.text.contains(words), "{words}: {}", refused.text);
    };
    let of = |fields: Value| {
        let mut followed = json!({"id": id, "version": 1, "steps_done": [1]});
        merge(&mut followed, fields);
        followed
    };
    refused(of(json!({"version": 2})), "/procedures/0/version", "There is no version 2 of a procedure with this id").await;
    refused(of(json!({"id": UNKNOWN})), "/procedures/0/version", "GET /procedures lists them").await;
    refused(of(json!({"steps_done": [1, 6]})), "/procedures/0/steps_done/1", "there is no step 6: version 1 has the steps 1 to 5").await;
    refused(of(json!({"steps_done": [0]})), "/procedures/0/steps_done/0", "there is no step 0").await;
    refused(of(json!({"steps_done": [2, 2]})), "/procedures/0/steps_done/1", "step 2 is named twice").await;
    let left = json!({"steps_left_out": [{"step": 1, "reason": "Forgot"}]});
    refused(of(left), "/procedures/0/steps_left_out/0/step", "step 1 is named twice").await;
    let left = json!({"steps_left_out": [{"step": 2, "reason": ""}]});
    refused(of(left), "/procedures/0/steps_left_out/0/reason", "say why step 2 was left out").await;
    refused(of(json!({"steps_done": []})), "/procedures/0/steps_done", "names no step").await;
    let twice = server.post(&format!("{bike}/service-events"), &event(json!([of(json!({})), of(json!({}))]))).await;
    assert_eq!(twice.wrong(), ["/procedures/1/id"]);
    // One that is for other motorcycles, and one of another workshop.
    let corvane = server.post("/procedures", &wheel(json!({"applies_to": {"make": "Corvane"}}))).await.id();
    refused(of(json!({"id": corvane})), "/procedures/0/id", "is written for other motorcycles").await;
    let far = written(&server.other_workshop()).await;
    refused(of(json!({"id": far})), "/procedures/0/version", "There is no version 1").await;
    assert_eq!(server.count(&format!("{bike}/service-events")).await, 0);
});

on_both_engines!(an_owner_sees_what_was_followed_and_nothing_else_of_it, async |server| {
    let id = written(&server).await;
    let ada = server.post("/owners", &json!({"name": "Ada Birch"})).await.id();
    let made = server.post("/tokens", &json!({"name": "Ada", "scopes": ["read", "write"], "owner_id": ada})).await.created();
    let adas = server.with_token(made["token"].as_str().unwrap());
    let bike = server.motorcycle(json!({"owner_id": ada})).await;
    let followed = json!([{"id": id, "version": 1, "steps_done": [1, 2]}]);
    let event_id = server.post(&format!("{bike}/service-events"), &event(followed.clone())).await.id();
    let seen = adas.get(&format!("/service-events/{event_id}")).await.ok();
    assert_eq!(seen["procedures"][0]["steps"][1]["done"], true);
    for path in ["/procedures".to_owned(), format!("/procedures/{id}"), format!("/procedures/{id}/versions/1")] {
        adas.get(&path).await.problem(403);
    }
    let own = adas.post(&format!("{bike}/service-events"), &json!({"on": "2026-05-03", "procedures": followed})).await;
    assert_eq!(own.wrong(), ["/procedures/0/version"]);
});

on_both_engines!(a_job_sheet_brings_the_procedures_of_its_work_with_this_motorcycles_figures, async |server| {
    nut(&server).await;
    let bike = server.motorcycle(json!({"make": "Halden", "model": "650 Twin"})).await;
    let own = json!({"key": "rear_axle_nut", "name": "Rear axle nut of the Twin", "component": "axle", "position": "rear",
        "stages": [{"lower": 98, "upper": 102, "unit": "N.m"}], "applies_to": {"model": "650 Twin"}});
    server.post("/fasteners", &own).await.created();
    let limit = json!({"component": "drive_belt", "quantity": "deflection", "lower": 8, "upper": 10, "unit": "mm", "kind": "adjust"});
    server.post("/limits", &limit).await.created();
    let meant = server.post("/procedures", &wheel(json!({}))).await.id();
    for other in [
        json!({"title": "Front", "position": "front"}),
        json!({"title": "Corvane", "applies_to": {"make": "Corvane"}}),
        json!({"title": "Battery", "component": "battery", "position": null, "operation": "replace"}),
        json!({"title": "True it", "operation": "adjust"}),
    ] {
        server.post("/procedures", &wheel(other)).await.created();
    }
    // The rear tire is due: the wheel comes out for it, and goes back by this.
    let rule = json!({"name": "Rear tire", "component": "tire", "position": "rear", "operation": "replace", "every": {"months": 1}});
    server.post("/interval-rules", &rule).await.created();
    server.reading(&bike, "2026-01-02", 1000).await.created();
    let sheet = server.get(&format!("{bike}/job-sheet")).await.ok();
    let titles: Vec<_> = sheet["procedures"].as_array().unwrap().iter().map(|one| (&one["id"], &one["title"])).collect();
    assert_eq!(titles, [(&json!(meant), &json!("Refit the rear wheel"))]);
    let steps = &sheet["procedures"][0]["steps"];
    assert_eq!(steps[2]["fastener"]["name"], "Rear axle nut of the Twin");
    assert_eq!(
        (&steps[3]["limits"][0]["limit"]["lower"], &steps[4]["caution"]),
        (&json!(8), &json!("Do not ride before the lever is hard"))
    );
    assert_eq!((&steps[0]["fastener"], &steps[0]["limits"]), (&Value::Null, &json!([])));
});

on_both_engines!(an_export_brings_every_version_and_what_followed_it, async |server| {
    let id = written(&server).await;
    let path = format!("/procedures/{id}");
    server.change(&path, &json!({"title": "Rear wheel, back in"})).await.ok();
    let withdrawn = server.post("/procedures", &wheel(json!({"title": "Old way"}))).await.id();
    server.remove(&format!("/procedures/{withdrawn}")).await.with(204);
    let bike = server.motorcycle(json!({})).await;
    let followed =
        json!([{"id": id, "version": 1, "steps_done": [1], "steps_left_out": [{"step": 2, "reason": "No spacer on this side"}]}]);
    let event_path = format!("/service-events/{}", server.post(&format!("{bike}/service-events"), &event(followed)).await.id());

    let to = server.other_workshop();
    let file = server.get("/export").await.text;
    let import = async |file: String| {
        let request = to.request(reqwest::Method::POST, "/imports?kind=export").header("content-type", "application/x-ndjson");
        to.send(request.body(file)).await
    };
    // A version that could not have been written is refused with its place, and nothing of the file is kept.
    for (column, pointer, value) in [
        ("body.steps", "/row/body/steps", json!([])),
        ("body.title", "/row/body/title", json!("")),
        ("version", "/row/version", json!(0)),
        ("procedure_id", "/row/procedure_id", json!(UNKNOWN)),
    ] {
        let mut lines: Vec<Value> = file.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
        let place = lines.iter().position(|line| line["table"] == "procedure_version").unwrap();
        *lines[place].pointer_mut(pointer).unwrap() = value;
        let wrong = import(lines.iter().map(|line| format!("{line}\n")).collect()).await;
        assert_eq!(wrong.status, 422, "{column}: {}", wrong.text);
        assert!(wrong.text.contains(column), "{column}: {}", wrong.text);
        assert_eq!(to.count("/procedures").await, 0);
    }
    import(file).await.with(201);
    for path in ["/procedures".to_owned(), format!("{path}/versions"), format!("/procedures/{withdrawn}/versions"), event_path] {
        assert_eq!(to.get(&path).await.ok(), server.get(&path).await.ok(), "{path}");
    }
});

on_both_engines!(what_is_written_for_one_motorcycle_goes_with_it_and_is_copied, async |server| {
    let shared = written(&server).await;
    let bike = server.motorcycle(json!({})).await;
    let own = wheel(json!({"title": "This one alone", "applies_to": {"motorcycle_id": bike.rsplit('/').next()}}));
    let own = server.post("/procedures", &own).await.id();
    server.change(&format!("/procedures/{own}"), &json!({"applies_when": "Wheel out"})).await.ok();
    // One that was written for another motorcycle at first, and one that is for all by now.
    let before = server.motorcycle(json!({})).await;
    let moved = wheel(json!({"title": "Now for this one", "applies_to": {"motorcycle_id": before.rsplit('/').next()}}));
    let moved = format!("/procedures/{}", server.post("/procedures", &moved).await.id());
    server.change(&moved, &json!({"applies_to": {"motorcycle_id": bike.rsplit('/').next()}})).await.ok();
    let widened = wheel(json!({"title": "Now for all", "applies_to": {"motorcycle_id": bike.rsplit('/').next()}}));
    let widened = format!("/procedures/{}", server.post("/procedures", &widened).await.id());
    server.change(&widened, &json!({"applies_to": {"motorcycle_id": null}})).await.ok();
    let followed = json!([{"id": shared, "version": 1, "steps_done": [1, 2]}, {"id": own, "version": 1, "steps_done": [3]}]);
    server.post(&format!("{bike}/service-events"), &event(followed)).await.created();

    let other = server.motorcycle(json!({})).await;
    let id = |path: &str| path.rsplit('/').next().unwrap().parse().unwrap();
    let workshop = server.get("/workshop").await.ok()["id"].as_str().unwrap().parse().unwrap();
    let mut work = server.app.write(&witnessmark::access::Caller::command_line(workshop), None).await.unwrap();
    for _ in 0..2 {
        witnessmark::actions::rule::copy_rules(&mut work, id(&bike), id(&other)).await.unwrap();
    }
    work.finish(None).await.unwrap();
    let copied = server.all(&format!("/procedures?motorcycle={}", other.rsplit('/').next().unwrap())).await;
    assert_eq!(
        copied.iter().map(|one| (&one["title"], &one["version"])).collect::<Vec<_>>(),
        [(&json!("This one alone"), &json!(1)), (&json!("Now for this one"), &json!(1))]
    );

    let to = server.other_workshop();
    let link = server.post(&format!("{bike}/offers"), &json!({"to_email": "dee@example.org"})).await.created()["link"].clone();
    let secret = json!({"secret": link.as_str().unwrap().strip_prefix("/offers/").unwrap()});
    to.post("/offers/acceptance", &secret).await.created();
    let come = to.all("/procedures").await;
    assert_eq!(
        come.iter().map(|one| (&one["title"], &one["version"])).collect::<Vec<_>>(),
        [(&json!("This one alone"), &json!(2)), (&json!("Now for this one"), &json!(2))]
    );
    let far = format!("/motorcycles/{}", come[0]["applies_to"]["motorcycle_id"].as_str().unwrap());
    assert_eq!(to.count(&format!("/procedures/{}/versions", come[0]["id"].as_str().unwrap())).await, 2);
    // The workshop's own way stays behind; what was done by it is told all the same.
    let event = to.get(&format!("{far}/service-events")).await.items().remove(0);
    assert_eq!(event["procedures"][1]["procedure_id"], come[0]["id"]);
    assert_eq!(
        (&event["procedures"][0]["title"], &event["procedures"][0]["steps"][1]["done"]),
        (&json!("Refit the rear wheel"), &json!(true))
    );
    to.get(&format!("/procedures/{}", event["procedures"][0]["procedure_id"].as_str().unwrap())).await.problem(404);
});
