//! What the pages show of wear, of gauges and of the order of bolts.
use serde_json::{Value, json};

use crate::{
    harness::{Server, on_both_engines},
    reader::Reader,
};

async fn limit(server: &Server, kind: &str, lower: f64) {
    let limit = json!({"component": "brake_pads", "quantity": "thickness", "lower": lower, "unit": "mm", "kind": kind});
    server.post("/limits", &limit).await.created();
}
/// Fits pads and measures them at several odometer readings.
async fn pads(server: &Server, bike: &str, position: &str, values: &[(&str, u32, f64)]) -> String {
    let new = json!({"component": "brake_pads", "position": position, "on": "2025-01-10", "odometer": 10_000});
    let part = server.post(&format!("{bike}/installed-parts"), &new).await.id();
    for (on, odometer, value) in values {
        measure(server, bike, position, on, *odometer, json!({"readings": [value], "resolution": 0.1})).await;
    }
    part
}
async fn measure(server: &Server, bike: &str, position: &str, on: &str, odometer: u32, about: Value) {
    let mut measured = json!({"component": "brake_pads", "position": position, "quantity": "thickness", "unit": "mm"});
    crate::harness::server::merge(&mut measured, about);
    let event = json!({"on": on, "odometer": odometer, "confirmed": true, "measured": [measured]});
    server.post(&format!("{bike}/service-events"), &event).await.created();
}

on_both_engines!(a_part_shows_how_it_wears_toward_each_limit, async |server| {
    let bike = server.motorcycle(json!({})).await;
    limit(&server, "wear", 1.5).await;
    limit(&server, "legal", 1.0).await;
    let values = [("2025-04-01", 11_000, 4.5), ("2025-08-01", 12_000, 4.0), ("2026-01-01", 13_000, 3.4), ("2026-06-01", 14_000, 3.0)];
    let part = pads(&server, &bike, "front_left", &values).await;
    let page = Reader::signed_in(&server).await.get(&format!("/installed-parts/{part}")).await;
    page.says("How it wears").says("wear limit 1.5 mm</text>").says("legal limit 1 mm</text>").says("<desc");
    page.says("Wear limit 1.5 mm: about 6,900 mi of part distance, between ").says("; around ");
    page.says("Thickness against part distance: 4 values, from 4.5 mm at 1,000 mi to 3 mm at 4,000 mi.");
    assert_eq!((page.text.matches("<circle").count(), page.text.matches("class=\"limit\"").count()), (4, 2));
    assert!(page.text.matches("class=\"band\"").count() == 2 && !page.text.contains("style="), "{}", page.text);
    assert!(page.text.len() < 45_000, "{}", page.text.len());
});

on_both_engines!(a_part_without_a_limit_has_no_chart, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let part = pads(&server, &bike, "front_left", &[("2025-04-01", 11_000, 4.5)]).await;
    let reader = Reader::signed_in(&server).await;
    reader.get(&format!("/installed-parts/{part}")).await.hides("How it wears").says("What was measured");
    limit(&server, "wear", 1.5).await;
    reader
        .get(&format!("/installed-parts/{part}"))
        .await
        .says("Wear limit 1.5 mm: no forecast yet. Measured: 4.5 mm at 1,000 mi; one value alone");
});

on_both_engines!(one_value_on_the_limit_itself_draws_the_line_from_the_new_part, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let nominal = json!({"component": "brake_pads", "quantity": "thickness", "lower": 1.5, "nominal": 5, "unit": "mm", "kind": "wear"});
    server.post("/limits", &nominal).await.created();
    let part = pads(&server, &bike, "front_left", &[("2026-05-01", 14_000, 1.5)]).await;
    let page = Reader::signed_in(&server).await.get(&format!("/installed-parts/{part}")).await;
    page.says("class=\"limit\"").hides("NaN");
    let line = page.text.split("<path class=\"ahead\" d=\"").nth(1).and_then(|rest| rest.split('"').next());
    assert!(line.is_some_and(|line| line.starts_with("M0.0 ")), "{line:?} begins with the new part: {}", page.text);
});

on_both_engines!(what_is_too_close_to_call_says_what_would_decide, async |server| {
    let bike = server.motorcycle(json!({})).await;
    limit(&server, "wear", 1.5).await;
    let part = pads(&server, &bike, "front_left", &[]).await;
    measure(&server, &bike, "front_left", "2026-05-01", 14_000, json!({"readings": [1.51], "resolution": 0.1})).await;
    let reader = Reader::signed_in(&server).await;
    let page = reader.get(&format!("/installed-parts/{part}")).await;
    page.says("Measure again with a finer gauge: 0.02 mm would decide.").says("Wear limit: 65.5 % likely to conform.");
    let event = server.all(&format!("{bike}/service-events")).await.remove(0);
    let page = reader.get(&format!("/service-events/{}", event["id"].as_str().unwrap())).await;
    page.says("too close to call; 65.5 % likely to conform.").says("0.02 mm would decide");
});

on_both_engines!(pads_that_wear_unevenly_are_named_on_the_motorcycle, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let nominal = json!({"component": "brake_pads", "quantity": "thickness", "lower": 1.5, "nominal": 5, "unit": "mm", "kind": "wear"});
    server.post("/limits", &nominal).await.created();
    pads(&server, &bike, "front_left", &[("2026-05-01", 14_000, 2.3)]).await;
    let reader = Reader::signed_in(&server).await;
    reader.get(&bike).await.hides("Uneven wear");
    pads(&server, &bike, "front_right", &[("2026-05-01", 14_000, 3.5)]).await;
    let told = "Front left brake pads are 1.2 mm thinner than front right: look at the caliper";
    reader.get(&bike).await.says("Uneven wear").says(told);
    let forecast = server.get(&format!("{bike}/forecast")).await.ok();
    assert_eq!(forecast["uneven"][0]["positions"], json!(["front_left", "front_right"]));
    assert_eq!((&forecast["uneven"][0]["component"], &forecast["uneven"][0]["quantity"]), (&json!("brake_pads"), &json!("thickness")));
    assert!(forecast["uneven"][0]["because"][0].as_str().unwrap().starts_with(told), "{forecast}");
});

on_both_engines!(the_order_of_tightening_is_drawn_on_the_fastener_and_on_the_job_sheet, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let bolts = json!({"key": "disc_bolt", "name": "Disc bolt", "component": "brake_disc", "position": "front_left", "count": 5, "pattern": "star",
        "stages": [{"lower": 10, "upper": 12, "unit": "N.m"}, {"lower": 24, "upper": 28, "unit": "N.m"}]});
    let id = server.post("/fasteners", &bolts).await.id();
    let disc = json!({"component": "brake_disc", "position": "front_left", "on": "2025-01-10", "odometer": 10_000});
    server.post(&format!("{bike}/installed-parts"), &disc).await.created();
    let rule = json!({"name": "Front discs", "component": "brake_disc", "operation": "replace", "scope": "part",
        "every": {"distance": {"value": 1000, "unit": "mi"}}});
    server.post("/interval-rules", &rule).await.created();
    server.reading(&bike, "2026-06-01", 14_000).await.created();
    let words = "Tighten in the order 1, 4, 2, 5, 3, counted clockwise from any of them; every stage in this order.";
    let reader = Reader::signed_in(&server).await;
    for path in [format!("/fasteners/{id}/edit"), format!("{bike}/job-sheet")] {
        let page = reader.get(&path).await;
        page.says("class=\"order\"").says(&format!("aria-label=\"{words}\"")).says("<path d=\"M");
        assert_eq!(page.text.matches("<circle").count(), 5, "{path}");
    }
    reader.get("/fasteners").await.says("Tighten in the order 1, 4, 2, 5, 3");
});

on_both_engines!(what_falls_due_is_counted_by_month_for_what_one_sees, async |server| {
    let ada = server.post("/owners", &json!({"name": "Ada Birch"})).await.id();
    // Today is 15 June 2026: one waits, one comes due this month, two in September.
    for (name, done, owner) in [
        ("One", "2025-06-10", None),
        ("Two", "2025-06-20", None),
        ("Three", "2025-09-01", None),
        ("Four", "2025-09-30", Some(ada.as_str())),
    ] {
        let bike = server.motorcycle(json!({"name": name, "owner_id": owner})).await;
        let event = json!({"on": done, "work": [{"component": "brake_fluid", "operation": "replace"}]});
        server.post(&format!("{bike}/service-events"), &event).await.created();
    }
    let rule = json!({"name": "Brake fluid", "component": "brake_fluid", "operation": "replace", "every": {"months": 12}});
    server.post("/interval-rules", &rule).await.created();
    let row = |month: &str, count: u32| format!("<th scope=\"row\">{month}</th><td class=\"num\">{count}</td>");
    let reader = Reader::signed_in(&server).await;
    reader.get("/").await.says("href=\"/due/by-month\"");
    let page = reader.get("/due/by-month").await;
    page.says("1 waits already; 3 fall due by the end of May 2027, the most in Sep 2026 (2).");
    page.says(&row("Waiting already", 1))
        .says(&row("Jun 2026", 1))
        .says(&row("Jul 2026", 0))
        .says(&row("Sep 2026", 2))
        .says(&row("May 2027", 0));
    assert_eq!(page.text.matches("class=\"bar\"").count(), 13);
    let owner = crate::roles::somebody(&server, "owner", Some(&ada)).await;
    owner.get("/due/by-month").await.says("0 wait already; 1 falls due").says(&row("Sep 2026", 1)).says(&row("Jun 2026", 0));
});
