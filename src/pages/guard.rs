//! Who is at the page: the session's cookie, and the refusal of posts that come from another site.
//!
//! The cookie is `SameSite=Lax`, not `Strict`: a link in a report's mail must open for somebody who is signed in. Posts from other sites are
//! refused on their own account, by what the browser says about where they come from.
use std::{sync::Arc, time::Duration};

use axum::{
    extract::{FromRequestParts, RawPathParams, Request, State},
    http::{HeaderMap, Method, header, request::Parts},
    middleware::Next,
    response::{IntoResponse, Response},
};

use super::{
    answer::{Said, said},
    fault::Fault,
    form::Form,
    frame::{Frame, Nav},
    sign_in as sign_in_page,
};
use crate::{
    access::{Caller, Standing, Who, address::ClientAddress},
    actions::{App, KEY_REUSED, KEY_RUNNING, Work, session, sign_in},
    domain::{id::Id, workshop::Person},
    error::{Error, Result},
};

/// The name of the session's cookie. Behind https it has the prefix that makes browsers insist on `Secure`, `Path=/` and no `Domain`.
#[must_use]
pub fn session_cookie(app: &App) -> &'static str {
    if app.site.is_https() { "__Host-session" } else { "session" }
}
/// The name of the cookie of a sign-in that still waits for the code of the second factor.
#[must_use]
pub fn half_cookie(app: &App) -> &'static str {
    if app.site.is_https() { "__Host-half" } else { "half" }
}
/// The name of the cookie that carries what was done to the next page.
fn said_cookie(app: &App) -> &'static str {
    if app.site.is_https() { "__Host-said" } else { "said" }
}
/// `Set-Cookie` for a session; with an empty secret it is taken away.
#[must_use]
pub fn set_session(app: &App, secret: &str) -> String {
    set_secret(app, session_cookie(app), secret, sign_in::SESSION)
}
/// `Set-Cookie` for a sign-in half way; with an empty secret it is taken away.
#[must_use]
pub fn set_half(app: &App, secret: &str) -> String {
    set_secret(app, half_cookie(app), secret, sign_in::STEP)
}
/// What was done is told within this time or not at all.
const SHOWN_WITHIN: time::Duration = time::Duration::MINUTE;

fn set_secret(app: &App, name: &str, secret: &str, lasts: time::Duration) -> String {
    let secure = if app.site.is_https() { "; Secure" } else { "" };
    let age = if secret.is_empty() { 0 } else { lasts.whole_seconds() };
    format!("{name}={secret}; Path=/; Max-Age={age}; HttpOnly; SameSite=Lax{secure}")
}
/// A cookie of the request.
#[must_use]
pub fn cookie<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    let all = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    all.flat_map(|value| value.split(';')).filter_map(|pair| pair.trim().split_once('=')).find(|pair| pair.0 == name).map(|pair| pair.1)
}

/// Somebody who is signed in, whatever they are in the workshop.
#[derive(Clone, Debug)]
pub struct Visitor {
    /// The one who asks.
    pub caller: Caller,
    said: Option<String>,
}
impl Visitor {
    /// What stands around a page.
    #[must_use]
    pub fn frame(&self, work: &Work, current: Nav) -> Frame {
        Frame::new(work.workshop.name.clone(), &self.caller, self.said.clone(), current)
    }
    /// Begins work that writes, once for a form's key. A second tap waits for the first and then leads to the same place. A form that was
    /// done before and changed since gets a new key and says so: [`Form::ready`] then keeps it from being done.
    ///
    /// # Errors
    /// [`Error::Replayed`] where this form was done before; see [`App::write`].
    pub async fn write(&self, app: &App, form: &mut Form) -> Result<Work> {
        for _ in 0..100 {
            match app.write(&self.caller, form.once()).await {
                Err(Error::Conflict { detail, .. }) if detail == KEY_RUNNING => tokio::time::sleep(Duration::from_millis(50)).await,
                Err(Error::Invalid(problems)) if problems.iter().any(|problem| problem.detail == KEY_REUSED) => {
                    form.begin_anew();
                    return app.write(&self.caller, None).await;
                }
                other => return other,
            }
        }
        Err(Error::Unavailable("a form's first sending is still running after five seconds".into()))
    }
}

impl FromRequestParts<Arc<App>> for Visitor {
    type Rejection = Fault;
    async fn from_request_parts(parts: &mut Parts, app: &Arc<App>) -> Result<Self, Fault> {
        let sign_in = || Fault::SignIn(parts.uri.path_and_query().map_or("/", |path| path.as_str()).to_owned());
        let cookie_value = cookie(&parts.headers, session_cookie(app)).ok_or_else(sign_in)?;
        match session::session_caller(app, cookie_value).await {
            Ok(caller) => Ok(Self {
                caller: caller.from_address(parts.extensions.get::<ClientAddress>().copied().unwrap_or_default().0),
                said: cookie(&parts.headers, said_cookie(app)).and_then(said),
            }),
            Err(Error::Unauthenticated(_)) => Err(sign_in()),
            Err(error) => Err(error.into()),
        }
    }
}

/// Somebody who is signed in, at the page of their own account: the person, and the secret of the session that asks.
#[derive(Clone, Debug)]
pub struct Own {
    /// The one who asks.
    pub visitor: Visitor,
    /// The person.
    pub person: Person,
    /// The secret of the session.
    pub cookie: String,
}
impl FromRequestParts<Arc<App>> for Own {
    type Rejection = Fault;
    async fn from_request_parts(parts: &mut Parts, app: &Arc<App>) -> Result<Self, Fault> {
        let visitor = Visitor::from_request_parts(parts, app).await?;
        let cookie = cookie(&parts.headers, session_cookie(app)).unwrap_or_default().to_owned();
        match &visitor.caller.who {
            Who::Person(person) => Ok(Self { person: person.clone(), visitor, cookie }),
            Who::Token(..) | Who::CommandLine | Who::Recipient(_) | Who::Workshop(_) => Err(Error::NotFound("page").into()),
        }
    }
}

macro_rules! visitor_who_is {
    ($($(#[$doc:meta])* $standing:ident;)+) => {$(
        $(#[$doc])*
        #[derive(Clone, Debug)]
        pub struct $standing(pub Visitor);
        impl FromRequestParts<Arc<App>> for $standing {
            type Rejection = Fault;
            async fn from_request_parts(parts: &mut Parts, app: &Arc<App>) -> Result<Self, Fault> {
                let visitor = Visitor::from_request_parts(parts, app).await?;
                visitor.caller.must_be(Standing::$standing)?;
                Ok(Self(visitor))
            }
        }
    )+};
}
visitor_who_is! {
    /// Somebody who works in the workshop.
    Mechanic;
    /// Somebody who runs the workshop.
    Manager;
}

/// The id in the path; see [`crate::api::extract::PathId`].
#[derive(Clone, Copy, Debug)]
pub struct PathId<T>(pub Id<T>);
impl<T> FromRequestParts<Arc<App>> for PathId<T> {
    type Rejection = Fault;
    async fn from_request_parts(parts: &mut Parts, app: &Arc<App>) -> Result<Self, Fault> {
        let found = crate::api::extract::PathId::from_request_parts(parts, app).await;
        found.map(|id| Self(id.0)).map_err(|_| Error::NotFound("page").into())
    }
}

/// The second id in the path, `{below}`: of something that belongs to what `{id}` names.
#[derive(Clone, Copy, Debug)]
pub struct SecondId<T>(pub Id<T>);
impl<T> FromRequestParts<Arc<App>> for SecondId<T> {
    type Rejection = Fault;
    async fn from_request_parts(parts: &mut Parts, app: &Arc<App>) -> Result<Self, Fault> {
        let params = RawPathParams::from_request_parts(parts, app).await.map_err(|_| Error::NotFound("page"))?;
        let id = params.iter().find(|(name, _)| *name == "below").and_then(|(_, text)| text.parse().ok());
        id.map(Self).ok_or_else(|| Error::NotFound("page").into())
    }
}

/// Refuses posts from other sites, and takes the words of the answer before off the browser once they were shown.
pub(super) async fn watch(State(app): State<Arc<App>>, request: Request, next: Next) -> Response {
    if !request.method().is_safe() && comes_from_elsewhere(request.headers(), app.site.origin()) {
        let why = "This was sent from another site, so nothing was done. Open the page here and send it again.";
        return Fault::from(Error::Forbidden(why.into())).into_response();
    }
    let was_said = request.method() == Method::GET && cookie(request.headers(), said_cookie(&app)).is_some();
    let mut response = next.run(request).await;
    let is_page = response.headers().get(header::CONTENT_TYPE).is_some_and(|kind| kind.as_bytes().starts_with(b"text/html"));
    let says = match response.extensions_mut().remove::<Said>() {
        Some(Said(text)) => Some(text),
        None => (was_said && is_page && response.status().is_success()).then(String::new),
    };
    if let Some(text) = says {
        sign_in_page::set_cookie(&mut response, &set_secret(&app, said_cookie(&app), &text, SHOWN_WITHIN));
    }
    response
}

/// Whether a browser says that a request comes from another site. `Sec-Fetch-Site` says so outright; it is left out over plain http, where
/// `Origin` is compared with this server's address. What sends neither is no browser of today and carries no cookie that it was not given.
fn comes_from_elsewhere(headers: &HeaderMap, own: Option<&str>) -> bool {
    let text = |name: &str| headers.get(name).map(|value| value.to_str().unwrap_or("?"));
    if let Some(site) = text("sec-fetch-site") {
        return site != "same-origin" && site != "none";
    }
    let Some(origin) = text("origin") else { return false };
    let host = text("host").unwrap_or_default();
    let same_host = origin.split_once("://").is_some_and(|(_, from)| !host.is_empty() && from.eq_ignore_ascii_case(host));
    !same_host && own != Some(origin)
}

#[cfg(test)]
mod tests {
    use axum::http::HeaderValue;

    use super::*;

    fn headers(pairs: &[(&'static str, &'static str)]) -> HeaderMap {
        pairs.iter().map(|(name, value)| (header::HeaderName::from_static(name), HeaderValue::from_static(value))).collect()
    }

    #[test]
    fn posts_from_other_sites_are_told_apart() {
        let own = Some("https://bikes.example.org");
        for here in [
            &[("sec-fetch-site", "same-origin")][..],
            &[("sec-fetch-site", "none")],
            &[("origin", "http://192.0.2.7:8080"), ("host", "192.0.2.7:8080")],
            &[("origin", "https://bikes.example.org"), ("host", "backend:8080")],
            &[],
        ] {
            assert!(!comes_from_elsewhere(&headers(here), own), "{here:?}");
        }
        for elsewhere in [
            &[("sec-fetch-site", "cross-site")][..],
            &[("sec-fetch-site", "same-site"), ("origin", "https://bikes.example.org")],
            &[("origin", "https://elsewhere.example"), ("host", "bikes.example.org")],
            &[("origin", "null"), ("host", "bikes.example.org")],
            &[("origin", "null")],
        ] {
            assert!(comes_from_elsewhere(&headers(elsewhere), own), "{elsewhere:?}");
        }
    }
    #[test]
    fn a_cookie_is_found_by_its_whole_name() {
        let headers = headers(&[("cookie", "a=1; xsession=2; session=3")]);
        assert_eq!(cookie(&headers, "session"), Some("3"));
        assert_eq!(cookie(&headers, "ession"), None);
    }
}
