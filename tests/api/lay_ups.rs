//! Lay-ups: the times in which a motorcycle stands, and what they do to what is due.
use serde_json::json;
use time::{Date, macros::format_description};

use crate::harness::{Server, on_both_engines};

fn day(value: &serde_json::Value) -> Date {
    Date::parse(value.as_str().expect("a date"), format_description!("[year]-[month]-[day]")).expect("a date")
}
/// A motorcycle that does about 600 mi a month, and has 500 mi to go to its next oil at 3,500 mi on 15 Jun 2026.
async fn bike(server: &Server) -> String {
    let bike = server.motorcycle(json!({"in_service_on": "2025-12-01"})).await;
    for (on, reading) in
        [("2025-12-15", 100), ("2026-01-15", 500), ("2026-02-15", 1000), ("2026-03-15", 1500), ("2026-05-01", 2400), ("2026-06-14", 3000)]
    {
        server.reading(&bike, on, reading).await.created();
    }
    let rule =
        json!({"name": "Oil", "component": "engine_oil", "operation": "replace", "every": {"distance": {"value": 3500, "unit": "mi"}}});
    server.post("/interval-rules", &rule).await.created();
    bike
}
async fn due(server: &Server, bike: &str) -> serde_json::Value {
    server.all(&format!("{bike}/due")).await.remove(0)
}

on_both_engines!(nothing_is_ridden_while_it_is_laid_up, async |server| {
    let bike = bike(&server).await;
    let before = due(&server, &bike).await;
    let answer = server.post(&format!("{bike}/lay-ups"), &json!({"from": "2026-06-15", "to": "2026-12-31", "note": " Engine out "})).await;
    let location = answer.header("location").to_owned();
    let lay_up = answer.created();
    assert_eq!((&lay_up["from"], &lay_up["to"], &lay_up["note"]), (&json!("2026-06-15"), &json!("2026-12-31"), &json!("Engine out")));
    let path = location.strip_prefix("/api/v1").expect("a path").to_owned();
    assert_eq!(server.get(&path).await.ok(), lay_up);

    // Every date moves behind it, and the reason says so.
    let standing = due(&server, &bike).await;
    for date in [&standing["due_from"], &standing["expected"]["p10"], &standing["expected"]["p50"], &standing["expected"]["p90"]] {
        assert!(day(date) > day(&json!("2026-12-31")), "{standing}");
    }
    assert!(day(&before["due_from"]) < day(&json!("2026-12-31")));
    assert!(standing["because"].to_string().contains("It is laid up from 15 Jun 2026 until 31 Dec 2026."), "{}", standing["because"]);
    let ahead = server.get(&format!("{bike}/forecast?on=2026-12-31")).await.ok();
    assert_eq!((&ahead["odometer"]["p10"], &ahead["odometer"]["p90"]), (&json!(3000), &json!(3000)), "{ahead}");

    // Without an end it never comes due by distance.
    let open = server.change(&path, &json!({"to": null})).await.ok();
    assert_eq!(open["to"], json!(null));
    let parked = due(&server, &bike).await;
    assert_eq!((&parked["due_from"], &parked["status"]), (&json!(null), &json!("later")));
    assert!(parked["because"].to_string().contains("laid up from 15 Jun 2026 on"), "{}", parked["because"]);

    // Taken away, all is as it was.
    server.remove(&path).await.with(204);
    server.get(&path).await.problem(404);
    assert_eq!(due(&server, &bike).await, before);
    assert_eq!(server.count(&format!("{bike}/lay-ups")).await, 0);
});

on_both_engines!(two_lay_ups_share_no_day, async |server| {
    let bike = bike(&server).await;
    let path = format!("{bike}/lay-ups");
    let winter = server.post(&path, &json!({"from": "2026-11-01", "to": "2027-03-01"})).await.id();
    for body in [
        json!({"from": "2027-03-01", "to": null}),
        json!({"from": "2026-10-01", "to": "2026-11-01"}),
        json!({"from": "2026-12-01", "to": "2026-12-02"}),
        json!({"from": "2026-06-01"}),
    ] {
        let refused = server.post(&path, &body).await;
        assert!(refused.problem(409).to_string().contains(&winter), "{}", refused.text);
    }
    let next = server.post(&path, &json!({"from": "2027-03-02"})).await.created();
    assert_eq!(server.post(&path, &json!({"from": "2026-05-02", "to": "2026-05-01"})).await.wrong(), ["/to"]);
    assert_eq!(server.post(&path, &json!({"from": "1026-05-02", "to": "2026-05-01"})).await.wrong(), ["/from"]);
    let listed: Vec<_> = server.all(&path).await.iter().map(|it| it["id"].clone()).collect();
    assert_eq!(listed, [next["id"].clone(), json!(winter)]);
    // It does not stand in its own way.
    let longer = server.change(&format!("/lay-ups/{winter}"), &json!({"from": "2026-10-15"})).await.ok();
    assert_eq!(longer["from"], json!("2026-10-15"));
    server.change(&format!("/lay-ups/{winter}"), &json!({"to": "2027-03-02"})).await.problem(409);
});
