//! `/limits`, `/limits/new`, `/limits/{id}/edit`
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};

use super::{
    answer::{Done, Page},
    fault::Fault,
    form::{Asked, Form},
    frame::{Frame, Nav},
    guard::{Manager, Mechanic, PathId, Visitor},
    links, paging,
    standards::{self, Choices, Options, Row},
    words,
};
use crate::{
    actions::{App, Work, limit as actions},
    domain::{
        id::Id,
        limit::{DistanceRange, HoursRange, Limit, MonthsRange, NewLimit},
        quantity::{Quantity, Unit},
        rule::AppliesToBike,
        verdict::range_in_words,
        words::{LimitKind, Measurand},
    },
    error::Result,
    store::Stretch,
};

const SIZE: i64 = 100;

#[derive(Template)]
#[template(path = "limits.html", whitespace = "minimize")]
struct LimitsPage {
    frame: Frame,
    rows: Vec<Row>,
    next: Option<String>,
}

#[derive(Template)]
#[template(path = "limit_form.html", whitespace = "minimize")]
struct LimitPage {
    frame: Frame,
    title: String,
    action: String,
    delete: Option<String>,
    form: Form,
    choices: Choices,
    quantities: Options,
    kinds: Options,
    only: Option<String>,
}
impl LimitPage {
    async fn new(visitor: &Visitor, work: &mut Work, form: Form, limit: Option<&Limit>) -> Result<Self> {
        let pair = |kind: &LimitKind| {
            let means = match kind {
                LimitKind::Adjust => "adjust: outside it is to be adjusted",
                LimitKind::Wear => "wear: outside it is to be replaced",
                LimitKind::Legal => "legal: outside it may not be ridden on the road",
            };
            (kind.to_string(), means.to_owned())
        };
        Ok(Self {
            frame: visitor.frame(work, Nav::Rules).below().with_caution(),
            title: if limit.is_some() { "Change a limit".into() } else { "Write a limit".into() },
            action: limit.map_or_else(|| "/limits/new".into(), |limit| format!("/limits/{}/edit", limit.id)),
            delete: limit.map(|limit| format!("/limits/{}/delete", limit.id)),
            choices: Choices::of(work).await?,
            quantities: standards::words(Measurand::ALL),
            kinds: LimitKind::ALL.iter().map(pair).collect(),
            only: standards::only_for(work, &form).await?,
            form,
        })
    }
}

fn between(what: &str, from: Option<String>, to: Option<String>) -> Option<String> {
    match (from, to) {
        (Some(from), Some(to)) => Some(format!("{what} {from} to {to}")),
        (Some(from), None) => Some(format!("{what} from {from} on")),
        (None, Some(to)) => Some(format!("{what} under {to}")),
        (None, None) => None,
    }
}
/// For which ages of the part a limit holds, in words.
pub(super) fn ages(limit: &Limit) -> Vec<String> {
    let distance = |of: &Option<Quantity>| of.as_ref().map(words::quantity);
    let hours = |of: &Option<crate::domain::quantity::Figure>| of.as_ref().map(|hours| format!("{hours} h"));
    let months = |of: Option<u32>| of.map(|months| format!("{months} months"));
    let all = [
        limit.part_distance.as_ref().and_then(|range| between("part distance", distance(&range.from), distance(&range.to))),
        limit.part_hours.as_ref().and_then(|range| between("part hours", hours(&range.from), hours(&range.to))),
        limit.part_months.as_ref().and_then(|range| between("part age", months(range.from), months(range.to))),
        limit.variant.as_ref().map(|variant| format!("variant {variant}")),
    ];
    all.into_iter().flatten().collect()
}
/// A limit's figures in words: `8 to 10 mm at 45 N`.
pub(super) fn figures(limit: &Limit) -> String {
    let force = limit.at_force.as_ref().map(|force| format!(" at {}", words::quantity(force))).unwrap_or_default();
    format!("{}{force}", range_in_words(limit.lower.as_ref(), limit.upper.as_ref(), limit.unit))
}

/// `GET /limits`
pub(super) async fn list(State(app): State<Arc<App>>, Mechanic(visitor): Mechanic, Asked(asked): Asked) -> Result<Response, Fault> {
    let stretch: Stretch<Id<Limit>> = paging::stretch(&asked, SIZE)?;
    let mut work = app.read(&visitor.caller).await?;
    let mut limits = actions::list(&mut work, &actions::Wanted::default(), stretch).await?;
    let next = paging::cut(&mut limits, SIZE, |limit| limit.id).map(|next| links::with_query("/limits", [("after", next.as_str())]));
    let choices = Choices::of(&mut work).await?;
    let mut rows = Vec::new();
    for limit in &limits {
        let meant = standards::meant_for(&mut work, &limit.applies_to).await?;
        let about: Vec<_> = [format!("{} limit", limit.kind), meant.words()].into_iter().chain(ages(limit)).collect();
        let place = words::component(&choices.known, &limit.component, limit.position);
        let name = format!("{place}, {}", limit.quantity.to_string().replace('_', " "));
        rows.push(Row { href: format!("/limits/{}/edit", limit.id), name, about: about.join(" · "), figures: figures(limit) });
    }
    Ok(Page(LimitsPage { frame: visitor.frame(&work, Nav::Rules).below().with_caution(), rows, next }).into_response())
}

/// `GET /limits/new`
pub(super) async fn new(State(app): State<Arc<App>>, Manager(visitor): Manager, Asked(asked): Asked) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let unit = work.workshop.default_unit.to_string();
    let mut form = Form::showing([("unit", "mm".into()), ("at_force.unit", "N".into()), ("kind", "wear".into())]);
    for name in ["part_distance.from.unit", "part_distance.to.unit"] {
        form.set(name, unit.clone());
    }
    form.set("applies_to.motorcycle_id", asked.value("motorcycle"));
    Ok(Page(LimitPage::new(&visitor, &mut work, form, None).await?).into_response())
}

/// `POST /limits/new`
pub(super) async fn add(State(app): State<Arc<App>>, Manager(visitor): Manager, mut form: Form) -> Result<Response, Fault> {
    let new = read(&mut form);
    let mut work = visitor.write(&app, &mut form).await?;
    let added = match form.ready(new) {
        Ok(new) => actions::add(&mut work, new).await,
        Err(error) => Err(error),
    };
    match added {
        Ok(limit) => Done::new("/limits", format!("The limit of {} is written down.", figures(&limit))).after(work).await,
        Err(error) => {
            form.refused(error)?;
            Ok(Page(LimitPage::new(&visitor, &mut work, form, None).await?).with_status(422))
        }
    }
}

/// `GET /limits/{id}/edit`
pub(super) async fn edit(State(app): State<Arc<App>>, Manager(visitor): Manager, PathId(id): PathId<Limit>) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let limit = actions::get(&mut work, id).await?;
    let mut form = standards::fields(&limit.details())?;
    form.set_seen(&limit)?;
    Ok(Page(LimitPage::new(&visitor, &mut work, form, Some(&limit)).await?).into_response())
}

/// `POST /limits/{id}/edit`
pub(super) async fn change(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<Limit>,
    mut form: Form,
) -> Result<Response, Fault> {
    let new = read(&mut form);
    let mut work = visitor.write(&app, &mut form).await?;
    let old = actions::get(&mut work, id).await?;
    form.check_seen(&old)?;
    let changed = match form.ready(new) {
        Ok(new) => actions::change(&mut work, old.clone(), new).await,
        Err(error) => Err(error),
    };
    match changed {
        Ok(limit) => {
            let said = format!("The limit is {} now. Values that were judged keep their verdicts.", figures(&limit));
            Done::new("/limits", said).after(work).await
        }
        Err(error) => {
            form.refused(error)?;
            Ok(Page(LimitPage::new(&visitor, &mut work, form, Some(&old)).await?).with_status(422))
        }
    }
}

/// `POST /limits/{id}/delete`
pub(super) async fn delete(State(app): State<Arc<App>>, Manager(visitor): Manager, PathId(id): PathId<Limit>) -> Result<Response, Fault> {
    let mut work = app.write(&visitor.caller, None).await?;
    let limit = actions::get(&mut work, id).await?;
    actions::delete(&mut work, &limit).await?;
    Done::new("/limits", "The limit is taken out. Values that were judged by it keep their verdicts.").after(work).await
}

/// The limit that was typed.
fn read(form: &mut Form) -> Option<NewLimit> {
    let component = form.must("component", "Choose the component.");
    let quantity: Option<Measurand> = form.chosen("quantity");
    let kind: Option<LimitKind> = form.chosen("kind");
    let distance =
        DistanceRange { from: standards::quantity(form, "part_distance.from"), to: standards::quantity(form, "part_distance.to") };
    let hours = HoursRange { from: form.figure("part_hours.from"), to: form.figure("part_hours.to") };
    let months = MonthsRange { from: form.whole("part_months.from"), to: form.whole("part_months.to") };
    let applies_to: AppliesToBike = standards::applies_to(form);
    Some(NewLimit {
        position: form.chosen("position"),
        lower: form.figure("lower"),
        upper: form.figure("upper"),
        nominal: form.figure("nominal"),
        unit: form.chosen("unit").unwrap_or(Unit::Mm),
        at_force: standards::quantity(form, "at_force"),
        jurisdiction: form.optional("jurisdiction"),
        part_distance: (distance != DistanceRange::default()).then_some(distance),
        part_hours: (hours != HoursRange::default()).then_some(hours),
        part_months: (months != MonthsRange::default()).then_some(months),
        variant: form.optional("variant"),
        applies_to,
        source: form.value("source").to_owned(),
        component: component?,
        quantity: quantity?,
        kind: kind?,
    })
}
