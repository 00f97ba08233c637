//! Who is asking: accounts, sessions, tokens.
pub mod address;
pub mod common;
pub mod pace;
pub mod password;
pub mod secret;
pub mod totp;
pub mod whence;

use std::net::IpAddr;

use uuid::Uuid;

use crate::{
    domain::{
        id::Id,
        motorcycle::{Motorcycle, Owner},
        words::{Role, TokenScope},
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
    /// What they are in the workshop; the higher one where they are several things.
    pub standing: Standing,
    /// What they may see of it.
    pub sight: Sight,
    /// Where the request came from.
    pub address: Option<IpAddr>,
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
    /// The recipient of a mail, by its address, who followed the link in it.
    Recipient(String),
    /// Another workshop of this server, by its name: who acts there is its own business.
    Workshop(String),
}

/// What somebody is in a workshop, the later one with more rights.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Standing {
    /// Has motorcycles there: sees them, notes readings, enters work done at home.
    Owner,
    /// Works there: everything about every motorcycle; rules are given.
    Mechanic,
    /// Runs it: rules, settings, people and tokens too.
    Manager,
}

/// Which motorcycles somebody may see, with all that belongs to them. The others are not there for them: 404, and in no list or count.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Sight {
    /// Every motorcycle of the workshop.
    #[default]
    All,
    /// Those of one owner.
    Owner(Id<Owner>),
    /// This one alone.
    Motorcycle(Id<Motorcycle>),
}
impl Sight {
    /// The owner whose motorcycles alone are seen.
    #[must_use]
    pub const fn owner(self) -> Option<Id<Owner>> {
        if let Self::Owner(id) = self { Some(id) } else { None }
    }
    /// The motorcycle that alone is seen.
    #[must_use]
    pub const fn motorcycle(self) -> Option<Id<Motorcycle>> {
        if let Self::Motorcycle(id) = self { Some(id) } else { None }
    }
    /// Whether a motorcycle of this id and owner is seen.
    #[must_use]
    pub fn sees(self, motorcycle: Id<Motorcycle>, owner: Option<Id<Owner>>) -> bool {
        match self {
            Self::All => true,
            Self::Owner(own) => owner == Some(own),
            Self::Motorcycle(own) => motorcycle == own,
        }
    }
    /// Whether less than the whole workshop is seen.
    #[must_use]
    pub fn is_narrow(self) -> bool {
        self != Self::All
    }
}

impl Caller {
    /// The command line: it may do everything.
    #[must_use]
    pub fn command_line(workshop: Id<Workshop>) -> Self {
        Self {
            workshop,
            who: Who::CommandLine,
            scopes: TokenScope::ALL.to_vec(),
            standing: Standing::Manager,
            sight: Sight::All,
            address: None,
        }
    }
    /// The server itself, reading for somebody who sees this much: a report by mail, a calendar.
    #[must_use]
    pub fn reader(workshop: Id<Workshop>, sight: Sight) -> Self {
        Self { scopes: vec![TokenScope::Read], standing: Standing::Owner, sight, ..Self::command_line(workshop) }
    }
    /// Another workshop, where it does what it was offered.
    #[must_use]
    pub fn workshop(workshop: Id<Workshop>, name: &str) -> Self {
        Self { who: Who::Workshop(name.to_owned()), ..Self::command_line(workshop) }
    }
    /// A person by their roles in the workshop; `owner` is the one whose motorcycles are theirs. None where the roles give no right at all.
    #[must_use]
    pub fn person(workshop: Id<Workshop>, person: Person, roles: &[Role], owner: Option<Id<Owner>>) -> Option<Self> {
        let (standing, sight) = if roles.contains(&Role::Manager) {
            (Standing::Manager, Sight::All)
        } else if roles.contains(&Role::Mechanic) {
            (Standing::Mechanic, Sight::All)
        } else if let (true, Some(owner)) = (roles.contains(&Role::Owner), owner) {
            (Standing::Owner, Sight::Owner(owner))
        } else {
            return None;
        };
        let scopes = if standing == Standing::Manager { TokenScope::ALL.to_vec() } else { vec![TokenScope::Read, TokenScope::Write] };
        Some(Self { workshop, who: Who::Person(person), scopes, standing, sight, address: None })
    }
    /// A token. One that sees less than the whole workshop stands where an owner stands.
    #[must_use]
    pub fn token(workshop: Id<Workshop>, token: &Token) -> Self {
        let sight = match (token.motorcycle_id, token.owner_id) {
            (Some(motorcycle), _) => Sight::Motorcycle(motorcycle),
            (None, Some(owner)) => Sight::Owner(owner),
            (None, None) => Sight::All,
        };
        let standing = if sight.is_narrow() { Standing::Owner } else { Standing::Manager };
        Self { workshop, who: Who::Token(token.id, token.name.clone()), scopes: token.scopes.clone(), standing, sight, address: None }
    }
    /// What to call them in the audit trail.
    #[must_use]
    pub fn name(&self) -> String {
        match &self.who {
            Who::Person(person) => person.name.clone(),
            Who::Token(_, name) => format!("token {name}"),
            Who::CommandLine => "command line".into(),
            Who::Recipient(address) => format!("{address}, by the link in a mail"),
            Who::Workshop(name) => format!("workshop {name}"),
        }
    }
    /// The id of the person or token that an entry is noted under; the command line has none.
    #[must_use]
    pub const fn id(&self) -> Option<Uuid> {
        match &self.who {
            Who::Person(person) => Some(person.id.uuid()),
            Who::Token(id, _) => Some(id.uuid()),
            Who::CommandLine | Who::Recipient(_) | Who::Workshop(_) => None,
        }
    }
    /// The person, if it is one.
    #[must_use]
    pub const fn person_id(&self) -> Option<Id<Person>> {
        if let Who::Person(person) = &self.who { Some(person.id) } else { None }
    }
    /// The token, if it is one.
    #[must_use]
    pub const fn token_id(&self) -> Option<Id<Token>> {
        if let Who::Token(id, _) = &self.who { Some(*id) } else { None }
    }
    /// The caller with where the request came from.
    #[must_use]
    pub fn from_address(self, address: Option<IpAddr>) -> Self {
        Self { address, ..self }
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
    /// Refuses a caller who stands below what is needed.
    ///
    /// # Errors
    /// [`Error::Forbidden`] that says who may.
    pub fn must_be(&self, least: Standing) -> Result<()> {
        if self.standing >= least {
            return Ok(());
        }
        Err(Error::Forbidden(
            match least {
                Standing::Manager => "Only a manager of the workshop may do this; ask one.",
                Standing::Mechanic | Standing::Owner => {
                    "Only the workshop itself may do this, and this account or token is for an owner's motorcycles; ask the workshop."
                }
            }
            .into(),
        ))
    }
}
