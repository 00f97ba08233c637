//! What the tests are given: the copied tables, a motorcycle, limits and fasteners.
use serde_json::{Value, json};
use time::OffsetDateTime;
use uuid::Uuid;
use witnessmark::domain::{
    fastener::Fastener,
    id::Id,
    limit::{Limit, NewLimit},
    motorcycle::{Motorcycle, NewMotorcycle},
    quantity::Unit,
};

/// The rows of a copied table that are of one kind; there must be some.
pub fn rows(table: &str, kind: &str) -> Vec<Value> {
    let all: Vec<Value> = serde_json::from_str(table).expect("a list of rows");
    let rows: Vec<Value> = all.into_iter().filter(|row| row["kind"] == kind).collect();
    assert!(!rows.is_empty(), "no rows of kind {kind}");
    rows
}
/// A number, whether it is written as a number, as text, or as a fraction in text.
pub fn number(value: &Value) -> f64 {
    let text = value.as_str().map_or_else(|| value.to_string(), str::to_owned);
    match text.split_once('/') {
        Some((above, below)) => above.parse::<f64>().expect("a number") / below.parse::<f64>().expect("a number"),
        None => text.parse().unwrap_or_else(|_| panic!("{text} is no number")),
    }
}
pub fn unit(value: &Value) -> Unit {
    value.as_str().and_then(|text| text.parse().ok()).expect("a unit")
}
pub fn close_to(found: f64, wanted: f64, relative: f64) -> bool {
    (found - wanted).abs() <= relative * wanted.abs().max(f64::MIN_POSITIVE)
}

pub fn bike() -> Motorcycle {
    let new: NewMotorcycle = serde_json::from_value(json!({"name": "Courier 3", "make": "Halden", "model": "650 Twin", "year": 2021,
        "final_drive": "belt", "odometer_unit": "mi"}))
    .expect("a motorcycle");
    Motorcycle::from_new(Id::new(Uuid::from_u128(1)), new, false, None, Vec::new(), OffsetDateTime::UNIX_EPOCH)
}
pub fn new_limit(fields: Value) -> NewLimit {
    serde_json::from_value(fields).expect("a limit")
}
/// A limit; `id` also says which of two was entered first.
pub fn limit(id: u128, fields: Value) -> Limit {
    Limit::from_new(Id::new(Uuid::from_u128(id)), new_limit(fields), OffsetDateTime::UNIX_EPOCH)
}
/// A fastener with these stages.
pub fn fastener(stages: &Value) -> Fastener {
    let new = json!({"key": "rear_axle_nut", "name": "Rear axle nut", "component": "axle", "position": "rear", "stages": stages});
    Fastener::from_new(Id::new(Uuid::from_u128(9)), serde_json::from_value(new).expect("a fastener"), OffsetDateTime::UNIX_EPOCH)
}
