//! `/motorcycles/{id}`: one motorcycle: its distance, what is due on it, what is on it now, its history.
use std::{collections::HashSet, sync::Arc};

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};

use super::{
    answer::Page,
    chart::DistanceChart,
    due_rows::DueRows,
    fault::Fault,
    form::{Asked, Form},
    frame::{Frame, Nav},
    guard::{PathId, Visitor},
    history_rows::{self, HistoryRow},
    links, motorcycles,
    photos::{self, Photo},
    single_use, words,
};
use crate::{
    actions::{
        App, Work, component, distance, distance::Covered, due, follow_up, forecast, measure, motorcycle as actions, owner, part, reading,
        single_use as used_again,
    },
    domain::{
        calendar,
        component::Component,
        counter::in_unit,
        due::DueItemOn,
        id::Id,
        motorcycle::{Instrument, Motorcycle},
        part::InstalledPart,
        quantity::grouped,
        service::MeasuredValue,
        words::{CounterKind, DistanceStatus, FollowUpStatus, InstrumentChange, Position, Status},
    },
    error::Result,
    store::{Stretch, measured_value, part as part_store},
};

/// The most due rows and parts before a link to the rest: the page stays under 60 KB.
const DUE: usize = 12;
const PARTS: usize = 30;

#[derive(Template)]
#[template(path = "motorcycle.html", whitespace = "minimize")]
struct MotorcyclePage {
    frame: Frame,
    id: Id<Motorcycle>,
    name: String,
    about: String,
    archived: bool,
    write_up: String,
    readings: String,
    job_sheet: String,
    /// Everything but the history; on later pages of the history left out.
    overview: Option<Overview>,
    history: Vec<HistoryRow>,
    next: Option<String>,
}
struct Overview {
    read: Option<Read>,
    status: String,
    due: DueRows,
    due_more: bool,
    follow_ups: Vec<String>,
    reused: Vec<String>,
    parts: Vec<PartRow>,
    parts_more: bool,
    /// Parts that do not wear alike, in sentences.
    uneven: Vec<String>,
    chart: Option<DistanceChart>,
    photos: Vec<Photo>,
    all_photos: Vec<(String, String)>,
    /// The one-time key of the forms below the photographs.
    form: Form,
    papers: Vec<(&'static str, String)>,
    warnings: Vec<String>,
}
/// The last reading, and what the odometer probably shows today.
struct Read {
    figure: String,
    on: String,
    today: String,
}
struct PartRow {
    id: Id<InstalledPart>,
    name: String,
    description: String,
    fitted: String,
    run: String,
    values: Vec<ValueWords>,
}
struct ValueWords {
    text: String,
    verdict: &'static str,
}

pub(super) async fn show(
    State(app): State<Arc<App>>,
    visitor: Visitor,
    PathId(id): PathId<Motorcycle>,
    Asked(asked): Asked,
) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let bike = actions::get(&mut work, id).await?;
    let is_top = asked.value("after").is_empty();
    let components = component::all(&mut work).await?;
    let overview = if is_top { Some(overview(&mut work, &bike, &components, &asked).await?) } else { None };
    let (history, next) = history_rows::of(&mut work, &bike, &components, &asked).await?;
    let page = MotorcyclePage {
        frame: visitor.frame(&work, Nav::Motorcycles).below().with_caution(),
        id,
        name: bike.name.clone(),
        about: about(&mut work, &bike).await?,
        archived: bike.archived,
        write_up: links::write_up(id),
        readings: links::readings(id),
        job_sheet: links::job_sheet(id),
        overview,
        history,
        next: next.map(|next| links::with_query(&links::motorcycle(id), [("after", next.as_str())]) + "#history"),
    };
    Ok(Page(page).into_response())
}

/// `Halden 1100 Roadster, 2019, belt drive. Owner Ada Birch. Registration QB 0417.`
async fn about(work: &mut Work, bike: &Motorcycle) -> Result<String> {
    let what = motorcycles::about(bike);
    let drive = format!("{} drive", bike.final_drive);
    let mut sentences = vec![if what.is_empty() { words::capital(&drive) } else { format!("{what}, {drive}") }];
    if let Some(id) = bike.owner_id {
        // An owner taken out of the list stays with archived motorcycles.
        if let Ok(owner) = owner::get(work, id).await {
            sentences.push(format!("Owner {}", owner.name));
        }
    }
    sentences.extend(bike.registration.iter().map(|text| format!("Registration {text}")));
    Ok(format!("{}.", sentences.join(". ")))
}

async fn overview(work: &mut Work, bike: &Motorcycle, components: &[Component], asked: &Form) -> Result<Overview> {
    let covered = distance::of(work, bike).await?;
    let changes = reading::list_instruments(work, bike.id, CounterKind::Odometer, Stretch { after: None, limit: 100 }).await?;
    let items = if bike.archived { Vec::new() } else { due::of_motorcycle(work, bike, None).await? };
    let all = asked.is("due", "all");
    let shown = if all { &items[..] } else { &items[..soonest(&items)] };
    let follow_ups = follow_up::list(work, Some(bike.id), Some(FollowUpStatus::Open), Stretch { after: None, limit: 50 }).await?;
    let in_words = |component: &str, position: Option<Position>| words::component(components, component, position);
    let open = follow_ups.iter().filter(|left| left.due_in.is_none()).map(|left| match &left.component {
        Some(component) => format!("{}: {}", in_words(component, left.position), left.text),
        None => left.text.clone(),
    });
    let reused = used_again::reused(work, Some(bike.id), &Stretch { after: None, limit: 50 }).await?;
    let (parts, parts_more) = parts(work, bike, components).await?;
    let uneven = forecast::uneven_on(work, bike).await?;
    let uneven = uneven.into_iter().map(|uneven| uneven.because.join(" ")).collect();
    let photos = photos::of(work, &[bike.id.uuid()]).await?;
    let mut due = DueRows::new(shown, work.today, false);
    if let Some(first) = due.rows.first_mut() {
        first.open = matches!(shown.first().map(|item| item.status), Some(Status::Overdue | Status::Due));
    }
    Ok(Overview {
        read: read(bike, &covered, work),
        status: distance_in_words(bike, &covered, &changes),
        due,
        due_more: shown.len() < items.len(),
        follow_ups: open.collect(),
        reused: reused.iter().map(|one| format!("{}, since {}", single_use::said(components, one), calendar::words(one.since))).collect(),
        parts,
        parts_more,
        uneven,
        chart: DistanceChart::new(&covered, bike.odometer_unit, work.today),
        all_photos: photos.iter().map(|photo| (photo.id.to_string(), photo.name.clone())).collect(),
        photos,
        form: Form::showing([]),
        papers: papers(bike),
        warnings: bike.warnings.clone(),
    })
}

/// How many rows to show: what waits, what is nearly due, and some of what comes later.
fn soonest(items: &[DueItemOn]) -> usize {
    let waiting = items.iter().filter(|item| matches!(item.status, Status::Overdue | Status::Due | Status::NearlyDue)).count();
    waiting.clamp(DUE, 2 * DUE).min(items.len())
}

/// The last reading, and what the odometer probably shows today where that is another day.
fn read(bike: &Motorcycle, covered: &Covered, work: &Work) -> Option<Read> {
    let last = bike.odometer.as_ref()?;
    let unit = bike.odometer_unit;
    let band = covered.projection.as_ref().filter(|_| last.on < work.today).map(|projection| projection.on(work.today));
    let shown = |ticks: i64| covered.counter.shown_now(ticks).map(|shown| grouped(in_unit(shown, unit.into()).round()));
    let today = band.and_then(|band| {
        let (low, middle, high) = (shown(band.p10)?, shown(band.p50)?, shown(band.p90)?);
        Some(if low == high {
            format!("; today about {middle} {unit}")
        } else {
            format!("; today about {middle} {unit} ({low} to {high})")
        })
    });
    Some(Read {
        figure: format!("{} {}", words::figure(&last.reading), last.unit),
        on: calendar::words(last.on),
        today: format!("{}.", today.unwrap_or_default()),
    })
}

/// What its odometers say about the distance that it has really covered.
fn distance_in_words(bike: &Motorcycle, covered: &Covered, changes: &[Instrument]) -> String {
    let unit = bike.odometer_unit;
    let status = match bike.distance_status {
        DistanceStatus::Actual => "The distance is actual",
        DistanceStatus::ExceedsMechanicalLimits => "The distance exceeds what the odometer can show",
        DistanceStatus::NotActual => "The distance is not actual",
    };
    let (Some(last), Some(change)) = (covered.counter.last(), changes.last()) else { return format!("{status}.") };
    let what = match change.kind {
        InstrumentChange::Replaced => "the odometer on it now was fitted",
        InstrumentChange::RolledOver => "the odometer rolled over",
    };
    format!("{status}: {} {unit} in all; {what} on {}.", grouped(in_unit(last.ticks, unit.into()).round()), calendar::words(change.on))
}

async fn parts(work: &mut Work, bike: &Motorcycle, components: &[Component]) -> Result<(Vec<PartRow>, bool)> {
    let wanted = part_store::Wanted { on: work.today, removed: false, changed_since: None };
    let limit = i64::try_from(PARTS).unwrap_or(0) + 1;
    let mut parts = part::list(work, bike, wanted, Stretch { after: None, limit }).await?;
    let more = parts.len() > PARTS;
    parts.truncate(PARTS);
    let wanted = measured_value::Wanted { component: None, quantity: None, since: None };
    let values = measure::list(work, bike.id, &wanted, Stretch { after: None, limit: 200 }).await?;
    let row = |part: InstalledPart| PartRow {
        id: part.id,
        name: words::component(components, &part.component, part.position),
        description: part.description.clone(),
        fitted: fitted(&part),
        run: part.part_distance.as_ref().map(words::about).unwrap_or_default(),
        values: last_values(&values, part.id),
    };
    Ok((parts.into_iter().map(|(_, part)| row(part)).collect(), more))
}
fn fitted(part: &InstalledPart) -> String {
    let day = calendar::words(part.fitted.on);
    match &part.date_code {
        Some(code) => format!("{day}; {}, {} old", words::made_in(code), words::age(part.age_months)),
        None if part.age_months > 0 => format!("{day}, {} ago", words::age(part.age_months)),
        None => day,
    }
}
/// The newest value of each quantity of a part; they come newest first.
fn last_values(values: &[MeasuredValue], part: Id<InstalledPart>) -> Vec<ValueWords> {
    let mut seen = HashSet::new();
    let of_part = values.iter().filter(|value| value.installed_part_id == Some(part) && value.struck_out.is_none());
    of_part
        .filter(|value| seen.insert((value.quantity, value.at_force.is_some())))
        .map(|value| ValueWords { text: words::measured(value), verdict: words::verdict(value.verdict) })
        .collect()
}

fn papers(bike: &Motorcycle) -> Vec<(&'static str, String)> {
    let text = |text: &Option<String>| text.clone().unwrap_or_default();
    let day = |day: Option<time::Date>| day.map(calendar::words).unwrap_or_default();
    let begin = bike.records_begin.as_ref();
    let all = [
        ("VIN", text(&bike.vin)),
        ("Frame number", text(&bike.frame_number)),
        ("First on the road", day(bike.in_service_on)),
        (
            "Records begin",
            begin.map_or_else(
                || "known since new".into(),
                |begin| format!("{} at {} {}", calendar::words(begin.on), words::figure(&begin.odometer), bike.odometer_unit),
            ),
        ),
        ("Every interval", if bike.interval_factor.text() == "1" { String::new() } else { format!("times {}", bike.interval_factor) }),
        ("Notes", bike.notes.clone()),
    ];
    all.into_iter().filter(|(_, text)| !text.is_empty()).collect()
}
