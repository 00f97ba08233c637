//! `/attachments`
use std::sync::Arc;

use axum::{
    extract::{DefaultBodyLimit, FromRequest, Multipart, Request, State, multipart::Field},
    http::{HeaderMap, HeaderValue, Uri, header},
    response::{IntoResponse, Response},
};
use serde::Deserialize;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};
use uuid::Uuid;

use super::{
    accept,
    answer::{Answer, Page, PageQuery, etag, page, unchanged},
    extract::{Key, PathId, Query, Reads, Works, Writes},
};
use crate::{
    access::Caller,
    actions::{
        App,
        attachment::{self as actions, LARGEST, SentFile},
    },
    domain::{
        attachment::{Attachment, MediaType},
        id::Id,
        validate::Problem,
    },
    error::{Error, Result},
};

/// The routes of this resource.
pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list, attach)).routes(routes!(show, hide)).routes(routes!(thumbnail))
}

/// A request is read to its end up to here, so that one who sent too much gets the answer and not a broken connection.
const MOST_READ: usize = 64 * 1024 * 1024;
/// The longest value of a field that is no file.
const LONGEST_FIELD: usize = 1024;

/// The form as the OpenAPI document shows it.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"belongs_to": "01933b6e-9a44-7cc0-8000-3f2a5c1d9e77", "line": "/as_found/0", "file": "(the bytes of the file)"}))]
#[expect(dead_code, reason = "only its schema is used: the form is read piece by piece")]
struct NewAttachment {
    /// The id of a service event, a part or a motorcycle.
    belongs_to: Uuid,
    /// Which line of the service event it shows, as a JSON Pointer into the event: `/work/0`, `/as_found/1`.
    line: Option<String>,
    /// A JPEG, PNG or WebP picture or a PDF, up to 10 MiB.
    #[schema(value_type = String, format = Binary, content_media_type = "application/octet-stream")]
    file: Vec<u8>,
}

/// A multipart form with one file, as it came in. As with other bodies, what is wrong is said only when it is asked for.
struct Upload(Result<Sent>);

/// What a form holds.
struct Sent {
    belongs_to: Uuid,
    line: Option<String>,
    file: SentFile,
}

impl<S: Send + Sync> FromRequest<S> for Upload {
    type Rejection = std::convert::Infallible;
    async fn from_request(mut request: Request, state: &S) -> Result<Self, Self::Rejection> {
        DefaultBodyLimit::max(MOST_READ).apply(&mut request);
        let form = match Multipart::from_request(request, state).await {
            Ok(form) => match Form::read(form).await {
                Ok(form) => form.complete().await,
                Err(error) => Err(error),
            },
            Err(_) => Err(Error::WrongMediaType("multipart/form-data with the fields belongs_to and file")),
        };
        Ok(Self(form))
    }
}

#[derive(Default)]
struct Form {
    belongs_to: Option<String>,
    line: Option<String>,
    file: Option<(String, Vec<u8>)>,
    too_large: bool,
    problems: Vec<Problem>,
}

impl Form {
    async fn read(mut multipart: Multipart) -> Result<Self> {
        let broken = || Error::Malformed("The form was cut off half way or its boundary is wrong; send it again.".into());
        let mut form = Self::default();
        while let Some(field) = multipart.next_field().await.map_err(|_| broken())? {
            form.take(field).await.map_err(|error| if error.status() == 413 { too_large() } else { broken() })?;
        }
        Ok(form)
    }

    async fn take(&mut self, mut field: Field<'_>) -> Result<(), axum::extract::multipart::MultipartError> {
        let name = field.name().unwrap_or_default().to_owned();
        let file_name = field.file_name().unwrap_or_default().to_owned();
        let most = if name == "file" { LARGEST } else { LONGEST_FIELD };
        let mut content = Vec::new();
        let mut fits = true;
        while let Some(chunk) = field.chunk().await? {
            fits = fits && content.len() + chunk.len() <= most;
            if fits {
                content.extend_from_slice(&chunk);
            }
        }
        let mut wrong = |detail: &str| self.problems.push(Problem::new(format!("/{name}"), detail));
        match name.as_str() {
            "file" if !fits => self.too_large = true,
            "file" if self.file.is_some() => wrong("One request takes one file; send the others by themselves."),
            "file" => self.file = Some((file_name, content)),
            "belongs_to" if fits && self.belongs_to.is_none() => {
                self.belongs_to = Some(String::from_utf8_lossy(&content).trim().to_owned());
            }
            "line" if fits && self.line.is_none() => self.line = Some(String::from_utf8_lossy(&content).trim().to_owned()),
            "line" => wrong("This is one line of the event, such as /work/0."),
            "belongs_to" => wrong("This is the id of one service event, part or motorcycle."),
            _ => wrong("There is no such field here; send belongs_to, file and perhaps line."),
        }
        Ok(())
    }

    async fn complete(mut self) -> Result<Sent> {
        if self.too_large {
            return Err(too_large());
        }
        let file = self.file.filter(|(_, content)| !content.is_empty());
        let file = match file {
            Some((name, content)) => Some(SentFile::look_at(name, content).await?),
            None => None,
        };
        let belongs_to = self.belongs_to.as_deref().and_then(|text| text.parse().ok());
        if belongs_to.is_none() {
            self.problems.push(Problem::new("/belongs_to", "Say which service event, part or motorcycle it belongs to, by its id."));
        }
        if file.is_none() {
            self.problems.push(Problem::new("/file", "The file is missing or empty; send its bytes in the field file."));
        }
        match (belongs_to, file) {
            (Some(belongs_to), Some(file)) if self.problems.is_empty() => {
                Ok(Sent { belongs_to, line: self.line.filter(|line| !line.is_empty()), file })
            }
            _ => Err(Error::Invalid(self.problems)),
        }
    }
}

fn too_large() -> Error {
    Error::TooLarge("The file is over 10 MiB; send a smaller one.".into())
}

/// Which attachments are asked for.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct ListQuery {
    /// Of this service event, part or motorcycle.
    belongs_to: Option<Uuid>,
    /// How many items, 1 to 200.
    #[param(value_type = Option<i64>, minimum = 1, maximum = 200, default = 50)]
    limit: Option<String>,
    /// `next` of the page before.
    cursor: Option<String>,
}

/// List attachments
///
/// In the order in which they were entered. Each one's bytes are at its own address.
#[utoipa::path(get, path = "/attachments", operation_id = "list_attachments", tag = "records", params(ListQuery),
    responses((status = 200, description = "A page of attachments", body = Page<Attachment>)))]
async fn list(State(app): State<Arc<App>>, Reads(caller): Reads, uri: Uri, Query(query): Query<ListQuery>) -> Result<Response> {
    let stretch = PageQuery { limit: query.limit, cursor: query.cursor }.stretch()?;
    let limit = stretch.limit;
    let mut work = app.read(&caller).await?;
    let attachments = actions::list(&mut work, query.belongs_to, stretch).await?;
    page(attachments, limit, &uri, |attachment| attachment.id)
}

/// Attach a file
///
/// A photo (JPEG, PNG, WebP) or a PDF of up to 10 MiB, to a service event, a part or a motorcycle. What it is, its bytes say: a name
/// or a declared type is not believed. A picture must be whole and of at most 64 megapixels; one that is a page, a document or an archive at
/// the same time is refused. It is kept as it was sent.
#[utoipa::path(post, path = "/attachments", operation_id = "attach_file", tag = "records",
    request_body(content = NewAttachment, content_type = "multipart/form-data"),
    responses((status = 201, description = "What is known about the attachment", body = Attachment)))]
async fn attach(State(app): State<Arc<App>>, Writes(caller): Writes, key: Key, Upload(upload): Upload) -> Result<Answer> {
    let Sent { belongs_to, line, file } = upload?;
    // A repeated form has another boundary; what it says is the same.
    let said = [belongs_to.as_bytes(), &file.sha256[..], line.as_deref().unwrap_or_default().as_bytes(), file.name.as_bytes()].concat();
    let mut work = app.write(&caller, key.with(&said)?).await?;
    let attachment = actions::attach(&mut work, belongs_to, line, file).await?;
    Answer::created(&format!("/attachments/{}", attachment.id), &attachment)?.after(work).await
}

/// Fetch an attachment
///
/// Its bytes as they were sent; or, where `Accept` names `application/json`, what is known about it. Owners, and tokens for one motorcycle,
/// get a picture without what the camera wrote into it, such as the place: its size and SHA-256 are then others.
#[utoipa::path(get, path = "/attachments/{id}", operation_id = "show_attachment", tag = "records",
    params(("id" = Id<Attachment>, Path, description = "Its id")),
    responses((status = 200, description = "The file, or what is known about it", content(
        (Attachment = "application/json"), (Vec<u8> = "image/jpeg"), (Vec<u8> = "image/png"), (Vec<u8> = "image/webp"), (Vec<u8> = "application/pdf")))))]
async fn show(State(app): State<Arc<App>>, Reads(caller): Reads, PathId(id): PathId<Attachment>, headers: HeaderMap) -> Result<Response> {
    let mut response = if accept::names(&headers, "application/json") {
        let mut work = app.read(&caller).await?;
        Answer::one(&actions::get(&mut work, id).await?)?.unless_known(&headers).into_response()
    } else {
        content(&app, &caller, id, &headers).await?
    };
    response.headers_mut().insert(header::VARY, HeaderValue::from_static("accept"));
    Ok(response)
}

/// The bytes of an attachment as an answer, for the API and for the pages.
///
/// # Errors
/// 404 where there is none for this caller.
pub async fn content(app: &App, caller: &Caller, id: Id<Attachment>, headers: &HeaderMap) -> Result<Response> {
    let mut work = app.read(caller).await?;
    let attachment = actions::get(&mut work, id).await?;
    let mut answer = Answer::nothing();
    answer.0.etag = Some(content_tag(&attachment, actions::gets_plain(caller, &attachment)));
    answer.0.status = 200;
    let answer = answer.unless_known(headers);
    if answer.0.status == 304 { Ok(answer.into_response()) } else { file(&attachment, answer, actions::content(&mut work, id).await?) }
}

/// The entity tag of the bytes, which never change: as they were sent, or without what the camera wrote.
fn content_tag(attachment: &Attachment, plain: bool) -> String {
    if plain { etag(&format!("plain {}", attachment.sha256)) } else { etag(&attachment.sha256) }
}

/// Fetch a thumbnail
///
/// A small JPEG of a photo, upright, 360 pixels on its longer side at most. It is written anew and says nothing about where or by what the
/// photo was taken. A document has none.
#[utoipa::path(get, path = "/attachments/{id}/thumbnail", operation_id = "show_thumbnail", tag = "records",
    params(("id" = Id<Attachment>, Path, description = "The attachment's id")),
    responses((status = 200, description = "The small picture", content((Vec<u8> = "image/jpeg")))))]
async fn thumbnail(
    State(app): State<Arc<App>>,
    Reads(caller): Reads,
    PathId(id): PathId<Attachment>,
    headers: HeaderMap,
) -> Result<Response> {
    small(&app, &caller, id, &headers).await
}

/// The thumbnail of an attachment as an answer, for the API and for the pages.
///
/// # Errors
/// 404 where there is none for this caller.
pub async fn small(app: &App, caller: &Caller, id: Id<Attachment>, headers: &HeaderMap) -> Result<Response> {
    let (attachment, small) = actions::thumbnail(app, caller, id).await?;
    let mut answer = Answer::nothing();
    (answer.0.etag, answer.0.status) = (Some(etag(&format!("thumbnail {}", attachment.sha256))), 200);
    let answer = answer.unless_known(headers);
    if answer.0.status == 304 {
        return Ok(answer.into_response());
    }
    let small_file = Attachment { name: format!("{}.jpg", attachment.name), media_type: MediaType::Jpeg, ..attachment };
    let mut response = file(&small_file, answer, small.content)?;
    // It never changes; but whoever may no longer see it, or where it was hidden, asks again.
    response.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("private, max-age=3600"));
    Ok(response)
}

fn file(attachment: &Attachment, answer: Answer, content: Vec<u8>) -> Result<Response> {
    let mut response = answer.into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(attachment.media_type.as_str()));
    headers.insert(header::CONTENT_DISPOSITION, disposition(attachment).parse().map_err(Error::internal)?);
    // Even opened by itself it runs nothing and reaches nothing of this server.
    headers.insert(
        header::CONTENT_SECURITY_POLICY,
        HeaderValue::from_static("default-src 'none'; base-uri 'none'; frame-ancestors 'none'; sandbox"),
    );
    headers.remove(header::CONTENT_LENGTH);
    *response.body_mut() = content.into();
    Ok(response)
}

/// `Content-Disposition` (RFC 6266): a plain name for old clients, the whole one as RFC 8187 writes it.
fn disposition(attachment: &Attachment) -> String {
    use std::fmt::Write as _;
    let how = if attachment.media_type.is_image() { "inline" } else { "attachment" };
    let plain: String = attachment
        .name
        .chars()
        .map(|letter| if letter.is_ascii_alphanumeric() || " -_.()".contains(letter) { letter } else { '_' })
        .collect();
    let whole = attachment.name.bytes().fold(String::new(), |mut text, byte| {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            text.push(byte.into());
        } else {
            let _ = write!(text, "%{byte:02X}");
        }
        text
    });
    format!("{how}; filename=\"{plain}\"; filename*=UTF-8''{whole}")
}

/// Hide an attachment
///
/// It is left out of lists and no longer given out. `If-Match` takes the entity tag of the file or of what is known about it.
#[utoipa::path(delete, path = "/attachments/{id}", operation_id = "hide_attachment", tag = "records",
    params(("id" = Id<Attachment>, Path, description = "Its id")),
    responses((status = 204, description = "Hidden")))]
async fn hide(State(app): State<Arc<App>>, Works(caller): Works, PathId(id): PathId<Attachment>, headers: HeaderMap) -> Result<Answer> {
    let mut work = app.write(&caller, None).await?;
    let attachment = actions::get(&mut work, id).await?;
    if unchanged(&headers, &attachment).is_err() {
        matches_file(&headers, &attachment, actions::gets_plain(&caller, &attachment))?;
    }
    actions::hide(&mut work, &attachment).await?;
    Answer::nothing().after(work).await
}

fn matches_file(headers: &HeaderMap, attachment: &Attachment, plain: bool) -> Result<()> {
    let wanted = headers.get(header::IF_MATCH).ok_or(Error::NeedsIfMatch)?.to_str().unwrap_or_default();
    if wanted.split(',').any(|tag| tag.trim() == content_tag(attachment, plain)) { Ok(()) } else { Err(Error::Stale) }
}

#[cfg(test)]
mod tests {
    use time::macros::datetime;

    use super::*;
    use crate::domain::attachment::BelongsTo;

    fn named(name: &str, media_type: MediaType) -> Attachment {
        let id = Uuid::from_u128(7);
        Attachment {
            id: Id::new(id),
            belongs_to: id,
            belongs_to_kind: BelongsTo::Motorcycle,
            motorcycle_id: None,
            line: None,
            name: name.into(),
            media_type,
            size: 1,
            sha256: String::new(),
            created_at: datetime!(2026-05-02 10:00 UTC),
        }
    }

    #[test]
    fn a_name_cannot_leave_its_header() {
        assert_eq!(
            disposition(&named("Kette ä\".jpg", MediaType::Jpeg)),
            "inline; filename=\"Kette __.jpg\"; filename*=UTF-8''Kette%20%C3%A4%22.jpg"
        );
        assert!(disposition(&named("bill.pdf", MediaType::Pdf)).starts_with("attachment; "));
    }
}
