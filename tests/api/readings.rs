//! Odometer and hour readings, and what happens to the instruments.
use serde_json::{Value, json};
use time::Duration;

use crate::harness::{Server, on_both_engines, server::now};

async fn shown(server: &Server, path: &str) -> Vec<String> {
    server.all(path).await.iter().map(|reading| format!("{} {}", reading["on"].as_str().unwrap(), reading["reading"])).collect()
}

on_both_engines!(a_reading_comes_back_and_is_the_last_one, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let list = format!("{bike}/odometer-readings");
    let body = json!({"on": "2026-05-02", "reading": 12345, "read_by": "R. Moss"});
    let answer = server.post(&list, &body).await;
    let location = answer.header("location").to_owned();
    let reading = answer.created();
    assert_eq!((&reading["on"], &reading["reading"], &reading["unit"]), (&json!("2026-05-02"), &json!(12345), &json!("mi")));
    assert_eq!((&reading["read_by"], &reading["struck_out"]), (&json!("R. Moss"), &Value::Null));
    assert_eq!((&reading["counter"], &reading["service_event_id"]), (&json!("odometer"), &Value::Null));
    assert_eq!(format!("/motorcycles/{}", reading["motorcycle_id"].as_str().unwrap()), bike);
    assert_eq!(server.get(location.strip_prefix("/api/v1").unwrap()).await.ok(), reading);
    assert_eq!(server.get(&bike).await.ok()["odometer"], json!({"id": reading["id"], "on": "2026-05-02", "reading": 12345, "unit": "mi"}));

    // An earlier one, entered late, is not the last one.
    server.reading(&bike, "2026-04-01", 12000).await.created();
    assert_eq!(server.get(&bike).await.ok()["odometer"]["reading"], 12345);
    assert_eq!(shown(&server, &list).await, ["2026-05-02 12345", "2026-04-01 12000"]);
});

on_both_engines!(tenths_come_back_as_entered, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let answer = server.post_text(&format!("{bike}/odometer-readings"), r#"{"on": "2026-05-02", "reading": 12345.50}"#).await;
    assert!(answer.text.contains("\"reading\":12345.50,"), "{}", answer.text);
    answer.created();
    assert!(server.get(&bike).await.text.contains("\"reading\":12345.50,"));
    assert!(server.get(&format!("{bike}/odometer-readings")).await.text.contains("\"reading\":12345.50,"));
});

on_both_engines!(an_earlier_reading_that_is_entered_afterwards_may_be_confirmed, async |server| {
    let bike = server.motorcycle(json!({"odometer_unit": "km"})).await;
    let readings = format!("{bike}/odometer-readings");
    server.post(&readings, &json!({"on": "2026-05-10", "reading": 20_000})).await.created();
    let early = |confirmed: bool| json!({"on": "2026-05-09", "reading": 100, "confirmed": confirmed});
    let refused = server.post(&readings, &early(false)).await;
    assert_eq!(refused.wrong(), ["/reading"]);
    assert!(refused.text.contains("send this reading"), "{}", refused.text);
    server.post(&readings, &early(true)).await.created();
    // What was confirmed is that step alone.
    assert_eq!(server.post(&readings, &json!({"on": "2026-05-11", "reading": 40_000})).await.wrong(), ["/reading"]);
    assert_eq!(server.post(&readings, &json!({"on": "2026-05-09", "reading": 5000})).await.wrong(), ["/reading"]);
    server.reading(&bike, "2026-05-11", 20_100).await.created();
});

on_both_engines!(a_contradiction_names_both_neighbors, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let before = server.reading(&bike, "2026-03-01", 10000).await.id();
    let after = server.reading(&bike, "2026-05-01", 12000).await.id();
    for (reading, neighbor) in [(9999, &before), (12001, &after)] {
        let answer = server.reading(&bike, "2026-04-01", reading).await;
        assert_eq!(answer.wrong(), ["/reading"], "{reading}");
        let ids: Vec<_> = answer.body["neighbors"].as_array().unwrap().iter().map(|one| one["id"].as_str().unwrap()).collect();
        assert!(ids.contains(&neighbor.as_str()), "{}", answer.text);
        for one in answer.body["neighbors"].as_array().unwrap() {
            assert!(one["on"].is_string() && one["reading"].is_number(), "{one}");
            let detail = answer.body["detail"].as_str().unwrap();
            assert!(detail.contains(&one["reading"].to_string()) || detail.contains("10,000") || detail.contains("12,000"), "{detail}");
        }
    }
    // Equal to a neighbor is no contradiction: a bike that stands still.
    for reading in [10000, 12000] {
        server.reading(&bike, "2026-04-01", reading).await.created();
    }
    assert_eq!(server.count(&format!("{bike}/odometer-readings")).await, 4);
});

on_both_engines!(more_than_two_thousand_kilometers_a_day_must_be_confirmed, async |server| {
    let bike = server.motorcycle(json!({"odometer_unit": "km"})).await;
    let list = format!("{bike}/odometer-readings");
    server.reading(&bike, "2026-05-01", 10000).await.created();
    let record = async |on: &str, reading: i64, confirmed: bool| {
        server.post(&list, &json!({"on": on, "reading": reading, "confirmed": confirmed})).await
    };
    let answer = record("2026-05-02", 12001, false).await;
    assert_eq!(answer.wrong(), ["/reading"]);
    assert!(answer.body["detail"].as_str().unwrap().contains("confirm"), "it says the way out: {}", answer.text);
    record("2026-05-02", 12000, false).await.created();
    // Two days: twice as far.
    record("2026-05-04", 16000, false).await.created();
    record("2026-05-06", 20001, false).await.problem(422);
    record("2026-05-06", 20001, true).await.created();
});

on_both_engines!(the_limit_is_in_kilometers_for_miles_too, async |server| {
    let bike = server.motorcycle(json!({"odometer_unit": "mi"})).await;
    let list = format!("{bike}/odometer-readings");
    server.post(&list, &json!({"on": "2026-05-01", "reading": 0})).await.created();
    // 2,000 km are 1,242.74 mi.
    server.post(&list, &json!({"on": "2026-05-02", "reading": 1243})).await.problem(422);
    server.post(&list, &json!({"on": "2026-05-02", "reading": 1242})).await.created();
});

on_both_engines!(impossible_readings, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let list = format!("{bike}/odometer-readings");
    for (body, pointers) in [
        (json!({"on": "2026-06-16", "reading": 1}), vec!["/on"]),
        (json!({"on": "9999-12-31", "reading": 1}), vec!["/on"]),
        (json!({"on": "0001-01-01", "reading": 1}), vec!["/on"]),
        (json!({"on": "2026-02-29", "reading": 1}), vec!["/on"]),
        (json!({"on": "02.05.2026", "reading": 1}), vec!["/on"]),
        (json!({"on": "2026-05-02T10:00:00Z", "reading": 1}), vec!["/on"]),
        (json!({"on": 20_260_502, "reading": 1}), vec!["/on"]),
        (json!({"on": "2026-05-02", "reading": -1}), vec!["/reading"]),
        (json!({"on": "2026-05-02", "reading": 10_000_001}), vec!["/reading"]),
        (json!({"on": "2026-05-02", "reading": 1e300}), vec!["/reading"]),
        (json!({"on": "2026-05-02", "reading": "12345"}), vec!["/reading"]),
        (json!({"on": "2026-05-02", "reading": {"value": 1, "unit": "mi"}}), vec!["/reading"]),
        (json!({"on": "2026-05-02"}), vec!["/reading"]),
        (json!({"reading": 1}), vec!["/on"]),
        (json!({"on": "2026-05-02", "reading": 1, "unit": "mi"}), vec!["/unit"]),
        (json!({"on": "2026-05-02", "reading": 1, "confirmed": "yes"}), vec!["/confirmed"]),
    ] {
        assert_eq!(server.post(&list, &body).await.wrong(), pointers, "{body}");
    }
    for number in ["1e400", "-1e400", "99999999999999999999999999999999999999999999"] {
        let answer = server.post_text(&list, format!(r#"{{"on": "2026-05-02", "reading": {number}}}"#)).await;
        assert!(matches!(answer.status, 400 | 422), "{number}: {}", answer.text);
    }
    assert_eq!(server.count(&list).await, 0);
    assert_eq!(server.get(&bike).await.ok()["odometer"], Value::Null);
});

on_both_engines!(a_struck_out_reading_stays_visible_and_counts_no_more, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let list = format!("{bike}/odometer-readings");
    server.reading(&bike, "2026-04-01", 12000).await.created();
    let wrong = format!("/odometer-readings/{}", server.reading(&bike, "2026-05-01", 21000).await.id());
    server.reading(&bike, "2026-06-01", 12900).await.problem(422);

    let etag = server.get(&wrong).await.etag();
    assert_eq!(server.delete(&wrong, &etag).await.wrong(), ["/reason"]);
    assert_eq!(server.delete(&format!("{wrong}?reason=%20"), &etag).await.wrong(), ["/reason"]);
    server.delete(&format!("{wrong}?reason=typo"), "\"other\"").await.problem(412);
    assert_eq!(server.get(&wrong).await.etag(), etag, "nothing is struck out by a refused request");
    server.delete(&format!("{wrong}?reason=digits%20swapped"), &etag).await.with(204);

    let reading = server.get(&wrong).await.ok();
    assert_eq!(reading["struck_out"], json!({"at": "2026-06-15T12:00:00Z", "reason": "digits swapped"}));
    assert_eq!(server.get(&bike).await.ok()["odometer"]["reading"], 12000);
    assert_eq!(shown(&server, &list).await, ["2026-05-01 21000", "2026-04-01 12000"]);
    server.reading(&bike, "2026-06-01", 12900).await.created();
    // A second time: there is nothing left to strike out.
    let again = server.remove(&format!("{wrong}?reason=again")).await;
    assert!(matches!(again.status, 409 | 422), "{}", again.text);
    assert_eq!(server.get(&wrong).await.ok()["struck_out"]["reason"], "digits swapped");
});

on_both_engines!(a_replaced_odometer, async |server| {
    let bike = server.motorcycle(json!({})).await;
    server.reading(&bike, "2026-03-01", 40000).await.created();
    let list = format!("{bike}/odometers");
    let body = json!({"on": "2026-04-01", "kind": "replaced", "old_final": 40210, "new_start": 0, "reason": "Drive worn out"});
    let change = server.post(&list, &body).await.created();
    for (field, value) in body.as_object().unwrap() {
        assert_eq!(&change[field], value, "{field}");
    }
    assert_eq!(server.all(&list).await, [change]);
    server.reading(&bike, "2026-05-01", 500).await.created();
    assert_eq!(server.get(&bike).await.ok()["odometer"]["reading"], 500);
    assert_eq!(server.get(&bike).await.ok()["distance_status"], "actual");
    // Before the replacement the old instrument's figures hold.
    server.reading(&bike, "2026-03-15", 100).await.problem(422);
    server.reading(&bike, "2026-03-15", 40211).await.problem(422);
    server.reading(&bike, "2026-03-15", 40100).await.created();
    server.reading(&bike, "2026-05-15", 40300).await.created();
});

on_both_engines!(a_replaced_odometer_of_unknown_last_figure_makes_the_distance_not_actual, async |server| {
    let bike = server.motorcycle(json!({})).await;
    server.reading(&bike, "2026-03-01", 40000).await.created();
    server.post(&format!("{bike}/odometers"), &json!({"on": "2026-04-01", "kind": "replaced", "old_final": null})).await.created();
    assert_eq!(server.get(&bike).await.ok()["distance_status"], "not_actual");
    // Only not_actual can follow it (49 CFR 580.5).
    for status in ["actual", "exceeds_mechanical_limits"] {
        assert_eq!(server.change(&bike, &json!({"distance_status": status})).await.wrong(), ["/distance_status"]);
    }
    server.change(&bike, &json!({"distance_status": "not_actual"})).await.ok();
});

on_both_engines!(a_roll_over_goes_on_counting, async |server| {
    let bike = server.motorcycle(json!({})).await;
    server.reading(&bike, "2026-03-01", 99_800).await.created();
    server.reading(&bike, "2026-05-01", 300).await.problem(422);
    let body = json!({"on": "2026-04-01", "kind": "rolled_over"});
    server.post(&format!("{bike}/odometers"), &body).await.created();
    server.reading(&bike, "2026-05-01", 300).await.created();
    assert_eq!(server.get(&bike).await.ok()["distance_status"], "exceeds_mechanical_limits");
});

on_both_engines!(impossible_instruments, async |server| {
    let bike = server.motorcycle(json!({})).await;
    server.reading(&bike, "2026-05-01", 40000).await.created();
    let list = format!("{bike}/odometers");
    for (body, pointers) in [
        (json!({"on": "2026-07-01", "kind": "replaced", "old_final": 1}), vec!["/on"]),
        (json!({"on": "2026-06-01", "kind": "stolen"}), vec!["/kind"]),
        (json!({"on": "2026-06-01"}), vec!["/kind"]),
        (json!({"on": "2026-06-01", "kind": "replaced", "old_final": -1}), vec!["/old_final"]),
        (json!({"on": "2026-06-01", "kind": "replaced", "old_final": 41000, "new_start": 1e9}), vec!["/new_start"]),
        (json!({"on": "2026-06-01", "kind": "rolled_over", "capacity": 0}), vec!["/capacity"]),
    ] {
        assert_eq!(server.post(&list, &body).await.wrong(), pointers, "{body}");
    }
    // It stood at 40,000 before.
    let answer = server.post(&list, &json!({"on": "2026-06-01", "kind": "replaced", "old_final": 39000})).await;
    answer.problem(422);
    assert!(!answer.body["neighbors"].as_array().unwrap().is_empty(), "{}", answer.text);
    assert_eq!(server.count(&list).await, 0);
});

on_both_engines!(hour_meters_by_the_same_arithmetic, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let list = format!("{bike}/hour-readings");
    let reading = server.post(&list, &json!({"on": "2026-05-01", "reading": 310.5})).await.created();
    assert_eq!((&reading["unit"], &reading["counter"]), (&json!("h"), &json!("hours")));
    server.post(&list, &json!({"on": "2026-05-02", "reading": 310.4})).await.problem(422);
    let path = format!("/hour-readings/{}", reading["id"].as_str().unwrap());
    assert_eq!(server.get(&path).await.ok(), reading);
    // It is no odometer reading, by its id neither.
    server.get(&format!("/odometer-readings/{}", reading["id"].as_str().unwrap())).await.problem(404);
    assert_eq!(server.count(&format!("{bike}/odometer-readings")).await, 0);
    assert_eq!(server.get(&bike).await.ok()["odometer"], Value::Null);
    server.post(&format!("{bike}/hour-meters"), &json!({"on": "2026-05-03", "kind": "replaced", "old_final": 312})).await.created();
    server.post(&list, &json!({"on": "2026-05-04", "reading": 1})).await.created();
    server.remove(&format!("{path}?reason=typo")).await.with(204);
    assert!(server.get(&path).await.ok()["struck_out"].is_object());
});

on_both_engines!(a_list_newest_first_stable_while_readings_come_in, async |server| {
    let bike = server.motorcycle(json!({})).await;
    for day in [10, 12, 14, 16] {
        server.reading(&bike, &format!("2026-05-{day}"), day * 100).await.created();
    }
    let list = format!("{bike}/odometer-readings");
    let first = server.get(&format!("{list}?limit=2")).await;
    let next = format!("{list}?limit=2&cursor={}", first.body["next"].as_str().unwrap());
    server.reading(&bike, "2026-05-18", 1800).await.created();
    server.reading(&bike, "2026-05-13", 1300).await.created();
    assert_eq!(first.items().len(), 2);
    let rest = server.get(&next).await.items();
    assert_eq!(rest.iter().map(|reading| reading["reading"].to_string()).collect::<Vec<_>>(), ["1300", "1200"]);
    let all = shown(&server, &format!("{list}?limit=1")).await;
    assert_eq!(all.len(), 6);
    assert!(all.is_sorted_by(|a, b| a > b), "{all:?}");
});

on_both_engines!(readings_changed_since, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let old = server.reading(&bike, "2026-05-01", 100).await.id();
    server.reading(&bike, "2026-05-02", 200).await.created();
    let later = server.at(now() + Duration::hours(2)).await;
    later.reading(&bike, "2026-05-03", 300).await.created();
    later.remove(&format!("/odometer-readings/{old}?reason=typo")).await.with(204);
    let list = format!("{bike}/odometer-readings?changed_since=2026-06-15T13:00:00Z");
    assert_eq!(shown(&server, &list).await, ["2026-05-03 300", "2026-05-01 100"]);
    // The motorcycle changed with them.
    assert_eq!(server.count("/motorcycles?changed_since=2026-06-15T13:00:00Z").await, 1);
});

on_both_engines!(readings_of_nobody, async |server| {
    let body = json!({"on": "2026-05-02", "reading": 1});
    for path in ["/motorcycles/01933b6e-9a44-7cc0-8000-3f2a5c1d9e77/odometer-readings", "/motorcycles/x/odometer-readings"] {
        server.post(path, &body).await.problem(404);
        server.get(path).await.problem(404);
    }
});
