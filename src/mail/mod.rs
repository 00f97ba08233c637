//! Beside the fourth floor: letters on their way out.
//!
//! A letter is taken in hand for twenty seconds; as long as its sender lives, it says so every few seconds. What came of the try is written down.
//! A sender that dies leaves the letter to the next one, who sends the same letter, byte by byte, under the same Message-ID. Only where the
//! mail server has the whole message, and the sender dies before it has written down the yes, does a second copy go out.
mod files;
mod message;
pub mod reports;
mod smtp;
pub mod what_is_due;

use std::{collections::HashSet, future::Future, sync::Arc, time::Duration};

use tokio::sync::watch;
use uuid::Uuid;

pub use message::compose;

use crate::{
    actions::{App, letter as actions},
    domain::letter::{MailRoute, Outcome},
    error::Result,
    metrics::Try,
    store::letter::{Hold, Waiting},
};

/// How long to rest where nothing is pending. A letter queued in this process wakes the sender at once.
const REST: Duration = Duration::from_secs(5);
/// How often a sender says that it lives; a fifth of the time after which it counts as dead.
const BEAT: Duration = Duration::from_secs(4);
/// How long `reports` waits for letters that another sender has in hand.
const PATIENCE: Duration = Duration::from_mins(2);

/// A sender of letters.
#[derive(Debug)]
pub struct Sender {
    app: Arc<App>,
    id: Uuid,
    smtp: Option<smtp::Session>,
}

impl Sender {
    /// A sender by the app's own way out.
    #[must_use]
    pub fn new(app: Arc<App>) -> Self {
        let smtp = match &app.mail.route {
            Some(MailRoute::Smtp(server)) => Some(smtp::Session::new(server.clone())),
            _ => None,
        };
        Self { id: actions::sender_id(&app), app, smtp }
    }

    /// Sends what is pending until the server stops; a letter in hand is finished first. Without a way out nothing is touched.
    pub async fn run(mut self, mut stop: watch::Receiver<bool>) {
        if self.app.mail.route.is_none() {
            return;
        }
        while !*stop.borrow() {
            let waiting = match actions::waiting(&self.app, false).await {
                Ok(waiting) => waiting,
                Err(error) => {
                    tracing::warn!(%error, "letters cannot be read");
                    Vec::new()
                }
            };
            if waiting.is_empty() {
                self.rest().await;
                let queued = Arc::clone(&self.app.letters);
                tokio::select! { () = queued.notified() => {}, () = tokio::time::sleep(REST) => {}, _ = stop.changed() => {} }
            }
            for letter in waiting {
                if *stop.borrow() {
                    break;
                }
                if let Err(error) = self.try_one(letter).await {
                    tracing::warn!(%error, letter = %letter.id, "a letter could not be tried");
                    tokio::time::sleep(REST).await;
                }
            }
        }
        self.rest().await;
    }

    /// Tries, once each, the letters whose time has come; gives how many.
    ///
    /// # Errors
    /// Where the database refuses.
    pub async fn send_waiting(&mut self) -> Result<usize> {
        let mut tried = 0;
        for letter in actions::waiting(&self.app, false).await? {
            tried += usize::from(self.try_one(letter).await?);
        }
        Ok(tried)
    }

    /// Tries, once each, all pending letters whatever their time, and waits for those that another sender has in hand. Gives how many are
    /// pending in the end.
    ///
    /// # Errors
    /// Where the database refuses.
    pub async fn send_all(&mut self) -> Result<i64> {
        let mut tried = HashSet::new();
        let began = tokio::time::Instant::now();
        while self.app.mail.route.is_some() {
            let waiting = actions::waiting(&self.app, true).await?;
            for letter in waiting.into_iter().filter(|letter| !tried.contains(&letter.id)).collect::<Vec<_>>() {
                if self.try_one(letter).await? {
                    tried.insert(letter.id);
                }
            }
            if actions::count_pending(&self.app).await?.1 == 0 || began.elapsed() > PATIENCE {
                break;
            }
            tokio::time::sleep(Duration::from_millis(500)).await;
        }
        self.rest().await;
        Ok(actions::count_pending(&self.app).await?.0)
    }

    /// Ends the connection politely.
    async fn rest(&mut self) {
        if let Some(smtp) = &mut self.smtp {
            smtp.close().await;
        }
    }

    /// One try; false where another sender was faster.
    async fn try_one(&mut self, letter: Waiting) -> Result<bool> {
        let Some((hold, letter, workshop)) = actions::claim(&self.app, letter, self.id).await? else { return Ok(false) };
        let app = Arc::clone(&self.app);
        let outcome = match compose(&letter, &app.mail, &workshop) {
            Ok(message) => while_saying_so(&app, &hold, Box::pin(self.deliver(&hold, &message))).await,
            Err(why) => Outcome::Never(why),
        };
        match &outcome {
            Outcome::Accepted(_) => tracing::info!(letter = %letter.id, kind = %letter.kind, "a letter was accepted"),
            Outcome::Never(why) => tracing::warn!(letter = %letter.id, kind = %letter.kind, why, "a letter was given up"),
            Outcome::Later(why) => tracing::warn!(letter = %letter.id, kind = %letter.kind, why, "a letter waits for its next try"),
            Outcome::Lost => return Ok(true),
        }
        app.metrics.letter(match &outcome {
            Outcome::Accepted(_) => Try::Accepted,
            Outcome::Never(_) => Try::Never,
            Outcome::Later(_) | Outcome::Lost => Try::Later,
        });
        // What a server has accepted must be written down: it is tried as long as that may help.
        let settle = async {
            for _ in 0..30 {
                match actions::settle(&app, &hold, &letter, &outcome).await {
                    Ok(()) => return Ok(true),
                    Err(error) => tracing::error!(%error, letter = %letter.id, "what came of a letter is not written down yet"),
                }
                tokio::time::sleep(Duration::from_secs(1)).await;
            }
            actions::settle(&app, &hold, &letter, &outcome).await.map(|()| true)
        };
        while_saying_so(&app, &hold, settle).await
    }

    async fn deliver(&mut self, hold: &Hold, message: &message::Composed) -> Outcome {
        match (&self.app.mail.route, &mut self.smtp) {
            (Some(MailRoute::Files(folder)), _) => files::write(folder.clone(), hold.letter.id, message.bytes.clone()).await,
            (Some(MailRoute::Smtp(_)), Some(smtp)) => {
                if let Err(outcome) = smtp.begin(message).await {
                    return outcome;
                }
                if !actions::keep(&self.app, hold).await.unwrap_or(false) {
                    smtp.break_off().await;
                    return Outcome::Lost;
                }
                smtp.hand_over(message).await
            }
            _ => Outcome::Lost,
        }
    }
}

/// Does something, and says all the while that the sender lives.
async fn while_saying_so<T>(app: &App, hold: &Hold, work: impl Future<Output = T>) -> T {
    let beat = async {
        loop {
            tokio::time::sleep(BEAT).await;
            if let Err(error) = actions::keep(app, hold).await {
                tracing::warn!(%error, letter = %hold.letter.id, "a letter in hand cannot be kept there");
            }
        }
    };
    tokio::select! { done = work => done, () = beat => std::future::pending().await }
}
