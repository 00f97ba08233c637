//! Third floor: what a person can do. One function for each, one transaction each, an audit row each.
//!
//! An action is handed a [`Work`]: the transaction, who is asking, and what time it is. It checks what was sent, writes through the store,
//! says which motorcycles it [touched](Work::touch), and leaves an audit row. [`Work::finish`] then works out what is due on those
//! motorcycles, keeps the answer for a repeated request, and commits: all of it or nothing.
//!
//! To add an action: a function here in the file of its noun, `pub async fn verb(work: &mut Work, …) -> Result<…>`.
pub mod account;
pub mod attachment;
pub mod audit;
pub mod backup;
pub mod calendar;
pub mod check;
pub mod component;
pub mod cost;
pub mod distance;
pub mod due;
pub mod erasure;
pub mod export;
pub mod fastener;
pub mod follow_up;
pub mod forecast;
pub mod history;
pub mod import;
pub mod job_sheet;
pub mod lay_up;
pub mod letter;
pub mod limit;
pub mod measure;
pub mod motorcycle;
pub mod notice;
pub mod offer;
pub mod owner;
pub mod packet;
pub mod part;
pub mod person;
pub mod procedure;
pub mod progress;
pub mod reading;
pub mod report;
pub mod rule;
pub mod search;
pub mod service;
pub mod session;
pub mod sign_in;
pub mod single_use;
pub mod throttle;
pub mod token;
pub mod visits;
pub mod webhook;
pub mod workshop;

use std::{
    collections::{BTreeSet, HashSet},
    sync::{Arc, Mutex},
};

use serde::{Deserialize, Serialize};
use time::{Date, OffsetDateTime};
use tokio::sync::{Notify, OwnedSemaphorePermit, Semaphore};
use tracing::{Instrument, debug_span};
use uuid::Uuid;

use self::progress::{Progress, Stage, Watched};
use crate::{
    access::{Caller, address::TrustedProxies, pace::Pace},
    clock::Clock,
    domain::{
        id::Id,
        letter::MailSettings,
        motorcycle::Motorcycle,
        webhook::{HookEvent, PayloadData},
        workshop::Workshop,
    },
    error::{Error, Result},
    metrics::Metrics,
    store::{self, Store, Tx, audit as trail, replica::Replica, types},
};

/// The Idempotency-Keys that are being worked on in this process.
type RunningKeys = Arc<Mutex<HashSet<(Id<Workshop>, String)>>>;

/// Everything that a request needs: the database and the clock.
#[derive(Clone, Debug)]
pub struct App {
    /// The database.
    pub store: Store,
    /// A copy of the database that reads are taken from, where there is one.
    pub replica: Option<Arc<Replica>>,
    /// What time it is.
    pub clock: Clock,
    /// The address that people use.
    pub site: Site,
    /// Idempotency keys whose first request is still running in this process.
    running: RunningKeys,
    /// Room for those that write at once on PostgreSQL; SQLite has one writer anyway.
    writers: Arc<Semaphore>,
    /// Answers kept in memory, dropped when what they say changes.
    pub kept: Arc<due::Kept>,
    /// Tokens looked up in the last seconds.
    pub tokens: Arc<token::KeptTokens>,
    /// Whether webhooks may reach into the private network.
    pub private_webhooks: bool,
    /// The proxies that are believed.
    pub proxies: TrustedProxies,
    /// How many requests each address and token may send; none: as many as it likes.
    pub pace: Option<Arc<Pace>>,
    /// Wakes the sender of webhooks.
    pub queued: Arc<Notify>,
    /// How mail leaves the server.
    pub mail: Arc<MailSettings>,
    /// Wakes the sender of letters.
    pub letters: Arc<Notify>,
    /// The copies that the server makes by itself, where it does.
    pub backups: Option<Arc<backup::Backups>>,
    /// What is counted for a monitoring system.
    pub metrics: Arc<Metrics>,
    /// Long work that somebody may watch.
    pub watched: Watched,
}

/// The address that people use, where it is known: a proxy may stand in front.
#[derive(Clone, Debug, Default)]
pub struct Site {
    /// Scheme and host, such as `https://bikes.example.org`.
    pub public_url: Option<String>,
}
impl Site {
    /// Whether people reach the server by https: cookies then insist on it.
    #[must_use]
    pub fn is_https(&self) -> bool {
        self.public_url.as_ref().is_some_and(|url| url.starts_with("https://"))
    }
    /// A link to a page for somebody elsewhere. Where the public address is not known it is the path alone: what a request calls its host may
    /// be anything, and must not end up in a link that holds a secret.
    #[must_use]
    pub fn link(&self, path: &str) -> String {
        format!("{}{path}", self.public_url.as_deref().unwrap_or_default())
    }
    /// The origin (RFC 6454) of the pages, where it is known.
    #[must_use]
    pub fn origin(&self) -> Option<&str> {
        self.public_url.as_deref()
    }
}

/// What is said of an Idempotency-Key that was used for another request.
pub const KEY_REUSED: &str = "This Idempotency-Key was used for another request; make a new key for each new entry.";
/// What is said of an Idempotency-Key whose first request is still running.
pub const KEY_RUNNING: &str = "The first request with this Idempotency-Key is still running; ask again in a moment.";

/// An answer as it is kept for a repeated request.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StoredAnswer {
    /// The status code.
    pub status: u16,
    /// Where the new resource is.
    pub location: Option<String>,
    /// Its entity tag.
    pub etag: Option<String>,
    /// The body.
    pub body: String,
}

/// An Idempotency-Key with the hash of the request that it came with.
#[derive(Clone, Debug)]
pub struct Once {
    /// The key.
    pub key: String,
    /// A hash of method, path with its query, and body.
    pub hash: Vec<u8>,
}

/// Takes a key off the list of running ones, however the request ends.
#[derive(Debug)]
struct Running {
    all: RunningKeys,
    key: (Id<Workshop>, String),
}
impl Drop for Running {
    fn drop(&mut self) {
        if let Ok(mut all) = self.all.lock() {
            all.remove(&self.key);
        }
    }
}

/// One piece of work: a transaction with who asks for it and when.
#[derive(Debug)]
pub struct Work {
    /// The transaction.
    pub tx: Tx,
    /// Who is asking.
    pub caller: Caller,
    /// The workshop's settings.
    pub workshop: Workshop,
    /// Now.
    pub now: OffsetDateTime,
    /// Today in the workshop's time zone.
    pub today: Date,
    clock: Clock,
    touched: BTreeSet<Id<Motorcycle>>,
    once: Option<(Once, Running)>,
    /// Held until the transaction ends.
    room: Option<OwnedSemaphorePermit>,
    kept: Arc<due::Kept>,
    tokens: Arc<token::KeptTokens>,
    /// Set where nothing that is kept in memory may outlast this work: tokens were revoked, or a person was erased.
    forgets: bool,
    /// Motorcycles on which it was worked out already, in whichever workshop.
    settled: BTreeSet<Id<Motorcycle>>,
    /// What webhooks may want to be told.
    happened: Vec<(HookEvent, PayloadData)>,
    /// Set where something is to be sent to one.
    queued: bool,
    sender: Arc<Notify>,
    /// How mail leaves the server.
    pub mail: Arc<MailSettings>,
    /// Set where a letter was queued.
    letter_queued: bool,
    letters: Arc<Notify>,
    metrics: Arc<Metrics>,
    /// Where long work says how far it has come; `None` where nobody watches.
    pub progress: Option<Progress>,
}

impl App {
    /// The app on a database.
    #[must_use]
    pub fn new(store: Store, clock: Clock) -> Self {
        Self {
            store,
            replica: None,
            clock,
            site: Site::default(),
            running: Arc::default(),
            writers: Arc::new(Semaphore::new(store::WRITERS)),
            kept: Arc::default(),
            tokens: Arc::default(),
            private_webhooks: false,
            proxies: TrustedProxies::default(),
            pace: None,
            queued: Arc::default(),
            mail: Arc::default(),
            letters: Arc::default(),
            backups: None,
            metrics: Arc::default(),
            watched: Watched::default(),
        }
    }

    /// The app with the address that people use.
    #[must_use]
    pub fn at(self, public_url: Option<String>) -> Self {
        Self { site: Site { public_url }, ..self }
    }

    /// The app with leave for webhooks to reach into the private network, or without.
    #[must_use]
    pub fn with_private_webhooks(self, allowed: bool) -> Self {
        Self { private_webhooks: allowed, ..self }
    }

    /// The app with a way out for mail.
    #[must_use]
    pub fn with_mail(self, mail: MailSettings) -> Self {
        Self { mail: Arc::new(mail), ..self }
    }
    /// The app with a copy of the database that reads are taken from, or without.
    #[must_use]
    pub fn reading_from(self, replica: Option<Replica>) -> Self {
        Self { replica: replica.map(Arc::new), ..self }
    }
    /// The app with copies that it makes by itself, or without.
    #[must_use]
    pub fn with_backups(self, backups: Option<backup::Backups>) -> Self {
        Self { backups: backups.map(Arc::new), ..self }
    }
    /// The app behind proxies that say whom they were asked by.
    #[must_use]
    pub fn behind(self, proxies: TrustedProxies) -> Self {
        Self { proxies, ..self }
    }
    /// The app with a limit of requests a minute for each address and token; see [`Pace::new`].
    #[must_use]
    pub fn with_pace(self, a_minute: Option<u32>) -> Self {
        Self { pace: Pace::new(a_minute).map(Arc::new), ..self }
    }

    /// Begins work that only reads.
    ///
    /// # Errors
    /// Where the database cannot be reached.
    pub async fn read(&self, caller: &Caller) -> Result<Work> {
        let copy = match &self.replica {
            Some(replica) => {
                let copy = replica.read(&self.store).instrument(debug_span!("wait for the copy")).await?;
                self.metrics.read_from(copy.is_some());
                copy
            }
            None => None,
        };
        let tx = match copy {
            Some(tx) => tx,
            None => self.store.read().instrument(debug_span!("wait to read")).await?,
        };
        self.begin(tx, caller, None).await
    }

    /// Begins work that writes.
    ///
    /// # Errors
    /// [`Error::Replayed`] with the first answer where the Idempotency-Key was used for the same request before, 422 where it was used
    /// for another, 409 where the first is still running.
    pub async fn write(&self, caller: &Caller, once: Option<Once>) -> Result<Work> {
        self.write_in(caller, once, &[caller.workshop]).await
    }

    /// Begins work that writes in the caller's workshop and in another one.
    ///
    /// # Errors
    /// As [`App::write`].
    pub async fn write_across(&self, caller: &Caller, once: Option<Once>, other: Id<Workshop>) -> Result<Work> {
        // Always in one order: two that lock each other's workshop would wait for each other forever.
        let mut both = [caller.workshop, other];
        both.sort_by_key(|id| id.uuid());
        self.write_in(caller, once, &both).await
    }

    async fn write_in(&self, caller: &Caller, once: Option<Once>, workshops: &[Id<Workshop>]) -> Result<Work> {
        // Everyone has keys of their own: what one was answered is nothing to another.
        let own = |once: Once| Once { key: caller.id().map_or_else(|| once.key.clone(), |id| format!("{id} {}", once.key)), ..once };
        let once = once.map(|once| self.take_key(caller.workshop, own(once))).transpose()?;
        let (room, mut tx) = async { Ok::<_, Error>((self.room_to_write().await?, self.store.write().await?)) }
            .instrument(debug_span!("wait to write"))
            .await?;
        for &workshop in workshops {
            store::workshop::lock(&mut tx, workshop).await?;
        }
        let mut work = self.begin(tx, caller, once).await?;
        work.room = room;
        if let Some((once, _)) = &work.once
            && let Some((hash, answer)) = store::idempotency::find(&mut work.tx, caller.workshop, &once.key, work.now).await?
        {
            return Err(if hash == once.hash { Error::Replayed(Box::new(answer)) } else { Error::invalid("", KEY_REUSED) });
        }
        Ok(work)
    }

    async fn room_to_write(&self) -> Result<Option<OwnedSemaphorePermit>> {
        let Store::Postgres(_) = self.store else { return Ok(None) };
        let room = tokio::time::timeout(store::WAIT, Arc::clone(&self.writers).acquire_owned()).await;
        room.map_err(|_| Error::Busy)?.map(Some).map_err(Error::internal)
    }

    fn take_key(&self, workshop: Id<Workshop>, once: Once) -> Result<(Once, Running)> {
        let key = (workshop, once.key.clone());
        let fresh = self.running.lock().map_err(Error::internal)?.insert(key.clone());
        if fresh { Ok((once, Running { all: Arc::clone(&self.running), key })) } else { Err(Error::conflict(KEY_RUNNING, [])) }
    }

    async fn begin(&self, mut tx: Tx, caller: &Caller, once: Option<(Once, Running)>) -> Result<Work> {
        let workshop = store::workshop::find(&mut tx, caller.workshop).await?.ok_or(Error::NotFound("workshop"))?;
        Ok(Work {
            tx,
            caller: caller.clone(),
            today: self.clock.today(&workshop.time_zone),
            now: self.clock.now(),
            workshop,
            clock: self.clock,
            touched: BTreeSet::new(),
            settled: BTreeSet::new(),
            once,
            room: None,
            kept: Arc::clone(&self.kept),
            tokens: Arc::clone(&self.tokens),
            forgets: false,
            happened: Vec::new(),
            queued: false,
            sender: Arc::clone(&self.queued),
            mail: Arc::clone(&self.mail),
            letter_queued: false,
            letters: Arc::clone(&self.letters),
            metrics: Arc::clone(&self.metrics),
            progress: None,
        })
    }
}

impl Work {
    /// The workshop's id, first in every key.
    #[must_use]
    pub fn workshop_id(&self) -> Id<Workshop> {
        self.caller.workshop
    }
    /// A new id.
    #[must_use]
    pub fn new_id<T>(&self) -> Id<T> {
        self.clock.new_id()
    }
    /// Says that what is due on a motorcycle may have changed.
    pub fn touch(&mut self, motorcycle: Id<Motorcycle>) {
        self.touched.insert(motorcycle);
    }
    /// Says that a stage of long work begins.
    pub fn begin_stage(&self, stage: Stage, all: usize) {
        if let Some(progress) = &self.progress {
            progress.begin(stage, all);
        }
    }
    /// Says that so many more of a stage are done.
    pub fn step(&self, more: usize) {
        if let Some(progress) = &self.progress {
            progress.add(more);
        }
    }
    /// Leaves an audit row.
    ///
    /// # Errors
    /// Where the database refuses.
    pub async fn audit<T: Serialize>(&mut self, action: &str, subject: Subject, old: Option<&T>, new: Option<&T>) -> Result<()> {
        self.happened.extend(webhook::meaning(action, &subject));
        let json = |value: Option<&T>| value.map(serde_json::to_value).transpose().map(|value| value.map(types::Json));
        let entry = trail::Entry {
            id: self.new_id(),
            at: types::Instant(self.now),
            who: self.caller.name(),
            person_id: self.caller.person_id(),
            token_id: self.caller.token_id(),
            address: self.caller.address.map(|address| address.to_string()),
            action: action.into(),
            subject_kind: subject.kind.into(),
            subject_id: subject.id,
            motorcycle_id: subject.motorcycle,
            old_value: json(old).map_err(Error::internal)?,
            new_value: json(new).map_err(Error::internal)?,
        };
        let workshop = self.workshop_id();
        trail::append(&mut self.tx, workshop, &entry).await
    }

    /// Works out what is due on the motorcycles that were touched, and tells those who want to be told.
    async fn settle(&mut self) -> Result<()> {
        let touched = std::mem::take(&mut self.touched);
        let telling = webhook::Telling::begin(self, &touched).await?;
        let begun = std::time::Instant::now();
        let touched = due::rebuild(self, touched).instrument(debug_span!("work out what is due")).await?;
        self.metrics.rebuilt(touched.len(), begun.elapsed());
        telling.finish(self).await?;
        let workshop = self.workshop_id();
        self.begin_stage(Stage::Words, 0);
        store::search::refresh(&mut self.tx, workshop).await?;
        self.settled.extend(touched);
        Ok(())
    }

    /// Goes over into another workshop, in the same transaction, once what was touched in this one is worked out; gives this one, to come back.
    /// Whoever calls it answers for what is done there in the caller's name.
    ///
    /// # Errors
    /// Where the database refuses.
    async fn go_over(&mut self, to: Workshop) -> Result<Workshop> {
        self.settle().await?;
        self.caller.workshop = to.id;
        self.today = self.clock.today(&to.time_zone);
        Ok(std::mem::replace(&mut self.workshop, to))
    }

    /// Works out what is due on the motorcycles that were touched, keeps the answer under the Idempotency-Key, and commits.
    ///
    /// # Errors
    /// Where the database refuses; then nothing is stored.
    pub async fn finish(mut self, answer: Option<&StoredAnswer>) -> Result<()> {
        self.settle().await?;
        let touched = std::mem::take(&mut self.settled);
        if let (Some((once, _running)), Some(answer)) = (&self.once, answer) {
            store::idempotency::insert(&mut self.tx, self.caller.workshop, &once.key, &once.hash, answer, self.now).await?;
        }
        // Dropped before and after: a reader between the two may have kept what is old by now.
        self.kept.forget(&touched);
        self.tx.commit().await?;
        self.kept.forget(&touched);
        if self.forgets {
            self.tokens.forget();
            self.kept.forget_all();
        }
        if self.queued {
            self.sender.notify_one();
        }
        if self.letter_queued {
            self.letters.notify_one();
        }
        Ok(())
    }
}

/// What an audit row is about.
#[derive(Clone, Copy, Debug)]
pub struct Subject {
    /// The kind of thing.
    pub kind: &'static str,
    /// Its id.
    pub id: Option<Uuid>,
    /// The motorcycle that it belongs to.
    pub motorcycle: Option<Id<Motorcycle>>,
}
impl Subject {
    /// A thing of a motorcycle.
    #[must_use]
    pub fn of<T>(kind: &'static str, id: Id<T>, motorcycle: Id<Motorcycle>) -> Self {
        Self { kind, id: Some(id.uuid()), motorcycle: Some(motorcycle) }
    }
    /// A thing of the workshop.
    #[must_use]
    pub fn new<T>(kind: &'static str, id: Id<T>) -> Self {
        Self { kind, id: Some(id.uuid()), motorcycle: None }
    }
}
