//! Searching by words: an entry for each thing that can be found, in a full-text index of the engine's own (FTS5 in SQLite, `tsvector` in
//! PostgreSQL).
//!
//! Whatever writes a text leaves the thing's id in `search_stale` (triggers do it, so no way of writing is forgotten); the end of the same
//! transaction makes its entries anew ([`refresh`]). Notes for the workshop alone have words of their own, which owners do not search.
use std::collections::HashMap;

use sqlx::FromRow;
use time::{Date, OffsetDateTime};
use uuid::Uuid;

use super::{
    Store, Tx, execute,
    many::{fetch_of, insert_many},
    on, service_event,
    types::Instant,
    workshop,
};
use crate::{
    access::Sight,
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        search::{self, FoundKind, Words},
        service::ServiceEvent,
        words::{Measurand, Operation, Position},
        workshop::Workshop,
    },
    error::Result,
};

/// Another way of making words gets another number: entries that were made before are then made again.
const VERSION: i64 = 1;
/// So many things are taken up at once.
const AT_ONCE: i64 = 500;

/// Something that was found.
#[derive(Clone, Debug, FromRow)]
pub struct Hit {
    /// What it is.
    pub kind: FoundKind,
    /// Its id.
    pub id: Uuid,
    /// The motorcycle.
    pub motorcycle_id: Option<Id<Motorcycle>>,
    /// The event that it belongs to.
    pub event_id: Option<Id<ServiceEvent>>,
    /// The day.
    pub on_date: Date,
    /// Whether it was struck out.
    pub struck: bool,
    /// Its text, a piece on each line; behind a tab what else the piece is found by.
    pub pieces: String,
    /// What the workshop alone sees.
    pub internal: String,
}

/// By day, then by id; the newest first.
pub type Key = (Date, Uuid);

macro_rules! hits {
    ($from:literal, $found:literal) => {
        concat!(
            "select s.kind, s.id, s.motorcycle_id, s.event_id, s.on_date, s.struck, s.pieces, s.internal from ",
            $from,
            " where s.workshop_id = $1 and ",
            $found,
            " and ($3 is null or (s.on_date, s.id) < ($3, $4)) and ($7 is null or s.motorcycle_id = $7)
              and ($6 is null or exists (select 1 from motorcycle b where b.workshop_id = $1 and b.id = s.motorcycle_id and b.owner_id = $6))
              order by s.on_date desc, s.id desc limit $5"
        )
    };
}

/// What holds all the words, newest first. Whoever sees a part of the workshop is asked nothing of what the workshop keeps to itself.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, sight: Sight, words: &Words, after: Option<Key>, limit: i64) -> Result<Vec<Hit>> {
    let narrow = sight.is_narrow();
    let (sql, question) = match tx {
        Tx::Sqlite(_) => {
            let columns = if narrow { "words" } else { "{words internal_words}" };
            let question = format!("tenant : \"{}\" AND {columns} : ({})", tenant(workshop), words.for_sqlite());
            (hits!("search_word join search_entry s on s.entry = search_word.rowid", "search_word match $2"), question)
        }
        Tx::Postgres(_) if narrow => (hits!("search_entry s", "s.found_by @@ $2::tsquery"), words.for_postgres()),
        Tx::Postgres(_) => (hits!("search_entry s", "s.found_inside_by @@ $2::tsquery"), words.for_postgres()),
    };
    let (day, id) = after.unzip();
    Ok(on!(
        tx,
        sqlx::query_as::<_, Hit>(sql)
            .bind(workshop)
            .bind(&question)
            .bind(day)
            .bind(id)
            .bind(limit)
            .bind(sight.owner())
            .bind(sight.motorcycle()),
        fetch_all
    )?)
}

/// The word by which an index that all workshops share is asked for one of them.
fn tenant(workshop: Id<Workshop>) -> String {
    format!("w{}", workshop.uuid().simple())
}

/// An entry on its way in.
struct Entry {
    kind: FoundKind,
    id: Uuid,
    motorcycle: Option<Id<Motorcycle>>,
    event: Option<Id<ServiceEvent>>,
    on: Date,
    struck: bool,
    /// Pieces of text, each with what else it is found by.
    pieces: Vec<(String, String)>,
    internal: String,
}

/// Makes the entries of what was written in this transaction.
pub async fn refresh(tx: &mut Tx, workshop: Id<Workshop>) -> Result<()> {
    loop {
        let sql = "select kind, id from search_stale where workshop_id = $1 limit $2";
        let stale: Vec<(FoundKind, Uuid)> = on!(tx, sqlx::query_as(sql).bind(workshop).bind(AT_ONCE), fetch_all)?;
        if stale.is_empty() {
            return Ok(());
        }
        let of = |kind| stale.iter().filter(|one| one.0 == kind).map(|one| one.1).collect::<Vec<_>>();
        let mut entries = of_events(tx, workshop, &of(FoundKind::ServiceEvent)).await?;
        entries.extend(of_parts(tx, workshop, &of(FoundKind::InstalledPart)).await?);
        let mut attachments = of(FoundKind::Attachment);
        attachments.extend(attached_to(tx, workshop, &of(FoundKind::ServiceEvent)).await?);
        attachments.sort_unstable();
        attachments.dedup();
        entries.extend(of_attachments(tx, workshop, &attachments).await?);
        let ids: Vec<Uuid> = stale.iter().map(|one| one.1).chain(entries.iter().map(|entry| entry.id)).collect();
        drop_entries(tx, workshop, &ids).await?;
        store(tx, workshop, &entries).await?;
        let ids: Vec<Uuid> = stale.into_iter().map(|one| one.1).collect();
        let sql = "delete from search_stale where workshop_id = $1 and id in ({}) returning id";
        let _: Vec<(Uuid,)> = fetch_of!(tx, (Uuid,), sql, workshop, &ids);
    }
}

/// Makes every entry of a workshop anew: after texts were changed behind the usual ways, such as where a person is erased, and once for
/// what was there before there was an index.
pub async fn reindex(tx: &mut Tx, workshop: Id<Workshop>) -> Result<()> {
    execute!(tx, sqlx::query("delete from search_entry where workshop_id = $1").bind(workshop))?;
    for (kind, table) in [("service_event", "service_event"), ("installed_part", "installed_part"), ("attachment", "attachment")] {
        let sql = format!(
            "insert into search_stale (workshop_id, kind, id) select workshop_id, '{kind}', id from {table} where workshop_id = $1
             on conflict do nothing"
        );
        execute!(tx, sqlx::query(sqlx::AssertSqlSafe(sql)).bind(workshop))?;
    }
    refresh(tx, workshop).await?;
    let sql = "insert into search_state (workshop_id, version) values ($1, $2) on conflict (workshop_id) do update set version = excluded.version";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(VERSION))?;
    Ok(())
}

/// Makes the entries of workshops that have none yet, or old ones, and of what was left over.
///
/// # Errors
/// Where the database refuses.
pub async fn catch_up(store: &Store) -> Result<()> {
    let mut tx = store.read().await?;
    let sql = "select w.workshop_id from workshop w left join search_state s on s.workshop_id = w.workshop_id
               where s.version is null or s.version <> $1 or exists (select 1 from search_stale t where t.workshop_id = w.workshop_id)";
    let behind: Vec<(Id<Workshop>,)> = on!(&mut tx, sqlx::query_as(sql).bind(VERSION), fetch_all)?;
    drop(tx);
    for (id,) in behind {
        let mut tx = store.write().await?;
        workshop::lock(&mut tx, id).await?;
        let sql = "select version from search_state where workshop_id = $1";
        let version: Option<(i64,)> = on!(&mut tx, sqlx::query_as(sql).bind(id), fetch_optional)?;
        // Another server may have done it while this one waited.
        if version == Some((VERSION,)) {
            refresh(&mut tx, id).await?;
        } else {
            reindex(&mut tx, id).await?;
        }
        tx.commit().await?;
    }
    Ok(())
}

async fn drop_entries(tx: &mut Tx, workshop: Id<Workshop>, ids: &[Uuid]) -> Result<()> {
    let sql = "delete from search_entry where workshop_id = $1 and id in ({}) returning id";
    let _: Vec<(Uuid,)> = fetch_of!(tx, (Uuid,), sql, workshop, ids);
    Ok(())
}

async fn store(tx: &mut Tx, workshop: Id<Workshop>, entries: &[Entry]) -> Result<()> {
    let tenant = tenant(workshop);
    let texts = |entry: &Entry| search::indexed(entry.pieces.iter().flat_map(|piece| [piece.0.as_str(), piece.1.as_str()]));
    let rows: Vec<_> = entries
        .iter()
        .map(|entry| {
            let plain = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
            let line = |(text, also): &(String, String)| {
                if also.is_empty() { plain(text) } else { format!("{}	{}", plain(text), plain(also)) }
            };
            let pieces = entry.pieces.iter().map(line).collect::<Vec<_>>().join("\n");
            (entry, pieces, texts(entry), search::indexed(std::iter::once(entry.internal.as_str())))
        })
        .collect();
    insert_many!(
        tx,
        "insert into search_entry (workshop_id, kind, id, motorcycle_id, event_id, on_date, struck, pieces, internal, tenant, words, internal_words)",
        rows,
        |row| [
            workshop,
            row.0.kind,
            row.0.id,
            row.0.motorcycle,
            row.0.event,
            row.0.on,
            row.0.struck,
            &row.1,
            &row.0.internal,
            &tenant,
            &row.2,
            &row.3
        ]
    );
    Ok(())
}

fn place(component: &str, position: Option<Position>, text: &str) -> String {
    let name = search::component(component, position);
    if text.is_empty() { name } else { format!("{name}: {text}") }
}

/// A piece that is found by its own words alone.
fn alone(text: String) -> (String, String) {
    (text, String::new())
}

type FittedRow = (Id<ServiceEvent>, String, Option<Position>, String, Option<String>);
type MeasuredRow = (Id<ServiceEvent>, String, Option<Position>, Measurand);
type AmendmentRow = (Uuid, Id<ServiceEvent>, Date, String);
type FollowUpRow = (Uuid, Id<ServiceEvent>, String, Option<String>, Option<Position>, Option<Instant>);

/// Entries of events with everything in them, of their amendments and of what they left for later.
async fn of_events(tx: &mut Tx, workshop: Id<Workshop>, ids: &[Uuid]) -> Result<Vec<Entry>> {
    let ids: Vec<Id<ServiceEvent>> = ids.iter().map(|id| Id::new(*id)).collect();
    let mut events: HashMap<Id<ServiceEvent>, Entry> = HashMap::new();
    for event in service_event::by_ids(tx, workshop, &ids).await? {
        let body = event.body.0;
        let mut pieces = vec![event.summary, event.notes];
        pieces.extend(body.as_found.iter().map(|note| place(&note.component, note.position, &note.text)));
        pieces.extend(body.filled.iter().map(|filled| place(&filled.component, filled.position, &filled.description)));
        pieces.extend(body.tightened.iter().map(|tightened| tightened.name.clone()));
        let entry = Entry {
            kind: FoundKind::ServiceEvent,
            id: event.id.uuid(),
            motorcycle: Some(event.motorcycle_id),
            event: Some(event.id),
            on: event.on_date,
            struck: event.struck_at.is_some(),
            pieces: pieces.into_iter().map(alone).collect(),
            internal: event.internal_notes,
        };
        events.insert(event.id, entry);
    }
    add_lines(tx, workshop, &ids, &mut events).await?;
    let mut entries = of_amendments(tx, workshop, &ids, &events).await?;
    entries.extend(of_follow_ups(tx, workshop, &ids, &events).await?);
    entries.extend(events.into_values());
    Ok(entries)
}

async fn add_lines(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    ids: &[Id<ServiceEvent>],
    events: &mut HashMap<Id<ServiceEvent>, Entry>,
) -> Result<()> {
    let mut add = |event: Id<ServiceEvent>, text: String, also: String| {
        if let Some(entry) = events.get_mut(&event) {
            entry.pieces.push((text, also));
        }
    };
    for (event, line) in service_event::work_of(tx, workshop, ids).await? {
        let also = format!("{} {} {}", line.component, search::also(line.operation), line.note);
        add(event, search::line(&line.component, line.position, line.operation), also);
        add(event, line.note, String::new());
    }
    let sql = "select f.fitted_event_id, p.component, f.position, p.description, p.part_number from fitting f
               join installed_part p on p.workshop_id = f.workshop_id and p.id = f.part_id
               where f.workshop_id = $1 and f.fitted_event_id in ({}) order by coalesce(f.id, f.id)";
    for (event, component, position, description, number) in fetch_of!(tx, FittedRow, sql, workshop, ids) {
        let said = [description, number.unwrap_or_default()].into_iter().filter(|text| !text.is_empty()).collect::<Vec<_>>().join(", ");
        let also = format!("{component} {} {}", search::also(Operation::Fit), search::also(Operation::Replace));
        add(event, place(&component, position, &said), also);
    }
    let sql = "select service_event_id, component, position, quantity from measured_value
               where workshop_id = $1 and service_event_id in ({}) order by coalesce(id, id)";
    for (event, component, position, quantity) in fetch_of!(tx, MeasuredRow, sql, workshop, ids) {
        let said = quantity.as_str().replace('_', " ");
        add(event, place(&component, position, &said), format!("{component} {}", search::also(Operation::Measure)));
    }
    Ok(())
}

async fn of_amendments(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    ids: &[Id<ServiceEvent>],
    events: &HashMap<Id<ServiceEvent>, Entry>,
) -> Result<Vec<Entry>> {
    let sql = "select id, service_event_id, on_date, text from amendment where workshop_id = $1 and service_event_id in ({})";
    let entry = |(id, event, on, text): AmendmentRow| {
        let of = events.get(&event)?;
        Some(Entry { kind: FoundKind::Amendment, id, on, pieces: vec![alone(text)], ..below(of) })
    };
    Ok(fetch_of!(tx, AmendmentRow, sql, workshop, ids).into_iter().filter_map(entry).collect())
}

async fn of_follow_ups(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    ids: &[Id<ServiceEvent>],
    events: &HashMap<Id<ServiceEvent>, Entry>,
) -> Result<Vec<Entry>> {
    let sql = "select id, service_event_id, text, component, position, struck_at from follow_up
               where workshop_id = $1 and service_event_id in ({})";
    let entry = |(id, event, text, component, position, struck): FollowUpRow| {
        let of = events.get(&event)?;
        let name = component.as_deref().map(|component| search::component(component, position)).unwrap_or_default();
        let pieces = vec![alone(text), (name, component.unwrap_or_default())];
        Some(Entry { kind: FoundKind::FollowUp, id, struck: of.struck || struck.is_some(), pieces, ..below(of) })
    };
    Ok(fetch_of!(tx, FollowUpRow, sql, workshop, ids).into_iter().filter_map(entry).collect())
}
/// What an entry of something below an event has from it.
fn below(event: &Entry) -> Entry {
    let &Entry { kind, id, motorcycle, event, on, struck, .. } = event;
    Entry { kind, id, motorcycle, event, on, struck, pieces: Vec::new(), internal: String::new() }
}

#[derive(FromRow)]
struct PartRow {
    id: Uuid,
    component: String,
    description: String,
    part_number: Option<String>,
    motorcycle_id: Id<Motorcycle>,
    position: Option<Position>,
    fitted_on: Date,
    struck_at: Option<Instant>,
}
/// Entries of parts, at their last fitting that stands; where none stands, at the last that was struck out.
async fn of_parts(tx: &mut Tx, workshop: Id<Workshop>, ids: &[Uuid]) -> Result<Vec<Entry>> {
    let sql = "select p.id, p.component, p.description, p.part_number, f.motorcycle_id, f.position, f.fitted_on, f.struck_at
               from installed_part p join fitting f on f.workshop_id = p.workshop_id and f.part_id = p.id
               where p.workshop_id = $1 and p.id in ({}) order by f.fitted_on, f.id";
    let mut last: HashMap<Uuid, PartRow> = HashMap::new();
    for row in fetch_of!(tx, PartRow, sql, workshop, ids) {
        if row.struck_at.is_none() || last.get(&row.id).is_none_or(|known| known.struck_at.is_some()) {
            last.insert(row.id, row);
        }
    }
    let entry = |row: PartRow| Entry {
        kind: FoundKind::InstalledPart,
        id: row.id,
        motorcycle: Some(row.motorcycle_id),
        event: None,
        on: row.fitted_on,
        struck: row.struck_at.is_some(),
        pieces: vec![
            alone(row.description),
            alone(row.part_number.unwrap_or_default()),
            (search::component(&row.component, row.position), row.component),
        ],
        internal: String::new(),
    };
    Ok(last.into_values().map(entry).collect())
}

#[derive(FromRow)]
struct AttachmentRow {
    id: Uuid,
    name: String,
    motorcycle_id: Option<Id<Motorcycle>>,
    created_at: Instant,
    event_id: Option<Id<ServiceEvent>>,
    on_date: Option<Date>,
    struck_at: Option<Instant>,
}
/// What is attached to these events: it is struck out with them.
async fn attached_to(tx: &mut Tx, workshop: Id<Workshop>, events: &[Uuid]) -> Result<Vec<Uuid>> {
    let sql = "select id from attachment where workshop_id = $1 and belongs_to in ({}) and deleted_at is null";
    Ok(fetch_of!(tx, (Uuid,), sql, workshop, events).into_iter().map(|row| row.0).collect())
}
/// Entries of attachments by their names, on the day of the event that they belong to.
async fn of_attachments(tx: &mut Tx, workshop: Id<Workshop>, ids: &[Uuid]) -> Result<Vec<Entry>> {
    let sql = "select a.id, a.name, a.motorcycle_id, a.created_at, e.id as event_id, e.on_date, e.struck_at
               from attachment a left join service_event e on e.workshop_id = a.workshop_id and e.id = a.belongs_to
               where a.workshop_id = $1 and a.id in ({}) and a.deleted_at is null";
    let day = |at: OffsetDateTime| at.date();
    let entry = |row: AttachmentRow| Entry {
        kind: FoundKind::Attachment,
        id: row.id,
        motorcycle: row.motorcycle_id,
        event: row.event_id,
        on: row.on_date.unwrap_or_else(|| day(row.created_at.0)),
        struck: row.struck_at.is_some(),
        pieces: vec![alone(row.name)],
        internal: String::new(),
    };
    Ok(fetch_of!(tx, AttachmentRow, sql, workshop, ids).into_iter().map(entry).collect())
}
