//! Motorcycles: entering, changing, archiving.
use serde_json::{Value, json};
use time::Duration;

use crate::harness::{on_both_engines, server::now};

on_both_engines!(what_is_entered_comes_back, async |server| {
    let body = json!({"name": "Courier 3", "make": "Halden", "model": "650 Twin", "year": 2021, "vin": null, "frame_number": "HX-0417",
        "registration": "12-AB-34", "final_drive": "belt", "odometer_unit": "km", "in_service_on": "2021-04-10", "owner_id": null,
        "records_begin": {"on": "2024-03-01", "odometer": 18250}, "distance_status": "not_actual", "notes": "two\nlines"});
    let answer = server.post("/motorcycles", &body).await;
    let location = answer.header("location").to_owned();
    let bike = answer.created();
    for (field, value) in body.as_object().unwrap() {
        assert_eq!(&bike[field], value, "{field}");
    }
    assert_eq!((&bike["odometer"], &bike["archived"], &bike["interval_factor"]), (&Value::Null, &json!(false), &json!(1)));
    assert_eq!(location, format!("/api/v1/motorcycles/{}", bike["id"].as_str().unwrap()));
    assert_eq!(server.get(location.strip_prefix("/api/v1").unwrap()).await.ok(), bike);
    let id: uuid::Uuid = bike["id"].as_str().unwrap().parse().unwrap();
    assert_eq!(id.get_version_num(), 7);
    // RFC 3339 in UTC.
    assert_eq!(bike["created_at"], "2026-06-15T12:00:00Z");
});

on_both_engines!(digits_come_back_as_entered, async |server| {
    for (sent, back) in [("0.50", "0.50"), ("1.0", "1.0"), ("1", "1"), ("2.500", "2.500")] {
        let body = format!(r#"{{"name": "A", "final_drive": "belt", "odometer_unit": "km", "interval_factor": {sent}}}"#);
        let answer = server.post_text("/motorcycles", body).await;
        assert!(answer.text.contains(&format!("\"interval_factor\":{back},")), "{}", answer.text);
        let path = format!("/motorcycles/{}", answer.id());
        assert!(server.get(&path).await.text.contains(&format!("\"interval_factor\":{back},")));
    }
});

on_both_engines!(words_of_every_script_and_markup_come_back, async |server| {
    for text in
        ["🏍️ Ünder", "דוכיפת", "كتاب", "<script>alert(1)</script>", "&amp; \"'`", "a\u{202e}b", "x\u{301}", "'; drop table motorcycle; --"]
    {
        let path = server.motorcycle(json!({"name": text, "make": text, "model": text, "registration": text, "notes": text})).await;
        let bike = server.get(&path).await.ok();
        for field in ["name", "make", "model", "registration", "notes"] {
            assert_eq!(bike[field], text, "{field}");
        }
    }
    assert_eq!(
        server.post("/motorcycles", &json!({"name": "a\u{0}b", "final_drive": "belt", "odometer_unit": "km"})).await.wrong(),
        ["/name"]
    );
});

on_both_engines!(impossible_motorcycles, async |server| {
    for (field, value, pointer) in [
        ("name", json!(""), "/name"),
        ("name", json!("   "), "/name"),
        ("name", json!("x".repeat(201)), "/name"),
        ("year", json!(1500), "/year"),
        ("year", json!(9999), "/year"),
        ("year", json!(1e300), "/year"),
        ("year", json!(2020.5), "/year"),
        ("in_service_on", json!("9999-12-31"), "/in_service_on"),
        ("in_service_on", json!("2026-06-31"), "/in_service_on"),
        ("in_service_on", json!("10 May 2020"), "/in_service_on"),
        ("interval_factor", json!(0), "/interval_factor"),
        ("interval_factor", json!(-1), "/interval_factor"),
        ("interval_factor", json!(4), "/interval_factor"),
        ("interval_factor", json!("half"), "/interval_factor"),
        ("odometer_unit", json!("furlong"), "/odometer_unit"),
        ("owner_id", json!("01933b6e-9a44-7cc0-8000-3f2a5c1d9e77"), "/owner_id"),
        ("owner_id", json!("nobody"), "/owner_id"),
        ("records_begin", json!({"on": "2024-03-01", "odometer": -1}), "/records_begin/odometer"),
        ("records_begin", json!({"on": "2024-03-01", "odometer": 1e12}), "/records_begin/odometer"),
        ("vin", json!("1M8GDM9A_KP042788"), "/vin"),
        ("vin", json!("IOQ"), "/vin"),
    ] {
        let mut body = json!({"name": "A", "final_drive": "belt", "odometer_unit": "km"});
        body[field] = value.clone();
        let answer = server.post("/motorcycles", &body).await;
        assert_eq!(answer.wrong(), [pointer], "{field} {value}");
    }
    // Numbers that no type of ours holds.
    for number in ["1e400", "-1e400", "123456789012345678901234567890123456789012345678901234567890", "1e-400"] {
        let body = format!(r#"{{"name": "A", "final_drive": "belt", "odometer_unit": "km", "interval_factor": {number}}}"#);
        let answer = server.post_text("/motorcycles", body).await;
        assert!(matches!(answer.status, 400 | 422), "{number}: {}", answer.text);
    }
    assert_eq!(server.count("/motorcycles").await, 0);
});

on_both_engines!(a_wrong_check_digit_is_refused_in_north_america_and_a_warning_elsewhere, async |server| {
    // The example of 49 CFR 565 carries the check digit X; with 9 it is wrong.
    let vin = |vin: &str| json!({"name": "A", "final_drive": "belt", "odometer_unit": "km", "vin": vin});
    server.post("/motorcycles", &vin("1M8GDM9AXKP042788")).await.created();
    assert_eq!(server.post("/motorcycles", &vin("1M8GDM9A9KP042788")).await.wrong(), ["/vin"]);
    let elsewhere = server.post("/motorcycles", &vin("ZM8GDM9A9KP042788")).await.created();
    assert_eq!(elsewhere["warnings"].as_array().map(Vec::len), Some(1), "{elsewhere}");
});

on_both_engines!(archived_ones_leave_the_list_and_stay_readable, async |server| {
    let kept = server.motorcycle(json!({"name": "Kept"})).await;
    let gone = server.motorcycle(json!({"name": "Gone"})).await;
    let answer = server.remove(&gone).await;
    assert_eq!((answer.status, answer.text.as_str()), (204, ""));
    let names = async |query: &str| -> Vec<Value> {
        server.all(&format!("/motorcycles{query}")).await.into_iter().map(|mut bike| bike["name"].take()).collect()
    };
    assert_eq!(names("").await, ["Kept"]);
    assert_eq!(names("?archived=false").await, ["Kept"]);
    assert_eq!(names("?archived=true").await, ["Gone"]);
    assert_eq!(server.get(&gone).await.ok()["archived"], true);
    assert_eq!(server.get(&kept).await.ok()["archived"], false);
});

on_both_engines!(changed_since, async |server| {
    let old = server.motorcycle(json!({"name": "Old"})).await;
    server.motorcycle(json!({"name": "Untouched"})).await;
    let later = server.at(now() + Duration::hours(1)).await;
    later.change(&old, &json!({"notes": "changed"})).await.ok();
    later.motorcycle(json!({"name": "New"})).await;
    let names = async |since: &str| -> Vec<Value> {
        server.all(&format!("/motorcycles?changed_since={since}")).await.into_iter().map(|mut bike| bike["name"].take()).collect()
    };
    assert_eq!(names("2026-06-15T12:30:00Z").await, ["New", "Old"]);
    // The instant itself counts; another zone is the same instant.
    assert_eq!(names("2026-06-15T15:00:00%2B02:00").await, ["New", "Old"]);
    assert_eq!(names("2026-06-15T13:00:00.000001Z").await, Vec::<Value>::new());
    assert_eq!(names("2026-06-15T12:00:00Z").await, ["New", "Old", "Untouched"]);
});

on_both_engines!(a_workshop_sees_only_its_own, async |server| {
    let path = server.motorcycle(json!({})).await;
    let other = server.other_workshop();
    assert_eq!(other.count("/motorcycles").await, 0);
    other.get(&path).await.problem(404);
    let etag = server.get(&path).await.etag();
    other.patch(&path, &etag, &json!({"notes": "mine"})).await.problem(404);
    other.delete(&path, &etag).await.problem(404);
    assert_eq!(server.get(&path).await.etag(), etag);
});
