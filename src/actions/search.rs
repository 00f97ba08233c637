//! Searching the history, parts, notes and papers of the workshop.
use super::Work;
use crate::{
    domain::search::{Found, Words},
    error::{Error, Result},
    store::{
        Stretch,
        search::{self as store, Hit, Key},
    },
};

/// What holds all the words, newest first; what was struck out is marked.
///
/// # Errors
/// 422 without a word, or with too many.
pub async fn search(work: &mut Work, question: &str, stretch: &Stretch<Key>) -> Result<Vec<Found>> {
    let words = Words::of(question).map_err(|why| Error::invalid("/q", why))?;
    let (workshop, sight) = (work.workshop_id(), work.caller.sight);
    let hits = store::find(&mut work.tx, workshop, sight, &words, stretch.after, stretch.limit).await?;
    let found = |hit: Hit| {
        let internal = if sight.is_narrow() { "" } else { hit.internal.as_str() };
        Found {
            kind: hit.kind,
            id: hit.id,
            motorcycle_id: hit.motorcycle_id,
            service_event_id: hit.event_id,
            on: hit.on_date,
            struck_out: hit.struck,
            text: words.shown(hit.pieces.split('\n').chain(internal.lines())),
        }
    };
    Ok(hits.into_iter().map(found).collect())
}
