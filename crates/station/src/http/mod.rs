//! The way in: the API over HTTP, and the page.
//!
//! | module | holds |
//! |---|---|
//! | [`listen`], [`tls`] | sockets, time limits, certificates |
//! | [`guard`] | what every request passes: host, rate, other sites' pages, who it is, headers of the answer |
//! | [`problem`] | errors as they go out |
//! | [`routes`] | every route, with its OpenAPI description |
//! | [`metrics`] | OpenMetrics text |
//! | [`page`] | the files of the page, embedded |
//! | `pieces` | long answers, written while they go out |

pub mod guard;
pub mod listen;
pub mod metrics;
pub mod page;
mod pieces;
pub mod problem;
pub mod routes;
pub mod tls;

use std::sync::Arc;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use utoipa::openapi::OpenApi;

use crate::app::App;

/// Longest body of a request, bytes.
pub const LONGEST_BODY: usize = 64 * 1024;

/// Everything that is served.
pub fn router(app: Arc<App>) -> Router {
    let (api, document) = routes::all().split_for_parts();
    let document: Arc<str> = document.to_json().unwrap_or_default().into();
    api.route(
        "/api/openapi.json",
        axum::routing::get(move || {
            let document = document.clone();
            async move { ([(axum::http::header::CONTENT_TYPE, "application/json")], document.to_string()) }
        }),
    )
    .method_not_allowed_fallback(|| async { problem::Problem::wrong_method() })
    .fallback(page::serve)
    .layer(DefaultBodyLimit::max(LONGEST_BODY))
    .layer(axum::middleware::from_fn_with_state(app.clone(), guard::guard))
    .with_state(app)
}

/// The description of the API.
pub fn openapi() -> OpenApi {
    routes::all().split_for_parts().1
}
