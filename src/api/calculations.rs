//! `/calculations/…`: nothing is stored.
use std::sync::Arc;

use serde::{Serialize, de::DeserializeOwned};
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{answer::Answer, body::Body, extract::Reads};
use crate::{
    actions::App,
    domain::{
        calculation::{
            self, BalanceAnswer, BalanceRequest, ConformityAnswer, ConformityRequest, RunoutAnswer, RunoutRequest, TorqueAdapterAnswer,
            TorqueAdapterRequest, WearAnswer, WearRequest,
        },
        validate::Problem,
        verdict,
    },
    error::{Error, Result},
};

pub fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new()
        .routes(routes!(torque_adapter))
        .routes(routes!(runout))
        .routes(routes!(balance))
        .routes(routes!(wear))
        .routes(routes!(conformity))
}

/// Reads the question, answers it, or says what is impossible about it.
fn answer<Q: DeserializeOwned + ToSchema + 'static, A: Serialize>(
    body: &Body,
    calculate: impl FnOnce(&Q) -> Result<A, Vec<calculation::Problem>>,
) -> Result<Answer> {
    let asked: Q = body.json()?;
    let problem = |problem: calculation::Problem| Problem::new(problem.pointer, format!("{}.", problem.detail));
    let found = calculate(&asked).map_err(|problems| Error::Invalid(problems.into_iter().map(problem).collect()))?;
    Answer::plain(&found)
}
/// Torque with an adapter
///
/// What to set a wrench to when an adapter in line with it makes it longer (`wanted`), or the torque that a setting gives (`set`).
#[utoipa::path(post, path = "/calculations/torque-adapter", operation_id = "calculate_torque_adapter", tag = "calculations",
    request_body = TorqueAdapterRequest, responses((status = 200, description = "The setting, or the torque", body = TorqueAdapterAnswer)))]
async fn torque_adapter(_: Reads, body: Body) -> Result<Answer> {
    answer(&body, calculation::torque_adapter)
}

/// Runout of a wheel or disc
///
/// Total indicated reading, the first harmonic (off center or tilted mounting), and the rest (shape).
#[utoipa::path(post, path = "/calculations/runout", operation_id = "calculate_runout", tag = "calculations",
    request_body = RunoutRequest, responses((status = 200, description = "What the readings say", body = RunoutAnswer)))]
async fn runout(_: Reads, body: Body) -> Result<Answer> {
    answer(&body, calculation::runout)
}

/// Static balance of a wheel
///
/// The unbalance as the sum of what was found, and the weights that balance it.
#[utoipa::path(post, path = "/calculations/balance", operation_id = "calculate_balance", tag = "calculations",
    request_body = BalanceRequest, responses((status = 200, description = "The unbalance and its correction", body = BalanceAnswer)))]
async fn balance(_: Reads, body: Body) -> Result<Answer> {
    answer(&body, calculation::balance)
}

/// Wear toward a limit
///
/// The part distance at which measured values meet a limit, with a 10–90 band from three values on.
#[utoipa::path(post, path = "/calculations/wear", operation_id = "calculate_wear", tag = "calculations",
    request_body = WearRequest, responses((status = 200, description = "When the limit is met, or why nobody can tell", body = WearAnswer)))]
async fn wear(_: Reads, body: Body) -> Result<Answer> {
    answer(&body, calculation::wear)
}

/// Conformity of a value with its uncertainty
///
/// The verdict (ISO 14253-1) and the probability that the true value conforms (JCGM 106).
#[utoipa::path(post, path = "/calculations/conformity", operation_id = "calculate_conformity", tag = "calculations",
    request_body = ConformityRequest, responses((status = 200, description = "The verdict", body = ConformityAnswer)))]
async fn conformity(_: Reads, body: Body) -> Result<Answer> {
    answer(&body, |asked| calculation::conformity(asked, verdict::decide))
}
