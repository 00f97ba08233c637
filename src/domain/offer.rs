//! Handing on a motorcycle: it is offered, and changes hands once the receiver accepts.
use serde::{Deserialize, Serialize};
use time::{Duration, OffsetDateTime};
use utoipa::ToSchema;

use super::{
    id::Id,
    motorcycle::{Motorcycle, Owner},
    validate::{Problem, looks_like_an_address},
    words::words,
};

/// How long an offer holds.
pub const HOLDS: Duration = Duration::days(30);

words! {
    /// What came of an offer.
    OfferState {
        /// Nobody has answered yet.
        Open => "open",
        /// The motorcycle changed hands.
        Accepted => "accepted",
        /// The receiver did not want it.
        Declined => "declined",
        /// It was taken back.
        Withdrawn => "withdrawn",
        /// Nobody answered in time.
        Expired => "expired",
    }
}

/// To whom a motorcycle is offered: to an owner of this workshop, or to another workshop by the e-mail address of who runs it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"to_email": "ada@example.org"}))]
pub struct NewOffer {
    /// An owner of this workshop who has an account.
    #[serde(default)]
    pub to_owner_id: Option<Id<Owner>>,
    /// Where the link will be sent: to somebody of another workshop on this server.
    #[serde(default)]
    pub to_email: Option<String>,
}
impl NewOffer {
    /// Tidies the address up, and says what is wrong as far as this alone can tell.
    pub fn tidy(&mut self) -> Vec<Problem> {
        self.to_email = self.to_email.take().map(|email| email.trim().to_lowercase()).filter(|email| !email.is_empty());
        match (&self.to_owner_id, &self.to_email) {
            (Some(_), None) => Vec::new(),
            (None, Some(email)) if looks_like_an_address(email) => Vec::new(),
            (None, Some(_)) => vec![Problem::new("/to_email", "is no e-mail address, such as ada@example.org")],
            (Some(_), Some(_)) => vec![Problem::new("/to_email", "goes without an owner: it is offered to one or the other")],
            (None, None) => vec![Problem::new("", "Say to whom: an owner of this workshop, or an e-mail address for another workshop.")],
        }
    }
}

/// A motorcycle that is offered to somebody.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Offer {
    /// Its id, a UUIDv7 (RFC 9562).
    pub id: Id<Offer>,
    /// The motorcycle.
    pub motorcycle_id: Id<Motorcycle>,
    /// What it is called.
    #[schema(example = "Courier 3")]
    pub motorcycle_name: String,
    /// The owner of this workshop to whom it is offered.
    pub to_owner_id: Option<Id<Owner>>,
    /// The address that its link is meant for; null too for those who do not work here.
    pub to_email: Option<String>,
    /// What came of it.
    pub state: OfferState,
    /// Who offered it: a person's or token's name.
    #[schema(example = "Ada Birch")]
    pub created_by: String,
    /// Until when it can be accepted, RFC 3339 in UTC.
    #[serde(with = "time::serde::rfc3339")]
    pub expires_at: OffsetDateTime,
    /// When it was accepted, declined or withdrawn, RFC 3339 in UTC.
    #[serde(with = "time::serde::rfc3339::option")]
    pub settled_at: Option<OffsetDateTime>,
    /// When it was made, RFC 3339 in UTC.
    #[serde(with = "time::serde::rfc3339")]
    pub created_at: OffsetDateTime,
}
impl Offer {
    /// Why it cannot be answered any more; none where it can.
    #[must_use]
    pub fn over(&self) -> Option<&'static str> {
        match self.state {
            OfferState::Open => None,
            OfferState::Accepted => Some("This offer was accepted already; it works once."),
            OfferState::Declined => Some("This offer was declined; ask for a new one."),
            OfferState::Withdrawn => Some("This offer was taken back by the workshop that made it; ask there."),
            OfferState::Expired => Some("This offer is older than 30 days and holds no more; ask for a new one."),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_offer_is_for_one_receiver() {
        let owner = Some(Id::new(uuid::Uuid::from_u128(7)));
        let wrong = |to_owner_id, email: Option<&str>| {
            let mut new = NewOffer { to_owner_id, to_email: email.map(str::to_owned) };
            let problems = new.tidy().into_iter().map(|problem| problem.pointer).collect::<Vec<_>>();
            (problems, new.to_email)
        };
        assert_eq!(wrong(owner, None), (vec![], None));
        assert_eq!(wrong(None, Some(" Ada@Example.org ")), (vec![], Some("ada@example.org".into())));
        assert_eq!(wrong(None, Some("ada")).0, ["/to_email"]);
        assert_eq!(wrong(owner, Some("ada@example.org")).0, ["/to_email"]);
        assert_eq!(wrong(None, Some("  ")).0, [""]);
    }
}
