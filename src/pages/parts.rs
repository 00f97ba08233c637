//! `/installed-parts/{id}`: one part's life. `/motorcycles/{id}/parts`: fit a part outside a service event.
use std::{collections::BTreeSet, sync::Arc};

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};

use super::{
    answer::{Done, Page},
    fault::Fault,
    form::Form,
    frame::{Frame, Nav},
    guard::{Mechanic, PathId, Visitor},
    links,
    photos::{self, Photo},
    standards::{self, Choices, Options},
    wear_chart::{self, WearChart},
    words,
};
use crate::{
    actions::{App, Work, component, forecast, measure, motorcycle, part as actions},
    domain::{
        calendar,
        id::Id,
        motorcycle::Motorcycle,
        part::{FittedAt, InstalledPart, NewInstalledPart},
        quantity::Quantity,
        service::MeasuredValue,
        words::Condition,
    },
    error::Result,
    store::{Stretch, measured_value, motorcycle as store, part as part_store},
};

/// As many values of one motorcycle as are looked through, and motorcycles offered.
const MOST: i64 = 200;

#[derive(Template)]
#[template(path = "part.html", whitespace = "minimize")]
struct PartPage {
    frame: Frame,
    title: String,
    about: String,
    state: String,
    motorcycle: Option<(Id<Motorcycle>, String)>,
    fittings: Vec<FittingRow>,
    values: Vec<ValueRow>,
    charts: Vec<WearChart>,
    /// Set for a part on the shelf: it may be fitted again.
    again: Option<Again>,
    photos: Vec<Photo>,
    all_photos: Vec<(String, String)>,
    add_photos: String,
    action: String,
    form: Form,
}
struct FittingRow {
    href: String,
    motorcycle: String,
    place: String,
    from: String,
    to: String,
    run: String,
}
struct ValueRow {
    on: String,
    run: String,
    value: String,
    verdict: String,
    because: Vec<String>,
}
struct Again {
    motorcycles: Options,
    positions: Options,
    today: String,
}

fn at(on: time::Date, odometer: Option<&Quantity>) -> String {
    odometer.map_or_else(|| calendar::words(on), |odometer| format!("{} at {}", calendar::words(on), words::about(odometer)))
}
fn state(part: &InstalledPart) -> String {
    let run = part
        .part_distance
        .as_ref()
        .map_or_else(|| "How far it has run is not known".into(), |run| format!("It has run {}", words::about(run)));
    let age = words::age(part.age_months);
    match (&part.struck_out, &part.removed) {
        (Some(struck), _) => format!("Struck out: {}", struck.reason),
        (None, None) => format!("{run} and is {age} old."),
        (None, Some(removed)) => {
            let why = removed.reason.as_ref().map(|reason| format!(" ({reason})")).unwrap_or_default();
            format!("{run}. It came off on {}{why} and is on the shelf.", calendar::words(removed.on))
        }
    }
}

impl PartPage {
    async fn new(visitor: &Visitor, work: &mut Work, part: &InstalledPart, form: Form) -> Result<Self> {
        let known = component::all(work).await?;
        let mut bikes = BTreeSet::new();
        let mut fittings = Vec::new();
        for fitting in part.fittings.iter().rev() {
            bikes.insert(fitting.motorcycle_id);
            let FittedAt { on, odometer, .. } = &fitting.fitted;
            fittings.push(FittingRow {
                href: links::motorcycle(fitting.motorcycle_id),
                motorcycle: motorcycle::get(work, fitting.motorcycle_id).await?.name,
                place: fitting.position.map(words::position).unwrap_or_default(),
                from: at(*on, odometer.as_ref()),
                to: fitting.removed.as_ref().map_or_else(|| "on it now".into(), |end| at(end.on, end.odometer.as_ref())),
                run: fitting.distance.as_ref().map(words::about).unwrap_or_default(),
            });
        }
        let (mut motorcycle, mut charts) = (None, Vec::new());
        if let Some(id) = part.motorcycle_id {
            let bike = motorcycle::get(work, id).await?;
            charts = wear_chart::charts(&forecast::of_part(work, &bike, part.id).await?, bike.odometer_unit);
            motorcycle = Some((id, bike.name));
        }
        let again = if part.motorcycle_id.is_none() && part.struck_out.is_none() {
            let offered = motorcycle::list(work, &store::Wanted::default(), Stretch { after: None, limit: MOST }).await?;
            let motorcycles = offered.into_iter().map(|bike| (bike.id.to_string(), bike.name)).collect();
            Some(Again { motorcycles, positions: Choices::of(work).await?.positions, today: work.today.to_string() })
        } else {
            None
        };
        let made = part.date_code.as_deref().map(words::made_in);
        let about: Vec<_> = [
            Some(part.description.clone()),
            part.part_number.as_ref().map(|number| format!("part number {number}")),
            Some(format!("{} when it was first fitted", part.condition)),
            made,
            part.single_use.then(|| "to be used once only".to_owned()),
        ]
        .into_iter()
        .flatten()
        .filter(|text| !text.is_empty())
        .collect();
        let photos = photos::of(work, &[part.id.uuid()]).await?;
        Ok(Self {
            all_photos: photos.iter().map(|photo| (photo.id.to_string(), photo.name.clone())).collect(),
            photos,
            add_photos: format!("/installed-parts/{}/photos", part.id),
            frame: visitor.frame(work, Nav::Motorcycles).below().with_caution(),
            title: words::component(&known, &part.component, part.position),
            about: about.join(" · "),
            state: state(part),
            motorcycle,
            values: values(work, part, bikes).await?,
            fittings,
            charts,
            again,
            action: format!("/installed-parts/{}/fit", part.id),
            form,
        })
    }
}

/// What was measured of a part on every motorcycle that it was on, newest first.
async fn values(work: &mut Work, part: &InstalledPart, bikes: BTreeSet<Id<Motorcycle>>) -> Result<Vec<ValueRow>> {
    let wanted = measured_value::Wanted { component: Some(part.component.clone()), ..measured_value::Wanted::default() };
    let mut all = Vec::new();
    for bike in bikes {
        all.extend(measure::list(work, bike, &wanted, Stretch { after: None, limit: MOST }).await?);
    }
    all.retain(|value| value.installed_part_id == Some(part.id) && value.struck_out.is_none());
    all.sort_by_key(|value| std::cmp::Reverse((value.on, value.id)));
    let row = |value: &MeasuredValue| ValueRow {
        on: calendar::words(value.on),
        run: value.part_distance.as_ref().map(words::about).unwrap_or_default(),
        value: words::measured(value),
        verdict: value.verdict.to_string().replace('_', " "),
        because: likely(value).chain(value.because.iter().cloned()).collect(),
    };
    Ok(all.iter().map(row).collect())
}

/// How likely a value conforms to each limit that it was judged by, as guidance: `Wear limit: 94.5 % likely to conform.`
fn likely(value: &MeasuredValue) -> impl Iterator<Item = String> {
    value.judged.iter().filter_map(|judged| {
        let likely = value.conformity_to(judged)?.guidance()?;
        Some(format!("{} limit: {likely}.", words::capital(judged.kind.as_str())))
    })
}

/// `GET /installed-parts/{id}`
pub(super) async fn show(State(app): State<Arc<App>>, visitor: Visitor, PathId(id): PathId<InstalledPart>) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let part = actions::get(&mut work, id).await?;
    let form =
        Form::showing([("on", work.today.to_string()), ("position", part.position.map(|place| place.to_string()).unwrap_or_default())]);
    Ok(Page(PartPage::new(&visitor, &mut work, &part, form).await?).into_response())
}

/// `POST /installed-parts/{id}/fit`: from the shelf onto a motorcycle.
pub(super) async fn fit_again(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<InstalledPart>,
    mut form: Form,
) -> Result<Response, Fault> {
    let bike: Option<Id<Motorcycle>> = form.chosen("motorcycle");
    if bike.is_none() {
        form.complain("motorcycle", "Choose the motorcycle that it goes on.");
    }
    let on = form.day("on");
    if on.is_none() && !form.is_wrong("on") {
        form.complain("on", "Give the day.");
    }
    let new = on.map(|on| NewInstalledPart {
        installed_part_id: Some(id),
        component: None,
        position: form.chosen("position"),
        description: String::new(),
        part_number: None,
        condition: None,
        prior_distance: None,
        single_use: false,
        date_code: None,
        on,
        odometer: form.figure("odometer"),
    });
    let mut work = visitor.write(&app, &mut form).await?;
    let part = actions::get(&mut work, id).await?;
    let fitted = match form.ready(new.zip(bike)) {
        Ok((new, bike)) => {
            let bike = motorcycle::get(&mut work, bike).await?;
            actions::fit(&mut work, &bike, new).await.map(|part| (part, bike))
        }
        Err(error) => Err(error),
    };
    match fitted {
        Ok((_, bike)) => Done::new(links::motorcycle(bike.id), format!("It is on {} now.", bike.name)).after(work).await,
        Err(error) => {
            form.refused(error)?;
            Ok(Page(PartPage::new(&visitor, &mut work, &part, form).await?).with_status(422))
        }
    }
}

#[derive(Template)]
#[template(path = "fit_part.html", whitespace = "minimize")]
struct FitPage {
    frame: Frame,
    id: Id<Motorcycle>,
    name: String,
    unit: String,
    components: Options,
    positions: Options,
    conditions: Options,
    shelf: Vec<(Id<InstalledPart>, String)>,
    today: String,
    form: Form,
}
impl FitPage {
    async fn new(visitor: &Visitor, work: &mut Work, bike: &Motorcycle, form: Form) -> Result<Self> {
        let choices = Choices::of(work).await?;
        let parts: BTreeSet<_> = choices.known.iter().filter(|one| one.part).map(|one| one.key.clone()).collect();
        let removed = part_store::Wanted { on: work.today, removed: true, changed_since: None };
        let shelf = actions::list(work, bike, removed, Stretch { after: None, limit: MOST }).await?;
        let shelf = shelf.into_iter().map(|(_, part)| part).filter(|part| part.motorcycle_id.is_none()).map(|part| {
            let name = words::component(&choices.known, &part.component, part.position);
            (part.id, if part.description.is_empty() { name } else { format!("{name}: {}", part.description) })
        });
        let shelf = shelf.collect();
        Ok(Self {
            frame: visitor.frame(work, Nav::Motorcycles).below().with_caution(),
            id: bike.id,
            name: bike.name.clone(),
            unit: bike.odometer_unit.to_string(),
            components: choices.components.into_iter().filter(|(key, _)| parts.contains(key)).collect(),
            positions: choices.positions,
            conditions: standards::words(Condition::ALL),
            shelf,
            today: work.today.to_string(),
            form,
        })
    }
}

/// `GET /motorcycles/{id}/parts`
pub(super) async fn fit_form(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<Motorcycle>,
) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let form = Form::showing([("on", work.today.to_string()), ("condition", "new".into())]);
    Ok(Page(FitPage::new(&visitor, &mut work, &bike, form).await?).into_response())
}

/// `POST /motorcycles/{id}/parts`
pub(super) async fn fit(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<Motorcycle>,
    mut form: Form,
) -> Result<Response, Fault> {
    let on = form.day("on");
    if on.is_none() && !form.is_wrong("on") {
        form.complain("on", "Give the day.");
    }
    let new = on.map(|on| NewInstalledPart {
        installed_part_id: None,
        component: form.optional("component"),
        position: form.chosen("position"),
        description: form.value("description").to_owned(),
        part_number: form.optional("part_number"),
        condition: form.chosen("condition"),
        prior_distance: form.figure("prior_distance"),
        single_use: form.is("single_use", "yes"),
        date_code: form.optional("date_code"),
        on,
        odometer: form.figure("odometer"),
    });
    let mut work = visitor.write(&app, &mut form).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let fitted = match form.ready(new) {
        Ok(new) => actions::fit(&mut work, &bike, new).await,
        Err(error) => Err(error),
    };
    match fitted {
        Ok(part) => Done::new(format!("/installed-parts/{}", part.id), format!("It is on {} now.", bike.name)).after(work).await,
        Err(error) => {
            form.refused(error)?;
            Ok(Page(FitPage::new(&visitor, &mut work, &bike, form).await?).with_status(422))
        }
    }
}
