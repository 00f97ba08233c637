use time::{Date, macros::date};
use uuid::Uuid;
use witnessmark::domain::{
    counter::{Counter, RawChange, RawReading, from_ticks, to_ticks},
    id::Id,
    quantity::{Figure, Unit},
    words::{CounterKind, DistanceStatus, InstrumentChange},
};

use crate::table::{rows, text};

const TABLE: &str = include_str!("odometer.json");

#[test]
fn readings_become_whole_millimeters_and_come_back() {
    for row in rows(TABLE, "distance_mm") {
        let unit = *Unit::ALL.iter().find(|unit| unit.as_str() == text(&row, "unit")).unwrap();
        let nearest: i64 = if row["whole"] == true { text(&row, "exact_mm").parse().unwrap() } else { row["nearest_mm"].as_i64().unwrap() };
        let ticks = to_ticks(CounterKind::Odometer, &Figure::parse(text(&row, "value")).unwrap(), unit);
        assert_eq!(ticks, Ok(nearest), "{row}");
        assert_eq!(from_ticks(nearest, unit).text(), text(&row, "value"), "{row}");
    }
}
#[test]
fn the_statement_follows_from_what_happened() {
    const KM: i64 = 1_000_000;
    let reading = |id, on: Date, km| RawReading { id: Id::new(Uuid::from_u128(id)), on, shown: km * KM, confirmed: false };
    let readings = [reading(1, date!(2025 - 01 - 01), 99_800), reading(2, date!(2025 - 03 - 01), 100)];
    let rolled = RawChange {
        id: Id::new(Uuid::from_u128(1)),
        on: date!(2025 - 02 - 01),
        kind: InstrumentChange::RolledOver,
        old_final: None,
        new_start: 0,
        capacity: 100_000 * KM,
    };
    for row in rows(TABLE, "statement") {
        let unknown = RawChange { kind: InstrumentChange::Replaced, ..rolled };
        let (readings, changes) = match text(&row, "happened") {
            "nothing" => (&readings[..1], vec![]),
            "rolled over" => (&readings[..], vec![rolled]),
            "replaced, last figure known" => (&readings[..], vec![RawChange { old_final: Some(99_900 * KM), ..unknown }]),
            "replaced, last figure unknown" => (&readings[..], vec![unknown]),
            other => panic!("{other} is not known here"),
        };
        let counter = Counter::build(CounterKind::Odometer, readings, &changes).unwrap();
        assert_eq!(counter.distance_status(DistanceStatus::Actual).as_str(), text(&row, "status"), "{row}");
    }
}
