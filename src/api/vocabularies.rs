//! `/components`, `/quantities`, `/units`: the words that requests may use.
use std::sync::Arc;

use axum::{extract::State, http::Uri, response::Response};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    answer::{Answer, Page, PageQuery, page},
    body::Body,
    extract::{Governs, Key, Query, Reads},
};
use crate::{
    actions::{App, component as actions},
    domain::{
        component::{Component, NewComponent},
        quantity::{Kind, Unit},
        validate::kinds_of,
        verdict::default_reduce,
        words::{Measurand, Reduce},
    },
    error::Result,
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(list_components, add_component)).routes(routes!(list_quantities)).routes(routes!(list_units))
}

/// A quantity that can be measured.
#[derive(Debug, Serialize, ToSchema)]
struct QuantityWord {
    /// The word that stands for it.
    key: Measurand,
    /// The kinds of unit that it is measured in.
    kinds: Vec<Kind>,
    /// The units of those kinds.
    units: Vec<Unit>,
    /// How several readings become one figure unless said.
    reduce: Reduce,
}

/// A unit.
#[derive(Debug, Serialize, ToSchema)]
struct UnitWord {
    /// How it is spelt.
    key: Unit,
    /// What kind of quantity it measures; only units of one kind can be compared.
    kind: Kind,
    /// The SI unit of that kind.
    si_unit: &'static str,
    /// How many SI units one of this unit is.
    si_per_unit: f64,
    /// The SI value of 0 in this unit: 0 but for temperatures.
    si_at_zero: f64,
}

fn si_unit(kind: Kind) -> &'static str {
    match kind {
        Kind::Distance | Kind::Length => "m",
        Kind::Torque => "N.m",
        Kind::Pressure => "Pa",
        Kind::Mass => "kg",
        Kind::Volume => "m3",
        Kind::Voltage => "V",
        Kind::Angle => "deg",
        Kind::Temperature => "K",
        Kind::Force => "N",
        Kind::Resistance => "ohm",
        Kind::Time => "s",
        Kind::Ratio => "1",
    }
}

/// The page of a short list that is in memory; what identifies an item is its key.
fn paged<T: Serialize>(items: Vec<T>, query: &PageQuery, uri: &Uri, key: impl Fn(&T) -> String) -> Result<Response> {
    let stretch = query.stretch::<String>()?;
    // A key that is no longer there was the last one: nothing of a vocabulary ever goes.
    let skipped = stretch.after.map_or(0, |after| items.iter().position(|item| key(item) == after).map_or(items.len(), |place| place + 1));
    let wanted = usize::try_from(stretch.limit).unwrap_or(usize::MAX);
    let items: Vec<_> = items.into_iter().skip(skipped).take(wanted).collect();
    page(items, stretch.limit, uri, key)
}

/// List components
///
/// By key: those that are always there, and the workshop's own.
#[utoipa::path(get, path = "/components", operation_id = "list_components", tag = "vocabularies", params(PageQuery),
    responses((status = 200, description = "A page of components", body = Page<Component>)))]
async fn list_components(State(app): State<Arc<App>>, Reads(caller): Reads, uri: Uri, Query(query): Query<PageQuery>) -> Result<Response> {
    let mut work = app.read(&caller).await?;
    paged(actions::all(&mut work).await?, &query, &uri, |component| component.key.clone())
}

/// Add a component of the workshop's own
#[utoipa::path(post, path = "/components", operation_id = "add_component", tag = "vocabularies", request_body = NewComponent,
    responses((status = 201, description = "The component", body = Component)))]
async fn add_component(State(app): State<Arc<App>>, Governs(caller): Governs, key: Key, body: Body) -> Result<Answer> {
    let new: NewComponent = body.json()?;
    let mut work = app.write(&caller, key.with(body.bytes())?).await?;
    let component = actions::add(&mut work, new).await?;
    Answer::created("/components", &component)?.after(work).await
}

/// List quantities that can be measured
///
/// Always the same ones, in a fixed order.
#[utoipa::path(get, path = "/quantities", operation_id = "list_quantities", tag = "vocabularies", params(PageQuery),
    responses((status = 200, description = "A page of quantities", body = Page<QuantityWord>)))]
async fn list_quantities(Reads(_caller): Reads, uri: Uri, Query(query): Query<PageQuery>) -> Result<Response> {
    let word = |key: &Measurand| {
        let kinds = kinds_of(*key).to_vec();
        let units = Unit::ALL.iter().copied().filter(|unit| kinds.contains(&unit.kind())).collect();
        QuantityWord { key: *key, kinds, units, reduce: default_reduce(*key) }
    };
    paged(Measurand::ALL.iter().map(word).collect(), &query, &uri, |word| word.key.to_string())
}

/// List units
///
/// Always the same ones, in a fixed order, with their exact factors.
#[utoipa::path(get, path = "/units", operation_id = "list_units", tag = "vocabularies", params(PageQuery),
    responses((status = 200, description = "A page of units", body = Page<UnitWord>)))]
async fn list_units(Reads(_caller): Reads, uri: Uri, Query(query): Query<PageQuery>) -> Result<Response> {
    let word = |unit: &Unit| {
        let (key, kind) = (*unit, unit.kind());
        UnitWord { key, kind, si_unit: si_unit(kind), si_per_unit: key.si_per_unit(), si_at_zero: key.to_si(0.0) }
    };
    paged(Unit::ALL.iter().map(word).collect(), &query, &uri, |word| word.key.to_string())
}
