//! What may be used once only, where it was used again: it stands in the lines of events and in fittings, and has no table of its own.
use sqlx::FromRow;
use time::Date;

use super::{Tx, on, service_event::EventBody, types::Json};
use crate::{
    access::Sight,
    domain::{
        due::MotorcycleRef,
        id::Id,
        motorcycle::Motorcycle,
        part::InstalledPart,
        quantity::{Distance, Figure, Quantity, Unit},
        service::ServiceEvent,
        single_use::{Reused, ReusedKind, Use},
        words::Position,
        workshop::Workshop,
    },
    error::Result,
};

#[derive(FromRow)]
struct EventRow {
    id: Id<ServiceEvent>,
    motorcycle_id: Id<Motorcycle>,
    name: String,
    on_date: Date,
    body: Json<EventBody>,
    reading: Option<Figure>,
    unit: Option<Unit>,
}

/// What became of single-use fasteners on motorcycles in use, or on this one, in the order of time.
pub async fn uses(tx: &mut Tx, workshop: Id<Workshop>, sight: Sight, bike: Option<Id<Motorcycle>>) -> Result<Vec<Use>> {
    // Bodies are written without spaces, and a quotation mark inside a text has a backslash before it: only the field itself is found. There
    // is an index of exactly these events (migration 0015).
    macro_rules! events {
        ($whose:literal) => {
            concat!(
                r#"select e.id, e.motorcycle_id, b.name, e.on_date, e.body, r.reading, r.unit
                 from service_event e join motorcycle b on b.workshop_id = e.workshop_id and b.id = e.motorcycle_id
                   left join reading r on r.workshop_id = e.workshop_id and r.service_event_id = e.id and r.counter = 'odometer' and r.struck_at is null
                 where e.workshop_id = $1 and e.struck_at is null and e.body like '%"single_use_was":"re%' and "#,
                $whose,
                " and ($3 is null or b.owner_id = $3) and ($4 is null or b.id = $4)"
            )
        };
    }
    let sql = if bike.is_some() { events!("e.motorcycle_id = $2") } else { events!("$2 is null and b.archived_at is null") };
    let mut rows =
        on!(tx, sqlx::query_as::<_, EventRow>(sql).bind(workshop).bind(bike).bind(sight.owner()).bind(sight.motorcycle()), fetch_all)?;
    // On one day by distance, then as entered.
    let odometer = |row: &EventRow| Distance::from_quantity(&Quantity { value: row.reading.clone()?, unit: row.unit? }).ok();
    rows.sort_by_cached_key(|row| (row.on_date, odometer(row), row.id));
    let of_event = |row: EventRow| {
        let motorcycle = MotorcycleRef { id: row.motorcycle_id, name: row.name };
        row.body.0.tightened.into_iter().filter_map(move |line| {
            let (motorcycle, was) = (motorcycle.clone(), line.single_use_was?);
            Some(Use { motorcycle, on: row.on_date, event: row.id, fastener: line.fastener, name: line.name, was })
        })
    };
    Ok(rows.into_iter().flat_map(of_event).collect())
}

#[derive(FromRow)]
struct PartRow {
    id: Id<InstalledPart>,
    motorcycle_id: Id<Motorcycle>,
    name: String,
    component: String,
    description: String,
    position: Option<Position>,
    fitted_event_id: Option<Id<ServiceEvent>>,
    since: Date,
    times: i64,
}

/// Single-use parts that are on a motorcycle and were on one before, or came used.
pub async fn parts_reused(tx: &mut Tx, workshop: Id<Workshop>, sight: Sight, bike: Option<Id<Motorcycle>>) -> Result<Vec<Reused>> {
    macro_rules! parts {
        ($single_use:literal, $whose:literal) => {
            concat!(
                "with stay as (
                 select f.part_id, f.fitted_on, p.condition, row_number() over (partition by f.part_id order by f.fitted_on, f.id) as place
                 from ", $single_use, "
                   cross join fitting f
                 where p.workshop_id = $1 and p.single_use and f.workshop_id = p.workshop_id and f.part_id = p.id and f.struck_at is null),
               again as (
                 select part_id, min(fitted_on) as since, count(*) as times from stay where place > 1 or condition = 'used' group by part_id)
               select p.id, f.motorcycle_id, b.name, p.component, p.description, f.position, f.fitted_event_id, again.since, again.times
               from again cross join fitting f
                 join installed_part p on p.workshop_id = f.workshop_id and p.id = f.part_id
                 join motorcycle b on b.workshop_id = f.workshop_id and b.id = f.motorcycle_id
               where f.workshop_id = $1 and f.part_id = again.part_id and f.struck_at is null and f.removed_on is null and ", $whose, " and ($3 is null or b.owner_id = $3) and ($4 is null or b.id = $4)"
            )
        };
    }
    // From the single-use parts of the workshop, of which there is an index, or from the parts that are on the motorcycle, to all their stays.
    let sql = if bike.is_some() {
        parts!(
            "fitting here join installed_part p on here.workshop_id = $1 and here.motorcycle_id = $2 and here.struck_at is null
                     and here.removed_on is null and p.workshop_id = here.workshop_id and p.id = here.part_id",
            "f.motorcycle_id = $2"
        )
    } else {
        parts!("installed_part p", "$2 is null and b.archived_at is null")
    };
    let reused = |row: PartRow| Reused {
        motorcycle: MotorcycleRef { id: row.motorcycle_id, name: row.name },
        kind: ReusedKind::Part,
        name: if row.description.is_empty() { row.component.replace('_', " ") } else { row.description },
        fastener: None,
        installed_part_id: Some(row.id),
        component: Some(row.component),
        position: row.position,
        since: row.since,
        times: u32::try_from(row.times).unwrap_or(1),
        service_event_id: row.fitted_event_id,
    };
    let rows =
        on!(tx, sqlx::query_as::<_, PartRow>(sql).bind(workshop).bind(bike).bind(sight.owner()).bind(sight.motorcycle()), fetch_all)?;
    Ok(rows.into_iter().map(reused).collect())
}
