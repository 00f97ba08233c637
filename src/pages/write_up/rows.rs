//! The rows of the page: what each shows beside its fields. What was typed stands in the form.
use std::str::FromStr;

use sha2::{Digest, Sha256};

use super::{
    bench::{Bench, Group},
    form::{Tick, any, at, readings, rows},
};
use crate::{
    domain::{
        calendar,
        fastener::{Fastener, Stage},
        job_sheet::SheetLimit,
        part::InstalledPart,
        quantity::{Figure, Kind, Quantity, Unit},
        service::MeasuredValue,
        validate::kinds_of,
        verdict::{default_reduce, range_in_words},
        words::{LimitKind, Measurand, Position, Reduce},
    },
    pages::{form::Form, words},
};

/// Value and words of a choice.
pub type Options = Vec<(String, String)>;

/// What a measured row that the page offers is about. Its text is the marker's value.
#[derive(Clone, Debug, PartialEq)]
pub struct Spec {
    /// The component's key.
    pub component: String,
    /// Where.
    pub position: Option<Position>,
    /// What is measured.
    pub quantity: Measurand,
    /// The force of its limit.
    pub force: Option<Quantity>,
    /// It is the new part that is measured.
    pub new_part: bool,
}
impl Spec {
    /// The marker's name: short, and always the same for the same spec.
    #[must_use]
    pub fn row(&self) -> String {
        let hash = Sha256::digest(self.to_string());
        format!("measured.m{:02x}{:02x}{:02x}{:02x}", hash[0], hash[1], hash[2], hash[3])
    }
}
impl std::fmt::Display for Spec {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let position = self.position.map(|position| position.to_string()).unwrap_or_default();
        let force = self.force.as_ref().map(ToString::to_string).unwrap_or_default();
        let new = if self.new_part { "new" } else { "" };
        write!(f, "{}|{position}|{}|{force}|{new}", self.component, self.quantity)
    }
}
impl FromStr for Spec {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let [component, position, quantity, force, new] = text.split('|').collect::<Vec<_>>()[..] else {
            return Err("a measured row says component, position, quantity, force and whether the part is new".into());
        };
        let position = if position.is_empty() { None } else { Some(position.parse()?) };
        let force = match force.split_once(' ') {
            Some((value, unit)) => Some(Quantity { value: Figure::parse(value)?, unit: unit.parse()? }),
            None => None,
        };
        Ok(Self { component: component.into(), position, quantity: quantity.parse()?, force, new_part: new == "new" })
    }
}

/// Something that was due, with its box.
#[derive(Debug)]
pub struct TickRow {
    /// The due item's or the follow-up's id.
    pub id: String,
    /// In words.
    pub title: String,
    /// How it stands.
    pub hint: String,
}

fn units_of(kinds: &[Kind]) -> Vec<Unit> {
    Unit::ALL.iter().copied().filter(|unit| kinds.contains(&unit.kind())).collect()
}

/// A value to measure.
#[derive(Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each is a question that the template asks")]
pub struct MeasuredRow {
    /// The marker's name.
    pub row: String,
    /// The marker's value.
    pub marker: String,
    /// `Drive belt, deflection`.
    pub title: String,
    /// The limits and the value before, in words.
    pub hints: Vec<String>,
    /// The readings' fields.
    pub readings: Vec<String>,
    /// Units that make sense.
    pub units: Vec<Unit>,
    /// The limits for the script: kind, lower, upper and unit of each.
    pub limits: String,
    /// How readings become one figure.
    pub reduce: Reduce,
    /// Where they do, in words.
    pub place: &'static str,
    /// The force of its limit in newtons.
    pub force: Option<f64>,
    /// The force's unit where the limit has a force, for the field beside it.
    pub at_force: bool,
    /// The row says itself what it is about.
    pub free: bool,
    /// It stands open.
    pub open: bool,
    /// It was just added.
    pub fresh: bool,
    /// The due items that it belongs to.
    pub items: String,
}
impl MeasuredRow {
    /// The name of one of its fields.
    #[must_use]
    pub fn f(&self, field: &str) -> String {
        at(&self.row, field)
    }
}

/// A fastener to tighten.
#[derive(Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each is a question that the template asks")]
pub struct TightenedRow {
    /// The marker's name.
    pub row: String,
    /// The fastener's key.
    pub key: String,
    /// Its name.
    pub title: String,
    /// What it is asked for: its torque, or whether it is new.
    pub about: &'static str,
    /// Thread, pattern, count, source.
    pub hint: String,
    /// Its stages.
    pub stages: Vec<StageRow>,
    /// It may be used once only.
    pub single_use: bool,
    /// Adapter and thread have fields of their own.
    pub more: bool,
    /// It stands open.
    pub open: bool,
    /// It was just added.
    pub fresh: bool,
    /// The due items that it belongs to.
    pub items: String,
}
impl TightenedRow {
    /// The name of one of its fields.
    #[must_use]
    pub fn f(&self, field: &str) -> String {
        at(&self.row, field)
    }
}
/// One stage.
#[derive(Debug)]
pub struct StageRow {
    /// The field.
    pub field: String,
    /// The unit's field.
    pub unit_field: String,
    /// `Stage 1`.
    pub label: String,
    /// Its range in words.
    pub hint: String,
    /// Units that make sense.
    pub units: Vec<Unit>,
    /// The range for the script.
    pub limits: String,
}

/// A row without anything beside its fields, and the new part of something due.
#[derive(Debug, Default)]
pub struct PlainRow {
    /// The marker's name.
    pub row: String,
    /// The marker's value.
    pub marker: String,
    /// What it is about.
    pub title: String,
    /// It stands open.
    pub open: bool,
    /// It was just added.
    pub fresh: bool,
    /// The due item that it belongs to.
    pub items: String,
    /// A tire has a date code.
    pub tire: bool,
    /// What the part before it was: the box's value, and its words.
    pub same: Option<(String, String)>,
}
impl PlainRow {
    /// The name of one of its fields.
    #[must_use]
    pub fn f(&self, field: &str) -> String {
        at(&self.row, field)
    }
    /// A row of one's own.
    #[must_use]
    pub fn free(row: impl Into<String>) -> Self {
        Self { row: row.into(), marker: "free".into(), open: true, ..Self::default() }
    }
}

/// The end of an id, enough to tell the due items of one motorcycle apart, and the procedures of one page.
pub(super) fn short(id: &str) -> &str {
    id.get(id.len().saturating_sub(8)..).unwrap_or(id)
}
pub(super) fn shorts(ids: &[String]) -> String {
    ids.iter().map(|id| short(id)).collect::<Vec<_>>().join(" ")
}

/// Adds an empty row of a kind, and gives its marker's name.
pub fn add(form: &mut Form, kind: &str) -> Option<String> {
    let here = rows(form, kind);
    let row = (0..=super::form::MOST_ROWS).map(|number| format!("{kind}.r{number}")).find(|row| !here.contains(row))?;
    form.set(&row, "free");
    Some(row)
}
/// Adds an empty reading to a measured row.
pub fn add_reading(form: &mut Form, row: &str) {
    let next = readings(form, row).iter().filter_map(|field| field.rsplit('.').next()?.parse::<usize>().ok()).max();
    form.offer(&format!("{row}.readings.{}", next.map_or(0, |last| last.saturating_add(1))), "");
}

/// The rows of a kind that say themselves what they are about.
#[must_use]
pub fn plain(form: &Form, kind: &str, fresh: Option<&str>) -> Vec<PlainRow> {
    let rows = rows(form, kind).into_iter().filter(|row| !form.value(row).starts_with("due "));
    rows.map(|row| PlainRow { fresh: fresh == Some(row.as_str()), ..PlainRow::free(row) }).collect()
}

/// What a part is, as the value of a box: its description, and after a tab its part number. As a form gives it back, without blanks around it.
fn same_again(part: &InstalledPart) -> String {
    let number = part.part_number.as_deref().unwrap_or_default();
    format!("{}\t{}", part.description.trim(), number.trim()).trim().to_owned()
}
/// Description and part number from the value of a box that [`same_again`] made.
#[must_use]
pub fn identity(same: &str) -> (String, Option<String>) {
    let (description, number) = same.split_once('\t').unwrap_or((same, ""));
    (description.trim().into(), Some(number.trim().to_owned()).filter(|number| !number.is_empty()))
}

/// The new parts that belong to what is due, each with fields for what it is.
pub fn new_parts(form: &mut Form, due: &[Tick], bench: &Bench) -> Vec<PlainRow> {
    let mut parts = Vec::new();
    for (tick, item) in due.iter().zip(&bench.items).filter(|(tick, _)| tick.starts_part) {
        let row = format!("fitted.d{}", short(&tick.id));
        if !form.has(&row) && !bench.is_near(&tick.id, form) {
            continue;
        }
        form.offer(&row, format!("due {}", tick.id));
        let before = bench.parts.iter().find(|part| Some(part.id) == item.installed_part_id);
        let before = before
            .or_else(|| bench.parts.iter().find(|part| Some(&part.component) == item.component.as_ref() && part.position == item.position));
        let same = before.filter(|part| !part.description.is_empty()).map(|part| {
            let number = part.part_number.as_ref().map(|number| format!(", {number}")).unwrap_or_default();
            (same_again(part), format!("{}{number}", part.description))
        });
        let typed = any(form, &row, &["same", "description", "part_number", "date_code", "prior_distance"]);
        parts.push(PlainRow {
            title: format!("New: {}", bench.name(item.component.as_deref().unwrap_or_default(), item.position).to_lowercase()),
            same,
            open: typed || wrong_within(form, &row),
            items: short(&tick.id).to_owned(),
            tire: item.component.as_deref() == Some("tire"),
            marker: format!("due {}", tick.id),
            row,
            ..PlainRow::default()
        });
    }
    parts
}

/// Whether something is wrong in a row.
pub(super) fn wrong_within(form: &Form, row: &str) -> bool {
    let inside = |field: &str| field == row || field.strip_prefix(row).is_some_and(|rest| rest.starts_with('.'));
    form.wrong_places().iter().any(|wrong| wrong.field.as_deref().is_some_and(inside))
}

/// Every value to measure: those that what is due takes, and those that were added.
pub fn measured(form: &mut Form, bench: &Bench, fresh: Option<&str>) -> Vec<MeasuredRow> {
    for group in &bench.groups {
        let row = group.spec.row();
        if !form.has(&row) {
            form.set(&row, group.spec.to_string());
        }
    }
    rows(form, "measured").into_iter().map(|row| measured_row(form, bench, row, fresh)).collect()
}
/// An empty row for the script.
#[must_use]
pub fn blank_value() -> MeasuredRow {
    measured_row_of_its_own("measured.__".into(), "free".into(), vec!["measured.__.readings.0".into()], Kind::ALL, Reduce::Mean)
}
fn measured_row_of_its_own(row: String, marker: String, readings: Vec<String>, kinds: &[Kind], reduce: Reduce) -> MeasuredRow {
    MeasuredRow {
        row,
        marker,
        title: "Measured value".into(),
        hints: Vec::new(),
        readings,
        units: units_of(kinds).into_iter().filter(|unit| is_measured_in(*unit)).collect(),
        limits: String::new(),
        reduce,
        place: "",
        force: None,
        at_force: true,
        free: true,
        open: true,
        fresh: false,
        items: String::new(),
    }
}
fn measured_row(form: &mut Form, bench: &Bench, row: String, fresh: Option<&str>) -> MeasuredRow {
    let marker = form.value(&row).to_owned();
    let fresh = fresh == Some(row.as_str());
    let Ok(spec) = marker.parse::<Spec>() else {
        let chosen: Option<Measurand> = form.value(&at(&row, "quantity")).parse().ok();
        if readings(form, &row).is_empty() {
            (0..2).for_each(|_| add_reading(form, &row));
        }
        let reduce = chosen.map_or(Reduce::Mean, default_reduce);
        let readings = readings(form, &row);
        return MeasuredRow { fresh, ..measured_row_of_its_own(row, marker, readings, chosen.map_or(Kind::ALL, kinds_of), reduce) };
    };
    let group = bench.groups.iter().find(|group| group.spec == spec);
    let last = bench.last_value(&spec);
    offer_defaults(form, &row, &spec, group, last);
    let reduce = default_reduce(spec.quantity);
    let typed = readings(form, &row).iter().any(|field| !form.value(field).is_empty());
    let limits = group.map_or(&[][..], |group| &group.limits);
    let kinds: Vec<Kind> = limits.first().map_or_else(|| kinds_of(spec.quantity).to_vec(), |limit| vec![limit.limit.unit.kind()]);
    let mut hints: Vec<String> = limits.iter().map(limit_in_words).collect();
    hints.extend(last.map(|value| {
        let unit = value.unit;
        format!("Last: {} {unit} on {}, {}", words::figure(&value.reduced), calendar::words(value.on), words::verdict(value.verdict))
    }));
    let of_new = if spec.new_part { " of the new part" } else { "" };
    MeasuredRow {
        title: format!("{}{of_new}: {}", bench.name(&spec.component, spec.position), spec.quantity.as_str().replace('_', " ")),
        hints,
        readings: readings(form, &row),
        units: units_of(&kinds),
        limits: limits.iter().map(for_script).collect::<Vec<_>>().join(";"),
        reduce,
        place: match reduce {
            Reduce::Min => "at the least place",
            Reduce::Max => "at the worst place",
            Reduce::Mean => "on average",
            Reduce::Range | Reduce::Last => "",
        },
        force: spec.force.as_ref().map(Quantity::si),
        at_force: spec.force.is_some() || spec.quantity == Measurand::Deflection,
        free: false,
        open: fresh || typed || wrong_within(form, &row) || group.is_some_and(|group| group.items.iter().any(|id| form.is("due", id))),
        fresh,
        items: group.map(|group| shorts(&group.items)).unwrap_or_default(),
        row,
        marker,
    }
}
fn is_measured_in(unit: Unit) -> bool {
    Measurand::ALL.iter().any(|quantity| kinds_of(*quantity).contains(&unit.kind()))
}
/// Unit, resolution and number of readings as the last time; the force as the limit has it.
fn offer_defaults(form: &mut Form, row: &str, spec: &Spec, group: Option<&Group>, last: Option<&MeasuredValue>) {
    let of_limit = group.and_then(|group| group.limits.first()).map(|limit| limit.limit.unit);
    let last_unit = last.map(|value| value.unit).filter(|unit| of_limit.is_none_or(|limit| limit.kind() == unit.kind()));
    if let Some(unit) = last_unit.or(of_limit) {
        form.offer(&at(row, "unit"), unit.to_string());
    }
    let same_unit = last.filter(|value| form.is(&at(row, "unit"), value.unit.as_str()));
    let resolution = same_unit.and_then(|value| value.resolution.as_ref()).map(Figure::text);
    form.offer(&at(row, "resolution"), resolution.unwrap_or_default());
    let force = spec.force.as_ref().or(last.and_then(|value| value.at_force.as_ref()));
    form.offer(&at(row, "force"), force.map(|force| force.value.text()).unwrap_or_default());
    form.offer(&at(row, "force_unit"), force.map_or(Unit::N, |force| force.unit).to_string());
    if readings(form, row).is_empty() {
        // A belt or chain at four wheel positions; what wears, where it was taken last.
        let usual = if matches!(spec.quantity, Measurand::Deflection | Measurand::Runout) { 4 } else { 1 };
        let count = last.map_or(usual, |value| value.readings.len().clamp(1, 8));
        (0..count).for_each(|_| add_reading(form, row));
    }
}
/// `Adjust limit for this part at 5,412 mi: 10 to 13 mm at 45 N`.
fn limit_in_words(limit: &SheetLimit) -> String {
    let kind = match limit.limit.kind {
        LimitKind::Adjust => "Adjust limit",
        LimitKind::Wear => "Wear limit",
        LimitKind::Legal => "Legal limit",
    };
    let part = match &limit.part_distance {
        _ if limit.new_part => " for the new part".to_owned(),
        Some(run) if limit.limit.ranged() => format!(" for this part at {}", words::about(run)),
        _ => String::new(),
    };
    let limit = &limit.limit;
    let force = limit.at_force.as_ref().map(|force| format!(" at {force}")).unwrap_or_default();
    let source = if limit.source.is_empty() { String::new() } else { format!(" ({})", limit.source) };
    format!("{kind}{part}: {}{force}{source}", range_in_words(limit.lower.as_ref(), limit.upper.as_ref(), limit.unit))
}
fn for_script(limit: &SheetLimit) -> String {
    let limit = &limit.limit;
    bounds(limit.kind.as_str(), limit.lower.as_ref(), limit.upper.as_ref(), limit.unit)
}
fn bounds(kind: &str, lower: Option<&Figure>, upper: Option<&Figure>, unit: Unit) -> String {
    let text = |figure: Option<&Figure>| figure.map(Figure::text).unwrap_or_default();
    format!("{kind}|{}|{}|{unit}", text(lower), text(upper))
}

/// The fasteners to tighten: those of what is due, and those that were added.
pub fn tightened(form: &mut Form, bench: &Bench, fresh: Option<&str>) -> Vec<TightenedRow> {
    for (fastener, _) in &bench.fasteners {
        form.offer(&row_of(fastener), fastener.key.clone());
    }
    let mut all = Vec::new();
    for row in rows(form, "tightened") {
        let key = form.value(&row).to_owned();
        let belongs = bench.fasteners.iter().find(|(fastener, _)| fastener.key == key);
        let fastener = belongs.map(|(fastener, _)| fastener).or_else(|| bench.all_fasteners.iter().find(|fastener| fastener.key == key));
        let items = belongs.map_or(&[][..], |(_, items)| items);
        // One that is gone meanwhile keeps its fields: nothing typed is lost.
        all.push(tightened_row(form, row, key, fastener, items, fresh));
    }
    all
}
/// The marker's name of a fastener.
#[must_use]
pub fn row_of(fastener: &Fastener) -> String {
    format!("tightened.f-{}", fastener.key)
}
fn tightened_row(
    form: &mut Form,
    row: String,
    key: String,
    fastener: Option<&Fastener>,
    items: &[String],
    fresh: Option<&str>,
) -> TightenedRow {
    let known = fastener.map_or(&[][..], |fastener| &fastener.stages);
    let front = format!("{row}.stages.");
    let sent = form.names().filter(|name| name.starts_with(&front)).count().min(20);
    let more = any(form, &row, &["more", "thread", "adapter", "wrench"]);
    // A washer or a clip has no torque; what a bolt without a known one reached may be said all the same.
    let no_torque = !more && fastener.is_some_and(|fastener| fastener.single_use && fastener.stages.is_empty());
    let stages: Vec<StageRow> =
        (0..known.len().max(sent).max(usize::from(!no_torque))).map(|number| stage_row(form, &row, number, known.get(number))).collect();
    form.offer(&at(&row, "single_use_was"), "");
    if more {
        form.offer(&at(&row, "lengths"), Unit::Mm.to_string());
    }
    let typed = stages.iter().any(|stage| !form.value(&stage.field).is_empty())
        || form.is(&at(&row, "witness_mark"), "yes")
        || any(form, &row, &["single_use_was", "more", "thread", "adapter", "wrench"]);
    TightenedRow {
        title: fastener.map_or_else(|| key.replace('_', " "), |fastener| fastener.name.clone()),
        about: if stages.is_empty() { "new or used again" } else { "torque" },
        hint: fastener.map(about_fastener).unwrap_or_default(),
        stages,
        single_use: fastener.is_some_and(|fastener| fastener.single_use) || any(form, &row, &["single_use_was"]),
        more,
        open: fresh == Some(row.as_str()) || typed || wrong_within(form, &row),
        fresh: fresh == Some(row.as_str()),
        items: shorts(items),
        row,
        key,
    }
}
fn stage_row(form: &mut Form, row: &str, number: usize, stage: Option<&Stage>) -> StageRow {
    let (field, unit_field) = (at(row, &format!("stages.{number}")), at(row, &format!("unit.{number}")));
    form.offer(&field, "");
    form.offer(&unit_field, stage.map_or(Unit::Nm, |stage| stage.unit).to_string());
    let range = |stage: &Stage| range_in_words(stage.lower.as_ref(), stage.upper.as_ref(), stage.unit);
    let known = stage.filter(|stage| stage.lower.is_some() || stage.upper.is_some());
    StageRow {
        field,
        unit_field,
        label: format!("Stage {}", number + 1),
        hint: known.map_or_else(|| "no range is known".into(), range),
        units: units_of(&[stage.map_or(Kind::Torque, |stage| stage.unit.kind())]),
        limits: known.map(|stage| bounds("torque", stage.lower.as_ref(), stage.upper.as_ref(), stage.unit)).unwrap_or_default(),
    }
}
/// `5 of them, in a star. Threads clean and dry. Invented for the demo.`
fn about_fastener(fastener: &Fastener) -> String {
    let mut sentences = Vec::new();
    let pattern = fastener.pattern.map(|pattern| format!(", tightened in a {pattern}")).unwrap_or_default();
    if fastener.count > 1 {
        sentences.push(format!("{} of them{pattern}", fastener.count));
    }
    sentences.extend(fastener.thread.map(|thread| format!("Threads: {}", words::thread(thread))));
    if fastener.single_use {
        sentences.push("To be used once only".into());
    }
    if !fastener.source.is_empty() {
        sentences.push(format!("Source: {}", fastener.source));
    }
    if sentences.is_empty() { String::new() } else { format!("{}.", sentences.join(". ")) }
}
