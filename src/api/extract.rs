//! Who is asking, as an argument of a handler: [`Reads`] to [`Administers`]; ids of a path; the Idempotency-Key.
use std::sync::Arc;

use axum::{
    extract::{FromRequestParts, RawPathParams},
    http::{HeaderMap, header, request::Parts, uri::PathAndQuery},
};

use crate::{
    access::{Caller, Standing, address::ClientAddress},
    actions::{App, Once, session},
    domain::{id::Id, words::TokenScope},
    error::{Error, NULL_CHARACTER, Result},
};

macro_rules! caller_with {
    ($($(#[$doc:meta])* $name:ident needs $scope:ident from $standing:ident;)+) => {$(
        $(#[$doc])*
        #[derive(Clone, Debug)]
        pub struct $name(pub Caller);
        impl FromRequestParts<Arc<App>> for $name {
            type Rejection = Error;
            async fn from_request_parts(parts: &mut Parts, app: &Arc<App>) -> Result<Self> {
                let address = parts.extensions.get::<ClientAddress>().copied().unwrap_or_default();
                let caller = session::token_caller(app, bearer(&parts.headers)?).await?.from_address(address.0);
                caller.may(TokenScope::$scope)?;
                caller.must_be(Standing::$standing)?;
                Ok(Self(caller))
            }
        }
    )+};
}
caller_with! {
    /// A caller who may read about the motorcycles that they see.
    Reads needs Read from Owner;
    /// A caller who may read what the workshop keeps for itself: owners, rules, settings.
    Sees needs Read from Mechanic;
    /// A caller who may write what an owner may: readings, work done at home.
    Writes needs Write from Owner;
    /// A caller who may write about motorcycles as the workshop does.
    Works needs Write from Mechanic;
    /// A caller who may change what the workshop goes by: rules, limits, fasteners.
    Governs needs Write from Manager;
    /// A caller who may administer: rules of access, tokens, the audit trail.
    Administers needs Admin from Manager;
}

/// The token of `Authorization: Bearer …` (RFC 6750).
fn bearer(headers: &HeaderMap) -> Result<&str> {
    let value = headers.get(header::AUTHORIZATION).and_then(|value| value.to_str().ok());
    value
        .and_then(|value| value.split_once(' '))
        .filter(|(scheme, _)| scheme.eq_ignore_ascii_case("bearer"))
        .map(|(_, token)| token.trim())
        .ok_or(Error::Unauthenticated(super::answer::NO_TOKEN))
}

/// The id in the path. What is no UUID is an id that nothing has: 404, like any other unknown one.
#[derive(Clone, Copy, Debug)]
pub struct PathId<T>(pub Id<T>);

impl<T, S: Send + Sync> FromRequestParts<S> for PathId<T> {
    type Rejection = Error;
    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self> {
        let params = RawPathParams::from_request_parts(parts, state).await.map_err(|_| Error::NotFound("resource"))?;
        let id = params.iter().find(|(name, _)| *name == "id").and_then(|(_, text)| text.parse().ok());
        id.map(Self).ok_or(Error::NotFound("resource"))
    }
}

/// The Idempotency-Key of a POST, if there is one.
#[derive(Clone, Debug)]
pub struct Key {
    key: Option<String>,
    request: String,
}

impl Key {
    /// The key together with the body it protects.
    ///
    /// # Errors
    /// 422 for a key that is empty or longer than 255 characters.
    pub fn with(self, body: &[u8]) -> Result<Option<Once>> {
        use sha2::{Digest, Sha256};
        let Some(key) = self.key else { return Ok(None) };
        if key.is_empty() || key.len() > 255 {
            return Err(Error::invalid("", "An Idempotency-Key has 1 to 255 characters; a random UUID is a good one."));
        }
        let hash = Sha256::new().chain_update(&self.request).chain_update(body).finalize().to_vec();
        Ok(Some(Once { key, hash }))
    }
}

impl<S: Send + Sync> FromRequestParts<S> for Key {
    type Rejection = Error;
    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self> {
        let key = parts.headers.get("idempotency-key").map(|value| String::from_utf8_lossy(value.as_bytes()).trim().to_owned());
        Ok(Self { key, request: format!("{} {}\n", parts.method, parts.uri.path_and_query().map_or("", PathAndQuery::as_str)) })
    }
}

/// The query string as a type; what does not fit is 422 with a pointer to the parameter.
#[derive(Clone, Copy, Debug)]
pub struct Query<T>(pub T);

impl<T: serde::de::DeserializeOwned, S: Send + Sync> FromRequestParts<S> for Query<T> {
    type Rejection = Error;
    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self> {
        let pairs = axum::extract::RawQuery::from_request_parts(parts, state).await.map(|query| query.0).unwrap_or_default();
        let pairs = pairs.unwrap_or_default();
        // PostgreSQL has no text with it, so no list has anything to look for.
        let with_null = pairs.split('&').filter_map(|pair| pair.split_once('=')).find(|(_, value)| value.contains("%00"));
        if let Some((name, _)) = with_null {
            return Err(Error::invalid(format!("/{name}"), NULL_CHARACTER));
        }
        let uri: axum::http::Uri = format!("/?{pairs}").parse().map_err(|_| Error::Malformed("The query cannot be read.".into()))?;
        axum::extract::Query::<T>::try_from_uri(&uri).map(|query| Self(query.0)).map_err(|error| {
            let text = error.body_text();
            let text = text.strip_prefix("Failed to deserialize query string: ").unwrap_or(&text).to_owned();
            let (name, detail) =
                text.split_once(": ").map_or((String::new(), text.clone()), |(name, detail)| (format!("/{name}"), detail.into()));
            Error::invalid(name, format!("{detail}; dates are YYYY-MM-DD, instants RFC 3339."))
        })
    }
}
