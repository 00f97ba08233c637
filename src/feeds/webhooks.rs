//! Sends what is pending for webhooks, signed as Standard Webhooks 1.0 says.
//!
//! A message is claimed for a minute, sent, and what came of it is written down. A server that dies between sending and writing leaves the claim to
//! run out; the message then goes out again under the same id, by which the receiver knows it.
use std::{sync::Arc, time::Duration};

use axum::http::HeaderName;
use base64::{Engine, engine::general_purpose::STANDARD};
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;
use tokio::{task::JoinSet, time::Instant};

use super::post::post;
use crate::{
    actions::{App, webhook as actions},
    domain::webhook::Target,
    error::Result,
    store::webhook::Outgoing,
};

/// How long to rest where nothing is pending. A write in this process wakes the sender at once.
const REST: Duration = Duration::from_secs(5);
/// How often to look whether something came due by the calendar alone.
const TURNS: Duration = Duration::from_mins(5);
/// How many messages are under way at once.
const AT_ONCE: usize = 8;

/// The signature of a message (Standard Webhooks 1.0, symmetric): `v1,` and the base64 of HMAC-SHA-256 over `id.timestamp.payload`.
///
/// # Errors
/// Where the secret is not base64 behind `whsec_`.
pub fn sign(secret: &str, id: &str, timestamp: i64, payload: &str) -> Result<String, String> {
    let key = STANDARD.decode(secret.strip_prefix("whsec_").unwrap_or(secret)).map_err(|_| "The secret is not base64.".to_owned())?;
    let mut mac = Hmac::<Sha256>::new_from_slice(&key).map_err(|error| error.to_string())?;
    mac.update(format!("{id}.{timestamp}.{payload}").as_bytes());
    Ok(format!("v1,{}", STANDARD.encode(mac.finalize().into_bytes())))
}

/// Sends what is pending, for as long as the server runs.
pub async fn run(app: Arc<App>) {
    let mut looked: Option<Instant> = None;
    loop {
        if looked.is_none_or(|looked| looked.elapsed() > TURNS) {
            looked = Some(Instant::now());
            if let Err(error) = actions::tell_what_turned(&app).await {
                tracing::warn!(%error, "webhooks were not told what came due");
            }
        }
        match send_pending(&app).await {
            Ok(0) => {}
            Ok(_) => continue,
            Err(error) => tracing::warn!(%error, "webhooks cannot be read"),
        }
        tokio::select! { () = app.queued.notified() => {}, () = tokio::time::sleep(REST) => {} }
    }
}

/// Sends what is pending now, once; gives how many messages were tried.
///
/// # Errors
/// Where the database refuses.
pub async fn send_pending(app: &Arc<App>) -> Result<usize> {
    let mut under_way = JoinSet::new();
    let mut tried = 0;
    for message in actions::pending(app).await? {
        if under_way.len() >= AT_ONCE {
            under_way.join_next().await;
        }
        if actions::claim(app, &message).await? {
            tried += 1;
            let app = Arc::clone(app);
            under_way.spawn(async move {
                let outcome = deliver(&app, &message).await;
                if let Err(error) = actions::settle(&app, &message, outcome).await {
                    tracing::warn!(%error, delivery = %message.id, "what came of a delivery was not written down");
                }
            });
        }
    }
    while under_way.join_next().await.is_some() {}
    Ok(tried)
}

async fn deliver(app: &App, message: &Outgoing) -> Result<u16, String> {
    let target = Target::parse(&message.hook.0.url)?;
    let (id, timestamp) = (message.id.to_string(), app.clock.now().unix_timestamp());
    let signature = sign(&message.secret, &id, timestamp, &message.payload)?;
    let headers = [("webhook-id", id), ("webhook-timestamp", timestamp.to_string()), ("webhook-signature", signature)];
    let headers = headers.map(|(name, value)| (HeaderName::from_static(name), value));
    post(&target, &headers, message.payload.clone(), app.private_webhooks).await
}
