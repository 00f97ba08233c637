//! Parts: fitting, taking off, the shelf, another motorcycle, distance and age.
use serde_json::{Value, json};

use crate::harness::{Answer, Server, on_both_engines, server::merge};

async fn log(server: &Server, bike: &str, on: &str, odometer: u32, fields: Value) -> Answer {
    let mut event = json!({"on": on, "odometer": odometer, "confirmed": true});
    merge(&mut event, fields);
    server.post(&format!("{bike}/service-events"), &event).await
}
async fn fit(server: &Server, bike: &str, on: &str, odometer: u32, fields: Value) -> Answer {
    let mut part = json!({"on": on, "odometer": odometer});
    merge(&mut part, fields);
    server.post(&format!("{bike}/installed-parts"), &part).await
}
fn rear_tire() -> Value {
    json!({"component": "tire", "position": "rear", "description": "Touring tire"})
}
async fn part(server: &Server, id: &str) -> Value {
    server.get(&format!("/installed-parts/{id}")).await.ok()
}

on_both_engines!(distance_and_age, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let tire = fit(&server, &bike, "2025-06-20", 10_000, rear_tire()).await.id();
    server.reading(&bike, "2026-05-01", 13_200).await.created();
    let tire = part(&server, &tire).await;
    assert_eq!(tire["part_distance"], json!({"value": 3200, "unit": "mi"}));
    // 20 June to 15 June: eleven whole months.
    assert_eq!(tire["age_months"], 11);
    assert_eq!(tire["fitted"]["odometer"], json!({"value": 10_000, "unit": "mi"}));
    assert_eq!((&tire["removed"], tire["fittings"].as_array().unwrap().len()), (&Value::Null, 1));
});

on_both_engines!(a_used_part_starts_used, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let used = json!({"component": "tire", "position": "rear", "condition": "used", "prior_distance": 4000});
    let tire = fit(&server, &bike, "2026-01-01", 10_000, used).await.id();
    server.reading(&bike, "2026-05-01", 10_500).await.created();
    assert_eq!(part(&server, &tire).await["part_distance"], json!({"value": 4500, "unit": "mi"}));
});

on_both_engines!(over_several_fittings_and_motorcycles, async |server| {
    let (one, two) =
        (server.motorcycle(json!({"name": "One"})).await, server.motorcycle(json!({"name": "Two", "odometer_unit": "km"})).await);
    let tire = fit(&server, &one, "2025-01-01", 1000, rear_tire()).await.id();
    log(&server, &one, "2025-03-01", 2000, json!({"removed": [{"installed_part_id": tire, "reason": "winter"}]})).await.created();
    let shelved = part(&server, &tire).await;
    assert_eq!((&shelved["motorcycle_id"], &shelved["removed"]["reason"]), (&Value::Null, &json!("winter")));
    assert_eq!(shelved["part_distance"], json!({"value": 1000, "unit": "mi"}));
    server.reading(&one, "2025-06-01", 9000).await.created();
    assert_eq!(part(&server, &tire).await["part_distance"], json!({"value": 1000, "unit": "mi"}), "on the shelf it runs no distance");
    let again = fit(&server, &two, "2025-07-01", 20_000, json!({"installed_part_id": tire, "position": "rear"})).await.created();
    assert_eq!(again["id"], tire);
    server.reading(&two, "2025-09-01", 21_000).await.created();
    let moved = part(&server, &tire).await;
    assert_eq!(moved["fittings"].as_array().unwrap().len(), 2);
    // 1,000 mi there and 1,000 km here.
    let distance = &moved["part_distance"];
    let kilometers =
        if distance["unit"] == "km" { distance["value"].as_f64().unwrap() } else { distance["value"].as_f64().unwrap() * 1.609_344 };
    assert!((kilometers - 2609.344).abs() < 0.01, "{distance}");
});

on_both_engines!(a_part_on_two_motorcycles_is_refused, async |server| {
    let (one, two) = (server.motorcycle(json!({"name": "One"})).await, server.motorcycle(json!({"name": "Two"})).await);
    let event = log(&server, &one, "2026-01-01", 1000, json!({"fitted": [rear_tire()]})).await.created();
    let tire = event["fitted"][0]["installed_part_id"].clone();
    let again = json!({"installed_part_id": tire, "position": "rear"});
    for answer in [
        fit(&server, &two, "2026-02-01", 500, again.clone()).await,
        log(&server, &two, "2026-02-01", 500, json!({"fitted": [again.clone()]})).await,
    ] {
        answer.problem(409);
        assert!(answer.body["conflicts_with"].as_array().unwrap().contains(&event["id"]), "it says with what: {}", answer.text);
    }
    // On the same one in another place neither.
    fit(&server, &one, "2026-02-01", 1500, json!({"installed_part_id": tire, "position": "front"})).await.problem(409);
    assert_eq!(server.count(&format!("{two}/installed-parts")).await, 0);
    assert_eq!(server.count(&format!("{two}/odometer-readings")).await, 0);
});

on_both_engines!(a_part_is_not_taken_off_twice, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let tire = fit(&server, &bike, "2026-01-01", 1000, rear_tire()).await.id();
    let off = json!({"removed": [{"installed_part_id": tire, "reason": "worn"}]});
    let event = log(&server, &bike, "2026-02-01", 1500, off.clone()).await.created();
    let answer = log(&server, &bike, "2026-03-01", 1600, off.clone()).await;
    answer.problem(409);
    assert!(answer.body["conflicts_with"].as_array().unwrap().contains(&event["id"]), "{}", answer.text);
    // Nor before it was on, nor twice in one event, nor from another motorcycle.
    log(&server, &bike, "2025-12-01", 900, off.clone()).await.problem(422);
    let twice = json!({"removed": [off["removed"][0], off["removed"][0]]});
    assert_eq!(log(&server, &bike, "2026-03-01", 1600, twice).await.wrong(), ["/removed/1/installed_part_id"]);
    let other = server.motorcycle(json!({"name": "Other"})).await;
    let answer = log(&server, &other, "2026-01-15", 5, off).await;
    assert!(matches!(answer.status, 409 | 422), "{}", answer.text);
    assert_eq!(server.count(&format!("{bike}/service-events")).await, 1);
});

on_both_engines!(fitting_where_one_sits_takes_that_one_off, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let old = fit(&server, &bike, "2026-01-01", 1000, rear_tire()).await.id();
    fit(&server, &bike, "2026-01-01", 1000, json!({"component": "tire", "position": "front"})).await.created();
    let event = log(&server, &bike, "2026-02-01", 2000, json!({"fitted": [rear_tire()]})).await.created();
    assert_eq!(event["fitted"][0]["replaces"], old);
    assert_eq!(event["removed"][0]["installed_part_id"], old);
    assert_eq!(part(&server, &old).await["removed"]["service_event_id"], event["id"]);
    assert_eq!(server.count(&format!("{bike}/installed-parts")).await, 2);
    assert_eq!(server.count(&format!("{bike}/installed-parts?removed=true")).await, 1);
    assert_eq!(server.count(&format!("{bike}/installed-parts?on=2026-01-15")).await, 2);
    assert_eq!(server.count(&format!("{bike}/installed-parts?on=2025-01-15")).await, 0);
});

on_both_engines!(a_replace_line_starts_a_new_part_by_itself, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let replace = |component: &str| json!({"work": [{"component": component, "position": "rear", "operation": "replace"}]});
    let event = log(&server, &bike, "2026-01-01", 1000, replace("brake_pads")).await.created();
    let parts = server.all(&format!("{bike}/installed-parts")).await;
    assert_eq!((parts.len(), &parts[0]["component"], &parts[0]["condition"]), (1, &json!("brake_pads"), &json!("new")));
    assert_eq!(event["fitted"][0]["installed_part_id"], parts[0]["id"]);
    log(&server, &bike, "2026-02-01", 2000, replace("brake_pads")).await.created();
    assert_eq!(server.count(&format!("{bike}/installed-parts")).await, 1);
    assert_eq!(server.count(&format!("{bike}/installed-parts?removed=true")).await, 1);
    // A fluid is no part.
    log(&server, &bike, "2026-03-01", 2500, json!({"work": [{"component": "engine_oil", "operation": "replace"}]})).await.created();
    assert_eq!(server.count(&format!("{bike}/installed-parts")).await, 1);
});

on_both_engines!(history_entered_in_any_order, async |server| {
    let pads = |on: &'static str, odometer: u32| {
        (on, odometer, json!({"fitted": [{"component": "brake_pads", "position": "rear", "description": on}]}))
    };
    let events = [pads("2026-01-01", 1000), pads("2026-02-01", 2000), pads("2026-03-01", 3000)];
    let mut answers = Vec::new();
    for order in [[0, 1, 2], [2, 1, 0], [1, 2, 0], [2, 0, 1]] {
        let bike = server.motorcycle(json!({})).await;
        for place in order {
            let (on, odometer, event) = events[place].clone();
            log(&server, &bike, on, odometer, event).await.created();
        }
        let mut lives = Vec::new();
        for list in ["installed-parts", "installed-parts?removed=true"] {
            for part in server.all(&format!("{bike}/{list}")).await {
                lives.push((part["description"].to_string(), part["part_distance"].clone(), part["removed"]["on"].clone()));
            }
        }
        lives.sort_by(|a, b| a.0.cmp(&b.0));
        answers.push(lives);
    }
    assert!(answers.windows(2).all(|pair| pair[0] == pair[1]), "{answers:#?}");
    assert_eq!(answers[0].len(), 3);
});

on_both_engines!(a_single_use_part_fitted_again_is_remembered, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let clip = json!({"component": "pad_pin", "position": "rear", "description": "Clip", "single_use": true});
    let clip = fit(&server, &bike, "2026-01-01", 1000, clip).await.id();
    log(&server, &bike, "2026-02-01", 2000, json!({"removed": [{"installed_part_id": clip}]})).await.created();
    let again = json!({"fitted": [{"installed_part_id": clip, "position": "rear"}]});
    let event = log(&server, &bike, "2026-02-02", 2001, again).await.created();
    assert!(event["follow_ups"][0]["text"].as_str().unwrap().contains("Clip"), "{event}");
});

on_both_engines!(impossible_parts, async |server| {
    let bike = server.motorcycle(json!({})).await;
    for (fields, pointer) in [
        (json!({"component": "tire", "on": "2026-07-01"}), "/on"),
        (json!({"component": "flux_capacitor"}), "/component"),
        (json!({"component": "engine_oil"}), "/component"),
        (json!({}), "/component"),
        (json!({"component": "tire", "condition": "shiny"}), "/condition"),
        (json!({"component": "tire", "prior_distance": 1e12}), "/prior_distance"),
        (json!({"component": "tire", "date_code": "0000"}), "/date_code"),
        (json!({"component": "tire", "date_code": "12"}), "/date_code"),
        (json!({"component": "tire", "odometer": -3}), "/odometer"),
        (json!({"installed_part_id": "01933b6e-9a44-7cc0-8000-3f2a5c1d9e77"}), "/installed_part_id"),
        (json!({"component": "tire", "color": "black"}), "/color"),
    ] {
        assert_eq!(fit(&server, &bike, "2026-05-01", 1000, fields.clone()).await.wrong(), [pointer], "{fields}");
    }
    assert_eq!(server.count(&format!("{bike}/installed-parts")).await, 0);
});
