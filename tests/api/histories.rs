//! Random histories over the API: the order in which they are entered changes nothing, striking out undoes exactly, and what is stored
//! is what follows from history.
use proptest::{
    prelude::*,
    strategy::ValueTree,
    test_runner::{Config, RngAlgorithm, TestRng, TestRunner},
};
use serde_json::{Value, json};
use time::{Date, Duration, macros::date};
use witnessmark::actions::check;

use crate::harness::{Server, on_both_engines, server::merge};

const IN_SERVICE: Date = date!(2021 - 04 - 10);
/// How many histories each engine is tried with; the generator starts the same way every time.
const HISTORIES: usize = 8;

/// A thing that happens: days and distance since the one before, and what is done.
#[derive(Clone, Debug)]
struct Entry {
    days: i64,
    distance: u32,
    /// Whether somebody looked at the odometer.
    read: bool,
    what: What,
}
#[derive(Clone, Debug)]
enum What {
    Reading,
    Work(&'static str, Option<&'static str>, &'static str),
    Fitted(&'static str, Option<&'static str>, &'static str, u32),
    Measured(&'static str, &'static str, f64),
    FollowUp(u32),
}

fn what() -> impl Strategy<Value = What> {
    let component = prop::sample::select(vec!["engine_oil", "drive_chain", "brake_pads", "tire", "valves"]);
    let position = prop::sample::select(vec![None, Some("front"), Some("rear")]);
    let operation = prop::sample::select(vec!["inspect", "adjust", "lubricate", "replace", "measure"]);
    let part = prop::sample::select(vec!["tire", "brake_pads", "drive_chain"]);
    let condition = prop::sample::select(vec!["new", "used", "rebuilt"]);
    prop_oneof![
        2 => Just(What::Reading),
        5 => (component, position.clone(), operation).prop_map(|(component, position, operation)| What::Work(component, position, operation)),
        3 => (part, position, condition, 0_u32..3000).prop_map(|(part, position, condition, prior)| {
            What::Fitted(part, position, condition, if condition == "new" { 0 } else { prior })
        }),
        2 => (prop::sample::select(vec!["front", "rear"]), 15_u32..80).prop_map(|(position, tenths)| {
            What::Measured("tire", position, f64::from(tenths) / 10.0)
        }),
        1 => (1_u32..2000).prop_map(What::FollowUp),
    ]
}
fn history() -> impl Strategy<Value = (Vec<Entry>, Vec<usize>, Entry)> {
    let entry = || {
        (1_i64..120, 1_u32..900, prop::bool::weighted(0.8), what()).prop_map(|(days, distance, read, what)| Entry {
            days,
            distance,
            read,
            what,
        })
    };
    prop::collection::vec(entry(), 4..13).prop_flat_map(move |entries| {
        let order: Vec<usize> = (0..entries.len()).collect();
        (Just(entries), Just(order).prop_shuffle(), entry())
    })
}

/// The request that enters a thing on its day.
fn request(entry: &Entry, on: Date, odometer: u32) -> (&'static str, Value) {
    let mut body = json!({"on": on.to_string(), "confirmed": true});
    let read = entry.read || matches!(entry.what, What::Reading);
    let what = match &entry.what {
        What::Reading => return ("odometer-readings", json!({"on": on.to_string(), "reading": odometer, "confirmed": true})),
        What::Work(component, position, operation) => {
            json!({"work": [{"component": component, "position": position, "operation": operation}]})
        }
        What::Fitted(component, position, condition, prior) => json!({"fitted": [{"component": component, "position": position,
            "condition": condition, "prior_distance": prior}]}),
        What::Measured(component, position, depth) => json!({"measured": [{"component": component, "position": position,
            "quantity": "tread_depth", "readings": [depth], "unit": "mm"}]}),
        What::FollowUp(distance) => {
            json!({"follow_ups": [{"text": "Look again", "component": "drive_chain", "in": {"distance": distance}}]})
        }
    };
    merge(&mut body, what);
    if read {
        body["odometer"] = odometer.into();
    }
    ("service-events", body)
}
async fn enter(server: &Server, bike: &str, entry: &Entry, on: Date, odometer: u32) -> String {
    let (list, body) = request(entry, on, odometer);
    server.post(&format!("{bike}/{list}"), &body).await.id()
}
/// The days and distances of the entries, one after another.
fn laid_out(entries: &[Entry]) -> Vec<(Date, u32)> {
    let mut at = (IN_SERVICE, 0);
    entries
        .iter()
        .map(|entry| {
            // Late enough in the past that none of it lies in the future.
            at = (at.0 + Duration::days(entry.days), at.1 + entry.distance);
            at
        })
        .collect()
}

/// Rules and a limit of every sort.
async fn standards(server: &Server) {
    let mi = |miles: u32| json!({"value": miles, "unit": "mi"});
    for rule in [
        json!({"name": "Oil", "component": "engine_oil", "operation": "replace", "first": {"distance": mi(600)}, "every": {"distance": mi(5000), "months": 12}}),
        json!({"name": "Chain", "component": "drive_chain", "operation": "lubricate", "every": {"distance": mi(500)}, "satisfied_by": ["adjust"]}),
        json!({"name": "Valves", "component": "valves", "operation": "inspect", "counts_from": "schedule", "every": {"distance": mi(2000), "months": 24}}),
        json!({"name": "Pads", "component": "brake_pads", "position": "front", "operation": "inspect", "every": {"months": 6}, "window": 0.1}),
        json!({"name": "Tire", "component": "tire", "operation": "replace", "scope": "part", "every": {"distance": mi(6000), "months": 72}, "whichever": "first"}),
        json!({"name": "Both", "component": "tire", "operation": "inspect", "every": {"distance": mi(1000), "months": 3}, "whichever": "last"}),
    ] {
        server.post("/interval-rules", &rule).await.created();
    }
    let limit = json!({"component": "tire", "quantity": "tread_depth", "lower": 1.6, "unit": "mm", "kind": "wear"});
    server.post("/limits", &limit).await.created();
}

/// What is due, without the ids of what was made on the way.
async fn due(server: &Server, bike: &str) -> Vec<String> {
    let mut items = server.get(&format!("{bike}/due")).await.items();
    for item in &mut items {
        for id in ["id", "motorcycle", "follow_up_id", "installed_part_id"] {
            item[id] = Value::Null;
        }
        if item["last_done"].is_object() {
            item["last_done"]["service_event_id"] = Value::Null;
        }
    }
    let mut items: Vec<_> = items.iter().map(Value::to_string).collect();
    items.sort();
    items
}

on_both_engines!(random_histories, async |server| {
    standards(&server).await;
    let mut runner = TestRunner::new_with_rng(Config::default(), TestRng::deterministic_rng(RngAlgorithm::ChaCha));
    for number in 0..HISTORIES {
        let (entries, shuffled, more) = history().new_tree(&mut runner).unwrap().current();
        let days = laid_out(&entries);
        let in_turn: Vec<usize> = (0..entries.len()).collect();
        let backwards: Vec<usize> = in_turn.iter().rev().copied().collect();
        let mut answers = Vec::new();
        for order in [&in_turn, &backwards, &shuffled] {
            let bike = server.motorcycle(json!({"name": format!("Bike {number}"), "in_service_on": IN_SERVICE.to_string()})).await;
            for place in order {
                enter(&server, &bike, &entries[*place], days[*place].0, days[*place].1).await;
            }
            answers.push((bike.clone(), due(&server, &bike).await));
        }
        for (_, answer) in &answers[1..] {
            assert_eq!(&answers[0].1, answer, "entered in turn, backwards and as {shuffled:?}: {entries:#?}");
        }

        // One more thing somewhere in the middle of it, and it was a mistake.
        let (bike, before) = &answers[2];
        let middle = entries.len() / 2;
        let next = days.get(middle + 1).copied().unwrap_or((days[middle].0 + Duration::days(2), days[middle].1 + 2));
        if next.0 > days[middle].0 + Duration::DAY && next.1 > days[middle].1 + 1 {
            let id = enter(&server, bike, &more, days[middle].0 + Duration::DAY, days[middle].1 + 1).await;
            let list = if matches!(more.what, What::Reading) { "odometer-readings" } else { "service-events" };
            server.remove(&format!("/{list}/{id}?reason=a%20mistake")).await.with(204);
            assert_eq!(&due(&server, bike).await, before, "struck out {more:?} of {entries:#?}");
        }
    }
    let checked = check::check(&server.app.store).await.unwrap();
    assert_eq!(checked.motorcycles, HISTORIES * 3);
    assert!(checked.due_items > HISTORIES * 3, "something is due on each");
    assert!(checked.differences.is_empty(), "{:#?}", checked.differences);
    // Exported and imported into the other workshop, the same is due.
    let due = crate::exchange::comes_out_the_same(&server, &server.other_workshop()).await;
    assert_eq!(due, checked.due_items);
});

// The check itself can find something.
on_both_engines!(the_check_notices_what_was_changed_behind_its_back, async |server| {
    standards(&server).await;
    let bike = server.motorcycle(json!({})).await;
    server.reading(&bike, "2026-05-01", 1000).await.created();
    assert!(check::check(&server.app.store).await.unwrap().differences.is_empty());
    let sql = "update due_item set due_from = null, overdue_from = null";
    match &server.app.store {
        witnessmark::store::Store::Sqlite { write, .. } => drop(sqlx::query(sql).execute(write).await.unwrap()),
        witnessmark::store::Store::Postgres(pool) => drop(sqlx::query(sql).execute(pool).await.unwrap()),
    }
    let differences = check::check(&server.app.store).await.unwrap().differences;
    let sql = "delete from due_item";
    match &server.app.store {
        witnessmark::store::Store::Sqlite { write, .. } => drop(sqlx::query(sql).execute(write).await.unwrap()),
        witnessmark::store::Store::Postgres(pool) => drop(sqlx::query(sql).execute(pool).await.unwrap()),
    }
    let without = check::check(&server.app.store).await.unwrap().differences;
    assert!(!differences.is_empty() && !without.is_empty(), "changed: {differences:?}, gone: {without:?}");
});
