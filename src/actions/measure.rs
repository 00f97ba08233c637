//! Measured values: reduced to one figure, linked to the part they are of, judged, and stored as they were judged.
use std::collections::{BTreeMap, BTreeSet};

use time::Date;

use super::{
    Subject, Work, component, motorcycle,
    part::{
        self,
        lives::{Lives, mark},
        plan::Plan,
    },
    reading,
};
use crate::{
    domain::{
        history::Mark,
        id::Id,
        limit::Limit,
        measurement::NewMeasuredValue,
        motorcycle::{Motorcycle, NewReading, Reading},
        part::InstalledPart,
        road::Roads,
        service::{MeasuredValue, NewMeasured, ServiceEvent, Verdicts},
        validate::{self, Problem},
        verdict::{self, Judging, PartAge},
        words::{CounterKind, Measurand},
    },
    error::{Error, Result},
    store::{
        Stretch, limit_range,
        measured_value::{self as store, Stored, Wanted},
        part as parts, reading as readings,
    },
};

/// Where and when values were taken.
#[derive(Clone, Copy, Debug)]
pub(super) struct Taken<'a> {
    pub(super) bike: &'a Motorcycle,
    pub(super) on: Date,
    pub(super) event: Option<Id<ServiceEvent>>,
    pub(super) reading: Option<Id<Reading>>,
    pub(super) hours: Option<Id<Reading>>,
}
impl Taken<'_> {
    fn mark(&self, own: u128) -> Mark {
        mark(self.on, self.reading, self.hours, self.event, own)
    }
}

/// The limits that one motorcycle's values may be judged by, read once for each component and quantity.
#[derive(Default)]
struct Limits(BTreeMap<(String, Measurand), Vec<Limit>>);
impl Limits {
    async fn of(&mut self, work: &mut Work, bike: Id<Motorcycle>, component: &str, quantity: Measurand) -> Result<&[Limit]> {
        let key = (component.to_owned(), quantity);
        if !self.0.contains_key(&key) {
            let workshop = work.workshop_id();
            let limits = limit_range::for_judging(&mut work.tx, workshop, bike, component, quantity).await?;
            self.0.insert(key.clone(), limits);
        }
        Ok(self.0.get(&key).map_or(&[], Vec::as_slice))
    }
}

/// Links, judges and stores the values of one moment; `plan` holds the parts as they are after it.
///
/// # Errors
/// Where the database refuses.
pub(super) async fn store_all(work: &mut Work, taken: Taken<'_>, plan: &Plan, lines: &[NewMeasured]) -> Result<Vec<Id<MeasuredValue>>> {
    if lines.is_empty() {
        return Ok(Vec::new());
    }
    let mut values = Vec::with_capacity(lines.len());
    for line in lines {
        let id: Id<MeasuredValue> = work.new_id();
        let at = plan.when(taken.on, taken.reading, taken.event, id.uuid().as_u128());
        let part = line.installed_part_id.or_else(|| plan.at_place(&line.component, line.position, at));
        values.push((id, part, line));
    }
    let ids: Vec<_> = values.iter().filter_map(|(_, part, _)| *part).collect::<BTreeSet<_>>().into_iter().collect();
    let known = Lives::load(work, taken.bike, &ids).await?;
    let roads = Roads::new(&known.history);
    let mut limits = Limits::default();
    let mut stored = Vec::with_capacity(values.len());
    for (id, part, line) in values {
        let age = part.and_then(|part| known.age(part, taken.bike.id, &taken.mark(id.uuid().as_u128()), &roads));
        let limits = limits.of(work, taken.bike.id, &line.component, line.quantity).await?;
        let value = judged(work, taken, id, part, line, age, limits)?;
        stored.push(Stored { value, named: line.installed_part_id, reading: taken.reading });
    }
    let workshop = work.workshop_id();
    store::insert(&mut work.tx, workshop, &stored).await?;
    Ok(stored.into_iter().map(|stored| stored.value.id).collect())
}

fn judged(
    work: &Work,
    taken: Taken,
    id: Id<MeasuredValue>,
    part: Option<Id<InstalledPart>>,
    line: &NewMeasured,
    age: Option<PartAge>,
    limits: &[Limit],
) -> Result<MeasuredValue> {
    let reduce = line.reduce.unwrap_or_else(|| verdict::default_reduce(line.quantity));
    let reduced = verdict::reduce(&line.readings, reduce).ok_or_else(|| Error::internal("a value without readings"))?;
    let part_distance = age.as_ref().and_then(|age| age.distance).map(|distance| distance.quantity(taken.bike.odometer_unit));
    let verdicts = verdict::judge(
        &Judging {
            bike: taken.bike,
            component: &line.component,
            position: line.position,
            quantity: line.quantity,
            value: reduced.value(),
            unit: line.unit,
            u: verdict::expanded_uncertainty(line.uncertainty.as_ref(), line.resolution.as_ref()),
            u_stated: line.uncertainty.is_some(),
            at_force: line.at_force.as_ref(),
            part: age,
        },
        limits,
    );
    Ok(MeasuredValue {
        id,
        motorcycle_id: taken.bike.id,
        service_event_id: taken.event,
        on: taken.on,
        component: line.component.clone(),
        position: line.position,
        quantity: line.quantity,
        readings: line.readings.clone(),
        unit: line.unit,
        reduce,
        resolution: line.resolution.clone(),
        uncertainty: line.uncertainty.clone(),
        at_force: line.at_force.clone(),
        installed_part_id: part,
        reduced,
        part_distance,
        verdict: verdicts.verdict,
        judged: verdicts.judged,
        because: verdicts.because,
        judged_now: None,
        struck_out: None,
        created_at: work.now,
    })
}
/// What is wrong with the parts that measured lines name: unknown, of another component, or not on the motorcycle. `at` gives the
/// pointer of each line.
pub(super) fn check_parts(lines: &[NewMeasured], known: &[parts::PartRow], at: impl Fn(usize) -> String) -> Vec<Problem> {
    let mut problems = Vec::new();
    for (place, line) in lines.iter().enumerate() {
        let Some(id) = line.installed_part_id else { continue };
        let pointer = format!("{}/installed_part_id", at(place));
        match known.iter().find(|part| part.id == id) {
            None => problems.push(part::unknown_part(pointer)),
            Some(part) if part.component != line.component => {
                let detail = format!("this part is a {}, not a {}; name the right part, or leave it out", part.component, line.component);
                problems.push(Problem::new(pointer, detail));
            }
            Some(_) => {}
        }
    }
    problems
}
/// What is wrong with measured lines that name a part which was not on the motorcycle on the day.
pub(super) fn check_on(lines: &[NewMeasured], plan: &Plan, on: Date, at: impl Fn(usize) -> String) -> Vec<Problem> {
    let mut problems = Vec::new();
    for (place, line) in lines.iter().enumerate() {
        if let Some(part) = line.installed_part_id.filter(|part| !plan.was_on(*part, on)) {
            let detail = format!("the {} was not on this motorcycle on {on}; leave it out, or correct the day", plan.name(part));
            problems.push(Problem::new(format!("{}/installed_part_id", at(place)), detail));
        }
    }
    problems
}

/// Takes a value outside a service event.
///
/// # Errors
/// 422 with what is wrong where.
pub async fn take(work: &mut Work, bike: &Motorcycle, new: NewMeasuredValue) -> Result<MeasuredValue> {
    let line = new.line();
    part::lock(work, bike.id, line.installed_part_id).await?;
    let mut problems = validate::strings_and_lists(&new);
    problems.extend(validate::measured(&line, ""));
    problems.extend(part::in_future(work, new.on));
    if !(1885..=2200).contains(&new.on.year()) {
        problems.push(Problem::new("/on", "the year must lie between 1885 and 2200"));
    }
    if !line.component.trim().is_empty() {
        problems.extend(component::check(work, &[("/component", &line.component)]).await?);
    }
    let workshop = work.workshop_id();
    let known = parts::by_ids(&mut work.tx, workshop, line.installed_part_id.as_slice()).await?;
    let lines = std::slice::from_ref(&line);
    problems.extend(check_parts(lines, &known, |_| String::new()));
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let reading = match new.odometer {
        Some(figure) => {
            let new = NewReading { on: new.on, reading: figure, read_by: None, confirmed: false };
            Some(reading::record(work, bike, CounterKind::Odometer, new, None, "/odometer").await?.id)
        }
        None => None,
    };
    let plan = Plan::load(work, bike.id, &[]).await?;
    problems.extend(check_on(lines, &plan, new.on, |_| String::new()));
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let taken = Taken { bike, on: new.on, event: None, reading, hours: None };
    let ids = store_all(work, taken, &plan, lines).await?;
    part::touch(work, bike.id).await?;
    let id = ids.first().copied().ok_or_else(|| Error::internal("a value was not stored"))?;
    let value = get(work, id).await?;
    work.audit("take", Subject::of("measured_value", id, bike.id), None, Some(&value)).await?;
    Ok(value)
}

/// The value of an id, struck out or not.
///
/// # Errors
/// 404 where the workshop has none.
pub async fn get(work: &mut Work, id: Id<MeasuredValue>) -> Result<MeasuredValue> {
    Ok(stored(work, id).await?.value)
}
async fn stored(work: &mut Work, id: Id<MeasuredValue>) -> Result<Stored> {
    let workshop = work.workshop_id();
    let found = store::find(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("measured value"))?;
    motorcycle::must_see(work, found.value.motorcycle_id, "measured value").await?;
    Ok(found)
}

/// The value of an id together with the verdicts that it would have under today's limits.
///
/// # Errors
/// 404 where the workshop has none.
pub async fn judge_now(work: &mut Work, id: Id<MeasuredValue>) -> Result<MeasuredValue> {
    let Stored { value, reading, .. } = stored(work, id).await?;
    let bike = motorcycle::get(work, value.motorcycle_id).await?;
    let verdicts = judge_again(work, &bike, &value, reading).await?;
    Ok(MeasuredValue { judged_now: Some(verdicts), ..value })
}
async fn judge_again(work: &mut Work, bike: &Motorcycle, value: &MeasuredValue, reading: Option<Id<Reading>>) -> Result<Verdicts> {
    let workshop = work.workshop_id();
    let hours = match value.service_event_id {
        Some(event) => readings::of_event(&mut work.tx, workshop, event).await?.into_iter().find(|it| it.counter == CounterKind::Hours),
        None => None,
    };
    let lives = Lives::load(work, bike, value.installed_part_id.as_slice()).await?;
    let roads = Roads::new(&lives.history);
    let taken = Taken { bike, on: value.on, event: value.service_event_id, reading, hours: hours.map(|reading| reading.id) };
    let mark = taken.mark(value.id.uuid().as_u128());
    let limits = limit_range::for_judging(&mut work.tx, workshop, bike.id, &value.component, value.quantity).await?;
    let judging = Judging {
        bike,
        component: &value.component,
        position: value.position,
        quantity: value.quantity,
        value: value.reduced.value(),
        unit: value.unit,
        u: verdict::expanded_uncertainty(value.uncertainty.as_ref(), value.resolution.as_ref()),
        u_stated: value.uncertainty.is_some(),
        at_force: value.at_force.as_ref(),
        part: value.installed_part_id.and_then(|part| lives.age(part, bike.id, &mark, &roads)),
    };
    Ok(verdict::judge(&judging, &limits))
}

/// Values of a motorcycle, struck-out ones too, newest first.
///
/// # Errors
/// Where the database refuses.
pub async fn list(
    work: &mut Work,
    bike: Id<Motorcycle>,
    wanted: &Wanted,
    stretch: Stretch<(Date, Id<MeasuredValue>)>,
) -> Result<Vec<MeasuredValue>> {
    let workshop = work.workshop_id();
    let values = store::list(&mut work.tx, workshop, bike, wanted, stretch).await?;
    Ok(values.into_iter().map(|stored| stored.value).collect())
}
