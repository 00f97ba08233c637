//! Looks whether what is stored holds together: due items against history, and the stays of parts against each other.
use std::{collections::HashMap, num::NonZero, thread::available_parallelism};

use futures_util::{StreamExt, stream};

use super::due::worked_out;
use crate::{
    domain::{due::DueItem, motorcycle::Motorcycle, workshop::Workshop},
    error::{Error, Result},
    store::{self, Store, due_item},
};

/// A difference between what is stored and what follows from history.
#[derive(Debug, PartialEq, Eq)]
pub struct Difference {
    /// The motorcycle.
    pub motorcycle: String,
    /// In words.
    pub what: String,
}

/// What `check` found.
#[derive(Debug, Default)]
pub struct Checked {
    /// Workshops looked at.
    pub workshops: usize,
    /// Motorcycles worked out again.
    pub motorcycles: usize,
    /// Due items compared.
    pub due_items: usize,
    /// What differs.
    pub differences: Vec<Difference>,
}

impl Checked {
    fn differ(&mut self, motorcycle: impl Into<String>, what: impl Into<String>) {
        self.differences.push(Difference { motorcycle: motorcycle.into(), what: what.into() });
    }
}

/// Works everything out again and compares.
///
/// # Errors
/// Where the database cannot be read.
pub async fn check(store: &Store) -> Result<Checked> {
    check_saying(store, |_, _| ()).await
}

/// The same; `progress` is told after each motorcycle how many of the workshop's are done, and how many there are. As many motorcycles are worked
/// out at once as the machine has cores.
///
/// # Errors
/// Where the database cannot be read.
pub async fn check_saying(store: &Store, progress: impl Fn(usize, usize)) -> Result<Checked> {
    let cores = available_parallelism().map_or(1, NonZero::get);
    let mut checked = Checked::default();
    let workshops = store::workshop::all(&mut store.read().await?).await?;
    for workshop in workshops {
        checked.workshops += 1;
        let bikes = store::motorcycle::all_in_use(&mut store.read().await?, workshop.id).await?;
        let all = bikes.len();
        let each = bikes.into_iter().map(|bike| tokio::spawn(check_one(store.clone(), workshop.clone(), bike)));
        let mut each = stream::iter(each).buffered(cores);
        let mut done = 0;
        while let Some(found) = each.next().await {
            let (due_items, mut found) = found.map_err(Error::internal)??;
            done += 1;
            checked.motorcycles += 1;
            checked.due_items += due_items;
            checked.differences.append(&mut found);
            progress(done, all);
        }
        for found in store::fitting::contradictions(&mut store.read().await?, workshop.id).await? {
            checked.differ(found.motorcycle, found.what);
        }
    }
    Ok(checked)
}

/// How many due items a motorcycle has stored, and what differs.
async fn check_one(store: Store, workshop: Workshop, bike: Motorcycle) -> Result<(usize, Vec<Difference>)> {
    let mut tx = store.read().await?;
    let mut differences = Vec::new();
    let stored = due_item::of_motorcycle(&mut tx, workshop.id, bike.id).await?;
    let count = stored.len();
    for item in due_item::misfiled(&mut tx, workshop.id, bike.id).await? {
        let what = format!("{}: lists find it by other dates than its own", item.title);
        differences.push(Difference { motorcycle: bike.name.clone(), what });
    }
    match worked_out(&mut tx, &workshop, &bike).await {
        Ok(right) => compare(&bike, stored, right, &mut differences),
        Err(error) => differences.push(Difference { motorcycle: bike.name.clone(), what: error.to_string() }),
    }
    Ok((count, differences))
}

fn compare(bike: &Motorcycle, stored: Vec<DueItem>, right: Vec<DueItem>, differences: &mut Vec<Difference>) {
    let mut stored: HashMap<_, _> = stored.into_iter().map(|item| (item.id, item)).collect();
    let mut differ = |what| differences.push(Difference { motorcycle: bike.name.clone(), what });
    for item in right {
        match stored.remove(&item.id) {
            None => differ(format!("{}: is due by history, but not stored", item.title)),
            Some(known) if known != item => {
                differ(format!("{}: stored {:?}, by history {:?}", item.title, (known.due_at, known.dates), (item.due_at, item.dates)));
            }
            Some(_) => {}
        }
    }
    for item in stored.into_values() {
        differ(format!("{}: is stored, but not due by history", item.title));
    }
}
