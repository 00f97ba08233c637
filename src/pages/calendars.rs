//! `/calendars`: addresses for calendar programs; a new one is shown once.
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::State,
    http::{HeaderMap, HeaderValue, header},
    response::{IntoResponse, Response},
};

use super::{
    answer::{Done, Page},
    fault::Fault,
    form::{Asked, Form},
    frame::{Frame, Nav},
    guard::{PathId, Visitor},
};
use crate::{
    actions::{App, Work, calendar as actions, motorcycle},
    api::calendars::site,
    domain::{
        calendar,
        calendar_feed::{CalendarAddress, NewCalendar},
        id::Id,
    },
    error::{Error, Result},
    store::{Stretch, motorcycle::Wanted},
};

/// So many motorcycles are offered; an address for another one is made over the API.
const OFFERED: i64 = 200;

#[derive(Template)]
#[template(path = "calendars.html", whitespace = "minimize")]
struct CalendarsPage {
    frame: Frame,
    url: Option<String>,
    rows: Vec<Row>,
    bikes: Vec<(String, String)>,
    form: Form,
}
struct Row {
    id: Id<CalendarAddress>,
    about: String,
    made: String,
}

impl CalendarsPage {
    async fn new(visitor: &Visitor, work: &mut Work, form: Form, url: Option<String>) -> Result<Self> {
        let bikes = motorcycle::list(work, &Wanted::default(), Stretch { after: None, limit: OFFERED }).await?;
        let mut rows = Vec::new();
        for address in actions::list(work, Stretch::ALL).await? {
            let about = match address.motorcycle_id {
                None => "every motorcycle".into(),
                Some(id) => match motorcycle::get(work, id).await {
                    Ok(bike) => bike.name,
                    Err(Error::NotFound(_)) => "a motorcycle that is not here any more".into(),
                    Err(error) => return Err(error),
                },
            };
            let made = format!("made by {} on {}", address.made_by, calendar::words(address.created_at.date()));
            rows.push(Row { id: address.id, about, made });
        }
        let all = (String::new(), "every motorcycle".to_owned());
        let bikes = std::iter::once(all).chain(bikes.into_iter().map(|bike| (bike.id.to_string(), bike.name))).collect();
        Ok(Self { frame: visitor.frame(work, Nav::Motorcycles).below(), url, rows, bikes, form })
    }
}

/// `GET /calendars`, where `?motorcycle=` chooses one
pub(super) async fn list(State(app): State<Arc<App>>, visitor: Visitor, Asked(asked): Asked) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let form = Form::showing([("motorcycle_id", asked.value("motorcycle").to_owned())]);
    Ok(Page(CalendarsPage::new(&visitor, &mut work, form, None).await?).into_response())
}

/// `POST /calendars`
pub(super) async fn make(State(app): State<Arc<App>>, visitor: Visitor, headers: HeaderMap, mut form: Form) -> Result<Response, Fault> {
    let new = NewCalendar { motorcycle_id: form.chosen("motorcycle_id") };
    let mut work = visitor.write(&app, &mut form).await?;
    let made = match form.ready(Some(new)) {
        Ok(new) => actions::add(&mut work, new).await,
        Err(error) => Err(error),
    };
    match made {
        Ok((_, secret)) => {
            let url = format!("{}/calendar/{secret}.ics", site(&app, &headers));
            let fresh = Form::showing([("motorcycle_id", String::new())]);
            let page = CalendarsPage::new(&visitor, &mut work, fresh, Some(url)).await?;
            // A second tap leads to the list: the secret itself is kept nowhere.
            let again = crate::actions::StoredAnswer {
                status: 303,
                location: Some("/calendars".into()),
                etag: None,
                body: "The address was made already, and was shown once.".into(),
            };
            work.finish(Some(&again)).await?;
            let mut response = Page(page).into_response();
            response.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
            Ok(response)
        }
        Err(error) => {
            form.refused(error)?;
            Ok(Page(CalendarsPage::new(&visitor, &mut work, form, None).await?).with_status(422))
        }
    }
}

/// `POST /calendars/{id}/revoke`
pub(super) async fn revoke(State(app): State<Arc<App>>, visitor: Visitor, PathId(id): PathId<CalendarAddress>) -> Result<Response, Fault> {
    let mut work = app.write(&visitor.caller, None).await?;
    let address = actions::get(&mut work, id).await?;
    actions::revoke(&mut work, &address).await?;
    Done::new("/calendars", "The address is revoked; there is nothing at it any more.").after(work).await
}
