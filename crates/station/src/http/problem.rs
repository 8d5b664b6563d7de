//! Errors as they go out: RFC 9457 problem details. Each says what happened and what to do.

use axum::Json;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;

/// The body of every answer that is not a success, `application/problem+json`.
#[derive(Serialize, ToSchema, Debug, Clone, PartialEq, Eq)]
pub struct ProblemBody {
    /// Which problem: `urn:tidewright:problem:` and a stable word in kebab case.
    #[serde(rename = "type")]
    pub kind: String,
    /// The problem in a few words; the same for every occurrence.
    pub title: &'static str,
    /// The HTTP status.
    pub status: u16,
    /// What happened here, and what to do.
    pub detail: String,
    /// The rows that it is about, of some problems.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<Object>, required = false)]
    pub rows: Vec<Value>,
}

/// A problem: an answer other than success.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    status: StatusCode,
    id: &'static str,
    title: &'static str,
    detail: String,
    retry_s: Option<u64>,
    bearer: bool,
    rows: Vec<Value>,
}

impl Problem {
    fn new(status: StatusCode, id: &'static str, title: &'static str, detail: impl Into<String>) -> Self {
        Problem { status, id, title, detail: detail.into(), retry_s: None, bearer: false, rows: vec![] }
    }

    /// What was sent makes no sense.
    pub fn bad_request(detail: impl Into<String>) -> Self {
        Problem::new(StatusCode::BAD_REQUEST, "bad-request", "The request cannot be read", detail)
    }

    /// What was sent can be read, but is not possible.
    pub fn not_possible(detail: impl Into<String>) -> Self {
        Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "not-possible", "This is not possible", detail)
    }

    /// Nobody is logged in, or not any more.
    pub fn log_in(detail: impl Into<String>) -> Self {
        let problem = Problem::new(StatusCode::UNAUTHORIZED, "log-in", "Log in first", detail);
        Problem { bearer: true, ..problem }
    }

    /// Name, password or code is wrong; which one is not said.
    pub fn wrong_credentials() -> Self {
        let detail = "Name and password do not go together, or the one-time code is wrong or was used. Try again; a code is new every 30 s.";
        Problem::new(StatusCode::UNAUTHORIZED, "wrong-credentials", "The log-in is wrong", detail)
    }

    /// The password is right, and a one-time code is needed beside it.
    pub fn code_needed() -> Self {
        let detail = "This account has one-time codes: send the code of now, or a recovery code, as `code`.";
        Problem::new(StatusCode::UNAUTHORIZED, "code-needed", "A one-time code is needed", detail)
    }

    /// Who is known may not do this.
    pub fn not_allowed(detail: impl Into<String>) -> Self {
        Problem::new(StatusCode::FORBIDDEN, "not-allowed", "This is not allowed", detail)
    }

    /// The request seems to come from another site's page.
    pub fn foreign_page() -> Self {
        let detail = "The request came from a page of another site, or does not say where it came from. Use this station's own page, or a token.";
        Problem::new(StatusCode::FORBIDDEN, "foreign-page", "The request came from another page", detail)
    }

    /// The name in the address bar is none of this station's.
    pub fn unknown_host() -> Self {
        let detail = "The station does not know itself by this name. Use its address, or add the name to `names` in [http] of the station file.";
        Problem::new(
            StatusCode::MISDIRECTED_REQUEST,
            "unknown-host",
            "The name is not this station's",
            detail,
        )
    }

    /// There is no such thing.
    pub fn not_found(detail: impl Into<String>) -> Self {
        Problem::new(StatusCode::NOT_FOUND, "not-found", "There is no such thing", detail)
    }

    /// The path is there, the method is not.
    pub fn wrong_method() -> Self {
        let detail = "This address does not take this method. /api/v1/openapi.json says what each takes.";
        Problem::new(StatusCode::METHOD_NOT_ALLOWED, "wrong-method", "The method is not taken here", detail)
    }

    /// It stands against what is now.
    pub fn conflict(detail: impl Into<String>) -> Self {
        Problem::new(StatusCode::CONFLICT, "conflict", "This does not fit what is now", detail)
    }

    /// A change is compared before it is sent, and it was not yet.
    pub fn compare_first(detail: impl Into<String>) -> Self {
        Problem::new(StatusCode::CONFLICT, "compare-first", "It is to be compared first", detail)
    }

    /// Rows get worse, and nobody says why.
    pub fn reasons_wanted(detail: impl Into<String>, rows: Vec<Value>) -> Self {
        let problem =
            Problem::new(StatusCode::CONFLICT, "reasons-wanted", "Rows get worse without a reason", detail);
        Problem { rows, ..problem }
    }

    /// The body is too large.
    pub fn too_large(most: usize) -> Self {
        let detail = format!("The body is larger than {} KiB. Send less at a time.", most / 1024);
        Problem::new(StatusCode::PAYLOAD_TOO_LARGE, "too-large", "The body is too large", detail)
    }

    /// The body is larger than its address takes.
    pub fn body_too_large() -> Self {
        let detail = "The body is larger than this address takes: docs/api.md says how large each may be. Send less at a time.";
        Problem::new(StatusCode::PAYLOAD_TOO_LARGE, "too-large", "The body is too large", detail)
    }

    /// The body is of another kind.
    pub fn wrong_content() -> Self {
        let detail = "Send the body as `application/json`, and say so in Content-Type.";
        Problem::new(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "wrong-content",
            "The body is of another kind",
            detail,
        )
    }

    /// Too many requests or guesses.
    pub fn wait(seconds: u64, detail: impl Into<String>) -> Self {
        let problem = Problem::new(StatusCode::TOO_MANY_REQUESTS, "wait", "Wait a while", detail);
        Problem { retry_s: Some(seconds.max(1)), ..problem }
    }

    /// The station cannot do it now.
    pub fn busy(detail: impl Into<String>) -> Self {
        let problem = Problem::new(StatusCode::SERVICE_UNAVAILABLE, "busy", "The station is busy", detail);
        Problem { retry_s: Some(2), ..problem }
    }

    /// The store does not do what it should.
    pub fn store(error: impl std::fmt::Display) -> Self {
        let detail = format!("The store failed: {error}. Look at the disk of the station and at its log.");
        Problem {
            retry_s: Some(10),
            ..Problem::new(StatusCode::SERVICE_UNAVAILABLE, "store", "The store failed", detail)
        }
    }

    /// Something that must not happen did.
    pub fn internal(detail: impl Into<String>) -> Self {
        Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "internal", "The station made a mistake", detail)
    }

    /// The HTTP status.
    pub fn status(&self) -> StatusCode {
        self.status
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let body = ProblemBody {
            kind: format!("urn:tidewright:problem:{}", self.id),
            title: self.title,
            status: self.status.as_u16(),
            detail: self.detail,
            rows: self.rows,
        };
        let mut response = (self.status, Json(body)).into_response();
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        if let Some(seconds) = self.retry_s {
            headers.insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        if self.bearer {
            headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer realm=\"tidewright\""));
        }
        response
    }
}
