//! Stays of parts on motorcycles, as far as they can contradict each other: the actions keep them apart, `witnessmark check` looks.
use super::{Tx, on};
use crate::{
    domain::{id::Id, workshop::Workshop},
    error::Result,
};

/// Where two stays contradict each other, in words.
pub struct Contradiction {
    /// The name of the motorcycle of the later stay.
    pub motorcycle: String,
    /// What contradicts what.
    pub what: String,
}

/// Parts that were in two places at once, and places that held two parts of one component at once.
///
/// # Errors
/// Where the database cannot be read.
pub async fn contradictions(tx: &mut Tx, workshop: Id<Workshop>) -> Result<Vec<Contradiction>> {
    let sql = "select motorcycle.name, part.component, here.position, elsewhere.name, here.fitted_on
               from fitting here
               join fitting there on there.workshop_id = here.workshop_id and there.part_id = here.part_id and there.id <> here.id
                 and (there.fitted_on < here.fitted_on or (there.fitted_on = here.fitted_on and there.id < here.id))
                 and (there.removed_on is null or there.removed_on > here.fitted_on)
               join installed_part part on part.workshop_id = here.workshop_id and part.id = here.part_id
               join motorcycle on motorcycle.workshop_id = here.workshop_id and motorcycle.id = here.motorcycle_id
               join motorcycle elsewhere on elsewhere.workshop_id = there.workshop_id and elsewhere.id = there.motorcycle_id
               where here.workshop_id = $1 and here.struck_at is null and there.struck_at is null
               order by motorcycle.name, here.id";
    let twice: Vec<Row> = on!(tx, sqlx::query_as(sql).bind(workshop), fetch_all)?;
    let sql = "select motorcycle.name, part.component, here.position, other.description, here.fitted_on
               from fitting here
               join installed_part part on part.workshop_id = here.workshop_id and part.id = here.part_id
               join fitting there on there.workshop_id = here.workshop_id and there.motorcycle_id = here.motorcycle_id
                 and coalesce(there.position, '') = coalesce(here.position, '') and there.part_id <> here.part_id
                 and (there.fitted_on < here.fitted_on or (there.fitted_on = here.fitted_on and there.id < here.id))
                 and (there.removed_on is null or there.removed_on > here.fitted_on)
               join installed_part other on other.workshop_id = there.workshop_id and other.id = there.part_id and other.component = part.component
               join motorcycle on motorcycle.workshop_id = here.workshop_id and motorcycle.id = here.motorcycle_id
               where here.workshop_id = $1 and here.struck_at is null and there.struck_at is null
               order by motorcycle.name, here.id";
    let crowded: Vec<Row> = on!(tx, sqlx::query_as(sql).bind(workshop), fetch_all)?;
    let at = |position: &Option<String>| position.as_ref().map_or_else(String::new, |position| format!(", {position}"));
    let twice = twice.into_iter().map(|(motorcycle, component, position, elsewhere, on)| Contradiction {
        what: format!("{component}{}: fitted on {on} while it was on {elsewhere}", at(&position)),
        motorcycle,
    });
    let crowded = crowded.into_iter().map(|(motorcycle, component, position, other, on)| Contradiction {
        what: format!("{component}{}: fitted on {on} while another one sat there ({other})", at(&position)),
        motorcycle,
    });
    Ok(twice.chain(crowded).collect())
}

/// Motorcycle, component, position, what stands against it, the day.
type Row = (String, String, Option<String>, String, time::Date);
