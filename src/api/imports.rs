//! `/imports` and `/export`
use std::sync::Arc;

use axum::{
    body::{Body as Outgoing, Bytes},
    extract::State,
    http::header,
    response::{IntoResponse, Response},
};
use futures_util::stream;
use serde::Deserialize;
use serde_json::Value;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, ProblemDocument},
    body::FileBody,
    extract::{Administers, Key, Query, Works},
};
use crate::{
    access::Standing,
    actions::{
        App, StoredAnswer,
        export::Export,
        import::{self as actions, Format, Wanted},
    },
    domain::{
        import::{DateOrder, ImportKind, Imported},
        words::{OdometerUnit, TokenScope},
    },
    error::{Error, Result},
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(add)).routes(routes!(export))
}

const CSV: &str = "text/csv";
const NDJSON: &str = "application/x-ndjson";
const JSON: &str = "application/json";

/// What is imported.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
struct ImportQuery {
    /// What the file holds.
    #[param(inline, value_type = ImportKind, required = true)]
    kind: Option<String>,
    /// Only try it: say what would come of each row, and store nothing.
    #[serde(default)]
    dry_run: bool,
    /// The order of day, month and year in dates that are not written YYYY-MM-DD; without it such a date is refused.
    #[param(inline)]
    date_order: Option<DateOrder>,
    /// The unit of every odometer figure in the file; figures are converted into each motorcycle's own. Without it each is in that.
    unit: Option<OdometerUnit>,
}

/// Import a file
///
/// CSV (RFC 4180) or a JSON object on each line, up to 64 MiB; an export is taken as `/export` gives it. All of it or nothing: where
/// any row is wrong nothing is stored, and each row says what is wrong with it. Sending the same file again changes nothing. A dry run is
/// always answered with 200. An export needs the scope `admin`, the others `write`.
///
/// The first row names the columns, without regard to case. `motorcycles`: the fields of a motorcycle (`records_begin.on`,
/// `records_begin.odometer`). `odometer_readings`: motorcycle, on, reading, and if wanted `read_by`, confirmed. `service_events`: motorcycle,
/// on, odometer, summary, component, position, operation, note, `performed_by`, cost; rows of one motorcycle, day and summary are one event.
/// `packet`: a history packet as a motorcycle's `/packet` gives it in JSON. Its chain and its signature must hold; it becomes a motorcycle with its
/// readings, services, parts and values under new ids, with the days on which they were done and entered. The answer says in `remarks` what it does
/// not hold. A later packet of a motorcycle that came here so is refused while that one is not archived.
///
/// A motorcycle is named by its id, name or registration. UTF-8 or UTF-16; cells parted by commas, semicolons or tabs.
#[utoipa::path(post, path = "/imports", operation_id = "import_file", tag = "exchange", params(ImportQuery),
    request_body(description = "The file", content(
        (String = "text/csv", example = "motorcycle,on,reading\nCourier 3,2026-05-02,12345\n"),
        (String = "application/x-ndjson", example = "{\"motorcycle\": \"Courier 3\", \"on\": \"2026-05-02\", \"reading\": 12345}\n"),
        (Value = "application/json", example = json!({"format": "witnessmark-packet", "version": 1})))),
    responses(
        (status = 200, description = "What would come of each row", body = Imported),
        (status = 201, description = "What came of each row", body = Imported),
        (status = 422, description = "A row is wrong, or the request is; nothing was stored",
            content((Imported = "application/json"), (ProblemDocument = "application/problem+json")))))]
async fn add(
    State(app): State<Arc<App>>,
    Works(caller): Works,
    Query(query): Query<ImportQuery>,
    key: Key,
    body: FileBody,
) -> Result<Response> {
    let kind = kind(query.kind.as_deref());
    if matches!(kind, Ok(ImportKind::Export)) {
        caller.may(TokenScope::Admin)?;
        caller.must_be(Standing::Manager)?;
    }
    let (media_type, file) = body.of_types(&[CSV, NDJSON, JSON], "text/csv, application/x-ndjson, or application/json for a packet")?;
    let format = match media_type {
        CSV => Format::Csv,
        JSON => Format::Json,
        _ => Format::Ndjson,
    };
    let wanted = Wanted { kind: kind?, format, date_order: query.date_order, unit: query.unit };
    let once = if query.dry_run { None } else { key.with(body.bytes())? };
    let mut work = app.write(&caller, once).await?;
    let mut imported = actions::import(&mut work, wanted, file).await?;
    imported.dry_run = query.dry_run;
    if query.dry_run || !imported.is_good() {
        // The work is given up: nothing of it stays.
        drop(work);
        return answer(if query.dry_run { 200 } else { 422 }, &imported);
    }
    imported.created = imported.new_rows();
    let stored = stored(201, &imported)?;
    work.finish(Some(&stored)).await?;
    Ok(Answer(stored).into_response())
}

fn kind(text: Option<&str>) -> Result<ImportKind> {
    let words: Vec<_> = ImportKind::ALL.iter().map(|kind| kind.as_str()).collect();
    let missing = || Error::invalid("/kind", format!("Say what the file holds: ?kind= one of {}.", words.join(", ")));
    text.ok_or_else(missing)?.parse().map_err(|why: String| Error::invalid("/kind", why))
}
fn stored(status: u16, imported: &Imported) -> Result<StoredAnswer> {
    let body = serde_json::to_string(imported).map_err(Error::internal)?;
    Ok(StoredAnswer { status, location: None, etag: None, body })
}
fn answer(status: u16, imported: &Imported) -> Result<Response> {
    Ok(Answer(stored(status, imported)?).into_response())
}

/// A line of an export: the first says format and version, the second holds the settings, each further one a row of a table, the last
/// one the number of lines.
#[derive(ToSchema)]
#[schema(example = json!({"table": "owner", "row": {"id": "01933b6e-9a44-7cc0-8000-3f2a5c1d9e77", "body": {"name": "Ada Birch"}, "deleted_at": null, "created_at": "2026-05-02T10:00:00Z"}}))]
#[expect(dead_code, reason = "only its schema is used: an export goes out line by line")]
struct ExportLine {
    /// `witnessmark-export`, on the first line.
    #[schema(required = false)]
    format: String,
    /// The version of the format, on the first line.
    #[schema(required = false, minimum = 1)]
    version: u32,
    /// The workshop's name, on the first line.
    #[schema(required = false)]
    workshop: String,
    /// When it was exported, on the first line.
    #[schema(required = false, format = DateTime)]
    exported_at: String,
    /// The table, `workshop` for the settings, or `end`.
    #[schema(required = false)]
    table: String,
    /// The workshop's settings.
    #[schema(required = false, value_type = Object)]
    settings: Value,
    /// A row: the columns of its table.
    #[schema(required = false, value_type = Object)]
    row: Value,
    /// How many lines stand between the first and the last.
    #[schema(required = false, minimum = 0)]
    rows: u64,
}

/// Export the workshop
///
/// All of it as NDJSON, a line for each row of each table, from one moment: motorcycles with their readings, instruments, services, parts
/// and values (struck-out ones too), owners, rules, limits, fasteners, components, attachments and the settings. Importing it into an
/// empty workshop (`POST /imports?kind=export`), here or on another server, gives the same answers; ids are kept. Accounts, tokens,
/// webhooks, calendars and the audit trail stay with the server. Needs the scope `admin`, since it holds everything.
#[utoipa::path(get, path = "/export", operation_id = "export_workshop", tag = "exchange",
    responses((status = 200, description = "The workshop, line by line", body = ExportLine, content_type = "application/x-ndjson")))]
async fn export(State(app): State<Arc<App>>, Administers(caller): Administers) -> Result<Response> {
    let work = app.read(&caller).await?;
    let day = work.today;
    let lines = stream::try_unfold(Export::new(work), |mut export| async move {
        let lines = export.next().await?;
        Ok::<_, Error>(lines.map(|lines| (Bytes::from(lines), export)))
    });
    let name = format!("attachment; filename=\"witnessmark-{day}.ndjson\"");
    Ok(([(header::CONTENT_TYPE, NDJSON.to_owned()), (header::CONTENT_DISPOSITION, name)], Outgoing::from_stream(lines)).into_response())
}
