use serde_json::json;
use time::macros::{date, datetime};

use super::*;
use crate::domain::{
    counter::{RawChange, RawReading},
    history_item::HistoryKind,
    motorcycle::{LastReading, NewMotorcycle},
    quantity::Unit,
    words::CounterKind,
};

const MI: i64 = 1_609_344;

fn bike(fields: &Value) -> Motorcycle {
    let mut body = json!({"name": "Courier 3", "final_drive": "chain", "odometer_unit": "mi", "in_service_on": "2021-04-10", "notes": "Ada Birch, 555 0100"});
    body.as_object_mut().unwrap().extend(fields.as_object().unwrap().clone());
    let new: NewMotorcycle = serde_json::from_value(body).unwrap();
    let last = LastReading { id: reading_id(3), on: date!(2026 - 05 - 02), reading: Figure::from(120), unit: Unit::Mi };
    Motorcycle::from_new(Id::new(uuid::Uuid::from_u128(1)), new, false, Some(last), Vec::new(), datetime!(2026-01-01 00:00 UTC))
}
fn reading_id(number: u128) -> Id<Reading> {
    Id::new(uuid::Uuid::from_u128(number))
}
fn item(number: u128, on: Date, shown: i64, struck: bool) -> HistoryItem {
    let struck_out = json!({"at": "2026-05-03T00:00:00Z", "reason": "typed wrong"});
    let reading: Reading =
        serde_json::from_value(json!({"id": reading_id(number), "on": on, "reading": shown, "read_by": "R. Moss", "confirmed": false,
        "motorcycle_id": uuid::Uuid::from_u128(1), "counter": "odometer", "unit": "mi", "service_event_id": null,
        "struck_out": if struck { struck_out } else { Value::Null }, "created_at": "2026-05-02T10:00:00Z"}))
        .unwrap();
    HistoryItem {
        odometer_reading: Some(reading),
        ..HistoryItem::new(HistoryKind::OdometerReading, on, uuid::Uuid::from_u128(number), None)
    }
}
/// Read at 40,000 mi in January 2025 and at 40,210 mi in June; replaced in April 2026; 120 mi on the new one in May 2026.
fn counter(old_final: Option<i64>) -> Counter {
    let reading = |number, on, shown| RawReading { id: reading_id(number), on, shown: shown * MI, confirmed: false };
    let readings =
        [reading(1, date!(2025 - 01 - 01), 40_000), reading(2, date!(2025 - 06 - 01), 40_210), reading(3, date!(2026 - 05 - 02), 120)];
    let change = RawChange {
        id: Id::new(uuid::Uuid::from_u128(9)),
        on: date!(2026 - 04 - 01),
        kind: InstrumentChange::Replaced,
        old_final: old_final.map(|shown| shown * MI),
        new_start: 0,
        capacity: 100_000 * MI,
    };
    Counter::build(CounterKind::Odometer, &readings, &[change]).unwrap()
}
fn packet(bike: &Motorcycle, counter: &Counter) -> Packet {
    let items = vec![
        item(3, date!(2026 - 05 - 02), 120, false),
        item(4, date!(2026 - 05 - 01), 999, true),
        item(2, date!(2025 - 06 - 01), 40_210, false),
        item(1, date!(2025 - 01 - 01), 40_000, false),
    ];
    make(Sources { workshop: "Ferry Lane", motorcycle: bike, counter, items, today: date!(2026 - 06 - 15), seed: &Seed([7; 32]) }).unwrap()
}

#[test]
fn it_opens_with_what_is_not_known() {
    let made = packet(&bike(&json!({"records_begin": {"on": "2024-03-01", "odometer": 18250}})), &counter(Some(40_210)));
    assert_eq!(
        made.about.not_known.in_words,
        [
            "The records begin on 1 Mar 2024 at 18,250 mi; what was done before is not known.",
            "The longest stretch without an odometer reading is 304 days, from 1 Jun 2025 to 1 Apr 2026.",
            "One entry was struck out; it stands below with the reason.",
            "2 of 4 entries were written down more than 30 days after they were done.",
        ]
    );
    let text = serde_json::to_string(&made).unwrap();
    assert!(text.starts_with(r#"{"format":"witnessmark-packet","version":1,"not_known":{"#), "{text}");
    assert!(!text.contains("Birch") && !text.contains("555"), "the workshop's notes name people: {text}");
}

#[test]
fn both_figures_and_the_sum_stand_where_an_odometer_was_replaced() {
    let made = packet(&bike(&json!({})), &counter(Some(40_210)));
    let last = &made.entries.last().unwrap().entry;
    assert_eq!(last.odometer_shown, Some(Quantity { value: Figure::from(120), unit: Unit::Mi }));
    assert_eq!(last.true_distance, Some(Quantity { value: Figure::from(40_330), unit: Unit::Mi }));
    assert_eq!(last.sum.as_deref(), Some("40,210 + 120 = 40,330 mi"));
    assert_eq!(made.entries[0].entry.sum, None);
    let distance = &made.about.distance;
    assert_eq!((distance.status, distance.sum.as_deref()), (DistanceStatus::Actual, Some("40,210 + 120 = 40,330 mi")));
    assert_eq!(packet(&bike(&json!({})), &counter(None)).about.distance.status, DistanceStatus::NotActual);
}

#[test]
fn the_canonical_form_keeps_digits_and_order_of_names() {
    let value: Value = serde_json::from_str(r#" {"b": [0.50, 1e2, -3], "a": {"z": null, "y": true, "é": "q\"\n\u0001"}} "#).unwrap();
    assert_eq!(
        canonical(&value),
        r#"{"a":{"y":true,"z":null,"é":"q\"\n\u0001"},"b":["0.50","1e2","-3"]}"#
            .replace("1e2", &canonical(&value["b"][1]).replace('"', ""))
    );
    assert_eq!(canonical(&value["b"][0]), r#""0.50""#);
}

#[test]
fn a_change_anywhere_breaks_the_chain() {
    let made = packet(&bike(&json!({})), &counter(Some(40_210)));
    let holds = |packet: &Packet| {
        let mut head = hash("", &packet.about);
        head == packet.chain.start
            && packet.entries.iter().all(|link| {
                let before = std::mem::replace(&mut head, link.hash.clone());
                link.previous == before && link.hash == hash(&format!("{before}\n"), &link.entry)
            })
            && head == packet.chain.head
    };
    assert!(holds(&made));
    let mut changed = made.clone();
    changed.entries[1].entry.odometer_shown = Some(Quantity { value: Figure::from(30_210), unit: Unit::Mi });
    assert!(!holds(&changed));
    let mut left_out = made.clone();
    left_out.entries.remove(2);
    assert!(!holds(&left_out));
    let mut cut = made.clone();
    cut.entries.pop();
    assert!(!holds(&cut));
    let mut renamed = made;
    renamed.about.motorcycle.vin = Some("HALDEN000000000X1".into());
    assert!(!holds(&renamed));
}
