//! One POST to an address that a person gave. Its host is looked up here and the connection goes to the very address that was checked, so that a
//! name that changes its mind between check and connection (DNS rebinding) leads nowhere. No proxy, no redirects, no cookies.
use std::{
    net::{IpAddr, SocketAddr},
    pin::pin,
    sync::{Arc, LazyLock},
    time::Duration,
};

use axum::{
    body::Body,
    http::{HeaderName, HeaderValue, Request, header},
};
use hyper_util::rt::TokioIo;
use tokio::{
    io::{AsyncRead, AsyncWrite},
    net::{TcpStream, lookup_host},
    time::timeout,
};
use tokio_rustls::{
    TlsConnector,
    rustls::{ClientConfig, RootCertStore, crypto, pki_types::ServerName},
};

use crate::domain::webhook::{Target, is_public};

/// How long a receiver may take, from the lookup of its name to its answer.
const PATIENCE: Duration = Duration::from_secs(10);

/// Posts a JSON body and gives the status code of the answer.
///
/// # Errors
/// A sentence for the person who looks after the webhook.
pub async fn post(target: &Target, headers: &[(HeaderName, String)], body: String, private_allowed: bool) -> Result<u16, String> {
    let mut request = Request::post(&target.path).header(header::CONTENT_TYPE, "application/json");
    for (name, value) in headers {
        request = request.header(name, value);
    }
    let request = request.body(Body::from(body)).map_err(|error| format!("The request cannot be written: {error}."))?;
    send(target, request, private_allowed).await
}

/// Sends a request to a target, with the headers that every request has; gives the status code of the answer.
///
/// # Errors
/// A sentence for the person who looks after it.
pub async fn send(target: &Target, mut request: Request<Body>, private_allowed: bool) -> Result<u16, String> {
    let wrong = |_| "The host cannot be written.".to_owned();
    *request.uri_mut() = target.path.parse().map_err(|_| "The path cannot be written.".to_owned())?;
    request.headers_mut().insert(header::HOST, HeaderValue::from_str(&target.authority).map_err(wrong)?);
    let own = HeaderValue::from_static(concat!("witnessmark/", env!("CARGO_PKG_VERSION")));
    request.headers_mut().insert(header::USER_AGENT, own);
    match timeout(PATIENCE, exchange_with(target, request, private_allowed)).await {
        Ok(done) => done,
        Err(_) => Err(format!("There was no answer within {} seconds.", PATIENCE.as_secs())),
    }
}

async fn exchange_with(target: &Target, request: Request<Body>, private_allowed: bool) -> Result<u16, String> {
    let stream = connect(&addresses(target, private_allowed).await?).await?;
    if target.https {
        let name =
            ServerName::try_from(target.host.clone()).map_err(|_| "The host is no name that a certificate could be for.".to_owned())?;
        let secured = TlsConnector::from(trust()?).connect(name, stream).await.map_err(|error| format!("TLS failed: {error}."))?;
        exchange(secured, request).await
    } else {
        exchange(stream, request).await
    }
}

/// The addresses of the host that may be connected to.
async fn addresses(target: &Target, private_allowed: bool) -> Result<Vec<SocketAddr>, String> {
    let found: Vec<SocketAddr> = match target.host.parse::<IpAddr>() {
        Ok(address) => vec![(address, target.port).into()],
        Err(_) => {
            lookup_host((target.host.as_str(), target.port)).await.map_err(|_| "The host's name cannot be found.".to_owned())?.collect()
        }
    };
    let allowed: Vec<_> = found.into_iter().filter(|address| private_allowed || is_public(address.ip())).collect();
    if allowed.is_empty() {
        return Err(
            "The host is inside the private network; nothing was sent. Start the server with --webhooks-allow-private to allow it.".into(),
        );
    }
    Ok(allowed)
}

async fn connect(addresses: &[SocketAddr]) -> Result<TcpStream, String> {
    let mut why = String::new();
    for address in addresses {
        match TcpStream::connect(address).await {
            Ok(stream) => return Ok(stream),
            Err(error) => why = error.to_string(),
        }
    }
    Err(format!("No connection: {why}."))
}

async fn exchange<S: AsyncRead + AsyncWrite + Unpin + Send + 'static>(stream: S, request: Request<Body>) -> Result<u16, String> {
    let broken = |error: hyper::Error| format!("The connection broke: {error}.");
    let (mut sender, connection) = hyper::client::conn::http1::handshake(TokioIo::new(stream)).await.map_err(broken)?;
    // The connection is driven here, not in a task of its own: whoever drops this closes it. It may end in the same moment in which it gives the answer.
    let (mut answer, connection) = (pin!(sender.send_request(request)), pin!(connection));
    let answer = tokio::select! {
        answer = &mut answer => answer,
        ended = connection => match ended {
            Ok(()) => answer.await,
            Err(error) => Err(error),
        },
    };
    answer.map(|answer| answer.status().as_u16()).map_err(broken)
}

/// Whom to trust: what the machine trusts.
fn trust() -> Result<Arc<ClientConfig>, String> {
    static TRUST: LazyLock<Result<Arc<ClientConfig>, String>> = LazyLock::new(|| {
        let mut roots = RootCertStore::empty();
        roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
        if roots.is_empty() {
            return Err("The server's machine has no trusted certificates; install its package ca-certificates.".into());
        }
        let config = ClientConfig::builder_with_provider(Arc::new(crypto::ring::default_provider()))
            .with_safe_default_protocol_versions()
            .map_err(|error| format!("TLS cannot be set up: {error}."))?
            .with_root_certificates(roots)
            .with_no_client_auth();
        Ok(Arc::new(config))
    });
    TRUST.clone()
}
