//! The style sheet, the script and the icon: part of the binary. Their URLs carry a hash of their content, so that a browser
//! keeps them for good and still never shows an old one.
use std::sync::LazyLock;

use axum::{
    extract::Path,
    http::header,
    response::{IntoResponse, Response},
};
use base64::{Engine, engine::general_purpose::URL_SAFE_NO_PAD};
use sha2::{Digest, Sha256};

use super::fault::Fault;
use crate::error::Error;

/// A file with its URL.
#[derive(Debug)]
pub struct Asset {
    /// The path with the hash in it.
    pub url: String,
    kind: &'static str,
    content: &'static str,
}
impl Asset {
    fn new(stem: &str, ending: &str, kind: &'static str, written: &str) -> Self {
        let content: &'static str = packed(written).leak();
        let hash = URL_SAFE_NO_PAD.encode(&Sha256::digest(content)[..6]);
        Self { url: format!("/assets/{stem}-{hash}.{ending}"), kind, content }
    }
}

/// Without indentation and without the lines that are a comment: nobody reads them on the way. Made once, so it stays for good.
fn packed(written: &str) -> String {
    let lines = written.lines().map(str::trim_start).filter(|line| !line.is_empty() && !line.starts_with("//"));
    lines.flat_map(|line| [line, "\n"]).collect()
}

/// The style sheet.
pub static STYLE: LazyLock<Asset> =
    LazyLock::new(|| Asset::new("record", "css", "text/css; charset=utf-8", include_str!("../../templates/assets/record.css")));
/// The script.
pub static SCRIPT: LazyLock<Asset> =
    LazyLock::new(|| Asset::new("bench", "js", "text/javascript; charset=utf-8", include_str!("../../templates/assets/bench.js")));
/// The script of the page on which work is written up.
pub static WRITE_UP: LazyLock<Asset> =
    LazyLock::new(|| Asset::new("write_up", "js", "text/javascript; charset=utf-8", include_str!("../../templates/assets/write_up.js")));
/// The script that says how far an import has come.
pub static IMPORT: LazyLock<Asset> =
    LazyLock::new(|| Asset::new("import", "js", "text/javascript; charset=utf-8", include_str!("../../templates/assets/import.js")));
/// The icon: a witness mark across nut and bolt.
pub static ICON: LazyLock<Asset> =
    LazyLock::new(|| Asset::new("mark", "svg", "image/svg+xml; charset=utf-8", include_str!("../../templates/assets/mark.svg")));

/// `/assets/{file}`
pub(super) async fn show(Path(file): Path<String>) -> Result<Response, Fault> {
    let all = [&*STYLE, &*SCRIPT, &*WRITE_UP, &*IMPORT, &*ICON];
    let asset = all.into_iter().find(|asset| asset.url.strip_prefix("/assets/") == Some(&file)).ok_or(Error::NotFound("page"))?;
    Ok(([(header::CONTENT_TYPE, asset.kind), (header::CACHE_CONTROL, "public, max-age=31536000, immutable")], asset.content)
        .into_response())
}
