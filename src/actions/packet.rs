//! The history packet of a motorcycle.
use super::{Work, history, reading};
use crate::{
    domain::{
        motorcycle::Motorcycle,
        packet::{Packet, Sources, make},
        words::CounterKind,
    },
    error::Result,
    store::Stretch,
};

/// Makes the history packet of a motorcycle as of today: everything on record, what is not known first. Owners and prices are left out.
///
/// # Errors
/// Where the database refuses.
pub async fn of(work: &mut Work, bike: &Motorcycle) -> Result<Packet> {
    let mut items = Vec::new();
    let mut after = None;
    loop {
        let page = history::list(work, bike, Stretch { after, limit: 500 }).await?;
        let Some((last, _)) = page.last() else { break };
        after = Some(*last);
        items.extend(page.into_iter().map(|(_, item)| item));
    }
    let counter = reading::counter(work, bike.id, CounterKind::Odometer).await?;
    let sources = Sources { workshop: &work.workshop.name, motorcycle: bike, counter: &counter, items, today: work.today };
    Ok(make(sources))
}
