use proptest::prelude::*;
use serde_json::json;
use time::macros::{date, datetime};

use super::{check::Wrong, *};
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
    make(Sources {
        workshop: "Ferry Lane",
        motorcycle: bike,
        counter,
        items,
        taken_over: &[],
        today: date!(2026 - 06 - 15),
        seed: &Seed([7; 32]),
    })
    .unwrap()
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

fn as_sent(made: &Packet) -> Value {
    serde_json::from_str(&serde_json::to_string(made).unwrap()).unwrap()
}
fn told(packet: &Value) -> String {
    match check::check(packet) {
        Ok(_) => "as it was made".into(),
        Err(Wrong::Changed(what) | Wrong::NotAPacket(what)) => what,
    }
}

#[test]
fn a_packet_as_it_was_made_passes() {
    let made = packet(&bike(&json!({})), &counter(Some(40_210)));
    let found = check::check(&as_sent(&made)).unwrap();
    assert_eq!((found.entries, found.workshop.as_str(), found.motorcycle.as_str()), (4, "Ferry Lane", "Courier 3"));
    assert_eq!((found.head, found.fingerprint), (made.chain.head, made.signature.key.kid));
}

#[test]
fn the_first_entry_that_does_not_fit_is_named() {
    let made = as_sent(&packet(&bike(&json!({})), &counter(Some(40_210))));
    let with = |change: fn(&mut Value)| {
        let mut changed = made.clone();
        change(&mut changed);
        told(&changed)
    };
    assert_eq!(with(|p| p["entries"][1]["entry"]["odometer_shown"]["value"] = json!(30_210)), "Entry 2 of 1 Jun 2025 was changed.");
    let moved = "does not follow on what stands before it: an entry was left out, added or moved.";
    assert_eq!(with(|p| drop(p["entries"].as_array_mut().unwrap().remove(2))), format!("Entry 3 of 2 May 2026 {moved}"));
    assert_eq!(with(|p| p["entries"].as_array_mut().unwrap().swap(0, 1)), format!("Entry 1 of 1 Jun 2025 {moved}"));
    assert!(with(|p| drop(p["entries"].as_array_mut().unwrap().pop())).contains("entries at the end were left out"));
    assert_eq!(with(|p| p["motorcycle"]["vin"] = json!("HALDEN000000000X1")), "What stands before the entries was changed.");
    assert_eq!(with(|p| drop(p.as_object_mut().unwrap().remove("signature"))), "Its `signature` was taken out.");
}

#[test]
fn a_packet_chained_anew_does_not_fit_its_signature() {
    let made = packet(&bike(&json!({})), &counter(Some(40_210)));
    let other = packet(&bike(&json!({"vin": "HALDEN000000000X1"})), &counter(Some(40_210)));
    assert_eq!(told(&as_sent(&Packet { signature: made.signature, ..other.clone() })), "The signature is for another packet.");
    let mut stranger = as_sent(&other);
    stranger["signature"]["key"] = serde_json::to_value(signature::Jwk::new(&[9; 32])).unwrap();
    assert_eq!(told(&stranger), "The signature is not by the key that stands beside it.");
}

proptest! {
    #[test]
    fn any_changed_byte_is_noticed(place in any::<prop::sample::Index>(), bit in 0..8_u32) {
        let made = packet(&bike(&json!({})), &counter(Some(40_210)));
        // The sentences that explain chain and signature are not what is signed.
        let said = [&made.chain.method, &made.chain.does_not_prove, &made.signature.says];
        let mut bytes = serde_json::to_vec(&made).unwrap();
        let text = String::from_utf8(bytes.clone()).unwrap();
        let place = place.index(bytes.len());
        let spoken = said.iter().any(|said| text.find(said.as_str()).is_some_and(|from| (from..from + said.len()).contains(&place)));
        prop_assume!(!spoken);
        bytes[place] ^= 1 << bit;
        let passes = serde_json::from_slice(&bytes).is_ok_and(|packet| check::check(&packet).is_ok());
        prop_assert!(!passes, "{:?}", String::from_utf8_lossy(&bytes[place.saturating_sub(40)..(place + 40).min(bytes.len())]));
    }

    #[test]
    fn any_entry_left_out_or_moved_is_noticed(from in 0_usize..4, to in 0_usize..4) {
        let mut packet = as_sent(&packet(&bike(&json!({})), &counter(Some(40_210))));
        let entries = packet["entries"].as_array_mut().unwrap();
        if from == to {
            entries.remove(from);
        } else {
            entries.swap(from, to);
        }
        prop_assert!(check::check(&packet).is_err());
    }
}
