//! Reports by mail: whose turn it is, what theirs says, and how a recipient stops them.
use std::collections::{BTreeSet, HashMap, HashSet, hash_map::Entry};

use time::Date;

use super::{App, Work, due, letter, motorcycle, owner};
use crate::{
    access::{Caller, Sight, Who, secret},
    domain::{
        calendar::add_months,
        due::DueItemOn,
        id::Id,
        letter::{NewLetter, Recipient},
        motorcycle::Owner,
        report::{Last, MONTHS, MOST, Report},
        report_time::Schedule,
        words::{Frequency, Status},
        workshop::Workshop,
    },
    error::{Error, Result},
    store::{
        self, Stretch,
        due_item::Wanted,
        report::{self as store_report, Reader},
    },
};

/// How many waiting items a report counts at most.
const MOST_WAITING: i64 = 5_000;
/// How many motorcycles are looked at to say what became of what the last report told.
const MOST_SETTLED: usize = 50;

/// Whom a report is for.
#[derive(Clone, Debug, PartialEq)]
pub enum Whom {
    /// An owner: their motorcycles.
    Owner(Box<Owner>),
    /// An address of the workshop's settings: all motorcycles.
    Everything(String),
}
impl Whom {
    /// Where it goes; `None` for an owner without an address.
    #[must_use]
    pub fn recipient(&self) -> Option<Recipient> {
        match self {
            Self::Owner(owner) => owner.email.as_ref().map(|email| Recipient::new(owner.name.clone(), email.clone())),
            Self::Everything(address) => Some(Recipient::new("", address.clone())),
        }
    }
    /// When it goes.
    #[must_use]
    pub fn schedule(&self, workshop: &Workshop) -> Schedule {
        match self {
            Self::Owner(owner) => Schedule::from(&owner.reports),
            Self::Everything(_) => Schedule::from(&workshop.reports),
        }
    }
    fn only_changes(&self, workshop: &Workshop) -> bool {
        match self {
            Self::Owner(owner) => owner.reports.only_changes,
            Self::Everything(_) => workshop.reports.only_changes,
        }
    }
    fn key(&self) -> (Option<Id<Owner>>, String) {
        match self {
            Self::Owner(owner) => (Some(owner.id), String::new()),
            Self::Everything(address) => (None, address.to_lowercase()),
        }
    }
    /// The server itself, seeing what the recipient may see.
    fn caller(&self, workshop: Id<Workshop>) -> Caller {
        match self {
            Self::Owner(owner) => Caller::reader(workshop, Sight::Owner(owner.id)),
            Self::Everything(_) => Caller::command_line(workshop),
        }
    }
}

/// How reports are looked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Looking {
    /// As `serve` does: those whose hour has come and that somebody had asked for by then.
    ByTheClock,
    /// As `witnessmark reports` does: those of the periods that hold a day (none: today), whatever the hour.
    For(Option<Date>),
}

/// A report that is to be looked after.
#[derive(Clone, Debug)]
pub struct Turn {
    workshop: Id<Workshop>,
    whom: Whom,
    period: Date,
    /// The day that it is about; none: today.
    day: Option<Date>,
}

/// The reports whose turn it is, in all workshops.
///
/// # Errors
/// Where the database refuses.
pub async fn turns(app: &App, looking: Looking) -> Result<Vec<Turn>> {
    let workshops = store::workshop::all(&mut app.store.read().await?).await?;
    let mut turns = Vec::new();
    for workshop in &workshops {
        let mut unknown = Vec::new();
        turns.extend(turns_of(app, workshop, looking, &mut unknown).await?);
        if !unknown.is_empty() {
            // Entered by another way than the settings, such as a restored copy: from now on.
            let mut work = app.write(&Caller::command_line(workshop.id), None).await?;
            for whom in unknown {
                ask_anew(&mut work, &whom).await?;
            }
            work.finish(None).await?;
        }
    }
    Ok(turns)
}

async fn turns_of(app: &App, workshop: &Workshop, looking: Looking, unknown: &mut Vec<Whom>) -> Result<Vec<Turn>> {
    let mut tx = app.store.read().await?;
    let owners = store::owner::who_want_reports(&mut tx, workshop.id).await?;
    let mut all: Vec<_> = owners.into_iter().map(|owner| Whom::Owner(Box::new(owner))).collect();
    if workshop.reports.frequency != Frequency::Off {
        all.extend(workshop.reports.to.iter().cloned().map(Whom::Everything));
    }
    all.retain(|whom| whom.recipient().is_some());
    if all.is_empty() {
        return Ok(Vec::new());
    }
    let readers: HashMap<_, _> =
        store_report::readers(&mut tx, workshop.id).await?.into_iter().map(|reader| (reader.key(), reader)).collect();
    let mut done: HashMap<Date, HashSet<Id<Reader>>> = HashMap::new();
    let mut turns = Vec::new();
    for whom in all {
        let (schedule, reader) = (whom.schedule(workshop), readers.get(&whom.key()));
        let period = match (looking, reader) {
            (Looking::For(day), _) => schedule.period(day.unwrap_or_else(|| app.clock.today(&workshop.time_zone))),
            (Looking::ByTheClock, Some(reader)) => {
                schedule.latest(app.clock.now(), &workshop.time_zone).filter(|latest| latest.1 >= reader.since).map(|latest| latest.0)
            }
            (Looking::ByTheClock, None) => {
                unknown.push(whom);
                continue;
            }
        };
        let Some(period) = period else { continue };
        if let Entry::Vacant(vacant) = done.entry(period) {
            vacant.insert(store_report::done(&mut tx, workshop.id, period).await?.into_iter().collect());
        }
        if reader.is_none_or(|reader| !done[&period].contains(&reader.id)) {
            let day = if let Looking::For(day) = looking { day } else { None };
            turns.push(Turn { workshop: workshop.id, whom, period, day });
        }
    }
    Ok(turns)
}

/// A report that is being written.
#[derive(Debug)]
pub struct Begun {
    /// The work that it is part of.
    pub work: Work,
    /// What it says.
    pub report: Report,
    /// Whom it goes to.
    pub to: Recipient,
    /// Whether it is for one owner.
    pub for_owner: bool,
    /// What stands in the address by which the mails can be stopped.
    pub secret: String,
    /// Whether it is to be mailed at all.
    pub worth_it: bool,
    reader: Id<Reader>,
    period: Date,
}

/// Begins a report: what it says. `None` where another server was faster, or nobody wants it any longer.
///
/// # Errors
/// Where the database refuses.
pub async fn begin(app: &App, turn: &Turn) -> Result<Option<Begun>> {
    let mut work = app.write(&turn.whom.caller(turn.workshop), None).await?;
    let Some(whom) = as_it_is_now(&mut work, &turn.whom).await? else { return Ok(None) };
    let Some(to) = whom.recipient().filter(|_| whom.schedule(&work.workshop).frequency != Frequency::Off) else { return Ok(None) };
    let reader = reader(&mut work, &whom).await?;
    if store_report::done(&mut work.tx, turn.workshop, turn.period).await?.contains(&reader.id) {
        return Ok(None);
    }
    let last = store_report::last(&mut work.tx, turn.workshop, reader.id, turn.period).await?;
    let report = gather(&mut work, turn.day, last.as_ref()).await?;
    let worth_it = !whom.only_changes(&work.workshop) || report.says_something();
    let for_owner = matches!(whom, Whom::Owner(_));
    Ok(Some(Begun { work, report, to, for_owner, secret: reader.secret, worth_it, reader: reader.id, period: turn.period }))
}

async fn as_it_is_now(work: &mut Work, whom: &Whom) -> Result<Option<Whom>> {
    Ok(match whom {
        Whom::Owner(owner) => {
            let workshop = work.workshop_id();
            store::owner::find(&mut work.tx, workshop, owner.id).await?.map(|owner| Whom::Owner(Box::new(owner)))
        }
        Whom::Everything(address) => work.workshop.reports.to.contains(address).then(|| whom.clone()),
    })
}

/// Notes that a report was looked after, and queues its letter where there is one: both or neither. False where another server was faster.
///
/// # Errors
/// Where the database refuses.
pub async fn finish(begun: Begun, letter: Option<NewLetter>) -> Result<bool> {
    let Begun { mut work, report, reader, period, .. } = begun;
    let letter = match letter {
        Some(new) => Some(letter::queue(&mut work, new).await?),
        None => None,
    };
    let (workshop, now) = (work.workshop_id(), work.now);
    let told = Last { on: report.day, told: report.told() };
    if !store_report::note(&mut work.tx, workshop, reader, period, &told, letter, now).await? {
        return Ok(false);
    }
    work.finish(None).await?;
    Ok(true)
}

/// What a report would say today: a preview, which changes nothing.
///
/// # Errors
/// Where the database refuses.
pub async fn preview(app: &App, workshop: Id<Workshop>, whom: &Whom) -> Result<(Work, Report)> {
    let mut work = app.read(&whom.caller(workshop)).await?;
    let (owner, address) = whom.key();
    let last = match store_report::find(&mut work.tx, workshop, owner, &address).await? {
        Some(reader) => store_report::last(&mut work.tx, workshop, reader.id, Date::MAX).await?,
        None => None,
    };
    let report = gather(&mut work, None, last.as_ref()).await?;
    Ok((work, report))
}

async fn gather(work: &mut Work, day: Option<Date>, last: Option<&Last>) -> Result<Report> {
    let day = day.unwrap_or(work.today);
    let items = if day < work.today { as_it_was(work, day).await? } else { as_it_is(work, day).await? };
    let waiting: HashSet<_> = items.iter().filter(|item| item.status != Status::Later).map(|item| item.id).collect();
    let gone = last.map(|last| last.told.as_slice()).unwrap_or_default().iter().filter(|told| !waiting.contains(&told.id));
    let bikes: BTreeSet<_> = gone.map(|told| told.motorcycle_id).take(MOST_SETTLED).collect();
    let mut settled = Vec::new();
    for id in bikes {
        match motorcycle::get(work, id).await {
            Ok(bike) => settled.extend(due::of_motorcycle(work, &bike, Some(day)).await?),
            Err(Error::NotFound(_)) => {}
            Err(error) => return Err(error),
        }
    }
    Ok(Report::new(day, items, last, &settled))
}

/// From today on: what is stored, by index.
async fn as_it_is(work: &mut Work, day: Date) -> Result<Vec<DueItemOn>> {
    let most = i64::try_from(MOST).unwrap_or(i64::MAX) + 1;
    let until = add_months(day, MONTHS).next_day();
    let kinds = [
        (vec![Status::Overdue, Status::Due, Status::NearlyDue], None, MOST_WAITING),
        (vec![Status::Later], until, most),
        (vec![Status::NoHistory], None, most),
    ];
    let mut items = Vec::new();
    for (statuses, before, limit) in kinds {
        let wanted = Wanted { statuses, before, ..Wanted::default() };
        items.extend(due::of_workshop(work, &wanted, Some(day), &Stretch { after: None, limit }).await?);
    }
    Ok(items)
}

/// A day in the past: worked out again, motorcycle by motorcycle.
async fn as_it_was(work: &mut Work, day: Date) -> Result<Vec<DueItemOn>> {
    let bikes = motorcycle::list(work, &store::motorcycle::Wanted::default(), Stretch::ALL).await?;
    let mut items = Vec::new();
    for bike in bikes {
        items.extend(due::of_motorcycle(work, &bike, Some(day)).await?);
    }
    items.sort_by_key(|item| (item.due_from.is_none(), item.due_from, item.id));
    Ok(items)
}

async fn reader(work: &mut Work, whom: &Whom) -> Result<Reader> {
    let (workshop, (owner, address)) = (work.workshop_id(), whom.key());
    if let Some(reader) = store_report::find(&mut work.tx, workshop, owner, &address).await? {
        return Ok(reader);
    }
    let reader = Reader { id: work.new_id(), owner, address, secret: secret::new(""), since: work.now, stopped_at: None };
    store_report::insert(&mut work.tx, workshop, &reader).await?;
    Ok(reader)
}

async fn ask_anew(work: &mut Work, whom: &Whom) -> Result<()> {
    let reader = Reader { since: work.now, stopped_at: None, ..reader(work, whom).await? };
    let (workshop, now) = (work.workshop_id(), work.now);
    store_report::update(&mut work.tx, workshop, &reader, now).await
}

/// To be called where an owner is added or changed: reports asked for now count from now on.
///
/// # Errors
/// Where the database refuses.
pub async fn owner_asks(work: &mut Work, old: Option<&Owner>, new: &Owner) -> Result<()> {
    let asks = |owner: &Owner| (Schedule::from(&owner.reports), owner.email.is_some());
    if new.reports.frequency != Frequency::Off && new.email.is_some() && old.map(asks) != Some(asks(new)) {
        ask_anew(work, &Whom::Owner(Box::new(new.clone()))).await?;
    }
    Ok(())
}

/// To be called where the workshop's settings are changed: reports asked for now count from now on.
///
/// # Errors
/// Where the database refuses.
pub async fn workshop_asks(work: &mut Work, old: &Workshop, new: &Workshop) -> Result<()> {
    if new.reports.frequency == Frequency::Off {
        return Ok(());
    }
    let same = Schedule::from(&new.reports) == Schedule::from(&old.reports);
    for address in new.reports.to.iter().filter(|address| !same || !old.reports.to.contains(address)) {
        ask_anew(work, &Whom::Everything(address.clone())).await?;
    }
    Ok(())
}

/// Whom a secret in a mail stands for.
#[derive(Clone, Debug)]
pub struct Stopping {
    /// The workshop's name.
    pub workshop: String,
    /// Where the mails go.
    pub address: String,
    /// Whether they go there still.
    pub wanted: bool,
    id: Id<Workshop>,
    reader: Reader,
}

/// Whom the secret of a link in a mail stands for.
///
/// # Errors
/// 404 where it stands for nobody.
pub async fn by_secret(app: &App, secret: &str) -> Result<Stopping> {
    const NOBODY: Error = Error::NotFound("page");
    let mut tx = app.store.read().await?;
    let (id, reader) = store_report::find_by_secret(&mut tx, secret).await?.ok_or(NOBODY)?;
    let workshop = store::workshop::find(&mut tx, id).await?.ok_or(NOBODY)?;
    let (address, wanted) = match reader.owner {
        Some(owner) => {
            let owner = store::owner::find(&mut tx, id, owner).await?.ok_or(NOBODY)?;
            (owner.email.unwrap_or_default(), owner.reports.frequency != Frequency::Off)
        }
        None => (reader.address.clone(), workshop.reports.to.iter().any(|to| to.to_lowercase() == reader.address)),
    };
    Ok(Stopping { workshop: workshop.name, address, wanted, id, reader })
}

/// Stops the mails: an owner's reports are set to off, an address is taken out of the workshop's settings. Both can be undone there.
///
/// # Errors
/// Where the database refuses.
pub async fn stop(app: &App, stopping: &Stopping) -> Result<()> {
    if !stopping.wanted {
        return Ok(());
    }
    let caller = Caller { who: Who::Recipient(stopping.address.clone()), ..Caller::command_line(stopping.id) };
    let mut work = app.write(&caller, None).await?;
    if let Some(id) = stopping.reader.owner {
        let old = owner::get(&mut work, id).await?;
        let mut new = old.details();
        new.reports.frequency = Frequency::Off;
        owner::change(&mut work, &old, new).await?;
    } else {
        let mut new = work.workshop.details();
        new.reports.to.retain(|to| to.to_lowercase() != stopping.reader.address);
        super::workshop::change(&mut work, new).await?;
    }
    let (workshop, now) = (work.workshop_id(), work.now);
    let reader = Reader { stopped_at: Some(now), ..stopping.reader.clone() };
    store_report::update(&mut work.tx, workshop, &reader, now).await?;
    work.finish(None).await
}

/// When an owner stopped their reports by the link in a mail, if that is how they ended.
///
/// # Errors
/// Where the database refuses.
pub async fn stopped_at(work: &mut Work, owner: &Owner) -> Result<Option<time::OffsetDateTime>> {
    let workshop = work.workshop_id();
    let reader = store_report::find(&mut work.tx, workshop, Some(owner.id), "").await?;
    Ok(reader.and_then(|reader| reader.stopped_at).filter(|_| owner.reports.frequency == Frequency::Off))
}
