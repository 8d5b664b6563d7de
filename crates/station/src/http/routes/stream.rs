//! What changes, as server-sent events.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::stream;
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::watch;

use crate::app::{App, now_ms};
use crate::auth::door::{Shown, shown};
use crate::auth::needs::{Need, Scope};
use crate::feed::{Message, Subscription};
use crate::http::problem::{Problem, ProblemBody};
use crate::serve::until;
use crate::state;

/// Between two signs of life on a stream on which nothing happens.
const SIGN_OF_LIFE: Duration = Duration::from_secs(15);
/// So often a stream asks whether its reader may still read.
const LOOK_AGAIN: Duration = Duration::from_secs(20);

struct Stream {
    app: Arc<App>,
    shown: Arc<Shown>,
    reading: Subscription,
    waiting: std::collections::VecDeque<Event>,
    looked: tokio::time::Instant,
    ending: watch::Receiver<bool>,
    _place: OwnedPlace,
}

/// A place among the streams, given back when the stream ends.
struct OwnedPlace(Arc<App>);

impl Drop for OwnedPlace {
    fn drop(&mut self) {
        self.0.streams.add_permits(1);
    }
}

/// What changes, as it changes. `state` is everything that is now (first, and again for a reader that missed too much); `now` holds the boards with
/// what changed of them; `alarm` a change of state; `command` an outcome. Whoever comes back with `Last-Event-ID` gets what was missed.
#[utoipa::path(get, path = "/api/v1/events-stream", tag = "now", security(("session" = []), ("token" = [])),
    params(("Last-Event-ID" = Option<String>, Header, description = "Id of the last event that came")),
    responses((status = 200, body = String, content_type = "text/event-stream"),
        (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn events_stream(
    State(app): State<Arc<App>>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let Ok(permit) = app.streams.try_acquire() else {
        return Err(Problem::busy(
            "Too many pages watch already. Close one, or ask for /api/v1/state now and then.",
        ));
    };
    permit.forget();
    let place = OwnedPlace(app.clone());
    let last = headers.get("last-event-id").and_then(|value| value.to_str().ok());
    let reading = app.feed.subscribe(last);
    let mut stream = Stream {
        ending: app.ending.subscribe(),
        app,
        shown: Arc::new(shown(&headers)),
        reading,
        waiting: std::collections::VecDeque::new(),
        looked: tokio::time::Instant::now(),
        _place: place,
    };
    match stream.reading.missed.take() {
        Some(missed) => {
            let events: Vec<Event> = missed.iter().map(|message| stream.event(message)).collect();
            stream.waiting.extend(events);
        }
        None => {
            let whole = stream.whole().await?;
            stream.waiting.push_back(whole);
        }
    }
    let events = stream::unfold(stream, |mut stream| async move {
        let event = stream.next().await?;
        Some((Ok::<_, Infallible>(event), stream))
    });
    let alive = KeepAlive::new().interval(SIGN_OF_LIFE).text("");
    Ok(Sse::new(events).keep_alive(alive).into_response())
}

impl Stream {
    fn event(&self, message: &Message) -> Event {
        Event::default().id(self.app.feed.id(message.n)).event(message.event).data(&message.data)
    }

    async fn whole(&self) -> Result<Event, Problem> {
        let body = self.app.blocking(|app| Ok(state::now(app, now_ms()))).await?;
        let data = serde_json::to_string(&body).unwrap_or_default();
        Ok(Event::default().id(self.app.feed.id(self.reading.last)).event("state").data(data))
    }

    /// The next event; `None` ends the stream: the reader may read no more, or the station ends.
    async fn next(&mut self) -> Option<Event> {
        loop {
            if let Some(event) = self.waiting.pop_front() {
                return Some(event);
            }
            let look_at = self.looked + LOOK_AGAIN;
            let message = tokio::select! {
                message = self.reading.messages.recv() => message,
                // The page comes again by itself.
                () = until(&mut self.ending) => return None,
                () = tokio::time::sleep_until(look_at) => {
                    self.looked = tokio::time::Instant::now();
                    let shown = self.shown.clone();
                    let who = self.app.blocking(move |app| app.door.who(&shown, now_ms())).await.ok()??;
                    if !who.may(Need::Scope(Scope::Read)) {
                        return None;
                    }
                    continue;
                }
            };
            match message {
                Ok(message) if message.n > self.reading.last => {
                    self.reading.last = message.n;
                    return Some(self.event(&message));
                }
                Ok(_) => {}
                Err(RecvError::Lagged(_)) => {
                    let subscription = self.app.feed.subscribe(None);
                    self.reading.messages = subscription.messages;
                    self.reading.last = subscription.last;
                    return self.whole().await.ok();
                }
                Err(RecvError::Closed) => return None,
            }
        }
    }
}
