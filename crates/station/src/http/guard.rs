//! What every request passes before its route, and every answer after it.

use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::{FromRequest, FromRequestParts, MatchedPath, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use serde::de::DeserializeOwned;

use super::listen::{Peer, Way};
use super::problem::Problem;
use crate::app::{App, now_ms};
use crate::auth::door::{Shown, Who, shown};
use crate::auth::needs::{self, Need};

/// Longest time until an answer begins: the longest command and then some.
const LONGEST_ANSWER: Duration = Duration::from_secs(40);
/// What a log-in costs of the requests that an address may make.
const LOG_IN_COST: f64 = 10.0;

/// What a page of this station may do: nothing but its own files and its own API.
const CONTENT_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; \
    connect-src 'self'; manifest-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'";

/// Passes a request on, or answers it with what stands against it.
pub async fn guard(State(app): State<Arc<App>>, mut request: Request, next: Next) -> Response {
    let peer = peer_of(&request);
    let is_api = request.uri().path().starts_with("/api/") || request.uri().path() == "/metrics";
    let passed = pass(&app, &mut request, peer).await;
    let mut response = match passed {
        Err(problem) => problem.into_response(),
        Ok(()) => match tokio::time::timeout(LONGEST_ANSWER, next.run(request)).await {
            Ok(response) => response,
            Err(_) => Problem::busy("The answer took too long. Try again.").into_response(),
        },
    };
    let headers = response.headers_mut();
    // A drawing has a stricter one of its own.
    headers.entry(header::CONTENT_SECURITY_POLICY).or_insert(HeaderValue::from_static(CONTENT_POLICY));
    let mut set =
        |name: HeaderName, value: &'static str| headers.insert(name, HeaderValue::from_static(value));
    set(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    set(header::REFERRER_POLICY, "no-referrer");
    set(header::X_FRAME_OPTIONS, "DENY");
    set(HeaderName::from_static("cross-origin-opener-policy"), "same-origin");
    set(HeaderName::from_static("cross-origin-resource-policy"), "same-origin");
    set(
        HeaderName::from_static("permissions-policy"),
        "camera=(), microphone=(), geolocation=(), payment=(), usb=(), serial=()",
    );
    if is_api {
        set(header::CACHE_CONTROL, "no-store");
    }
    if peer.way == Way::Far && peer.is_secure {
        set(header::STRICT_TRANSPORT_SECURITY, "max-age=31536000");
    }
    response
}

/// Who is at the other end. A request that came through something else on this machine does not count as from here.
fn peer_of(request: &Request) -> Peer {
    const NOWHERE: Peer =
        Peer { address: IpAddr::V4(std::net::Ipv4Addr::UNSPECIFIED), way: Way::Far, is_secure: false };
    let mut peer = request.extensions().get::<Peer>().copied().unwrap_or(NOWHERE);
    let headers = request.headers();
    if headers.contains_key(header::FORWARDED)
        || headers.contains_key("x-forwarded-for")
        || headers.contains_key(header::VIA)
    {
        peer.way = Way::Far;
    }
    peer
}

async fn pass(app: &Arc<App>, request: &mut Request, peer: Peer) -> Result<(), Problem> {
    check_host(request, app)?;
    let path = request.extensions().get::<MatchedPath>().map(|path| path.as_str().to_owned());
    let is_log_in = request.method() == Method::POST
        && matches!(path.as_deref(), Some("/api/v1/session" | "/api/v1/account/first"));
    app.door.take(&peer, if is_log_in { LOG_IN_COST } else { 1.0 }, now_ms())?;
    let shown = shown(request.headers());
    let is_safe = matches!(*request.method(), Method::GET | Method::HEAD | Method::OPTIONS);
    if !is_safe && !matches!(shown, Shown::Bearer(_)) && !is_from_own_page(request.headers()) {
        return Err(Problem::foreign_page());
    }
    request.extensions_mut().insert(peer);
    let Some(path) = path else {
        // The page, or nothing that there is.
        return Ok(());
    };
    let Some(need) = needs::of(request.method(), &path) else {
        // A method that the path does not take is answered by the router; a path that is in no table by nobody.
        let known = needs::ROUTES.iter().any(|(_, known, _)| *known == path);
        return if known { Ok(()) } else { Err(Problem::not_allowed("This address is open to nobody.")) };
    };
    let shows_something = !matches!(shown, Shown::Nothing);
    let who =
        if shows_something { app.blocking(move |app| app.door.who(&shown, now_ms())).await? } else { None };
    if need != Need::Nothing {
        let Some(who) = &who else {
            return Err(Problem::log_in(if shows_something {
                "The session or token is not known, or has ended. Log in again, or ask the owner for another token."
            } else {
                "Log in on the station's page, or send a token as `Authorization: Bearer ...`."
            }));
        };
        if !who.may(need) {
            let (refused, what) = (who.clone(), format!("{} {path}", request.method()));
            app.blocking(move |app| {
                app.door.note_refusal(&refused, &what, &peer, now_ms());
                Ok(())
            })
            .await?;
            return Err(Problem::not_allowed(match need {
                Need::Session(_) => {
                    format!("{} may not do this; it takes a session with a higher role.", who.signature())
                }
                _ => format!(
                    "{} may not do this; it takes a higher role, or a token with another scope.",
                    who.signature()
                ),
            }));
        }
    }
    if let Some(who) = who {
        request.extensions_mut().insert(who);
    }
    Ok(())
}

/// A name that somebody else's name server gives this station's address must not make their page this station's.
fn check_host(request: &Request, app: &App) -> Result<(), Problem> {
    let host = request.uri().host().or_else(|| {
        let text = request.headers().get(header::HOST)?.to_str().ok()?;
        Some(without_port(text))
    });
    let Some(host) = host else {
        return Err(Problem::bad_request("The request names no host."));
    };
    let bare = host.trim_start_matches('[').trim_end_matches(']');
    let is_own = bare.parse::<IpAddr>().is_ok()
        || bare.eq_ignore_ascii_case("localhost")
        || app.host_names.iter().any(|name| name.eq_ignore_ascii_case(bare));
    if is_own { Ok(()) } else { Err(Problem::unknown_host()) }
}

fn without_port(host: &str) -> &str {
    match host.rsplit_once(':') {
        Some((name, port)) if port.chars().all(|c| c.is_ascii_digit()) && !name.ends_with(':') => {
            // An IPv6 address without brackets has more than one colon and no port.
            if name.contains(':') && !name.ends_with(']') { host } else { name }
        }
        _ => host,
    }
}

/// Whether a request that changes something comes from this station's own page: as the browser says (Fetch Metadata), or where it is an old
/// one, by the origin that it names. What is neither, such as a form of another site in an old browser, is not.
fn is_from_own_page(headers: &HeaderMap) -> bool {
    let text = |name: HeaderName| headers.get(name).and_then(|value| value.to_str().ok());
    match text(HeaderName::from_static("sec-fetch-site")) {
        Some(site) => site == "same-origin",
        None => {
            let (Some(origin), Some(host)) = (text(header::ORIGIN), text(header::HOST)) else { return false };
            origin
                .split_once("://")
                .is_some_and(|(scheme, rest)| matches!(scheme, "http" | "https") && rest == host)
        }
    }
}

/// Who asks; there for every route that needs somebody.
impl<S: Send + Sync> FromRequestParts<S> for Who {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Who, Problem> {
        parts.extensions.get::<Who>().cloned().ok_or_else(|| Problem::log_in("Log in first."))
    }
}

/// By which way somebody asks.
impl<S: Send + Sync> FromRequestParts<S> for Peer {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Peer, Problem> {
        parts
            .extensions
            .get::<Peer>()
            .copied()
            .ok_or_else(|| Problem::internal("The connection is not known."))
    }
}

/// A body as JSON; what is wrong with it goes out as a problem.
#[derive(Debug)]
pub struct Body<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned> FromRequest<S> for Body<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Self, Problem> {
        use axum::extract::rejection::JsonRejection;
        match axum::Json::<T>::from_request(request, state).await {
            Ok(axum::Json(value)) => Ok(Body(value)),
            Err(JsonRejection::MissingJsonContentType(_)) => Err(Problem::wrong_content()),
            Err(JsonRejection::BytesRejection(error)) if error.status().as_u16() == 413 => {
                Err(Problem::body_too_large())
            }
            // What serde says names the field and the place, and may repeat a word of the body: it goes to who sent it, and to no log.
            Err(error) => Err(Problem::bad_request(format!("The body does not fit: {}.", error.body_text()))),
        }
    }
}

/// A body as it is; one that is too long goes out as a problem.
#[derive(Debug)]
pub struct Raw(pub axum::body::Bytes);

impl<S: Send + Sync> FromRequest<S> for Raw {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Self, Problem> {
        match axum::body::Bytes::from_request(request, state).await {
            Ok(bytes) => Ok(Raw(bytes)),
            Err(error) if error.status().as_u16() == 413 => Err(Problem::body_too_large()),
            Err(error) => {
                Err(Problem::bad_request(format!("The body does not come: {}.", error.body_text())))
            }
        }
    }
}

/// A query string; what is wrong with it goes out as a problem.
#[derive(Debug)]
pub struct Ask<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned> FromRequestParts<S> for Ask<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        match axum::extract::Query::<T>::from_request_parts(parts, state).await {
            Ok(axum::extract::Query(value)) => Ok(Ask(value)),
            Err(error) => {
                Err(Problem::bad_request(format!("The query does not fit: {}.", error.body_text())))
            }
        }
    }
}

/// Parts of the path; what is wrong with them goes out as a problem.
#[derive(Debug)]
pub struct Place<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned + Send> FromRequestParts<S> for Place<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        match axum::extract::Path::<T>::from_request_parts(parts, state).await {
            Ok(axum::extract::Path(value)) => Ok(Place(value)),
            Err(error) => {
                Err(Problem::not_found(format!("There is nothing at this address: {}.", error.body_text())))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_own_page_may_change_anything() {
        let from = |pairs: &[(&'static str, &'static str)]| {
            let mut headers = HeaderMap::new();
            for (name, value) in pairs {
                headers.insert(HeaderName::from_static(name), HeaderValue::from_static(value));
            }
            is_from_own_page(&headers)
        };
        assert!(from(&[("sec-fetch-site", "same-origin")]));
        assert!(!from(&[("sec-fetch-site", "same-site")]));
        assert!(!from(&[
            ("sec-fetch-site", "cross-site"),
            ("origin", "http://reef:7480"),
            ("host", "reef:7480")
        ]));
        assert!(!from(&[("sec-fetch-site", "none")]));
        assert!(from(&[("origin", "https://reef:7443"), ("host", "reef:7443")]));
        assert!(!from(&[("origin", "https://reef:7443"), ("host", "reef:7480")]));
        assert!(!from(&[("origin", "null"), ("host", "reef")]));
        assert!(!from(&[]));
    }

    #[test]
    fn a_host_is_known_without_its_port() {
        for (text, host) in [
            ("reef:7480", "reef"),
            ("reef", "reef"),
            ("[::1]:7480", "[::1]"),
            ("[::1]", "[::1]"),
            ("::1", "::1"),
        ] {
            assert_eq!(without_port(text), host, "{text}");
        }
    }
}
