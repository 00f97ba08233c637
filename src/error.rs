//! The one error type. Each variant says what the client sees; [`crate::api`] makes a problem document (RFC 9457) of it,
//! [`crate::pages`] a page, the command line a message and an exit code.
use serde::Serialize;

use crate::{actions::StoredAnswer, domain::validate::Problem};

/// Another entry that stands in the way.
#[derive(Clone, Debug, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Neighbor {
    /// Its id; null for the last figure of a replaced instrument.
    pub id: Option<uuid::Uuid>,
    /// Its day.
    pub on: time::Date,
    /// What the instrument showed.
    pub reading: crate::domain::quantity::Figure,
}

/// Everything that can keep a request from being done.
#[derive(Debug)]
pub enum Error {
    /// 401: nobody is signed in, or the token is unknown, expired or revoked.
    Unauthenticated(&'static str),
    /// 403: known, but not allowed; says what would be needed.
    Forbidden(String),
    /// 404: not there, or not yours: the answer is the same.
    NotFound(&'static str),
    /// 400: the request cannot be read.
    Malformed(String),
    /// 406: none of the wanted media types can be given.
    NotAcceptable(&'static str),
    /// 413: too large; says the limit.
    TooLarge(String),
    /// 415: says the media types that are taken.
    WrongMediaType(&'static str),
    /// 428: a change needs `If-Match`.
    NeedsIfMatch,
    /// 412: it was changed since.
    Stale,
    /// 422: what was sent cannot be; one entry per place.
    Invalid(Vec<Problem>),
    /// 422: a reading contradicts others, which are named.
    Contradicts {
        /// Where and why; what else is wrong there.
        problems: Vec<Problem>,
        /// The readings it contradicts.
        neighbors: Vec<Neighbor>,
    },
    /// 409: it collides with something that is there, which is named.
    Conflict {
        /// What to do.
        detail: String,
        /// The ids that it collides with.
        with: Vec<uuid::Uuid>,
    },
    /// 429: too many failures in a row, or too many requests; how many seconds the next try has to wait.
    TooOften(u64),
    /// Not a failure: the answer given before to the same Idempotency-Key, on its way out by the same door.
    Replayed(Box<StoredAnswer>),
    /// 503: the database cannot be reached or is busy; nothing was stored.
    Unavailable(String),
    /// 503: it broke off while something was being stored, and nobody knows whether it was.
    Unsure(String),
    /// 503: the database can be read and takes nothing more; nothing was stored.
    Unwritable {
        /// What whoever runs the server has to do.
        do_this: &'static str,
        /// The text for the log.
        why: String,
    },
    /// 503: more requests at once than the server takes.
    Busy,
    /// 500: a fault of the server; the text is for the log only.
    Internal(String),
}

/// What an action or a handler gives.
pub type Result<T, E = Error> = std::result::Result<T, E>;

impl Error {
    /// 422 at one place.
    #[must_use]
    pub fn invalid(pointer: impl Into<String>, detail: impl Into<String>) -> Self {
        Self::Invalid(vec![Problem { pointer: pointer.into(), detail: detail.into() }])
    }
    /// 409 without data.
    #[must_use]
    pub fn conflict(detail: impl Into<String>, with: impl IntoIterator<Item = uuid::Uuid>) -> Self {
        Self::Conflict { detail: detail.into(), with: with.into_iter().collect() }
    }
    /// A fault of the server, for the log.
    #[must_use]
    pub fn internal(why: impl std::fmt::Display) -> Self {
        Self::Internal(why.to_string())
    }
    /// The status code of the answer.
    #[must_use]
    pub fn status(&self) -> u16 {
        match self {
            Self::Unauthenticated(_) => 401,
            Self::Forbidden(_) => 403,
            Self::NotFound(_) => 404,
            Self::Malformed(_) => 400,
            Self::NotAcceptable(_) => 406,
            Self::TooLarge(_) => 413,
            Self::WrongMediaType(_) => 415,
            Self::NeedsIfMatch => 428,
            Self::Stale => 412,
            Self::Invalid(_) | Self::Contradicts { .. } => 422,
            Self::Conflict { .. } => 409,
            Self::TooOften(_) => 429,
            Self::Replayed(answer) => answer.status,
            Self::Unavailable(_) | Self::Unsure(_) | Self::Unwritable { .. } | Self::Busy => 503,
            Self::Internal(_) => 500,
        }
    }
    /// What to tell the person, in one or two sentences; never SQL, never a path.
    #[must_use]
    pub fn detail(&self) -> String {
        match self {
            Self::Unauthenticated(why) => (*why).into(),
            Self::Forbidden(detail) | Self::Malformed(detail) | Self::TooLarge(detail) | Self::Conflict { detail, .. } => detail.clone(),
            Self::NotFound(what) => format!("There is no {what} here with this id; look it up in its list."),
            Self::NotAcceptable(types) => format!("This can be given as {types}; ask for one of these in Accept."),
            Self::WrongMediaType(types) => format!("Send the body as {types} and say so in Content-Type."),
            Self::NeedsIfMatch => "Send the ETag of what you read in If-Match, so that nobody else's change is lost.".into(),
            Self::Stale => "It was changed since you read it. Read it again, then send your change with the new ETag.".into(),
            Self::Contradicts { problems, .. } if let [problem] = &problems[..] => problem.detail.clone(),
            Self::Invalid(problems) | Self::Contradicts { problems, .. } => problems.iter().map(sentence).collect::<Vec<_>>().join(" "),
            Self::TooOften(1) => "There were too many tries in a short time. Wait a second, then try again.".into(),
            Self::TooOften(seconds @ 2..=119) => {
                format!("There were too many tries in a short time. Wait {seconds} seconds, then try again.")
            }
            Self::TooOften(seconds) => {
                format!("There were too many tries in a short time. Wait {} minutes, then try again.", seconds.div_ceil(60))
            }
            Self::Replayed(_) => String::new(),
            Self::Unavailable(_) => "The database cannot be used right now; nothing was stored. Try again in a moment.".into(),
            Self::Unsure(_) => {
                "The server was cut off while it stored this, so it may or may not be there. Look first, or send the same again \
                under the same Idempotency-Key: with it nothing is stored twice."
                    .into()
            }
            Self::Unwritable { do_this, .. } => format!("Nothing was stored. {do_this} Reading goes on; try again after that."),
            Self::Busy => "The server has more requests at once than it takes; nothing was stored. Try again in a moment.".into(),
            Self::Internal(_) => "The server failed; nothing was stored. Its log has the reason under this request's id.".into(),
        }
    }
    /// Every place that is wrong.
    #[must_use]
    pub fn problems(&self) -> &[Problem] {
        match self {
            Self::Invalid(problems) | Self::Contradicts { problems, .. } => problems,
            _ => &[],
        }
    }
}

/// A problem among others: with its place where it does not stand as a sentence of its own.
fn sentence(problem: &Problem) -> String {
    let (place, detail) = (problem.pointer.trim_start_matches('/'), problem.detail.trim_end_matches('.'));
    let whole = place.is_empty() || detail.starts_with(|letter: char| !letter.is_lowercase());
    if whole { format!("{detail}.") } else { format!("{place}: {detail}.") }
}

impl std::fmt::Display for Error {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Unavailable(why) | Self::Unsure(why) | Self::Internal(why) | Self::Unwritable { why, .. } => f.write_str(why),
            _ => f.write_str(&self.detail()),
        }
    }
}
impl std::error::Error for Error {}

/// What is said of a text with the character that ends one in C.
pub const NULL_CHARACTER: &str = "A text cannot hold the character U+0000; take it out.";

/// What whoever runs the server has to do where the database takes nothing more, by the database's code.
fn unwritable(code: &str) -> Option<&'static str> {
    const FULL: &str = "The server's disk is full: whoever runs the server has to make room on it.";
    const BROKEN: &str = "The server's disk takes no more, or fails: whoever runs the server has to look at it.";
    const READ_ONLY: &str = "The database is read-only: whoever runs the server has to let it write the database.";
    // PostgreSQL's codes have five letters: disk full, input or output failed, a transaction (or a whole server) that only reads.
    // SQLite's are shorter numbers; the lowest eight bits say what it is.
    match code {
        "53100" => Some(FULL),
        "58030" => Some(BROKEN),
        "25006" => Some(READ_ONLY),
        _ if code.len() == 5 => None,
        _ => match code.parse::<u32>().ok()? & 0xff {
            8 => Some(READ_ONLY),
            10 => Some(BROKEN),
            13 => Some(FULL),
            _ => None,
        },
    }
}

impl Error {
    /// What keeps a transaction from being committed. Where the connection breaks, or the disk fails to confirm, it may be stored all the same.
    #[must_use]
    pub fn at_commit(error: sqlx::Error) -> Self {
        const NOT_CONFIRMED: &str = "1034"; // SQLITE_IOERR_FSYNC
        let code = error.as_database_error().and_then(sqlx::error::DatabaseError::code);
        let unsure = match code {
            Some(code) => code == NOT_CONFIRMED || code.len() == 5 && (code.starts_with("08") || code.starts_with("57")),
            None => matches!(error, sqlx::Error::Io(_) | sqlx::Error::Protocol(_) | sqlx::Error::WorkerCrashed),
        };
        if unsure { Self::Unsure(error.to_string()) } else { error.into() }
    }
}

impl From<sqlx::Error> for Error {
    fn from(error: sqlx::Error) -> Self {
        let code = error.as_database_error().and_then(sqlx::error::DatabaseError::code);
        // PostgreSQL: connection trouble, shutting down, out of resources, serialization. SQLite: busy, locked, cannot open.
        let busy = |code: &str| match code.len() {
            5 => ["08", "57", "53", "40"].iter().any(|class| code.starts_with(class)),
            _ => code.parse::<u32>().is_ok_and(|code| matches!(code & 0xff, 5 | 6 | 14)),
        };
        match (&error, code) {
            (
                sqlx::Error::Io(_)
                | sqlx::Error::Protocol(_)
                | sqlx::Error::PoolTimedOut
                | sqlx::Error::PoolClosed
                | sqlx::Error::WorkerCrashed,
                _,
            ) => Self::Unavailable(error.to_string()),
            (_, Some(code)) if code == "22021" => Self::invalid("", NULL_CHARACTER),
            // Somebody else's write holds what this one waited for.
            (_, Some(code)) if code == "55P03" => Self::Busy,
            (_, Some(code)) if let Some(do_this) = unwritable(&code) => Self::Unwritable { do_this, why: error.to_string() },
            (_, Some(code)) if busy(&code) => Self::Unavailable(error.to_string()),
            _ => Self::Internal(error.to_string()),
        }
    }
}
