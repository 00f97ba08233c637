//! A form as it was sent or is shown: what was typed, what is wrong with it beside each field, and its one-time key.
//!
//! A field has the name of its JSON pointer with dots: `/records_begin/odometer` is `records_begin.odometer`, so that the
//! problems that an action names find their fields by themselves.
use axum::{
    body::{Body, Bytes},
    extract::{FromRequest, FromRequestParts, Request},
    http::{header, request::Parts},
    response::Response,
};
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::str::FromStr;
use time::Date;

use super::fault::Fault;
use crate::{
    access::secret,
    actions::Once,
    api::{answer::etag, body::LARGEST},
    domain::quantity::Figure,
    error::{Error, Result},
};

/// Name and value, in the order in which they stand on the page.
pub type Pairs = Vec<(String, String)>;

/// Something wrong, and the field that it is about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WrongPlace {
    /// The field's name, where it is about one that the form shows.
    pub field: Option<String>,
    /// What is wrong and what to do.
    pub message: String,
}

/// A form.
#[derive(Clone, Debug, Default)]
pub struct Form {
    pairs: Pairs,
    wrong: Vec<WrongPlace>,
    key: String,
    hash: Vec<u8>,
}

impl Form {
    /// A form to be shown, with these values in it.
    #[must_use]
    pub fn showing<'a>(values: impl IntoIterator<Item = (&'a str, String)>) -> Self {
        let pairs = values.into_iter().map(|(name, value)| (name.to_owned(), value)).collect();
        Self { pairs, key: secret::new(""), ..Self::default() }
    }
    /// The one-time key, for the hidden field `once`.
    #[must_use]
    pub fn key(&self) -> &str {
        &self.key
    }
    /// The key and the hash of what it protects; `None` for a form without a key.
    #[must_use]
    pub fn once(&self) -> Option<Once> {
        (!self.key.is_empty()).then(|| Once { key: format!("page {}", self.key), hash: self.hash.clone() })
    }

    /// What stands in a field, without spaces around it; the first where there are several.
    #[must_use]
    pub fn value(&self, name: &str) -> &str {
        self.pairs.iter().find(|pair| pair.0 == name).map_or("", |pair| pair.1.trim())
    }
    /// The names of all fields, in the order of the page.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.pairs.iter().map(|pair| pair.0.as_str())
    }
    /// Whether a field was sent, empty or not.
    #[must_use]
    pub fn has(&self, name: &str) -> bool {
        self.names().any(|held| held == name)
    }
    /// Puts a value into a field that is not there yet.
    pub fn offer(&mut self, name: &str, value: impl Into<String>) {
        if !self.has(name) {
            self.push(name, value);
        }
    }
    /// Puts one more value under a name: another box is ticked.
    pub fn push(&mut self, name: &str, value: impl Into<String>) {
        self.pairs.push((name.into(), value.into()));
    }
    /// Every value of a name: boxes that were ticked.
    pub fn values<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a str> {
        self.pairs.iter().filter(move |pair| pair.0 == name).map(|pair| pair.1.trim())
    }
    /// Whether a field holds this value: it is ticked or chosen.
    #[must_use]
    pub fn is(&self, name: &str, value: &str) -> bool {
        self.values(name).any(|held| held == value)
    }
    /// The password as it was typed: spaces around it belong to it.
    #[must_use]
    pub fn password(&self) -> String {
        self.untouched("password")
    }
    /// The text of a field with the spaces around it.
    #[must_use]
    pub fn untouched(&self, name: &str) -> String {
        self.pairs.iter().find(|pair| pair.0 == name).map_or_else(String::new, |pair| pair.1.clone())
    }
    /// Puts a value into a field, in place of what was there.
    pub fn set(&mut self, name: &str, value: impl Into<String>) {
        self.pairs.retain(|pair| pair.0 != name);
        self.pairs.push((name.into(), value.into()));
    }

    /// Leaves out the fields whose names are meant.
    pub fn leave_out(&mut self, is_meant: impl Fn(&str) -> bool) {
        self.pairs.retain(|pair| !is_meant(&pair.0));
    }

    /// Whether anything is wrong.
    #[must_use]
    pub fn has_problems(&self) -> bool {
        !self.wrong.is_empty()
    }
    /// Everything that is wrong, in the order of the page.
    #[must_use]
    pub fn wrong_places(&self) -> &[WrongPlace] {
        &self.wrong
    }
    /// Whether something is wrong with a field.
    #[must_use]
    pub fn is_wrong(&self, name: &str) -> bool {
        self.wrong.iter().any(|wrong| wrong.field.as_deref() == Some(name))
    }
    /// What is wrong with a field.
    #[must_use]
    pub fn message(&self, name: &str) -> Option<String> {
        let messages: Vec<_> =
            self.wrong.iter().filter(|wrong| wrong.field.as_deref() == Some(name)).map(|wrong| wrong.message.as_str()).collect();
        (!messages.is_empty()).then(|| messages.join(" "))
    }
    /// Whether a field is the first wrong one: it gets the focus.
    #[must_use]
    pub fn has_focus(&self, name: &str) -> bool {
        self.wrong.iter().find_map(|wrong| wrong.field.as_deref()) == Some(name)
    }
    /// Says that something is wrong.
    pub fn complain(&mut self, name: &str, message: impl Into<String>) {
        // Boxes and choices that were left alone are not sent, and have their place behind those that were.
        let field = (!name.is_empty()).then(|| name.to_owned());
        self.wrong.push(WrongPlace { field, message: message.into() });
        let place = |wrong: &WrongPlace| {
            let field = wrong.field.as_ref()?;
            Some(self.pairs.iter().position(|pair| pair.0 == *field).unwrap_or(usize::MAX))
        };
        let mut wrong = std::mem::take(&mut self.wrong);
        // What is about no field stands first.
        wrong.sort_by_key(place);
        wrong.dedup();
        self.wrong = wrong;
    }

    /// A form that did not come as text alone: what it says, and the hash of all of it.
    #[must_use]
    pub fn sent(pairs: Pairs, hash: Vec<u8>) -> Self {
        let mut form = Self { pairs, hash, ..Self::default() };
        form.key = form.value("once").chars().take(200).collect();
        form
    }

    /// Gives a form that was done before, and changed since, a key of its own.
    pub fn begin_anew(&mut self) {
        self.key = secret::new("");
        self.complain("", "This form was saved before, and was changed since. Press the button again to save it as something new.");
    }
    /// What was read from the form, where nothing is wrong with it.
    ///
    /// # Errors
    /// 422 without a problem of its own: the form has said what is wrong.
    pub fn ready<T>(&self, read: Option<T>) -> Result<T> {
        read.filter(|_| !self.has_problems()).ok_or(Error::Invalid(Vec::new()))
    }

    /// Takes in why an action refused: each problem goes to its field. What is no fault of what was typed is passed on.
    ///
    /// # Errors
    /// Every error that the person at the form cannot mend.
    pub fn refused(&mut self, error: Error) -> Result<()> {
        self.refused_below("", error)
    }
    /// The same for fields that have a name in front, such as `change.on`, because another form of the page has theirs.
    ///
    /// # Errors
    /// Every error that the person at the form cannot mend.
    pub fn refused_below(&mut self, name: &str, error: Error) -> Result<()> {
        let problems = match &error {
            Error::Invalid(problems) | Error::Contradicts { problems, .. } => problems.clone(),
            Error::Conflict { detail, .. } => {
                self.complain("", detail.clone());
                return Ok(());
            }
            _ => return Err(error),
        };
        for problem in problems {
            self.complain(&self.field_of(&format!("{name}{}", problem.pointer)), sentence(&problem.detail));
        }
        Ok(())
    }
    /// Takes in why somebody was not let in: what is wrong stands beside the field, and how long to wait in the header.
    ///
    /// # Errors
    /// Every error that the person at the form cannot mend.
    pub fn must_try_again(&mut self, field: &str, error: Error) -> Result<Again> {
        let (status, wait) = match &error {
            Error::Unauthenticated(why) => {
                self.complain(field, *why);
                return Ok(Again { status: 401, wait: None });
            }
            Error::TooOften(seconds) => (429, Some(*seconds)),
            _ => (422, None),
        };
        if wait.is_some() {
            self.complain(field, error.detail());
        } else {
            self.refused(error)?;
        }
        Ok(Again { status, wait })
    }
    /// The field of a pointer: the one that is called so, or the nearest around it.
    fn field_of(&self, pointer: &str) -> String {
        let mut name = pointer.trim_start_matches('/').replace('/', ".");
        while !name.is_empty() && !self.pairs.iter().any(|pair| pair.0 == name) {
            name.truncate(name.rfind('.').unwrap_or(0));
        }
        name
    }

    /// Keeps in the hidden field `seen` how a thing is while it is shown.
    ///
    /// # Errors
    /// Where it cannot be written as JSON.
    pub fn set_seen<T: Serialize>(&mut self, thing: &T) -> Result<()> {
        let json = serde_json::to_string(thing).map_err(Error::internal)?;
        self.set("seen", etag(&json).trim_matches('"'));
        Ok(())
    }
    /// Complains where a thing is not any more as it was when the form was shown; sent once more, the form holds.
    ///
    /// # Errors
    /// Where it cannot be written as JSON.
    pub fn check_seen<T: Serialize>(&mut self, thing: &T) -> Result<()> {
        let before = self.value("seen").to_owned();
        self.set_seen(thing)?;
        if self.value("seen") != before {
            self.complain(
                "",
                "It was changed by somebody else since you opened this form. Press the button again to save it as it stands here.",
            );
        }
        Ok(())
    }

    /// The text of a field that must not be empty.
    pub fn must(&mut self, name: &str, message: &str) -> Option<String> {
        let text = self.optional(name);
        if text.is_none() {
            self.complain(name, message);
        }
        text
    }
    /// The text of a field; `None` where it is empty.
    #[must_use]
    pub fn optional(&self, name: &str) -> Option<String> {
        Some(self.value(name)).filter(|text| !text.is_empty()).map(str::to_owned)
    }
    /// The day in a field; `None` where it is empty or no day, which is said beside the field.
    pub fn day(&mut self, name: &str) -> Option<Date> {
        let text = self.optional(name)?;
        let day = read_day(&text);
        if day.is_none() {
            self.complain(name, format!("{text} is no day; write it as 2026-10-02."));
        }
        day
    }
    /// The figure in a field; `None` where it is empty or no figure, which is said beside the field.
    pub fn figure(&mut self, name: &str) -> Option<Figure> {
        let text = self.optional(name)?;
        read_figure(&text).map_err(|message| self.complain(name, message)).ok()
    }
    /// The whole number in a field; `None` where it is empty or none, which is said beside the field.
    pub fn whole<T: FromStr>(&mut self, name: &str) -> Option<T> {
        let text = self.optional(name)?;
        let number = text.parse().ok();
        if number.is_none() {
            self.complain(name, format!("{text} is no whole number here; write digits only."));
        }
        number
    }
    /// The word or id chosen in a field; `None` where nothing is chosen, or something that is not on offer, which is said.
    pub fn chosen<T: FromStr>(&mut self, name: &str) -> Option<T> {
        let text = self.optional(name)?;
        let word = text.parse().ok();
        if word.is_none() {
            self.complain(name, "Choose one of those on offer.");
        }
        word
    }
}

/// How a form is answered that somebody may try again.
#[derive(Clone, Copy, Debug)]
pub struct Again {
    status: u16,
    wait: Option<u64>,
}
impl Again {
    /// The page with its status, and with how long to wait.
    pub fn of<T: askama::Template>(self, page: super::answer::Page<T>) -> Response {
        let mut response = page.with_status(self.status);
        if let Some(seconds) = self.wait {
            response.headers_mut().insert(header::RETRY_AFTER, seconds.into());
        }
        response
    }
}

/// A sentence of what an action says about a field: some of them go on from the field's name.
fn sentence(text: &str) -> String {
    let end = if text.ends_with(['.', '!', '?']) { "" } else { "." };
    format!("{}{end}", super::words::capital(text))
}

/// A day as a date field sends it, `2026-10-02`.
#[must_use]
pub fn read_day(text: &str) -> Option<Date> {
    Date::parse(text, time::macros::format_description!("[year]-[month]-[day]")).ok()
}

/// A figure as people type it: digits may be grouped by spaces or commas (`16,214`), and a lone comma is a decimal one (`10,5`).
/// A point is always a decimal point: where an odometer's `16.214` was meant as a group, the readings around it contradict it.
///
/// # Errors
/// A sentence that says how to write it.
pub fn read_figure(text: &str) -> std::result::Result<Figure, String> {
    let wrong = || format!("{text} is no figure; write digits, such as 16214 or 10.5.");
    if !text.contains(|letter: char| letter.is_ascii_digit()) {
        return Err(wrong());
    }
    let compact: String = text.chars().filter(|letter| !letter.is_whitespace() && *letter != '’' && *letter != '\'').collect();
    let digits = match compact.split(',').collect::<Vec<_>>()[..] {
        [whole, fraction] if fraction.len() != 3 && !compact.contains('.') => format!("{whole}.{fraction}"),
        [first, ref groups @ ..] if !groups.is_empty() => {
            let (last, before) = groups.split_last().unwrap_or((&"", &[]));
            let last = last.split('.').next().unwrap_or("");
            let is_group = |group: &&str| group.len() == 3 && group.bytes().all(|byte| byte.is_ascii_digit());
            if first.is_empty() || first.len() > 4 || !before.iter().all(is_group) || !is_group(&last) {
                return Err(wrong());
            }
            compact.replace(',', "")
        }
        _ => compact,
    };
    let digits = match digits.strip_prefix('.') {
        Some(rest) => format!("0.{rest}"),
        None => digits,
    };
    // 007 is no JSON number, but people read it off an odometer.
    let (sign, unsigned) = digits.strip_prefix('-').map_or(("", digits.as_str()), |rest| ("-", rest));
    let stripped = unsigned.trim_start_matches('0');
    let unsigned = if stripped.is_empty() || stripped.starts_with('.') { format!("0{stripped}") } else { stripped.to_owned() };
    Figure::parse(&format!("{sign}{unsigned}")).map_err(|_| wrong())
}

async fn pairs_of<S: Send + Sync>(request: Request, state: &S) -> Result<(Pairs, Bytes)> {
    let content_type = request.headers().get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
    if !content_type.starts_with("application/x-www-form-urlencoded") {
        return Err(Error::WrongMediaType("application/x-www-form-urlencoded"));
    }
    let (parts, body) = request.into_parts();
    let bytes = axum::body::to_bytes(body, LARGEST).await.map_err(|error| {
        let limit = std::error::Error::source(&error).is_some_and(|source| source.to_string().contains("length limit"));
        if limit { Error::TooLarge("What you sent is over 1 MiB; send less at once.".into()) } else { cut_off() }
    })?;
    let again = Request::from_parts(parts, Body::from(bytes.clone()));
    let pairs = axum::Form::<Pairs>::from_request(again, state).await.map_err(|_| cut_off())?;
    Ok((pairs.0, bytes))
}
fn cut_off() -> Error {
    Error::Malformed("What you sent arrived incomplete; go back and send it again.".into())
}

impl<S: Send + Sync> FromRequest<S> for Form {
    type Rejection = Fault;
    async fn from_request(request: Request, state: &S) -> Result<Self, Fault> {
        let path = request.uri().path().to_owned();
        let (pairs, bytes) = pairs_of(request, state).await?;
        let hash = Sha256::new().chain_update(path).chain_update(b"\n").chain_update(&bytes).finalize().to_vec();
        Ok(Self::sent(pairs, hash))
    }
}

/// What stands in the query string of a page, read the same way.
#[derive(Clone, Debug, Default)]
pub struct Asked(pub Form);
impl<S: Send + Sync> FromRequestParts<S> for Asked {
    type Rejection = Fault;
    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Fault> {
        let pairs = axum::extract::Query::<Pairs>::try_from_uri(&parts.uri)
            .map_err(|_| Error::Malformed("This address cannot be read; go back and follow the link again.".into()))?;
        Ok(Self(Form { pairs: pairs.0, ..Form::default() }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::validate::Problem;

    fn form(pairs: &[(&str, &str)]) -> Form {
        Form { pairs: pairs.iter().map(|(name, value)| ((*name).into(), (*value).into())).collect(), ..Form::default() }
    }
    fn problem(pointer: &str, detail: &str) -> Problem {
        Problem { pointer: pointer.into(), detail: detail.into() }
    }

    #[test]
    fn figures_are_read_as_people_type_them() {
        for (typed, read) in [
            ("16214", "16214"),
            ("16,214", "16214"),
            ("16 214", "16214"),
            ("1,216,214.5", "1216214.5"),
            ("10,5", "10.5"),
            ("10.50", "10.50"),
            ("0,25", "0.25"),
            (".5", "0.5"),
            ("007", "7"),
            ("000", "0"),
            ("-3.5", "-3.5"),
        ] {
            assert_eq!(read_figure(typed).unwrap().text(), read, "{typed}");
        }
        for wrong in ["", "abc", "1,2,3", "16,21.4", "12 mi", "NaN", "1e999", "1..2", ",214", "١٢"] {
            assert!(read_figure(wrong).is_err(), "{wrong}");
        }
    }
    #[test]
    fn a_problem_finds_its_field_or_the_one_around_it_and_the_first_gets_the_focus() {
        let mut form = form(&[("name", ""), ("on", "x"), ("records_begin", "used")]);
        let problems = vec![problem("/records_begin/odometer", "Too much."), problem("/name", "No name."), problem("/gone", "Elsewhere.")];
        form.refused(Error::Invalid(problems)).unwrap();
        assert_eq!(form.message("name").as_deref(), Some("No name."));
        assert_eq!(form.message("records_begin").as_deref(), Some("Too much."));
        assert!(form.has_focus("name") && !form.has_focus("records_begin"));
        assert_eq!(form.wrong_places()[0], WrongPlace { field: None, message: "Elsewhere.".into() });
    }
    #[test]
    fn a_fault_that_nobody_at_the_form_can_mend_is_passed_on() {
        assert!(form(&[]).refused(Error::NotFound("motorcycle")).is_err());
    }
    #[test]
    fn what_cannot_be_read_is_said_beside_its_field() {
        let mut form = form(&[("on", "2026-02-30"), ("odometer", "many")]);
        assert_eq!((form.day("on"), form.figure("odometer").is_none()), (None, true));
        assert!(form.is_wrong("on") && form.is_wrong("odometer"));
    }
}
