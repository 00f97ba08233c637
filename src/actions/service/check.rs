//! What is wrong with a service event as far as the workshop's records tell: every problem with its place, before anything is stored.
use std::collections::{BTreeMap, BTreeSet};

use crate::{
    actions::{Work, component, measure, part, procedure},
    domain::{
        component::{self as components, Component},
        fastener::{self, Fastener},
        id::Id,
        motorcycle::Motorcycle,
        part::InstalledPart,
        procedure::{self as procedures, Followed, MOST_FOLLOWED, NewFollowed},
        service::{FollowUp, NewServiceEvent},
        torque,
        validate::{self, MOST_ENTRIES, Problem},
        words::{FollowUpStatus, Operation, Position},
    },
    error::{Error, Result},
    store::{fastener as fasteners, follow_up, part as parts},
};

/// What the check has read anyway.
pub(super) struct Known {
    /// Every component of the workshop.
    components: Vec<Component>,
    /// The fastener that each key means for this motorcycle.
    pub(super) fasteners: BTreeMap<String, Fastener>,
    /// The parts that the request names.
    pub(super) parts: Vec<parts::PartRow>,
    /// The follow-ups that the event settles.
    pub(super) settled: Vec<FollowUp>,
    /// The procedures that it followed.
    pub(super) followed: Vec<Followed>,
}
impl Known {
    /// Nothing but the components: for events that refer to nothing else.
    pub(super) fn of_components(components: Vec<Component>) -> Self {
        Self { components, fasteners: BTreeMap::new(), parts: Vec::new(), settled: Vec::new(), followed: Vec::new() }
    }
    /// What is wrong with an event that refers to nothing but components.
    pub(super) fn check_plain(&self, work: &Work, new: &NewServiceEvent) -> Vec<Problem> {
        let mut problems = validate::service_event(new);
        problems.extend(part::in_future(work, new.on));
        problems.extend(check_components(new, &self.components));
        problems
    }
    pub(super) fn part(&self, id: Id<InstalledPart>) -> Option<&parts::PartRow> {
        self.parts.iter().find(|part| part.id == id)
    }
    /// The component and position of a `fitted` entry.
    pub(super) fn place<'a>(&'a self, new: &'a NewServiceEvent, place: usize) -> (&'a str, Option<Position>) {
        let fitted = &new.fitted[place];
        let of_part = fitted.installed_part_id.and_then(|id| self.part(id)).map(|part| part.component.as_str());
        (of_part.or(fitted.component.as_deref()).unwrap_or_default(), fitted.position)
    }
    /// Where a `replace` line stands without a `fitted` entry: a new part starts there by itself. Each place once.
    pub(super) fn replaced(&self, new: &NewServiceEvent) -> Vec<(String, Option<Position>)> {
        let mut taken: BTreeSet<_> = (0..new.fitted.len()).map(|place| self.place(new, place)).collect();
        let mut replaced = Vec::new();
        for line in new.work.iter().filter(|line| line.operation == Operation::Replace) {
            let is_part = self.components.iter().any(|component| component.part && component.key == line.component);
            if is_part && taken.insert((&line.component, line.position)) {
                replaced.push((line.component.clone(), line.position));
            }
        }
        replaced
    }
}

/// Checks a service event, and reads what it refers to.
pub(super) async fn check(work: &mut Work, bike: &Motorcycle, new: &NewServiceEvent) -> Result<(Vec<Problem>, Known)> {
    let mut problems = validate::service_event(new);
    problems.extend(part::in_future(work, new.on));
    let mut known = Known::of_components(component::all(work).await?);
    // A list that is far too long is refused at once; nobody reads ten thousand problems.
    if [new.removed.len(), new.follow_ups_done.len(), new.as_found.len()].iter().any(|entries| *entries > MOST_ENTRIES)
        || problems.len() > MOST_ENTRIES
        || longest(new) > MOST_ENTRIES
    {
        return Ok((problems, known));
    }
    let named: BTreeSet<_> = super::named_parts(new).collect();
    known.parts = part::known(work, &named.into_iter().collect::<Vec<_>>()).await?;

    problems.extend(check_components(new, &known.components));
    problems.extend(check_parts(new, &known));
    problems.extend(measure::check_parts(&new.measured, &known.parts, |place| format!("/measured/{place}")));
    problems.extend(check_fasteners(work, bike, new, &mut known).await?);
    problems.extend(check_settled(work, bike, new, &mut known).await?);
    problems.extend(check_followed(work, bike, &new.procedures, &mut known).await?);
    Ok((problems, known))
}
fn longest(new: &NewServiceEvent) -> usize {
    let lists = [new.work.len(), new.fitted.len(), new.measured.len(), new.tightened.len(), new.filled.len(), new.follow_ups.len()];
    lists.into_iter().max().unwrap_or(0)
}

fn check_components(new: &NewServiceEvent, known: &[Component]) -> Vec<Problem> {
    let work = new.work.iter().enumerate().map(|(place, line)| (format!("/work/{place}"), Some(&line.component)));
    let measured = new.measured.iter().enumerate().map(|(place, line)| (format!("/measured/{place}"), Some(&line.component)));
    let filled = new.filled.iter().enumerate().map(|(place, line)| (format!("/filled/{place}"), Some(&line.component)));
    let found = new.as_found.iter().enumerate().map(|(place, line)| (format!("/as_found/{place}"), Some(&line.component)));
    let left = new.follow_ups.iter().enumerate().map(|(place, line)| (format!("/follow_ups/{place}"), line.component.as_ref()));
    let all = work.chain(measured).chain(filled).chain(found).chain(left);
    let named = all.filter_map(|(at, component)| component.map(|component| (at, component)));
    named
        .filter(|(at, component)| !component.trim().is_empty() || at.starts_with("/as_found") || at.starts_with("/follow_ups"))
        .filter(|(_, component)| known.iter().all(|known| known.key != **component))
        .map(|(at, component)| Problem::new(format!("{at}/component"), components::unknown(component, known)))
        .collect()
}

fn check_parts(new: &NewServiceEvent, known: &Known) -> Vec<Problem> {
    let mut problems = Vec::new();
    let (mut fitted, mut places) = (BTreeSet::new(), BTreeMap::new());
    for (place, entry) in new.fitted.iter().enumerate() {
        let at = format!("/fitted/{place}");
        problems.extend(part::check(entry, &at, new.on, &known.components, &known.parts));
        if let Some(id) = entry.installed_part_id
            && !fitted.insert(id)
        {
            problems.push(Problem::new(format!("{at}/installed_part_id"), "this part is fitted twice in one event; name it once"));
            continue;
        }
        let (component, position) = known.place(new, place);
        if let Some(first) = places.insert((component, position), place).filter(|_| !component.is_empty()) {
            let detail = format!(
                "/fitted/{first} goes to the same place; only one {} can sit there, so give each its own position, such as left and right",
                component.replace('_', " ")
            );
            problems.push(Problem::new(format!("{at}/position"), detail));
        }
    }
    let mut removed = BTreeSet::new();
    for (place, entry) in new.removed.iter().enumerate() {
        let pointer = format!("/removed/{place}/installed_part_id");
        if known.part(entry.installed_part_id).is_none() {
            problems.push(part::unknown_part(pointer));
        } else if !removed.insert(entry.installed_part_id) {
            problems.push(Problem::new(pointer, "this part is removed twice in one event; name it once"));
        }
    }
    problems
}

async fn check_fasteners(work: &mut Work, bike: &Motorcycle, new: &NewServiceEvent, known: &mut Known) -> Result<Vec<Problem>> {
    if new.tightened.is_empty() {
        return Ok(Vec::new());
    }
    let workshop = work.workshop_id();
    let perhaps = fasteners::perhaps_for(&mut work.tx, workshop, bike.id).await?;
    for line in &new.tightened {
        if let Some(chosen) = fastener::of_key(&perhaps, &line.fastener, bike) {
            known.fasteners.insert(line.fastener.clone(), chosen.clone());
        }
    }
    let mut problems = Vec::new();
    for (place, line) in new.tightened.iter().enumerate() {
        let at = format!("/tightened/{place}");
        match known.fasteners.get(&line.fastener) {
            Some(fastener) => problems.extend(torque::problems(line, fastener, &at)),
            None if line.fastener.trim().is_empty() => {}
            None => {
                let shown: String = line.fastener.chars().take(60).collect();
                let detail =
                    format!("{shown:?} is the key of no fastener for this motorcycle; GET /fasteners lists them, POST /fasteners adds one");
                problems.push(Problem::new(format!("{at}/fastener"), detail));
            }
        }
    }
    Ok(problems)
}

async fn check_followed(work: &mut Work, bike: &Motorcycle, followed: &[NewFollowed], known: &mut Known) -> Result<Vec<Problem>> {
    if followed.len() > MOST_FOLLOWED {
        let detail = format!("has {} entries, but one event follows at most {MOST_FOLLOWED} procedures", followed.len());
        return Ok(vec![Problem::new("/procedures", detail)]);
    }
    let mut problems = Vec::new();
    for (place, new) in followed.iter().enumerate() {
        let at = format!("/procedures/{place}");
        // What the workshop's procedures say is not for those who see their own motorcycles alone.
        let found = if work.caller.sight.is_narrow() {
            Err(Error::NotFound("procedure"))
        } else {
            procedure::version(work, new.id, new.version).await
        };
        let version = match found {
            Ok(version) => version,
            Err(Error::NotFound(_)) => {
                let detail = format!("There is no version {} of a procedure with this id; GET /procedures lists them.", new.version);
                problems.push(Problem::new(format!("{at}/version"), detail));
                continue;
            }
            Err(error) => return Err(error),
        };
        if !version.applies_to.matches(bike) {
            let detail = format!(
                "{} is written for other motorcycles; follow one that is for this one, or change which ones it is for",
                version.title
            );
            problems.push(Problem::new(format!("{at}/id"), detail));
        } else if followed[..place].iter().any(|other| other.id == new.id) {
            problems.push(Problem::new(format!("{at}/id"), "this procedure is named twice; name it once, with all of its steps"));
        } else {
            match procedures::follow(new, &version, &at) {
                Ok(followed) => known.followed.push(followed),
                Err(wrong) => problems.extend(wrong),
            }
        }
    }
    Ok(problems)
}

async fn check_settled(work: &mut Work, bike: &Motorcycle, new: &NewServiceEvent, known: &mut Known) -> Result<Vec<Problem>> {
    let workshop = work.workshop_id();
    let found = follow_up::by_ids(&mut work.tx, workshop, &new.follow_ups_done).await?;
    let mut problems = Vec::new();
    for (place, id) in new.follow_ups_done.iter().enumerate() {
        let follow_up = found.iter().find(|it| it.id == *id && it.motorcycle_id == bike.id && it.struck_out.is_none());
        let wrong = match follow_up {
            None => Some("There is no follow-up of this motorcycle with this id; GET /follow-ups lists them.".to_owned()),
            Some(it) if it.status != FollowUpStatus::Open => Some(format!("this follow-up is {} already; leave it out", it.status)),
            Some(it) if it.on > new.on => Some(format!("this follow-up was left on {} only, after this event; correct the day", it.on)),
            Some(it) if known.settled.iter().any(|other| other.id == it.id) => {
                Some("this follow-up is named twice; name it once".to_owned())
            }
            Some(it) => {
                known.settled.push(it.clone());
                None
            }
        };
        problems.extend(wrong.map(|detail| Problem::new(format!("/follow_ups_done/{place}"), detail)));
    }
    Ok(problems)
}
