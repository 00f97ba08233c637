//! What is made of rules and history: job sheets, visits, forecasts, search, costs, the audit trail; and rules handed on to another motorcycle.
use serde_json::{Value, json};
use witnessmark::{
    access::Caller,
    actions::rule,
    domain::{id::Id, rule::NewIntervalRule},
};

use crate::harness::{Server, on_both_engines};

fn texts<'v>(items: &'v Value, field: &str) -> Vec<&'v str> {
    items.as_array().into_iter().flatten().filter_map(|item| item[field].as_str()).collect()
}
/// The id at the end of a path.
fn id<T>(path: &str) -> Id<T> {
    path.rsplit('/').next().and_then(|id| id.parse().ok()).expect("a path ends in an id")
}
fn oil(every: Value) -> Value {
    json!({"name": "Engine oil", "component": "engine_oil", "operation": "replace", "every": every})
}
async fn service(server: &Server, bike: &str, event: Value) -> Value {
    server.post(&format!("{bike}/service-events"), &event).await.created()
}
async fn due(server: &Server, bike: &str) -> Vec<Value> {
    server.get(&format!("{bike}/due")).await.items()
}

on_both_engines!(a_rule_makes_due_what_it_is_for_and_no_more_once_it_is_changed_or_deleted, async |server| {
    let halden = server.motorcycle(json!({"make": "Halden"})).await;
    let corvane = server.motorcycle(json!({"make": "Corvane"})).await;
    let mut new = oil(json!({"months": 12}));
    new["applies_to"] = json!({"make": "halden"});
    let path = format!("/interval-rules/{}", server.post("/interval-rules", &new).await.id());
    assert_eq!((due(&server, &halden).await.len(), due(&server, &corvane).await.len()), (1, 0));
    server.change(&path, &json!({"applies_to": {"make": "Corvane"}})).await.ok();
    assert_eq!((due(&server, &halden).await.len(), due(&server, &corvane).await.len()), (0, 1));
    server.remove(&path).await.with(204);
    assert_eq!(due(&server, &corvane).await.len(), 0);
    server.get(&path).await.problem(404);
    assert_eq!(server.get("/interval-rules").await.items().len(), 0);
});

on_both_engines!(limits_and_fasteners_that_contradict_are_refused_when_made_and_when_changed, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let fastener = json!({"key": "drain_plug", "name": "Drain plug", "component": "engine_oil", "stages": [{"lower": 20, "upper": 25, "unit": "N.m"}]});
    let first = server.post("/fasteners", &fastener).await.id();
    let refused = server.post("/fasteners", &fastener).await;
    assert_eq!(refused.problem(409)["conflicts_with"], json!([first]));
    let mut own = fastener.clone();
    own["applies_to"] = json!({"motorcycle_id": bike.rsplit('/').next()});
    let own = format!("/fasteners/{}", server.post("/fasteners", &own).await.id());
    let refused = server.change(&own, &json!({"applies_to": {"motorcycle_id": null}})).await;
    assert_eq!(refused.problem(409)["conflicts_with"], json!([first]));
    server.change(&own, &json!({"count": 2})).await.ok();
    let nobody = json!({"applies_to": {"motorcycle_id": "01933b6e-9a44-7cc0-8000-3f2a5c1d9e77"}});
    assert_eq!(server.change(&own, &nobody).await.wrong(), ["/applies_to/motorcycle_id"]);
    let limit = |from: u32| {
        json!({"component": "drive_belt", "quantity": "deflection", "upper": 9, "unit": "mm", "kind": "adjust",
        "part_distance": {"from": {"value": from, "unit": "mi"}, "to": {"value": from + 500, "unit": "mi"}}})
    };
    let low = server.post("/limits", &limit(0)).await.id();
    let high = format!("/limits/{}", server.post("/limits", &limit(500)).await.id());
    assert_eq!(server.change(&high, &limit(400)).await.problem(409)["conflicts_with"], json!([low]));
});

on_both_engines!(a_job_sheet_has_all_that_the_work_takes, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let nut = json!({"key": "rear_axle_nut", "name": "Rear axle nut", "component": "axle", "position": "rear", "single_use": true,
        "stages": [{"lower": 105, "upper": 115, "unit": "N.m"}]});
    server.post("/fasteners", &nut).await.created();
    let tread = json!({"component": "tire", "quantity": "tread_depth", "lower": 1.6, "unit": "mm", "kind": "legal"});
    let tread = server.post("/limits", &tread).await.id();
    let tire = json!({"name": "Rear tire", "component": "tire", "position": "rear", "operation": "replace", "every": {"months": 12}});
    server.post("/interval-rules", &tire).await.created();
    server.post("/interval-rules", &oil(json!({"months": 120}))).await.created();
    let event = json!({"on": "2025-03-01", "odometer": 10000, "summary": "Rear wheel out",
        "work": [{"component": "engine_oil", "operation": "replace"}],
        "fitted": [{"component": "tire", "position": "rear", "description": "Touring tire", "part_number": "T-160"}],
        "tightened": [{"fastener": "rear_axle_nut", "stages": [{"value": 110, "unit": "N.m"}], "single_use_was": "reused"}],
        "as_found": [{"component": "axle", "position": "rear", "text": "Spacer with the shoulder outwards"}]});
    service(&server, &bike, event).await;
    let sheet = server.get(&format!("{bike}/job-sheet")).await.ok();
    assert_eq!(texts(&sheet["operations"], "title"), ["Rear tire, replace"], "what is due later is left out");
    assert_eq!(texts(&sheet["fasteners"], "key"), ["rear_axle_nut"]);
    assert_eq!(sheet["limits"][0]["limit"]["id"], json!(tread));
    assert_eq!(sheet["limits"][0]["new_part"], json!(true));
    assert_eq!(texts(&sheet["parts"], "description"), ["Touring tire", "Rear axle nut"]);
    assert_eq!(sheet["parts"][0]["part_number"], "T-160");
    assert_eq!(texts(&sheet["as_found"], "text"), ["Spacer with the shoulder outwards"]);
    assert_eq!(sheet["follow_ups"].as_array().map(Vec::len), Some(1), "the nut that was used again: {}", sheet["follow_ups"]);
    assert!(!sheet["cautions"].as_array().unwrap().is_empty() && sheet["caution"].as_str().unwrap().contains("manual"));
    let later = due(&server, &bike).await.into_iter().find(|item| item["component"] == "engine_oil").unwrap();
    let chosen = server.get(&format!("{bike}/job-sheet?due={}", later["id"].as_str().unwrap())).await.ok();
    assert_eq!(texts(&chosen["operations"], "component"), ["engine_oil"]);
    assert_eq!(server.get(&format!("{bike}/job-sheet?due={tread}")).await.wrong(), ["/due"]);
});

on_both_engines!(what_is_open_anyway_is_offered_with_the_sheet, async |server| {
    let bike = server.motorcycle(json!({"in_service_on": "2025-06-10", "final_drive": "belt"})).await;
    let rule = |name: &str, component: &str, position: &str, operation: &str, months: u32| {
        json!({"name": name, "component": component, "position": (!position.is_empty()).then_some(position), "operation": operation,
            "every": {"months": months}, "lead": {"days": 0}})
    };
    for (name, component, position, operation, months) in [
        ("Tire", "tire", "rear", "replace", 12),
        ("Belt", "drive_belt", "", "inspect", 14),
        ("Pads", "brake_pads", "front", "replace", 14),
        ("Bearings", "wheel_bearing", "rear", "inspect", 36),
    ] {
        server.post("/interval-rules", &rule(name, component, position, operation, months)).await.created();
    }
    let sheet = server.get(&format!("{bike}/job-sheet")).await.ok();
    assert_eq!(texts(&sheet["operations"], "title"), ["Tire, replace"]);
    let together = sheet["together"].as_array().unwrap();
    assert_eq!(texts(&sheet["together"], "title"), ["Belt, inspect"], "neither the front nor what is years away");
    assert_eq!(together[0]["because"], "Rear wheel: open anyway for Tire, replace. Belt, inspect is due on 10 Aug 2026.",);
    let ids = |list: &serde_json::Value, name: &str| {
        list.as_array().unwrap().iter().map(|it| it[name].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    let both = [ids(&sheet["operations"], "id"), ids(&sheet["together"], "due_item_id")].concat().join(",");
    let sheet = server.get(&format!("{bike}/job-sheet?due={both}")).await.ok();
    assert_eq!((sheet["operations"].as_array().unwrap().len(), &sheet["together"]), (2, &json!([])));
});

on_both_engines!(visits_take_together_what_can_wait_for_each_other, async |server| {
    let bike = server.motorcycle(json!({"in_service_on": "2026-01-01"})).await;
    // The oil is due on 1 Oct and may wait until the filter is nearly due on 2 Oct.
    for (name, months, grace) in [("Oil", 9, 5), ("Filter", 10, 0), ("Valves", 17, 0)] {
        let rule =
            json!({"name": name, "component": "engine_oil", "operation": "inspect", "every": {"months": months}, "grace": {"days": grace}});
        server.post("/interval-rules", &rule).await.created();
    }
    let visits = server.get(&format!("{bike}/visits?months=12")).await.items();
    let counts: Vec<_> = visits.iter().map(|visit| (visit["on"].as_str().unwrap(), visit["due_items"].as_array().unwrap().len())).collect();
    assert_eq!(counts, [("2026-10-02", 2), ("2027-06-01", 1)], "{visits:?}");
    assert_eq!(server.get(&format!("{bike}/visits?months=121")).await.wrong(), ["/months"]);
});

on_both_engines!(a_forecast_runs_on_from_the_readings_as_of_a_day, async |server| {
    let bike = server.motorcycle(json!({})).await;
    for (on, reading) in [("2025-01-01", 1000), ("2026-01-01", 4650), ("2026-06-01", 9000)] {
        server.reading(&bike, on, reading).await.created();
    }
    let then = server.get(&format!("{bike}/forecast?as_of=2026-01-01&on=2027-01-01")).await.ok();
    assert_eq!((&then["basis"], &then["unit"]), (&json!("readings"), &json!("mi")));
    // 3,650 mi a year by the readings until then; the one of June would make it much more.
    let [low, middle, high] = ["p10", "p50", "p90"].map(|level| then["odometer"][level].as_f64().unwrap());
    assert!(4650.0 <= low && low < middle && middle < high && (5500.0..9500.0).contains(&middle), "{then}");
    assert_eq!(server.get(&format!("{bike}/forecast?on=2026-05-31")).await.wrong(), ["/on"]);
    let last = server.get(&format!("{bike}/forecast?on=2026-06-01")).await.ok();
    assert_eq!(last["odometer"], json!({"p10": 9000, "p50": 9000, "p90": 9000}));
    assert_eq!(server.get(&format!("{bike}/forecast")).await.ok()["on"], "2026-06-15");
});

on_both_engines!(search_finds_words_in_any_order_and_pages_through_them, async |server| {
    let bike = server.motorcycle(json!({})).await;
    for day in 1..=5 {
        let event = json!({"on": format!("2026-05-0{day}"), "summary": format!("Visit {day}"),
            "work": [{"component": "drive_chain", "operation": "adjust", "note": "Größe 14 spanner"}],
            "follow_ups": [{"text": "Look at the spanner flats", "component": "drive_chain"}]});
        service(&server, &bike, event).await;
    }
    let part = json!({"component": "tire", "position": "rear", "description": "Touring 100%", "part_number": "T_160", "on": "2026-04-01"});
    server.post(&format!("{bike}/installed-parts"), &part).await.created();
    assert_eq!(server.all("/search?q=SPANNER&limit=3").await.len(), 10);
    let found = server.get("/search?q=adjust+chain+2").await.items();
    assert_eq!(found.iter().map(|found| found["on"].as_str().unwrap()).collect::<Vec<_>>(), ["2026-05-02"]);
    for (question, kind, count) in [
        ("gr%C3%B6%C3%9Fe", "service_event", 5),
        ("flats", "follow_up", 5),
        ("100%25", "installed_part", 1),
        ("T_160", "installed_part", 1),
        ("rear+tire", "installed_part", 1),
        ("component", "", 0),
        ("GROSSE+14+spann", "service_event", 5),
        ("spann+14", "service_event", 0),
        ("component%22+OR+spanner", "", 0),
    ] {
        let found = server.get(&format!("/search?q={question}")).await.items();
        assert_eq!(found.len(), count, "{question}: {found:?}");
        assert!(found.iter().all(|found| found["kind"] == kind), "{question}: {found:?}");
    }
    assert_eq!(server.get("/search").await.wrong(), ["/q"]);
    assert_eq!(server.other_workshop().get("/search?q=spanner").await.items().len(), 0);
});

on_both_engines!(a_question_is_answered_by_the_event, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let work = |position: &str, operation: &str| json!([{"component": "brake_pads", "position": position, "operation": operation}]);
    for (day, position, operation) in [
        ("2025-03-01", "rear", "replace"),
        ("2026-02-01", "rear", "replace"),
        ("2026-03-01", "front", "replace"),
        ("2026-04-01", "rear", "inspect"),
    ] {
        service(&server, &bike, json!({"on": day, "summary": "", "work": work(position, operation)})).await;
    }
    // Something else was changed on this day; the pads were looked at.
    let both = json!([{"component": "engine_oil", "operation": "replace"}, {"component": "brake_pads", "position": "rear", "operation": "inspect"}]);
    service(&server, &bike, json!({"on": "2026-05-01", "summary": "", "work": both})).await;
    assert_eq!(server.get("/search?q=rear+pads+changed").await.items()[0]["on"], "2026-05-01", "words alone may be anywhere");
    let found = server.get("/search?q=When+were+the+rear+pads+last+changed%3F").await.items();
    let events: Vec<_> = found.iter().filter(|found| found["kind"] == "service_event").map(|found| found["on"].clone()).collect();
    assert_eq!(events, ["2026-02-01", "2025-03-01"]);
    assert!(found[0]["text"].as_str().unwrap().contains("ear brake pads, replace"), "{found:?}");
});

on_both_engines!(the_index_follows_every_write, async |server| {
    let owner = server.post("/owners", &json!({"name": "Ada Birch"})).await.id();
    let bike = server.motorcycle(json!({"owner_id": owner})).await;
    let event = json!({"on": "2026-05-01", "odometer": 100, "summary": "Before", "notes": "Zebra", "internal_notes": "Walrus",
        "work": [{"component": "drive_chain", "operation": "lubricate"}], "as_found": [{"component": "axle", "text": "Étrier côté gauche"}],
        "fitted": [{"component": "tire", "position": "front", "description": "Quagga 120"}],
        "follow_ups": [{"text": "Okapi again"}]});
    let event = server.post(&format!("{bike}/service-events"), &event).await.created();
    let path = format!("/service-events/{}", event["id"].as_str().unwrap());
    let count = async |question: &str| server.count(&format!("/search?q={question}")).await;
    for (question, found) in
        [("zebra", 1), ("greased+chain", 1), ("etrier+cote", 1), ("quagga", 2), ("okapi", 1), ("walrus", 1), ("giraffe", 0)]
    {
        assert_eq!(count(question).await, found, "{question}");
    }
    // What the workshop keeps to itself is not found by owners, alone or with other words.
    let token = server.post("/tokens", &json!({"name": "Ada", "scopes": ["read"], "owner_id": owner})).await.created();
    let ada = server.with_token(token["token"].as_str().unwrap());
    assert_eq!((ada.count("/search?q=walrus").await, ada.count("/search?q=zebra+walrus").await), (0, 0));
    let seen = ada.get("/search?q=zebra").await;
    assert!(seen.text.contains("Zebra") && !seen.text.contains("Walrus"), "{}", seen.text);
    assert!(server.get("/search?q=zebra+walrus").await.text.contains("Walrus"));
    // Changed, amended, attached, struck out: the same transaction keeps up.
    server.change(&path, &json!({"notes": "Giraffe"})).await.ok();
    assert_eq!((count("zebra").await, count("giraffe").await), (0, 1));
    let file = reqwest::multipart::Part::bytes(crate::harness::picture::PHOTO).file_name("Ibex spacer.png");
    let form = reqwest::multipart::Form::new().text("belongs_to", event["id"].as_str().unwrap().to_owned()).part("file", file);
    let photo = server.send(server.request(reqwest::Method::POST, "/attachments").multipart(form)).await.id();
    let found = server.get("/search?q=spacer+ibex").await.items();
    assert_eq!(
        (&found[0]["kind"], &found[0]["on"], &found[0]["service_event_id"]),
        (&json!("attachment"), &json!("2026-05-01"), &event["id"])
    );
    server.remove(&format!("/attachments/{photo}")).await;
    assert_eq!(count("ibex").await, 0);
    server.remove(&format!("{path}?reason=another+motorcycle")).await;
    for question in ["giraffe", "okapi", "quagga"] {
        let found = server.get(&format!("/search?q={question}")).await.items();
        assert!(!found.is_empty() && found.iter().all(|found| found["struck_out"] == true), "{question}: {found:?}");
    }
    // Made anew from what is stored, it says the same; and what is old is made anew when the database is opened.
    let before = server.get("/search?q=quagga").await.text;
    let mut tx = server.app.store.read().await.unwrap();
    let workshops = witnessmark::store::workshop::all(&mut tx).await.unwrap();
    drop(tx);
    let mut tx = server.app.store.write().await.unwrap();
    for workshop in workshops {
        witnessmark::store::search::reindex(&mut tx, workshop.id).await.unwrap();
    }
    tx.commit().await.unwrap();
    assert_eq!(server.get("/search?q=quagga").await.text, before);
});

on_both_engines!(nothing_that_is_typed_breaks_the_search, async |server| {
    let bike = server.motorcycle(json!({})).await;
    service(&server, &bike, json!({"on": "2026-05-01", "summary": "Plain words"})).await;
    let signs = [
        "\"", "'", "*", "(", ")", "^", "-", "+", ":", "&", "|", "!", "<->", "\\", "{", "}", "NEAR(", "AND", "OR", "NOT", "tenant :",
        "\u{0}", "%",
    ];
    for first in signs {
        for second in ["plain", "", "\"", "*", ")"] {
            let question: String = url(&format!("{first}{second} {first}"));
            let answer = server.get(&format!("/search?q={question}")).await;
            assert!(matches!(answer.status, 200 | 422), "{first}{second}: {}", answer.text);
        }
    }
    assert_eq!(server.get(&format!("/search?q={}", url("\"plain\" (words*)"))).await.items().len(), 1);
});
/// A text as part of an address.
fn url(text: &str) -> String {
    text.bytes().map(|byte| format!("%{byte:02X}")).collect()
}

on_both_engines!(costs_keep_currencies_apart_and_leave_out_what_was_struck, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let mut wrong = String::new();
    for (on, odometer, amount, currency) in [
        ("2025-01-01", 1000, "84.50", "EUR"),
        ("2025-06-01", 1500, "0.10", "EUR"),
        ("2026-01-01", 2000, "12", "USD"),
        ("2026-02-01", 2100, "999", "EUR"),
    ] {
        let event = json!({"on": on, "odometer": odometer, "cost": {"amount": amount, "currency": currency}, "labor_minutes": 30});
        wrong = format!("/service-events/{}", service(&server, &bike, event).await["id"].as_str().unwrap());
    }
    server.remove(&format!("{wrong}?reason=typing")).await.with(204);
    let costs = server.get(&format!("{bike}/costs")).await.ok();
    assert_eq!(costs["total"]["costs"], json!([{"amount": "84.60", "currency": "EUR"}, {"amount": "12", "currency": "USD"}]));
    assert_eq!(costs["total"]["per_1000"], json!([{"amount": "84.60", "currency": "EUR"}, {"amount": "12.00", "currency": "USD"}]));
    let years: Vec<_> = costs["years"]
        .as_array()
        .unwrap()
        .iter()
        .map(|year| (year["year"].as_i64().unwrap(), year["labor_minutes"].as_i64().unwrap()))
        .collect();
    assert_eq!(years, [(2026, 30), (2025, 60)]);
});

on_both_engines!(the_audit_trail_is_for_administrators_and_says_who_did_what, async |server| {
    let bike = server.motorcycle(json!({"name": "Courier 3"})).await;
    server.change(&bike, &json!({"name": "Courier 4"})).await.ok();
    server.post("/interval-rules", &oil(json!({"months": 12}))).await.created();
    let of_bike = server.get(&format!("/audit?motorcycle={}", bike.rsplit('/').next().unwrap())).await.items();
    assert_eq!(of_bike.iter().map(|entry| entry["action"].as_str().unwrap()).collect::<Vec<_>>(), ["change", "add"]);
    assert_eq!((&of_bike[0]["old"]["name"], &of_bike[0]["new"]["name"]), (&json!("Courier 3"), &json!("Courier 4")));
    assert_eq!(server.all("/audit?limit=1").await.len(), server.get("/audit").await.items().len());
    assert_eq!(server.get("/audit?since=2036-01-01T00:00:00Z").await.items().len(), 0);
    let reader = server.post("/tokens", &json!({"name": "Reader", "scopes": ["read", "write"]})).await.created();
    server.with_token(reader["token"].as_str().unwrap()).get("/audit").await.problem(403);
});

on_both_engines!(calculations_need_no_more_than_reading_and_store_nothing, async |server| {
    let reader = server.post("/tokens", &json!({"name": "Reader", "scopes": ["read"]})).await.created();
    let reader = server.with_token(reader["token"].as_str().unwrap());
    let mm = |value: u32| json!({"value": value, "unit": "mm"});
    let asked = json!({"wanted": {"value": 90, "unit": "N.m"}, "wrench_length": mm(400), "adapter_length": mm(50)});
    assert_eq!(reader.post("/calculations/torque-adapter", &asked).await.ok(), json!({"set": {"value": 80, "unit": "N.m"}}));
    let wrong = json!({"wanted": {"value": 90, "unit": "mm"}, "wrench_length": mm(400), "adapter_length": mm(50)});
    assert_eq!(reader.post("/calculations/torque-adapter", &wrong).await.wrong(), ["/wanted/unit"]);
    let nothing = json!({"points": [], "unit": "mm", "limit": 1.5});
    assert_eq!(reader.post("/calculations/wear", &nothing).await.ok()["at"], json!(null));
});

on_both_engines!(what_one_motorcycle_has_of_its_own_is_handed_on_to_another, async |server| {
    let (from, to) = (server.motorcycle(json!({})).await, server.motorcycle(json!({})).await);
    let own = |mut new: Value| {
        new["applies_to"] = json!({"motorcycle_id": from.rsplit('/').next()});
        new
    };
    server.post("/interval-rules", &own(oil(json!({"months": 6})))).await.created();
    server.post("/interval-rules", &oil(json!({"months": 12}))).await.created();
    let limit = json!({"component": "tire", "quantity": "tread_depth", "lower": 2, "unit": "mm", "kind": "wear"});
    server.post("/limits", &own(limit)).await.created();
    server.post("/fasteners", &own(json!({"key": "drain_plug", "name": "Drain plug", "component": "engine_oil"}))).await.created();
    let workshop = server.get("/workshop").await.ok()["id"].as_str().unwrap().parse().unwrap();
    let caller = Caller::command_line(workshop);
    for _ in 0..2 {
        let mut work = server.app.write(&caller, None).await.unwrap();
        rule::copy_rules(&mut work, id(&from), id(&to)).await.unwrap();
        work.finish(None).await.unwrap();
    }
    let to_id = to.rsplit('/').next().unwrap();
    for list in ["interval-rules", "limits", "fasteners"] {
        let copied = server.get(&format!("/{list}?motorcycle={to_id}")).await.items();
        assert_eq!(copied.len(), 1, "a second time copies nothing: {list} {copied:?}");
    }
    assert_eq!(due(&server, &to).await.len(), 2, "one for all, one of its own");

    let pick = |component: &str| -> NewIntervalRule {
        let pick = json!({"name": "Chain", "component": component, "operation": "lubricate", "every": {"months": 1}});
        serde_json::from_value(pick).unwrap()
    };
    let mut work = server.app.write(&caller, None).await.unwrap();
    let wrong = rule::add_usual(&mut work, id(&to), vec![pick("drive_chain"), pick("no_such")]).await.unwrap_err();
    assert_eq!(wrong.problems()[0].pointer, "/1/component");
    drop(work);
    let mut work = server.app.write(&caller, None).await.unwrap();
    rule::add_usual(&mut work, id(&to), vec![pick("drive_chain")]).await.unwrap();
    work.finish(None).await.unwrap();
    assert_eq!((due(&server, &to).await.len(), due(&server, &from).await.len()), (3, 2));
});
