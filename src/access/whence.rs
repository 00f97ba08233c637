//! Where a sign-in comes from: the address, and what the browser says it is.
use axum::{
    extract::FromRequestParts,
    http::{header, request::Parts},
};

use super::address::ClientAddress;

/// Where a request comes from.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Whence {
    /// The client's address; empty where the server was not told.
    pub address: String,
    /// What the browser says it is, cut to what is worth keeping.
    pub user_agent: String,
}

/// The most that is kept of what a browser says.
const MOST: usize = 300;

impl<S: Send + Sync> FromRequestParts<S> for Whence {
    type Rejection = std::convert::Infallible;
    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Self::Rejection> {
        let client = parts.extensions.get::<ClientAddress>().copied().unwrap_or_default();
        let agent = parts.headers.get(header::USER_AGENT).and_then(|value| value.to_str().ok()).unwrap_or_default();
        Ok(Self {
            address: client.0.map(|address| address.to_string()).unwrap_or_default(),
            user_agent: agent.chars().take(MOST).collect(),
        })
    }
}
