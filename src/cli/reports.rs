//! `witnessmark reports`
use std::{net::SocketAddr, process::ExitCode, sync::Arc};

use clap::Args;
use time::{Date, macros::format_description};

use super::print;
use crate::{
    actions::{App, report::Looking},
    clock::Clock,
    config::{Database, Mail, address, public_url},
    error::Result,
    mail::{Sender, reports},
    store::Store,
};

/// Composes the reports of one day and sends what is pending.
#[derive(Debug, Args)]
pub struct Reports {
    #[command(flatten)]
    database: Database,
    /// The day that the reports are about; without it today in each workshop's time zone
    #[arg(long, value_name = "DATE", env = "WITNESSMARK_AS_OF", value_parser = day)]
    as_of: Option<Date>,
    /// Where links in the mails lead to; without it the address that `serve` listens on
    #[arg(long, value_name = "URL", env = "WITNESSMARK_PUBLIC_URL", value_parser = public_url)]
    public_url: Option<String>,
    /// The address that `serve` listens on
    #[arg(long, value_name = "ADDR", env = "WITNESSMARK_LISTEN", default_value = "127.0.0.1:8080", value_parser = address)]
    listen: SocketAddr,
    #[command(flatten)]
    mail: Mail,
}

fn day(text: &str) -> Result<Date, String> {
    Date::parse(text, format_description!("[year]-[month]-[day]")).map_err(|_| "give a date such as 2026-10-02".into())
}

impl Reports {
    /// Runs the command: 0 where all letters were accepted or given up for good, 3 where something is still pending.
    ///
    /// # Errors
    /// Where the database is not there or cannot be used.
    pub async fn run(self) -> Result<ExitCode> {
        self.database.must_be_there()?;
        let mail = self.mail.settings(self.public_url.as_ref(), self.listen)?;
        let no_way_out = mail.route.is_none();
        let app = Arc::new(App::new(Store::open(&self.database.url).await?, Clock::System).with_mail(mail));
        let done = Self::once(&app, self.as_of).await;
        app.store.close().await;
        let (queued, pending) = done?;
        print(&format!("{queued} composed, {pending} pending"));
        if pending == 0 {
            return Ok(ExitCode::SUCCESS);
        }
        if no_way_out {
            eprintln!(
                "witnessmark: there is no way out for mail; set WITNESSMARK_SMTP_URL and WITNESSMARK_MAIL_FROM, or give --mail-to-files DIR"
            );
        } else {
            eprintln!(
                "witnessmark: what is pending is tried again by the server, or by the next run; the workshop's page says why it waits"
            );
        }
        Ok(ExitCode::from(3))
    }

    async fn once(app: &Arc<App>, as_of: Option<Date>) -> Result<(usize, i64)> {
        let queued = reports::compose(app, Looking::For(as_of)).await?;
        let pending = Sender::new(Arc::clone(app)).send_all().await?;
        Ok((queued, pending))
    }
}
