//! The people of a workshop: what they are there, and the invitation of those who have not come in yet.
use serde::{Deserialize, Serialize};
use time::OffsetDateTime;
use utoipa::ToSchema;

use super::{
    id::Id,
    motorcycle::Owner,
    noun::noun,
    validate::{Problem, looks_like_an_address, strings_and_lists},
    words::Role,
};

/// An invitation that nobody has accepted yet.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct OpenInvitation {
    /// Until when its link works, RFC 3339 in UTC.
    #[serde(with = "time::serde::rfc3339")]
    pub expires_at: OffsetDateTime,
}

noun! {
    /// A person of the workshop: one who has come in, or one who is invited.
    pub struct Member, sent as
    /// A person as they are invited.
    #[schema(example = json!({"email": "ada@example.org", "name": "Ada Birch", "roles": ["mechanic"], "owner_id": null}))]
    NewMember {
        /// Their e-mail address. Only they themselves can change it later.
        pub email: String,
        /// What the workshop calls them.
        pub name: String,
        /// What they are here; the role with the most rights counts.
        #[schema(min_items = 1)]
        pub roles: Vec<Role>,
        /// The owner whose motorcycles are theirs: goes with the role owner, and is needed for it.
        pub owner_id: Option<Id<Owner>>,
    } and also {
        /// When they came in, RFC 3339 in UTC; null while they are only invited.
        #[serde(with = "time::serde::rfc3339::option")]
        pub joined_at: Option<OffsetDateTime>,
        /// The open invitation; null once they have come in.
        pub invitation: Option<OpenInvitation>,
    }
}

/// What a manager can change on a person.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"name": "Ada Birch", "roles": ["manager"], "owner_id": null}))]
pub struct MemberDetails {
    /// What the workshop calls them.
    pub name: String,
    /// What they are here.
    #[schema(min_items = 1)]
    pub roles: Vec<Role>,
    /// The owner whose motorcycles are theirs.
    pub owner_id: Option<Id<Owner>>,
}

impl Member {
    /// What a manager can change.
    #[must_use]
    pub fn changeable(&self) -> MemberDetails {
        MemberDetails { name: self.name.clone(), roles: self.roles.clone(), owner_id: self.owner_id }
    }
    /// Whether they run the workshop now: an invited manager does not yet.
    #[must_use]
    pub fn is_manager(&self) -> bool {
        self.joined_at.is_some() && self.roles.contains(&Role::Manager)
    }
}

impl MemberDetails {
    /// Takes the spaces off the name, and puts the roles in order, each once.
    pub fn tidy(&mut self) {
        self.name = self.name.trim().to_owned();
        self.roles.sort();
        self.roles.dedup();
    }
    /// What is wrong, apart from whether there is such an owner.
    #[must_use]
    pub fn problems(&self) -> Vec<Problem> {
        let mut problems = strings_and_lists(self);
        if self.name.is_empty() {
            problems.push(Problem::new("/name", "must not be empty; say who it is"));
        }
        if self.roles.is_empty() {
            problems.push(Problem::new("/roles", "must name at least one role"));
        }
        match (self.roles.contains(&Role::Owner), self.owner_id) {
            (true, None) => {
                problems.push(Problem::new("/owner_id", "is needed for the role owner: name the owner whose motorcycles are theirs"));
            }
            (false, Some(_)) => problems.push(Problem::new("/owner_id", "goes with the role owner; add that role, or leave the owner out")),
            _ => {}
        }
        problems
    }
}

/// What is wrong with an e-mail address that letters shall go to.
#[must_use]
pub fn wrong_address(email: &str) -> Option<Problem> {
    let good = looks_like_an_address(email);
    (!good).then(|| Problem::new("/email", "is not an e-mail address; write it as name@example.org"))
}

/// A sign-in that lasts until it is ended or too old.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Session {
    /// Its id; its secret is another matter.
    pub id: Id<Session>,
    /// When it began.
    pub begun_at: OffsetDateTime,
    /// When it was last used, to the hour.
    pub seen_at: OffsetDateTime,
    /// What the browser says it is.
    pub user_agent: String,
    /// The address that it began from.
    pub address: String,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn details(roles: &[Role], owner: bool) -> MemberDetails {
        let owner_id = owner.then(|| Id::new(uuid::Uuid::from_u128(7)));
        MemberDetails { name: "Ada".into(), roles: roles.to_vec(), owner_id }
    }
    fn wrong(details: &MemberDetails) -> Vec<String> {
        details.problems().into_iter().map(|problem| problem.pointer).collect()
    }

    #[test]
    fn the_role_owner_and_the_owner_go_together() {
        assert_eq!(wrong(&details(&[Role::Manager, Role::Owner], true)), Vec::<String>::new());
        assert_eq!(wrong(&details(&[Role::Mechanic], false)), Vec::<String>::new());
        assert_eq!(wrong(&details(&[Role::Owner], false)), ["/owner_id"]);
        assert_eq!(wrong(&details(&[Role::Mechanic], true)), ["/owner_id"]);
        assert_eq!(wrong(&details(&[], false)), ["/roles"]);
        assert_eq!(wrong(&MemberDetails { name: String::new(), ..details(&[Role::Manager], false) }), ["/name"]);
    }
    #[test]
    fn roles_are_kept_once_and_in_order() {
        let mut sent = details(&[Role::Owner, Role::Manager, Role::Owner], true);
        sent.tidy();
        assert_eq!(sent.roles, [Role::Manager, Role::Owner]);
    }
}
