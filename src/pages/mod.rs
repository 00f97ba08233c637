//! Fourth floor: the pages. HTML made on the server; every page works without script.
//!
//! One file for each page: a handler that calls the same action as its JSON twin, and a struct that IS the data of its template in
//! `templates/`. To add a page: a file here, a template, a route below. What all pages share: [`frame`] (what stands around a page), [`guard`]
//! (who is signed in, posts from other sites), [`form`] (what was typed, what is wrong with it, the one-time key), [`answer`] and [`fault`].
pub mod answer;
pub mod assets;
mod due;
pub mod due_rows;
pub mod fault;
pub mod form;
pub mod frame;
pub mod guard;
pub mod links;
pub mod paging;
pub mod ruler;
mod sign_in;
pub mod words;

use std::sync::Arc;

use axum::{Router, middleware, routing::get, routing::post};

use crate::actions::App;

/// Every page, as a table of contents.
pub fn routes(app: Arc<App>) -> Router<Arc<App>> {
    Router::new()
        .route("/", get(due::show))
        .route("/sign-in", get(sign_in::show).post(sign_in::sign_in))
        .route("/sign-out", post(sign_in::sign_out))
        .route("/assets/{file}", get(assets::show))
        .layer(middleware::from_fn_with_state(app, guard::watch))
}
