//! Taking a person out of everything that a workshop keeps: every column with text of people is walked, and what is theirs alone goes.
//!
//! To add a table: its columns of text stand in [`WALKED`], or in [`WORDLESS`] where no person writes them; a test compares both with the schema.
use serde_json::Value;
use sqlx::AssertSqlSafe;
use time::OffsetDateTime;
use uuid::Uuid;

use super::{
    Tx, execute, on,
    types::{Instant, Json},
};
use crate::{
    domain::{
        erasure::{Erasure, Place},
        id::Id,
        letter::LetterStatus,
        motorcycle::{NewOwner, Owner},
        person::Member,
        workshop::{Person, Workshop},
    },
    error::{Error, Result},
};

/// What a column with text of people holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Holds {
    /// Who did something.
    Who,
    /// Sentences.
    Sentences,
    /// Text in lower case, to search by.
    LowerCase,
    /// A nested value.
    Nested,
}
use Holds::{LowerCase, Nested, Sentences, Who};

/// A table with its columns of text of people.
#[derive(Clone, Copy, Debug)]
pub struct Walked {
    /// Its name.
    pub table: &'static str,
    /// The columns.
    pub columns: &'static [(&'static str, Holds)],
    /// The column that says by its id whose [`Who`] it is: somebody else's name stays, though it may be the same.
    pub author: Option<&'static str>,
    /// Whether its rows have an id.
    has_id: bool,
}
const fn rows(table: &'static str, columns: &'static [(&'static str, Holds)]) -> Walked {
    Walked { table, columns, author: None, has_id: true }
}
const fn by_value(table: &'static str, columns: &'static [(&'static str, Holds)]) -> Walked {
    Walked { table, columns, author: None, has_id: false }
}
const fn by_author(table: &'static str, columns: &'static [(&'static str, Holds)], author: &'static str) -> Walked {
    Walked { table, columns, author: Some(author), has_id: true }
}

/// Every table with text of people, but for owners, people and what is emptied as a whole.
pub const WALKED: &[Walked] = &[
    by_value("workshop", &[("name", Sentences), ("reports", Nested)]),
    by_value("component", &[("name", Sentences)]),
    rows("motorcycle", &[("name", Sentences), ("words", LowerCase), ("body", Nested), ("last_reading", Nested)]),
    rows(
        "service_event",
        &[
            ("summary", Sentences),
            ("performed_by", Who),
            ("notes", Sentences),
            ("internal_notes", Sentences),
            ("body", Nested),
            ("signature", Nested),
            ("struck_reason", Sentences),
        ],
    ),
    by_value("work_line", &[("note", Sentences)]),
    rows("amendment", &[("written_by", Who), ("text", Sentences)]),
    rows("reading", &[("read_by", Who), ("struck_reason", Sentences)]),
    rows("instrument", &[("reason", Sentences)]),
    rows("lay_up", &[("note", Sentences)]),
    rows("installed_part", &[("description", Sentences), ("part_number", Sentences)]),
    rows("fitting", &[("removed_reason", Sentences), ("struck_reason", Sentences)]),
    rows("measured_value", &[("body", Nested), ("struck_reason", Sentences)]),
    rows("follow_up", &[("text", Sentences), ("reason", Sentences)]),
    rows("interval_rule", &[("name", Sentences), ("body", Nested)]),
    rows("limit_range", &[("body", Nested)]),
    rows("fastener", &[("body", Nested)]),
    rows("procedure_version", &[("title", Sentences), ("body", Nested), ("written_by", Who)]),
    rows("packet_import", &[("packet_workshop", Sentences)]),
    rows("due_item", &[("body", Nested)]),
    rows("attachment", &[("name", Sentences)]),
    rows("photo_draft", &[("name", Sentences)]),
    rows("webhook", &[("body", Nested)]),
    rows("webhook_delivery", &[("payload", Nested), ("last_answer", Sentences)]),
    by_value("report", &[("told", Nested)]),
    rows(
        "letter",
        &[
            ("recipient_name", Who),
            ("subject", Sentences),
            ("text", Sentences),
            ("html", Sentences),
            ("headers", Nested),
            ("last_answer", Sentences),
        ],
    ),
    by_author("api_token", &[("created_by", Who)], "made_by_id"),
    rows("api_token", &[("name", Sentences)]),
    by_author("calendar", &[("made_by", Who)], "made_by_id"),
    rows("offer", &[("created_by", Who)]),
    by_author("audit", &[("who", Who)], "person_id"),
];

/// The columns of text that are not walked: `table.column`, or `table` for all of one whose rows go or are looked at by themselves.
pub const WORDLESS: &[&str] = &[
    // Looked at by themselves.
    "owner",
    "membership",
    "invitation",
    "person",
    "session",
    "idempotency_key",
    "import_draft",
    "email_change",
    "report_recipient",
    "audit.old_value",
    "audit.new_value",
    "letter.recipient",
    "offer.to_email",
    // Made again from the others.
    "search_entry",
    "search_stale",
    // Words out of lists, figures, days, hashes, keys.
    "workshop.time_zone",
    "workshop.default_unit",
    "workshop.currency",
    "workshop.default_yearly_distance",
    "component.key",
    "motorcycle.registration",
    "motorcycle.vin",
    "motorcycle.odometer_unit",
    "service_event.on_date",
    "service_event.odometer",
    "service_event.hours",
    "service_event.unit",
    "work_line.component",
    "work_line.position",
    "work_line.operation",
    "amendment.on_date",
    "reading.counter",
    "reading.on_date",
    "reading.reading",
    "reading.unit",
    "instrument.counter",
    "instrument.on_date",
    "instrument.kind",
    "instrument.old_final",
    "instrument.new_start",
    "instrument.capacity",
    "instrument.unit",
    "lay_up.from_date",
    "lay_up.to_date",
    "installed_part.component",
    "installed_part.condition",
    "installed_part.date_code",
    "installed_part.prior_distance",
    "fitting.position",
    "fitting.fitted_on",
    "fitting.removed_on",
    "measured_value.on_date",
    "measured_value.component",
    "measured_value.position",
    "measured_value.quantity",
    "follow_up.component",
    "follow_up.position",
    "follow_up.due_in",
    "follow_up.status",
    "follow_up.settled_on",
    "interval_rule.component",
    "limit_range.component",
    "limit_range.quantity",
    "fastener.key",
    "fastener.component",
    "due_item.sort_on",
    "due_item.nearly_due_from",
    "due_item.due_from",
    "due_item.overdue_from",
    "attachment.belongs_to_kind",
    "attachment.media_type",
    "attachment.line",
    "thumbnail.sha256",
    "photo_draft.media_type",
    "procedure_version.component",
    "packet_import.packet_motorcycle",
    "packet_import.fingerprint",
    "packet_import.head",
    "packet_import.made_on",
    "attachment.sha256",
    "webhook.secret",
    "webhook.told_on",
    "webhook_delivery.kind",
    "webhook_delivery.status",
    "report.period",
    "report.about",
    "letter.kind",
    "letter.message_id",
    "letter.status",
    "api_token.scopes",
    "api_token.expires_on",
    "offer.state",
    "audit.action",
    "audit.subject_kind",
    "audit.address",
];

/// Who is erased: everything under which one human being is known in a workshop.
#[derive(Clone, Debug, Default)]
pub struct Gone {
    /// Accounts.
    pub people: Vec<Id<Person>>,
    /// Under which ids the workshop knew them.
    pub members: Vec<Uuid>,
    /// Owner records.
    pub owners: Vec<Id<Owner>>,
    /// Tokens that they answered for.
    pub tokens: Vec<Uuid>,
}

/// A number for the next person who is erased.
pub async fn next_number(tx: &mut Tx, workshop: Id<Workshop>) -> Result<i64> {
    let sql = "update workshop set erased = erased + 1 where workshop_id = $1 returning erased";
    Ok(on!(tx, sqlx::query_scalar(sql).bind(workshop), fetch_one)?)
}

/// ` and (lower(c) like $2 or …)` with the patterns, where there can be any.
struct Narrowing {
    patterns: Vec<String>,
}
impl Narrowing {
    fn new(erasure: &Erasure) -> Self {
        Self { patterns: erasure.patterns().unwrap_or_default() }
    }
    fn sql(&self, column: &str) -> String {
        if self.patterns.is_empty() {
            return String::new();
        }
        let any: Vec<_> = (0..self.patterns.len()).map(|nth| format!("lower({column}) like ${}", nth + 2)).collect();
        format!(" and ({})", any.join(" or "))
    }
}
/// Runs a question whose `$1` is the workshop and whose further places are the patterns.
macro_rules! narrowed {
    ($tx:expr, $row:ty, $sql:expr, $workshop:expr, $narrowing:expr) => {{
        let sql = AssertSqlSafe($sql);
        match $tx {
            Tx::Sqlite(tx) => {
                let query = sqlx::query_as::<_, $row>(sql).bind($workshop);
                $narrowing.patterns.iter().fold(query, |query, pattern| query.bind(pattern)).fetch_all(&mut **tx).await?
            }
            Tx::Postgres(tx) => {
                let query = sqlx::query_as::<_, $row>(sql).bind($workshop);
                $narrowing.patterns.iter().fold(query, |query, pattern| query.bind(pattern)).fetch_all(&mut **tx).await?
            }
        }
    }};
}

/// A column's value without the person; None where they do not stand in it.
fn cleaned(erasure: &Erasure, holds: Holds, text: &str) -> Option<String> {
    match holds {
        Who => erasure.cleaned(text, Place::Who),
        Sentences => erasure.cleaned(text, Place::Sentence),
        LowerCase => erasure.cleaned(text, Place::Who).map(|text| text.to_lowercase()),
        Nested => match serde_json::from_str::<Value>(text) {
            Ok(mut value) => erasure.clean(&mut value, &[]).then(|| value.to_string()),
            Err(_) => erasure.cleaned(text, Place::Sentence),
        },
    }
}

/// Walks every column with text of people.
///
/// # Errors
/// Where the database refuses.
pub async fn walk(tx: &mut Tx, workshop: Id<Workshop>, gone: &Gone, erasure: &Erasure) -> Result<()> {
    let narrowing = Narrowing::new(erasure);
    for walked in WALKED {
        for &(column, holds) in walked.columns {
            if walked.has_id {
                walk_rows(tx, workshop, gone, erasure, &narrowing, walked, column, holds).await?;
            } else {
                walk_values(tx, workshop, erasure, &narrowing, walked.table, column, holds).await?;
            }
        }
    }
    walk_owners(tx, workshop, gone, erasure, &narrowing).await?;
    walk_audit(tx, workshop, gone, erasure, &narrowing).await?;
    forget_answers(tx, workshop, gone, erasure).await
}

#[expect(clippy::too_many_arguments, reason = "one column of one table, and what it is walked with")]
async fn walk_rows(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    gone: &Gone,
    erasure: &Erasure,
    narrowing: &Narrowing,
    walked: &Walked,
    column: &str,
    holds: Holds,
) -> Result<()> {
    let table = walked.table;
    let author = walked.author.unwrap_or("case when 1 = 0 then id end");
    let sql =
        format!("select id, {author}, {column} from {table} where workshop_id = $1 and {column} is not null{}", narrowing.sql(column));
    let found = narrowed!(tx, (Uuid, Option<Uuid>, String), sql, workshop, narrowing);
    let update = format!("update {table} set {column} = $3 where workshop_id = $1 and id = $2");
    for (id, author, text) in found {
        // A token is nobody's namesake, whatever it is called.
        let is_theirs = text.starts_with("token ")
            || author.is_none_or(|author| gone.tokens.contains(&author) || gone.people.iter().any(|person| person.uuid() == author));
        let Some(text) = cleaned(erasure, holds, &text).filter(|_| is_theirs) else { continue };
        execute!(tx, sqlx::query(AssertSqlSafe(update.clone())).bind(workshop).bind(id).bind(text))?;
    }
    Ok(())
}

async fn walk_values(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    erasure: &Erasure,
    narrowing: &Narrowing,
    table: &str,
    column: &str,
    holds: Holds,
) -> Result<()> {
    let sql = format!("select distinct {column} from {table} where workshop_id = $1 and {column} is not null{}", narrowing.sql(column));
    let found = narrowed!(tx, (String,), sql, workshop, narrowing);
    let update = format!("update {table} set {column} = $3 where workshop_id = $1 and {column} = $2");
    for (text,) in found {
        let Some(new) = cleaned(erasure, holds, &text) else { continue };
        execute!(tx, sqlx::query(AssertSqlSafe(update.clone())).bind(workshop).bind(text).bind(new))?;
    }
    Ok(())
}

/// Empties the owner records of the person. Of others who are in use only the notes are looked at: the same name may be theirs too.
async fn walk_owners(tx: &mut Tx, workshop: Id<Workshop>, gone: &Gone, erasure: &Erasure, narrowing: &Narrowing) -> Result<()> {
    for id in &gone.owners {
        let empty = NewOwner {
            name: erasure.alias.clone(),
            email: None,
            phone: None,
            notes: String::new(),
            reports: crate::domain::motorcycle::Reports::default(),
        };
        set_owner(tx, workshop, *id, &empty).await?;
    }
    let sql = format!("select id, body, deleted_at from owner where workshop_id = $1{}", narrowing.sql("body"));
    let found = narrowed!(tx, (Id<Owner>, Json<NewOwner>, Option<Instant>), sql, workshop, narrowing);
    for (id, Json(mut owner), hidden) in found {
        let before = owner.clone();
        if let Some(notes) = erasure.cleaned(&owner.notes, Place::Sentence) {
            owner.notes = notes;
        }
        if hidden.is_some() {
            owner.name = erasure.cleaned(&owner.name, Place::Who).unwrap_or(owner.name);
            owner.email = owner.email.filter(|email| erasure.cleaned(email, Place::Sentence).is_none());
            owner.phone = owner.phone.filter(|phone| erasure.cleaned(phone, Place::Sentence).is_none());
        }
        if owner != before {
            set_owner(tx, workshop, id, &owner).await?;
        }
    }
    Ok(())
}
async fn set_owner(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Owner>, owner: &NewOwner) -> Result<()> {
    let sql = "update owner set name = $3, body = $4, reports_frequency = $5 where workshop_id = $1 and id = $2";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(&owner.name).bind(Json(owner)).bind(owner.reports.frequency.as_str()))?;
    Ok(())
}

/// The people and owners in use.
async fn in_use(tx: &mut Tx, workshop: Id<Workshop>) -> Result<Vec<Uuid>> {
    let sql = "select id from membership where workshop_id = $1 union select id from invitation where workshop_id = $1
               union select id from owner where workshop_id = $1 and deleted_at is null";
    Ok(on!(tx, sqlx::query_scalar(sql).bind(workshop), fetch_all)?)
}

/// The values before and after in the audit trail: those of the person's own records are emptied, those of other people's keep their names.
async fn walk_audit(tx: &mut Tx, workshop: Id<Workshop>, gone: &Gone, erasure: &Erasure, narrowing: &Narrowing) -> Result<()> {
    let others = in_use(tx, workshop).await?;
    for column in ["old_value", "new_value"] {
        let sql = format!(
            "select id, subject_kind, subject_id, {column} from audit where workshop_id = $1 and {column} is not null
             and (subject_kind in ('owner', 'person', 'account') or (1 = 1{}))",
            narrowing.sql(column)
        );
        let found = narrowed!(tx, (Uuid, String, Option<Uuid>, Json<Value>), sql, workshop, narrowing);
        let update = format!("update audit set {column} = $3 where workshop_id = $1 and id = $2");
        for (id, kind, subject, Json(mut value)) in found {
            let is_record = matches!(kind.as_str(), "owner" | "person" | "account");
            let is_own = |subject: Uuid| {
                let (owners, people) = (gone.owners.iter().map(|owner| owner.uuid()), gone.people.iter().map(|person| person.uuid()));
                gone.members.iter().copied().chain(owners).chain(people).any(|own| own == subject)
            };
            let before = value.clone();
            if is_record && subject.is_some_and(is_own) {
                erasure.empty(&mut value);
            }
            let but: &[&str] =
                if is_record && subject.is_some_and(|subject| others.contains(&subject)) { &["name", "email", "phone"] } else { &[] };
            erasure.clean(&mut value, but);
            if value != before {
                execute!(tx, sqlx::query(AssertSqlSafe(update.clone())).bind(workshop).bind(id).bind(Json(value)))?;
            }
        }
    }
    Ok(())
}

/// Forgets the answers that are kept for repeated requests, where they hold the person or were given to them; and files that are still
/// looked at on their way in, whatever is in them.
async fn forget_answers(tx: &mut Tx, workshop: Id<Workshop>, gone: &Gone, erasure: &Erasure) -> Result<()> {
    let sql = "select key, answer from idempotency_key where workshop_id = $1";
    let found: Vec<(String, String)> = on!(tx, sqlx::query_as(sql).bind(workshop), fetch_all)?;
    let callers: Vec<String> =
        gone.people.iter().map(|person| person.uuid()).chain(gone.tokens.iter().copied()).map(|id| format!("{id} ")).collect();
    for (key, answer) in found {
        let body = serde_json::from_str::<Value>(&answer).ok().and_then(|answer| Some(answer.get("body")?.as_str()?.to_owned()));
        let is_in = |text: &str| cleaned(erasure, Nested, text).is_some() || erasure.cleaned(text, Place::Sentence).is_some();
        let theirs = callers.iter().any(|caller| key.starts_with(caller));
        if theirs || is_in(&answer) || body.as_deref().is_some_and(is_in) || erasure.cleaned(&key, Place::Sentence).is_some() {
            let sql = "delete from idempotency_key where workshop_id = $1 and key = $2";
            execute!(tx, sqlx::query(sql).bind(workshop).bind(key))?;
        }
    }
    execute!(tx, sqlx::query("delete from import_draft where workshop_id = $1").bind(workshop))?;
    Ok(())
}

/// Empties every letter to one of these addresses. One that waits is not sent any more.
///
/// # Errors
/// Where the database refuses.
pub async fn empty_letters(tx: &mut Tx, workshop: Id<Workshop>, emails: &[String], alias: &str, now: OffsetDateTime) -> Result<()> {
    let sql = "select id, recipient from letter where workshop_id = $1 and recipient <> ''";
    let found: Vec<(Uuid, String)> = on!(tx, sqlx::query_as(sql).bind(workshop), fetch_all)?;
    for id in with_address(found, emails) {
        let sql = "update letter set status = $3, last_answer = $4, settled_at = $5, claimed_by = null, claimed_until = 0, updated_at = $5
                   where workshop_id = $1 and id = $2 and status = $6";
        execute!(
            tx,
            sqlx::query(sql)
                .bind(workshop)
                .bind(id)
                .bind(LetterStatus::GivenUp)
                .bind("It was not sent: the person was erased.")
                .bind(Instant(now))
                .bind(LetterStatus::Pending)
        )?;
        let sql = "update letter set recipient = '', recipient_name = $3, subject = '', text = '', html = '', headers = '[]'
                   where workshop_id = $1 and id = $2";
        execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(alias))?;
    }
    Ok(())
}
/// Those of these rows that have one of these addresses. The engines lower ASCII alone, so it is compared here.
fn with_address(rows: Vec<(Uuid, String)>, emails: &[String]) -> impl Iterator<Item = Uuid> {
    rows.into_iter().filter(|(_, address)| emails.contains(&address.to_lowercase())).map(|(id, _)| id)
}

/// Takes back the offers that are open to the person, and empties the address in those that are settled.
///
/// # Errors
/// Where the database refuses.
pub async fn empty_offers(tx: &mut Tx, workshop: Id<Workshop>, gone: &Gone, emails: &[String], now: OffsetDateTime) -> Result<()> {
    let close = "update offer set state = 'withdrawn', settled_at = $3 where workshop_id = $1 and state = 'open' and ";
    for owner in &gone.owners {
        let sql = AssertSqlSafe(format!("{close}to_owner_id = $2"));
        execute!(tx, sqlx::query(sql).bind(workshop).bind(owner).bind(Instant(now)))?;
    }
    let sql = "select id, to_email from offer where workshop_id = $1 and to_email is not null";
    let found: Vec<(Uuid, String)> = on!(tx, sqlx::query_as(sql).bind(workshop), fetch_all)?;
    for id in with_address(found, emails) {
        execute!(tx, sqlx::query(AssertSqlSafe(format!("{close}id = $2"))).bind(workshop).bind(id).bind(Instant(now)))?;
        execute!(tx, sqlx::query("update offer set to_email = null where workshop_id = $1 and id = $2").bind(workshop).bind(id))?;
    }
    Ok(())
}

/// Takes back the invitations to these addresses and for these owners, and stops the reports to them.
///
/// # Errors
/// Where the database refuses.
pub async fn end_invitations_and_reports(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    gone: &Gone,
    emails: &[String],
    now: OffsetDateTime,
) -> Result<()> {
    for owner in &gone.owners {
        execute!(tx, sqlx::query("delete from invitation where workshop_id = $1 and owner_id = $2").bind(workshop).bind(owner))?;
        let sql = "update report_recipient set address = '', stopped_at = $3, updated_at = $3 where workshop_id = $1 and owner_id = $2";
        execute!(tx, sqlx::query(sql).bind(workshop).bind(owner).bind(Instant(now)))?;
        let sql = "update owner set deleted_at = coalesce(deleted_at, $3), updated_at = $3 where workshop_id = $1 and id = $2";
        execute!(tx, sqlx::query(sql).bind(workshop).bind(owner).bind(Instant(now)))?;
    }
    for email in emails {
        execute!(tx, sqlx::query("delete from invitation where workshop_id = $1 and email = $2").bind(workshop).bind(email))?;
    }
    let sql = "select id, address from report_recipient where workshop_id = $1";
    let found: Vec<(Uuid, String)> = on!(tx, sqlx::query_as(sql).bind(workshop), fetch_all)?;
    for id in with_address(found, emails) {
        let sql = "update report_recipient set address = '', stopped_at = $3, updated_at = $3 where workshop_id = $1 and id = $2";
        execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(Instant(now)))?;
    }
    Ok(())
}

/// Cuts the ties to an account: what it entered stays, under an id that leads nowhere. Where it came from is forgotten.
///
/// # Errors
/// Where the database refuses.
pub async fn untie(tx: &mut Tx, workshop: Id<Workshop>, gone: &Gone, nobody: Uuid) -> Result<()> {
    for person in &gone.people {
        for sql in [
            "update audit set person_id = $3, address = null where workshop_id = $1 and person_id = $2",
            "update audit set subject_id = $3, address = null where workshop_id = $1 and subject_kind = 'account' and subject_id = $2",
            "update reading set entered_by = $3 where workshop_id = $1 and entered_by = $2",
            "update service_event set entered_by = $3 where workshop_id = $1 and entered_by = $2",
            "update calendar set made_by_id = $3 where workshop_id = $1 and made_by_id = $2",
            "update api_token set made_by_id = $3 where workshop_id = $1 and made_by_id = $2",
        ] {
            execute!(tx, sqlx::query(sql).bind(workshop).bind(person).bind(nobody))?;
        }
        let sql = "delete from reset_link where workshop_id = $1 and person_id = $2";
        execute!(tx, sqlx::query(sql).bind(workshop).bind(person))?;
    }
    for token in &gone.tokens {
        execute!(tx, sqlx::query("update audit set address = null where workshop_id = $1 and token_id = $2").bind(workshop).bind(token))?;
    }
    Ok(())
}

/// Deletes an account that has no role left anywhere; says whether it had none.
///
/// # Errors
/// Where the database refuses.
pub async fn delete_account(tx: &mut Tx, person: Id<Person>) -> Result<bool> {
    let roles: i64 = on!(tx, sqlx::query_scalar("select count(*) from membership where person_id = $1").bind(person), fetch_one)?;
    if roles > 0 {
        return Ok(false);
    }
    for table in ["session", "reset_link", "sign_in_step", "email_change", "second_factor", "recovery_code", "person"] {
        execute!(tx, sqlx::query(AssertSqlSafe(format!("delete from {table} where person_id = $1"))).bind(person))?;
    }
    Ok(true)
}

/// What the audit trail knows of somebody: the names under which they did things, and what their records said.
#[derive(Clone, Debug, Default)]
pub struct Known {
    /// Names.
    pub names: Vec<String>,
    /// E-mail addresses, in lower case.
    pub emails: Vec<String>,
    /// Telephone numbers.
    pub phones: Vec<String>,
}
impl Known {
    /// Adds what a record says.
    pub fn record(&mut self, value: &Value) {
        for (field, all) in [("name", &mut self.names), ("email", &mut self.emails), ("phone", &mut self.phones)] {
            let text = value.get(field).and_then(Value::as_str).map(str::trim).filter(|text| !text.is_empty());
            all.extend(text.map(|text| if field == "email" { text.to_lowercase() } else { text.to_owned() }));
        }
    }
    /// Each once.
    pub fn tidy(&mut self) {
        for all in [&mut self.names, &mut self.emails, &mut self.phones] {
            all.sort();
            all.dedup();
        }
    }
}

/// Adds what the audit trail knows of somebody, from before they were called something else too.
///
/// # Errors
/// Where the database refuses.
pub async fn known(tx: &mut Tx, workshop: Id<Workshop>, gone: &Gone, known: &mut Known) -> Result<()> {
    let people = gone.people.iter().map(|person| person.uuid());
    for subject in gone.members.iter().copied().chain(gone.owners.iter().map(|owner| owner.uuid())).chain(people) {
        for value in records_of(tx, workshop, subject).await? {
            known.record(&value);
        }
    }
    for person in &gone.people {
        let sql = "select distinct who from audit where workshop_id = $1 and person_id = $2";
        known.names.extend(on!(tx, sqlx::query_scalar::<_, String>(sql).bind(workshop).bind(person), fetch_all)?);
        let sql = "select person.name, person.email from person where person_id = $1";
        let account: Option<(String, String)> = on!(tx, sqlx::query_as(sql).bind(person), fetch_optional)?;
        if let Some((name, email)) = account {
            known.names.push(name);
            known.emails.push(email);
        }
        let sql = "select email from email_change where person_id = $1";
        known.emails.extend(on!(tx, sqlx::query_scalar::<_, String>(sql).bind(person), fetch_all)?);
    }
    known.tidy();
    Ok(())
}
async fn records_of(tx: &mut Tx, workshop: Id<Workshop>, subject: Uuid) -> Result<Vec<Value>> {
    #[derive(sqlx::FromRow)]
    struct Row {
        old_value: Option<Json<Value>>,
        new_value: Option<Json<Value>>,
    }
    let sql = "select old_value, new_value from audit where workshop_id = $1 and subject_kind in ('owner', 'person', 'account')
               and subject_id = $2 order by id";
    let found: Vec<Row> = on!(tx, sqlx::query_as(sql).bind(workshop).bind(subject), fetch_all)?;
    Ok(found.into_iter().flat_map(|row| [row.old_value, row.new_value]).flatten().map(|value| value.0).collect())
}

/// What was last said of somebody who was taken out and not erased yet.
///
/// # Errors
/// Where the database refuses.
pub async fn former(tx: &mut Tx, workshop: Id<Workshop>, subject: Uuid) -> Result<Option<Value>> {
    let sql = "select action, old_value from audit where workshop_id = $1 and subject_kind in ('owner', 'person') and subject_id = $2
               order by id desc limit 1";
    let last: Option<(String, Option<Json<Value>>)> = on!(tx, sqlx::query_as(sql).bind(workshop).bind(subject), fetch_optional)?;
    Ok(last.filter(|last| matches!(last.0.as_str(), "remove" | "delete")).and_then(|last| last.1).map(|value| value.0))
}

/// The members that come in as an owner: the id here and the account.
///
/// # Errors
/// Where the database refuses.
pub async fn members_of(tx: &mut Tx, workshop: Id<Workshop>, owner: Id<Owner>) -> Result<Vec<Uuid>> {
    let sql = "select id from membership where workshop_id = $1 and owner_id = $2 order by id";
    on!(tx, sqlx::query_scalar(sql).bind(workshop).bind(owner), fetch_all).map_err(Error::from)
}

/// The account that came in as a member, by the audit trail: whatever address it has by now.
///
/// # Errors
/// Where the database refuses.
pub async fn came_in_as(tx: &mut Tx, workshop: Id<Workshop>, member: Id<Member>) -> Result<Option<Id<Person>>> {
    let sql = "select person_id from audit where workshop_id = $1 and action = 'join' and subject_kind = 'person' and subject_id = $2
                 and person_id is not null order by id desc limit 1";
    Ok(on!(tx, sqlx::query_scalar(sql).bind(workshop).bind(member), fetch_optional)?)
}

/// Whether the audit trail knows of something that an account did or that happened to it here.
///
/// # Errors
/// Where the database refuses.
pub async fn was_here(tx: &mut Tx, workshop: Id<Workshop>, person: Id<Person>) -> Result<bool> {
    let sql = "select count(*) from audit where workshop_id = $1 and person_id = $2";
    let count: i64 = on!(tx, sqlx::query_scalar(sql).bind(workshop).bind(person), fetch_one)?;
    Ok(count > 0)
}
