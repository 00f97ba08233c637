//! Which motorcycle a cell means: by its id, its registration or its name.
use std::collections::{BTreeMap, HashMap};

use super::table::Table;
use crate::{
    actions::Work,
    domain::{id::Id, motorcycle::Motorcycle},
    error::Result,
    store::{Stretch, motorcycle as store},
};

/// The workshop's motorcycles by what a file may call them.
pub struct Bikes {
    by_id: BTreeMap<Id<Motorcycle>, Motorcycle>,
    by_word: HashMap<String, Vec<Id<Motorcycle>>>,
}

impl Bikes {
    /// Every motorcycle; a name means one in use before an archived one.
    ///
    /// # Errors
    /// Where the database refuses.
    pub async fn load(work: &mut Work) -> Result<Self> {
        let workshop = work.workshop_id();
        let mut bikes = Self { by_id: BTreeMap::new(), by_word: HashMap::new() };
        for archived in [false, true] {
            let wanted = store::Wanted { archived, ..store::Wanted::default() };
            let mut words: HashMap<String, Vec<_>> = HashMap::new();
            for bike in store::list(&mut work.tx, workshop, work.caller.sight, &wanted, Stretch::ALL).await? {
                let known = [Some(bike.id.to_string()), Some(bike.name.clone()), bike.registration.clone(), bike.vin.clone()];
                for word in known.into_iter().flatten() {
                    let ids = words.entry(word.trim().to_lowercase()).or_default();
                    if !ids.contains(&bike.id) {
                        ids.push(bike.id);
                    }
                }
                bikes.by_id.insert(bike.id, bike);
            }
            for (word, ids) in words {
                bikes.by_word.entry(word).or_insert(ids);
            }
        }
        Ok(bikes)
    }
    /// The motorcycle of an id.
    #[must_use]
    pub fn get(&self, id: Id<Motorcycle>) -> Option<&Motorcycle> {
        self.by_id.get(&id)
    }
    /// The motorcycle that a row names; says what is wrong where there is none or several.
    pub fn of_row(&self, table: &mut Table, row: usize) -> Option<&Motorcycle> {
        let text = table.needed(row, "motorcycle")?;
        match self.by_word.get(&text.to_lowercase()).map(Vec::as_slice) {
            Some([id]) => self.by_id.get(id),
            Some(_) => {
                table.fail(row, "motorcycle", "several motorcycles are called so; give the registration or the id");
                None
            }
            None => {
                let detail = format!(
                    "There is no motorcycle {} here; give its id, name or registration, or add it first.",
                    crate::domain::import::shown(&text)
                );
                table.fail(row, "motorcycle", detail);
                None
            }
        }
    }
}
