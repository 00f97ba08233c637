//! The history packet of a motorcycle.
use rand::Rng;

use super::{App, Work, history, part, reading};
use crate::{
    domain::{
        motorcycle::Motorcycle,
        packet::{Packet, Sources, make, signature::Seed},
        quantity::Figure,
        words::CounterKind,
    },
    error::{Error, Result},
    store::{Stretch, packet_import, workshop_key},
};

/// What the workshop signs with: made when it is first needed, in a transaction of its own, for the packet itself is only read.
async fn seed(app: &App, work: &mut Work) -> Result<Seed> {
    let workshop = work.workshop_id();
    if let Some(seed) = workshop_key::find(&mut work.tx, workshop).await? {
        return Ok(seed);
    }
    let mut fresh = Seed([0; 32]);
    rand::rng().fill_bytes(&mut fresh.0);
    let mut tx = app.store.write().await?;
    workshop_key::insert(&mut tx, workshop, &fresh, work.now).await?;
    let seed = workshop_key::find(&mut tx, workshop).await?;
    tx.commit().await?;
    seed.ok_or_else(|| Error::internal("the workshop's key was not stored"))
}

/// Makes the history packet of a motorcycle as of today: everything on record, what is not known first. Owners and prices are left out.
/// It is signed with the workshop's key.
///
/// # Errors
/// Where the database refuses.
pub async fn of(app: &App, work: &mut Work, bike: &Motorcycle) -> Result<Packet> {
    let mut items = Vec::new();
    let mut after = None;
    loop {
        let page = history::list(work, bike, Stretch { after, limit: 500 }).await?;
        let Some((last, _)) = page.last() else { break };
        after = Some(*last);
        items.extend(page.into_iter().map(|(_, item)| item));
    }
    // The packet is read where the other motorcycles are not known: a part that came from one says itself what it ran there.
    let before = part::before(work, bike).await?;
    for fitted in items.iter_mut().filter_map(|item| item.service_event.as_mut()).flat_map(|event| &mut event.fitted) {
        if let Some(before) = before.get(&fitted.installed_part_id.uuid()) {
            fitted.prior_distance = Figure::rounded(before.run.in_unit(bike.odometer_unit), 1);
            fitted.condition = before.condition(fitted.condition);
        }
    }
    let counter = reading::counter(work, bike.id, CounterKind::Odometer).await?;
    let seed = seed(app, work).await?;
    let workshop = work.workshop_id();
    let imports = packet_import::of_motorcycle(&mut work.tx, workshop, bike.id).await?;
    let taken_over: Vec<_> = imports.into_iter().map(|import| import.taken_over).collect();
    let sources = Sources {
        workshop: &work.workshop.name,
        motorcycle: bike,
        counter: &counter,
        items,
        taken_over: &taken_over,
        today: work.today,
        seed: &seed,
    };
    make(sources).ok_or_else(|| Error::internal("the workshop's key is none"))
}
