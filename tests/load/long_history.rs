//! One motorcycle with a long history: how long its whole answer takes when it is worked out again, wear forecasts and projection included.
use std::{
    hint::black_box,
    sync::Arc,
    time::{Duration, Instant},
};

use axum::{
    body::{Body, to_bytes},
    http::{Request, header},
};
use serde_json::{Value, json};
use tower::ServiceExt;
use witnessmark::{
    access::Caller,
    actions::{App, motorcycle},
    domain::{id::Id, motorcycle::Motorcycle, wear_forecast::work_out_all},
    error::Result,
    store, web,
};

use crate::fleet::{Numbers, days_before};

/// Odometer readings, a week apart.
pub const READINGS: u32 = 200;
/// Component, position, quantity, unit, new, limit, and what 1,000 mi take off or add.
type Wearing = (&'static str, Option<&'static str>, &'static str, &'static str, f64, f64, f64);
/// What wears: component, position, quantity, unit, what a new one measures, the limit, and what 1,000 mi take off (or add).
const WEARING: [Wearing; 10] = [
    ("tire", Some("front"), "tread_depth", "mm", 5.0, 1.6, -0.18),
    ("tire", Some("rear"), "tread_depth", "mm", 7.0, 1.6, -0.25),
    ("brake_pads", Some("front"), "thickness", "mm", 4.5, 1.5, -0.15),
    ("brake_pads", Some("rear"), "thickness", "mm", 4.5, 1.5, -0.12),
    ("brake_disc", Some("front"), "thickness", "mm", 5.0, 4.5, -0.02),
    ("brake_disc", Some("rear"), "thickness", "mm", 5.5, 5.0, -0.02),
    ("drive_chain", None, "elongation", "percent", 0.1, 2.0, 0.08),
    ("clutch_plates", None, "thickness", "mm", 3.0, 2.6, -0.01),
    ("cush_drive", None, "free_play", "mm", 0.5, 3.0, 0.1),
    ("battery", None, "voltage", "V", 12.9, 12.0, -0.02),
];
/// How many wearing parts it has.
pub const PARTS: usize = WEARING.len();
/// How often each was measured.
pub const VALUES: u32 = 6;

async fn post(app: &Arc<App>, token: &str, path: &str, body: &Value) -> Value {
    let request = Request::post(format!("/api/v1{path}"))
        .header(header::AUTHORIZATION, format!("Bearer {token}"))
        .header(header::CONTENT_TYPE, "application/json");
    let response =
        web::router(Arc::clone(app)).oneshot(request.body(Body::from(body.to_string())).expect("a request")).await.expect("an answer");
    let status = response.status();
    let bytes = to_bytes(response.into_body(), usize::MAX).await.expect("a body");
    assert!(status.is_success(), "{path}: {status} {}", String::from_utf8_lossy(&bytes));
    serde_json::from_slice(&bytes).expect("JSON")
}

/// Enters it through the API.
pub async fn enter(app: &Arc<App>, token: &str) -> Id<Motorcycle> {
    let today = app.clock.today("Europe/Lisbon");
    for (component, position, quantity, unit, new, limit, _) in WEARING {
        let (lower, upper) = if limit < new { (Some(limit), None) } else { (None, Some(limit)) };
        let limit = json!({"component": component, "position": position, "quantity": quantity, "lower": lower, "upper": upper, "unit": unit,
            "kind": "wear", "source": "Invented"});
        post(app, token, "/limits", &limit).await;
    }
    let day = |nth: u32| days_before(today, 7 * (READINGS - nth));
    let bike = json!({"name": "Long history", "make": "Halden", "model": "650 Twin", "final_drive": "chain", "odometer_unit": "mi",
        "in_service_on": day(0)});
    let bike = post(app, token, "/motorcycles", &bike).await;
    let path = format!("/motorcycles/{}", bike["id"].as_str().expect("an id"));
    let mut numbers = Numbers::new(7);
    let (mut miles, mut rounds) = (0, 0);
    for nth in 0..READINGS {
        let reading = json!({"on": day(nth), "reading": miles});
        post(app, token, &format!("{path}/odometer-readings"), &reading).await;
        if nth == 0 {
            let fitted: Vec<_> = WEARING
                .iter()
                .map(|(component, position, ..)| json!({"component": component, "position": position, "condition": "new"}))
                .collect();
            let event = json!({"on": day(nth), "odometer": miles, "summary": "Fitted", "fitted": fitted});
            post(app, token, &format!("{path}/service-events"), &event).await;
        } else if nth % (READINGS / (VALUES + 1)) == 0 && rounds < VALUES {
            rounds += 1;
            let value = |numbers: &mut Numbers, new: f64, rate: f64| {
                let noise = f64::from(numbers.below(20)) / 1000.0;
                ((new + rate * f64::from(miles) / 1000.0 + noise) * 1000.0).round() / 1000.0
            };
            let measured: Vec<_> = WEARING
                .iter()
                .map(|(component, position, quantity, unit, new, _, rate)| {
                    json!({"component": component, "position": position, "quantity": quantity, "unit": unit,
                        "readings": [value(&mut numbers, *new, *rate)]})
                })
                .collect();
            let event = json!({"on": day(nth), "odometer": miles, "summary": "Measured", "measured": measured});
            post(app, token, &format!("{path}/service-events"), &event).await;
        }
        miles += 40 + numbers.below(90);
    }
    bike["id"].as_str().and_then(|id| id.parse().ok()).expect("an id")
}

/// How long the whole answer takes from its history in memory, the best of many on this one thread, and how many due items it has.
pub async fn worked_out(app: &App, caller: &Caller, bike: Id<Motorcycle>) -> Result<(Duration, usize)> {
    let mut work = app.read(caller).await?;
    let bike = motorcycle::get(&mut work, bike).await?;
    let workshop = work.workshop_id();
    let rules = store::interval_rule::perhaps_for(&mut work.tx, workshop, bike.id).await?;
    let limits = store::limit_range::perhaps_for(&mut work.tx, workshop, bike.id).await?;
    let history = store::history::load(&mut work.tx, &work.workshop, &bike).await?;
    let (mut best, mut count) = (Duration::MAX, 0);
    for _ in 0..50 {
        let start = Instant::now();
        count = black_box(work_out_all(black_box(&history), &rules, &limits)).len();
        best = best.min(start.elapsed());
    }
    Ok((best, count))
}
