//! Motorcycles that are offered, to an owner or by a link. Of the link's secret only a hash is stored.
use sqlx::FromRow;
use time::OffsetDateTime;

use super::{Stretch, Tx, execute, on, types::Instant};
use crate::{
    domain::{
        id::Id,
        motorcycle::{Motorcycle, Owner},
        offer::{Offer, OfferState},
        workshop::Workshop,
    },
    error::{Error, Result},
};

#[derive(FromRow)]
struct Row {
    workshop_id: Id<Workshop>,
    id: Id<Offer>,
    motorcycle_id: Id<Motorcycle>,
    motorcycle_name: String,
    from_owner_id: Option<Id<Owner>>,
    to_owner_id: Option<Id<Owner>>,
    to_email: Option<String>,
    state: String,
    expires_at: Instant,
    settled_at: Option<Instant>,
    created_by: String,
    created_at: Instant,
}

/// An offer with what only the server needs to know of it.
#[derive(Clone, Debug)]
pub struct Found {
    /// The workshop that offers.
    pub workshop: Id<Workshop>,
    /// Whose the motorcycle was when it was offered.
    pub from_owner: Option<Id<Owner>>,
    /// The offer.
    pub offer: Offer,
}
impl Row {
    fn found(self, now: OffsetDateTime) -> Result<Found> {
        let state = match self.state.parse().map_err(Error::internal)? {
            OfferState::Open if self.expires_at.0 <= now => OfferState::Expired,
            other => other,
        };
        let offer = Offer {
            id: self.id,
            motorcycle_id: self.motorcycle_id,
            motorcycle_name: self.motorcycle_name,
            to_owner_id: self.to_owner_id,
            to_email: self.to_email,
            state,
            created_by: self.created_by,
            expires_at: self.expires_at.0,
            settled_at: self.settled_at.map(|at| at.0),
            created_at: self.created_at.0,
        };
        Ok(Found { workshop: self.workshop_id, from_owner: self.from_owner_id, offer })
    }
}

macro_rules! offers {
    ($rest:literal) => {
        concat!(
            "select offer.workshop_id, offer.id, offer.motorcycle_id, bike.name as motorcycle_name, offer.from_owner_id, offer.to_owner_id,
               offer.to_email, offer.state, offer.expires_at, offer.settled_at, offer.created_by, offer.created_at
             from offer join motorcycle bike on bike.workshop_id = offer.workshop_id and bike.id = offer.motorcycle_id ",
            $rest
        )
    };
}

/// Stores a new offer; one to another workshop with the hash of its secret.
pub async fn insert(tx: &mut Tx, found: &Found, secret_hash: Option<&[u8]>) -> Result<()> {
    let offer = &found.offer;
    let sql = "insert into offer (workshop_id, id, motorcycle_id, from_owner_id, to_owner_id, to_email, secret_hash, state, expires_at,
                 created_by, created_at) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(found.workshop)
            .bind(offer.id)
            .bind(offer.motorcycle_id)
            .bind(found.from_owner)
            .bind(offer.to_owner_id)
            .bind(&offer.to_email)
            .bind(secret_hash)
            .bind(offer.state.as_str())
            .bind(Instant(offer.expires_at))
            .bind(&offer.created_by)
            .bind(Instant(offer.created_at))
    )?;
    Ok(())
}

/// The offer of an id.
pub async fn find(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Offer>, now: OffsetDateTime) -> Result<Option<Found>> {
    let sql = offers!("where offer.workshop_id = $1 and offer.id = $2");
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(id), fetch_optional)?;
    row.map(|row| row.found(now)).transpose()
}
/// The offer of a secret's hash, whichever workshop made it.
pub async fn find_by_secret(tx: &mut Tx, hash: &[u8], now: OffsetDateTime) -> Result<Option<Found>> {
    let sql = offers!("where offer.secret_hash = $1");
    let row = on!(tx, sqlx::query_as::<_, Row>(sql).bind(hash), fetch_optional)?;
    row.map(|row| row.found(now)).transpose()
}
/// The offers of a motorcycle, newest first.
pub async fn of_motorcycle(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    motorcycle: Id<Motorcycle>,
    stretch: Stretch<Id<Offer>>,
    now: OffsetDateTime,
) -> Result<Vec<Offer>> {
    let sql = offers!(
        "where offer.workshop_id = $1 and offer.motorcycle_id = $2 and ($3 is null or offer.id < $3) order by offer.id desc limit $4"
    );
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(motorcycle).bind(stretch.after).bind(stretch.limit), fetch_all)?;
    rows.into_iter().map(|row| Ok(row.found(now)?.offer)).collect()
}
/// The offers to an owner that can be accepted, oldest first.
pub async fn open_to(tx: &mut Tx, workshop: Id<Workshop>, owner: Id<Owner>, now: OffsetDateTime) -> Result<Vec<Offer>> {
    let sql = offers!(
        "where offer.workshop_id = $1 and offer.to_owner_id = $2 and offer.state = 'open' and offer.expires_at > $3 order by offer.id"
    );
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(owner).bind(Instant(now)), fetch_all)?;
    rows.into_iter().map(|row| Ok(row.found(now)?.offer)).collect()
}
/// Settles an offer that is open; says whether it was.
pub async fn settle(tx: &mut Tx, workshop: Id<Workshop>, id: Id<Offer>, state: OfferState, now: OffsetDateTime) -> Result<bool> {
    let sql = "update offer set state = $3, settled_at = $4
               where workshop_id = $1 and id = $2 and state = 'open' and expires_at > $4";
    Ok(execute!(tx, sqlx::query(sql).bind(workshop).bind(id).bind(state.as_str()).bind(Instant(now)))? == 1)
}
/// Whether somebody with an account comes in as this owner.
pub async fn has_account(tx: &mut Tx, workshop: Id<Workshop>, owner: Id<Owner>) -> Result<bool> {
    let sql = "select count(*) from membership where workshop_id = $1 and owner_id = $2";
    let count: i64 = on!(tx, sqlx::query_scalar(sql).bind(workshop).bind(owner), fetch_one)?;
    Ok(count > 0)
}
