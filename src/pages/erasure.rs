//! `/people/{id}/erase`, `/owners/{id}/erase`: erasing a person, after saying what that means.
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};

use super::{
    answer::{Done, Page},
    fault::Fault,
    form::Form,
    frame::{Frame, Nav},
    guard::{Manager, PathId, Visitor},
};
use crate::{
    actions::{App, Work, erasure as actions},
    domain::{motorcycle::Owner, person::Member},
    error::{Error, Result},
    store::{erasure as store, owner},
};

#[derive(Template)]
#[template(path = "erase.html", whitespace = "minimize")]
struct ErasePage {
    frame: Frame,
    form: Form,
    name: String,
    action: String,
    back: String,
    /// What goes with it, one sentence each.
    along: Vec<String>,
}

/// Whom a page is about.
enum Whom {
    Person(Member),
    Owner(Owner),
}
impl Whom {
    fn name(&self) -> &str {
        match self {
            Self::Person(person) => &person.name,
            Self::Owner(owner) => &owner.name,
        }
    }
    fn path(&self) -> String {
        match self {
            Self::Person(person) => format!("/people/{}", person.id),
            Self::Owner(owner) => format!("/owners/{}", owner.id),
        }
    }
    /// Their own page; whoever was taken out before has none any more.
    fn back(&self) -> String {
        match self {
            Self::Person(person) if person.roles.is_empty() => self.list().to_owned(),
            _ => format!("{}/edit", self.path()),
        }
    }
    const fn list(&self) -> &'static str {
        match self {
            Self::Person(_) => "/people",
            Self::Owner(_) => "/owners",
        }
    }
    /// What goes with it.
    async fn along(&self, work: &mut Work) -> Result<Vec<String>> {
        let workshop = work.workshop_id();
        let (mut along, owner_id) = match self {
            Self::Person(person) => {
                let account = "They are signed out and cannot come in any more; the tokens and calendar addresses that they made stop working. The account is deleted, unless they have a role in another workshop.";
                (vec![account.to_owned()], person.owner_id)
            }
            Self::Owner(owner) => (Vec::new(), Some(owner.id)),
        };
        let Some(owner_id) = owner_id else { return Ok(along) };
        let members = store::members_of(&mut work.tx, workshop, owner_id).await?;
        match self {
            Self::Person(_) if members.len() > 1 => return Ok(along),
            Self::Person(_) => along.push("The owner record that they come in as is erased with them.".into()),
            Self::Owner(_) if members.is_empty() => {}
            Self::Owner(_) => {
                along.push("Whoever comes in as this owner is erased with them, with account, tokens and calendar addresses.".into());
            }
        }
        let bikes = owner::motorcycles(&mut work.tx, workshop, owner_id).await?.len();
        match bikes {
            0 => {}
            1 => along.push("Their motorcycle stays, without an owner.".into()),
            many => along.push(format!("Their {many} motorcycles stay, without an owner.")),
        }
        Ok(along)
    }
}

async fn page(visitor: &Visitor, work: &mut Work, whom: &Whom, form: Form) -> Result<Page<ErasePage>> {
    Ok(Page(ErasePage {
        frame: visitor.frame(work, Nav::Workshop).below(),
        form,
        name: whom.name().to_owned(),
        action: format!("{}/erase", whom.path()),
        back: whom.back(),
        along: whom.along(work).await?,
    }))
}

async fn shown(app: &App, visitor: &Visitor, find: impl AsyncFnOnce(&mut Work) -> Result<Whom>) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let whom = find(&mut work).await?;
    Ok(page(visitor, &mut work, &whom, Form::default()).await?.into_response())
}

async fn done(app: &App, visitor: &Visitor, mut form: Form, find: impl AsyncFnOnce(&mut Work) -> Result<Whom>) -> Result<Response, Fault> {
    let mut work = app.write(&visitor.caller, None).await?;
    let whom = find(&mut work).await?;
    if !form.is("sure", "yes") {
        form.complain("sure", "Nothing was erased. Tick this first: it cannot be undone.");
        return Ok(page(visitor, &mut work, &whom, form).await?.with_status(422));
    }
    let erased = match &whom {
        Whom::Person(person) => actions::erase_person(&mut work, person).await,
        Whom::Owner(owner) => actions::erase_owner(&mut work, owner).await,
    };
    match erased {
        // The answer must not say the name again.
        Ok(alias) => Done::new(whom.list(), format!("Erased. The records say {alias} from now on.")).after(work).await,
        Err(error @ Error::Conflict { .. }) => {
            drop(work);
            form.refused(error)?;
            let mut work = app.read(&visitor.caller).await?;
            Ok(page(visitor, &mut work, &whom, form).await?.with_status(409))
        }
        Err(error) => Err(error.into()),
    }
}

/// `GET /people/{id}/erase`
pub(super) async fn person(State(app): State<Arc<App>>, Manager(visitor): Manager, PathId(id): PathId<Member>) -> Result<Response, Fault> {
    shown(&app, &visitor, async |work| actions::find_person(work, id).await.map(Whom::Person)).await
}
/// `POST /people/{id}/erase`
pub(super) async fn erase_person(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<Member>,
    form: Form,
) -> Result<Response, Fault> {
    done(&app, &visitor, form, async |work| actions::find_person(work, id).await.map(Whom::Person)).await
}
/// `GET /owners/{id}/erase`
pub(super) async fn owner(State(app): State<Arc<App>>, Manager(visitor): Manager, PathId(id): PathId<Owner>) -> Result<Response, Fault> {
    shown(&app, &visitor, async |work| actions::find_owner(work, id).await.map(Whom::Owner)).await
}
/// `POST /owners/{id}/erase`
pub(super) async fn erase_owner(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<Owner>,
    form: Form,
) -> Result<Response, Fault> {
    done(&app, &visitor, form, async |work| actions::find_owner(work, id).await.map(Whom::Owner)).await
}
