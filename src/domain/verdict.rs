//! From readings to a verdict: one figure, its uncertainty, the limit that holds for that part at that age, the decision.
//!
//! The decision is that of ISO 14253-1 and JCGM 106 with the expanded uncertainty as guard band on both sides of each limit.
use std::cmp::Reverse;

use super::{
    conformity::Conformity,
    limit::{Bounds, Limit, distances, hours, months, same_force, words_of},
    motorcycle::Motorcycle,
    quantity::{Distance, Figure, Quantity, Unit, close},
    service::{Judged, Verdicts},
    words::{LimitKind, Measurand, Position, Reduce, Verdict},
};

/// How the readings of a quantity reduce to one figure unless said: a brake pad, tire, belt or chain is judged at its
/// thinnest or tightest place, a wheel at its worst, a gauge by what it shows last.
#[must_use]
pub const fn default_reduce(quantity: Measurand) -> Reduce {
    match quantity {
        Measurand::Thickness | Measurand::TreadDepth | Measurand::Deflection => Reduce::Min,
        Measurand::Runout | Measurand::Elongation | Measurand::FreePlay => Reduce::Max,
        Measurand::Pressure | Measurand::Voltage | Measurand::Temperature => Reduce::Last,
        _ => Reduce::Mean,
    }
}

/// The one figure that readings reduce to, in their unit; `None` without any reading.
///
/// The least, the most and the last keep the digits of that reading. A range has the decimals of its readings, a mean six more.
#[must_use]
#[expect(clippy::cast_precision_loss, reason = "there are at most a few hundred readings")]
pub fn reduce(readings: &[Figure], how: Reduce) -> Option<Figure> {
    let least = readings.iter().min_by(|a, b| a.value().total_cmp(&b.value()))?;
    let most = readings.iter().max_by(|a, b| a.value().total_cmp(&b.value()))?;
    let decimals = readings.iter().map(decimals).max().unwrap_or(0);
    Some(match how {
        Reduce::Min => least.clone(),
        Reduce::Max => most.clone(),
        Reduce::Last => readings.last()?.clone(),
        Reduce::Range => Figure::rounded(most.value() - least.value(), decimals),
        Reduce::Mean => {
            let sum: f64 = readings.iter().map(Figure::value).sum();
            Figure::rounded(sum / readings.len() as f64, decimals + 6)
        }
    })
}
/// How many digits stand behind the point; a figure written with an exponent gets as many as could matter.
fn decimals(figure: &Figure) -> usize {
    let text = figure.text();
    if text.contains(['e', 'E']) { 12 } else { text.split_once('.').map_or(0, |(_, behind)| behind.len().min(15)) }
}

/// The expanded uncertainty U: as given, else half of what the gauge resolves, else none.
#[must_use]
pub fn expanded_uncertainty(uncertainty: Option<&Figure>, resolution: Option<&Figure>) -> f64 {
    uncertainty.map(Figure::value).or_else(|| resolution.map(|step| step.value() / 2.0)).unwrap_or(0.0)
}

/// The decision of ISO 14253-1 for a figure y with the expanded uncertainty `u`; all four in one unit.
///
/// `within` if y − U ≥ lower and y + U ≤ upper, `outside` if y + U < lower or y − U > upper, else `too_close_to_call`;
/// a bound that is `None` holds always, and what is no number has `no_limit`. Equal means equal within 1 part in 10⁹, so that 1.65 − 0.05 reaches 1.6.
#[must_use]
pub fn decide(y: f64, u: f64, lower: Option<f64>, upper: Option<f64>) -> Verdict {
    // The difference of two like figures is as exact as the figures are, so the tolerance is taken from them.
    let scale = |limit: f64| 1e-9 * y.abs().max(u.abs()).max(limit.abs());
    let below = |figure: f64, limit: f64| figure < limit - scale(limit);
    let above = |figure: f64, limit: f64| figure > limit + scale(limit);
    if (y + u).is_nan() {
        Verdict::NoLimit
    } else if lower.is_some_and(|lower| below(y + u, lower)) || upper.is_some_and(|upper| above(y - u, upper)) {
        Verdict::Outside
    } else if lower.is_none_or(|lower| !below(y - u, lower)) && upper.is_none_or(|upper| !above(y + u, upper)) {
        Verdict::Within
    } else {
        Verdict::TooCloseToCall
    }
}

/// What is known of the part that was measured.
#[derive(Clone, Debug)]
pub struct PartAge<'a> {
    /// What it has run.
    pub distance: Option<Distance>,
    /// Its hours.
    pub hours: Option<f64>,
    /// Its age in whole months.
    pub months: Option<i32>,
    /// What people call it; a limit of a variant looks for its words here.
    pub description: &'a str,
}

/// A figure to be judged, and what it was taken from.
#[derive(Clone, Debug)]
pub struct Judging<'a> {
    /// The motorcycle.
    pub bike: &'a Motorcycle,
    /// The component's key.
    pub component: &'a str,
    /// Where.
    pub position: Option<Position>,
    /// What was measured.
    pub quantity: Measurand,
    /// The one figure.
    pub value: f64,
    /// Its unit.
    pub unit: Unit,
    /// Its expanded uncertainty, in the same unit.
    pub u: f64,
    /// Whether that was stated, rather than taken from the gauge's step.
    pub u_stated: bool,
    /// The force it was measured at.
    pub at_force: Option<&'a Quantity>,
    /// The part that was measured, where it is known.
    pub part: Option<PartAge<'a>>,
}

/// What keeps a limit from judging a value.
enum Obstacle {
    /// It is for other parts.
    Elsewhere,
    /// It might have judged; the sentence says what was missing.
    Said(String),
}

/// The verdict on a value: against the most specific limit of each kind, the worst of them all.
#[must_use]
pub fn judge(judging: &Judging, limits: &[Limit]) -> Verdicts {
    let mut answer = Verdicts { verdict: Verdict::NoLimit, judged: Vec::new(), because: Vec::new() };
    let (mut said, mut for_other_parts) = (Vec::new(), false);
    for &kind in LimitKind::ALL {
        let chosen = choose(judging, kind, limits);
        let least = chosen.first().map(|limit| precedence(limit));
        for limit in limits.iter().filter(|limit| limit.kind == kind && judging.is_meant_by(limit)) {
            match judging.obstacle(limit) {
                // Where a limit that is as specific decides anyway, the others need no word.
                Some(Obstacle::Said(sentence)) if least.is_none_or(|least| precedence(limit) > least) => said.push(sentence),
                Some(Obstacle::Elsewhere) => for_other_parts = true,
                _ => {}
            }
        }
        for limit in chosen {
            let (judged, sentence) = judging.against(limit);
            answer.verdict = answer.verdict.max(judged.verdict);
            answer.judged.push(judged);
            answer.because.extend(sentence);
        }
    }
    said.dedup();
    answer.because.extend(said);
    if answer.judged.is_empty() && answer.because.is_empty() {
        answer.because.push(judging.nothing(for_other_parts));
    }
    answer
}

/// The limits of one kind that a value is judged against: the most specific one that holds, or one for each
/// jurisdiction where several of the same rank name different ones. Empty where none holds.
#[must_use]
pub fn choose<'l>(judging: &Judging, kind: LimitKind, limits: &'l [Limit]) -> Vec<&'l Limit> {
    let mut holding: Vec<&Limit> =
        limits.iter().filter(|limit| limit.kind == kind && judging.is_meant_by(limit) && judging.obstacle(limit).is_none()).collect();
    // Where two are equal in rank the older one stands, whatever order the store gives them in.
    holding.sort_by_key(|limit| (Reverse(precedence(limit)), limit.id));
    let Some(best) = holding.first().map(|limit| precedence(limit)) else { return holding };
    let mut jurisdictions = Vec::new();
    holding.retain(|limit| {
        let place = limit.jurisdiction.as_deref().unwrap_or_default().trim().to_lowercase();
        let keep = precedence(limit) == best && !jurisdictions.contains(&place);
        jurisdictions.push(place);
        keep
    });
    holding
}

/// How specific a limit is: its motorcycles, then the exact position, then a range of ages, then a variant, then a force.
fn precedence(limit: &Limit) -> (u8, bool, bool, usize, bool) {
    let variant = words_of(limit.variant.as_deref().unwrap_or_default()).len();
    (limit.applies_to.rank(), limit.position.is_some(), limit.ranged(), variant, limit.at_force.is_some())
}

impl Judging<'_> {
    /// Whether a limit is about this component, quantity, position and motorcycle at all.
    fn is_meant_by(&self, limit: &Limit) -> bool {
        limit.component == self.component
            && limit.quantity == self.quantity
            && limit.position.is_none_or(|position| self.position == Some(position))
            && limit.applies_to.matches(self.bike)
    }
    fn obstacle(&self, limit: &Limit) -> Option<Obstacle> {
        self.wrong_variant(limit)
            .or_else(|| self.wrong_age(limit))
            .or_else(|| {
                let wanted = limit.unit.must_be(self.unit.kind()).err()?;
                Some(Obstacle::Said(format!("The {} cannot judge a value in {}: {wanted}.", says(limit), self.unit)))
            })
            .or_else(|| self.wrong_force(limit))
    }
    fn wrong_variant(&self, limit: &Limit) -> Option<Obstacle> {
        let wanted = words_of(limit.variant.as_deref().unwrap_or_default());
        if wanted.is_empty() {
            return None;
        }
        let Some(part) = &self.part else {
            let variant = limit.variant.as_deref().unwrap_or_default();
            return Some(Obstacle::Said(format!(
                "The {} is for the variant \"{variant}\" only, and no part is on record here: enter the part that is fitted, with its description.",
                says(limit)
            )));
        };
        let described = words_of(part.description);
        wanted.iter().any(|word| !described.contains(word)).then_some(Obstacle::Elsewhere)
    }
    fn wrong_age(&self, limit: &Limit) -> Option<Obstacle> {
        let part = self.part.as_ref();
        let fits = [
            ("distance", lies_in(part.and_then(|part| part.distance), distances(limit.part_distance.as_ref()), |a, b| a == b)),
            ("hours", lies_in(part.and_then(|part| part.hours), hours(limit.part_hours.as_ref()), close)),
            ("months", lies_in(part.and_then(|part| part.months).map(i64::from), months(limit.part_months.as_ref()), |a, b| a == b)),
        ];
        if fits.iter().any(|(_, fit)| *fit == Some(false)) {
            return Some(Obstacle::Elsewhere);
        }
        let (unknown, _) = fits.iter().find(|(_, fit)| fit.is_none())?;
        Some(Obstacle::Said(format!(
            "The {} holds for a range of part {unknown} only, and no installed part of known age is on record here: enter when, and with how much behind it, the {} was fitted.",
            says(limit),
            plain(self.component)
        )))
    }
    fn wrong_force(&self, limit: &Limit) -> Option<Obstacle> {
        let wanted = limit.at_force.as_ref()?;
        let taken = match self.at_force {
            Some(force) if same_force(force, wanted) => return None,
            Some(force) => format!("at {force}"),
            None => "without saying at which force".to_owned(),
        };
        Some(Obstacle::Said(format!(
            "The {} holds at {wanted}, and this value was taken {taken}: it has no verdict from this limit. Measure again at {wanted}.",
            says(limit)
        )))
    }
    /// The verdict against one limit, in the limit's unit, and a sentence where the measurement cannot decide.
    fn against(&self, limit: &Limit) -> (Judged, Option<String>) {
        // A unit of another kind is an obstacle before this; an uncertainty is a difference, so no zero is shifted.
        let y = self.unit.convert(self.value, limit.unit).unwrap_or(f64::NAN);
        let u = if self.unit == limit.unit { self.u } else { self.u * self.unit.si_per_unit() / limit.unit.si_per_unit() };
        let verdict = decide(y, u, limit.lower.as_ref().map(Figure::value), limit.upper.as_ref().map(Figure::value));
        let sentence = (verdict == Verdict::TooCloseToCall).then(|| {
            let (value, unit) = (Figure::rounded(self.value, 6), self.unit);
            let u = Figure::rounded(self.u, 6);
            let here = |bound: &Option<Figure>| bound.as_ref().and_then(|bound| limit.unit.convert(bound.value(), unit).ok());
            let question = Conformity { value: self.value, uncertainty: self.u, lower: here(&limit.lower), upper: here(&limit.upper) };
            format!(
                "Too close to call: {value} {unit} with an uncertainty of {u} {unit} straddles the {}. {}",
                says(limit),
                question.what_decides(unit, self.u_stated)
            )
        });
        let judged = Judged {
            limit_id: limit.id,
            kind: limit.kind,
            lower: limit.lower.clone(),
            upper: limit.upper.clone(),
            unit: limit.unit,
            source: limit.source.clone(),
            verdict,
        };
        (judged, sentence)
    }
    fn nothing(&self, for_other_parts: bool) -> String {
        let what = format!("{} of the {}", plain(self.quantity.as_str()), plain(self.component));
        if for_other_parts {
            format!("The limits for the {what} are for parts of another age or variant than this one: enter a limit that holds for it.")
        } else {
            format!("There is no limit for the {what} here: enter one to have it judged.")
        }
    }
}

/// Whether an age lies in `[from, to)`, the from-boundary belonging to the range; `None` where it is needed but unknown.
fn lies_in<T: PartialOrd + Copy>(age: Option<T>, (from, to): Bounds<T>, same: impl Fn(T, T) -> bool) -> Option<bool> {
    if from.is_none() && to.is_none() {
        return Some(true);
    }
    let age = age?;
    let reached = |bound: T| age >= bound || same(age, bound);
    Some(from.is_none_or(&reached) && to.is_none_or(|to| !reached(to)))
}

/// A limit in words: `adjust limit of 8 to 10 mm`.
fn says(limit: &Limit) -> String {
    format!("{} limit of {}", limit.kind, range_in_words(limit.lower.as_ref(), limit.upper.as_ref(), limit.unit))
}
/// A range in words: `8 to 10 mm`, `at least 8 mm`, `at most 10 mm`.
#[must_use]
pub fn range_in_words(lower: Option<&Figure>, upper: Option<&Figure>, unit: Unit) -> String {
    match (lower, upper) {
        (Some(lower), Some(upper)) if lower == upper => format!("{lower} {unit}"),
        (Some(lower), Some(upper)) => format!("{lower} to {upper} {unit}"),
        (Some(lower), None) => format!("at least {lower} {unit}"),
        (None, Some(upper)) => format!("at most {upper} {unit}"),
        (None, None) => format!("nothing in {unit}"),
    }
}
/// A key of a vocabulary as people write it: `drive_belt` is a drive belt.
pub(super) fn plain(key: &str) -> String {
    key.replace('_', " ")
}
