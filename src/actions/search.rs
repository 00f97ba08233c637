//! Searching the history, parts and notes of the workshop.
use std::collections::HashMap;

use uuid::Uuid;

use super::Work;
use crate::{
    domain::{
        id::Id,
        part::InstalledPart,
        search::{self, Found, FoundKind, Words},
        service::{FollowUp, ServiceEvent},
    },
    error::{Error, Result},
    store::{
        self, Stretch,
        search::{Candidate, Key, candidates},
    },
};

/// So many candidates are looked at in one go.
const BATCH: usize = 400;

/// What holds all the words, newest first.
///
/// # Errors
/// 422 without a word, or with too many.
pub async fn search(work: &mut Work, question: &str, stretch: &Stretch<Key>) -> Result<Vec<Found>> {
    let words = Words::of(question).map_err(|why| Error::invalid("/q", why))?;
    let patterns = words.patterns();
    let wanted = usize::try_from(stretch.limit).unwrap_or(usize::MAX);
    let mut after = stretch.after;
    let mut found = Vec::new();
    loop {
        let batch = newest(work, &patterns, after).await?;
        let more = batch.len() == BATCH;
        after = batch.last().map(|(_, candidate)| key(candidate)).or(after);
        let texts = texts_of(work, &batch).await?;
        for (kind, candidate) in batch {
            let pieces = texts.get(&candidate.id).cloned().unwrap_or_else(|| vec![candidate.text.clone()]);
            if let Some(text) = words.found_in(&pieces) {
                found.push(Found { kind, id: candidate.id, motorcycle_id: candidate.motorcycle_id, on: candidate.on_date, text });
            }
        }
        if !more || found.len() >= wanted {
            found.truncate(wanted);
            return Ok(found);
        }
    }
}

fn key(candidate: &Candidate) -> Key {
    (candidate.on_date, candidate.id)
}

/// The newest candidates of all kinds: the first of each kind's first are the first of all.
async fn newest(work: &mut Work, patterns: &[String; 3], after: Option<Key>) -> Result<Vec<(FoundKind, Candidate)>> {
    let (workshop, sight) = (work.workshop_id(), work.caller.sight);
    let mut all = Vec::new();
    for &kind in FoundKind::ALL {
        let limit = i64::try_from(BATCH).unwrap_or(i64::MAX);
        let found = candidates(&mut work.tx, workshop, sight, kind, patterns, after, limit).await?;
        all.extend(found.into_iter().map(|candidate| (kind, candidate)));
    }
    all.sort_by_key(|(_, candidate)| std::cmp::Reverse(key(candidate)));
    all.truncate(BATCH);
    Ok(all)
}

fn ids<T>(batch: &[(FoundKind, Candidate)], kind: FoundKind) -> Vec<Id<T>> {
    batch.iter().filter(|(known, _)| *known == kind).map(|(_, candidate)| Id::new(candidate.id)).collect()
}

/// The texts of the candidates in pieces, the first being what each is called. An amendment has its own text alone.
async fn texts_of(work: &mut Work, batch: &[(FoundKind, Candidate)]) -> Result<HashMap<Uuid, Vec<String>>> {
    let workshop = work.workshop_id();
    let mut texts: HashMap<Uuid, Vec<String>> = HashMap::new();
    let events: Vec<Id<ServiceEvent>> = ids(batch, FoundKind::ServiceEvent);
    for event in store::service_event::by_ids(&mut work.tx, workshop, &events).await? {
        let body = event.body.0;
        let mut pieces = vec![event.summary, event.notes];
        let place = |component: &str, position, text: &str| format!("{}: {text}", search::component(component, position));
        pieces.extend(body.as_found.iter().map(|note| place(&note.component, note.position, &note.text)));
        pieces.extend(body.filled.iter().map(|filled| place(&filled.component, filled.position, &filled.description)));
        pieces.extend(body.tightened.iter().map(|tightened| tightened.name.clone()));
        texts.insert(event.id.uuid(), pieces);
    }
    for (event, line) in store::service_event::work_of(&mut work.tx, workshop, &events).await? {
        let pieces = texts.entry(event.uuid()).or_default();
        pieces.push(search::line(&line.component, line.position, line.operation));
        pieces.push(line.note);
    }
    let parts: Vec<Id<InstalledPart>> = ids(batch, FoundKind::InstalledPart);
    for part in store::part::by_ids(&mut work.tx, workshop, &parts).await? {
        let pieces = vec![part.description, part.part_number.unwrap_or_default()];
        texts.insert(part.id.uuid(), pieces);
    }
    for fitting in store::part::fittings_of(&mut work.tx, workshop, &parts).await? {
        texts.entry(fitting.part_id.uuid()).or_default().push(search::component(&fitting.component, fitting.position));
    }
    let follow_ups: Vec<Id<FollowUp>> = ids(batch, FoundKind::FollowUp);
    for left in store::follow_up::by_ids(&mut work.tx, workshop, &follow_ups).await? {
        let component = left.component.as_deref().map(|component| search::component(component, left.position));
        texts.insert(left.id.uuid(), std::iter::once(left.text).chain(component).collect());
    }
    Ok(texts)
}
