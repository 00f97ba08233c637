//! The people of a workshop: members, and invitations that nobody has accepted yet, in one list.
use sqlx::FromRow;
use time::OffsetDateTime;

use super::{
    Stretch, Tx, execute, on,
    types::{Instant, Json},
};
use crate::{
    domain::{
        id::Id,
        motorcycle::Owner,
        person::{Member, NewMember, OpenInvitation},
        words::Role,
        workshop::{Person, Workshop},
    },
    error::Result,
};

#[derive(FromRow)]
struct Row {
    id: Id<Member>,
    email: String,
    name: String,
    roles: Json<Vec<Role>>,
    owner_id: Option<Id<Owner>>,
    joined_at: Option<Instant>,
    expires_at: Option<Instant>,
    created_at: Instant,
}
impl From<Row> for Member {
    fn from(row: Row) -> Self {
        let new = NewMember { email: row.email, name: row.name, roles: row.roles.0, owner_id: row.owner_id };
        let invitation = row.expires_at.map(|at| OpenInvitation { expires_at: at.0 });
        Self::from_new(row.id, new, row.joined_at.map(|at| at.0), invitation, row.created_at.0)
    }
}

/// Both kinds of people, each of one workshop, `$1`.
macro_rules! people {
    ($rest:literal) => {
        concat!(
            "select id, email, name, roles, owner_id, joined_at, expires_at, created_at from (
               select membership.id, person.email, membership.name, membership.roles, membership.owner_id, membership.created_at as joined_at,
                 cast(null as bigint) as expires_at, membership.created_at
               from membership join person on person.person_id = membership.person_id where membership.workshop_id = $1
               union all
               select id, email, name, roles, owner_id, cast(null as bigint), expires_at, created_at from invitation where workshop_id = $1
             ) as people ",
            $rest
        )
    };
}

/// The person of an id.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Member>) -> Result<Option<Member>> {
    let sql = people!("where id = $2");
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(id), fetch_optional)?;
    Ok(row.map(Member::from))
}
/// The person of an e-mail address (in lower case).
pub async fn find_by_email(tx: &mut Tx, workshop: Id<Workshop>, email: &str) -> Result<Option<Member>> {
    let sql = people!("where email = $2");
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(email), fetch_optional)?;
    Ok(row.map(Member::from))
}
/// People by name, then id.
pub async fn list(tx: &mut Tx, workshop: Id<Workshop>, stretch: Stretch<(String, Id<Member>)>) -> Result<Vec<Member>> {
    let sql = people!("where ($2 is null or (name, id) > ($2, $3)) order by name, id limit $4");
    let (name, id) = stretch.after.unzip();
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(&name).bind(id).bind(stretch.limit), fetch_all)?;
    Ok(rows.into_iter().map(Member::from).collect())
}
/// How many managers a workshop has beside a member.
pub async fn other_managers(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Member>) -> Result<i64> {
    let sql = "select count(*) from membership where workshop_id = $1 and id <> $2 and roles like '%\"manager\"%'";
    Ok(on!(tx, sqlx::query_scalar(sql).bind(workshop).bind(id), fetch_one)?)
}
/// The account of a member: None for one who is only invited.
pub async fn account(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Member>) -> Result<Option<Id<Person>>> {
    let sql = "select person_id from membership where workshop_id = $1 and id = $2";
    Ok(on!(tx, sqlx::query_scalar(sql).bind(workshop).bind(id), fetch_optional)?)
}

/// The owner whom a person is in a workshop, whatever else they are there.
pub async fn owner_of(tx: &mut Tx, workshop: Id<Workshop>, person: Id<Person>) -> Result<Option<Id<Owner>>> {
    let sql = "select owner_id from membership where workshop_id = $1 and person_id = $2 and roles like '%\"owner\"%'";
    let found: Option<(Option<Id<Owner>>,)> = on!(tx, sqlx::query_as(sql).bind(workshop).bind(person), fetch_optional)?;
    Ok(found.and_then(|found| found.0))
}

/// Stores what was changed on a person.
pub async fn update(tx: &mut Tx, workshop: Id<Workshop>, member: &Member) -> Result<()> {
    for sql in [
        "update membership set name = $3, roles = $4, owner_id = $5 where workshop_id = $1 and id = $2",
        "update invitation set name = $3, roles = $4, owner_id = $5 where workshop_id = $1 and id = $2",
    ] {
        let roles = Json(&member.roles);
        execute!(tx, sqlx::query(sql).bind(workshop).bind(member.id).bind(&member.name).bind(roles).bind(member.owner_id))?;
    }
    Ok(())
}
/// Takes a person out of a workshop, or their invitation back.
pub async fn delete(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Member>) -> Result<()> {
    for sql in ["delete from membership where workshop_id = $1 and id = $2", "delete from invitation where workshop_id = $1 and id = $2"] {
        execute!(tx, sqlx::query(sql).bind(workshop).bind(id))?;
    }
    Ok(())
}

/// An invitation, as its link finds it.
#[derive(Debug)]
pub struct Invitation {
    /// The workshop that invites.
    pub workshop: Id<Workshop>,
    /// Who is invited, as what.
    pub member: Member,
}

/// Stores a new invitation by the hash of its secret.
pub async fn invite(tx: &mut Tx, workshop: Id<Workshop>, member: &Member, hash: &[u8], until: OffsetDateTime) -> Result<()> {
    let sql = "insert into invitation (workshop_id, id, email, name, roles, owner_id, secret_hash, expires_at, created_at)
               values ($1, $2, $3, $4, $5, $6, $7, $8, $9)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(member.id)
            .bind(&member.email)
            .bind(&member.name)
            .bind(Json(&member.roles))
            .bind(member.owner_id)
            .bind(hash)
            .bind(Instant(until))
            .bind(Instant(member.created_at))
    )?;
    Ok(())
}
/// Gives an invitation a new secret, and a new end: the link before works no more.
pub async fn invite_again(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Member>, hash: &[u8], until: OffsetDateTime) -> Result<()> {
    let sql = "update invitation set secret_hash = $3, expires_at = $4 where workshop_id = $1 and id = $2";
    execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(hash).bind(Instant(until)))?;
    Ok(())
}
/// The invitation of a secret's hash, unless it is too old.
pub async fn find_invitation(tx: &mut Tx, hash: &[u8], now: OffsetDateTime) -> Result<Option<Invitation>> {
    #[derive(FromRow)]
    struct WithWorkshop {
        workshop_id: Id<Workshop>,
        #[sqlx(flatten)]
        row: Row,
    }
    let sql = "select workshop_id, id, email, name, roles, owner_id, cast(null as bigint) as joined_at, expires_at, created_at
               from invitation where secret_hash = $1 and expires_at > $2";
    let found = on!(tx, sqlx::query_as::<_, WithWorkshop>(sql).bind(hash).bind(Instant(now)), fetch_optional)?;
    Ok(found.map(|found| Invitation { workshop: found.workshop_id, member: found.row.into() }))
}
/// Uses an invitation up; says whether it was still there, so that of two at once only one comes in.
pub async fn use_up(tx: &mut Tx, workshop: Id<Workshop>, hash: &[u8]) -> Result<bool> {
    let sql = "delete from invitation where workshop_id = $1 and secret_hash = $2";
    Ok(execute!(tx, sqlx::query(sql).bind(workshop).bind(hash))? == 1)
}
