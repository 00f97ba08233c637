//! Connections: each is served until its client or the server has had enough. Slow and idle clients are let go; requests under way finish
//! before the server stops.
use std::{convert::Infallible, net::SocketAddr, pin::pin, sync::Arc, time::Duration};

use axum::{
    Router,
    body::Body,
    extract::{ConnectInfo, Request},
};
use hyper::{body::Incoming, server::conn::http1, service::service_fn};
use hyper_util::{
    rt::{TokioIo, TokioTimer},
    server::graceful::GracefulShutdown,
};
use tokio::{net::TcpListener, sync::Semaphore};
use tokio_io_timeout::TimeoutStream;
use tower::ServiceExt;

/// A request's head has to be there within this time, and the next one on the same connection too.
const HEAD: Duration = Duration::from_secs(30);
/// A client that takes in nothing of its answer for this time is let go.
const STALLED: Duration = Duration::from_secs(30);
/// The longest head of a request.
const LONGEST_HEAD: usize = 64 * 1024;
/// The most header fields of a request.
const MOST_FIELDS: usize = 100;
/// The most connections at once; those beyond it wait to be accepted.
const MOST: usize = 20_000;
/// How long requests under way have to finish once the server is told to stop.
const LAST: Duration = Duration::from_secs(30);

/// Serves the router on the listener until `stop` is there.
pub async fn serve(listener: TcpListener, router: Router, stop: impl Future<Output = ()>) {
    let graceful = GracefulShutdown::new();
    let room = Arc::new(Semaphore::new(MOST));
    let mut stop = pin!(stop);
    loop {
        let next = async {
            let place = Arc::clone(&room).acquire_owned().await.ok()?;
            let (stream, peer) = accept(&listener).await;
            Some((stream, peer, place))
        };
        let (stream, peer, place) = tokio::select! {
            next = next => match next { Some(next) => next, None => break },
            () = &mut stop => break,
        };
        let router = router.clone();
        let mut stream = TimeoutStream::new(stream);
        stream.set_write_timeout(Some(STALLED));
        let answer = service_fn(move |request: Request<Incoming>| {
            let mut request = request.map(Body::new);
            request.extensions_mut().insert(ConnectInfo::<SocketAddr>(peer));
            let router = router.clone();
            async move { Ok::<_, Infallible>(router.oneshot(request).await.unwrap_or_else(|never| match never {})) }
        });
        let connection = http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(HEAD)
            .max_buf_size(LONGEST_HEAD)
            .max_headers(MOST_FIELDS)
            .serve_connection(TokioIo::new(Box::pin(stream)), answer);
        let connection = graceful.watch(connection);
        tokio::spawn(async move {
            // A client that hangs up is no news.
            let _ = connection.await;
            drop(place);
        });
    }
    drop(listener);
    let _ = tokio::time::timeout(LAST, graceful.shutdown()).await;
}

/// The next connection. Where the machine has no room for one, it may have in a moment.
async fn accept(listener: &TcpListener) -> (tokio::net::TcpStream, SocketAddr) {
    loop {
        match listener.accept().await {
            Ok((stream, peer)) => {
                let _ = stream.set_nodelay(true);
                return (stream, peer);
            }
            Err(error) => {
                tracing::warn!(%error, "a connection could not be accepted");
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        }
    }
}
