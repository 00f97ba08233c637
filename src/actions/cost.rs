//! What a motorcycle costs.
use super::{Work, service::show::Veil};
use crate::{
    domain::{
        cost::{Costs, EventCost, costs},
        motorcycle::Motorcycle,
    },
    error::{Error, Result},
    store::{self, Stretch},
};

/// Costs by year and per distance. Struck-out events do not count.
///
/// # Errors
/// Where the database refuses.
pub async fn of_motorcycle(work: &mut Work, bike: &Motorcycle) -> Result<Costs> {
    let workshop = work.workshop_id();
    let all = store::service_event::Wanted::default();
    let events = store::service_event::list(&mut work.tx, workshop, bike.id, &all, Stretch::ALL).await?;
    let veil = Veil::over(work, bike.id).await?;
    let standing = events.into_iter().filter(|event| event.struck_at.is_none() && veil.shows_price(event.on_date, event.created_at.0));
    let costs_of = |event: store::service_event::EventRow| EventCost {
        on: event.on_date,
        cost: event.body.0.cost,
        labor_minutes: event.body.0.labor_minutes,
    };
    let events: Vec<_> = standing.map(costs_of).collect();
    let (odometer, _) = store::history::counters(&mut work.tx, workshop, bike.id).await?;
    costs(&events, &odometer, bike.odometer_unit).map_err(Error::internal)
}
