//! `/imports`: bring in a file. Upload it, say what its columns are, try it, then store it; `/imports/export` gives the workshop, whole.
use std::{collections::BTreeSet, sync::Arc};

use askama::Template;
use axum::{
    body::{Body, Bytes},
    extract::{DefaultBodyLimit, FromRequest, Multipart, Request, State},
    http::{StatusCode, header},
    response::{IntoResponse, Response},
};
use futures_util::stream;
use time::Duration;

use super::{
    answer::{Done, Page, redirect},
    fault::Fault,
    form::Form,
    frame::{Frame, Nav},
    guard::{Manager, PathId, Visitor},
    links, words,
};
use crate::{
    actions::{
        App, Work, component,
        export::Export,
        import::{self, Format, Wanted},
        motorcycle,
    },
    api::body::LARGEST_FILE,
    domain::{
        component::Component,
        import::{DateOrder, ImportKind, Imported, RowOutcome},
        propose::Proposal,
        quantity::Figure,
        sheet::{Sheet, decode},
        words::OdometerUnit,
    },
    error::{Error, Result},
    store::{
        self, Stretch,
        import_draft::{self, ImportDraft},
        motorcycle::Wanted as WantedBikes,
    },
};

/// The most wrong rows and proposals that a page shows: the rest follows once these are mended.
const MOST_SHOWN: usize = 60;

#[derive(Template)]
#[template(path = "imports.html", whitespace = "minimize")]
struct ImportsPage {
    frame: Frame,
    form: Form,
    kinds: Vec<(String, String)>,
}

#[derive(Template)]
#[template(path = "import.html", whitespace = "minimize")]
struct ImportPage {
    frame: Frame,
    form: Form,
    action: String,
    name: String,
    /// What the file is, where it says so itself.
    about: Option<String>,
    columns: Vec<ColumnRow>,
    targets: Vec<(String, String)>,
    bikes: Vec<(String, String)>,
    orders: Vec<(String, String)>,
    units: Vec<(String, String)>,
    proposals: Vec<ProposalRow>,
    tried: Option<Tried>,
}
struct ColumnRow {
    field: String,
    label: String,
    example: String,
}
struct ProposalRow {
    value: String,
    words: String,
    about: String,
}
/// What came of trying.
struct Tried {
    sentence: String,
    good: bool,
    remarks: Vec<String>,
    button: String,
    wrong: Vec<(usize, String, String)>,
    more: usize,
}

fn option(value: &str, words: &str) -> (String, String) {
    (value.to_owned(), words.to_owned())
}
fn kinds() -> Vec<(String, String)> {
    vec![
        option("service_events", "Work that was done: a day, what the odometer showed, what was done"),
        option("odometer_readings", "Odometer readings: a motorcycle, a day, a figure"),
        option("motorcycles", "Motorcycles, one in each row"),
        option("packet", "A history packet of one motorcycle, as another workshop signed it (JSON)"),
        option("export", "A whole workshop, as Witnessmark exported it"),
    ]
}

/// `GET /imports`
pub(super) async fn list(State(app): State<Arc<App>>, Manager(visitor): Manager) -> Result<Response, Fault> {
    let work = app.read(&visitor.caller).await?;
    let form = Form::showing([("kind", "service_events".to_owned()), ("file", String::new())]);
    Ok(Page(ImportsPage { frame: visitor.frame(&work, Nav::Workshop).below(), form, kinds: kinds() }).into_response())
}

/// What was uploaded.
#[derive(Default)]
pub(super) struct Upload {
    kind: String,
    name: String,
    content: Vec<u8>,
    problem: Option<String>,
}
impl<S: Send + Sync> FromRequest<S> for Upload {
    type Rejection = Fault;
    async fn from_request(mut request: Request, state: &S) -> Result<Self, Fault> {
        let cut_off = || Fault::from(Error::Malformed("What you sent arrived incomplete; go back and send it again.".into()));
        DefaultBodyLimit::max(LARGEST_FILE + 64 * 1024).apply(&mut request);
        let mut parts = Multipart::from_request(request, state).await.map_err(|_| cut_off())?;
        let mut upload = Self::default();
        while let Some(field) = parts.next_field().await.map_err(|_| cut_off())? {
            match field.name() {
                Some("kind") => upload.kind = field.text().await.map_err(|_| cut_off())?.chars().take(40).collect(),
                Some("file") => {
                    upload.name = field.file_name().unwrap_or_default().chars().filter(|letter| !letter.is_control()).take(100).collect();
                    match field.bytes().await {
                        Ok(bytes) => upload.content = bytes.to_vec(),
                        Err(_) => upload.problem = Some("The file is over 64 MiB, or was cut off; send a smaller one.".into()),
                    }
                }
                _ => {}
            }
        }
        Ok(upload)
    }
}

/// `POST /imports`
pub(super) async fn upload(State(app): State<Arc<App>>, Manager(visitor): Manager, upload: Upload) -> Result<Response, Fault> {
    let mut work = app.write(&visitor.caller, None).await?;
    let kind = upload.kind.parse::<ImportKind>().ok();
    let problem = match (&upload.problem, kind) {
        (Some(problem), _) => Some(("file", problem.clone())),
        (None, None) => Some(("kind", "Choose one of those on offer.".into())),
        _ if upload.content.is_empty() => Some(("file", "Choose a file; this one is empty.".into())),
        (None, Some(ImportKind::Export)) => None,
        (None, Some(ImportKind::Packet)) => import::packet::summary(&upload.content).err().map(|why| ("file", why)),
        _ => read_sheet(&upload.content).err().map(|why| ("file", why)),
    };
    if let Some((field, message)) = problem {
        let mut form = Form::showing([("kind", upload.kind), ("file", String::new())]);
        form.complain(field, message);
        return Ok(Page(ImportsPage { frame: visitor.frame(&work, Nav::Workshop).below(), form, kinds: kinds() }).with_status(422));
    }
    let draft = ImportDraft { id: work.new_id(), kind: upload.kind, name: upload.name, content: upload.content };
    let (workshop, now) = (work.workshop_id(), work.now);
    import_draft::insert(&mut work.tx, workshop, &draft, now, now - Duration::DAY).await?;
    work.finish(None).await?;
    Ok(redirect(&format!("/imports/{}", draft.id)))
}
fn read_sheet(content: &[u8]) -> Result<Sheet, String> {
    decode(content).and_then(|text| Sheet::from_csv(&text)).map_err(|why| why.0)
}

const fn is_sheet(kind: ImportKind) -> bool {
    !matches!(kind, ImportKind::Export | ImportKind::Packet)
}

/// A draft with what its rows say.
struct Draft {
    file: ImportDraft,
    kind: ImportKind,
    sheet: Sheet,
    components: Vec<Component>,
}
impl Draft {
    async fn find(work: &mut Work, id: crate::domain::id::Id<ImportDraft>) -> Result<Self> {
        let workshop = work.workshop_id();
        let draft = import_draft::find(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("import"))?;
        let kind = draft.kind.parse::<ImportKind>().map_err(Error::internal)?;
        let sheet = if is_sheet(kind) { read_sheet(&draft.content).map_err(Error::Malformed)? } else { Sheet::default() };
        Ok(Self { file: draft, kind, sheet, components: component::all(work).await? })
    }
    /// The columns that the file's may be.
    fn targets(&self) -> Vec<&'static str> {
        import::columns(self.kind)
    }
    /// What the form says that each column is.
    fn names(&self, form: &mut Form) -> Vec<Option<String>> {
        let mut seen = BTreeSet::new();
        let mut names = Vec::new();
        for place in 0..self.sheet.columns.len() {
            let field = format!("column.{place}");
            let name = form.optional(&field).filter(|name| self.targets().contains(&name.as_str()));
            if let Some(name) = &name
                && !seen.insert(name.clone())
            {
                form.complain(&field, "Another column is this already; leave one of them out.");
            }
            names.push(name);
        }
        names
    }
    /// The rows as the form says they are meant, without the proposals.
    fn matched(&self, form: &mut Form) -> Sheet {
        let names = self.names(form);
        let sheet = self.sheet.clone().called(&names);
        match form.optional("motorcycle").filter(|_| self.targets().contains(&"motorcycle")) {
            Some(bike) if !names.iter().flatten().any(|name| name == "motorcycle") => sheet.with("motorcycle", &bike),
            _ => sheet,
        }
    }
    fn wanted(&self, form: &mut Form) -> Wanted {
        let format = match self.kind {
            ImportKind::Export => Format::Ndjson,
            ImportKind::Packet => Format::Json,
            _ => Format::Csv,
        };
        Wanted { kind: self.kind, format, date_order: form.chosen::<DateOrder>("date_order"), unit: form.chosen::<OdometerUnit>("unit") }
    }
    async fn import(&self, work: &mut Work, form: &mut Form) -> Result<Imported> {
        let wanted = self.wanted(form);
        if !is_sheet(self.kind) {
            return import::import(work, wanted, &self.file.content).await;
        }
        let confirmed: Vec<_> = form.values("propose").filter_map(proposal).collect();
        let sheet = self.matched(form).confirmed(&self.components, &confirmed);
        import::rows(work, wanted, sheet).await
    }
    /// The form as it is first shown: columns matched by their names.
    fn form(&self) -> Form {
        let mut form = Form::showing([("motorcycle", String::new()), ("date_order", String::new()), ("unit", String::new())]);
        let mut taken = BTreeSet::new();
        for (place, name) in self.sheet.columns.iter().enumerate() {
            let guess = import::likely_column(self.kind, name).filter(|target| taken.insert(*target));
            form.set(&format!("column.{place}"), guess.unwrap_or_default());
        }
        form
    }
    async fn page(&self, visitor: &Visitor, work: &mut Work, mut form: Form, tried: Option<Tried>) -> Result<ImportPage> {
        let bikes = motorcycle::list(work, &WantedBikes::default(), Stretch::ALL).await?;
        let proposals = if self.kind == ImportKind::ServiceEvents {
            let names: Vec<_> = (0..self.sheet.columns.len()).map(|place| form.optional(&format!("column.{place}"))).collect();
            self.sheet.clone().called(&names).proposals(&self.components)
        } else {
            Vec::new()
        };
        form.offer("propose", "");
        let targets = self.targets().into_iter().map(|name| option(name, &name.replace(['_', '.'], " ")));
        let has_bikes = self.targets().contains(&"motorcycle");
        let none = option("", "as a column says");
        let of_bikes = bikes.iter().map(|bike| (bike.id.to_string(), bike.name.clone()));
        Ok(ImportPage {
            frame: visitor.frame(work, Nav::Workshop).below(),
            action: format!("/imports/{}", self.file.id),
            name: self.file.name.clone(),
            about: if self.kind == ImportKind::Packet { import::packet::summary(&self.file.content).ok() } else { None },
            columns: self.rows(),
            targets: std::iter::once(option("", "left out")).chain(targets).collect(),
            bikes: if has_bikes { std::iter::once(none).chain(of_bikes).collect() } else { Vec::new() },
            orders: vec![
                option("", "year-month-day, 2026-05-02"),
                option("dmy", "day, month, year: 2.5.2026"),
                option("mdy", "month, day, year: 5/2/2026"),
            ],
            units: vec![option("", "each motorcycle’s own"), option("mi", "miles"), option("km", "kilometers")],
            proposals: proposals.into_iter().take(MOST_SHOWN).map(|found| self.proposal_row(found)).collect(),
            form,
            tried,
        })
    }
    fn rows(&self) -> Vec<ColumnRow> {
        let row = |(place, name): (usize, &String)| {
            let cells: Vec<_> = self
                .sheet
                .rows
                .iter()
                .filter_map(|row| row.cells.get(name))
                .take(3)
                .map(|cell| cell.chars().take(40).collect::<String>())
                .collect();
            ColumnRow { field: format!("column.{place}"), label: name.chars().take(60).collect(), example: cells.join(" · ") }
        };
        self.sheet.columns.iter().enumerate().map(row).collect()
    }
    fn proposal_row(&self, (proposal, count, example): (Proposal, usize, String)) -> ProposalRow {
        let name = self
            .components
            .iter()
            .find(|component| component.key == proposal.component)
            .map_or(proposal.component.as_str(), |known| &known.name);
        let position = proposal.position.map(|position| format!(", {}", position.to_string().replace('_', " "))).unwrap_or_default();
        ProposalRow {
            value: format!(
                "{}|{}|{}",
                proposal.component,
                proposal.position.map(|position| position.to_string()).unwrap_or_default(),
                proposal.operation
            ),
            words: format!("{name}{position}: {}", proposal.operation),
            about: format!("{}, such as: {}", counted(count), example.chars().take(80).collect::<String>()),
        }
    }
}
/// A proposal as its box is called.
fn proposal(text: &str) -> Option<Proposal> {
    let mut pieces = text.split('|');
    let (component, position, operation) = (pieces.next()?.to_owned(), pieces.next()?, pieces.next()?.parse().ok()?);
    Some(Proposal { component, position: position.parse().ok(), operation })
}
fn number(count: usize) -> String {
    words::figure(&Figure::from(i64::try_from(count).unwrap_or(i64::MAX)))
}
fn counted(rows: usize) -> String {
    format!("{} row{}", number(rows), if rows == 1 { "" } else { "s" })
}

/// `GET /imports/{id}`
pub(super) async fn show(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<ImportDraft>,
) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let draft = Draft::find(&mut work, id).await?;
    Ok(Page(draft.page(&visitor, &mut work, draft.form(), None).await?).into_response())
}

/// `POST /imports/{id}`: tries it, or stores it.
pub(super) async fn act(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<ImportDraft>,
    mut form: Form,
) -> Result<Response, Fault> {
    let for_real = form.value("do") == "import";
    let mut work = if for_real { visitor.write(&app, &mut form).await? } else { app.write(&visitor.caller, None).await? };
    let draft = Draft::find(&mut work, id).await?;
    let watch = app.watched.watch((work.workshop_id(), id.uuid()));
    work.progress = Some(watch.progress.clone());
    let imported = draft.import(&mut work, &mut form).await?;
    if for_real && imported.is_good() && !form.has_problems() {
        let workshop = work.workshop_id();
        store::import_draft::delete(&mut work.tx, workshop, id).await?;
        let said = format!("{} of {} were new and are stored.", number(imported.new_rows()), counted(imported.rows.len()));
        let to = imported.motorcycle_id.map_or_else(|| "/motorcycles".to_owned(), links::motorcycle);
        return Done::new(&to, said).after(work).await;
    }
    drop(work);
    let status = if form.has_problems() || !imported.is_good() { 422 } else { 200 };
    let mut work = app.read(&visitor.caller).await?;
    let page = draft.page(&visitor, &mut work, form, Some(tried(&imported))).await?;
    Ok(Page(page).with_status(status))
}

fn tried(imported: &Imported) -> Tried {
    let mut seen = BTreeSet::new();
    let mut wrong = Vec::new();
    let of = |outcome| imported.rows.iter().filter(|row| row.result == outcome).map(|row| row.row).collect::<BTreeSet<_>>().len();
    for row in imported.rows.iter().filter(|row| row.result == RowOutcome::Error) {
        for error in row.errors.iter().filter(|error| seen.insert((row.row, error.column.clone(), error.detail.clone()))) {
            wrong.push((row.row, error.column.replace(['_', '.'], " "), words::capital(&error.detail)));
        }
    }
    let (new, same, errors) = (of(RowOutcome::New), of(RowOutcome::Same), of(RowOutcome::Error));
    let more = wrong.len().saturating_sub(MOST_SHOWN);
    wrong.truncate(MOST_SHOWN);
    let sentence = match errors {
        0 => format!("Tried, and nothing is stored yet: {} would be new, {} there already.", counted(new), counted(same)),
        _ => format!(
            "Tried, and nothing is stored: {} cannot be, {} would be new, {} there already.",
            counted(errors),
            counted(new),
            counted(same)
        ),
    };
    Tried {
        sentence,
        good: errors == 0 && new > 0,
        remarks: imported.remarks.clone(),
        button: format!("Store {}", counted(new)),
        wrong,
        more,
    }
}

/// `GET /imports/{id}/progress`: how far trying or storing has come, as a line; 204 where nothing is going on here.
pub(super) async fn progress(State(app): State<Arc<App>>, Manager(visitor): Manager, PathId(id): PathId<ImportDraft>) -> Response {
    match app.watched.step((visitor.caller.workshop, id.uuid())) {
        Some(step) => ([(header::CACHE_CONTROL, "no-store")], format!("{step} …")).into_response(),
        None => StatusCode::NO_CONTENT.into_response(),
    }
}

/// `GET /imports/export`: the same as `/export` of the API, for a manager at the page.
pub(super) async fn export(State(app): State<Arc<App>>, Manager(visitor): Manager) -> Result<Response, Fault> {
    let work = app.read(&visitor.caller).await?;
    let name = format!("attachment; filename=\"witnessmark-{}.ndjson\"", work.today);
    let lines = stream::try_unfold(Export::new(work), |mut export| async move {
        let lines = export.next().await?;
        Ok::<_, Error>(lines.map(|lines| (Bytes::from(lines), export)))
    });
    Ok(([(header::CONTENT_TYPE, "application/x-ndjson".to_owned()), (header::CONTENT_DISPOSITION, name)], Body::from_stream(lines))
        .into_response())
}
