//! Clocks that are wrong: refused with a reason and the time they claimed, and nothing they say counts as now.

use std::time::Duration;

use serde_json::Value;

use crate::support::bench::{HEALTHY_PA, PATH, REGISTER, pack, samples};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine};
use crate::support::http::Client;
use crate::support::senml::topic;
use crate::support::{eventually, now_ms, on_both_stores};

const UNIT: &str = "NM-11";
const SECOND_MS: i64 = 1000;
const DAY_S: i64 = 86_400;
/// Longest a message may be under way in this test without touching the edge of a tolerance.
const SLACK_S: i64 = 60;
/// Tolerances of the defaults, in seconds.
const AHEAD_S: i64 = 5 * 60;
const BEHIND_S: i64 = 30 * DAY_S;

on_both_stores!(a_wrong_clock_is_told_and_never_believed);

fn a_wrong_clock_is_told_and_never_believed(engine: Engine) {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let mut daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let client = daemon.administrator();
    let place = topic("northmoor", UNIT);
    let now = now_ms() / SECOND_MS;
    // Seconds as a wrong clock writes them, and why they are refused.
    let ahead = [
        (now + AHEAD_S + SLACK_S).to_string(),
        (now + 7 * 3600).to_string(),
        (now + 3 * 365 * DAY_S).to_string(),
        "253402300800".to_owned(), // The year 10000.
        "1e18".to_owned(),
        "1e300".to_owned(),
        (now * SECOND_MS).to_string(), // Milliseconds for seconds: nobody guesses.
        ((1_i64 << 28) - 1).to_string(), // Still relative to receipt, and eight years ahead of it.
    ];
    let behind = [
        (now - BEHIND_S - SLACK_S).to_string(),
        (1_i64 << 28).to_string(), // The first that is absolute, in 1978.
        "-1e18".to_owned(),
    ];
    let good = |offset_s: i64| (now + offset_s) * SECOND_MS;
    broker.publish(&place, pack(good(-300), HEALTHY_PA).as_bytes());
    for (number, claimed) in ahead.iter().chain(&behind).enumerate() {
        // The right record behind the wrong one counts.
        let text = format!(
            "[{{\"n\":\"coolant_temp\",\"u\":\"Cel\",\"v\":80,\"t\":{claimed}}},\
             {{\"n\":\"message_number\",\"v\":{number},\"t\":{}}}]",
            now - 200 + i64::try_from(number).expect("a small number")
        );
        broker.publish(&place, text.as_bytes());
    }
    let wrong = ahead.len() + behind.len();
    eventually("every refusal", PATH, || (clock_refusals(&client).len() == wrong).then_some(()));
    eventually("every right record", PATH, || {
        (samples(&client, "northmoor", UNIT, "message_number").len() == wrong).then_some(())
    });
    let refused = clock_refusals(&client);
    let of = |reason: &str| refused.iter().filter(|row| row["reason"] == reason).count();
    assert_eq!((of("clock-ahead"), of("clock-behind")), (ahead.len(), behind.len()));
    for row in &refused {
        assert_eq!((&row["railway"], &row["unit"]), (&"northmoor".into(), &UNIT.into()), "{row}");
        assert!(row["detail"].as_str().is_some_and(|text| text.contains("event time")), "{row}");
    }
    let newest = || unit(&client)["judged"].as_str().map(millis);
    eventually("the right records to be judged", PATH, || {
        (newest() == Some((now - 200 + i64::try_from(wrong).expect("small") - 1) * SECOND_MS)).then_some(())
    });

    // Slightly ahead is within the tolerance, and becomes the newest. A straggler between is no longer the newest,
    // and counts all the same: no clock has moved a mark past it.
    broker.publish(&place, pack(good(120), HEALTHY_PA).as_bytes());
    eventually("the newest", PATH, || (newest() == Some(good(120))).then_some(()));
    broker.publish(&place, pack(good(-100), HEALTHY_PA).as_bytes());
    let counted = (2 * 3 + wrong).to_string();
    eventually("the straggler", PATH, || (unit(&client)["samples"] == *counted).then_some(()));
    assert_eq!(newest(), Some(good(120)));
    let times: Vec<i64> =
        samples(&client, "northmoor", UNIT, "coolant_temp").into_iter().map(|(at, _)| at).collect();
    assert_eq!(times, [good(-300), good(-100), good(120)]);
    let findings = client.get("/api/v1/findings").items();
    assert!(findings.iter().all(|f| f["kind"] != "machine"), "{findings:#?}");

    // What was refused stays refused over a restart, and the process is in good health with it.
    assert!(daemon.terminate(Duration::from_secs(10)).success());
    daemon.restart();
    assert_eq!((clock_refusals(&client).len(), newest()), (wrong, Some(good(120))));
}

fn clock_refusals(client: &Client) -> Vec<Value> {
    let rows = client.get("/api/v1/quarantine").items();
    rows.into_iter().filter(|row| row["reason"].as_str().is_some_and(|r| r.starts_with("clock-"))).collect()
}

fn unit(client: &Client) -> Value {
    let units = client.get("/api/v1/units?railway=northmoor").items();
    units.into_iter().find(|unit| unit["unit"] == UNIT).expect("it is registered")
}

fn millis(text: &str) -> i64 {
    text.parse::<jiff::Timestamp>().expect("RFC 3339").as_millisecond()
}
