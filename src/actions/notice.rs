//! Letters about accounts: invitations, links to a new password, changes of address. Their links are made of the public address alone, never
//! of what a request says its host is.
use super::{App, letter};
use crate::{
    domain::{
        id::Id,
        letter::{LetterKind, NewLetter, Recipient},
        person::Member,
        workshop::Workshop,
    },
    error::Result,
    store::Tx,
};

/// A letter.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Notice {
    /// Which kind of letter it is.
    pub kind: LetterKind,
    /// Where it goes.
    pub to: String,
    /// What it is about.
    pub subject: String,
    /// What it says, in plain text.
    pub text: String,
}

impl Notice {
    /// An invitation.
    #[must_use]
    pub fn invitation(workshop: &str, member: &Member, link: &str) -> Self {
        Self {
            kind: LetterKind::Invitation,
            to: member.email.clone(),
            subject: format!("An invitation from {workshop}"),
            text: format!(
                "Hello {},\n\n{workshop} invites you to its maintenance records. This link lets you in, once and within seven days:\n\n{link}\n\n\
                 If you expected nothing of the kind, do nothing.\n",
                member.name
            ),
        }
    }
    /// A link to a new password.
    #[must_use]
    pub fn reset(to: &str, name: &str, link: &str) -> Self {
        Self {
            kind: LetterKind::PasswordReset,
            to: to.into(),
            subject: "A new password".into(),
            text: format!(
                "Hello {name},\n\nsomebody, perhaps you, asked for a new password for this address. This link sets one, once and within an hour:\n\n{link}\n\n\
                 If it was not you, do nothing: the old one stays.\n"
            ),
        }
    }
    /// A change of address, to the old one.
    #[must_use]
    pub fn leaving(to: &str, new: &str, link: &str) -> Self {
        Self {
            kind: LetterKind::AddressChange,
            to: to.into(),
            subject: "Your account shall have another e-mail address".into(),
            text: format!(
                "Hello,\n\nyour account shall have the address {new} from now on. Confirm it here, within a day:\n\n{link}\n\n\
                 The new address has to confirm it too. If it was not you, do nothing, and change your password.\n"
            ),
        }
    }
    /// A change of address, to the new one.
    #[must_use]
    pub fn arriving(to: &str, link: &str) -> Self {
        Self {
            kind: LetterKind::AddressChange,
            to: to.into(),
            subject: "An account shall have this e-mail address".into(),
            text: format!(
                "Hello,\n\nan account shall have this address from now on. Confirm it here, within a day:\n\n{link}\n\n\
                 The old address has to confirm it too. If you expected nothing of the kind, do nothing.\n"
            ),
        }
    }
    /// A change of address, to a new one that has an account already. Only whoever reads its mail learns so.
    #[must_use]
    pub fn taken(to: &str) -> Self {
        Self {
            kind: LetterKind::AddressChange,
            to: to.into(),
            subject: "An account shall have this e-mail address".into(),
            text: "Hello,\n\nsomebody wants to give their account this address, but it has an account of its own already. Nothing was changed.\n".into(),
        }
    }
}

/// Whether letters with links can be sent: that needs a way to send mail, and the address that people use.
#[must_use]
pub fn can_send(app: &App) -> bool {
    app.mail.route.is_some() && app.site.public_url.is_some()
}

/// Queues a letter in the transaction of what it is about, where letters can be sent.
///
/// # Errors
/// Where the database refuses.
pub async fn send(tx: &mut Tx, app: &App, workshop: Id<Workshop>, notice: &Notice) -> Result<()> {
    if !can_send(app) {
        tracing::debug!(subject = notice.subject, "no letter is sent: there is no way to send mail");
        return Ok(());
    }
    let Notice { kind, to, subject, text } = notice.clone();
    let new = NewLetter { kind, to: Recipient::new("", to), subject, text, html: None, headers: Vec::new() };
    letter::queue_in(tx, workshop, app.clock, &app.mail, new).await.map(|_| ())
}
