//! Listening: connections in bounded number, each with its time limits, over TLS or plain; ends when it is told to.
//!
//! Contract: a listener is given, so tests use real sockets. Each request carries its [`Peer`] as an extension.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::extract::Request;
use hyper::body::Incoming;
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, watch};
use tokio_rustls::TlsAcceptor;
use tower::ServiceExt as _;

/// Connections of all listeners at once.
pub const MOST_CONNECTIONS: usize = 128;
/// Of them, how many one listener leaves free for the machine's own: somebody there always gets in.
const KEPT_FREE: usize = 8;
/// For the TLS handshake and for the head of a request.
const HEAD_WAIT: Duration = Duration::from_secs(10);
/// For requests that still run when the station ends.
const LAST_WAIT: Duration = Duration::from_millis(200);

/// The way a listener was reached.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Way {
    /// The machine itself.
    Here,
    /// The configured address.
    Far,
}

/// Who is at the other end.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Peer {
    /// Address.
    pub address: IpAddr,
    /// By which way.
    pub way: Way,
    /// Whether the connection is TLS, or something in front of the station made it so.
    pub is_secure: bool,
}

/// How a listener takes connections.
#[derive(Clone)]
pub struct Entrance {
    /// By which way.
    pub way: Way,
    /// TLS, if the station does it itself.
    pub tls: Option<TlsAcceptor>,
    /// Something in front does TLS.
    pub tls_in_front: bool,
    /// Places left; shared by all listeners.
    pub places: Arc<Semaphore>,
}

/// Takes connections until `end` is true, then waits a few seconds for those that run.
pub async fn listen(
    listener: TcpListener,
    entrance: Entrance,
    router: Router,
    mut end: watch::Receiver<bool>,
) {
    let mut running = tokio::task::JoinSet::new();
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            _ = end.wait_for(|end| *end) => break,
            Some(_) = running.join_next() => continue,
        };
        let Ok((stream, address)) = accepted else {
            // Out of file handles, mostly: it passes.
            tokio::time::sleep(Duration::from_millis(50)).await;
            continue;
        };
        let enough = entrance.way == Way::Here || entrance.places.available_permits() > KEPT_FREE;
        let Some(place) = enough.then(|| entrance.places.clone().try_acquire_owned().ok()).flatten() else {
            // Closing at once is the cheapest answer to who opens too many.
            continue;
        };
        let (router, entrance, end) = (router.clone(), entrance.clone(), end.clone());
        running.spawn(async move {
            serve(stream, address, &entrance, router, end).await;
            drop(place);
        });
    }
    drop(listener);
    let _ = tokio::time::timeout(LAST_WAIT, async { while running.join_next().await.is_some() {} }).await;
    running.shutdown().await;
}

async fn serve(
    stream: TcpStream,
    address: SocketAddr,
    entrance: &Entrance,
    router: Router,
    end: watch::Receiver<bool>,
) {
    let _ = stream.set_nodelay(true);
    let peer = Peer {
        address: address.ip().to_canonical(),
        way: entrance.way,
        is_secure: entrance.tls.is_some() || entrance.tls_in_front,
    };
    match &entrance.tls {
        None => talk(stream, peer, router, end).await,
        Some(tls) => {
            if let Ok(Ok(stream)) = tokio::time::timeout(HEAD_WAIT, tls.accept(stream)).await {
                talk(stream, peer, router, end).await;
            }
        }
    }
}

async fn talk<S: AsyncRead + AsyncWrite + Unpin>(
    stream: S,
    peer: Peer,
    router: Router,
    mut end: watch::Receiver<bool>,
) {
    let service = hyper::service::service_fn(move |request: hyper::Request<Incoming>| {
        let mut request: Request = request.map(Body::new);
        request.extensions_mut().insert(peer);
        router.clone().oneshot(request)
    });
    let connection = hyper::server::conn::http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_WAIT)
        .max_buf_size(64 * 1024)
        .max_headers(64)
        .serve_connection(TokioIo::new(stream), service);
    let mut connection = std::pin::pin!(connection);
    tokio::select! {
        // How a connection ends is the other side's affair.
        _ = connection.as_mut() => return,
        _ = end.wait_for(|end| *end) => {}
    }
    connection.as_mut().graceful_shutdown();
    let _ = connection.await;
}
