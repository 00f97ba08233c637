//! Which parts wear toward which limits, and when: the values of a history against the limits of the workshop.
//!
//! The line through the values is in [`wear`](super::wear); how a forecast stands among the due items in [`due_wear`](super::due_wear).
use std::collections::BTreeSet;

use super::{
    due::DueItem,
    due_wear::{WearDue, merge_wear},
    history::{History, PartLife, Stay, WornValue},
    limit::{Limit, same_force},
    projection::Band,
    quantity::{Distance, Figure, Quantity},
    road::{Road, Roads},
    rule::IntervalRule,
    verdict::{Judging, PartAge, choose},
    wear::{Forecast, Wear, WearPoint, bound, forecast},
    words::{LimitKind, Measurand, Operation},
    work_out::work_out_on,
};

/// One wearing quantity of one part on its way to one limit.
#[derive(Debug)]
pub struct WearForecast<'a> {
    /// The part.
    pub part: &'a PartLife,
    /// Its present stay.
    pub stay: &'a Stay,
    /// What is measured.
    pub quantity: Measurand,
    /// The limit.
    pub limit: &'a Limit,
    /// The bound of the limit that is approached, in the limit's unit.
    pub level: f64,
    /// The values that were looked at, in the limit's unit.
    pub values: Vec<WearPoint>,
    /// The true distances of the motorcycle at which the limit is met, with the part's forecast; or why there is none.
    pub outcome: Result<(Band, Forecast), String>,
}

/// Everything that is or will be due on a motorcycle, wear forecasts included.
#[must_use]
pub fn work_out_all(history: &History, rules: &[IntervalRule], limits: &[Limit]) -> Vec<DueItem> {
    let roads = Roads::new(history);
    let mut items = work_out_on(&roads, rules);
    let worn: Vec<_> = wear_forecasts(&roads, limits).iter().filter_map(WearForecast::due).collect();
    if !worn.is_empty() {
        merge_wear(&mut items, &roads, worn);
    }
    items
}

/// A forecast for each wearing quantity of each part now on the motorcycle and each limit that holds for it.
#[must_use]
pub fn wear_forecasts<'a>(roads: &'a Roads<'a>, limits: &'a [Limit]) -> Vec<WearForecast<'a>> {
    let (history, Some(road)) = (roads.history, roads.own()) else { return Vec::new() };
    let mut forecasts = Vec::new();
    for (part, stay) in history.parts_on() {
        let values: Vec<&WornValue> = history.values.iter().filter(|value| value.part == part.id).collect();
        for quantity in values.iter().map(|value| value.quantity).collect::<BTreeSet<_>>() {
            let mut of_quantity: Vec<_> = values.iter().copied().filter(|value| value.quantity == quantity).collect();
            of_quantity.sort_by_key(|value| (value.mark.on, value.mark.order));
            for (place, last) in last_of_each_force(&of_quantity).into_iter().enumerate() {
                for &kind in LimitKind::ALL {
                    // A limit without a force is held against the values of the force used last.
                    let holding = holding(roads, part, stay, last, kind, limits).into_iter();
                    for limit in holding.filter(|limit| place == 0 || limit.at_force.is_some()) {
                        forecasts.extend(toward(roads, road, part, stay, &of_quantity, limit));
                    }
                }
            }
        }
    }
    forecasts
}

/// The limits of a kind that hold for a part as it was when it was measured last.
fn holding<'a>(roads: &Roads, part: &PartLife, stay: &Stay, last: &WornValue, kind: LimitKind, limits: &'a [Limit]) -> Vec<&'a Limit> {
    let age = PartAge {
        distance: part.distance_at(last.motorcycle_id, &last.mark, roads),
        hours: part.hours_at(last.motorcycle_id, &last.mark, roads),
        months: Some(part.age_months(last.mark.on)),
        description: &part.description,
    };
    let judging = Judging {
        bike: &roads.history.motorcycle,
        component: &part.component,
        position: stay.position,
        quantity: last.quantity,
        value: last.value,
        unit: last.unit,
        u: 0.0,
        u_stated: false,
        at_force: last.at_force.as_ref(),
        part: Some(age),
    };
    choose(&judging, kind, limits)
}

/// The forecast of a part's values toward a limit; `None` where the quantity does not tell wear.
fn toward<'a>(
    roads: &Roads,
    road: &Road,
    part: &'a PartLife,
    stay: &'a Stay,
    values: &[&WornValue],
    limit: &'a Limit,
) -> Option<WearForecast<'a>> {
    let since = if limit.kind == LimitKind::Adjust { last_adjusted(road, part, stay) } else { None };
    let mut points = Vec::new();
    // What was measured on the day of the adjustment was found before it.
    let counts = |value: &&&WornValue| since.is_none_or(|day| value.mark.on > day) && at_its_force(value, values, limit);
    for value in values.iter().filter(counts) {
        let (Some(part_distance), Ok(figure)) =
            (part.distance_at(value.motorcycle_id, &value.mark, roads), value.unit.convert(value.value, limit.unit))
        else {
            continue;
        };
        points.push(WearPoint { part_distance, value: figure, on: Some(value.mark.on) });
    }
    let (lower, upper) = (limit.lower.as_ref().map(Figure::value), limit.upper.as_ref().map(Figure::value));
    let (level, side) = bound(limit.quantity, lower, upper, &points)?;
    let wear = Wear {
        points: &points,
        limit: level,
        toward: side,
        // What a limit to adjust to gives as nominal is no new value: it comes back with each adjustment.
        new_value: limit.nominal.as_ref().filter(|_| limit.kind != LimitKind::Adjust).map(Figure::value),
        unit: limit.unit,
        distance_unit: roads.history.motorcycle.odometer_unit.into(),
    };
    let outcome = forecast(&wear).and_then(|found| {
        let on_road =
            |at: Distance| on_the_road(roads, road, part, at).ok_or("The distance of this part is not known, so its wear has no date.");
        let p50 = on_road(found.p50)?;
        let band = |at: Option<Distance>| at.map_or(Ok(p50), on_road);
        Ok((Band { p10: band(found.p10)?, p50, p90: band(found.p90)? }, found))
    });
    Some(WearForecast { part, stay, quantity: limit.quantity, limit, level, values: points, outcome })
}

/// Whether a value was taken at the force of the limit, or, where that names none, at the force of the last value.
fn at_its_force(value: &WornValue, values: &[&WornValue], limit: &Limit) -> bool {
    alike(value.at_force.as_ref(), limit.at_force.as_ref().or(values.last().and_then(|last| last.at_force.as_ref())))
}
fn alike(force: Option<&Quantity>, wanted: Option<&Quantity>) -> bool {
    match (force, wanted) {
        (Some(force), Some(wanted)) => same_force(force, wanted),
        (force, wanted) => force.is_none() && wanted.is_none(),
    }
}
/// Of each force the value taken last, the last one first.
fn last_of_each_force<'v>(values: &[&'v WornValue]) -> Vec<&'v WornValue> {
    let mut found: Vec<&WornValue> = Vec::new();
    for value in values.iter().rev() {
        if !found.iter().any(|later| alike(value.at_force.as_ref(), later.at_force.as_ref())) {
            found.push(value);
        }
    }
    found
}

/// The day of the last adjustment: what was measured before it says nothing about the wear since.
fn last_adjusted(road: &Road, part: &PartLife, stay: &Stay) -> Option<time::Date> {
    let adjusted = road.ride.events.iter().filter(|event| {
        let about = |line: &super::history::Done| {
            line.operation == Operation::Adjust && line.component == part.component && line.position == stay.position
        };
        event.work.iter().any(about)
    });
    adjusted.map(|event| event.mark.on).max()
}

/// The true distance of the motorcycle at which a part has run so far, in its present stay.
fn on_the_road(roads: &Roads, road: &Road, part: &PartLife, at: Distance) -> Option<i64> {
    let last = part.stays.len().checked_sub(1)?;
    let fitted = road.distance_at(&part.stays[last].fitted)?.ticks;
    Some(fitted + at.mm() - part.run_before(last, roads)?)
}

impl WearForecast<'_> {
    /// What is to be done when the limit is met.
    #[must_use]
    pub fn operation(&self) -> Operation {
        if self.limit.kind == LimitKind::Adjust { Operation::Adjust } else { Operation::Replace }
    }
    /// The arithmetic, or why there is none.
    #[must_use]
    pub fn because(&self) -> Vec<String> {
        match &self.outcome {
            Ok((_, forecast)) => forecast.because.clone(),
            Err(why) => vec![why.clone()],
        }
    }
    fn due(&self) -> Option<WearDue> {
        let (at, forecast) = self.outcome.as_ref().ok()?;
        Some(WearDue {
            part: self.part.id,
            component: self.part.component.clone(),
            position: self.stay.position,
            operation: self.operation(),
            at: *at,
            part_distance: forecast.p50.mm(),
            because: forecast.because.clone(),
        })
    }
}
