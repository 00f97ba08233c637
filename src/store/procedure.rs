//! Procedures. What a procedure says stands in its versions; the newest of them holds, and none is ever changed.
use sqlx::FromRow;
use time::OffsetDateTime;

use super::{
    Stretch, Tx, execute, on,
    types::{Instant, Json},
};
use crate::{
    domain::{
        id::Id,
        motorcycle::Motorcycle,
        procedure::{NewProcedure, Procedure, ProcedureVersion},
        workshop::Workshop,
    },
    error::{Error, Result},
};

#[derive(FromRow)]
struct Row {
    id: Id<Procedure>,
    version: i64,
    body: Json<NewProcedure>,
    created_at: Instant,
}
impl TryFrom<Row> for Procedure {
    type Error = Error;
    fn try_from(row: Row) -> Result<Self> {
        let cautions = row.body.0.cautions();
        Ok(Self::from_new(row.id, row.body.0, number(row.version)?, cautions, row.created_at.0))
    }
}

#[derive(FromRow)]
struct VersionRow {
    id: Id<ProcedureVersion>,
    procedure_id: Id<Procedure>,
    version: i64,
    body: Json<NewProcedure>,
    written_by: String,
    created_at: Instant,
}
impl TryFrom<VersionRow> for ProcedureVersion {
    type Error = Error;
    fn try_from(row: VersionRow) -> Result<Self> {
        Ok(Self::new(row.id, row.procedure_id, number(row.version)?, row.body.0, row.written_by, row.created_at.0))
    }
}
fn number(version: i64) -> Result<u32> {
    u32::try_from(version).map_err(Error::internal)
}

/// Stores a new procedure without any version yet.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Procedure>, now: OffsetDateTime) -> Result<()> {
    let sql = "insert into procedure (workshop_id, id, created_at, updated_at) values ($1, $2, $3, $3)";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(Instant(now)))?;
    Ok(())
}

/// Stores a version; from then on it is the one that holds.
pub async fn insert_version(tx: &mut Tx, workshop: Id<Workshop>, version: &ProcedureVersion) -> Result<()> {
    let sql = "insert into procedure_version (workshop_id, id, procedure_id, version, title, component, motorcycle_id, body, written_by, created_at)
               values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(version.id)
            .bind(version.procedure_id)
            .bind(i64::from(version.version))
            .bind(&version.title)
            .bind(&version.component)
            .bind(version.applies_to.motorcycle_id)
            .bind(Json(version.details()))
            .bind(&version.written_by)
            .bind(Instant(version.created_at))
    )?;
    Ok(())
}

/// Says when a procedure was changed. Until the work is finished nobody else can write a version of it.
pub async fn touch(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Procedure>, now: OffsetDateTime) -> Result<()> {
    let sql = "update procedure set updated_at = $3 where workshop_id = $1 and id = $2";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(Instant(now)))?;
    Ok(())
}

/// Hides a procedure. Its versions stay readable, and so does what followed them.
pub async fn hide(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Procedure>, now: OffsetDateTime) -> Result<()> {
    let sql = "update procedure set deleted_at = $3, updated_at = $3 where workshop_id = $1 and id = $2 and deleted_at is null";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(Instant(now)))?;
    Ok(())
}

macro_rules! newest {
    ($which:literal) => {
        concat!(
            "select p.id, v.version, v.body, p.created_at
             from procedure p join procedure_version v on v.workshop_id = p.workshop_id and v.procedure_id = p.id
             where p.workshop_id = $1 and p.deleted_at is null
               and v.version = (select max(n.version) from procedure_version n where n.workshop_id = $1 and n.procedure_id = p.id) and ",
            $which
        )
    };
}

/// The procedure of an id, unless it was deleted.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Procedure>) -> Result<Option<Procedure>> {
    let row = on!(tx, sqlx::query_as::<_, Row>(newest!("p.id = $2")).bind(workshop).bind(id), fetch_optional)?;
    row.map(Procedure::try_from).transpose()
}

/// Procedures that were not deleted, oldest first; of one component, or written for one motorcycle, if wanted.
pub async fn list(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    component: Option<&str>,
    motorcycle: Option<Id<Motorcycle>>,
    stretch: Stretch<Id<Procedure>>,
) -> Result<Vec<Procedure>> {
    let sql = newest!(
        "($2 is null or v.component = $2) and ($3 is null or v.motorcycle_id = $3) and ($4 is null or p.id > $4) order by p.id limit $5"
    );
    on!(
        tx,
        sqlx::query_as::<_, Row>(sql).bind(workshop).bind(component).bind(motorcycle).bind(stretch.after).bind(stretch.limit),
        fetch_all
    )?
    .into_iter()
    .map(Procedure::try_from)
    .collect()
}

/// The procedures that may be for one motorcycle: those for many, and those written for it alone.
pub async fn perhaps_for(tx: &mut Tx, workshop: Id<Workshop>, motorcycle: Id<Motorcycle>) -> Result<Vec<Procedure>> {
    let sql = newest!("(v.motorcycle_id is null or v.motorcycle_id = $2) order by p.id");
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(motorcycle), fetch_all)?;
    rows.into_iter().map(Procedure::try_from).collect()
}

/// The versions of a procedure, deleted or not, oldest first.
pub async fn versions(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    procedure: Id<Procedure>,
    stretch: Stretch<Id<ProcedureVersion>>,
) -> Result<Vec<ProcedureVersion>> {
    let sql = "select id, procedure_id, version, body, written_by, created_at from procedure_version
               where workshop_id = $1 and procedure_id = $2 and ($3 is null or id > $3) order by id limit $4";
    on!(tx, sqlx::query_as::<_, VersionRow>(sql).bind(workshop).bind(procedure).bind(stretch.after).bind(stretch.limit), fetch_all)?
        .into_iter()
        .map(ProcedureVersion::try_from)
        .collect()
}

/// One version of a procedure, deleted or not.
pub async fn find_version(tx: &mut Tx, workshop: Id<Workshop>, procedure: Id<Procedure>, version: u32) -> Result<Option<ProcedureVersion>> {
    let sql = "select id, procedure_id, version, body, written_by, created_at from procedure_version
               where workshop_id = $1 and procedure_id = $2 and version = $3";
    on!(tx, sqlx::query_as::<_, VersionRow>(sql).bind(workshop).bind(procedure).bind(i64::from(version)), fetch_optional)?
        .map(ProcedureVersion::try_from)
        .transpose()
}
