//! Lay-ups on a motorcycle's page of readings: say when it stands, say that it is over, take one away.
use std::sync::Arc;

use axum::{extract::State, response::Response};

use super::{
    answer::Done,
    fault::Fault,
    form::Form,
    guard::{Mechanic, PathId, SecondId},
    links,
    readings::{self, Forms},
};
use crate::{
    actions::{App, Work, lay_up as actions, motorcycle},
    domain::{
        calendar,
        id::Id,
        lay_up::{LayUp, NewLayUp},
        motorcycle::Motorcycle,
    },
    error::{Error, Result},
};

/// `POST`: a lay-up.
pub(super) async fn add(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<Motorcycle>,
    mut form: Form,
) -> Result<Response, Fault> {
    let new = read(&mut form);
    let mut work = visitor.write(&app, &mut form).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    let added = match form.ready(new) {
        Ok(new) => actions::add(&mut work, &bike, new).await,
        Err(error) => Err(error),
    };
    match added {
        Ok(lay_up) => {
            let said = match lay_up.to {
                Some(to) => format!("{} is laid up from {} until {}.", bike.name, calendar::words(lay_up.from), calendar::words(to)),
                None => format!("{} is laid up from {} on.", bike.name, calendar::words(lay_up.from)),
            };
            Done::new(links::readings(id), said).after(work).await
        }
        Err(error) => {
            drop(work);
            let mut work = app.read(&visitor.caller).await?;
            form.refused_below("lay_up", error)?;
            let mut forms = Forms::fresh(&work);
            forms.lay_up = form;
            readings::again(&visitor, &mut work, &bike, forms).await
        }
    }
}
fn read(form: &mut Form) -> Option<NewLayUp> {
    let (from, to) = (form.day("lay_up.from"), form.day("lay_up.to"));
    if from.is_none() && !form.is_wrong("lay_up.from") {
        form.complain("lay_up.from", "Say from which day on it stands.");
    }
    Some(NewLayUp { from: from?, to, note: form.value("lay_up.note").to_owned() })
}

/// The lay-up that a path names, of the motorcycle that it names.
async fn named(work: &mut Work, bike: Id<Motorcycle>, lay_up: Id<LayUp>) -> Result<(Motorcycle, LayUp)> {
    let bike = motorcycle::get(work, bike).await?;
    let lay_up = actions::get(work, lay_up).await?;
    if lay_up.motorcycle_id == bike.id { Ok((bike, lay_up)) } else { Err(Error::NotFound("lay-up")) }
}

/// `POST …/{lay-up}/end`: it is ridden again from today on.
pub(super) async fn end(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<Motorcycle>,
    SecondId(lay_up): SecondId<LayUp>,
    mut form: Form,
) -> Result<Response, Fault> {
    let mut work = visitor.write(&app, &mut form).await?;
    let (bike, lay_up) = named(&mut work, id, lay_up).await?;
    match work.today.previous_day() {
        Some(yesterday) if yesterday >= lay_up.from => {
            actions::change(&mut work, &lay_up, NewLayUp { to: Some(yesterday), ..lay_up.details() }).await?;
        }
        // It has not stood a day.
        _ => actions::remove(&mut work, &lay_up).await?,
    }
    Done::new(links::readings(id), format!("{} is on the road again.", bike.name)).after(work).await
}

/// `POST …/{lay-up}/remove`
pub(super) async fn remove(
    State(app): State<Arc<App>>,
    Mechanic(visitor): Mechanic,
    PathId(id): PathId<Motorcycle>,
    SecondId(lay_up): SecondId<LayUp>,
    mut form: Form,
) -> Result<Response, Fault> {
    let mut work = visitor.write(&app, &mut form).await?;
    let (_, lay_up) = named(&mut work, id, lay_up).await?;
    actions::remove(&mut work, &lay_up).await?;
    Done::new(links::readings(id), format!("The lay-up from {} is gone.", calendar::words(lay_up.from))).after(work).await
}
