//! `/people`, `/people/{id}/edit`: who has which role, invitations, and links to copy.
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};

use super::{
    answer::{Done, Page},
    fault::Fault,
    form::{Asked, Form},
    frame::{Frame, Nav},
    guard::{Manager, PathId, Visitor},
    links, paging,
    welcome::private,
    words,
};
use crate::{
    actions::{App, StoredAnswer, Work, notice, person as actions},
    domain::{
        calendar,
        id::Id,
        person::{Member, MemberDetails, NewMember},
        words::Role,
    },
    error::{Error, Result},
    store::{Stretch, owner},
};

const SIZE: i64 = 50;

/// A link that is shown once, to copy.
pub(super) struct Link {
    /// What it is for.
    pub about: String,
    /// The address; the path alone where the public address is not known.
    pub href: String,
    pub whole: bool,
    /// Whether a letter with it is on its way too.
    pub mailed: bool,
}
impl Link {
    pub(super) fn new(app: &App, about: String, path: &str, mailed: bool) -> Self {
        Self { about, href: app.site.link(path), whole: app.site.public_url.is_some(), mailed }
    }
}

#[derive(Template)]
#[template(path = "people.html", whitespace = "minimize")]
struct PeoplePage {
    frame: Frame,
    link: Option<Link>,
    rows: Vec<Row>,
    next: Option<String>,
    form: Form,
    owners: Vec<(String, String)>,
}
struct Row {
    id: Id<Member>,
    name: String,
    email: String,
    roles: String,
    state: String,
}

/// Roles as they are said: `manager and owner`.
pub(super) fn roles_in_words(roles: &[Role]) -> String {
    words::list(&roles.iter().map(ToString::to_string).collect::<Vec<_>>())
}

impl PeoplePage {
    async fn new(visitor: &Visitor, work: &mut Work, asked: &Form, form: Form) -> Result<Self> {
        let stretch: Stretch<(String, Id<Member>)> = paging::stretch(asked, SIZE)?;
        let mut people = actions::list(work, stretch).await?;
        let next = paging::cut(&mut people, SIZE, |person| (person.name.clone(), person.id));
        let now = work.now;
        let row = |person: Member| Row {
            id: person.id,
            roles: roles_in_words(&person.roles),
            state: match (person.joined_at, person.invitation) {
                (None, Some(open)) if open.expires_at <= now => "the invitation is too old; make a new one".into(),
                (None, Some(open)) => format!("invited, until {}", calendar::words(open.expires_at.date())),
                (joined, _) => joined.map_or_else(String::new, |at| calendar::words(at.date())),
            },
            name: person.name,
            email: person.email,
        };
        Ok(Self {
            frame: visitor.frame(work, Nav::Workshop).below(),
            link: None,
            rows: people.into_iter().map(row).collect(),
            next: next.map(|next| links::with_query("/people", [("after", next.as_str())])),
            form,
            owners: owners(work).await?,
        })
    }
}
/// The owners of the workshop, as options.
async fn owners(work: &mut Work) -> Result<Vec<(String, String)>> {
    let workshop = work.workshop_id();
    let all = owner::list(&mut work.tx, workshop, Stretch::ALL).await?;
    Ok([(String::new(), "nobody’s".to_owned())]
        .into_iter()
        .chain(all.into_iter().map(|owner| (owner.id.to_string(), owner.name)))
        .collect())
}

#[derive(Template)]
#[template(path = "person_form.html", whitespace = "minimize")]
struct PersonPage {
    frame: Frame,
    form: Form,
    id: Id<Member>,
    name: String,
    email: String,
    joined: bool,
    link: Option<Link>,
    owners: Vec<(String, String)>,
}
impl PersonPage {
    async fn new(visitor: &Visitor, work: &mut Work, person: &Member, form: Form, link: Option<Link>) -> Result<Self> {
        Ok(Self {
            frame: visitor.frame(work, Nav::Workshop).below(),
            form,
            id: person.id,
            name: person.name.clone(),
            email: person.email.clone(),
            joined: person.joined_at.is_some(),
            link,
            owners: owners(work).await?,
        })
    }
}

fn fresh() -> Form {
    Form::showing([("email", String::new()), ("name", String::new()), ("roles", "mechanic".into()), ("owner_id", String::new())])
}
fn showing(person: &Member) -> Result<Form> {
    let pairs = [("name", person.name.clone()), ("owner_id", person.owner_id.map(|id| id.to_string()).unwrap_or_default())];
    let mut form = Form::showing(pairs);
    for role in &person.roles {
        form.push("roles", role.to_string());
    }
    form.set_seen(person)?;
    Ok(form)
}
fn read(form: &mut Form) -> MemberDetails {
    let roles: Vec<Role> = form.values("roles").filter_map(|role| role.parse().ok()).collect();
    MemberDetails { name: form.value("name").to_owned(), roles, owner_id: form.chosen("owner_id") }
}

/// `GET /people`
pub(super) async fn list(State(app): State<Arc<App>>, Manager(visitor): Manager, Asked(asked): Asked) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    Ok(Page(PeoplePage::new(&visitor, &mut work, &asked, fresh()).await?).into_response())
}

/// `POST /people`
pub(super) async fn invite(State(app): State<Arc<App>>, Manager(visitor): Manager, mut form: Form) -> Result<Response, Fault> {
    let MemberDetails { name, roles, owner_id } = read(&mut form);
    let new = NewMember { email: form.value("email").to_owned(), name, roles, owner_id };
    let mut work = visitor.write(&app, &mut form).await?;
    let invited = match form.ready(Some(new)) {
        Ok(new) => actions::invite(&mut work, &app, new).await,
        Err(error) => Err(error),
    };
    match invited {
        Ok((person, path)) => {
            let mut page = PeoplePage::new(&visitor, &mut work, &Form::default(), fresh()).await?;
            page.link = Some(Link::new(&app, format!("The invitation for {}", person.name), &path, notice::can_send(&app)));
            // The secret is not kept for a second tap: it leads to the list.
            let said = "This invitation was made before, and its link shown then. If it was not copied, make a new one there.";
            work.finish(Some(&elsewhere("/people", said))).await?;
            Ok(private(Page(page).into_response()))
        }
        Err(error) => {
            form.refused(error)?;
            Ok(Page(PeoplePage::new(&visitor, &mut work, &Form::default(), form).await?).with_status(422))
        }
    }
}
/// Where a second tap leads.
pub(super) fn elsewhere(to: &str, said: &str) -> StoredAnswer {
    StoredAnswer { status: 303, location: Some(to.into()), etag: None, body: said.into() }
}

/// `GET /people/{id}/edit`
pub(super) async fn edit(State(app): State<Arc<App>>, Manager(visitor): Manager, PathId(id): PathId<Member>) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let person = actions::get(&mut work, id).await?;
    let form = showing(&person)?;
    Ok(Page(PersonPage::new(&visitor, &mut work, &person, form, None).await?).into_response())
}

/// `POST /people/{id}/edit`
pub(super) async fn change(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<Member>,
    mut form: Form,
) -> Result<Response, Fault> {
    let new = read(&mut form);
    let mut work = visitor.write(&app, &mut form).await?;
    let old = actions::get(&mut work, id).await?;
    form.check_seen(&old)?;
    let changed = match form.ready(Some(new)) {
        Ok(new) => actions::change(&mut work, &old, new).await,
        Err(error) => Err(error),
    };
    match changed {
        Ok(person) => Done::new("/people", format!("{} is changed.", person.name)).after(work).await,
        Err(error) => refused(&visitor, &mut work, &old, form, error).await,
    }
}
/// The page again, with why it was refused.
async fn refused(visitor: &Visitor, work: &mut Work, person: &Member, mut form: Form, error: Error) -> Result<Response, Fault> {
    let status = error.status();
    form.refused(error)?;
    Ok(Page(PersonPage::new(visitor, work, person, form, None).await?).with_status(status))
}

/// `POST /people/{id}/remove`: takes a person out, or an invitation back.
pub(super) async fn remove(State(app): State<Arc<App>>, Manager(visitor): Manager, PathId(id): PathId<Member>) -> Result<Response, Fault> {
    let mut work = app.write(&visitor.caller, None).await?;
    let person = actions::get(&mut work, id).await?;
    match actions::remove(&mut work, &person).await {
        Ok(()) => {
            let said = if person.joined_at.is_some() { "is taken out of the workshop" } else { "is not invited any more" };
            Done::new("/people", format!("{} {said}.", person.name)).after(work).await
        }
        Err(error) => refused(&visitor, &mut work, &person, showing(&person)?, error).await,
    }
}

/// `POST /people/{id}/invitation`: a new link; the one before works no more.
pub(super) async fn invite_again(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<Member>,
) -> Result<Response, Fault> {
    let mut work = app.write(&visitor.caller, None).await?;
    let person = actions::get(&mut work, id).await?;
    match actions::invite_again(&mut work, &app, &person).await {
        Ok(path) => {
            let link = Link::new(&app, format!("The new invitation for {}", person.name), &path, notice::can_send(&app));
            with_link(&visitor, work, &person, link).await
        }
        Err(error) => refused(&visitor, &mut work, &person, showing(&person)?, error).await,
    }
}
/// `POST /people/{id}/reset-link`: a link to a new password, for somebody who belongs to this workshop alone.
pub(super) async fn reset_link(
    State(app): State<Arc<App>>,
    Manager(visitor): Manager,
    PathId(id): PathId<Member>,
) -> Result<Response, Fault> {
    let mut work = app.write(&visitor.caller, None).await?;
    let person = actions::get(&mut work, id).await?;
    match actions::reset_link(&mut work, &person).await {
        Ok(path) => {
            let link = Link::new(&app, format!("A new password for {}, once and within a day", person.name), &path, false);
            with_link(&visitor, work, &person, link).await
        }
        Err(error) => refused(&visitor, &mut work, &person, showing(&person)?, error).await,
    }
}
async fn with_link(visitor: &Visitor, mut work: Work, person: &Member, link: Link) -> Result<Response, Fault> {
    let person = actions::get(&mut work, person.id).await?;
    let page = PersonPage::new(visitor, &mut work, &person, showing(&person)?, Some(link)).await?;
    work.finish(None).await?;
    Ok(private(Page(page).into_response()))
}
