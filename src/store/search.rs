//! Searching by `like`: candidates by plain patterns, newest first. Which of them are meant, the domain says.
use sqlx::FromRow;
use time::Date;
use uuid::Uuid;

use super::{Tx, on};
use crate::{
    access::Sight,
    domain::{id::Id, motorcycle::Motorcycle, search::FoundKind, workshop::Workshop},
    error::Result,
};

/// Something that may be meant.
#[derive(Clone, Debug, FromRow)]
pub struct Candidate {
    /// Its id.
    pub id: Uuid,
    /// The motorcycle.
    pub motorcycle_id: Option<Id<Motorcycle>>,
    /// The day.
    pub on_date: Date,
    /// Its own text.
    pub text: String,
}

/// By day, then by id; the newest first.
pub type Key = (Date, Uuid);

/// Service events by summary, notes, what was found and filled, and their work lines.
const EVENTS: &str = "select e.id, e.motorcycle_id, e.on_date, e.summary as text from service_event e
    where e.workshop_id = $1 and e.struck_at is null and ($5 is null or (e.on_date, e.id) < ($5, $6))
      and (lower(e.summary || ' ' || e.notes || ' ' || e.body) like $2 or exists (select 1 from work_line w
           where w.workshop_id = $1 and w.service_event_id = e.id and lower(w.note || ' ' || w.component || ' ' || coalesce(w.position, '') || ' ' || w.operation) like $2))
      and (lower(e.summary || ' ' || e.notes || ' ' || e.body) like $3 or exists (select 1 from work_line w
           where w.workshop_id = $1 and w.service_event_id = e.id and lower(w.note || ' ' || w.component || ' ' || coalesce(w.position, '') || ' ' || w.operation) like $3))
      and (lower(e.summary || ' ' || e.notes || ' ' || e.body) like $4 or exists (select 1 from work_line w
           where w.workshop_id = $1 and w.service_event_id = e.id and lower(w.note || ' ' || w.component || ' ' || coalesce(w.position, '') || ' ' || w.operation) like $4))
      and ($9 is null or e.motorcycle_id = $9)
      and ($8 is null or exists (select 1 from motorcycle b where b.workshop_id = $1 and b.id = e.motorcycle_id and b.owner_id = $8))
    order by e.on_date desc, e.id desc limit $7";
/// Amendments of events that stand.
const AMENDMENTS: &str = "select a.id, e.motorcycle_id, a.on_date, a.text from amendment a
    join service_event e on e.workshop_id = a.workshop_id and e.id = a.service_event_id
    where a.workshop_id = $1 and e.struck_at is null and ($5 is null or (a.on_date, a.id) < ($5, $6))
      and lower(a.text) like $2 and lower(a.text) like $3 and lower(a.text) like $4
      and ($9 is null or e.motorcycle_id = $9)
      and ($8 is null or exists (select 1 from motorcycle b where b.workshop_id = $1 and b.id = e.motorcycle_id and b.owner_id = $8))
    order by a.on_date desc, a.id desc limit $7";
/// Parts by description, number and component, at their last fitting that stands.
const PARTS: &str = "select p.id, f.motorcycle_id, f.fitted_on as on_date, p.description || ' · ' || coalesce(p.part_number, '') as text
    from installed_part p
    join fitting f on f.workshop_id = p.workshop_id and f.part_id = p.id and f.struck_at is null
    where p.workshop_id = $1 and ($5 is null or (f.fitted_on, p.id) < ($5, $6))
      and not exists (select 1 from fitting g where g.workshop_id = p.workshop_id and g.part_id = p.id and g.struck_at is null
                      and (g.fitted_on, g.id) > (f.fitted_on, f.id))
      and lower(p.description || ' ' || coalesce(p.part_number, '') || ' ' || p.component || ' ' || coalesce(f.position, '')) like $2
      and lower(p.description || ' ' || coalesce(p.part_number, '') || ' ' || p.component || ' ' || coalesce(f.position, '')) like $3
      and lower(p.description || ' ' || coalesce(p.part_number, '') || ' ' || p.component || ' ' || coalesce(f.position, '')) like $4
      and ($9 is null or f.motorcycle_id = $9)
      and ($8 is null or exists (select 1 from motorcycle b where b.workshop_id = $1 and b.id = f.motorcycle_id and b.owner_id = $8))
    order by f.fitted_on desc, p.id desc limit $7";
/// Follow-ups by text and component.
const FOLLOW_UPS: &str = "select u.id, u.motorcycle_id, e.on_date, u.text from follow_up u
    join service_event e on e.workshop_id = u.workshop_id and e.id = u.service_event_id
    where u.workshop_id = $1 and u.struck_at is null and ($5 is null or (e.on_date, u.id) < ($5, $6))
      and lower(u.text || ' ' || coalesce(u.component, '') || ' ' || coalesce(u.position, '')) like $2
      and lower(u.text || ' ' || coalesce(u.component, '') || ' ' || coalesce(u.position, '')) like $3
      and lower(u.text || ' ' || coalesce(u.component, '') || ' ' || coalesce(u.position, '')) like $4
      and ($9 is null or u.motorcycle_id = $9)
      and ($8 is null or exists (select 1 from motorcycle b where b.workshop_id = $1 and b.id = u.motorcycle_id and b.owner_id = $8))
    order by e.on_date desc, u.id desc limit $7";

/// What may hold words of these patterns, of one kind, newest first.
pub async fn candidates(
    tx: &mut Tx,
    workshop: Id<Workshop>,
    sight: Sight,
    kind: FoundKind,
    patterns: &[String; 3],
    after: Option<Key>,
    limit: i64,
) -> Result<Vec<Candidate>> {
    let sql = match kind {
        FoundKind::ServiceEvent => EVENTS,
        FoundKind::Amendment => AMENDMENTS,
        FoundKind::InstalledPart => PARTS,
        FoundKind::FollowUp => FOLLOW_UPS,
    };
    let (day, id) = after.unzip();
    let [first, second, third] = patterns;
    Ok(on!(
        tx,
        sqlx::query_as::<_, Candidate>(sql)
            .bind(workshop)
            .bind(first)
            .bind(second)
            .bind(third)
            .bind(day)
            .bind(id)
            .bind(limit)
            .bind(sight.owner())
            .bind(sight.motorcycle()),
        fetch_all
    )?)
}
