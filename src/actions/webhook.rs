//! Webhooks: add, change, hide; and what is told to them, in the transaction of the write that it tells of.
use std::collections::{BTreeMap, BTreeSet};

use base64::{Engine, engine::general_purpose::STANDARD};
use rand::Rng;
use time::{Date, Duration};

use super::{App, Subject, Work};
use crate::{
    domain::{
        due::DueItemId,
        id::Id,
        motorcycle::Motorcycle,
        webhook::{Delivery, DeliveryStatus, HookEvent, MessageKind, NewWebhook, Payload, PayloadData, Webhook, problems, wait_after},
        words::Status,
    },
    error::{Error, Result},
    store::{
        self, Stretch,
        webhook::{self as store_webhook, Outgoing},
    },
};

/// The most webhooks of one workshop: each is asked about at every write.
const MOST: usize = 50;

/// A new secret (Standard Webhooks): 256 random bits.
fn secret() -> String {
    let mut bytes = [0_u8; 32];
    rand::rng().fill_bytes(&mut bytes);
    format!("whsec_{}", STANDARD.encode(bytes))
}

/// Adds a webhook; the second value is the secret that its messages are signed with.
///
/// # Errors
/// 422 with what is wrong where.
pub async fn add(work: &mut Work, new: NewWebhook, private_allowed: bool) -> Result<(Webhook, String)> {
    check(&new, private_allowed)?;
    if all(work).await?.len() >= MOST {
        return Err(Error::conflict(format!("There are {MOST} webhooks already; delete one that is no longer needed."), []));
    }
    let hook = Webhook::from_new(work.new_id(), new, work.now);
    let (workshop, today, secret) = (work.workshop_id(), work.today, secret());
    store_webhook::insert(&mut work.tx, workshop, &hook, &secret, today).await?;
    work.audit("add", Subject::new("webhook", hook.id), None, Some(&hook)).await?;
    Ok((hook, secret))
}

fn check(new: &NewWebhook, private_allowed: bool) -> Result<()> {
    let problems = problems(new, private_allowed);
    if problems.is_empty() { Ok(()) } else { Err(Error::Invalid(problems)) }
}

/// Changes a webhook; its secret stays.
///
/// # Errors
/// 422 with what is wrong where.
pub async fn change(work: &mut Work, old: &Webhook, new: NewWebhook, private_allowed: bool) -> Result<Webhook> {
    // One that only stops may keep an address that is not allowed any more.
    let only_stops = !new.active && new.url == old.url;
    check(&new, private_allowed || only_stops)?;
    let stops = old.active && !new.active;
    let hook = Webhook::from_new(old.id, new, old.created_at);
    let (workshop, now) = (work.workshop_id(), work.now);
    store_webhook::update(&mut work.tx, workshop, &hook, now).await?;
    if stops {
        store_webhook::give_up(&mut work.tx, workshop, hook.id, now).await?;
    }
    work.audit("change", Subject::new("webhook", hook.id), Some(old), Some(&hook)).await?;
    Ok(hook)
}

/// The webhook of an id.
///
/// # Errors
/// 404 where the workshop has none.
pub async fn get(work: &mut Work, id: Id<Webhook>) -> Result<Webhook> {
    let workshop = work.workshop_id();
    store_webhook::find(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("webhook"))
}

/// Webhooks in the order in which they were entered.
///
/// # Errors
/// Where the database refuses.
pub async fn list(work: &mut Work, stretch: Stretch<Id<Webhook>>) -> Result<Vec<Webhook>> {
    let workshop = work.workshop_id();
    store_webhook::list(&mut work.tx, workshop, stretch).await
}

async fn all(work: &mut Work) -> Result<Vec<Webhook>> {
    list(work, Stretch { after: None, limit: i64::MAX }).await
}

/// Deliveries to a webhook, newest first.
///
/// # Errors
/// Where the database refuses.
pub async fn deliveries(work: &mut Work, hook: &Webhook, stretch: Stretch<Id<Delivery>>) -> Result<Vec<Delivery>> {
    let workshop = work.workshop_id();
    store_webhook::deliveries(&mut work.tx, workshop, hook.id, stretch).await
}

/// Deletes a webhook; what is still pending for it is given up.
///
/// # Errors
/// Where the database refuses.
pub async fn delete(work: &mut Work, hook: &Webhook) -> Result<()> {
    let (workshop, now) = (work.workshop_id(), work.now);
    store_webhook::hide(&mut work.tx, workshop, hook.id, now).await?;
    work.audit("delete", Subject::new("webhook", hook.id), Some(hook), None).await
}

/// What an audit row means to webhooks, if anything.
#[must_use]
pub fn meaning(action: &str, subject: &Subject) -> Option<(HookEvent, PayloadData)> {
    let event = match (subject.kind, action) {
        ("odometer_reading" | "hour_reading", "record") => HookEvent::ReadingRecorded,
        ("odometer_reading" | "hour_reading", "strike out") => HookEvent::ReadingStruckOut,
        ("service_event", "log") => HookEvent::ServiceLogged,
        ("service_event", "strike out") => HookEvent::ServiceStruckOut,
        _ => return None,
    };
    Some((event, PayloadData { motorcycle_id: Some(subject.motorcycle?), id: subject.id }))
}

/// The status of each due item of some motorcycles.
type Statuses = BTreeMap<Id<Motorcycle>, BTreeMap<DueItemId, Status>>;

/// Who is to be told about one piece of work: looked up before what is due is worked out again, told after it.
#[derive(Debug)]
pub struct Telling {
    hooks: Vec<Webhook>,
    /// What was due before; only where somebody wants to know.
    before: Statuses,
}

impl Telling {
    /// Looks up who wants to be told, and what is due before the change.
    ///
    /// # Errors
    /// Where the database refuses.
    pub async fn begin(work: &mut Work, touched: &BTreeSet<Id<Motorcycle>>) -> Result<Self> {
        if touched.is_empty() && work.happened.is_empty() {
            return Ok(Self { hooks: Vec::new(), before: Statuses::new() });
        }
        let hooks: Vec<_> = all(work).await?.into_iter().filter(|hook| hook.active).collect();
        let mut before = Statuses::new();
        if hooks.iter().any(|hook| hook.events.contains(&HookEvent::DueChanged)) {
            let mut bikes = touched.clone();
            for bike in touched {
                bikes.extend(store::history::sharing_parts(&mut work.tx, work.caller.workshop, *bike).await?);
            }
            before = statuses(work, &bikes).await?;
        }
        Ok(Self { hooks, before })
    }

    /// Writes a delivery for each webhook and each thing that it wants to be told.
    ///
    /// # Errors
    /// Where the database refuses.
    pub async fn finish(self, work: &mut Work) -> Result<()> {
        let mut happened = std::mem::take(&mut work.happened);
        if self.hooks.is_empty() {
            return Ok(());
        }
        let bikes = self.before.keys().copied().collect();
        for (motorcycle_id, now) in statuses(work, &bikes).await? {
            if self.before.get(&motorcycle_id) != Some(&now) {
                happened.push((HookEvent::DueChanged, PayloadData { motorcycle_id: Some(motorcycle_id), id: None }));
            }
        }
        for (kind, data) in happened {
            for hook in self.hooks.iter().filter(|hook| hook.events.contains(&kind)) {
                enqueue(work, hook.id, kind.into(), &data).await?;
            }
        }
        Ok(())
    }
}

async fn enqueue(work: &mut Work, hook: Id<Webhook>, kind: MessageKind, data: &PayloadData) -> Result<Delivery> {
    let payload = Payload { kind, timestamp: work.now, data: data.clone() };
    let (workshop, id) = (work.workshop_id(), work.new_id());
    store_webhook::enqueue(&mut work.tx, workshop, id, hook, &payload).await?;
    work.queued = true;
    Ok(Delivery {
        id,
        webhook_id: hook,
        kind,
        created_at: payload.timestamp,
        next_try_at: Some(payload.timestamp),
        payload,
        status: DeliveryStatus::Pending,
        attempts: 0,
        last_answer: None,
    })
}

/// Sends a test message, as every other is sent: it goes out at once, signed, and stands in the log. It is tried a single time, whoever tests
/// wants to know now; also where the webhook is not active.
///
/// # Errors
/// Where the database refuses.
pub async fn test(work: &mut Work, hook: &Webhook) -> Result<Delivery> {
    let data = PayloadData { motorcycle_id: None, id: Some(hook.id.uuid()) };
    let delivery = enqueue(work, hook.id, MessageKind::Test, &data).await?;
    work.audit("test", Subject::new("webhook", hook.id), None, Some(&delivery)).await?;
    Ok(delivery)
}

async fn statuses(work: &mut Work, bikes: &BTreeSet<Id<Motorcycle>>) -> Result<Statuses> {
    let mut statuses = Statuses::new();
    for &bike in bikes {
        let items = store::due_item::of_motorcycle(&mut work.tx, work.caller.workshop, bike).await?;
        statuses.insert(bike, items.iter().map(|item| (item.id, item.on(work.today).status)).collect());
    }
    Ok(statuses)
}

/// Tells webhooks what came due by the calendar alone since they were last told. Called every few minutes; what was told once is not told again.
///
/// # Errors
/// Where the database refuses.
pub async fn tell_what_turned(app: &App) -> Result<()> {
    // The earliest time zone is 14 hours ahead of UTC.
    let latest = (app.clock.now() + Duration::hours(14)).date();
    let told = store_webhook::told_before(&mut app.store.read().await?, latest).await?;
    for told in told {
        let mut work = app.write(&crate::access::Caller::command_line(told.workshop_id), None).await?;
        let today: Date = work.today;
        if told.told_on >= today || !store_webhook::tell_until(&mut work.tx, &told, today).await? {
            continue;
        }
        let hook = store_webhook::find(&mut work.tx, told.workshop_id, told.id).await?;
        if hook.is_some_and(|hook| hook.active && hook.events.contains(&HookEvent::DueChanged)) {
            for motorcycle_id in store_webhook::turned(&mut work.tx, told.workshop_id, told.told_on, today).await? {
                let data = PayloadData { motorcycle_id: Some(motorcycle_id), id: None };
                enqueue(&mut work, told.id, MessageKind::DueChanged, &data).await?;
            }
        }
        work.finish(None).await?;
    }
    Ok(())
}

/// How long a claimed message is left to the one who claimed it.
const CLAIM: Duration = Duration::seconds(60);

/// Messages that are to be sent by now, of all workshops.
///
/// # Errors
/// Where the database refuses.
pub async fn pending(app: &App) -> Result<Vec<Outgoing>> {
    store_webhook::pending(&mut app.store.read().await?, app.clock.now(), 64).await
}

/// Claims a message for one try; false where another server was faster.
///
/// # Errors
/// Where the database refuses.
pub async fn claim(app: &App, message: &Outgoing) -> Result<bool> {
    let mut tx = app.store.write().await?;
    let now = app.clock.now();
    let claimed = store_webhook::claim(&mut tx, message, now + CLAIM, now).await?;
    tx.commit().await?;
    Ok(claimed)
}

/// Writes down what came of a try: delivered, tried again later, or given up. 410 says that the receiver is gone for good.
///
/// # Errors
/// Where the database refuses.
pub async fn settle(app: &App, message: &Outgoing, outcome: Result<u16, String>) -> Result<()> {
    let now = app.clock.now();
    let wait = wait_after(message.attempts + 1).filter(|_| message.hook.0.active && message.kind != MessageKind::Test);
    let (status, answer, wait) = match outcome {
        Ok(code @ 200..300) => (DeliveryStatus::Delivered, format!("Answered with {code}."), None),
        Ok(410) => (DeliveryStatus::GivenUp, "Answered with 410: gone for good.".into(), None),
        Ok(code @ 300..400) => (DeliveryStatus::Pending, format!("Answered with {code}; redirects are not followed."), wait),
        Ok(code) => (DeliveryStatus::Pending, format!("Answered with {code}."), wait),
        Err(why) => (DeliveryStatus::Pending, why, wait),
    };
    let status = if status == DeliveryStatus::Pending && wait.is_none() { DeliveryStatus::GivenUp } else { status };
    let next = wait.map(|seconds| now + Duration::seconds(seconds));
    let mut tx = app.store.write().await?;
    store_webhook::settle(&mut tx, message, status, &answer, next, now).await?;
    tx.commit().await
}
