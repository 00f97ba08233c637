//! Letters to an SMTP server, step by step, so that it is known which step an answer belongs to.
use std::{error::Error as _, net::Ipv6Addr, time::Duration};

use lettre::{
    address::Envelope,
    transport::smtp::{
        Error,
        authentication::{Credentials, DEFAULT_MECHANISMS},
        client::{AsyncSmtpConnection, TlsParameters, TlsParametersBuilder},
        commands::{Data, Mail, Rcpt},
        extension::{ClientId, Extension, MailParameter},
    },
};
use tokio::time::timeout;

use super::message::Composed;
use crate::domain::letter::{Encryption, Outcome, SmtpServer, one_line};

/// How long to wait for the connection to stand: greeting, encryption, login.
const TO_CONNECT: Duration = Duration::from_secs(60);
/// How long to wait for the answer to a command (RFC 5321, 4.5.3.2: five minutes).
const TO_ANSWER: Duration = Duration::from_secs(300);
/// How long to wait for the answer to the message (RFC 5321, 4.5.3.2.6: ten minutes; giving up too early makes second copies).
const TO_ACCEPT: Duration = Duration::from_secs(600);

/// A connection to the mail server, opened when it is needed and used for one letter after the other.
pub struct Session {
    server: SmtpServer,
    connection: Option<AsyncSmtpConnection>,
}
impl std::fmt::Debug for Session {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Session").field("server", &self.server).finish_non_exhaustive()
    }
}

/// What went wrong, and where.
enum Fault {
    /// An answer to a command, or none.
    Smtp(Error),
    /// In words.
    Words(String),
}
impl From<Error> for Fault {
    fn from(error: Error) -> Self {
        Self::Smtp(error)
    }
}

impl Session {
    /// A session with a server; nothing is opened yet.
    pub fn new(server: SmtpServer) -> Self {
        Self { server, connection: None }
    }

    /// Does everything up to the message itself: the server waits for it then.
    ///
    /// # Errors
    /// What came of the try, where the server takes no letter.
    pub async fn begin(&mut self, message: &Composed) -> Result<(), Outcome> {
        let reused = self.connection.is_some();
        let mut begun = self.up_to_the_message(&message.envelope).await;
        // A server may have ended a connection that stood idle, or that took enough letters.
        if reused && matches!(&begun, Err(Fault::Smtp(error)) if !error.is_permanent()) {
            begun = self.up_to_the_message(&message.envelope).await;
        }
        self.connection = Some(begun.map_err(|fault| outcome(&fault))?);
        Ok(())
    }

    /// Breaks off a letter that was begun.
    pub async fn break_off(&mut self) {
        if let Some(mut connection) = self.connection.take() {
            connection.abort().await;
        }
    }

    /// Hands over the message of a letter that was begun.
    pub async fn hand_over(&mut self, message: &Composed) -> Outcome {
        let Some(mut connection) = self.connection.take() else { return Outcome::Lost };
        match timeout(TO_ACCEPT, connection.message(&message.bytes)).await {
            Ok(Ok(response)) => {
                self.connection = Some(connection);
                let words: Vec<_> = response.message().collect();
                Outcome::Accepted(shortened(&format!("Answered with {}: {}", response.code(), words.join(" "))))
            }
            Ok(Err(error)) => {
                connection.abort().await;
                outcome(&Fault::Smtp(error))
            }
            Err(_) => Outcome::Later("The mail server took the letter and then did not answer for ten minutes.".into()),
        }
    }

    /// Ends the connection.
    pub async fn close(&mut self) {
        if let Some(mut connection) = self.connection.take() {
            let _ = timeout(Duration::from_secs(5), connection.quit()).await;
        }
    }

    async fn up_to_the_message(&mut self, envelope: &Envelope) -> Result<AsyncSmtpConnection, Fault> {
        let mut connection = match self.connection.take() {
            Some(connection) => connection,
            None => timeout(TO_CONNECT, self.connect())
                .await
                .map_err(|_| Fault::Words("The mail server did not answer within a minute.".into()))?
                .map_err(before_the_letter)?,
        };
        let mut parameters = Vec::new();
        if envelope.to().iter().any(|to| !AsRef::<str>::as_ref(to).is_ascii()) {
            if !connection.server_info().supports_feature(Extension::SmtpUtfEight) {
                self.connection = Some(connection);
                return Err(Fault::Words("Never: the mail server takes no address with letters beyond ASCII.".into()));
            }
            parameters.push(MailParameter::SmtpUtfEight);
        }
        let steps = async {
            connection.command(Mail::new(envelope.from().cloned(), parameters)).await?;
            for to in envelope.to() {
                connection.command(Rcpt::new(to.clone(), Vec::new())).await?;
            }
            connection.command(Data).await.map(|_| ())
        };
        match timeout(TO_ANSWER, steps).await {
            Ok(Ok(())) => Ok(connection),
            Ok(Err(error)) => {
                connection.abort().await;
                Err(error.into())
            }
            Err(_) => Err(Fault::Words("The mail server did not answer for five minutes.".into())),
        }
    }

    async fn connect(&self) -> Result<AsyncSmtpConnection, Fault> {
        let server = &self.server;
        let name = ClientId::default();
        let place = (server.host.as_str(), server.port);
        let tls = if server.encryption == Encryption::FromTheStart { Some(self.tls()?) } else { None };
        let mut connection = AsyncSmtpConnection::connect_tokio1(place, Some(TO_CONNECT), &name, tls, None).await?;
        if connection.can_starttls() && server.encryption != Encryption::FromTheStart {
            connection.starttls(self.tls()?, &name).await?;
        } else if server.encryption == Encryption::Always {
            connection.abort().await;
            return Err(Fault::Words("The mail server offers no encryption (STARTTLS), so nothing was sent.".into()));
        }
        if let Some((user, password)) = &server.login {
            if !connection.is_encrypted() && !server.is_here() {
                connection.abort().await;
                return Err(Fault::Words("The mail server offers no encryption (STARTTLS), so the password was not sent.".into()));
            }
            connection.auth(DEFAULT_MECHANISMS, &Credentials::new(user.clone(), password.clone())).await?;
        }
        Ok(connection)
    }

    /// The certificate must be good, except on this very machine: there nobody can listen in between, and many a local server has a
    /// certificate that it made itself.
    fn tls(&self) -> Result<TlsParameters, Error> {
        let here = self.server.is_here();
        let host = if self.server.host.parse::<Ipv6Addr>().is_ok() { format!("[{}]", self.server.host) } else { self.server.host.clone() };
        TlsParametersBuilder::new(host).dangerous_accept_invalid_certs(here).dangerous_accept_invalid_hostnames(here).build()
    }
}

/// A refusal before any letter was spoken of is about the settings or the server, never about the letter: it may pass.
fn before_the_letter(fault: Fault) -> Fault {
    match fault {
        Fault::Smtp(error) => Fault::Words(reason(&error)),
        words @ Fault::Words(_) => words,
    }
}

fn outcome(fault: &Fault) -> Outcome {
    match fault {
        Fault::Words(why) => match why.strip_prefix("Never: ") {
            Some(why) => Outcome::Never(why.into()),
            None => Outcome::Later(why.clone()),
        },
        // These ask for a login or for encryption: the settings are wrong, not the letter.
        Fault::Smtp(error) if error.status().is_some_and(|code| matches!(u16::from(code), 530 | 534 | 535 | 538)) => {
            Outcome::Later(reason(error))
        }
        Fault::Smtp(error) if error.is_permanent() => Outcome::Never(reason(error)),
        Fault::Smtp(error) => Outcome::Later(reason(error)),
    }
}

/// What happened, in a sentence.
fn reason(error: &Error) -> String {
    let source = error.source().map(ToString::to_string).unwrap_or_default();
    shortened(&match error.status() {
        Some(code) => format!("The mail server answered with {code}: {source}"),
        None if error.is_tls() => format!("The encrypted connection to the mail server failed: {source}"),
        None if source.is_empty() => format!("The mail server cannot be used: {error}"),
        None => format!("The mail server cannot be used: {source}"),
    })
}

/// One line of at most 300 letters.
fn shortened(text: &str) -> String {
    let line = one_line(text);
    let line = line.trim_end_matches([':', ' ', '.']);
    format!("{}.", line.chars().take(300).collect::<String>())
}
