//! What the tests stand on: a private broker, a database of their own, the built program, clients.
//!
//! Owns starting and ending of processes. Everything started here ends with the value that holds it.

pub(crate) mod bench;
pub(crate) mod broker;
pub(crate) mod browser;
pub(crate) mod daemon;
pub(crate) mod data;
pub(crate) mod database;
pub(crate) mod http;
pub(crate) mod postgres;
pub(crate) mod process;
pub(crate) mod publisher;
pub(crate) mod random;
pub(crate) mod senml;
pub(crate) mod slow_link;
pub(crate) mod small_disk;

/// Makes one test of a function on each of the two stores.
macro_rules! on_both_stores {
    ($($name:ident),+ $(,)?) => {
        mod sqlite { $(#[test] fn $name() { super::$name(crate::support::database::Engine::Sqlite); })+ }
        mod postgres { $(#[test] fn $name() { super::$name(crate::support::database::Engine::Postgres); })+ }
    };
}
pub(crate) use on_both_stores;

use std::path::Path;
use std::time::{Duration, Instant};

/// The top of the source tree.
pub(crate) fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("tests/ lies in the tree")
}

/// A setting of the test run from the environment.
#[expect(clippy::disallowed_methods, reason = "a test run is configured by its environment, here alone")]
pub(crate) fn setting(name: &str) -> Option<String> {
    std::env::var(name).ok().filter(|value| !value.is_empty())
}

/// The wall clock, in whole milliseconds since 1970: messages of the tests claim to be of now.
#[expect(clippy::disallowed_methods, reason = "a unit's clock is what the test stands in for")]
pub(crate) fn now_ms() -> i64 {
    jiff::Timestamp::now().as_millisecond()
}

/// Asks again until there is an answer; names what was waited for when there is none in time.
pub(crate) fn eventually<T>(what: &str, within: Duration, mut ask: impl FnMut() -> Option<T>) -> T {
    let began = Instant::now();
    loop {
        if let Some(answer) = ask() {
            return answer;
        }
        assert!(began.elapsed() < within, "waited {within:?} for {what}");
        std::thread::sleep(POLL);
    }
}

/// Pause between two looks.
const POLL: Duration = Duration::from_millis(50);
