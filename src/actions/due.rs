//! What is due: worked out when something is written, stored with its three dates, read as a list.
use std::{
    collections::{BTreeSet, HashMap},
    sync::{
        Arc, RwLock,
        atomic::{AtomicU64, Ordering},
    },
};

use time::{Date, Duration, OffsetDateTime, macros::date};

use super::{App, StoredAnswer, Work, progress::Stage};
use crate::{
    access::{Caller, Sight},
    domain::{
        calendar,
        due::{DueItem, DueItemId, DueItemOn},
        id::Id,
        limit::Limit,
        motorcycle::Motorcycle,
        rule::IntervalRule,
        wear_forecast::work_out_all,
        workshop::Workshop,
    },
    error::{Error, Result},
    store::{self, Store, Stretch, due_item},
};

/// What is due on one motorcycle on a day, soonest first. Today's answer is what is stored; for a day in the past the history after it
/// is left out and everything is worked out again.
///
/// # Errors
/// Where the database refuses.
pub async fn of_motorcycle(work: &mut Work, bike: &Motorcycle, as_of: Option<Date>) -> Result<Vec<DueItemOn>> {
    let day = as_of.unwrap_or(work.today);
    let items = if day < work.today || bike.archived {
        let history = store::history::load(&mut work.tx, &work.workshop, bike).await?.until(day);
        let standards = Standards::perhaps_for(&mut work.tx, work.caller.workshop, bike.id).await?;
        work_out_all(&history, &standards.rules, &standards.limits)
    } else {
        due_item::of_motorcycle(&mut work.tx, work.caller.workshop, bike.id).await?
    };
    Ok(items.into_iter().map(|item| item.into_on(day)).collect())
}

/// What will be due on a motorcycle once this work is finished: worked out from what it has written so far, and not stored yet.
///
/// # Errors
/// 404 where there is no such motorcycle.
pub async fn after(work: &mut Work, bike: Id<Motorcycle>) -> Result<Vec<DueItemOn>> {
    let bike = super::motorcycle::unseen(work, bike).await?;
    let items = worked_out(&mut work.tx, &work.workshop, &bike).await?;
    Ok(items.into_iter().map(|item| item.into_on(work.today)).collect())
}

/// What is due in the whole workshop, soonest first.
///
/// # Errors
/// 422 for a day before today: the past is asked for one motorcycle at a time.
pub async fn of_workshop(
    work: &mut Work,
    wanted: &due_item::Wanted,
    as_of: Option<Date>,
    stretch: &Stretch<(Date, DueItemId)>,
) -> Result<Vec<DueItemOn>> {
    let day = as_of.unwrap_or(work.today);
    if day < work.today {
        return Err(Error::invalid("/as_of", "The whole workshop can be asked from today on; ask for one motorcycle to look back."));
    }
    let Some(wanted) = as_far_as_seen(work, wanted).await? else {
        return Ok(Vec::new());
    };
    let items = due_item::of_workshop(&mut work.tx, work.caller.workshop, &wanted, day, stretch).await?;
    Ok(items.into_iter().map(|item| item.into_on(day)).collect())
}

/// How much comes due in a month.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DueInMonth {
    /// The first day of the month; `None` for what waits already.
    pub month: Option<Date>,
    /// How many things.
    pub items: i64,
    /// On how many motorcycles.
    pub motorcycles: i64,
}

/// What waits today, then what comes due in the rest of this month and in the eleven after it, of what the caller sees.
///
/// # Errors
/// Where the database refuses.
pub async fn by_month(work: &mut Work) -> Result<Vec<DueInMonth>> {
    let wanted = as_far_as_seen(work, &due_item::Wanted::default()).await?;
    let tomorrow = work.today.saturating_add(Duration::DAY);
    let first = work.today.replace_day(1).unwrap_or(work.today);
    let begin = |month| calendar::add_months(first, month);
    let months = (0..12).map(|month| (Some(begin(month)), begin(month).max(tomorrow), begin(month + 1).max(tomorrow)));
    let mut found = Vec::new();
    for (month, from, before) in std::iter::once((None, date!(0001 - 01 - 01), tomorrow)).chain(months) {
        let (items, motorcycles) = match &wanted {
            Some(wanted) => due_item::between(&mut work.tx, work.caller.workshop, wanted, from, before).await?,
            None => (0, 0),
        };
        found.push(DueInMonth { month, items, motorcycles });
    }
    Ok(found)
}

/// What is wanted, narrowed to what the caller sees; none where nothing of it is.
async fn as_far_as_seen(work: &mut Work, wanted: &due_item::Wanted) -> Result<Option<due_item::Wanted>> {
    let narrowed = match work.caller.sight {
        Sight::All => wanted.clone(),
        Sight::Owner(own) => due_item::Wanted { owner: Some(own), ..wanted.clone() },
        Sight::Motorcycle(id) => {
            let bike = super::motorcycle::get(work, id).await?;
            if bike.archived || wanted.owner.is_some_and(|owner| bike.owner_id != Some(owner)) {
                return Ok(None);
            }
            due_item::Wanted { motorcycle: Some(id), ..wanted.clone() }
        }
    };
    Ok((wanted.owner.is_none() || work.caller.sight.owner().is_none() || wanted.owner == narrowed.owner).then_some(narrowed))
}

/// Works out again what is due on these motorcycles, and on others that carry a part which was on one of them, and stores it.
/// Gives back all that were worked out.
///
/// # Errors
/// Where the database refuses.
pub async fn rebuild(work: &mut Work, touched: BTreeSet<Id<Motorcycle>>) -> Result<BTreeSet<Id<Motorcycle>>> {
    if touched.is_empty() {
        return Ok(touched);
    }
    let workshop = work.caller.workshop;
    let mut all = touched.clone();
    for bike in touched {
        all.extend(store::history::sharing_parts(&mut work.tx, workshop, bike).await?);
    }
    work.begin_stage(Stage::Due, all.len());
    for &id in &all {
        work.step(1);
        if let Some(bike) = store::motorcycle::find(&mut work.tx, workshop, id).await? {
            let items = worked_out(&mut work.tx, &work.workshop, &bike).await?;
            due_item::replace(&mut work.tx, workshop, &bike, &items).await?;
        }
    }
    Ok(all)
}

/// What history is held against: the workshop's rules and limits.
struct Standards {
    rules: Vec<IntervalRule>,
    limits: Vec<Limit>,
}
impl Standards {
    /// Those that may be meant for a motorcycle: not the ones written for another.
    async fn perhaps_for(tx: &mut store::Tx, workshop: Id<Workshop>, bike: Id<Motorcycle>) -> Result<Self> {
        Ok(Self {
            rules: store::interval_rule::perhaps_for(tx, workshop, bike).await?,
            limits: store::limit_range::perhaps_for(tx, workshop, bike).await?,
        })
    }
}

pub(super) async fn worked_out(tx: &mut store::Tx, workshop: &Workshop, bike: &Motorcycle) -> Result<Vec<DueItem>> {
    if bike.archived {
        return Ok(Vec::new());
    }
    let standards = Standards::perhaps_for(tx, workshop.id, bike.id).await?;
    Ok(work_out_all(&store::history::load(tx, workshop, bike).await?, &standards.rules, &standards.limits))
}

/// How long a kept answer is good for: another process on the same SQLite file may have written meanwhile.
const GOOD_FOR: Duration = Duration::seconds(3);
/// So many are kept at most: each has some 20 KB.
const MOST_KEPT: usize = 600;

#[derive(Debug)]
struct KeptAnswer {
    workshop: Id<Workshop>,
    time_zone: String,
    today: Date,
    at: OffsetDateTime,
    answer: Arc<StoredAnswer>,
}
impl KeptAnswer {
    /// Neither too old nor from later: the clock may have been set back.
    fn is_good(&self, now: OffsetDateTime) -> bool {
        (Duration::ZERO..GOOD_FOR).contains(&(now - self.at))
    }
}

/// Today's answers to "what is due on this motorcycle", kept in memory and dropped by the write that changes them. Used on SQLite,
/// where this process does the writing; on PostgreSQL other servers write too, so nothing is kept.
#[derive(Debug, Default)]
pub struct Kept {
    answers: RwLock<HashMap<Id<Motorcycle>, KeptAnswer>>,
    /// Counts the drops: an answer that was read before one must not be kept after it.
    drops: AtomicU64,
}

impl Kept {
    /// Drops what is kept about these motorcycles.
    pub fn forget(&self, bikes: &BTreeSet<Id<Motorcycle>>) {
        if bikes.is_empty() {
            return;
        }
        if let Ok(mut answers) = self.answers.write() {
            self.drops.fetch_add(1, Ordering::SeqCst);
            for bike in bikes {
                answers.remove(bike);
            }
        }
    }

    /// Drops everything.
    pub fn forget_all(&self) {
        if let Ok(mut answers) = self.answers.write() {
            self.drops.fetch_add(1, Ordering::SeqCst);
            answers.clear();
        }
    }

    /// Drops what is no longer good, so that an idle server does not hold it.
    fn let_go(&self, now: OffsetDateTime) {
        if let Ok(mut answers) = self.answers.write() {
            answers.retain(|_, kept| kept.is_good(now));
        }
    }

    fn get(&self, app: &App, workshop: Id<Workshop>, bike: Id<Motorcycle>) -> Option<Arc<StoredAnswer>> {
        let answers = self.answers.read().ok()?;
        let kept = answers.get(&bike).filter(|kept| kept.workshop == workshop && kept.is_good(app.clock.now()))?;
        (app.clock.today(&kept.time_zone) == kept.today).then(|| Arc::clone(&kept.answer))
    }
}

/// Lets go of kept answers once they are no longer good, for as long as the server runs.
pub async fn let_go(app: Arc<App>) {
    loop {
        tokio::time::sleep(GOOD_FOR.unsigned_abs()).await;
        app.kept.let_go(app.clock.now());
    }
}

/// Today's answer for one motorcycle: kept in memory, or made by `make` from what is stored.
///
/// # Errors
/// 404 where there is no such motorcycle.
pub async fn answer_of(
    app: &App,
    caller: &Caller,
    id: Id<Motorcycle>,
    make: impl FnOnce(Vec<DueItemOn>) -> Result<StoredAnswer>,
) -> Result<Arc<StoredAnswer>> {
    // Whoever sees their own motorcycles alone is not answered before it is known that this is one.
    if !caller.sight.is_narrow()
        && let Some(kept) = app.kept.get(app, caller.workshop, id)
    {
        return Ok(kept);
    }
    let drops = app.kept.drops.load(Ordering::SeqCst);
    let (time_zone, today, items) = if let Some(found) = in_one_trip(app, caller, id).await? {
        found
    } else {
        let mut work = app.read(caller).await?;
        let bike = super::motorcycle::get(&mut work, id).await?;
        let items = of_motorcycle(&mut work, &bike, None).await?;
        (work.workshop.time_zone, work.today, items)
    };
    let answer = Arc::new(make(items)?);
    if let (Store::Sqlite { .. }, Ok(mut answers)) = (&app.store, app.kept.answers.write())
        && app.kept.drops.load(Ordering::SeqCst) == drops
    {
        let now = app.clock.now();
        if answers.len() >= MOST_KEPT {
            answers.retain(|_, kept| kept.is_good(now));
        }
        if answers.len() >= MOST_KEPT {
            answers.clear();
        }
        let kept = KeptAnswer { workshop: caller.workshop, time_zone, today, at: now, answer: Arc::clone(&answer) };
        answers.insert(id, kept);
    }
    Ok(answer)
}

/// What is due today on a motorcycle, with the time zone and the day that is; `None` where more has to be looked at than what is stored:
/// who sees it, where it is read, whether it is archived.
async fn in_one_trip(app: &App, caller: &Caller, id: Id<Motorcycle>) -> Result<Option<(String, Date, Vec<DueItemOn>)>> {
    if caller.sight.is_narrow() || app.replica.is_some() {
        return Ok(None);
    }
    let found = due_item::in_one_trip(&app.store, caller.workshop, id).await?;
    Ok(found.map(|(time_zone, items)| {
        let today = app.clock.today(&time_zone);
        (time_zone, today, items.into_iter().map(|item| item.into_on(today)).collect())
    }))
}

#[cfg(test)]
mod tests {
    use time::macros::datetime;
    use uuid::Uuid;

    use super::*;

    #[test]
    fn what_is_no_longer_good_is_let_go() {
        let (now, kept) = (datetime!(2026-05-02 09:00 UTC), Kept::default());
        let answer = Arc::new(StoredAnswer { status: 200, location: None, etag: None, body: String::new() });
        for (number, at) in [(1, now - GOOD_FOR), (2, now), (3, now + Duration::SECOND), (4, now - GOOD_FOR + Duration::SECOND)] {
            let one =
                KeptAnswer { workshop: Id::new(Uuid::nil()), time_zone: "UTC".into(), today: now.date(), at, answer: Arc::clone(&answer) };
            kept.answers.write().unwrap().insert(Id::new(Uuid::from_u128(number)), one);
        }
        kept.let_go(now);
        let left: BTreeSet<_> = kept.answers.read().unwrap().keys().map(|bike| bike.uuid().as_u128()).collect();
        assert_eq!(left, BTreeSet::from([2, 4]), "neither the old one nor the one of a clock that was set back");
    }
}
