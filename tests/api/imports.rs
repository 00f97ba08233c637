//! Importing rows: what comes of each, all of it or nothing, and the same as if each had been entered by itself.
use std::fmt::Write as _;

use reqwest::Method;
use serde_json::{Value, json};
use witnessmark::actions::check;

use crate::harness::{Answer, Server, on_both_engines};

async fn send(server: &Server, query: &str, media_type: &str, file: impl Into<reqwest::Body>) -> Answer {
    server.send(server.request(Method::POST, &format!("/imports?{query}")).header("content-type", media_type).body(file)).await
}
async fn csv(server: &Server, query: &str, file: &str) -> Answer {
    send(server, query, "text/csv", file.to_owned()).await
}
/// What came of the rows: `2:new 3:error(on)`.
fn told(body: &Value) -> String {
    let row = |row: &Value| {
        let columns: Vec<_> = row["errors"].as_array().unwrap().iter().map(|error| error["column"].as_str().unwrap()).collect();
        let columns = if columns.is_empty() { String::new() } else { format!("({})", columns.join(",")) };
        format!("{}:{}{columns}", row["row"], row["result"].as_str().unwrap())
    };
    body["rows"].as_array().unwrap().iter().map(row).collect::<Vec<_>>().join(" ")
}

const BIKES: &str = "Name,Make,Model,Year,VIN,Registration,Final_Drive,Odometer_Unit,In service on,records_begin.on,records_begin.odometer,Notes\n\
    Courier 3,Halden,650 Twin,2021,,QW 12,chain,mi,2021-04-10,,,\"Stiff clutch, \"\"old\"\" cable\"\n\
    Ferry,Corvane,,,1M8GDM9AXKP042788,,belt,km,,2024-03-01,18250,\n";

on_both_engines!(motorcycles, async |server| {
    let tried = csv(&server, "kind=motorcycles&dry_run=true", BIKES).await.ok();
    assert_eq!((told(&tried), &tried["dry_run"], &tried["created"]), ("2:new 3:new".into(), &json!(true), &json!(0)));
    assert_eq!(server.count("/motorcycles").await, 0);
    let done = csv(&server, "kind=motorcycles", BIKES).await.with(201);
    assert_eq!((told(&done), &done["dry_run"], &done["created"]), ("2:new 3:new".into(), &json!(false), &json!(2)));
    let bikes = server.all("/motorcycles").await;
    assert_eq!((&bikes[0]["notes"], &bikes[0]["year"]), (&json!("Stiff clutch, \"old\" cable"), &json!(2021)));
    assert_eq!(bikes[1]["records_begin"], json!({"on": "2024-03-01", "odometer": 18250}));
    let again = csv(&server, "kind=motorcycles", BIKES).await.with(201);
    assert_eq!((told(&again), &again["created"]), ("2:same 3:same".into(), &json!(0)));
    assert_eq!(server.count("/motorcycles").await, 2);

    let wrong = "name,final_drive,odometer_unit,vin,year,registration,interval_factor\n\
        ,chain,mi,,,,\nA,rope,mi,,,,\nB,chain,,,,,\nC,chain,mi,1M8GDM9A0KP042788,,,\nD,chain,mi,,soon,,\nE,chain,mi,,,QW 12,\nF,chain,mi,,,,9\nG,chain,mi,,,,\n";
    let body = csv(&server, "kind=motorcycles", wrong).await.with(422);
    assert_eq!(
        told(&body),
        "2:error(name) 3:error(final_drive) 4:error(odometer_unit) 5:error(vin) 6:error(year) 7:error(name) 8:error(interval_factor) 9:new"
    );
    assert_eq!(body["created"], 0);
    assert_eq!(server.count("/motorcycles").await, 2, "all or nothing");
    let lines = "{\"name\": \"Gull\", \"final_drive\": \"shaft\", \"odometer_unit\": \"km\", \"records_begin\": {\"on\": \"2024-03-01\", \"odometer\": 0.50}}\n";
    let done = send(&server, "kind=motorcycles", "application/x-ndjson", lines).await.with(201);
    assert_eq!(told(&done), "1:new");
});

on_both_engines!(readings, async |server| {
    csv(&server, "kind=motorcycles", BIKES).await.with(201);
    let id = server.all("/motorcycles").await[0]["id"].as_str().unwrap().to_owned();
    let file = format!(
        "\u{feff}motorcycle;on;reading\r\ncourier 3;2026-01-02;1000\r\nQW 12;2026-02-02;1500.50\r\n{id};2026-03-02;1800 mi\r\nFerry;2026-03-02;18400\r\n"
    );
    let done = csv(&server, "kind=odometer_readings", &file).await.with(201);
    assert_eq!(told(&done), "2:new 3:new 4:new 5:new");
    let list = server.all(&format!("/motorcycles/{id}/odometer-readings")).await;
    assert_eq!(list.iter().map(|reading| reading["reading"].to_string()).collect::<Vec<_>>(), ["1800", "1500.50", "1000"]);
    assert_eq!(server.get(&format!("/motorcycles/{id}")).await.ok()["odometer"]["reading"], 1800);
    let again = csv(&server, "kind=odometer_readings", &file).await.with(201);
    assert_eq!((told(&again), &again["created"]), ("2:same 3:same 4:same 5:same".into(), &json!(0)));

    let wrong = "motorcycle,on,reading\nCourier 3,2026-01-15,900\nCourier 3,2026-01-16,1200\nNobody,2026-01-15,1\nFerry,15.1.2026,18300\nFerry,2026-02-30,1\nFerry,2026-04-01,\"18,500\"\n\
        Ferry,2026-04-01,18500 mi\nFerry,2027-01-01,19000\nCourier 3,,\nFerry,2026-04-02,lots\nFerry,2026-04-03\n";
    let body = csv(&server, "kind=odometer_readings", wrong).await.with(422);
    assert_eq!(
        told(&body),
        "2:error(reading) 3:new 4:error(motorcycle) 5:error(on) 6:error(on) 7:error(reading) 8:error(reading) 9:error(on) 10:error(on,reading) \
         11:error(reading) 12:error()"
    );
    let said = |place: usize| body["rows"][place]["errors"][0]["detail"].as_str().unwrap();
    assert!(said(3).contains("date_order=dmy"), "{}", said(3));
    assert!(said(6).contains("unit=mi"), "{}", said(6));
    assert_eq!(list, server.all(&format!("/motorcycles/{id}/odometer-readings")).await, "nothing is stored");

    // The parameters decide what would be ambiguous.
    let file = "motorcycle,on,reading\nFerry,2/4/2026,11500\n";
    for (query, is) in [("date_order=dmy", "2:new"), ("date_order=mdy", "2:error(reading)")] {
        // On 4 Feb it would contradict the 18,400 km of 2 Mar.
        let done = csv(&server, &format!("kind=odometer_readings&dry_run=true&unit=mi&{query}"), file).await.ok();
        assert_eq!(told(&done), is, "{query}: {done}");
    }
    csv(&server, "kind=odometer_readings&unit=mi&date_order=dmy", file).await.with(201);
    let ferry = server.all("/motorcycles").await[1].clone();
    // 11,500 mi are 18,507.456 km.
    assert_eq!((&ferry["odometer"]["reading"], &ferry["odometer"]["on"]), (&json!(18507.5), &json!("2026-04-02")));
    assert_eq!(told(&csv(&server, "kind=odometer_readings&unit=mi&date_order=dmy", file).await.with(201)), "2:same");
    assert_eq!(csv(&server, "kind=odometer_readings&unit=furlong", file).await.wrong().len(), 1);
    assert!(check::check(&server.app.store).await.unwrap().differences.is_empty());
});

const EVENTS: &str = "motorcycle,on,odometer,summary,component,position,operation,note,performed_by,cost\n\
    Courier 3,2025-01-02,1000,First service,engine_oil,,replace,SAE 10W,R. Moss,84.50\n\
    Courier 3,2025-01-02,,First service,Oil filter,,replace,,,\n\
    Courier 3,2025-06-02,3000,Brakes,brake_pads,rear,replace,,,\n\
    Courier 3,2025-09-02,4000,\"Chain, and a look\",,,,Found a loose clip,,\n\
    Courier 3,2026-02-02,6000,Brakes again,brake_pads,rear,replace,,R. Moss,120.00 USD\n";

async fn rules(server: &Server) {
    for rule in [
        json!({"name": "Oil", "component": "engine_oil", "operation": "replace", "every": {"distance": {"value": 5000, "unit": "mi"}, "months": 12}}),
        json!({"name": "Pads", "component": "brake_pads", "operation": "replace", "scope": "part", "every": {"distance": {"value": 6000, "unit": "mi"}}}),
    ] {
        server.post("/interval-rules", &rule).await.created();
    }
}
/// What is due, without the ids of what was made on the way.
async fn due(server: &Server, bike: &str) -> Vec<Value> {
    let mut items = server.get(&format!("{bike}/due")).await.items();
    for item in &mut items {
        for id in ["id", "motorcycle", "installed_part_id"] {
            item[id] = Value::Null;
        }
        item["last_done"]["service_event_id"] = Value::Null;
    }
    items
}

on_both_engines!(events_are_as_if_each_had_been_entered_by_itself, async |server| {
    rules(&server).await;
    let by_hand = server.motorcycle(json!({"name": "By hand"})).await;
    for event in [
        json!({"on": "2025-01-02", "odometer": 1000, "summary": "First service", "performed_by": "R. Moss", "cost": {"amount": "84.50", "currency": "EUR"},
            "work": [{"component": "engine_oil", "operation": "replace", "note": "SAE 10W"}, {"component": "oil_filter", "operation": "replace"}]}),
        json!({"on": "2025-06-02", "odometer": 3000, "summary": "Brakes", "work": [{"component": "brake_pads", "position": "rear", "operation": "replace"}]}),
        json!({"on": "2025-09-02", "odometer": 4000, "summary": "Chain, and a look", "notes": "Found a loose clip"}),
        json!({"on": "2026-02-02", "odometer": 6000, "summary": "Brakes again", "performed_by": "R. Moss", "cost": {"amount": "120.00", "currency": "USD"},
            "work": [{"component": "brake_pads", "position": "rear", "operation": "replace"}]}),
    ] {
        server.post(&format!("{by_hand}/service-events"), &event).await.created();
    }
    let imported = server.motorcycle(json!({})).await;
    let tried = csv(&server, "kind=service_events&dry_run=true", EVENTS).await.ok();
    assert_eq!(told(&tried), "2:new 3:new 4:new 5:new 6:new");
    assert_eq!(server.count(&format!("{imported}/service-events")).await, 0);
    csv(&server, "kind=service_events", EVENTS).await.with(201);
    assert_eq!(due(&server, &by_hand).await, due(&server, &imported).await);
    let plain = |events: Vec<Value>| -> Vec<Value> {
        let fields = ["on", "odometer", "summary", "performed_by", "cost", "work", "notes"];
        events.into_iter().map(|event| fields.iter().map(|field| event[*field].clone()).collect()).collect()
    };
    let events = server.all(&format!("{imported}/service-events")).await;
    assert_eq!(plain(events.clone()), plain(server.all(&format!("{by_hand}/service-events")).await));
    let parts = async |bike: &str| {
        let parts = server.all(&format!("{bike}/installed-parts?removed=true")).await;
        parts
            .iter()
            .map(|part| json!([part["component"], part["position"], part["fitted"]["on"], part["removed"]["on"], part["part_distance"]]))
            .collect::<Vec<_>>()
    };
    assert_eq!(parts(&imported).await, parts(&by_hand).await);

    let again = csv(&server, "kind=service_events", EVENTS).await.with(201);
    assert_eq!((told(&again), &again["created"]), ("2:same 3:same 4:same 5:same 6:same".into(), &json!(0)));
    assert_eq!(server.all(&format!("{imported}/service-events")).await, events);
    assert!(check::check(&server.app.store).await.unwrap().differences.is_empty());
});

on_both_engines!(events_that_cannot_be, async |server| {
    server.motorcycle(json!({})).await;
    csv(&server, "kind=service_events", EVENTS).await.with(201);
    let wrong = "motorcycle,on,odometer,summary,component,position,operation,note,performed_by,cost\n\
        Courier 3,2025-01-02,1000,First service,engine_oil,,inspect,,,\n\
        Courier 3,2025-02-02,500,Too little,,,,,,\n\
        Courier 3,2025-02-03,1100,A,engine,,replace,,,\n\
        Courier 3,2025-02-04,1100,B,engine_oil,,,,,\n\
        Courier 3,2025-02-05,1100,C,,rear,,,,\n\
        Courier 3,2025-02-06,1100,D,engine_oil,sideways,polish,,,\n\
        Courier 3,2025-02-07,1100,E,,,,,,lots\n\
        Courier 3,2025-02-08,1100,F,,,,,R. Moss,\n\
        Courier 3,2025-02-08,1101,F,,,,,A. Birch,\n\
        Courier 3,2030-02-08,9000,G,,,,,,\n";
    let body = csv(&server, "kind=service_events", wrong).await.with(422);
    assert_eq!(
        told(&body),
        "2:error(work) 3:new 4:error(component) 5:error(operation) 6:error(position) 7:error(position,operation) 8:error(cost) 9:new \
         10:error(odometer,performed_by) 11:error(on)"
    );
    assert_eq!(
        server.count(&format!("/motorcycles/{}/service-events", server.all("/motorcycles").await[0]["id"].as_str().unwrap())).await,
        4
    );
    // What contradicts the readings is found once everything else is right.
    let body = csv(&server, "kind=service_events", "motorcycle,on,odometer,summary\nCourier 3,2025-02-02,500,Too little\n").await.with(422);
    assert_eq!(told(&body), "2:error(odometer)");
});

on_both_engines!(files_that_are_none, async |server| {
    server.motorcycle(json!({})).await;
    let kind = "kind=odometer_readings";
    for (file, row) in [
        ("motorcycle,on,reading,color\nCourier 3,2026-01-02,1000,red\n", "1:error(color)"),
        ("motorcycle,on,on,reading\nCourier 3,2026-01-02,2026-01-02,1000\n", "1:error(on)"),
        ("motorcycle,reading\nCourier 3,1000\n", "1:error(on)"),
        ("motorcycle,on,reading,\nCourier 3,2026-01-02,1000,5\n", "1:error()"),
    ] {
        assert_eq!(told(&csv(&server, kind, file).await.with(422)), row, "{file}");
        assert_eq!(told(&csv(&server, &format!("{kind}&dry_run=true"), file).await.ok()), row);
    }
    // An unknown column that holds nothing is no harm.
    csv(&server, kind, "motorcycle,on,reading,color,\nCourier 3,2026-01-02,1000,,\n").await.with(201);
    for file in [&b""[..], b"motorcycle,on\nM\xfcller,2026-01-02\n", b"motorcycle,on,reading\n\"Courier 3,2026-01-02,1000\n", b"a\0b"] {
        send(&server, kind, "text/csv", file).await.problem(400);
    }
    let utf16: Vec<u8> =
        "\u{feff}motorcycle\ton\treading\r\nCourier 3\t2026-02-02\t1200\r\n".encode_utf16().flat_map(u16::to_le_bytes).collect();
    assert_eq!(told(&send(&server, kind, "text/csv", utf16).await.with(201)), "2:new");
    for cell in ["x".repeat(10 * 1024 * 1024), "\"".to_owned() + &"y\n".repeat(5_000_000) + "\""] {
        let answer = csv(&server, kind, &format!("motorcycle,on,reading\nCourier 3,2026-03-02,{cell}\n")).await;
        assert_eq!(told(&answer.clone().with(422)), "2:error(reading)");
        assert!(answer.text.len() < 1000, "what was sent is not sent back");
    }
    csv(&server, "kind=spares", "a\n").await.problem(422);
    send(&server, kind, "application/json", "{}").await.problem(415);
    send(&server, kind, "text/csv", vec![b'a'; 64 * 1024 * 1024 + 1]).await.problem(413);
    let token = server.post("/tokens", &json!({"name": "till", "scopes": ["read"]})).await.created();
    csv(&server.with_token(token["token"].as_str().unwrap()), kind, "a\n").await.problem(403);
    assert_eq!(
        told(&csv(&server.other_workshop(), kind, "motorcycle,on,reading\nCourier 3,2026-03-02,1300\n").await.with(422)),
        "2:error(motorcycle)"
    );
});

on_both_engines!(sent_twice_with_one_key_it_is_done_once, async |server| {
    let request = || {
        let request = server.request(Method::POST, "/imports?kind=motorcycles").header("content-type", "text/csv");
        request.header("idempotency-key", "evening-1").body(BIKES)
    };
    let first = server.send(request()).await;
    let second = server.send(request()).await;
    assert_eq!((first.status, second.status, second.header("idempotency-replayed")), (201, 201, "true"));
    assert_eq!(first.body, second.body);
    assert_eq!(server.count("/motorcycles").await, 2);
});

// Many rows in one go; sizes that a build for development can do while other tests run. The full size is measured by itself.
on_both_engines!(many_rows, async |server| {
    let mut bikes = String::from("name,final_drive,odometer_unit\n");
    let mut readings = String::from("motorcycle,on,reading\n");
    for bike in 0..5 {
        writeln!(bikes, "Bike {bike},belt,km").unwrap();
        for day in 0..300 {
            let on = time::macros::date!(2025 - 01 - 01) + time::Duration::days(day);
            writeln!(readings, "Bike {bike},{on},{}", 1000 + day * 20).unwrap();
        }
    }
    csv(&server, "kind=motorcycles", &bikes).await.with(201);
    let done = csv(&server, "kind=odometer_readings", &readings).await.with(201);
    assert_eq!(done["created"], 1500);
    assert_eq!(csv(&server, "kind=odometer_readings", &readings).await.with(201)["created"], 0);
    // One that goes down in the middle: it alone is to blame.
    let wrong = readings.replace("Bike 2,2025-05-31,4000", "Bike 2,2025-05-31,400");
    let body = csv(&server.other_workshop(), "kind=motorcycles", &bikes).await;
    assert_eq!(body.status, 201);
    let body = csv(&server.other_workshop(), "kind=odometer_readings", &wrong).await.with(422);
    assert_eq!(body["rows"].as_array().unwrap().iter().filter(|row| row["result"] == "error").count(), 1);
    assert!(check::check(&server.app.store).await.unwrap().differences.is_empty());
});

// Lists as CSV, read by Python's csv module.
on_both_engines!(every_list_comes_as_csv, async |server| {
    let bike = server.motorcycle(json!({"name": "=HYPERLINK(\"x\")", "notes": "two\nlines, \"quoted\"", "year": 2021})).await;
    server.motorcycle(json!({"name": "Ferry"})).await;
    server.reading(&bike, "2026-05-02", 1234).await.created();
    let as_csv = async |path: &str| {
        let answer = server.send(server.request(Method::GET, path).header("accept", "text/csv")).await;
        assert_eq!(
            (answer.status, answer.header("content-type")),
            (200, "text/csv; charset=utf-8; header=present"),
            "{path}: {}",
            answer.text
        );
        assert!(answer.headers.get_all("vary").iter().any(|vary| vary == "accept"));
        answer
    };
    let answer = as_csv("/motorcycles?limit=1").await;
    let rows = crate::calendars::checked("rfc4180.py", &answer.text);
    let (names, first) = (rows[0].as_array().unwrap(), rows[1].as_array().unwrap());
    let cell =
        |name: &str| first[names.iter().position(|known| known == name).unwrap_or_else(|| panic!("{name} in {names:?}"))].as_str().unwrap();
    assert_eq!(names[0], "id");
    assert_eq!((cell("name"), cell("notes"), cell("year")), ("'=HYPERLINK(\"x\")", "two\nlines, \"quoted\"", "2021"));
    assert_eq!((cell("odometer.reading"), cell("odometer.unit"), cell("archived"), cell("vin")), ("1234", "mi", "false", ""));
    assert!(answer.header("link").contains("rel=\"next\""), "its pages are those of the list");
    // Every list that the document promises as CSV, and no other answer.
    let mut lists = 0;
    for (path, item) in crate::harness::promised::DOCUMENT["paths"].as_object().unwrap() {
        let promised = &item["get"]["responses"]["200"]["content"];
        if promised.get("text/csv").is_none() {
            continue;
        }
        lists += 1;
        let path = path.strip_prefix("/api/v1").unwrap();
        if path == "/search" || path.matches('{').count() > 0 && !path.starts_with("/motorcycles/{id}/") {
            continue;
        }
        let answer = as_csv(&path.replace("/motorcycles/{id}", &bike)).await;
        crate::calendars::checked("rfc4180.py", &answer.text);
    }
    assert!(lists > 15, "{lists} lists");
    let one = server.send(server.request(Method::GET, &bike).header("accept", "text/csv")).await;
    assert_eq!(one.header("content-type"), "application/json", "one thing is no list");
    let both = server.send(server.request(Method::GET, "/motorcycles").header("accept", "application/json, text/csv;q=0.5")).await;
    assert_eq!(both.header("content-type"), "application/json");
    // What goes out can come in again.
    let file = "motorcycle,on,reading\nFerry,2026-05-02,1000\n";
    csv(&server, "kind=odometer_readings", file).await.with(201);
});

on_both_engines!(a_file_with_more_columns_than_anybody_writes_is_refused_at_once, async |server| {
    let names: Vec<_> = (0..100_000).map(|place| format!("c{place}")).collect();
    let csv = names.join(",");
    let objects: String = names.iter().map(|name| format!("{{\"{name}\": 1}}\n")).collect();
    let begun = std::time::Instant::now();
    for (kind, body) in [("text/csv", csv), ("application/x-ndjson", objects)] {
        let request = server.request(reqwest::Method::POST, "/imports?kind=odometer_readings").header("content-type", kind);
        let refused = server.send(request.body(body)).await;
        assert!(refused.problem(400)["detail"].as_str().unwrap().contains("200 columns"), "{}", refused.text);
    }
    assert!(begun.elapsed() < std::time::Duration::from_secs(10), "{:?}", begun.elapsed());
});
