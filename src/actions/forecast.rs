//! Forecasts: what a motorcycle's odometer will show, and when its parts are worn.
use time::Date;

use super::Work;
use crate::{
    domain::{
        calendar,
        forecast::{Approach, Forecast, approaches, forecast_on},
        id::Id,
        motorcycle::Motorcycle,
        part::InstalledPart,
        road::Roads,
        uneven::{Uneven, uneven},
    },
    error::{Error, Result},
    store::{history, limit_range},
};

/// The forecast of a motorcycle for a day, today unless said. With `as_of` all history after that day is left out.
///
/// # Errors
/// 422 for a day before the last reading.
pub async fn of_motorcycle(work: &mut Work, bike: &Motorcycle, on: Option<Date>, as_of: Option<Date>) -> Result<Forecast> {
    let mut history = history::load(&mut work.tx, &work.workshop, bike).await?;
    if let Some(day) = as_of {
        history = history.until(day);
    }
    let roads = Roads::new(&history);
    let last = roads.own().and_then(|road| road.distance.counter.last()).map(|last| last.on);
    let today = as_of.unwrap_or(work.today);
    // Asked without a day, there is always an answer.
    let on = on.unwrap_or_else(|| last.map_or(today, |last| last.max(today)));
    if let Some(last) = last.filter(|last| on < *last) {
        return Err(Error::invalid(
            "/on",
            format!(
                "The last reading is of {}; a forecast is for that day or a later one. Earlier days are in the readings.",
                calendar::words(last)
            ),
        ));
    }
    let workshop = work.workshop_id();
    let limits = limit_range::perhaps_for(&mut work.tx, workshop, bike.id).await?;
    Ok(forecast_on(&roads, &limits, on))
}

/// How the measured values of a part on a motorcycle approach each limit that holds for it.
///
/// # Errors
/// When the store fails.
pub async fn of_part(work: &mut Work, bike: &Motorcycle, part: Id<InstalledPart>) -> Result<Vec<Approach>> {
    let history = history::load(&mut work.tx, &work.workshop, bike).await?;
    let workshop = work.workshop_id();
    let limits = limit_range::perhaps_for(&mut work.tx, workshop, bike.id).await?;
    Ok(approaches(&Roads::new(&history), &limits, part))
}

/// The parts on a motorcycle that wear unevenly.
///
/// # Errors
/// When the store fails.
pub async fn uneven_on(work: &mut Work, bike: &Motorcycle) -> Result<Vec<Uneven>> {
    let history = history::load(&mut work.tx, &work.workshop, bike).await?;
    let workshop = work.workshop_id();
    let limits = limit_range::perhaps_for(&mut work.tx, workshop, bike.id).await?;
    Ok(uneven(&Roads::new(&history), &limits))
}
