//! Fourth floor: the pages. HTML made on the server; every page works without script.
//!
//! One file for each page: a handler that calls the same action as its JSON twin, and a struct that IS the data of its template in
//! `templates/`. To add a page: a file here, a template, a route below. What all pages share: [`frame`] (what stands around a page), [`guard`]
//! (who is signed in, posts from other sites), [`form`] (what was typed, what is wrong with it, the one-time key), [`answer`] and [`fault`].
pub mod answer;
pub mod assets;
pub mod chart;
mod due;
pub mod due_rows;
pub mod fault;
pub mod form;
pub mod frame;
pub mod guard;
mod history_rows;
pub mod links;
mod motorcycle;
mod motorcycle_form;
mod motorcycles;
mod owners;
pub mod paging;
mod readings;
pub mod ruler;
mod sign_in;
mod tokens;
pub mod words;
mod workshop;

use std::sync::Arc;

use axum::{Router, middleware, routing::get, routing::post};

use crate::actions::App;

/// Every page, as a table of contents.
pub fn routes(app: Arc<App>) -> Router<Arc<App>> {
    Router::new()
        .route("/", get(due::show))
        .route("/motorcycles", get(motorcycles::show))
        .route("/motorcycles/new", get(motorcycle_form::new).post(motorcycle_form::add))
        .route("/motorcycles/{id}", get(motorcycle::show))
        .route("/motorcycles/{id}/edit", get(motorcycle_form::edit).post(motorcycle_form::change))
        .route("/motorcycles/{id}/archive", post(motorcycle_form::archive))
        .route("/motorcycles/{id}/readings", get(readings::show).post(readings::note))
        .route("/motorcycles/{id}/readings/change", post(readings::change))
        .route("/motorcycles/{id}/readings/{below}/strike-out", post(readings::strike_out))
        .route("/workshop", get(workshop::show).post(workshop::change))
        .route("/owners", get(owners::list))
        .route("/owners/new", get(owners::new).post(owners::add))
        .route("/owners/{id}/edit", get(owners::edit).post(owners::change))
        .route("/owners/{id}/hide", post(owners::hide))
        .route("/tokens", get(tokens::list).post(tokens::make))
        .route("/tokens/{id}/revoke", post(tokens::revoke))
        .route("/sign-in", get(sign_in::show).post(sign_in::sign_in))
        .route("/sign-out", post(sign_in::sign_out))
        .route("/assets/{file}", get(assets::show))
        .layer(middleware::from_fn_with_state(app, guard::watch))
}
