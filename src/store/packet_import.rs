//! Motorcycles that came here with a history packet. Rows go in through [`exchange`](super::exchange), like every other fact that comes along.
use sqlx::FromRow;
use time::{Date, OffsetDateTime};

use super::{Tx, on, types::Instant};
use crate::{
    domain::{id::Id, motorcycle::Motorcycle, packet::TakenOver, workshop::Workshop},
    error::Result,
};

/// One packet that was imported.
#[derive(Clone, Debug)]
pub struct PacketImport {
    /// The motorcycle that it became here.
    pub motorcycle_id: Id<Motorcycle>,
    /// The packet's last hash.
    pub head: String,
    /// What is told of it.
    pub taken_over: TakenOver,
}

#[derive(FromRow)]
struct Row {
    motorcycle_id: Id<Motorcycle>,
    packet_workshop: String,
    fingerprint: String,
    head: String,
    entries: i64,
    made_on: Date,
    created_at: Instant,
}
impl From<Row> for PacketImport {
    fn from(row: Row) -> Self {
        let at: OffsetDateTime = row.created_at.0;
        let taken_over = TakenOver {
            workshop: row.packet_workshop,
            fingerprint: row.fingerprint,
            entries: usize::try_from(row.entries).unwrap_or(0),
            made_on: row.made_on,
            on: at.date(),
        };
        Self { motorcycle_id: row.motorcycle_id, head: row.head, taken_over }
    }
}

macro_rules! imports {
    () => {
        "select motorcycle_id, packet_workshop, fingerprint, head, entries, made_on, created_at from packet_import "
    };
}

/// What came here of the motorcycle that some workshop knows by this id, oldest first.
///
/// # Errors
/// Where the database refuses.
pub async fn of_packet(tx: &mut Tx, workshop: Id<Workshop>, packet_motorcycle: Id<Motorcycle>) -> Result<Vec<PacketImport>> {
    let sql = concat!(imports!(), "where workshop_id = $1 and packet_motorcycle = $2 order by id");
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(packet_motorcycle.to_string()), fetch_all)?;
    Ok(rows.into_iter().map(PacketImport::from).collect())
}

/// The packets that a motorcycle of this workshop came with, oldest first.
///
/// # Errors
/// Where the database refuses.
pub async fn of_motorcycle(tx: &mut Tx, workshop: Id<Workshop>, motorcycle: Id<Motorcycle>) -> Result<Vec<PacketImport>> {
    let sql = concat!(imports!(), "where workshop_id = $1 and motorcycle_id = $2 order by id");
    let rows = on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(motorcycle), fetch_all)?;
    Ok(rows.into_iter().map(PacketImport::from).collect())
}
