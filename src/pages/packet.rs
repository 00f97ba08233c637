//! `/motorcycles/{id}/packet`: the history packet to print, and as a PDF to hand on, and as a file that can be verified and brought in elsewhere.
use std::sync::Arc;

use axum::{
    Router,
    extract::State,
    http::header,
    response::{IntoResponse, Response},
    routing::get,
};

use super::{
    fault::Fault,
    guard::{PathId, Visitor},
};
use crate::{
    actions::{App, component, motorcycle, packet as actions},
    domain::{component::Component, motorcycle::Motorcycle, packet::Packet},
    error::{Error, Result},
    feeds::packet::{html, pdf},
};

/// The packet in its three forms.
pub(super) fn routes() -> Router<Arc<App>> {
    Router::new()
        .route("/motorcycles/{id}/packet", get(show))
        .route("/motorcycles/{id}/packet.pdf", get(as_pdf))
        .route("/motorcycles/{id}/packet.json", get(as_json))
}

async fn made(app: &App, visitor: &Visitor, PathId(id): PathId<Motorcycle>) -> Result<(Packet, Vec<Component>)> {
    let mut work = app.read(&visitor.caller).await?;
    let bike = motorcycle::get(&mut work, id).await?;
    Ok((actions::of(app, &mut work, &bike).await?, component::all(&mut work).await?))
}

/// A page of its own, made for the printer.
async fn show(State(app): State<Arc<App>>, visitor: Visitor, id: PathId<Motorcycle>) -> Result<Response, Fault> {
    let (packet, components) = made(&app, &visitor, id).await?;
    Ok(([(header::CONTENT_TYPE, "text/html; charset=utf-8")], html(&packet, &components)?).into_response())
}

/// The same as a PDF.
async fn as_pdf(State(app): State<Arc<App>>, visitor: Visitor, id: PathId<Motorcycle>) -> Result<Response, Fault> {
    let (packet, components) = made(&app, &visitor, id).await?;
    let headers = [(header::CONTENT_TYPE, "application/pdf"), (header::CONTENT_DISPOSITION, "attachment; filename=\"history.pdf\"")];
    Ok((headers, pdf(&packet, &components)).into_response())
}

/// The same as it can be verified, and brought into another workshop: a file.
async fn as_json(State(app): State<Arc<App>>, visitor: Visitor, id: PathId<Motorcycle>) -> Result<Response, Fault> {
    let (packet, _) = made(&app, &visitor, id).await?;
    let headers = [(header::CONTENT_TYPE, "application/json"), (header::CONTENT_DISPOSITION, "attachment; filename=\"history.json\"")];
    Ok((headers, serde_json::to_vec(&packet).map_err(Error::internal)?).into_response())
}
