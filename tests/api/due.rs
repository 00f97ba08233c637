//! What is due: the list of one motorcycle and of the workshop, its days, its order, its reasons.
use serde_json::{Value, json};

use crate::harness::{Server, on_both_engines};

/// Oil every 5,000 mi or 12 months.
async fn oil(server: &Server, fields: Value) -> String {
    let mut rule = json!({"name": "Engine oil", "component": "engine_oil", "operation": "replace",
        "every": {"distance": {"value": 5000, "unit": "mi"}, "months": 12}});
    crate::harness::server::merge(&mut rule, fields);
    server.post("/interval-rules", &rule).await.id()
}
async fn change_oil(server: &Server, bike: &str, on: &str, odometer: u32) -> String {
    let event = json!({"on": on, "odometer": odometer, "confirmed": true, "work": [{"component": "engine_oil", "operation": "replace"}]});
    server.post(&format!("{bike}/service-events"), &event).await.id()
}
async fn items(server: &Server, bike: &str) -> Vec<Value> {
    server.get(&format!("{bike}/due")).await.items()
}
async fn only(server: &Server, bike: &str) -> Value {
    let items = items(server, bike).await;
    assert_eq!(items.len(), 1, "{items:?}");
    items.into_iter().next().unwrap()
}
async fn status_on(server: &Server, bike: &str, day: &str) -> String {
    server.get(&format!("{bike}/due?as_of={day}")).await.items()[0]["status"].as_str().unwrap().to_owned()
}

on_both_engines!(a_service_moves_the_due_point_and_says_why, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let rule = oil(&server, json!({})).await;
    assert_eq!(only(&server, &bike).await["due_at"]["odometer"], json!({"value": 5000, "unit": "mi"}));
    let event = change_oil(&server, &bike, "2025-08-01", 9800).await;
    let item = only(&server, &bike).await;
    assert_eq!(item["rule"], json!({"id": rule, "name": "Engine oil"}));
    assert_eq!(item["last_done"], json!({"on": "2025-08-01", "odometer": {"value": 9800, "unit": "mi"}, "service_event_id": event}));
    assert_eq!(item["due_at"], json!({"odometer": {"value": 14800, "unit": "mi"}, "on": "2026-08-01"}));
    assert_eq!(item["remaining"]["days"], 47);
    assert_eq!(item["remaining"]["distance"], json!({"value": 5000, "unit": "mi"}));
    let because = item["because"].to_string();
    for figure in ["1 Aug 2025", "9,800", "5,000", "14,800", "1 Aug 2026"] {
        assert!(because.contains(figure), "{figure} is in the reason: {because}");
    }
});

// What is known begins at a true distance, whatever the instrument of that day showed.
on_both_engines!(records_that_begin_on_a_second_odometer, async |server| {
    let begin = json!({"on": "2022-01-01", "odometer": 5000});
    let bike = server.motorcycle(json!({"odometer_unit": "km", "in_service_on": "2015-01-01", "records_begin": begin})).await;
    let replaced = json!({"on": "2020-01-01", "kind": "replaced", "old_final": 40_000, "new_start": 0});
    server.post(&format!("{bike}/odometers"), &replaced).await.created();
    server.reading(&bike, "2022-01-01", 5000).await.created();
    server.reading(&bike, "2026-01-01", 9000).await.created();
    let every = |km: u32| json!({"every": {"distance": {"value": km, "unit": "km"}}});
    let rule = oil(&server, every(10_000)).await;
    assert_eq!(only(&server, &bike).await["status"], "no_history", "10,000 km lie before the 45,000 at which the records begin");
    server.change(&format!("/interval-rules/{rule}"), &every(46_000)).await.ok();
    let item = only(&server, &bike).await;
    assert_eq!((&item["status"], &item["due_at"]["odometer"]["value"]), (&json!("overdue"), &json!(6000)));
});

// A motorcycle without a reading has its distance by the calendar; a part takes what it ran there along.
on_both_engines!(a_part_from_a_motorcycle_that_nobody_read, async |server| {
    let unread = server.motorcycle(json!({"odometer_unit": "km", "in_service_on": "2024-01-01"})).await;
    let bike = server.motorcycle(json!({"odometer_unit": "km", "in_service_on": "2020-01-01"})).await;
    let rule = json!({"name": "Tire", "component": "tire", "operation": "replace", "scope": "part",
        "every": {"distance": {"value": 20_000, "unit": "km"}}});
    server.post("/interval-rules", &rule).await.created();
    let tire = json!({"component": "tire", "position": "rear", "on": "2024-06-01"});
    let id = server.post(&format!("{unread}/installed-parts"), &tire).await.id();
    let off = json!({"on": "2025-06-01", "removed": [{"installed_part_id": id}]});
    server.post(&format!("{unread}/service-events"), &off).await.created();
    let on_the_shelf = server.get(&format!("/installed-parts/{id}")).await.ok()["part_distance"].clone();
    let again = json!({"installed_part_id": id, "position": "rear", "on": "2026-06-01", "odometer": 30_000});
    server.post(&format!("{bike}/installed-parts"), &again).await.created();
    server.reading(&bike, "2026-06-15", 30_000).await.created();
    assert_eq!(server.get(&format!("/installed-parts/{id}")).await.ok()["part_distance"], on_the_shelf);
    let (due, ran) = (only(&server, &bike).await["due_at"]["odometer"]["value"].as_f64(), on_the_shelf["value"].as_f64().unwrap());
    assert!(ran > 1000.0 && (due.unwrap() - (50_000.0 - ran)).abs() < 1.0, "{due:?} and {ran}");
});

// A deflection belongs to its force: one taken at another is no point of the wear toward a limit at this one.
on_both_engines!(wear_goes_by_values_at_the_force_of_its_limit, async |server| {
    let bike = server.motorcycle(json!({"odometer_unit": "km", "final_drive": "belt"})).await;
    let newton = |force: u32| json!({"value": force, "unit": "N"});
    let limit =
        json!({"component": "drive_belt", "quantity": "deflection", "upper": 20, "unit": "mm", "kind": "wear", "at_force": newton(45)});
    server.post("/limits", &limit).await.created();
    server.post(&format!("{bike}/installed-parts"), &json!({"component": "drive_belt", "on": "2026-01-01", "odometer": 0})).await.created();
    let measure = async |on: &str, odometer: u32, reading: u32, force: u32| {
        let value = json!({"component": "drive_belt", "quantity": "deflection", "readings": [reading], "unit": "mm", "on": on,
            "odometer": odometer, "at_force": newton(force)});
        server.post(&format!("{bike}/measured-values"), &value).await.created();
    };
    measure("2026-02-01", 500, 10, 45).await;
    measure("2026-03-01", 1500, 11, 45).await;
    measure("2026-04-01", 2500, 12, 45).await;
    let before = only(&server, &bike).await;
    // A millimetre each 1,000 km: 20 mm at 10,500 km.
    assert_eq!(before["due_at"]["odometer"]["value"], 10_500);
    measure("2026-04-02", 2500, 19, 90).await;
    assert_eq!(only(&server, &bike).await["due_at"], before["due_at"]);
});

// A limit that holds from some hours of the part on is worn toward like any other.
on_both_engines!(wear_toward_a_limit_by_part_hours, async |server| {
    let bike = server.motorcycle(json!({"odometer_unit": "km"})).await;
    let limit = json!({"component": "clutch_plates", "quantity": "thickness", "lower": 1.5, "unit": "mm", "kind": "wear",
        "part_hours": {"from": 10, "to": null}});
    server.post("/limits", &limit).await.created();
    let visit = async |on: &str, odometer: u32, hours: u32, more: Value| {
        let mut event = json!({"on": on, "odometer": odometer, "hours": hours});
        crate::harness::server::merge(&mut event, more);
        server.post(&format!("{bike}/service-events"), &event).await.created();
    };
    visit("2026-01-01", 0, 0, json!({"fitted": [{"component": "clutch_plates"}]})).await;
    for (on, odometer, hours, reading) in [("2026-02-01", 1000, 20, 5.0), ("2026-03-01", 2000, 40, 4.5), ("2026-04-01", 3000, 60, 4.0)] {
        let value = json!({"component": "clutch_plates", "quantity": "thickness", "readings": [reading], "unit": "mm"});
        visit(on, odometer, hours, json!({"measured": [value]})).await;
    }
    // Half a millimetre each 1,000 km: 1.5 mm at 8,000 km.
    assert_eq!(only(&server, &bike).await["due_at"]["odometer"]["value"], 8000);
});

// What is found and adjusted in one visit was found before: the line begins after it.
on_both_engines!(slack_that_was_adjusted_begins_anew, async |server| {
    let bike = server.motorcycle(json!({"odometer_unit": "km"})).await;
    let limit = json!({"component": "drive_chain", "quantity": "deflection", "upper": 35, "unit": "mm", "kind": "adjust"});
    server.post("/limits", &limit).await.created();
    server
        .post(&format!("{bike}/installed-parts"), &json!({"component": "drive_chain", "on": "2026-01-01", "odometer": 0}))
        .await
        .created();
    let slack = |reading: u32| json!({"component": "drive_chain", "quantity": "deflection", "readings": [reading], "unit": "mm"});
    let visit = async |on: &str, odometer: u32, reading: u32, work: Value| {
        let event = json!({"on": on, "odometer": odometer, "measured": [slack(reading)], "work": work});
        server.post(&format!("{bike}/service-events"), &event).await.created();
    };
    visit("2026-02-01", 1000, 27, json!([])).await;
    visit("2026-03-01", 2000, 31, json!([{"component": "drive_chain", "operation": "adjust"}])).await;
    visit("2026-04-01", 3000, 23, json!([])).await;
    visit("2026-05-01", 4000, 25, json!([])).await;
    // 2 mm each 1,000 km, 25 mm at 4,000 km: 35 mm at 9,000 km.
    let due: Vec<_> = items(&server, &bike).await.into_iter().map(|item| item["due_at"]["odometer"]["value"].clone()).collect();
    assert_eq!(due, [json!(9000)]);
});

// A rule that names no place asks for each of its parts: the first to be worn governs it.
on_both_engines!(of_two_worn_parts_the_first_governs_their_rule, async |server| {
    let bike = server.motorcycle(json!({"odometer_unit": "km"})).await;
    let rule =
        json!({"name": "Discs", "component": "brake_disc", "operation": "replace", "every": {"distance": {"value": 60_000, "unit": "km"}}});
    server.post("/interval-rules", &rule).await.created();
    let limit = json!({"component": "brake_disc", "quantity": "thickness", "lower": 4, "unit": "mm", "kind": "wear"});
    server.post("/limits", &limit).await.created();
    for position in ["front", "rear"] {
        let part = json!({"component": "brake_disc", "position": position, "on": "2026-01-01", "odometer": 0});
        server.post(&format!("{bike}/installed-parts"), &part).await.created();
    }
    for (on, odometer, front, rear) in [("2026-02-01", 1000, 5.0, 4.9), ("2026-03-01", 2000, 4.9, 4.7), ("2026-04-01", 3000, 4.8, 4.5)] {
        for (position, reading) in [("front", front), ("rear", rear)] {
            let value = json!({"component": "brake_disc", "position": position, "quantity": "thickness", "readings": [reading], "unit": "mm",
                "on": on, "odometer": odometer});
            server.post(&format!("{bike}/measured-values"), &value).await.created();
        }
    }
    let items = items(&server, &bike).await;
    let at = |ruled: bool| -> Vec<Value> {
        items.iter().filter(|item| item["rule"].is_null() != ruled).map(|item| item["due_at"]["odometer"]["value"].clone()).collect()
    };
    // The rear one loses 0.2 mm each 1,000 km and has 4 mm at 5,500 km; the front one half of it, at 11,000 km.
    assert_eq!((at(true), at(false)), (vec![json!(5500)], vec![json!(11_000)]));
});

on_both_engines!(one_motorcycles_list_in_pages, async |server| {
    let bike = server.motorcycle(json!({})).await;
    for (name, months) in [("A", 12), ("B", 24), ("C", 12), ("D", 6)] {
        oil(&server, json!({"name": name, "every": {"months": months}})).await;
    }
    change_oil(&server, &bike, "2025-08-01", 9800).await;
    oil(&server, json!({"name": "Nobody knows", "component": "brake_fluid", "every": {"hours": 10}})).await;
    for query in ["", "as_of=2026-03-01&"] {
        let whole = server.get(&format!("{bike}/due?{query}")).await;
        assert_eq!(whole.body["next"], Value::Null);
        let whole = whole.items();
        assert_eq!(whole.len(), 5);
        for limit in [1, 2, 4, 5, 200] {
            assert_eq!(server.all(&format!("{bike}/due?{query}limit={limit}")).await, whole, "{query} limit {limit}");
        }
    }
    let first = server.get(&format!("{bike}/due?limit=2")).await;
    let cursor = first.body["next"].as_str().unwrap();
    assert_eq!(first.header("link"), format!("</api/v1{bike}/due?limit=2&cursor={cursor}>; rel=\"next\""));
    assert_eq!(server.get(&format!("{bike}/due?limit=0")).await.wrong(), ["/limit"]);
    assert_eq!(server.get(&format!("{bike}/due?cursor=x")).await.wrong(), ["/cursor"]);
    server.other_workshop().get(&format!("{bike}/due?limit=0")).await.problem(404);
});

on_both_engines!(the_days_on_which_the_status_changes, async |server| {
    let bike = server.motorcycle(json!({})).await;
    oil(&server, json!({"every": {"months": 12}})).await;
    change_oil(&server, &bike, "2025-08-01", 9800).await;
    let item = only(&server, &bike).await;
    assert_eq!(
        (&item["nearly_due_from"], &item["due_from"], &item["overdue_from"]),
        (&json!("2026-07-02"), &json!("2026-08-01"), &json!("2026-08-02"))
    );
    assert_eq!((&item["certain"], &item["governs"]), (&json!(true), &json!("time")));
    assert_eq!(item["expected"], json!({"p10": "2026-08-01", "p50": "2026-08-01", "p90": "2026-08-01"}));
    for (day, status) in [
        ("2025-08-01", "later"),
        ("2026-07-01", "later"),
        ("2026-07-02", "nearly_due"),
        ("2026-07-31", "nearly_due"),
        ("2026-08-01", "due"),
        ("2026-08-02", "overdue"),
        ("2031-01-01", "overdue"),
    ] {
        assert_eq!(status_on(&server, &bike, day).await, status, "{day}");
    }
    // Before the service it was the one that service answered: in service on 10 Apr 2021.
    assert_eq!(status_on(&server, &bike, "2025-07-31").await, "overdue");
    assert_eq!(status_on(&server, &bike, "2022-04-10").await, "due");
});

on_both_engines!(a_distance_reached_to_the_mile, async |server| {
    let bike = server.motorcycle(json!({})).await;
    oil(&server, json!({"every": {"distance": {"value": 5000, "unit": "mi"}}})).await;
    change_oil(&server, &bike, "2026-01-01", 9800).await;
    let read = async |reading: u32| {
        server.reading(&bike, "2026-06-15", reading).await.created();
        let item = only(&server, &bike).await;
        (
            item["status"].as_str().unwrap().to_owned(),
            item["certain"].as_bool().unwrap(),
            item["remaining"]["distance"]["value"].to_string(),
        )
    };
    let (status, _, left) = read(14799).await;
    assert!(matches!(status.as_str(), "nearly_due" | "due"), "{status}");
    assert_eq!(left, "1");
    assert_eq!(read(14800).await, ("due".into(), true, "0".into()));
    assert_eq!(read(14801).await, ("overdue".into(), true, "-1".into()));
});

on_both_engines!(grace_and_lead_as_written, async |server| {
    let bike = server.motorcycle(json!({})).await;
    oil(&server, json!({"every": {"months": 12}, "lead": {"days": 10}, "grace": {"days": 7}})).await;
    change_oil(&server, &bike, "2025-08-01", 9800).await;
    let item = only(&server, &bike).await;
    assert_eq!(
        (&item["nearly_due_from"], &item["due_from"], &item["overdue_from"]),
        (&json!("2026-07-22"), &json!("2026-08-01"), &json!("2026-08-09"))
    );
});

on_both_engines!(striking_out_a_service_brings_the_old_point_back, async |server| {
    let bike = server.motorcycle(json!({})).await;
    oil(&server, json!({})).await;
    change_oil(&server, &bike, "2025-08-01", 9800).await;
    let before = only(&server, &bike).await;
    let mistaken = change_oil(&server, &bike, "2026-05-01", 12000).await;
    let after = only(&server, &bike).await;
    assert_ne!(before["due_at"], after["due_at"]);
    assert_eq!(before["id"], after["id"], "the item is the same one");
    server.remove(&format!("/service-events/{mistaken}?reason=other%20bike")).await.with(204);
    assert_eq!(only(&server, &bike).await, before);
});

on_both_engines!(only_that_motorcycles_items_change, async |server| {
    let (one, two) = (server.motorcycle(json!({"name": "One"})).await, server.motorcycle(json!({"name": "Two"})).await);
    oil(&server, json!({})).await;
    let before = server.get(&format!("{two}/due")).await.etag();
    change_oil(&server, &one, "2025-08-01", 9800).await;
    assert_eq!(server.get(&format!("{two}/due")).await.etag(), before);
});

on_both_engines!(what_changes_a_rule_changes_what_is_due, async |server| {
    let bike = server.motorcycle(json!({})).await;
    change_oil(&server, &bike, "2025-08-01", 9800).await;
    assert_eq!(items(&server, &bike).await, Vec::<Value>::new());
    // A rule made later applies to the history entered earlier.
    let rule = format!("/interval-rules/{}", oil(&server, json!({})).await);
    assert_eq!(only(&server, &bike).await["due_at"]["on"], "2026-08-01");
    server.change(&rule, &json!({"every": {"months": 6}})).await.ok();
    assert_eq!(only(&server, &bike).await["due_at"]["on"], "2026-02-01");
    server.change(&bike, &json!({"interval_factor": 0.5})).await.ok();
    assert_eq!(only(&server, &bike).await["due_at"]["on"], "2025-11-01");
    server.change(&rule, &json!({"applies_to": {"final_drive": "belt"}})).await.ok();
    assert_eq!(items(&server, &bike).await, Vec::<Value>::new());
    server.change(&bike, &json!({"final_drive": "belt"})).await.ok();
    assert_eq!(items(&server, &bike).await.len(), 1);
    server.remove(&rule).await.with(204);
    assert_eq!(items(&server, &bike).await, Vec::<Value>::new());
});

on_both_engines!(a_used_motorcycle_whose_records_begin, async |server| {
    let bike = server.motorcycle(json!({"records_begin": {"on": "2026-01-01", "odometer": 18250}})).await;
    oil(&server, json!({})).await;
    let item = only(&server, &bike).await;
    assert_eq!((&item["status"], &item["due_from"], &item["certain"]), (&json!("no_history"), &Value::Null, &json!(true)));
    change_oil(&server, &bike, "2026-05-01", 18900).await;
    assert_eq!(only(&server, &bike).await["due_at"], json!({"odometer": {"value": 23900, "unit": "mi"}, "on": "2027-05-01"}));
});

on_both_engines!(a_replaced_odometer_keeps_the_true_distance, async |server| {
    let bike = server.motorcycle(json!({})).await;
    oil(&server, json!({})).await;
    change_oil(&server, &bike, "2026-01-01", 39_000).await;
    let replaced = json!({"on": "2026-03-01", "kind": "replaced", "old_final": 40_000, "new_start": 0});
    server.post(&format!("{bike}/odometers"), &replaced).await.created();
    server.reading(&bike, "2026-05-01", 600).await.created();
    let item = only(&server, &bike).await;
    // 44,000 mi true, which the new instrument shows as 4,000.
    assert_eq!(item["due_at"]["odometer"], json!({"value": 4000, "unit": "mi"}));
    assert_eq!(item["remaining"]["distance"], json!({"value": 3400, "unit": "mi"}));
});

on_both_engines!(the_workshops_list_soonest_first_and_unknown_last, async |server| {
    let owner = server.post("/owners", &json!({"name": "Ada Birch"})).await.id();
    oil(&server, json!({"every": {"months": 12}})).await;
    for (name, on) in [("Soon", "2025-07-01"), ("Late", "2025-05-01"), ("Far", "2026-06-01")] {
        let bike = server.motorcycle(json!({"name": name, "owner_id": if name == "Far" { json!(owner) } else { Value::Null }})).await;
        change_oil(&server, &bike, on, 9000).await;
    }
    server.motorcycle(json!({"name": "Unknown", "records_begin": {"on": "2026-01-01", "odometer": 5}})).await;
    let names = async |query: &str| -> Vec<String> {
        let items = server.all(&format!("/due?limit=2{query}")).await;
        items.iter().map(|item| item["motorcycle"]["name"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(names("").await, ["Late", "Soon", "Far", "Unknown"]);
    assert_eq!(names("&status=overdue").await, ["Late"]);
    assert_eq!(names("&status=overdue&status=nearly_due").await, ["Late", "Soon"]);
    assert_eq!(names("&status=no_history").await, ["Unknown"]);
    assert_eq!(names("&status=due").await, Vec::<String>::new());
    assert_eq!(names(&format!("&owner={owner}")).await, ["Far"]);
    assert_eq!(names("&before=2026-07-01").await, ["Late"]);
    assert_eq!(names("&before=2026-07-02").await, ["Late", "Soon"]);
    // Asked for a later day: what comes due until then is due.
    assert_eq!(names("&as_of=2026-07-01&status=due").await, ["Soon"]);
    assert_eq!(names("&as_of=2027-06-02&status=overdue").await, ["Late", "Soon", "Far"]);
    for (query, pointer) in [
        ("status=urgent", "/status"),
        ("owner=x", "/owner"),
        ("before=soon", "/before"),
        ("as_of=2026-13-01", "/as_of"),
        ("as_of=2026-06-14", "/as_of"),
        ("limit=0", "/limit"),
    ] {
        assert_eq!(server.get(&format!("/due?{query}")).await.wrong(), [pointer], "{query}");
    }
    // Archived ones are nobody's work.
    let late = server.get("/motorcycles?q=late").await.items();
    server.remove(&format!("/motorcycles/{}", late[0]["id"].as_str().unwrap())).await.with(204);
    assert_eq!(names("").await, ["Soon", "Far", "Unknown"]);
});

on_both_engines!(days_of_asking_far_away, async |server| {
    let bike = server.motorcycle(json!({})).await;
    oil(&server, json!({})).await;
    for day in ["0001-01-01", "1885-01-01", "2020-01-01", "9999-12-31"] {
        let answer = server.get(&format!("{bike}/due?as_of={day}")).await;
        assert!(matches!(answer.status, 200 | 422), "{day}: {}", answer.text);
    }
    assert_eq!(server.get(&format!("{bike}/due?as_of=yesterday")).await.wrong(), ["/as_of"]);
});

on_both_engines!(a_part_scope_rule_has_an_item_for_each_part, async |server| {
    let bike = server.motorcycle(json!({"final_drive": "belt"})).await;
    let rule = json!({"name": "Tire age", "component": "tire", "operation": "replace", "scope": "part", "every": {"months": 72}});
    server.post("/interval-rules", &rule).await.created();
    assert_eq!(items(&server, &bike).await, Vec::<Value>::new());
    for position in ["front", "rear"] {
        let part = json!({"component": "tire", "position": position, "on": "2025-08-01", "odometer": 9000});
        server.post(&format!("{bike}/installed-parts"), &part).await.created();
    }
    let items = items(&server, &bike).await;
    let mut positions: Vec<_> =
        items.iter().map(|item| (item["position"].as_str().unwrap(), item["due_at"]["on"].as_str().unwrap())).collect();
    positions.sort_unstable();
    assert_eq!(positions, [("front", "2031-08-01"), ("rear", "2031-08-01")]);
    assert!(items.iter().all(|item| item["installed_part_id"].is_string()));
});

on_both_engines!(the_reasons_as_a_mechanic_reads_them, async |server| {
    let bike = server.motorcycle(json!({})).await;
    oil(&server, json!({"first": {"distance": {"value": 600, "unit": "mi"}, "months": 1}})).await;
    let never = only(&server, &bike).await["because"].clone();
    server.reading(&bike, "2024-06-15", 5000).await.created();
    server.reading(&bike, "2025-06-15", 8800).await.created();
    change_oil(&server, &bike, "2025-08-01", 9400).await;
    server.reading(&bike, "2026-05-15", 12_600).await.created();
    let done = only(&server, &bike).await["because"].clone();
    insta::assert_json_snapshot!("because", json!({"never done": never, "done once": done}));
});
