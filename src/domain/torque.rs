//! Torque: each stage of a tightened fastener against its range, and the wrench with an adapter on it.
use super::{
    fastener::{Fastener, Stage},
    quantity::{Figure, Kind, Quantity},
    service::{Adapter, NewTightened, StageVerdict},
    validate::Problem,
    verdict::{decide, range_in_words},
    words::Verdict,
};

/// How many decimals a computed torque keeps: finer than any wrench, coarse enough to read.
const DECIMALS: usize = 4;

/// What a wrench of length L with an adapter of length E must be set to, so that the fastener gets the wanted torque:
/// wanted × L ÷ (L + E), in the unit of the wanted torque. Both lengths run from the center of the drive, in line.
///
/// # Errors
/// A sentence that says which length or unit is wrong.
pub fn wrench_setting(wanted: &Quantity, adapter: &Adapter) -> Result<Quantity, String> {
    wanted.unit.must_be(Kind::Torque)?;
    Ok(Quantity::rounded(wanted.value.value() * ratio(adapter)?, wanted.unit, DECIMALS))
}
/// The torque that the fastener gets from a wrench that was set to `set`: set × (L + E) ÷ L, in the unit of `set`.
///
/// # Errors
/// A sentence that says which length or unit is wrong.
pub fn torque_at_fastener(set: &Quantity, adapter: &Adapter) -> Result<Quantity, String> {
    set.unit.must_be(Kind::Torque)?;
    Ok(Quantity::rounded(set.value.value() / ratio(adapter)?, set.unit, DECIMALS))
}
/// L ÷ (L + E): the part of the torque at the fastener that the wrench shows.
fn ratio(adapter: &Adapter) -> Result<f64, String> {
    adapter.wrench_length.unit.must_be(Kind::Length)?;
    adapter.length.unit.must_be(Kind::Length)?;
    let (wrench, length) = (adapter.wrench_length.si(), adapter.length.si());
    if wrench > 0.0 && length >= 0.0 {
        Ok(wrench / (wrench + length))
    } else {
        Err("the wrench must be longer than 0, and the adapter must not be shorter than 0".into())
    }
}

/// The verdict of every stage: those of the fastener in order, missing ones named, then values for which it has no stage.
#[must_use]
pub fn stage_verdicts(tightened: &NewTightened, fastener: &Fastener) -> Vec<StageVerdict> {
    (0..fastener.stages.len().max(tightened.stages.len()))
        .map(|place| {
            let number = u32::try_from(place + 1).unwrap_or(u32::MAX);
            stage_verdict(number, tightened.stages.get(place), fastener.stages.get(place), tightened.adapter.as_ref())
        })
        .collect()
}

fn stage_verdict(number: u32, value: Option<&Quantity>, stage: Option<&Stage>, adapter: Option<&Adapter>) -> StageVerdict {
    let mut answer = StageVerdict {
        stage: number,
        value: value.cloned(),
        at_fastener: None,
        lower: stage.and_then(|stage| stage.lower.clone()),
        upper: stage.and_then(|stage| stage.upper.clone()),
        unit: stage.map(|stage| stage.unit),
        verdict: Verdict::NoLimit,
        because: String::new(),
    };
    let Some(value) = value else {
        answer.because = "missing".into();
        return answer;
    };
    // An adapter changes the torque, never the angle that a nut is turned on by.
    let part = if value.unit.kind() == Kind::Torque { adapter.and_then(|adapter| ratio(adapter).ok()) } else { None };
    let reached = value.value.value() / part.unwrap_or(1.0);
    answer.at_fastener = part.map(|_| Quantity::rounded(reached, value.unit, DECIMALS));
    let Some(stage) = stage.filter(|stage| stage.lower.is_some() || stage.upper.is_some()) else {
        answer.because = "no range is known for this stage".into();
        return answer;
    };
    match value.unit.convert(reached, stage.unit) {
        Ok(reached) => {
            let (lower, upper) = (stage.lower.as_ref().map(Figure::value), stage.upper.as_ref().map(Figure::value));
            answer.verdict = decide(reached, 0.0, lower, upper);
            answer.because = in_words(&answer, value, stage, lower.is_some_and(|lower| reached < lower));
        }
        Err(sentence) => answer.because = sentence,
    }
    answer
}
fn in_words(answer: &StageVerdict, value: &Quantity, stage: &Stage, below: bool) -> String {
    if answer.verdict != Verdict::Outside {
        return String::new();
    }
    let side = if below { "below" } else { "above" };
    let reached = answer.at_fastener.as_ref().map_or_else(|| value.to_string(), |torque| format!("{torque} at the fastener"));
    format!("{side}: {reached}, wanted {}", range_in_words(stage.lower.as_ref(), stage.upper.as_ref(), stage.unit))
}

/// What is wrong with a tightened line, once its fastener is known: more values than the fastener has stages, a value of
/// another kind than its stage, a single-use fastener of which nobody says what became of it.
///
/// `at` is the pointer of the line, such as `/tightened/0`. A fastener without stages takes any torque.
#[must_use]
pub fn problems(tightened: &NewTightened, fastener: &Fastener, at: &str) -> Vec<Problem> {
    let mut problems = Vec::new();
    let name = &fastener.name;
    if fastener.single_use && tightened.single_use_was.is_none() {
        problems.push(Problem::new(
            format!("{at}/single_use_was"),
            format!("{name} may be used once only; say whether it was \"replaced\" or \"reused\""),
        ));
    }
    for (place, value) in tightened.stages.iter().enumerate() {
        match fastener.stages.get(place) {
            Some(stage) => {
                if let Err(sentence) = value.unit.must_be(stage.unit.kind()) {
                    problems.push(Problem::new(format!("{at}/stages/{place}/unit"), sentence));
                }
            }
            None if !fastener.stages.is_empty() => problems.push(Problem::new(
                format!("{at}/stages/{place}"),
                format!("{name} has {}; give one value for each, or add the stage to the fastener", count(fastener.stages.len())),
            )),
            None => {}
        }
    }
    problems
}
fn count(stages: usize) -> String {
    if stages == 1 { "1 stage".into() } else { format!("{stages} stages") }
}
