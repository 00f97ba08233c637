//! The forecast of one motorcycle as it is shown: what its odometer will show on a day, and when its parts are worn to their limits.
use serde::{Deserialize, Serialize};
use time::Date;
use utoipa::ToSchema;

use super::{
    due::ExpectedDates,
    id::Id,
    limit::Limit,
    part::InstalledPart,
    projection::{Basis, Projection},
    quantity::{Distance, Figure, Unit},
    road::{Road, Roads},
    uneven::{Uneven, uneven},
    wear::{self, WearPoint},
    wear_forecast::{WearForecast, wear_forecasts},
    words::{LimitKind, Measurand, Position, words},
};

words! {
    /// What a forecast of the distance rests on.
    ForecastBasis { Readings => "readings", Default => "default", }
}

/// Percentiles of an odometer figure.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct OdometerBand {
    /// One future in ten is lower; null where it is not known.
    pub p10: Option<Figure>,
    /// As many futures are lower as higher; null before the odometer now on the motorcycle.
    pub p50: Option<Figure>,
    /// One future in ten is higher; null where it is not known.
    pub p90: Option<Figure>,
}

/// When one part meets one limit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct WearEntry {
    /// The part.
    pub installed_part_id: Id<InstalledPart>,
    /// The component's key.
    pub component: String,
    /// Where it sits.
    pub position: Option<Position>,
    /// What was measured.
    pub quantity: Measurand,
    /// The limit that it approaches.
    pub limit_id: Id<Limit>,
    /// What the limit means: adjust it, replace it, or not legal.
    pub kind: LimitKind,
    /// What the odometer now on the motorcycle will show then; null where nothing can be forecast. Fewer than three values give
    /// a line without a band: `p10` and `p90` are null then.
    pub at: Option<OdometerBand>,
    /// The days on which it may be; null where nothing can be forecast.
    pub on: Option<ExpectedDates>,
    /// How many measured values it rests on.
    pub points: usize,
    /// The arithmetic in sentences, or why there is no forecast.
    pub because: Vec<String>,
}

/// A forecast of one motorcycle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Forecast {
    /// The day.
    pub on: Date,
    /// The readings, or the workshop's default yearly distance where there are too few.
    pub basis: ForecastBasis,
    /// What the odometer now on the motorcycle will show; null where nothing says where it starts.
    pub odometer: Option<OdometerBand>,
    /// The unit of the odometer figures.
    pub unit: Unit,
    /// The wearing quantities of the parts on the motorcycle against the limits that hold for them.
    pub wear: Vec<WearEntry>,
    /// Parts that sit left and right, or front and rear, and do not wear alike.
    pub uneven: Vec<Uneven>,
}

/// The forecast for a day after the last reading.
#[must_use]
pub fn forecast_on(roads: &Roads, limits: &[Limit], on: Date) -> Forecast {
    let road = roads.own();
    let projection = road.and_then(|road| road.distance.projection.as_ref());
    let mut wear: Vec<_> = match road {
        Some(road) => wear_forecasts(roads, limits).iter().map(|forecast| entry(roads, road, forecast)).collect(),
        None => Vec::new(),
    };
    wear.sort_by(|one, other| {
        let key = |entry: &WearEntry| (entry.component.clone(), entry.position, entry.quantity, entry.kind, entry.limit_id);
        key(one).cmp(&key(other))
    });
    Forecast {
        on,
        basis: if projection.map(Projection::basis) == Some(Basis::Readings) { ForecastBasis::Readings } else { ForecastBasis::Default },
        odometer: road.zip(projection).map(|(road, projection)| {
            let band = projection.on(on);
            OdometerBand { p10: shown(roads, road, band.p10), p50: shown(roads, road, band.p50), p90: shown(roads, road, band.p90) }
        }),
        unit: roads.history.motorcycle.odometer_unit.into(),
        wear,
        uneven: uneven(roads, limits),
    }
}

/// One wearing quantity of a part on its way to one limit, with all that a chart of it needs.
#[derive(Clone, Debug)]
pub struct Approach {
    /// When it meets the limit.
    pub entry: WearEntry,
    /// The bound of the limit that is approached.
    pub level: f64,
    /// The unit of the bound and of the values.
    pub unit: Unit,
    /// The value of a new part, where the limit tells it.
    pub new: Option<f64>,
    /// The values that the forecast looked at.
    pub values: Vec<WearPoint>,
    /// The part distances at which it meets the limit; `None` where there is no forecast.
    pub part_distance: Option<wear::Forecast>,
}

/// How the values of one part now on the motorcycle approach each limit that holds for it, quantity by quantity.
#[must_use]
pub fn approaches(roads: &Roads, limits: &[Limit], part: Id<InstalledPart>) -> Vec<Approach> {
    let Some(road) = roads.own() else { return Vec::new() };
    let forecasts = wear_forecasts(roads, limits);
    let of_part = forecasts.iter().filter(|forecast| forecast.part.id == part);
    let approach = |forecast: &WearForecast| Approach {
        entry: entry(roads, road, forecast),
        level: forecast.level,
        unit: forecast.limit.unit,
        new: forecast.limit.nominal.as_ref().map(Figure::value),
        values: forecast.values.clone(),
        part_distance: forecast.outcome.as_ref().ok().map(|(_, found)| found.clone()),
    };
    of_part.map(approach).collect()
}

/// A true distance as the odometer now on the motorcycle will show it.
fn shown(roads: &Roads, road: &Road, ticks: i64) -> Option<Figure> {
    let shown = road.distance.counter.shown_now(ticks)?;
    Some(Distance::from_mm(shown).quantity(roads.history.motorcycle.odometer_unit).value)
}

fn entry(roads: &Roads, road: &Road, worn: &WearForecast) -> WearEntry {
    let found = worn.outcome.as_ref().ok();
    let not_before = |day: Option<Date>| day.map(|day| day.max(worn.stay.fitted.on));
    WearEntry {
        installed_part_id: worn.part.id,
        component: worn.part.component.clone(),
        position: worn.stay.position,
        quantity: worn.quantity,
        limit_id: worn.limit.id,
        kind: worn.limit.kind,
        at: found.map(|(at, forecast)| OdometerBand {
            p10: forecast.p10.and_then(|_| shown(roads, road, at.p10)),
            p50: shown(roads, road, at.p50),
            p90: forecast.p90.and_then(|_| shown(roads, road, at.p90)),
        }),
        // An early limit on a fast road, and a late one on a slow road.
        on: found.map(|(at, _)| ExpectedDates {
            p10: not_before(road.distance.expected(at.p10).p10),
            p50: not_before(road.distance.expected(at.p50).p50),
            p90: not_before(road.distance.expected(at.p90).p90),
        }),
        points: worn.values.len(),
        because: worn.because(),
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;
    use time::OffsetDateTime;

    use super::*;
    use crate::domain::{
        fixture::{Bench, day, id},
        history::WornValue,
        limit::NewLimit,
        words::Condition,
    };

    fn limit() -> Limit {
        let new = json!({"component": "brake_pads", "quantity": "thickness", "lower": 1.5, "unit": "mm", "kind": "wear"});
        let new: NewLimit = serde_json::from_value(new).unwrap();
        Limit::from_new(id(800), new, OffsetDateTime::UNIX_EPOCH)
    }
    fn numbers(band: &OdometerBand) -> [f64; 3] {
        [&band.p10, &band.p50, &band.p90].map(|figure| figure.as_ref().map_or(f64::NAN, Figure::value))
    }

    #[test]
    fn the_odometer_follows_the_readings_and_never_falls_below_the_last() {
        let mut bench = Bench::new();
        bench.read("2025-01-01", 10_000.0).read("2026-01-01", 13_650.0);
        let history = bench.history();
        let roads = Roads::new(&history);
        let ahead = forecast_on(&roads, &[], day("2026-04-11"));
        let [low, middle, high] = numbers(ahead.odometer.as_ref().unwrap());
        assert_eq!((ahead.basis, ahead.unit), (ForecastBasis::Readings, Unit::Mi));
        // 10 mi a day over the year, but less from January to April.
        assert!(13_650.0 <= low && low < middle && middle < 14_650.0 && middle < high, "{low} {middle} {high}");
        let last = forecast_on(&roads, &[], day("2026-01-01"));
        let figure = Some(Figure::from(13_650));
        assert_eq!(last.odometer, Some(OdometerBand { p10: figure.clone(), p50: figure.clone(), p90: figure }));
        let nothing = Bench::with(json!({"in_service_on": null})).history();
        let none = forecast_on(&Roads::new(&nothing), &[], day("2026-01-01"));
        assert_eq!((none.basis, none.odometer), (ForecastBasis::Default, None));
    }

    #[test]
    fn wear_is_told_in_figures_of_the_odometer_and_without_a_band_where_two_values_give_a_line_alone() {
        let mut bench = Bench::new();
        bench.read("2025-01-01", 10_000.0);
        let part = bench.fit("brake_pads rear", Condition::New, "2025-01-01", 10_000.0);
        let mut history = bench.history();
        let values = [("2025-03-01", 10_500.0, 4.5), ("2025-05-01", 11_000.0, 4.0), ("2025-07-01", 11_600.0, 3.4)];
        let mut marked = Vec::new();
        for (on, odometer, value) in values {
            marked.push((bench.mark(on, odometer), value));
        }
        let rides = bench.history().rides;
        history.rides = rides;
        let worn = |count: usize| {
            let values = marked.iter().take(count).map(|(mark, value)| WornValue {
                id: id(mark.order),
                part,
                motorcycle_id: bench.bike.id,
                mark: *mark,
                quantity: Measurand::Thickness,
                value: *value,
                unit: Unit::Mm,
                u: 0.0,
                at_force: None,
            });
            let history = super::super::history::History { values: values.collect(), ..history.clone() };
            forecast_on(&Roads::new(&history), &[limit()], day("2026-01-01")).wear
        };
        // A millimetre in 1,000 mi from 5 mm: 1.5 mm after 3,500 mi.
        let two = worn(2);
        let band = two[0].at.clone().unwrap();
        assert!((band.p50.unwrap().value() - 13_500.0).abs() < 0.01);
        assert_eq!((band.p10, band.p90, two[0].points), (None, None, 2));
        let three = worn(3);
        let [low, middle, high] = numbers(three[0].at.as_ref().unwrap());
        assert!((middle - 13_500.0).abs() < 1.0 && low <= middle && middle <= high, "{low} {middle} {high}");
        assert!(three[0].on.unwrap().p50.is_some());
        let one = worn(1);
        assert_eq!((&one[0].at, one[0].on, one[0].points), (&None, None, 1));
        assert!(one[0].because[0].contains("one value alone"), "{:?}", one[0].because);
    }
}
