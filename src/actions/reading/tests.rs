use time::{
    OffsetDateTime,
    macros::{date, datetime},
};

use super::*;
use crate::{
    access::Caller,
    actions::{App, motorcycle as bikes},
    clock::Clock,
    domain::{
        quantity::Quantity,
        words::{DistanceStatus, OdometerUnit},
        workshop::{Workshop, WorkshopReports},
    },
    store::{Store, workshop},
};

const NOW: OffsetDateTime = datetime!(2026-05-10 12:00 UTC);

/// A workshop with one motorcycle in a database of its own; the folder goes with the value.
struct Shop {
    _folder: tempfile::TempDir,
    app: App,
    caller: Caller,
    bike: Id<Motorcycle>,
}
impl Shop {
    async fn open() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(&format!("sqlite:{}", folder.path().join("test.db").display())).await.unwrap();
        let app = App::new(store, Clock::Fixed(NOW));
        let shop = Workshop {
            id: app.clock.new_id(),
            name: "Birch".into(),
            time_zone: "UTC".into(),
            default_unit: OdometerUnit::Km,
            currency: "EUR".into(),
            default_yearly_distance: Quantity { value: Figure::from(5000), unit: Unit::Km },
            lead_days: 30,
            reports: WorkshopReports::default(),
            created_at: NOW,
        };
        let mut tx = app.store.write().await.unwrap();
        workshop::insert(&mut tx, &shop).await.unwrap();
        tx.commit().await.unwrap();
        let caller = Caller::command_line(shop.id);
        let mut work = app.write(&caller, None).await.unwrap();
        let new = serde_json::from_value(serde_json::json!({"name": "Courier", "final_drive": "chain", "odometer_unit": "km"})).unwrap();
        let bike = bikes::add(&mut work, new).await.unwrap().id;
        work.finish(None).await.unwrap();
        Self { _folder: folder, app, caller, bike }
    }
    async fn work(&self) -> (Work, Motorcycle) {
        let mut work = self.app.write(&self.caller, None).await.unwrap();
        let bike = bikes::get(&mut work, self.bike).await.unwrap();
        (work, bike)
    }
    async fn bike(&self) -> Motorcycle {
        self.work().await.1
    }
    async fn record(&self, on: Date, reading: i64, confirmed: bool) -> Result<Reading> {
        let (mut work, bike) = self.work().await;
        let new = NewReading { on, reading: Figure::from(reading), read_by: None, confirmed };
        let reading = record(&mut work, &bike, CounterKind::Odometer, new, None, "/odometer").await?;
        work.finish(None).await?;
        Ok(reading)
    }
    async fn strike_out(&self, reading: &Reading, reason: &str) -> Result<Reading> {
        let (mut work, _) = self.work().await;
        let struck = strike_out(&mut work, reading, reason).await?;
        work.finish(None).await?;
        Ok(struck)
    }
    async fn change(&self, new: serde_json::Value) -> Result<Instrument> {
        let (mut work, bike) = self.work().await;
        let new = serde_json::from_value(new).unwrap();
        let change = change_instrument(&mut work, &bike, CounterKind::Odometer, new).await?;
        work.finish(None).await?;
        Ok(change)
    }
    async fn kilometers(&self) -> Vec<i64> {
        let (mut work, _) = self.work().await;
        let counter = counter(&mut work, self.bike, CounterKind::Odometer).await.unwrap();
        counter.points().iter().map(|point| point.ticks / 1_000_000).collect()
    }
}
fn place(error: &Error) -> &str {
    &error.problems()[0].pointer
}

#[tokio::test]
async fn a_contradiction_names_both_neighbors_and_stores_nothing() {
    let shop = Shop::open().await;
    let first = shop.record(date!(2026 - 01 - 10), 1000, false).await.unwrap();
    let second = shop.record(date!(2026 - 03 - 10), 3000, false).await.unwrap();
    let error = shop.record(date!(2026 - 02 - 10), 3001, false).await.unwrap_err();
    assert_eq!(place(&error), "/odometer");
    let Error::Contradicts { neighbors, .. } = error else { panic!("{error:?}") };
    let named: Vec<_> = neighbors.iter().map(|neighbor| (neighbor.id, neighbor.reading.value())).collect();
    assert_eq!(named, [(Some(first.id.uuid()), 1000.0), (Some(second.id.uuid()), 3000.0)]);
    assert_eq!(place(&shop.record(date!(2026 - 05 - 11), 3001, false).await.unwrap_err()), "/on");
    assert_eq!(shop.kilometers().await, [1000, 3000]);
}

#[tokio::test]
async fn striking_out_undoes_exactly_and_what_leans_on_it_is_named() {
    let shop = Shop::open().await;
    shop.record(date!(2026 - 01 - 10), 1000, false).await.unwrap();
    let before = shop.bike().await;
    assert!(shop.record(date!(2026 - 01 - 11), 9000, false).await.is_err(), "8,000 km in a day");
    let wrong = shop.record(date!(2026 - 01 - 11), 9000, true).await.unwrap();
    let later = shop.record(date!(2026 - 01 - 12), 9100, false).await.unwrap();
    assert_eq!(shop.bike().await.odometer.unwrap().id, later.id);
    // Without the confirmed one in between, the later one is too far in two days.
    let error = shop.strike_out(&wrong, "typed wrong").await.unwrap_err();
    assert!(matches!(&error, Error::Conflict { with, .. } if with.contains(&later.id.uuid())), "{error:?}");
    assert_eq!(place(&shop.strike_out(&later, " ").await.unwrap_err()), "/reason");

    assert_eq!(shop.strike_out(&later, " typed wrong ").await.unwrap().struck_out.unwrap().reason, "typed wrong");
    let struck = shop.strike_out(&wrong, "typed wrong").await.unwrap();
    assert_eq!(shop.bike().await, before);
    assert_eq!(shop.strike_out(&struck, "again").await.unwrap_err().status(), 409);
    // It stays visible, and the right figure can be entered now.
    let right = shop.record(date!(2026 - 01 - 11), 1100, false).await.unwrap();
    let (mut work, _) = shop.work().await;
    let all = list(&mut work, shop.bike, CounterKind::Odometer, None, Stretch { after: None, limit: 10 }).await.unwrap();
    let shown: Vec<_> = all.iter().map(|reading| (reading.id, reading.struck_out.is_some())).collect();
    assert_eq!((shown[0], shown[1], shown[2]), ((later.id, true), (right.id, false), (wrong.id, true)));
    assert_eq!(get(&mut work, wrong.id, CounterKind::Hours).await.unwrap_err().status(), 404);
}

#[tokio::test]
async fn instruments_change_what_may_be_said_of_the_distance() {
    let shop = Shop::open().await;
    shop.record(date!(2026 - 01 - 10), 99_000, false).await.unwrap();
    let roll = |capacity| serde_json::json!({"on": "2026-02-01", "kind": "rolled_over", "capacity": capacity});
    assert_eq!(place(&shop.change(roll(90_000)).await.unwrap_err()), "/capacity");
    shop.change(roll(100_000)).await.unwrap();
    assert_eq!(shop.bike().await.distance_status, DistanceStatus::ExceedsMechanicalLimits);
    assert_eq!(place(&shop.record(date!(2026 - 02 - 02), 100_001, true).await.unwrap_err()), "/odometer");
    shop.record(date!(2026 - 02 - 02), 200, false).await.unwrap();
    assert_eq!(shop.kilometers().await, [99_000, 100_200]);

    let replaced = |old_final| serde_json::json!({"on": "2026-03-01", "kind": "replaced", "old_final": old_final});
    assert_eq!(place(&shop.change(replaced(Some(100))).await.unwrap_err()), "/old_final");
    shop.change(replaced(None)).await.unwrap();
    let bike = shop.bike().await;
    assert_eq!(bike.distance_status, DistanceStatus::NotActual);
    shop.record(date!(2026 - 03 - 05), 50, false).await.unwrap();
    assert_eq!(shop.kilometers().await, [99_000, 100_200, 100_250]);

    // What was lost stays lost, and figures keep their unit.
    for (field, value, pointer) in [("distance_status", "actual", "/distance_status"), ("odometer_unit", "mi", "/odometer_unit")] {
        let mut sent = serde_json::to_value(bike.details()).unwrap();
        sent[field] = value.into();
        let (mut work, bike) = shop.work().await;
        let error = bikes::change(&mut work, bike, serde_json::from_value(sent).unwrap()).await.unwrap_err();
        assert_eq!(place(&error), pointer);
    }
}
