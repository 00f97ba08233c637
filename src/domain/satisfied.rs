//! Which entries of a history satisfy a rule, oldest first.
use super::{
    history::{Done, DoneEvent, History, Mark, PartLife},
    id::Id,
    interval::Doing,
    motorcycle::Motorcycle,
    road::{Count, Road, Roads},
    rule::IntervalRule,
    service::ServiceEvent,
    words::{Condition, Operation, Position},
};

/// One time that a rule was satisfied.
#[derive(Clone, Copy, Debug)]
pub(super) struct DoneAt {
    /// The motorcycle on which it was done.
    pub motorcycle: Id<Motorcycle>,
    /// When.
    pub mark: Mark,
    /// The service event, where it was one.
    pub event: Option<Id<ServiceEvent>>,
    /// What was done.
    pub operation: Operation,
    /// The true distance of that motorcycle.
    pub distance: Option<Count>,
    /// As the rule counts: the motorcycle's counts, or the part's.
    pub doing: Doing,
}

/// Whether an operation on the component satisfies the rule: its own, those that it names, and `replace` what a new part
/// makes needless.
fn satisfies(rule: &IntervalRule, operation: Operation) -> bool {
    use Operation::{Adjust, Clean, Inspect, Lubricate, Measure, Replace, Tighten};
    operation == rule.operation
        || rule.satisfied_by.contains(&operation)
        || (operation == Replace && matches!(rule.operation, Inspect | Adjust | Clean | Lubricate | Measure | Tighten))
}

/// The line of an event that satisfies a rule, among those that count; the rule's own operation before any other.
fn line(rule: &IntervalRule, event: &DoneEvent, counts: impl Fn(&Done) -> bool) -> Option<Operation> {
    let lines = event.work.iter().filter(|line| line.component == rule.component && counts(line));
    lines.map(|line| line.operation).filter(|operation| satisfies(rule, *operation)).min_by_key(|operation| *operation != rule.operation)
}

fn done_at(road: &Road, mark: Mark, event: Option<Id<ServiceEvent>>, operation: Operation) -> DoneAt {
    let distance = road.distance_at(&mark);
    let doing = Doing { distance: distance.map(|count| count.ticks), hours: road.hours_at(&mark).map(|count| count.ticks), on: mark.on };
    DoneAt { motorcycle: road.ride.motorcycle_id, mark, event, operation, distance, doing }
}

/// By day, by distance, in the order entered; the lines of one event are one doing.
fn sorted(mut done: Vec<DoneAt>, rule: &IntervalRule) -> Vec<DoneAt> {
    done.sort_by_key(|done| (done.mark.on, done.doing.distance, done.mark.order, done.event, done.operation != rule.operation));
    done.dedup_by(|later, earlier| later.event.is_some() && later.event == earlier.event);
    done
}

/// Every time that a rule about the motorcycle was satisfied.
pub(super) fn on_motorcycle(rule: &IntervalRule, history: &History, road: &Road) -> Vec<DoneAt> {
    // A rule without a position is satisfied by any; a line without one satisfies no rule that has one.
    let at = |position: Option<Position>| rule.position.is_none() || rule.position == position;
    let lines = road
        .ride
        .events
        .iter()
        .filter_map(|event| Some(done_at(road, event.mark, Some(event.id), line(rule, event, |line| at(line.position))?)));
    let parts = history.parts.iter().filter(|part| part.component == rule.component);
    let fittings = parts.flat_map(|part| part.stays.iter().enumerate().map(move |(place, stay)| (part, place, stay)));
    let fitted = fittings.filter(|(_, _, stay)| stay.motorcycle_id == road.ride.motorcycle_id && at(stay.position)).filter_map(
        |(part, place, stay)| {
            let operation = fitting_counts_as(part, place).iter().copied().find(|operation| satisfies(rule, *operation))?;
            Some(done_at(road, stay.fitted, stay.fitted_in, operation))
        },
    );
    sorted(lines.chain(fitted).collect(), rule)
}

/// A new or rebuilt part replaces and is fitted; a used one, and one fitted again, is fitted only.
fn fitting_counts_as(part: &PartLife, place: usize) -> &'static [Operation] {
    let renews = place == 0 && matches!(part.condition, Condition::New | Condition::Rebuilt);
    if renews { &[Operation::Replace, Operation::Fit] } else { &[Operation::Fit] }
}

/// Every time that a rule was satisfied on one part since its first fitting, in any of its stays.
pub(super) fn on_part(rule: &IntervalRule, part: &PartLife, roads: &Roads) -> Vec<DoneAt> {
    let mut done = Vec::new();
    for (place, stay) in part.stays.iter().enumerate() {
        let Some(road) = roads.of(stay.motorcycle_id) else { continue };
        let from = road.order(&stay.fitted);
        let to = stay.removed.as_ref().map(|removed| road.order(removed));
        let run = part.run_before(place, roads).zip(road.distance_at(&stay.fitted)).map(|(run, fitted)| run - fitted.ticks);
        let hours = part.hours_before(place, roads).zip(road.hours_at(&stay.fitted)).map(|(run, fitted)| run - fitted.ticks);
        let mut add = |mark, event, operation| {
            let on_road = done_at(road, mark, event, operation);
            let doing = Doing {
                distance: on_road.doing.distance.zip(run).map(|(ticks, shift)| ticks + shift),
                hours: on_road.doing.hours.zip(hours).map(|(ticks, shift)| ticks + shift),
                on: mark.on,
            };
            done.push(DoneAt { doing, ..on_road });
        };
        for event in &road.ride.events {
            let fits = stay.fitted_in == Some(event.id);
            let order = road.order(&event.mark);
            // The first fitting is the base, not a done event. A later one is an event on the part like any other.
            let during = if fits { place > 0 } else { order > from && to.is_none_or(|to| order < to) };
            // To replace a part ends its life: such a line is about the next one.
            let counts = |line: &Done| line.position == stay.position && line.operation != Operation::Replace;
            if let Some(operation) = line(rule, event, counts).filter(|_| during) {
                add(event.mark, Some(event.id), operation);
            }
        }
        if place > 0 && satisfies(rule, Operation::Fit) {
            add(stay.fitted, stay.fitted_in, Operation::Fit);
        }
    }
    sorted(done, rule)
}
