//! The mail "What is due": composed once for each recipient and period, then a letter like any other.
use std::{sync::Arc, time::Duration};

use super::what_is_due::{InWords, html, text};
use crate::{
    actions::{
        App,
        report::{self as actions, Begun, Looking},
    },
    domain::letter::{Header, LetterKind, NewLetter},
    error::Result,
};

/// How often `serve` looks whether the hour of a report has come.
const LOOK: Duration = Duration::from_secs(30);

/// Composes reports when their hour has come, for as long as the server runs. Without a way out for mail none is composed: they would pile up, and
/// all go out at once some day.
pub async fn run(app: Arc<App>) {
    if app.mail.route.is_none() {
        tracing::info!("no reports are mailed: there is no way out for mail (WITNESSMARK_SMTP_URL, or --mail-to-files)");
        return;
    }
    loop {
        if let Err(error) = compose(&app, Looking::ByTheClock).await {
            tracing::warn!(%error, "reports could not be composed; it is tried again");
        }
        tokio::time::sleep(LOOK).await;
    }
}

/// Composes the reports whose turn it is; gives how many letters were queued.
///
/// # Errors
/// Where the database refuses; what was composed before stays.
pub async fn compose(app: &App, looking: Looking) -> Result<usize> {
    let mut queued = 0;
    for turn in actions::turns(app, looking).await? {
        let Some(begun) = actions::begin(app, &turn).await? else { continue };
        let letter = if begun.worth_it { Some(letter(app, &begun)?) } else { None };
        let mailed = letter.is_some();
        queued += usize::from(actions::finish(begun, letter).await? && mailed);
    }
    Ok(queued)
}

fn letter(app: &App, begun: &Begun) -> Result<NewLetter> {
    let links = &app.mail.links;
    let stop = format!("{links}/unsubscribe/{}", begun.secret);
    let said = InWords::new(&begun.report, &begun.work.workshop, links, begun.for_owner, Some(stop.clone()));
    let header = |name: &str, value: String| Header { name: name.into(), value };
    Ok(NewLetter {
        kind: LetterKind::Report,
        to: begun.to.clone(),
        subject: begun.report.subject(),
        text: text(&said)?,
        html: Some(html(&said)?),
        headers: vec![
            header("List-Unsubscribe", format!("<{stop}>")),
            header("List-Unsubscribe-Post", "List-Unsubscribe=One-Click".into()),
        ],
    })
}
