//! `/account/second-factor`: setting it up, recovery codes, switching it off.
use std::{fmt::Write, sync::Arc};

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};
use qrcode::{Color, QrCode};

use super::{
    answer::{Done, Page},
    fault::Fault,
    form::Form,
    frame::{Frame, Nav},
    guard::Own,
    welcome::private,
};
use crate::{
    access::totp,
    actions::{App, account as actions},
    error::{Error, Result},
};

/// A QR code as the path of its dark squares, one unit each.
struct Picture {
    /// How wide and high it is, with the quiet zone of four squares.
    size: usize,
    path: String,
}
impl Picture {
    fn of(text: &str) -> Result<Self> {
        const QUIET: usize = 4;
        let code = QrCode::new(text).map_err(Error::internal)?;
        let width = code.width();
        let mut path = String::new();
        for (row, colors) in code.to_colors().chunks(width).enumerate() {
            let mut place = 0;
            for run in colors.chunk_by(|left, right| left == right) {
                if run[0] == Color::Dark {
                    let length = run.len();
                    let _ = write!(path, "M{} {}h{length}v1h-{length}z", place + QUIET, row + QUIET);
                }
                place += run.len();
            }
        }
        Ok(Self { size: width + 2 * QUIET, path })
    }
}

#[derive(Template)]
#[template(path = "second_factor.html", whitespace = "minimize")]
struct SecondFactorPage {
    frame: Frame,
    form: Form,
    /// What the authenticator is shown, while it is being set up.
    setup: Option<(Picture, String)>,
    recovery_codes_left: i64,
    /// New recovery codes, shown once.
    codes: Vec<String>,
}
impl SecondFactorPage {
    async fn new(app: &App, own: &Own, form: Form, codes: Vec<String>) -> Result<Self> {
        let account = actions::show(app, &own.person, &own.cookie).await?;
        let setup = if account.second_factor_since.is_some() {
            None
        } else {
            let secret = actions::begin_second_factor(app, own.person.id).await?;
            Some((Picture::of(&totp::address(&secret, &own.person.email))?, in_groups(&totp::base32(&secret))))
        };
        let work = app.read(&own.visitor.caller).await?;
        let frame = own.visitor.frame(&work, Nav::Nowhere);
        Ok(Self { frame, form, setup, recovery_codes_left: account.recovery_codes_left, codes })
    }
}
fn in_groups(text: &str) -> String {
    let groups: Vec<_> = text.as_bytes().chunks(4).map(String::from_utf8_lossy).collect();
    groups.join(" ")
}

async fn page(app: &App, own: &Own, codes: Vec<String>) -> Result<Response, Fault> {
    let page = SecondFactorPage::new(app, own, Form::default(), codes).await?;
    Ok(private(Page(page).into_response()))
}
async fn again(app: &App, own: &Own, mut form: Form, field: &str, error: Error) -> Result<Response, Fault> {
    let again = form.must_try_again(field, error)?;
    form.set("code", "");
    Ok(private(again.of(Page(SecondFactorPage::new(app, own, form, Vec::new()).await?))))
}

/// `GET /account/second-factor`
pub(super) async fn show(State(app): State<Arc<App>>, own: Own) -> Result<Response, Fault> {
    page(&app, &own, Vec::new()).await
}

/// `POST /account/second-factor`
pub(super) async fn confirm(State(app): State<Arc<App>>, own: Own, form: Form) -> Result<Response, Fault> {
    match actions::confirm_second_factor(&app, &own.person, &own.cookie, form.password(), form.value("code")).await {
        Ok(codes) => page(&app, &own, codes).await,
        Err(error) => again(&app, &own, form, "code", error).await,
    }
}

/// `POST /account/second-factor/recovery-codes`
pub(super) async fn renew(State(app): State<Arc<App>>, own: Own, form: Form) -> Result<Response, Fault> {
    match actions::renew_recovery_codes(&app, &own.person, form.password()).await {
        Ok(codes) => page(&app, &own, codes).await,
        Err(error) => again(&app, &own, form, "password", error).await,
    }
}

/// `POST /account/second-factor/off`
pub(super) async fn switch_off(State(app): State<Arc<App>>, own: Own, form: Form) -> Result<Response, Fault> {
    match actions::drop_second_factor(&app, &own.person, form.password()).await {
        Ok(()) => Ok(Done::new("/account", "The second factor is switched off.").into_response()),
        Err(error) => again(&app, &own, form, "password", error).await,
    }
}
