//! What a motorcycle has covered, and what it will: its counter with the forecast behind every due date.
use super::Work;
use crate::{
    domain::{counter::Counter, motorcycle::Motorcycle, projection::Projection, road::Roads},
    error::Result,
    store::history,
};

/// A motorcycle's odometer with its forecast.
#[derive(Debug)]
pub struct Covered {
    /// The readings and replacements, as true distance in millimeters.
    pub counter: Counter,
    /// What follows after them; `None` where nothing says where it starts.
    pub projection: Option<Projection>,
}

/// The distance of a motorcycle, as due dates see it.
///
/// # Errors
/// Where the database refuses.
pub async fn of(work: &mut Work, bike: &Motorcycle) -> Result<Covered> {
    let history = history::load(&mut work.tx, &work.workshop, bike).await?;
    let roads = Roads::new(&history);
    Ok(match roads.own() {
        Some(road) => Covered { counter: road.distance.counter.clone(), projection: road.distance.projection.clone() },
        None => Covered { counter: Counter::default(), projection: None },
    })
}
