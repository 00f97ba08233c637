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

/// So many are looked at in one go at first; where few of them answer, four times as many the next time, for each go costs a whole search.
const BATCH: i64 = 100;
const LARGEST_BATCH: i64 = 25_600;

/// What holds all the words, newest first; what was struck out is marked.
///
/// # Errors
/// 422 without a word, or with too many.
pub async fn search(work: &mut Work, question: &str, stretch: &Stretch<Key>) -> Result<Vec<Found>> {
    let words = Words::of(question).map_err(|why| Error::invalid("/q", why))?;
    let (workshop, sight) = (work.workshop_id(), work.caller.sight);
    let wanted = usize::try_from(stretch.limit).unwrap_or(usize::MAX);
    let (mut after, mut found, mut batch) = (stretch.after, Vec::new(), stretch.limit.max(BATCH));
    loop {
        let hits = store::find(&mut work.tx, workshop, sight, &words, after, batch).await?;
        let more = hits.len() == usize::try_from(batch).unwrap_or(usize::MAX);
        batch = (batch * 4).clamp(BATCH, LARGEST_BATCH.max(stretch.limit));
        after = hits.last().map(|hit| (hit.on_date, hit.id)).or(after);
        found.extend(hits.iter().filter_map(|hit| meant(hit, &words, sight.is_narrow())));
        if !more || found.len() >= wanted {
            found.truncate(wanted);
            return Ok(found);
        }
    }
}

/// What was found, as it is shown; none where it does not answer what was asked.
fn meant(hit: &Hit, words: &Words, narrow: bool) -> Option<Found> {
    let internal = if narrow { "" } else { hit.internal.as_str() };
    Some(Found {
        text: words.shown(hit.pieces.split('\n').chain(internal.lines()))?,
        kind: hit.kind,
        id: hit.id,
        motorcycle_id: hit.motorcycle_id,
        service_event_id: hit.event_id,
        on: hit.on_date,
        struck_out: hit.struck,
    })
}
