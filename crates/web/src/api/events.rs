//! `GET /api/v1/events`: the live stream of findings, as server-sent events that resume exactly.
//!
//! Owns where a stream begins and what it holds: one page of the stored log, nothing more, however slowly the client
//! reads. The log is the queue; a reader that lags is served from it, and one that stops is cut by the listener.

use std::collections::VecDeque;
use std::convert::Infallible;
use std::time::Duration;

use axum::extract::State;
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, Uri, header};
use axum::response::sse::{Event as Frame, Sse};
use axum::response::{IntoResponse, Response};
use futures::stream;
use notchwatch_desk::{Desk, DeskError};
use notchwatch_model::EventId;
use notchwatch_store::{Event, LogPart};
use serde::Deserialize;
use tokio::sync::watch;
use utoipa::IntoParams;

use super::view::EventView;
use super::{ApiCaller, input};
use crate::app::App;
use crate::caller::Credential;
use crate::problem::Problem;
use crate::streams::{Crowded, Place};

/// Events read from the log at one time: bounds what one stream holds.
const PAGE: usize = 50;
/// How long a browser waits before it connects again.
const RETRY: Duration = Duration::from_secs(2);
/// Where a reader that cannot resume gets the present state.
const SNAPSHOT: &str = "/api/v1/findings?open=true";

/// Where to begin.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields, default)]
#[into_params(parameter_in = Query)]
pub(crate) struct EventParams {
    /// Begin after this event id; `Last-Event-ID` comes first. Without either the stream begins now.
    after: Option<String>,
    /// `true`: say that the stream is alive by events named `alive` (without id), which scripts in a browser can see,
    /// and not only by comments.
    alive: Option<String>,
}

/// Where a stream begins.
#[derive(Debug, PartialEq, Eq)]
struct Start {
    position: EventId,
    /// Why it cannot begin where it was asked to.
    resync: Option<&'static str>,
}

/// Events of findings that the caller may see, live, each with its id.
#[utoipa::path(
    get, path = "/api/v1/events", tag = "events",
    params(EventParams, ("Last-Event-ID" = Option<String>, Header, description = "resume right after this event")),
    responses(
        (status = 200, content_type = "text/event-stream", body = EventView, description = "events opened, changed, lowered, revised, decided, closed; `resync` with the snapshot's address when the log cannot resume there or when an event in between cannot be read"),
        (status = 401, body = Problem), (status = 429, body = Problem), (status = 503, body = Problem),
    )
)]
pub(crate) async fn events(
    State(app): State<App>,
    caller: ApiCaller,
    headers: HeaderMap,
    uri: Uri,
) -> Result<Response, Problem> {
    let params: EventParams = input::query(&uri)?;
    let alive = input::maybe("alive", params.alive.as_ref())?.unwrap_or(false);
    let place = app.streams.enter(&caller.who.name).map_err(crowded)?;
    let newest = app.desk.watch_events();
    let asked = headers.get("last-event-id").map(|v| String::from_utf8_lossy(v.as_bytes()).into_owned());
    let start = begin(app.desk.event_range().await?, asked.or(params.after).as_deref());
    let live = Live {
        desk: app.desk.clone(),
        credential: caller.credential,
        newest,
        position: start.position,
        greeting: Some(greeting(&start)),
        ready: VecDeque::new(),
        lost: None,
        alive,
        quiet: app.options.limits.keep_alive,
        _place: place,
    };
    let shutdown = app.options.shutdown.clone();
    let frames = stream::unfold(live, move |live| {
        let shutdown = shutdown.clone();
        async move { shutdown.run_until_cancelled(live.next()).await.flatten() }
    });
    let mut response = Sse::new(frames).into_response();
    let headers = response.headers_mut();
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    // A proxy that buffers would make a live stream a late one.
    headers.insert(HeaderName::from_static("x-accel-buffering"), HeaderValue::from_static("no"));
    Ok(response)
}

/// One stream's state.
struct Live {
    desk: Desk,
    credential: Credential,
    newest: watch::Receiver<EventId>,
    position: EventId,
    greeting: Option<Frame>,
    ready: VecDeque<Event>,
    /// Where the page in hand begins, when events of it cannot be read: told before it, so that nobody who is cut in the
    /// middle goes on behind them.
    lost: Option<EventId>,
    alive: bool,
    quiet: Duration,
    _place: Place,
}

impl Live {
    /// The next frame. Ends when the caller is no longer proved or the store is closed.
    async fn next(mut self) -> Option<(Result<Frame, Infallible>, Self)> {
        if let Some(first) = self.greeting.take() {
            return Some((Ok(first), self));
        }
        loop {
            if let Some(before) = self.lost.take() {
                let frame = resync(Frame::default(), before, "an event after this one cannot be read");
                return Some((Ok(frame), self));
            }
            if let Some(event) = self.ready.pop_front() {
                let frame = self.frame(&event);
                return Some((Ok(frame), self));
            }
            // Marked as seen before the read: an event that commits in between wakes us again.
            self.newest.borrow_and_update();
            match self.read().await {
                Ok(Some(part)) if part.to > self.position => {
                    self.lost = (part.left_out > 0).then_some(self.position);
                    self.position = part.to;
                    self.ready = part.items.into();
                    continue;
                }
                Ok(Some(_)) => {}
                Ok(None) => return None,
                Err(error) => tracing::warn!(%error, "a live stream waits for the store"),
            }
            tokio::select! {
                changed = self.newest.changed() => changed.ok()?,
                () = tokio::time::sleep(self.quiet) => {
                    let frame = self.sign_of_life();
                    return Some((Ok(frame), self));
                }
            }
        }
    }

    /// The next part of the log; `None` when the caller is no longer proved. The proof is taken anew each time, so that a change
    /// of what a caller may see takes effect in a running stream.
    async fn read(&self) -> Result<Option<LogPart<Event, EventId>>, DeskError> {
        let Some(who) = self.credential.prove(&self.desk).await? else { return Ok(None) };
        self.desk.events_after(&who, self.position, PAGE).await.map(Some)
    }

    fn frame(&self, event: &Event) -> Frame {
        let view = EventView::new(event, self.desk.now());
        let data = serde_json::to_string(&view).unwrap_or_default();
        Frame::default().id(view.id).event(event.kind.word()).data(data)
    }

    fn sign_of_life(&self) -> Frame {
        let frame = Frame::default().comment("alive");
        if self.alive {
            frame.event("alive").data(format!("{{\"at\":\"{}\"}}", self.desk.now()))
        } else {
            frame
        }
    }
}

/// Where to begin, from the ids kept and the id asked for. Never silently live only.
fn begin(range: Option<(EventId, EventId)>, asked: Option<&str>) -> Start {
    let newest = range.map_or(EventId(0), |(_, newest)| newest);
    let resync = |why| Start { position: newest, resync: Some(why) };
    let Some(asked) = asked else { return Start { position: newest, resync: None } };
    let Ok(id) = asked.trim().parse::<EventId>() else { return resync("the id is not one of ours") };
    let oldest = range.map_or(EventId(1), |(oldest, _)| oldest);
    if id > newest {
        resync("the id lies in the future")
    } else if id.0 < oldest.0.saturating_sub(1) {
        resync("events after the id are no longer kept")
    } else {
        Start { position: id, resync: None }
    }
}

fn greeting(start: &Start) -> Frame {
    let frame = Frame::default().retry(RETRY);
    match start.resync {
        None => frame.comment("begins"),
        Some(reason) => resync(frame, start.position, reason),
    }
}

fn resync(frame: Frame, position: EventId, reason: &str) -> Frame {
    let told = serde_json::json!({ "snapshot": SNAPSHOT, "reason": reason });
    frame.id(position.to_string()).event("resync").data(told.to_string())
}

fn crowded(bound: Crowded) -> Problem {
    let detail = match bound {
        Crowded::Caller(most) => format!("you have {most} streams open, as many as one caller may"),
        Crowded::All(most) => format!("{most} streams are open, as many as there may be"),
    };
    Problem::new(StatusCode::TOO_MANY_REQUESTS, detail)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stream_begins_where_it_was_asked_to_or_says_why_not() {
        let kept = Some((EventId(100), EventId(200)));
        for (asked, position, resync) in [
            (None, 200, false),
            (Some("150"), 150, false),
            (Some("99"), 99, false),
            (Some("200"), 200, false),
            (Some("98"), 200, true),
            (Some("201"), 200, true),
            (Some("abc"), 200, true),
            (Some(""), 200, true),
            (Some("9223372036854775808"), 200, true),
        ] {
            let start = begin(kept, asked);
            assert_eq!((start.position.0, start.resync.is_some()), (position, resync), "{asked:?}");
        }
    }

    #[test]
    fn an_empty_log_resumes_from_its_begin_alone() {
        assert_eq!(begin(None, Some("0")), Start { position: EventId(0), resync: None });
        assert!(begin(None, Some("5")).resync.is_some());
    }
}
