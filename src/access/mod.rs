//! Who is asking: accounts, sessions, tokens.
pub mod password;
pub mod secret;

use crate::{
    domain::{
        id::Id,
        words::TokenScope,
        workshop::{Person, Token, Workshop},
    },
    error::{Error, Result},
};

/// Who is asking, for which workshop, with which rights. Every action is done by one.
#[derive(Clone, Debug)]
pub struct Caller {
    /// The workshop that everything is read from and written to.
    pub workshop: Id<Workshop>,
    /// Who.
    pub who: Who,
    /// What they may do.
    pub scopes: Vec<TokenScope>,
}

/// A person with a session, a script with a token, or the command line.
#[derive(Clone, Debug)]
pub enum Who {
    /// A person.
    Person(Person),
    /// A token, by id and name.
    Token(Id<Token>, String),
    /// The command line of the server's own machine.
    CommandLine,
}

impl Caller {
    /// The command line: it may do everything.
    #[must_use]
    pub fn command_line(workshop: Id<Workshop>) -> Self {
        Self { workshop, who: Who::CommandLine, scopes: TokenScope::ALL.to_vec() }
    }
    /// What to call them in the audit trail.
    #[must_use]
    pub fn name(&self) -> String {
        match &self.who {
            Who::Person(person) => person.name.clone(),
            Who::Token(_, name) => format!("token {name}"),
            Who::CommandLine => "command line".into(),
        }
    }
    /// Refuses a caller without a scope.
    ///
    /// # Errors
    /// [`Error::Forbidden`] that names the scope.
    pub fn may(&self, scope: TokenScope) -> Result<()> {
        if self.scopes.contains(&scope) {
            return Ok(());
        }
        Err(Error::Forbidden(format!("This needs the scope {scope}; use a token that has it, or ask a manager of the workshop for one.")))
    }
}
