//! Fourth floor: the pages. HTML made on the server; every page works without script.
//!
//! One file for each page: a handler that calls the same action as its JSON twin, and a struct that IS the data of its template in
//! `templates/`. To add a page: a file here, a template that extends `base.html`, a route below.
//!
//! What pages share: [`frame`] is what stands around a page (`with_caution` where it shows a torque, a limit or an interval), [`guard::Visitor`]
//! who is signed in, [`words`] how figures, days and statuses are said, [`due_rows`] and [`chart`] what several pages draw,
//! [`paging`] lists, [`links`] the paths.
//!
//! A form is a [`form::Form`]: `Form::showing` with its fields when it is shown; then as an argument of the handler of its post. Read the
//! fields from it (`must`, `day`, `figure`, `chosen` …; what cannot be read is said beside the field), begin with [`guard::Visitor::write`], act where
//! `form.ready(…)` allows it, and end with [`answer::Done::new`]`(to, said).after(work)`. Where the action refuses, `form.refused(error)` puts
//! each problem to its field, and the same page is shown again with 422. In the template: `parts/fields.html` has the fields, `field::once(form)` the one-time key,
//! and `data-draft` on the form keeps what was typed on the device until the server has answered.
mod account;
mod agent;
pub mod answer;
mod as_csv;
pub mod assets;
mod audit;
mod bench;
mod calendars;
pub mod chart;
mod copies;
mod due;
pub mod due_by_month;
mod due_rows;
mod erasure;
mod fasteners;
pub mod fault;
pub mod form;
pub mod frame;
pub mod guard;
mod history_rows;
mod imports;
mod job_sheet;
mod lay_ups;
mod letters;
mod limits;
pub mod links;
mod motorcycle;
mod motorcycle_form;
mod motorcycles;
mod offers;
pub mod order_drawing;
mod own_rules;
mod owners;
mod packet;
pub mod paging;
mod parts;
mod people;
mod photos;
mod procedures;
mod readings;
mod reset;
pub mod ruler;
mod rules;
mod search;
mod second_factor;
mod service_event;
mod sign_in;
mod single_use;
pub mod standards;
mod tokens;
mod unsubscribe;
mod wear_chart;
mod webhooks;
mod welcome;
pub mod words;
mod workshop;
mod write_up;

use std::sync::Arc;

use axum::{Router, middleware, routing::get, routing::post};

use crate::actions::App;

/// Every page, as a table of contents.
pub fn routes(app: Arc<App>) -> Router<Arc<App>> {
    of_motorcycles().merge(of_the_workshop()).merge(of_people()).layer(middleware::from_fn_with_state(app, guard::watch))
}

/// What is due, the motorcycles, and everything on one.
fn of_motorcycles() -> Router<Arc<App>> {
    Router::new()
        .route("/", get(due::show))
        .route("/due/by-month", get(due_by_month::show))
        .route("/search", get(search::show))
        .route("/motorcycles", get(motorcycles::show))
        .route("/motorcycles/new", get(motorcycle_form::new).post(motorcycle_form::add))
        .route("/motorcycles/{id}", get(motorcycle::show))
        .route("/motorcycles/{id}/edit", get(motorcycle_form::edit).post(motorcycle_form::change))
        .route("/motorcycles/{id}/archive", post(motorcycle_form::archive))
        .route("/motorcycles/{id}/hand-on", get(offers::hand_on).post(offers::offer))
        .route("/motorcycles/{id}/hand-on/{below}/withdraw", post(offers::withdraw))
        .route("/offers/{key}", get(offers::show).post(offers::answer))
        .merge(packet::routes())
        .route("/motorcycles/{id}/readings", get(readings::show).post(readings::note))
        .route("/motorcycles/{id}/readings/change", post(readings::change))
        .route("/motorcycles/{id}/readings/{below}/strike-out", post(readings::strike_out))
        .route("/motorcycles/{id}/lay-ups", post(lay_ups::add))
        .route("/motorcycles/{id}/lay-ups/{below}/end", post(lay_ups::end))
        .route("/motorcycles/{id}/lay-ups/{below}/remove", post(lay_ups::remove))
        .route("/motorcycles/{id}/parts", get(parts::fit_form).post(parts::fit))
        .route("/motorcycles/{id}/job-sheet", get(job_sheet::show))
        .route("/motorcycles/{id}/bench", get(bench::contents))
        .route("/motorcycles/{id}/bench/runout", get(bench::show::<bench::Runout>).post(bench::send::<bench::Runout>))
        .route("/motorcycles/{id}/bench/balance", get(bench::show::<bench::Balance>).post(bench::send::<bench::Balance>))
        .route("/motorcycles/{id}/bench/alignment", get(bench::show::<bench::Alignment>).post(bench::send::<bench::Alignment>))
        .route("/motorcycles/{id}/bench/torque-adapter", get(bench::show::<bench::TorqueAdapter>).post(bench::send::<bench::TorqueAdapter>))
        .route("/installed-parts/{id}", get(parts::show))
        .route("/photos", post(photos::wait))
        .route("/attachments/{id}", get(photos::content))
        .route("/attachments/{id}/thumbnail", get(photos::small))
        .route("/attachments/hide", post(photos::hide))
        .route("/service-events/{id}/photos", post(photos::to_event))
        .route("/installed-parts/{id}/photos", post(photos::to_part))
        .route("/motorcycles/{id}/photos", post(photos::to_motorcycle))
        .route("/installed-parts/{id}/fit", post(parts::fit_again))
        .route("/write-up", get(write_up::choose))
        .route("/motorcycles/{id}/write-up", get(write_up::show).post(write_up::save))
        .route("/service-events/{id}", get(service_event::show))
        .route("/service-events/{id}/change", get(service_event::edit).post(service_event::change))
        .route("/service-events/{id}/signature", post(service_event::sign))
        .route("/service-events/{id}/amendments", post(service_event::amend))
        .route("/service-events/{id}/strike-out", post(service_event::strike_out))
        .route("/motorcycles/{id}/rules", get(own_rules::show).post(own_rules::add))
        .route("/motorcycles/{id}/rules/copy", post(own_rules::copy))
}

/// What holds for all motorcycles, and what comes in and goes out.
fn of_the_workshop() -> Router<Arc<App>> {
    Router::new()
        .route("/rules", get(rules::list))
        .route("/rules/new", get(rules::new).post(rules::add))
        .route("/rules/{id}/edit", get(rules::edit).post(rules::change))
        .route("/rules/{id}/delete", post(rules::delete))
        .route("/reused", get(single_use::list))
        .route("/order-list", get(single_use::order_list))
        .route("/limits", get(limits::list))
        .route("/limits/new", get(limits::new).post(limits::add))
        .route("/limits/{id}/edit", get(limits::edit).post(limits::change))
        .route("/limits/{id}/delete", post(limits::delete))
        .route("/fasteners", get(fasteners::list))
        .route("/fasteners/new", get(fasteners::new).post(fasteners::add))
        .route("/fasteners/{id}/edit", get(fasteners::edit).post(fasteners::change))
        .route("/fasteners/{id}/delete", post(fasteners::delete))
        .merge(procedures::routes())
        .route("/workshop", get(workshop::show).post(workshop::change))
        .route("/workshop/copies/{file}", get(copies::download))
        .route("/calendars", get(calendars::list).post(calendars::make))
        .route("/calendars/{id}/revoke", post(calendars::revoke))
        .route("/as-csv/{list}", get(as_csv::seen))
        .route("/as-csv/workshop/{list}", get(as_csv::of_workshop))
        .route("/imports", get(imports::list).post(imports::upload))
        .route("/imports/export", get(imports::export))
        .route("/imports/{id}", get(imports::show).post(imports::act))
        .route("/imports/{id}/progress", get(imports::progress))
        .route("/owners", get(owners::list))
        .route("/owners/new", get(owners::new).post(owners::add))
        .route("/owners/{id}/edit", get(owners::edit).post(owners::change))
        .route("/owners/{id}/hide", post(owners::hide))
        .route("/owners/{id}/erase", get(erasure::owner).post(erasure::erase_owner))
        .route("/owners/{id}/mail", get(letters::for_owner))
        .route("/workshop/mail", get(letters::for_workshop))
        .route("/letters", get(letters::list))
        .route("/letters/{id}/retry", post(letters::retry))
        .route("/unsubscribe/{secret}", get(unsubscribe::ask).post(unsubscribe::stop))
        .route("/tokens", get(tokens::list).post(tokens::make))
        .route("/tokens/{id}/revoke", post(tokens::revoke))
        .route("/tokens/{id}/rotate", post(tokens::rotate))
        .merge(webhooks::routes())
        .route("/audit", get(audit::list))
}

/// Ways in, the people of the workshop, and everybody's own account.
fn of_people() -> Router<Arc<App>> {
    Router::new()
        .route("/sign-in", get(sign_in::show).post(sign_in::sign_in))
        .route("/sign-in/code", get(sign_in::show_code).post(sign_in::sign_in_by_code))
        .route("/sign-out", post(sign_in::sign_out))
        .route("/people", get(people::list).post(people::invite))
        .route("/people/{id}/edit", get(people::edit).post(people::change))
        .route("/people/{id}/remove", post(people::remove))
        .route("/people/{id}/erase", get(erasure::person).post(erasure::erase_person))
        .route("/people/{id}/invitation", post(people::invite_again))
        .route("/people/{id}/reset-link", post(people::reset_link))
        .route("/welcome/{secret}", get(welcome::show).post(welcome::accept))
        .route("/forgot", get(reset::forgot).post(reset::ask))
        .route("/reset/{secret}", get(reset::show).post(reset::reset))
        .route("/account", get(account::show))
        .route("/account/name", post(account::change_name))
        .route("/account/password", post(account::change_password))
        .route("/account/email", post(account::change_email))
        .route("/account/second-factor", get(second_factor::show).post(second_factor::confirm))
        .route("/account/second-factor/recovery-codes", post(second_factor::renew))
        .route("/account/second-factor/off", post(second_factor::switch_off))
        .route("/account/sessions/end", post(account::end_all_sessions))
        .route("/account/sessions/{id}/end", post(account::end_session))
        .route("/account/workshop", post(account::open_workshop))
        .route("/confirm-email/{secret}", get(account::show_confirmation).post(account::confirm_email))
        .route("/assets/{file}", get(assets::show))
}
