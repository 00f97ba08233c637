//! A letter as a message (RFC 5322). The same letter always makes the same bytes.
use std::time::{Duration, UNIX_EPOCH};

use lettre::{
    Address,
    address::Envelope,
    message::{
        Mailbox, Message, MultiPart, SinglePart,
        header::{HeaderName, HeaderValue},
    },
};

use crate::domain::letter::{Letter, MailSettings, Recipient, one_line};

/// A message that is ready to go.
#[derive(Clone, Debug)]
pub struct Composed {
    /// From whom and to whom, for the server.
    pub envelope: Envelope,
    /// The message itself.
    pub bytes: Vec<u8>,
}

/// Makes the message of a letter. The sender is called like the workshop where the settings give no name.
///
/// # Errors
/// In words, where no message can be made of it, such as for an address that is none.
pub fn compose(letter: &Letter, settings: &MailSettings, workshop: &str) -> Result<Composed, String> {
    let from = Recipient {
        name: if settings.from.name.is_empty() { one_line(workshop) } else { settings.from.name.clone() },
        ..settings.from.clone()
    };
    let (from, to) = (mailbox(&from)?, mailbox(&letter.to)?);
    let envelope = Envelope::new(Some(from.email.clone()), vec![to.email.clone()]).map_err(|error| error.to_string())?;
    let seconds = u64::try_from(letter.created_at.unix_timestamp()).unwrap_or(0);
    let mut builder = Message::builder()
        .from(from)
        .to(to)
        .subject(one_line(&letter.subject))
        .date(UNIX_EPOCH + Duration::from_secs(seconds))
        .message_id(Some(letter.message_id.clone()))
        .envelope(envelope.clone());
    let automatic = ("Auto-Submitted", "auto-generated");
    for (name, value) in std::iter::once(automatic).chain(letter.headers.iter().map(|header| (header.name.as_str(), header.value.as_str())))
    {
        let name = HeaderName::new_from_ascii(name.into()).map_err(|error| error.to_string())?;
        if !value.bytes().all(|byte| (b' '..=b'~').contains(&byte)) {
            return Err("A header field is one line of ASCII.".into());
        }
        builder = builder.raw_header(HeaderValue::dangerous_new_pre_encoded(name, value.to_owned(), value.to_owned()));
    }
    let message = if letter.html.is_empty() {
        builder.singlepart(SinglePart::plain(letter.text.clone()))
    } else {
        let parts = MultiPart::alternative().boundary(format!("={}=", letter.id));
        builder.multipart(parts.singlepart(SinglePart::plain(letter.text.clone())).singlepart(SinglePart::html(letter.html.clone())))
    };
    Ok(Composed { envelope, bytes: message.map_err(|error| error.to_string())?.formatted() })
}

fn mailbox(recipient: &Recipient) -> Result<Mailbox, String> {
    let address: Address = recipient.address.parse().map_err(|_| "The address is none that mail can be sent to.".to_owned())?;
    let name = one_line(&recipient.name);
    Ok(Mailbox::new((!name.is_empty()).then_some(name), address))
}
