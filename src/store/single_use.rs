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
}

/// What became of single-use fasteners on motorcycles in use, or on this one, in the order of time.
pub async fn uses(tx: &mut Tx, workshop: Id<Workshop>, sight: Sight, bike: Option<Id<Motorcycle>>) -> Result<Vec<Use>> {
    // Bodies are written without spaces, and a quotation mark inside a text has a backslash before it: only the field itself is found.
    let sql = r#"select e.id, e.motorcycle_id, b.name, e.on_date, e.body
                 from service_event e join motorcycle b on b.workshop_id = e.workshop_id and b.id = e.motorcycle_id
                 where e.workshop_id = $1 and e.struck_at is null and e.body like '%"single_use_was":"re%'
                   and ($2 is null and b.archived_at is null or e.motorcycle_id = $2)
                   and ($3 is null or b.owner_id = $3) and ($4 is null or b.id = $4)
                 order by e.on_date, e.id"#;
    let rows =
        on!(tx, sqlx::query_as::<_, EventRow>(sql).bind(workshop).bind(bike).bind(sight.owner()).bind(sight.motorcycle()), fetch_all)?;
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
    fitted_on: Date,
    fitted_event_id: Option<Id<ServiceEvent>>,
    before: i64,
}

/// Single-use parts that are on a motorcycle and were on one before, or came used.
pub async fn parts_reused(tx: &mut Tx, workshop: Id<Workshop>, sight: Sight, bike: Option<Id<Motorcycle>>) -> Result<Vec<Reused>> {
    let sql = "select p.id, f.motorcycle_id, b.name, p.component, p.description, f.position, f.fitted_on, f.fitted_event_id,
                      (select count(*) from fitting g where g.workshop_id = $1 and g.part_id = f.part_id and g.struck_at is null
                         and (g.fitted_on, g.id) < (f.fitted_on, f.id)) + case when p.condition = 'used' then 1 else 0 end as before
               from fitting f join installed_part p on p.workshop_id = f.workshop_id and p.id = f.part_id
                 join motorcycle b on b.workshop_id = f.workshop_id and b.id = f.motorcycle_id
               where f.workshop_id = $1 and p.single_use and f.struck_at is null and f.removed_on is null
                 and ($2 is null and b.archived_at is null or f.motorcycle_id = $2)
                 and ($3 is null or b.owner_id = $3) and ($4 is null or b.id = $4)
                 and (p.condition = 'used' or exists (select 1 from fitting g where g.workshop_id = $1 and g.part_id = f.part_id
                        and g.struck_at is null and (g.fitted_on, g.id) < (f.fitted_on, f.id)))";
    let reused = |row: PartRow| Reused {
        motorcycle: MotorcycleRef { id: row.motorcycle_id, name: row.name },
        kind: ReusedKind::Part,
        name: if row.description.is_empty() { row.component.replace('_', " ") } else { row.description },
        fastener: None,
        installed_part_id: Some(row.id),
        component: Some(row.component),
        position: row.position,
        since: row.fitted_on,
        times: u32::try_from(row.before).unwrap_or(1),
        service_event_id: row.fitted_event_id,
    };
    let rows =
        on!(tx, sqlx::query_as::<_, PartRow>(sql).bind(workshop).bind(bike).bind(sight.owner()).bind(sight.motorcycle()), fetch_all)?;
    Ok(rows.into_iter().map(reused).collect())
}
