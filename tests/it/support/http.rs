//! An HTTP client of the API, and a reader of its event stream.
//!
//! Owns requests as a caller makes them. Refuses to interpret: a test says what an answer should be.

use std::io::{BufRead, BufReader};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::{Duration, Instant};

use serde_json::Value;
use ureq::Agent;

/// How long a plain request may take before the test fails.
const REQUEST: Duration = Duration::from_secs(20);
/// Events read ahead of the test; the reader waits when it is full.
const READ_AHEAD: usize = 10_000;

/// A caller with a token, or without one.
#[derive(Clone, Debug)]
pub(crate) struct Client {
    base: String,
    token: Option<String>,
    agent: Agent,
}

/// What came back.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) content_type: String,
    pub(crate) text: String,
}

impl Answer {
    /// The body as JSON.
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|e| panic!("{}: {e}: {}", self.status, self.text))
    }

    /// The items of a list.
    pub(crate) fn items(&self) -> Vec<Value> {
        assert_eq!(self.status, 200, "{}", self.text);
        self.json()["items"].as_array().unwrap_or_else(|| panic!("no items: {}", self.text)).clone()
    }
}

impl Client {
    pub(crate) fn new(base: &str, token: Option<&str>) -> Self {
        let agent = Agent::config_builder()
            .http_status_as_error(false)
            .max_redirects(0)
            .timeout_global(Some(REQUEST))
            .build()
            .new_agent();
        Self { base: base.to_owned(), token: token.map(str::to_owned), agent }
    }

    pub(crate) fn get(&self, path: &str) -> Answer {
        self.try_get(path).unwrap_or_else(|e| panic!("GET {path}: {e}"))
    }

    /// As [`Client::get`], for a server that may not be there.
    pub(crate) fn try_get(&self, path: &str) -> Result<Answer, ureq::Error> {
        let mut request = self.agent.get(format!("{}{path}", self.base));
        if let Some(token) = &self.token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        answer(request.call()?)
    }

    /// Sends JSON with a method.
    pub(crate) fn send(&self, method: &str, path: &str, body: &Value) -> Answer {
        self.request(method, path, None, body)
    }

    /// An act on a finding, on the version that was seen.
    pub(crate) fn act(&self, finding: &str, act: &str, seen: &str, body: &Value) -> Answer {
        self.request("POST", &format!("/api/v1/findings/{finding}/{act}"), Some(seen), body)
    }

    fn request(&self, method: &str, path: &str, seen: Option<&str>, body: &Value) -> Answer {
        let mut request = ureq::http::Request::builder()
            .method(method)
            .uri(format!("{}{path}", self.base))
            .header("content-type", "application/json");
        if let Some(version) = seen {
            request = request.header("if-match", format!("\"{version}\""));
        }
        if let Some(token) = &self.token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        let request = request.body(body.to_string()).expect("a request");
        let sent = self.agent.run(request).and_then(answer);
        sent.unwrap_or_else(|e| panic!("{method} {path}: {e}"))
    }

    /// Opens the event stream, after the event named or from now on.
    pub(crate) fn events(&self, after: Option<&str>) -> Events {
        self.try_events(after).expect("the stream opens")
    }

    /// As [`Client::events`], for a server that may not be there.
    pub(crate) fn try_events(&self, after: Option<&str>) -> Result<Events, ureq::Error> {
        let agent = Agent::config_builder().build().new_agent();
        let mut request = agent.get(format!("{}/api/v1/events", self.base));
        if let Some(token) = &self.token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        if let Some(id) = after {
            request = request.header("last-event-id", id);
        }
        let response = request.call()?;
        let (sender, receiver) = sync_channel(READ_AHEAD);
        std::thread::spawn(move || {
            let mut event = Event::default();
            for line in BufReader::new(response.into_body().into_reader()).lines() {
                let Ok(line) = line else { break };
                if let Some(done) = event.line(&line)
                    && sender.send(done).is_err()
                {
                    break;
                }
            }
        });
        Ok(Events { receiver })
    }
}

fn answer(mut response: ureq::http::Response<ureq::Body>) -> Result<Answer, ureq::Error> {
    let content_type = response
        .headers()
        .get("content-type")
        .and_then(|value| value.to_str().ok())
        .unwrap_or_default()
        .to_owned();
    let text = response.body_mut().with_config().limit(64 << 20).read_to_string()?;
    Ok(Answer { status: response.status().as_u16(), content_type, text })
}

/// One event of the stream (WHATWG HTML, server-sent events).
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub(crate) struct Event {
    pub(crate) id: String,
    pub(crate) name: String,
    pub(crate) data: String,
}

impl Event {
    /// Takes a line; gives the event that an empty line ends.
    fn line(&mut self, line: &str) -> Option<Event> {
        if line.is_empty() {
            let done = std::mem::take(self);
            return (!done.data.is_empty() || !done.name.is_empty()).then_some(done);
        }
        let (field, value) = line.split_once(':').unwrap_or((line, ""));
        let value = value.strip_prefix(' ').unwrap_or(value);
        match field {
            "id" => value.clone_into(&mut self.id),
            "event" => value.clone_into(&mut self.name),
            "data" if self.data.is_empty() => value.clone_into(&mut self.data),
            "data" => self.data = format!("{}\n{value}", self.data),
            _ => {}
        }
        None
    }

    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.data).unwrap_or_else(|e| panic!("{e}: {}", self.data))
    }
}

/// The stream as it is read.
#[derive(Debug)]
pub(crate) struct Events {
    receiver: Receiver<Event>,
}

impl Events {
    /// The next event that passes; the test fails when none comes in time.
    pub(crate) fn next(&self, what: &str, within: Duration, mut pass: impl FnMut(&Event) -> bool) -> Event {
        let until = Instant::now() + within;
        loop {
            match self.receiver.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(event) if pass(&event) => return event,
                Ok(_) => {}
                Err(e) => panic!("waited {within:?} on the stream for {what}: {e}"),
            }
        }
    }

    /// The next event, if one comes in time; `Err` when the stream has ended.
    pub(crate) fn poll(&self, within: Duration) -> Result<Option<Event>, RecvTimeoutError> {
        match self.receiver.recv_timeout(within) {
            Ok(event) => Ok(Some(event)),
            Err(RecvTimeoutError::Timeout) => Ok(None),
            Err(ended) => Err(ended),
        }
    }

    /// Whether the server ends the stream in time; events before the end are dropped.
    pub(crate) fn ends(&self, within: Duration) -> bool {
        let until = Instant::now() + within;
        loop {
            match self.receiver.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(_) => {}
                Err(e) => return e == RecvTimeoutError::Disconnected,
            }
        }
    }
}

#[test]
fn a_stream_is_cut_into_events() {
    let mut event = Event::default();
    let text =
        ": hello\n\nid: 7\nevent: finding\ndata: {\"a\":1,\ndata: \"b\":2}\n\nid:8\nevent:resync\ndata\n\n";
    let events: Vec<Event> = text.split('\n').filter_map(|line| event.line(line)).collect();
    assert_eq!(events.len(), 2, "{events:?}");
    assert_eq!((events[0].id.as_str(), events[0].name.as_str()), ("7", "finding"));
    assert_eq!(events[0].json()["b"], 2);
    assert_eq!(
        (events[1].id.as_str(), events[1].name.as_str(), events[1].data.as_str()),
        ("8", "resync", "")
    );
}
