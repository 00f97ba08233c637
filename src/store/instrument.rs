//! Replacements and roll-overs of odometers and hour meters.
use sqlx::FromRow;
use time::Date;

use super::{Stretch, Tx, execute, on, types::Instant};
use crate::{
    domain::{
        id::Id,
        motorcycle::{Instrument, Motorcycle, NewInstrument},
        quantity::{Figure, Unit},
        words::{CounterKind, InstrumentChange},
        workshop::Workshop,
    },
    error::Result,
};

#[derive(FromRow)]
struct Row {
    id: Id<Instrument>,
    motorcycle_id: Id<Motorcycle>,
    counter: CounterKind,
    on_date: Date,
    kind: InstrumentChange,
    old_final: Option<Figure>,
    new_start: Option<Figure>,
    capacity: Option<Figure>,
    unit: Unit,
    reason: String,
    created_at: Instant,
}
impl From<Row> for Instrument {
    fn from(row: Row) -> Self {
        let Row { old_final, new_start, capacity, reason, .. } = row;
        let new = NewInstrument { on: row.on_date, kind: row.kind, old_final, new_start, capacity, reason };
        Self::from_new(row.id, new, row.motorcycle_id, row.counter, row.unit, row.created_at.0)
    }
}

/// Stores what happened to an instrument.
pub async fn insert(tx: &mut Tx, workshop: Id<Workshop>, change: &Instrument) -> Result<()> {
    let sql = "insert into instrument (workshop_id, id, motorcycle_id, counter, on_date, kind, old_final, new_start, capacity, unit, reason, created_at)
               values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)";
    execute!(
        tx,
        sqlx::query(sql)
            .bind(workshop)
            .bind(change.id)
            .bind(change.motorcycle_id)
            .bind(change.counter)
            .bind(change.on)
            .bind(change.kind)
            .bind(change.old_final.clone())
            .bind(change.new_start.clone())
            .bind(change.capacity.clone())
            .bind(change.unit)
            .bind(&change.reason)
            .bind(Instant(change.created_at))
    )?;
    Ok(())
}

/// What happened to the instruments of a counter, oldest first: by day, then in the order entered.
pub async fn list(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    bike: Id<Motorcycle>,
    kind: CounterKind,
    stretch: Stretch<(Date, Id<Instrument>)>,
) -> Result<Vec<Instrument>> {
    let sql = "select id, motorcycle_id, counter, on_date, kind, old_final, new_start, capacity, unit, reason, created_at from instrument
               where workshop_id = $1 and motorcycle_id = $2 and counter = $3 and ($4 is null or (on_date, id) > ($4, $5))
               order by on_date, id limit $6";
    let (day, id) = stretch.after.unzip();
    let rows =
        on!(tx, sqlx::query_as::<_, Row>(sql).bind(workshop).bind(bike).bind(kind).bind(day).bind(id).bind(stretch.limit), fetch_all)?;
    Ok(rows.into_iter().map(Instrument::from).collect())
}

/// All of them.
pub async fn all(tx: &mut Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>, kind: CounterKind) -> Result<Vec<Instrument>> {
    list(tx, workshop, bike, kind, Stretch { after: None, limit: i64::MAX }).await
}
