//! How many requests one address and one token may send: each a bucket that fills up again evenly. What is left is said in every answer
//! (`RateLimit` and `RateLimit-Policy`, draft-ietf-httpapi-ratelimit-headers-10); beyond it the answer is 429 with `Retry-After`.
use std::{net::IpAddr, num::NonZeroU32, sync::Arc};

use axum::{
    Extension,
    extract::Request,
    http::{HeaderMap, HeaderValue, header},
    middleware::Next,
    response::{IntoResponse, Response},
};
use governor::{
    Quota, RateLimiter,
    clock::{Clock, DefaultClock},
    middleware::StateInformationMiddleware,
    state::keyed::DashMapStateStore,
};
use sha2::{Digest, Sha256};

use super::address::ClientAddress;
use crate::error::Error;

/// What one address, and one token, may send in a minute where nothing else is said.
pub const USUAL: u32 = 6000;
/// Buckets that are full again are forgotten once there are so many.
const MANY: usize = 10_000;

type Buckets<K> = RateLimiter<K, DashMapStateStore<K>, DefaultClock, StateInformationMiddleware>;

/// The buckets of every address and every token.
#[derive(Debug)]
pub struct Pace {
    addresses: Buckets<IpAddr>,
    tokens: Buckets<[u8; 16]>,
    /// Requests from the machine itself are counted too.
    counts_loopback: bool,
    clock: DefaultClock,
    a_minute: u32,
}

/// What is left of a bucket.
struct Left {
    policy: &'static str,
    remaining: u32,
    /// Seconds until it is full again.
    full_in: u64,
}

impl Pace {
    /// So many requests a minute; `None` is the usual number, from which the machine's own requests are free; 0 is no limit at all.
    #[must_use]
    pub fn new(a_minute: Option<u32>) -> Option<Self> {
        let quota = Quota::per_minute(NonZeroU32::new(a_minute.unwrap_or(USUAL))?);
        Some(Self {
            addresses: RateLimiter::dashmap(quota).with_middleware(),
            tokens: RateLimiter::dashmap(quota).with_middleware(),
            counts_loopback: a_minute.is_some(),
            clock: DefaultClock::default(),
            a_minute: a_minute.unwrap_or(USUAL),
        })
    }
    fn take<K: Clone + Eq + std::hash::Hash>(&self, policy: &'static str, buckets: &Buckets<K>, key: &K) -> Result<Left, u64> {
        if buckets.len() > MANY {
            buckets.retain_recent();
        }
        match buckets.check_key(key) {
            Ok(state) => {
                let used = u64::from(self.a_minute - state.remaining_burst_capacity().min(self.a_minute));
                let full_in = (used * 60).div_ceil(u64::from(self.a_minute));
                Ok(Left { policy, remaining: state.remaining_burst_capacity(), full_in })
            }
            Err(not_yet) => Err(not_yet.wait_time_from(self.clock.now()).as_secs() + 1),
        }
    }
    /// Takes one request from the buckets that it belongs to.
    fn count(&self, address: Option<IpAddr>, headers: &HeaderMap) -> Result<Vec<Left>, u64> {
        let mut left = Vec::new();
        if address.is_some_and(|address| address.is_loopback()) && !self.counts_loopback {
            return Ok(left);
        }
        if let Some(address) = address {
            left.push(self.take("address", &self.addresses, &network_of(address))?);
        }
        if let Some(secret) = headers.get(header::AUTHORIZATION) {
            let mut key = [0; 16];
            key.copy_from_slice(&Sha256::digest(secret.as_bytes())[..16]);
            left.push(self.take("token", &self.tokens, &key)?);
        }
        Ok(left)
    }
}

/// Whoever has one IPv6 address has the 2^64 beside it too.
fn network_of(address: IpAddr) -> IpAddr {
    match address {
        IpAddr::V6(six) => IpAddr::V6((u128::from(six) & !u128::from(u64::MAX)).into()),
        IpAddr::V4(_) => address,
    }
}

/// Counts a request, turns it away where there were too many, and says in the answer what is left.
pub async fn keep(Extension(pace): Extension<Option<Arc<Pace>>>, request: Request, next: Next) -> Response {
    let Some(pace) = pace else { return next.run(request).await };
    let address = request.extensions().get::<ClientAddress>().copied().unwrap_or_default();
    let counted = pace.count(address.0, request.headers());
    let mut response = match &counted {
        Ok(_) => next.run(request).await,
        Err(wait) => Error::TooOften(*wait).into_response(),
    };
    let said = |all: Vec<String>| HeaderValue::from_str(&all.join(", ")).ok();
    if let Ok(left) = counted
        && !left.is_empty()
    {
        let policies = said(left.iter().map(|one| format!("\"{}\";q={};w=60", one.policy, pace.a_minute)).collect());
        let now = said(left.iter().map(|one| format!("\"{}\";r={};t={}", one.policy, one.remaining, one.full_in)).collect());
        response.headers_mut().extend(policies.map(|value| (header::HeaderName::from_static("ratelimit-policy"), value)));
        response.headers_mut().extend(now.map(|value| (header::HeaderName::from_static("ratelimit"), value)));
    }
    response
}
