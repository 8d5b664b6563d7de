//! The files of the page, embedded when the program was built. Without a built page a line says so.

use axum::extract::Request;
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::response::{IntoResponse, Response};

use super::problem::Problem;

/// A file of the page.
struct File {
    /// Path, beginning with `/`.
    path: &'static str,
    /// Media type.
    kind: &'static str,
    /// Its name holds a hash of its content, so it never changes.
    is_fixed: bool,
    /// As it is.
    plain: &'static [u8],
    /// Compressed by gzip, if that is shorter. It holds no secret, so compressing does no harm.
    gzip: Option<&'static [u8]>,
}

include!(concat!(env!("OUT_DIR"), "/page_files.rs"));

/// Whether there is a page in this program.
pub fn is_there() -> bool {
    !FILES.is_empty()
}

const NO_PAGE: &str = "This station was built without its page: run `make page`, then build it again.\n\
    The API is there: /api/openapi.json describes it.\n";

/// Answers whatever is no route: with a file of the page, or with its first file where a path looks like one of its views.
pub async fn serve(request: Request) -> Response {
    let path = request.uri().path();
    if path.starts_with("/api/") {
        return Problem::not_found("There is no such address. /api/openapi.json lists all of them.")
            .into_response();
    }
    if !matches!(*request.method(), Method::GET | Method::HEAD) {
        return Problem::wrong_method().into_response();
    }
    let wanted = if path == "/" { "/index.html" } else { path };
    let file = FILES.iter().find(|file| file.path == wanted);
    let is_view = !path.rsplit('/').next().unwrap_or("").contains('.');
    match file.or_else(|| FILES.iter().find(|file| is_view && file.path == "/index.html")) {
        Some(file) => send(file, request.headers()),
        None if FILES.is_empty() && is_view => {
            (StatusCode::OK, [(header::CONTENT_TYPE, "text/plain; charset=utf-8")], NO_PAGE).into_response()
        }
        None => Problem::not_found("There is no such file.").into_response(),
    }
}

fn send(file: &'static File, headers: &HeaderMap) -> Response {
    let takes_gzip =
        headers.get(header::ACCEPT_ENCODING).and_then(|value| value.to_str().ok()).is_some_and(|value| {
            value.split(',').any(|coding| coding.split(';').next().is_some_and(|c| c.trim() == "gzip"))
        });
    let cache = if file.is_fixed { "public, max-age=31536000, immutable" } else { "no-cache" };
    let head = [
        (header::CONTENT_TYPE, file.kind),
        (header::CACHE_CONTROL, cache),
        (header::VARY, "Accept-Encoding"),
    ];
    match file.gzip.filter(|_| takes_gzip) {
        Some(gzip) => (head, [(header::CONTENT_ENCODING, "gzip")], gzip).into_response(),
        None => (head, file.plain).into_response(),
    }
}
