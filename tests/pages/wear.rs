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
    reader.get(&format!("/installed-parts/{part}")).await.says("Wear limit 1.5 mm: no forecast").says("one value alone");
});
