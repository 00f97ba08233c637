//! Photographs and documents: as they stand on other pages, given out, added to an event, a part, a motorcycle; and forms that bring some.
//!
//! A form with photographs is a [`PhotoForm`]. Each file is looked at and kept by itself as soon as it has arrived (one in memory at a time);
//! the form then holds in `FIELD.kept` which ones wait for it, so that a form that comes back with a mistake brings them along.
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::{DefaultBodyLimit, FromRequest, FromRequestParts, Multipart, Request, State, multipart::Field},
    http::{HeaderMap, header},
    response::{IntoResponse, Response},
};
use sha2::{Digest, Sha256};
use uuid::Uuid;

use super::{
    answer::{Done, Page},
    fault::Fault,
    form::{Form, Pairs},
    guard::{Mechanic, PathId, Visitor},
    links,
};
use crate::{
    actions::{
        App, Work,
        attachment::{self as actions, LARGEST, NO_TYPE, SentFile},
        motorcycle, part, service,
    },
    api::attachments as api,
    domain::{
        attachment::Attachment, calendar, id::Id, job_sheet::FoundThen, motorcycle::Motorcycle, part::InstalledPart,
        picture::THUMBNAIL_SIDE, service::ServiceEvent, words::Position,
    },
    error::{Error, Result},
    store::photo_draft::PhotoDraft,
};

/// The most files of one form; those beyond it are named, not taken.
const MOST_FILES: usize = 24;
/// A request is read up to here, so that what is too large is told at its field while everything typed stays.
const MOST_READ: usize = 320 * 1024 * 1024;
/// The most text of one form.
const MOST_TEXT: usize = 1024 * 1024;

/// A file as it stands on a page.
#[derive(Clone, Debug)]
pub struct Photo {
    /// Its id.
    pub id: Id<Attachment>,
    /// Its name.
    pub name: String,
    /// The size of its thumbnail; a document has none.
    pub size: Option<(i64, i64)>,
    /// What it belongs to.
    pub belongs_to: Uuid,
    /// The line that it shows.
    pub line: Option<String>,
}
impl Photo {
    fn new((attachment, size): actions::Shown) -> Self {
        // Nobody has made the thumbnail of an imported picture yet: until it has come, the page leaves room for a picture of the usual form.
        let longer = i64::from(THUMBNAIL_SIDE);
        let size = size.or(Some((longer, longer * 3 / 4))).filter(|size| attachment.media_type.is_image() && size.0 > 0);
        Self { id: attachment.id, name: attachment.name, size, belongs_to: attachment.belongs_to, line: attachment.line }
    }
}

/// For what has no lines that a photograph could show.
pub const NO_LINES: &[(String, String)] = &[];

/// What hangs on these things, in the order in which it was entered.
///
/// # Errors
/// Where the database refuses.
pub async fn of(work: &mut Work, things: &[Uuid]) -> Result<Vec<Photo>> {
    Ok(actions::of(work, things).await?.into_iter().map(Photo::new).collect())
}
/// Takes out those that show a line.
pub fn take_line(photos: &mut Vec<Photo>, line: &str) -> Vec<Photo> {
    photos.extract_if(.., |photo| photo.line.as_deref() == Some(line)).collect()
}

/// How something was found the last time, in words and photographs.
#[derive(Clone, Debug)]
pub struct FoundRow {
    /// `Rear axle (2 May 2026): spacer with the shoulder outwards.`
    pub words: String,
    /// What was taken of it then.
    pub photos: Vec<Photo>,
}
/// How things were found the last time; `name` says what a component is called.
///
/// # Errors
/// Where the database refuses.
pub async fn found_then(work: &mut Work, found: &[FoundThen], name: impl Fn(&str, Option<Position>) -> String) -> Result<Vec<FoundRow>> {
    let events: std::collections::HashSet<_> = found.iter().map(|one| one.service_event_id.uuid()).collect();
    let all = of(work, &events.into_iter().collect::<Vec<_>>()).await?;
    let shows = |photo: &&Photo, one: &FoundThen| photo.belongs_to == one.service_event_id.uuid() && photo.line.as_ref() == Some(&one.line);
    let row = |one: &FoundThen| FoundRow {
        words: format!("{} ({}): {}", name(&one.component, one.position), calendar::words(one.on), one.text),
        photos: all.iter().filter(|photo| shows(photo, one)).cloned().collect(),
    };
    Ok(found.iter().map(row).collect())
}

/// A photograph that waits for its form, as a field of the form holds it: its id and its name.
fn kept(value: &str) -> Option<(Id<PhotoDraft>, &str)> {
    let (id, name) = value.split_once(' ')?;
    Some((id.parse().ok()?, name))
}
/// The photographs that wait for a field.
#[must_use]
pub fn waiting(form: &Form, field: &str) -> Vec<Id<PhotoDraft>> {
    form.values(&format!("{field}.kept")).filter_map(kept).map(|(id, _)| id).collect()
}
impl Form {
    /// The photographs that wait for a field, for the template: the hidden field's value and the name.
    #[must_use]
    pub fn kept(&self, field: &str) -> Vec<(String, String)> {
        let name = format!("{field}.kept");
        self.values(&name).filter_map(|value| Some((value.to_owned(), kept(value)?.1.to_owned()))).collect()
    }
}

/// A form that may bring photographs: as text alone, or in parts with files.
#[derive(Debug)]
pub struct PhotoForm(pub Form);

impl FromRequest<Arc<App>> for PhotoForm {
    type Rejection = Fault;
    async fn from_request(request: Request, app: &Arc<App>) -> Result<Self, Fault> {
        let kind = request.headers().get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
        if !kind.starts_with("multipart/form-data") {
            return Form::from_request(request, app).await.map(Self);
        }
        let path = request.uri().path().to_owned();
        let (mut parts, body) = request.into_parts();
        let visitor = Visitor::from_request_parts(&mut parts, app).await?;
        let mut request = Request::from_parts(parts, body);
        DefaultBodyLimit::max(MOST_READ).apply(&mut request);
        let mut fields = Multipart::from_request(request, app).await.map_err(|_| cut_off())?;
        let mut reader = Reader { app, visitor: &visitor, pairs: Vec::new(), refused: Vec::new(), files: 0, text: 0, hash: Sha256::new() };
        reader.hash.update(path);
        while let Some(field) = fields.next_field().await.map_err(|_| cut_off())? {
            reader.take(field).await?;
        }
        let mut form = Form::sent(reader.pairs, reader.hash.finalize().to_vec());
        for (field, message) in reader.refused {
            form.complain(&field, message);
        }
        Ok(Self(form))
    }
}
fn cut_off() -> Fault {
    Error::Malformed("What you sent arrived incomplete; go back and send it again.".into()).into()
}

struct Reader<'a> {
    app: &'a App,
    visitor: &'a Visitor,
    pairs: Pairs,
    refused: Vec<(String, String)>,
    files: usize,
    text: usize,
    hash: Sha256,
}
impl Reader<'_> {
    async fn take(&mut self, mut field: Field<'_>) -> Result<(), Fault> {
        let name = field.name().unwrap_or_default().to_owned();
        let file_name = field.file_name().map(str::to_owned);
        let most = if file_name.is_some() { LARGEST } else { MOST_TEXT - self.text };
        let (mut content, mut fits) = (Vec::new(), true);
        while let Some(chunk) = field.chunk().await.map_err(|_| cut_off())? {
            fits = fits && content.len() + chunk.len() <= most;
            if fits {
                content.extend_from_slice(&chunk);
            }
        }
        self.hash.update(&name);
        self.hash.update([0]);
        self.hash.update(Sha256::digest(&content));
        let Some(file_name) = file_name else {
            if !fits {
                return Err(Error::TooLarge("What you sent is over 1 MiB without its files; send less at once.".into()).into());
            }
            self.text += content.len();
            let text = String::from_utf8(content).map_err(|_| cut_off())?;
            // Lines of a text area end in CR LF on the way.
            self.pairs.push((name, text.replace("\r\n", "\n")));
            return Ok(());
        };
        // A field in which nothing was chosen is sent with an empty name.
        if file_name.is_empty() && content.is_empty() {
            return Ok(());
        }
        self.files += 1;
        if let Err(why) = self.keep(&name, &file_name, content, fits).await? {
            let said: String = file_name.chars().filter(|letter| !letter.is_control()).take(80).collect();
            self.refused.push((name, format!("{said} was not taken. {why}")));
        }
        Ok(())
    }
    /// Keeps a file; gives why not, where somebody at the form can mend it.
    async fn keep(&mut self, field: &str, name: &str, content: Vec<u8>, fits: bool) -> Result<Result<(), String>, Fault> {
        if self.files > MOST_FILES {
            return Ok(Err(format!("A form takes {MOST_FILES} files; add the others afterwards.")));
        }
        if !fits {
            return Ok(Err("It is over 10 MiB; send a smaller copy.".into()));
        }
        if content.is_empty() {
            return Ok(Err("It is empty; choose it once more.".into()));
        }
        let file = match SentFile::look_at(name.to_owned(), content).await {
            Ok(file) => file,
            Err(Error::WrongMediaType(_)) => return Ok(Err(NO_TYPE.into())),
            Err(Error::Invalid(problems)) => return Ok(Err(problems.into_iter().map(|problem| problem.detail).collect())),
            Err(error) => return Err(error.into()),
        };
        let name: String = name.chars().filter(|letter| !letter.is_control()).take(80).collect();
        let id = match actions::keep_draft(self.app, &self.visitor.caller, file).await {
            Err(Error::Conflict { detail, .. }) => return Ok(Err(detail)),
            kept => kept?,
        };
        self.pairs.push((format!("{field}.kept"), format!("{id} {name}")));
        Ok(Ok(()))
    }
}

/// Photographs that wait, as a piece of the page that they were chosen on.
#[derive(Template)]
#[template(path = "photos_waiting.html", whitespace = "minimize")]
struct WaitingPiece {
    form: Form,
    field: String,
}
/// `POST /photos`: a script sends each photograph as soon as it is chosen, so that a lost signal costs one of them at most.
pub(super) async fn wait(_: Visitor, PhotoForm(form): PhotoForm) -> Response {
    let wrong = form.wrong_places().iter().find_map(|wrong| wrong.field.clone());
    let field = form.names().find_map(|name| name.strip_suffix(".kept").map(str::to_owned)).or(wrong).unwrap_or_default();
    Page(WaitingPiece { form, field }).into_response()
}

/// `GET /attachments/{id}`
pub(super) async fn content(
    State(app): State<Arc<App>>,
    visitor: Visitor,
    PathId(id): PathId<Attachment>,
    headers: HeaderMap,
) -> Result<Response, Fault> {
    Ok(api::content(&app, &visitor.caller, id, &headers).await?)
}
/// `GET /attachments/{id}/thumbnail`
pub(super) async fn small(
    State(app): State<Arc<App>>,
    visitor: Visitor,
    PathId(id): PathId<Attachment>,
    headers: HeaderMap,
) -> Result<Response, Fault> {
    Ok(api::small(&app, &visitor.caller, id, &headers).await?)
}

/// Attaches what a form brought, and goes back to where it came from.
async fn add(app: &App, visitor: &Visitor, mut form: Form, belongs_to: Uuid, to: String) -> Result<Response, Fault> {
    let line = form.optional("line");
    let photos: Vec<_> = ["photo", "file"].iter().flat_map(|field| waiting(&form, field)).map(|id| (id, line.clone())).collect();
    let refused: Vec<String> = form.wrong_places().iter().map(|wrong| wrong.message.clone()).collect();
    let mut work = visitor.write(app, &mut form).await?;
    let added = actions::attach_drafts(&mut work, belongs_to, photos).await?;
    let said = match added {
        0 if refused.is_empty() => "Nothing was added: choose a photo or a file first.".to_owned(),
        0 => String::new(),
        1 => "1 file added.".to_owned(),
        more => format!("{more} files added."),
    };
    let said: Vec<_> = std::iter::once(said).chain(refused).filter(|text| !text.is_empty()).collect();
    Done::new(to, said.join(" ")).after(work).await
}
/// `POST /service-events/{id}/photos`
pub(super) async fn to_event(
    State(app): State<Arc<App>>,
    visitor: Visitor,
    PathId(id): PathId<ServiceEvent>,
    PhotoForm(form): PhotoForm,
) -> Result<Response, Fault> {
    service::get(&mut app.read(&visitor.caller).await?, id).await?;
    add(&app, &visitor, form, id.uuid(), format!("/service-events/{id}#photos")).await
}
/// `POST /installed-parts/{id}/photos`
pub(super) async fn to_part(
    State(app): State<Arc<App>>,
    visitor: Visitor,
    PathId(id): PathId<InstalledPart>,
    PhotoForm(form): PhotoForm,
) -> Result<Response, Fault> {
    part::get(&mut app.read(&visitor.caller).await?, id).await?;
    add(&app, &visitor, form, id.uuid(), format!("/installed-parts/{id}#photos")).await
}
/// `POST /motorcycles/{id}/photos`
pub(super) async fn to_motorcycle(
    State(app): State<Arc<App>>,
    visitor: Visitor,
    PathId(id): PathId<Motorcycle>,
    PhotoForm(form): PhotoForm,
) -> Result<Response, Fault> {
    motorcycle::get(&mut app.read(&visitor.caller).await?, id).await?;
    add(&app, &visitor, form, id.uuid(), format!("{}#photos", links::motorcycle(id))).await
}

/// `POST /attachments/hide`: takes those out that are ticked.
pub(super) async fn hide(State(app): State<Arc<App>>, Mechanic(visitor): Mechanic, mut form: Form) -> Result<Response, Fault> {
    let ids: Vec<Id<Attachment>> = form.values("hide").filter_map(|id| id.parse().ok()).collect();
    let to = links::local(form.value("back")).to_owned();
    let mut work = visitor.write(&app, &mut form).await?;
    for id in &ids {
        let attachment = actions::get(&mut work, *id).await?;
        actions::hide(&mut work, &attachment).await?;
    }
    let said = match ids.len() {
        0 => "Nothing was ticked.".to_owned(),
        1 => "1 file taken out.".to_owned(),
        more => format!("{more} files taken out."),
    };
    Done::new(to, said).after(work).await
}
