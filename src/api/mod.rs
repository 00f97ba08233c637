//! The HTTP API, version 1: one file per resource, named like what the URL names.
//!
//! A request's way: [`extract`] says who is asking (401, 403), the handler looks up what the path names (404), [`body`] reads what was sent
//! (413, 415, 400, 422), [`answer::unchanged`] compares `If-Match` (428, 412), an action does it (422, 409), [`answer`] sends it back.
//!
//! To add a resource: a file here with its handlers and a `routes()`, one line in [`routes`], and its actions one floor down.
pub mod accept;
pub mod answer;
pub mod attachments;
mod audit;
pub mod body;
mod calculations;
pub mod calendars;
mod costs;
pub mod csv;
mod due;
pub mod extract;
mod fasteners;
mod follow_ups;
mod forecast;
mod history;
mod imports;
mod installed_parts;
mod interval_rules;
mod job_sheet;
mod lay_ups;
mod limits;
mod measured_values;
mod motorcycles;
mod odometer_readings;
mod odometers;
mod offers;
pub mod openapi;
mod owners;
mod packet;
mod people;
mod procedures;
mod search;
mod service_events;
mod single_use;
mod tokens;
mod visits;
mod vocabularies;
mod webhooks;
mod workshop;

use std::sync::Arc;

use utoipa_axum::router::OpenApiRouter;

use crate::actions::App;

/// Where the API starts.
pub const BASE: &str = "/api/v1";

/// Every route of the API, as a table of contents.
#[must_use]
pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new()
        .merge(motorcycles::routes())
        .merge(service_events::routes())
        .merge(installed_parts::routes())
        .merge(measured_values::routes())
        .merge(follow_ups::routes())
        .merge(history::routes())
        .merge(due::routes())
        .merge(odometer_readings::routes())
        .merge(odometers::routes())
        .merge(lay_ups::routes())
        .merge(interval_rules::routes())
        .merge(limits::routes())
        .merge(fasteners::routes())
        .merge(procedures::routes())
        .merge(offers::routes())
        .merge(owners::routes())
        .merge(people::routes())
        .merge(tokens::routes())
        .merge(vocabularies::routes())
        .merge(workshop::routes())
        .merge(attachments::routes())
        .merge(packet::routes())
        .merge(imports::routes())
        .merge(calendars::routes())
        .merge(webhooks::routes())
        .merge(visits::routes())
        .merge(costs::routes())
        .merge(search::routes())
        .merge(job_sheet::routes())
        .merge(single_use::routes())
        .merge(forecast::routes())
        .merge(calculations::routes())
        .merge(audit::routes())
}
