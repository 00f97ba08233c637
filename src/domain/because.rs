//! The arithmetic of a due item in sentences that a mechanic reads, with sums that hold when they are redone by hand.
//!
//! Nothing here depends on the day of asking. Sums are in true distance; where the instrument shows another figure, both are said.
use time::Date;

use super::{
    calendar,
    due_dates::{DuePoint, OnCounter},
    history::LeftOver,
    interval::{How, Limb, Missing, Span},
    lay_up::Period,
    motorcycle::Motorcycle,
    projection::Basis,
    quantity::{Distance, Figure, Quantity},
    road::{Count, Road},
    rule::Limbs,
    satisfied::DoneAt,
    sums::{Measure, between, component, day_of, figure, months, past},
    words::{CountsFrom, Governs, Whichever},
    work_out::{Case, OnPart, unit},
};

/// The sentences of a rule's item.
pub(super) fn of_rule(case: &Case) -> Vec<String> {
    let bike = &case.roads.history.motorcycle;
    let mut text = Vec::new();
    text.extend(case.part.as_ref().map(|on| fitted(case, on)));
    text.extend(last(case));
    text.extend(rule(case));
    text.extend(kept(case));
    text.extend(unknown(case));
    if case.point.unknown() {
        text.push("Nobody knows when it comes due: do it once and the rule runs.".into());
        return text;
    }
    text.extend(on_the_instrument(bike, case.road, &case.point));
    text.extend(projected(bike, case.road, &case.point));
    text.extend(grace(case));
    text
}

/// The sentences of a follow-up's item.
pub(super) fn of_follow_up(
    bike: &Motorcycle,
    road: &Road,
    left: &LeftOver,
    distance: Option<i64>,
    after: Option<i64>,
    point: &DuePoint,
) -> Vec<String> {
    let measure = Measure::odometer(bike.odometer_unit);
    let count = road.distance_at(&left.mark);
    let wanted = [distance.map(|distance| measure.amount(distance)), after.map(months)];
    let wanted: Vec<_> = wanted.into_iter().flatten().collect();
    let first = if wanted.len() > 1 { ", whichever comes first" } else { "" };
    let by_distance = distance.zip(count).map(|(distance, count)| measure.sum(count.ticks, distance));
    let by_date = after.map(|after| date_sum(left.mark.on, after));
    let sums: Vec<_> = by_distance.into_iter().chain(by_date).collect();
    let mut text = vec![format!(
        "Left as a follow-up on {}{}, to be done {} later{first}: {}.",
        calendar::words(left.mark.on),
        count.map(|count| at(road, left.mark.on, count, measure)).unwrap_or_default(),
        wanted.join(" or "),
        sums.join(", or "),
    )];
    if distance.is_some() && count.is_none() {
        text.push("Without an odometer reading nobody knows the distance.".into());
    }
    text.extend(on_the_instrument(bike, road, point));
    text.extend(projected(bike, road, point));
    text
}

/// ` at 9,800 mi`, with what the odometer of the day showed where that was another figure.
fn at(road: &Road, on: Date, count: Count, measure: Measure) -> String {
    let about = if count.estimated { "about " } else { "" };
    match road.distance.counter.shown_then(on, count.ticks) {
        Some(shown) if shown != count.ticks => {
            format!(
                " at {about}{} on the odometer of that day, {} in all",
                amount(shown, count, measure),
                amount(count.ticks, count, measure)
            )
        }
        _ => format!(" at {about}{}", amount(count.ticks, count, measure)),
    }
}
fn amount(ticks: i64, count: Count, measure: Measure) -> String {
    if count.estimated { format!("{} {}", figure(measure.value(ticks), 0), measure.unit()) } else { measure.amount(ticks) }
}

/// `Rear tire fitted new on 3 May 2026 at 15,414 mi; it has run 800 mi.`
fn fitted(case: &Case, on: &OnPart) -> String {
    let measure = Measure::odometer(case.roads.history.motorcycle.odometer_unit);
    let name = component(&on.part.component, on.stay.position);
    let condition = on.part.condition;
    let place = case.road.distance_at(&on.stay.fitted).map(|count| at(case.road, on.stay.fitted.on, count, measure)).unwrap_or_default();
    let day = calendar::words(on.stay.fitted.on);
    let fitted = match on.part.stays.as_slice() {
        [first, _, ..] => {
            format!("{name} fitted again on {day}{place} (first fitted {condition} on {})", calendar::words(first.fitted.on))
        }
        _ => format!("{name} fitted {condition} on {day}{place}"),
    };
    let now = on.part.distance_now(case.roads).map(|now| measure.amount(now.mm()));
    let run = match (on.run.filter(|run| *run != 0), now) {
        (Some(run), Some(now)) => format!("; it had run {} by then and {now} by the last reading", measure.amount(run)),
        (None, Some(now)) => format!("; it has run {now}"),
        _ => String::new(),
    };
    let ages = on.part.made_on().filter(|_| !case.next.date.is_absent()).map(|made| {
        let code = on.part.date_code.as_deref().unwrap_or_default();
        format!(". It ages from its date code: {code} is the week of {}", calendar::words(made))
    });
    format!("{fitted}{run}{}.", ages.unwrap_or_default())
}

/// `Last replaced on 10 Jan 2026 at 9,800 mi.`
fn last(case: &Case) -> Option<String> {
    let bike = &case.roads.history.motorcycle;
    let wanted = past(case.rule.operation);
    if let Some(done) = case.done.last() {
        let road = case.roads.of(done.motorcycle)?;
        let measure = Measure::odometer(bike.odometer_unit);
        let place = done.distance.map(|count| at(road, done.mark.on, count, measure)).unwrap_or_default();
        let counts = if done.operation == case.rule.operation { String::new() } else { format!(", which counts as {wanted}") };
        return Some(format!(
            "Last {} on {}{place}{}{counts}.",
            past(done.operation),
            calendar::words(done.mark.on),
            part_place(case, done)
        ));
    }
    if case.part.is_some() {
        return None;
    }
    let new = match (case.base.distance, case.base.on) {
        (Some(_), Some(on)) => format!(": counted from new, 0 {} on {}", unit(bike), calendar::words(on)),
        (None, Some(on)) => format!(": counted from new, {}", calendar::words(on)),
        (Some(_), None) => format!(": counted from new, 0 {}", unit(bike)),
        (None, None) => String::new(),
    };
    Some(format!("Never {wanted} as far as is on record{new}."))
}
fn part_place(case: &Case, done: &DoneAt) -> String {
    let measure = Measure::odometer(case.roads.history.motorcycle.odometer_unit);
    let run = case.part.as_ref().and(done.doing.distance).zip(done.distance);
    run.map(|(run, count)| format!(", when it had run {}", amount(run, count, measure))).unwrap_or_default()
}

/// What the rule asks for, and the sum of each limb.
fn rule(case: &Case) -> Vec<String> {
    let bike = &case.roads.history.motorcycle;
    let written = |limbs: &Option<Limbs>| limbs.as_ref().map(|limbs| as_written(limbs, bike)).unwrap_or_default();
    let (first, every) = (written(&case.rule.first), written(&case.rule.every));
    let decides = deciding(case);
    let lead_in = match case.rule.counts_from {
        CountsFrom::LastDone => "The rule asks for it",
        CountsFrom::Schedule => "The rule asks for it on a fixed schedule,",
    };
    let of_part = if case.part.is_some() { " of the part’s own life" } else { "" };
    let asks = format!("{lead_in} {}{of_part}{decides}", asked(&first, &every));
    let sums = sums(case);
    let end = if sums.is_empty() { ".".to_string() } else { format!(": {sums}.") };
    let factor = &bike.interval_factor;
    if (factor.value() - 1.0).abs() < 1e-12 {
        return vec![asks + &end];
    }
    let word = if (factor.value() - 0.5).abs() < 1e-12 { "halved by" } else { "times" };
    let (first, every) = (as_counted(case.terms.first, bike), as_counted(case.terms.every, bike));
    vec![format!("{asks}; {word} this motorcycle’s factor {factor}: {}.", asked(&first, &every)), sums + "."]
        .into_iter()
        .filter(|sentence| sentence != ".")
        .collect()
}
fn deciding(case: &Case) -> String {
    let named = |first: bool, every: bool| usize::from(first || every);
    let Span { distance, hours, months } = case.terms.first;
    let every = case.terms.every;
    let limbs = named(distance.is_some(), every.distance.is_some())
        + named(hours.is_some(), every.hours.is_some())
        + named(months.is_some(), every.months.is_some());
    if limbs > 1 { format!(", whichever comes {}", case.terms.whichever) } else { String::new() }
}
fn asked(first: &[String], every: &[String]) -> String {
    match (first.is_empty(), every.is_empty()) {
        (true, _) => format!("every {}", every.join(" or ")),
        (false, true) => format!("once, at {}", first.join(" or ")),
        (false, false) => format!("first at {}, then every {}", first.join(" or "), every.join(" or ")),
    }
}
/// An interval's limbs as the rule has them, with the distance in the motorcycle's unit where that is another.
fn as_written(limbs: &Limbs, bike: &Motorcycle) -> Vec<String> {
    let converted = |quantity: &Quantity| {
        let own = format!("{} {}", figure(quantity.value.value(), 3), quantity.unit);
        match Distance::from_quantity(quantity) {
            Ok(distance) if quantity.unit != unit(bike) => format!("{own} ({})", distance.words(bike.odometer_unit)),
            _ => own,
        }
    };
    let hours = |hours: &Figure| format!("{} h", figure(hours.value(), 3));
    [limbs.distance.as_ref().map(converted), limbs.hours.as_ref().map(hours), limbs.months.map(|count| months(i64::from(count)))]
        .into_iter()
        .flatten()
        .collect()
}
/// An interval's limbs as they count on this motorcycle.
fn as_counted(span: Span, bike: &Motorcycle) -> Vec<String> {
    let measure = Measure::odometer(bike.odometer_unit);
    let hours = span.hours.map(|ticks| Measure::hours().amount(ticks));
    [span.distance.map(|ticks| measure.amount(ticks)), hours, span.months.map(months)].into_iter().flatten().collect()
}

/// The sums of the limbs that are known, joined by "or".
fn sums(case: &Case) -> String {
    let measure = Measure::odometer(case.roads.history.motorcycle.odometer_unit);
    let by_distance = counter_sum(case.next.distance, case.terms.first.distance, case.terms.every.distance, measure);
    let by_distance = by_distance.map(|sum| on_motorcycle(case, sum, measure));
    let by_hours = counter_sum(case.next.hours, case.terms.first.hours, case.terms.every.hours, Measure::hours());
    let beside = by_distance.is_some() || by_hours.is_some();
    [by_distance, by_hours, calendar_sum(case, beside)].into_iter().flatten().collect::<Vec<_>>().join(", or ")
}
fn counter_sum(limb: Limb<i64>, first: Option<i64>, every: Option<i64>, measure: Measure) -> Option<String> {
    let Limb::At { point, anchor, how } = limb else { return None };
    Some(match (how, first, every) {
        (How::Grid(steps), Some(first), Some(every)) => measure.times(&[(first, 1), (every, steps)]),
        (How::Grid(steps), None, Some(every)) => measure.times(&[(every, steps + 1)]),
        _ => measure.sum(anchor, point - anchor),
    })
}
/// A sum in part distance, carried over to the motorcycle's.
fn on_motorcycle(case: &Case, sum: String, measure: Measure) -> String {
    let Some((on, limb)) = case.part.as_ref().zip(case.point.distance) else { return sum };
    let Some(fitted) = on.fitted else { return sum };
    let on_motorcycle = measure.sum(fitted, limb.due - fitted);
    match (on.run, case.next.distance) {
        // New and never done: the part's distance is the interval itself.
        (Some(0), Limb::At { how: How::First | How::Every, .. }) => on_motorcycle,
        (Some(run), Limb::At { point, .. }) if point < run => {
            format!("{sum} of its own, which it was past when it was fitted; on this motorcycle that is {on_motorcycle}")
        }
        _ => format!("{sum} of its own, on this motorcycle {on_motorcycle}"),
    }
}
fn calendar_sum(case: &Case, beside: bool) -> Option<String> {
    let Limb::At { point, anchor, how } = case.next.date else { return None };
    let (first, every) = (case.terms.first.months, case.terms.every.months);
    Some(match how {
        How::Grid(steps) => {
            let start = first.map_or_else(
                || every.map(|every| format!("{} × {}", steps + 1, months(every))),
                |first| every.map(|every| format!("{} + {steps} × {}", months(first), months(every))),
            )?;
            format!("{} + {start} = {}", calendar::words(anchor), calendar::words(point))
        }
        // The day it counts from has just been said.
        _ if beside && how != How::Kept && case.part.is_none() => calendar::words(point),
        How::First => date_sum(anchor, first?),
        How::Every | How::Done => date_sum(anchor, every?),
        How::Kept => {
            let sum = format!("{} + {} = {}", calendar::words(anchor), months(every?), calendar::words(point));
            // A kept anchor keeps its day of the month, which a short month has hidden.
            if calendar::add_months(anchor, every?) == point {
                sum
            } else {
                format!("{sum} (a short month came between: it keeps its day)")
            }
        }
    })
}
fn date_sum(anchor: Date, count: i64) -> String {
    format!("{} + {} = {}", calendar::words(anchor), months(count), calendar::words(calendar::add_months(anchor, count)))
}

/// Why an anchor stayed on its point, or what the last time meant for a schedule.
fn kept(case: &Case) -> Option<String> {
    let measure = Measure::odometer(case.roads.history.motorcycle.odometer_unit);
    let counter = |limb: Limb<i64>, measure: Measure| match limb {
        Limb::At { anchor, how: How::Kept, .. } => Some(measure.amount(anchor)),
        _ => None,
    };
    let date = match case.next.date {
        Limb::At { anchor, how: How::Kept, .. } => Some(calendar::words(anchor)),
        _ => None,
    };
    let points = [counter(case.next.distance, measure), counter(case.next.hours, Measure::hours()), date];
    let points: Vec<_> = points.into_iter().flatten().collect();
    let share = figure(case.terms.window * 100.0, 1);
    if !points.is_empty() {
        return Some(format!("The last time fell within {share} % of its point, {}, so it counts on from there.", points.join(" and ")));
    }
    if case.rule.counts_from == CountsFrom::LastDone || case.done.is_empty() || case.terms.every.is_empty() {
        return None;
    }
    let hows = [how(&case.next.distance), how(&case.next.hours), how(&case.next.date)];
    if hows.iter().flatten().any(|how| matches!(how, How::Grid(_))) {
        Some(format!("Work done up to {share} % of the interval early fulfils its point and all before it: this is the next one open."))
    } else if hows.iter().flatten().any(|how| matches!(how, How::First | How::Every)) {
        Some(format!("What was done came more than {share} % of the interval before this point, too early to fulfil it."))
    } else {
        None
    }
}
fn how<S: Copy>(limb: &Limb<S>) -> Option<How> {
    if let Limb::At { how, .. } = limb { Some(*how) } else { None }
}

/// Why a limb that the rule names is not known.
fn unknown(case: &Case) -> Vec<String> {
    let bike = &case.roads.history.motorcycle;
    let measure = Measure::odometer(bike.odometer_unit);
    let mut text = Vec::new();
    let records = bike
        .records_begin
        .as_ref()
        .map(|records| format!("{} at {} {}", calendar::words(records.on), figure(records.odometer.value(), 3), bike.odometer_unit));
    let records = records.unwrap_or_default();
    match case.next.distance {
        Limb::Unknown(Missing::BeforeRecords(point)) => {
            text.push(format!(
                "Since new it would have come due at {}, before the known history starts ({records}).",
                measure.amount(point)
            ));
        }
        Limb::Unknown(Missing::Count) => text.push("The distance is not known: no odometer reading tells it.".into()),
        _ => {}
    }
    if let Limb::Unknown(_) = case.next.hours {
        text.push("The hours are not known: no hour reading tells them.".into());
    }
    match case.next.date {
        Limb::Unknown(Missing::BeforeRecords(point)) => {
            text.push(format!(
                "Since new it would have come due on {}, before the known history starts ({records}).",
                calendar::words(point)
            ));
        }
        Limb::Unknown(Missing::Count) => text.push("The day it went into service is not known, so no date follows.".into()),
        _ => {}
    }
    text
}

/// What the odometer now on the motorcycle shows at the due point, where that is not the true distance.
fn on_the_instrument(bike: &Motorcycle, road: &Road, point: &DuePoint) -> Option<String> {
    let due = point.distance?.due;
    let measure = Measure::odometer(bike.odometer_unit);
    match road.distance.counter.shown_now(due) {
        Some(shown) if shown == due => None,
        Some(shown) => Some(format!("On the odometer now on the motorcycle {} in all are {}.", measure.amount(due), measure.amount(shown))),
        None if due < 0 => Some("That lies before the odometer’s start, so it has no figure there.".into()),
        None => Some(format!("{} in all lie before the odometer now on the motorcycle, so it has no figure there.", measure.amount(due))),
    }
}

/// The last readings, and when the counts get to the due point.
pub(super) fn projected(bike: &Motorcycle, road: &Road, point: &DuePoint) -> Vec<String> {
    if point.distance.is_none() && point.hours.is_none() {
        return if point.date.is_some() { vec!["Nothing is projected here: the date alone decides.".into()] } else { Vec::new() };
    }
    let mut text = Vec::new();
    let measure = Measure::odometer(bike.odometer_unit);
    if let Some(limb) = point.distance {
        text.push(last_reading(road, limb, "Last reading", measure));
        text.extend(laid_up(limb));
        text.push(arrival(limb, measure, "distance"));
    }
    if let Some(limb) = point.hours {
        text.push(last_reading(road, limb, "Last hour reading", Measure::hours()));
        if point.distance.is_none() {
            text.extend(laid_up(limb));
        }
        text.push(arrival(limb, Measure::hours(), "hours"));
    }
    let several = usize::from(point.distance.is_some()) + usize::from(point.hours.is_some()) + usize::from(point.date.is_some()) > 1;
    let limb = match point.governs() {
        Some(Governs::Distance) => "the distance comes",
        Some(Governs::Hours) => "the hours come",
        _ => "the date comes",
    };
    if let Some(arrival) = text.last_mut().filter(|_| several && point.governs().is_some()) {
        *arrival = format!("{}: {limb} {}.", arrival.trim_end_matches('.'), point.whichever);
    }
    text
}
fn last_reading(road: &Road, limb: OnCounter, name: &str, measure: Measure) -> String {
    let counter = limb.gauge.counter;
    match (counter.last(), limb.gauge.start) {
        (Some(last), _) => {
            let shown = counter.shown_then(last.on, last.ticks).filter(|shown| *shown != last.ticks);
            let in_all = if shown.is_some() { format!(", {} in all,", measure.amount(last.ticks)) } else { String::new() };
            format!("{name}: {}{in_all} on {}.", measure.amount(shown.unwrap_or(last.ticks)), calendar::words(last.on))
        }
        (None, Some((on, ticks))) => {
            let from = if road.distance.start.is_some() { measure.amount(ticks) } else { String::new() };
            format!("There is no reading yet: it starts from {from} on {}.", calendar::words(on))
        }
        (None, None) => format!("{name}: none yet."),
    }
}
/// The lay-ups in which nothing is projected, up to the day on which the counter gets to the due point.
fn laid_up(limb: OnCounter) -> Vec<String> {
    let Some(projection) = limb.gauge.projection.as_ref().filter(|_| limb.gauge.counter.reached(limb.due).is_none()) else {
        return Vec::new();
    };
    let sentence = |period: Period| match period.to {
        Some(to) if period.from <= projection.begins() => format!("It is laid up until {}.", calendar::words(to)),
        Some(to) => format!("It is laid up from {} until {}.", calendar::words(period.from), calendar::words(to)),
        None => format!("It is laid up from {} on, nobody knows how long.", calendar::words(period.from)),
    };
    projection.stands_before(projection.reaches(limb.due).p50).map(sentence).collect()
}

/// When a counter gets to the due point.
fn arrival(limb: OnCounter, measure: Measure, what: &str) -> String {
    let due = measure.amount(limb.due);
    if let Some(day) = limb.gauge.counter.reached(limb.due) {
        return match limb.not_before.filter(|fitted| *fitted > day) {
            Some(_) => format!("The motorcycle had {due} behind it before the part was fitted."),
            None => format!("By the readings it got to {due} on {}.", calendar::words(day)),
        };
    }
    let Some(projection) = &limb.gauge.projection else {
        return format!("Too few readings tell when it gets to {due}.");
    };
    let usual = match projection.basis() {
        Basis::Readings => format!("At its usual {what}"),
        Basis::Default => {
            format!("At the workshop’s usual {} a year, for want of readings of its own,", measure.about(projection.yearly()))
        }
    };
    let dates = limb.gauge.expected(limb.due);
    match (dates.p10, dates.p50, dates.p90) {
        (Some(early), Some(middle), Some(late)) if early != late => {
            format!("{usual} it gets to {due} between {}, most likely on {}.", between(early, late), day_of(early, middle, late))
        }
        (_, Some(middle), Some(_)) => format!("{usual} it gets to {due} on {}.", calendar::words(middle)),
        (Some(early), Some(middle), None) => {
            format!("{usual} it gets to {due} from {} on, most likely on {}.", calendar::words(early), calendar::words(middle))
        }
        _ => format!("{usual} it does not get to {due}."),
    }
}

/// Up to how far beyond the due point it is not yet overdue.
fn grace(case: &Case) -> Option<String> {
    let margins = case.point.margins;
    let measure = Measure::odometer(case.roads.history.motorcycle.odometer_unit);
    let days = match margins.grace_days {
        0 => None,
        1 => Some("1 day".to_string()),
        days => Some(format!("{days} days")),
    };
    let distance = (margins.grace_distance > 0).then(|| measure.amount(margins.grace_distance));
    let hours = (margins.grace_hours > 0).then(|| Measure::hours().amount(margins.grace_hours));
    let beyond = [distance.filter(|_| case.point.distance.is_some()), hours.filter(|_| case.point.hours.is_some()), days];
    let beyond: Vec<_> = beyond.into_iter().flatten().collect();
    let joined = if case.point.whichever == Whichever::First { " or " } else { " and " };
    if beyond.is_empty() { None } else { Some(format!("Up to {} beyond that it is not yet overdue.", beyond.join(joined))) }
}
