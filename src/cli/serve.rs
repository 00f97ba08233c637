//! `witnessmark serve`
use std::{process::ExitCode, sync::Arc};

use clap::{Args, builder::BoolishValueParser};
use ipnet::IpNet;
use tokio::net::TcpListener;

use super::environment;
use crate::{
    access::address::{TrustedProxies, network},
    actions::App,
    clock::Clock,
    config::{CopyTimes, Database, Listen, Mail, ReplicaUrl},
    connections,
    error::Result,
    store::Store,
};

/// Serves the pages and the API.
#[derive(Debug, Args)]
pub struct Serve {
    #[command(flatten)]
    database: Database,
    #[command(flatten)]
    replica: ReplicaUrl,
    #[command(flatten)]
    listen: Listen,
    #[command(flatten)]
    mail: Mail,
    #[command(flatten)]
    copies: CopyTimes,
    /// Let webhooks reach into the private network: loopback, link-local and private addresses
    #[arg(long, env = "WITNESSMARK_WEBHOOKS_ALLOW_PRIVATE", value_parser = BoolishValueParser::new(), num_args = 0..=1, require_equals = true,
          default_value_t = false, default_missing_value = "true")]
    webhooks_allow_private: bool,
    /// Proxies whose X-Forwarded-For is believed: addresses or networks, such as `127.0.0.1,10.0.0.0/8`
    #[arg(long = "trusted-proxies", env = "WITNESSMARK_TRUSTED_PROXIES", value_name = "NETWORKS", value_delimiter = ',', value_parser = network)]
    trusted_proxies: Vec<IpNet>,
    /// Requests a minute for each address and each token; 0 for no limit. Unless it is set, 6000, and the machine's own are not counted
    #[arg(long, env = "WITNESSMARK_RATE_LIMIT", value_name = "NUMBER")]
    rate_limit: Option<u32>,
}

impl Serve {
    /// Runs the command until the process is told to stop.
    ///
    /// # Errors
    /// Where the database or the address cannot be used.
    pub async fn run(self) -> Result<ExitCode> {
        let mail = self.mail.settings(self.listen.public_url.as_ref(), self.listen.address)?;
        let copies = self.copies.of(&self.database)?;
        match (&copies, self.database.file()) {
            (Some(copies), _) => tracing::info!(folder = %copies.folder.display(), at = %copies.at, "the database is copied every day"),
            (None, Some(_)) => tracing::info!("no copies of the database are made: --backup-dir, or `witnessmark backup`"),
            (None, None) => tracing::info!("copies of a PostgreSQL database are made by pg_dump, not by this server"),
        }
        let store = Store::open(&self.database.url).await?;
        let replica = self.replica.of(&store).await?;
        let app = App::new(store, Clock::System).at(self.listen.public_url.clone()).reading_from(replica);
        let app = app.with_private_webhooks(self.webhooks_allow_private).behind(TrustedProxies::new(self.trusted_proxies));
        let app = Arc::new(app.with_pace(self.rate_limit).with_mail(mail).with_backups(copies));
        let listener = bind(&self.listen).await?;
        serve(app, listener).await?;
        Ok(ExitCode::SUCCESS)
    }
}

/// How long a letter under way is waited for at the end.
const TO_FINISH: std::time::Duration = std::time::Duration::from_secs(30);

/// Takes the address.
///
/// # Errors
/// Where it is taken or not allowed.
pub async fn bind(listen: &Listen) -> Result<TcpListener> {
    TcpListener::bind(listen.address)
        .await
        .map_err(|error| environment(format!("cannot listen on {}: {error}; choose another with --listen", listen.address)))
}

/// Serves until told to stop; requests in flight finish first.
///
/// # Errors
/// Where the network fails.
pub async fn serve(app: Arc<App>, listener: TcpListener) -> Result<()> {
    let address = listener.local_addr().map_err(environment)?;
    tracing::info!(%address, "serving");
    let sender = tokio::spawn(crate::feeds::webhooks::run(Arc::clone(&app)));
    let reports = tokio::spawn(crate::mail::reports::run(Arc::clone(&app)));
    let copies = tokio::spawn(crate::actions::backup::run(Arc::clone(&app)));
    let kept = tokio::spawn(crate::actions::due::let_go(Arc::clone(&app)));
    let (stop, stopping) = tokio::sync::watch::channel(false);
    let mut post = tokio::spawn(crate::mail::Sender::new(Arc::clone(&app)).run(stopping));
    connections::serve(listener, crate::web::router(Arc::clone(&app)), told_to_stop()).await;
    // A message under way is sent again at the next start, under the same id.
    sender.abort();
    reports.abort();
    // A copy under way is left behind without a name; the next start makes another.
    copies.abort();
    kept.abort();
    // A letter under way is finished: breaking it off after the mail server's yes would send it twice.
    let _ = stop.send(true);
    if tokio::time::timeout(TO_FINISH, &mut post).await.is_err() {
        post.abort();
    }
    if let Some(replica) = &app.replica {
        replica.close().await;
    }
    app.store.close().await;
    Ok(())
}

async fn told_to_stop() {
    let interrupt = tokio::signal::ctrl_c();
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut terminate) = signal(SignalKind::terminate()) {
            tokio::select! { _ = interrupt => {}, _ = terminate.recv() => {} }
            return;
        }
    }
    let _ = interrupt.await;
}
