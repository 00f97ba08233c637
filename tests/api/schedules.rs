//! Published service schedules, entered as rules over the API and ridden through, in miles and in kilometers: the due points are
//! the printed ones.
use serde_json::{Value, json};
use time::{Date, Duration, macros::date};

use crate::harness::{Server, on_both_engines};

/// One line of a published table: months, miles, and the kilometers printed beside them.
struct Printed {
    months: u16,
    miles: u32,
    kilometers: u32,
    source: &'static str,
}
const fn line(months: u16, miles: u32, kilometers: u32, source: &'static str) -> Printed {
    Printed { months, miles, kilometers, source }
}
/// Read in the publications named; whichever occurs first in all of them. The printed kilometers are what the tables say, also where
/// they are not 1.609344 times the miles.
const TABLE: [Printed; 8] = [
    line(6, 6000, 9654, "TM 9-2320-272-24-1 para 2-9 (read)"),
    line(12, 12000, 19308, "TM 9-2320-272-24-1 para 2-9 (read)"),
    line(24, 24000, 38616, "TM 9-2320-272-24-1 para 2-9 (read)"),
    line(6, 3000, 4828, "TM 9-2320-387-24-1 para 2-9 (read)"),
    line(12, 6000, 9656, "TM 9-2320-387-24-1 para 2-9 (read)"),
    line(24, 12000, 19310, "TM 9-2320-387-24-1 para 2-9 (read)"),
    line(3, 3000, 4827, "TM 9-2320-365-20-5 app H, code Q (read)"),
    line(12, 6000, 9656, "TM 9-2320-211-20 (read)"),
];
const NEW: Date = date!(2020 - 02 - 29);
const KM_PER_MI: f64 = 1.609_344;

/// Enters the table as rules on components of its own; `distance` gives a line's figure.
async fn enter(server: &Server, counts_from: &str, distance: impl Fn(&Printed) -> Value) {
    for (place, printed) in TABLE.iter().enumerate() {
        let key = format!("service_{place}");
        let component = json!({"key": key, "name": format!("Service {place}"), "part": false});
        server.post("/components", &component).await.created();
        let rule = json!({"name": key, "component": key, "operation": "inspect", "counts_from": counts_from,
            "every": {"distance": distance(printed), "months": printed.months}, "source": printed.source});
        assert_eq!(server.post("/interval-rules", &rule).await.created()["source"], printed.source);
    }
}
async fn bike(server: &Server, unit: &str) -> String {
    server.motorcycle(json!({"name": unit, "odometer_unit": unit, "in_service_on": NEW.to_string()})).await
}
/// Logs a service of one line of the table.
async fn serve(server: &Server, bike: &str, place: usize, on: Date, odometer: f64) {
    // The digits of a tripmeter, to the meter.
    let odometer: Value = serde_json::from_str(&format!("{odometer:.6}")).unwrap();
    let work = json!([{"component": format!("service_{place}"), "operation": "inspect"}]);
    let event = json!({"on": on.to_string(), "odometer": odometer, "work": work});
    server.post(&format!("{bike}/service-events"), &event).await.created();
}
async fn due(server: &Server, bike: &str, place: usize) -> Value {
    let items = server.get(&format!("{bike}/due")).await.items();
    items.into_iter().find(|item| item["component"] == format!("service_{place}")).expect("the rule has a due item")
}
fn odometer(item: &Value) -> f64 {
    item["due_at"]["odometer"]["value"].as_f64().unwrap_or_else(|| panic!("no due odometer: {item}"))
}
/// A date and months, from another hand than the program's: the days of 2020 to 2030 are few enough.
fn months_after(on: Date, months: u16) -> String {
    let jiff =
        jiff::civil::date(i16::try_from(on.year()).unwrap(), i8::try_from(u8::from(on.month())).unwrap(), i8::try_from(on.day()).unwrap());
    jiff.checked_add(jiff::Span::new().months(i64::from(months))).unwrap().to_string()
}

on_both_engines!(counted_from_when_it_was_last_done, async |server| {
    enter(&server, "last_done", |printed| json!({"value": printed.miles, "unit": "mi"})).await;
    for (place, printed) in TABLE.iter().enumerate() {
        let (miles, kilometers) = (bike(&server, "mi").await, bike(&server, "km").await);
        // Never done: the printed figures themselves.
        let item = due(&server, &miles, place).await;
        assert_eq!(item["due_at"]["odometer"], json!({"value": printed.miles, "unit": "mi"}), "{}", printed.source);
        assert_eq!(item["due_at"]["on"], months_after(NEW, printed.months), "{}", printed.source);
        let (mut at, mut on) = (0.0, NEW);
        for late in [40.0, 0.0, 0.5] {
            at += f64::from(printed.miles) + late;
            on += Duration::days(300);
            serve(&server, &miles, place, on, at).await;
            serve(&server, &kilometers, place, on, at * KM_PER_MI).await;
            let (item, twin) = (due(&server, &miles, place).await, due(&server, &kilometers, place).await);
            assert!((odometer(&item) - at - f64::from(printed.miles)).abs() < 1e-6, "{}: {item}", printed.source);
            assert!((odometer(&twin) - odometer(&item) * KM_PER_MI).abs() < 1e-3, "{}: {twin}", printed.source);
            assert_eq!(item["due_at"]["on"], months_after(on, printed.months), "{}", printed.source);
            for same in ["due_from", "nearly_due_from", "overdue_from", "expected", "governs", "status", "certain"] {
                assert_eq!(item[same], twin[same], "{same} in miles and in kilometers: {}", printed.source);
            }
        }
    }
});

on_both_engines!(on_the_printed_grid_in_miles, async |server| {
    enter(&server, "schedule", |printed| json!({"value": printed.miles, "unit": "mi"})).await;
    ride_the_grid(&server, "mi", |printed| printed.miles).await;
});

on_both_engines!(on_the_printed_grid_in_kilometers, async |server| {
    enter(&server, "schedule", |printed| json!({"value": printed.kilometers, "unit": "km"})).await;
    ride_the_grid(&server, "km", |printed| printed.kilometers).await;
});

/// Four services near their points, a little early or late: each next point is the next of the printed grid.
async fn ride_the_grid(server: &Server, unit: &str, far: impl Fn(&Printed) -> u32) {
    for (place, printed) in TABLE.iter().enumerate() {
        let bike = bike(server, unit).await;
        let far = far(printed);
        for (done, share) in [0.95, 2.02, 2.95, 4.0].into_iter().enumerate() {
            let point = u64::from(far) * (u64::try_from(done).unwrap() + 1);
            let item = due(server, &bike, place).await;
            assert_eq!(item["due_at"]["odometer"], json!({"value": point, "unit": unit}), "{}", printed.source);
            let on = NEW + Duration::days(300 * (i64::try_from(done).unwrap() + 1));
            serve(server, &bike, place, on, f64::from(far) * share).await;
        }
        assert_eq!(due(server, &bike, place).await["due_at"]["odometer"]["value"], u64::from(far) * 5);
        // Too early for the fifth point: it stands.
        serve(server, &bike, place, NEW + Duration::days(1400), f64::from(far) * 4.89).await;
        assert_eq!(due(server, &bike, place).await["due_at"]["odometer"]["value"], u64::from(far) * 5, "{}", printed.source);
    }
}
