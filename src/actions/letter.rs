//! Letters to people: queued in the transaction of what they tell of, then sent by [`crate::mail`] until a server accepts them.
use time::{Duration, OffsetDateTime};
use uuid::Uuid;

use super::{App, Subject, Work};
use crate::{
    clock::Clock,
    domain::{
        id::Id,
        letter::{LONGEST_WAIT, Letter, LetterStatus, MailSettings, NewLetter, Outcome, Recipient, one_line, wait_after},
        workshop::Workshop,
    },
    error::{Error, Result},
    store::{
        Stretch, Tx,
        letter::{self as store, Hold, Settled, Waiting},
    },
};

/// Queues a letter; it is sent once this work is finished, and never where the work is not.
///
/// # Errors
/// Where the database refuses.
pub async fn queue(work: &mut Work, new: NewLetter) -> Result<Id<Letter>> {
    let (workshop, clock, mail) = (work.workshop_id(), work.clock, std::sync::Arc::clone(&work.mail));
    work.letter_queued = true;
    queue_in(&mut work.tx, workshop, clock, &mail, new).await
}

/// Queues a letter where nobody is signed in, such as one with the way to a new password. After the commit call `app.letters.notify_one()`.
///
/// # Errors
/// Where the database refuses.
pub async fn queue_in(tx: &mut Tx, workshop: Id<Workshop>, clock: Clock, mail: &MailSettings, new: NewLetter) -> Result<Id<Letter>> {
    let (id, now): (Id<Letter>, _) = (clock.new_id(), clock.now());
    let letter = Letter {
        id,
        kind: new.kind,
        to: Recipient { name: one_line(&new.to.name), address: new.to.address.trim().to_owned() },
        subject: one_line(&new.subject),
        text: new.text,
        html: new.html.unwrap_or_default(),
        headers: new.headers,
        message_id: format!("<{id}@{}>", mail.domain()),
        status: LetterStatus::Pending,
        attempts: 0,
        next_try_at: now,
        last_answer: String::new(),
        settled_at: None,
        created_at: now,
    };
    store::insert(tx, workshop, &letter).await?;
    Ok(id)
}

/// Letters, newest first. What a letter with a secret says is left out.
///
/// # Errors
/// Where the database refuses.
pub async fn list(work: &mut Work, stretch: Stretch<Id<Letter>>) -> Result<Vec<Letter>> {
    let workshop = work.workshop_id();
    let letters = store::list(&mut work.tx, workshop, stretch).await?;
    Ok(letters.into_iter().map(without_secrets).collect())
}

/// The letter of an id. What a letter with a secret says is left out.
///
/// # Errors
/// 404 where the workshop has none.
pub async fn get(work: &mut Work, id: Id<Letter>) -> Result<Letter> {
    let workshop = work.workshop_id();
    Ok(without_secrets(store::find(&mut work.tx, workshop, id).await?.ok_or(Error::NotFound("letter"))?))
}

fn without_secrets(letter: Letter) -> Letter {
    if letter.kind.is_secret() { Letter { text: String::new(), html: String::new(), ..letter } } else { letter }
}

/// Tries a letter again at once that was given up or waits for its next try.
///
/// # Errors
/// 409 where it was accepted already, or its text is forgotten.
pub async fn retry(work: &mut Work, letter: &Letter) -> Result<()> {
    if letter.status == LetterStatus::Sent {
        return Err(Error::conflict("This letter was accepted already; a second copy would confuse.", []));
    }
    if letter.to.address.is_empty() {
        return Err(Error::conflict("The person to whom this letter went was erased, with what it said.", []));
    }
    if letter.status == LetterStatus::GivenUp && letter.kind.is_secret() {
        return Err(Error::conflict("What this letter said is forgotten, because it held a secret; have a new one written.", []));
    }
    let (workshop, now) = (work.workshop_id(), work.now);
    store::retry(&mut work.tx, workshop, letter.id, now).await?;
    work.letter_queued = true;
    work.audit::<()>("send again", Subject::new("letter", letter.id), None, None).await
}

/// How long a letter stays in the hand of a sender that is not heard of.
pub const CLAIM: Duration = Duration::seconds(20);

/// Letters of all workshops that are to be tried by now; with `all`, also those whose next try is later.
///
/// # Errors
/// Where the database refuses.
pub async fn waiting(app: &App, all: bool) -> Result<Vec<Waiting>> {
    let now = app.clock.now();
    let by = if all { now + Duration::days(365) } else { now };
    store::waiting(&mut app.store.read().await?, by, now, if all { i64::MAX } else { 64 }).await
}

/// How many letters are pending, and how many of them a sender has in hand.
///
/// # Errors
/// Where the database refuses.
pub async fn count_pending(app: &App) -> Result<(i64, i64)> {
    store::count_pending(&mut app.store.read().await?, app.clock.now()).await
}

/// Takes a letter in hand for one try; `None` where another sender was faster. The text is the workshop's name.
///
/// # Errors
/// Where the database refuses.
pub async fn claim(app: &App, letter: Waiting, by: Uuid) -> Result<Option<(Hold, Letter, String)>> {
    let now = app.clock.now();
    let hold = Hold { letter, by };
    let mut tx = app.store.write().await?;
    if !store::claim(&mut tx, &hold, now + CLAIM, now).await? {
        return Ok(None);
    }
    let found = store::find(&mut tx, letter.workshop_id, letter.id).await?;
    let workshop = crate::store::workshop::find(&mut tx, letter.workshop_id).await?;
    tx.commit().await?;
    Ok(found.zip(workshop).map(|(letter, workshop)| (hold, letter, workshop.name)))
}

/// Says that the sender is still alive; false where the letter is no longer in its hand.
///
/// # Errors
/// Where the database refuses.
pub async fn keep(app: &App, hold: &Hold) -> Result<bool> {
    let mut tx = app.store.write().await?;
    let kept = store::keep(&mut tx, hold, app.clock.now() + CLAIM).await?;
    tx.commit().await?;
    Ok(kept)
}

/// Writes down what came of a try: sent, tried again later, or given up.
///
/// # Errors
/// Where the database refuses.
pub async fn settle(app: &App, hold: &Hold, letter: &Letter, outcome: &Outcome) -> Result<()> {
    let now = app.clock.now();
    let settled = settled(letter, outcome, now);
    let mut tx = app.store.write().await?;
    let done = store::settle(&mut tx, hold, &settled, now).await?;
    if done && settled.status != LetterStatus::Pending && letter.kind.is_secret() {
        store::forget_text(&mut tx, hold.letter).await?;
    }
    tx.commit().await
}

fn settled(letter: &Letter, outcome: &Outcome, now: OffsetDateTime) -> Settled {
    let next = now + wait_after(letter.attempts);
    let (status, answer) = match outcome {
        Outcome::Accepted(answer) => (LetterStatus::Sent, answer.clone()),
        Outcome::Never(why) => (LetterStatus::GivenUp, why.clone()),
        Outcome::Later(why) if next - letter.created_at > LONGEST_WAIT => {
            (LetterStatus::GivenUp, format!("{why} It was tried for five days."))
        }
        Outcome::Later(why) => (LetterStatus::Pending, why.clone()),
        Outcome::Lost => (LetterStatus::Pending, letter.last_answer.clone()),
    };
    Settled { status, answer, next_try_at: next }
}

/// The sender's own id, for its claims.
#[must_use]
pub fn sender_id(app: &App) -> Uuid {
    app.clock.new_id::<Workshop>().uuid()
}
