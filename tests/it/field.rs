//! Cases that systems of this kind get wrong in the field, end to end: what is sent here is made here.

use std::time::Duration;

use crate::support::bench::{HEALTHY_PA, LOW_PA, PATH, REGISTER, finding_of, pack, samples};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine};
use crate::support::http::Client;
use crate::support::senml::{snapshot, topic};
use crate::support::{eventually, now_ms, on_both_stores};

const MINUTE_MS: i64 = 60_000;

on_both_stores!(
    a_repeated_message_and_a_repeated_record_count_once,
    a_bad_record_costs_only_itself,
    a_value_that_dances_round_a_limit_is_one_finding,
    calm_after_a_dance_ends_its_finding_once,
);

fn number_of(client: &Client, unit: &str, channel: &str) -> usize {
    samples(client, "northmoor", unit, channel).len()
}

fn wait_for_samples(client: &Client, unit: &str, channel: &str, number: usize) {
    eventually(&format!("{number} samples of {channel} of {unit}"), PATH, || {
        (number_of(client, unit, channel) >= number).then_some(())
    });
}

fn quarantined(client: &Client, reason: &str) -> usize {
    client.get("/api/v1/quarantine").items().iter().filter(|row| row["reason"] == reason).count()
}

/// One message far above a client library's usual inbound limit, and one above our own: what stands behind arrives.
#[test]
fn a_large_message_stops_nothing() {
    const RECORDS: i64 = 6_000;
    let (broker, database) = (Broker::start(), Database::new(Engine::Sqlite));
    let daemon = Daemon::start_with(&broker, &database, &[REGISTER], "[limits]\nmessage_bytes = 300000\n");
    let client = daemon.administrator();
    let ours = topic("northmoor", "NM-11");
    let first = now_ms() / 1000 - RECORDS;
    let large = |records: i64| {
        let rows: Vec<String> =
            (0..records).map(|n| format!("{{\"n\":\"message_number\",\"t\":{n},\"v\":{n}}}")).collect();
        format!("[{{\"bt\":{first}}},{}]", rows.join(","))
    };
    broker.publish(&ours, large(RECORDS).as_bytes());
    broker.publish(&ours, large(2 * RECORDS).as_bytes());
    for minute in 1..=10 {
        broker.publish(&ours, pack(now_ms() - minute * MINUTE_MS, HEALTHY_PA).as_bytes());
    }
    wait_for_samples(&client, "NM-11", "oil_pressure", 10);
    assert_eq!(number_of(&client, "NM-11", "message_number"), 6_000, "the one under the limit is whole");
    assert_eq!(quarantined(&client, "too-large"), 1, "the one over it is counted, once");
    assert_eq!(daemon.anonymous().get("/readyz").status, 200);
}

fn a_repeated_message_and_a_repeated_record_count_once(engine: Engine) {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let mut daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let client = daemon.client("reader", "viewer", None);
    let now = now_ms();
    let twice = snapshot(
        now,
        &[
            ("oil_pressure", "Pa", 400_000.0),
            ("coolant_temp", "Cel", 80.0),
            ("oil_pressure", "Pa", 400_000.0),
        ],
    );
    for _ in 0..3 {
        broker.publish(&topic("northmoor", "NM-11"), twice.as_bytes());
    }
    // Contradictory values of one moment are settled by a rule that does not look at the order of arrival.
    for (unit, order) in [("NM-11", [70.0, 75.0]), ("NM-12", [75.0, 70.0])] {
        for value in order {
            let message = snapshot(now - MINUTE_MS, &[("coolant_temp", "Cel", value)]);
            broker.publish(&topic("northmoor", unit), message.as_bytes());
        }
    }
    wait_for_samples(&client, "NM-12", "coolant_temp", 1);
    wait_for_samples(&client, "NM-11", "coolant_temp", 2);
    broker.publish(&topic("northmoor", "NM-12"), pack(now, HEALTHY_PA).as_bytes());
    wait_for_samples(&client, "NM-12", "oil_pressure", 1);
    assert_eq!(samples(&client, "northmoor", "NM-11", "oil_pressure"), [(now, 400_000.0)]);
    for unit in ["NM-11", "NM-12"] {
        let first = samples(&client, "northmoor", unit, "coolant_temp").first().copied();
        assert_eq!(first, Some((now - MINUTE_MS, 75.0)), "the larger stays, whichever came first");
    }
    // Counted once each, as sent: what the models saw, what repeated it, what contradicted it.
    let counts = |unit: &str| {
        let units = client.get("/api/v1/units?railway=northmoor").items();
        let found = units.into_iter().find(|found| found["unit"] == unit).expect("it is registered");
        ["samples", "repeats", "conflicts"].map(|of| found[of].as_str().unwrap_or_default().to_owned())
    };
    let settled = [("NM-11", ["3", "7", "1"]), ("NM-12", ["3", "0", "1"])];
    for (unit, wanted) in settled {
        eventually(&format!("{wanted:?} of {unit}"), PATH, || (counts(unit) == wanted).then_some(()));
    }
    assert!(daemon.terminate(Duration::from_secs(10)).success());
    daemon.restart();
    for (unit, wanted) in settled {
        assert_eq!(counts(unit), wanted, "and no more of them after a restart");
    }
}

fn a_bad_record_costs_only_itself(engine: Engine) {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let client = daemon.administrator();
    let (now, ours) = (now_ms(), topic("northmoor", "NM-11"));
    let seconds = now / 1000;
    for bad in ["null", "1e999", "\"80\"", "true"] {
        let before = number_of(&client, "NM-11", "oil_pressure");
        let at = seconds - i64::try_from(before).expect("a small number");
        let message = format!(
            "[{{\"bt\":{at},\"n\":\"coolant_temp\",\"u\":\"Cel\",\"v\":{bad}}},\
             {{\"n\":\"oil_pressure\",\"u\":\"Pa\",\"v\":3.5}}]"
        );
        broker.publish(&ours, message.as_bytes());
        wait_for_samples(&client, "NM-11", "oil_pressure", before + 1);
    }
    assert!(samples(&client, "northmoor", "NM-11", "coolant_temp").is_empty());
    let good: Vec<f64> =
        samples(&client, "northmoor", "NM-11", "oil_pressure").into_iter().map(|(_, value)| value).collect();
    assert_eq!(good, [3.5; 4]);
    let refused = client.get("/api/v1/quarantine").items();
    assert_eq!(refused.len(), 4, "{refused:#?}");
}

/// Two hours round the limit, a restart in between: one finding, not a hundred.
fn a_value_that_dances_round_a_limit_is_one_finding(engine: Engine) {
    const LIMIT_PA: f64 = 150_000.0;
    let (broker, database) = (Broker::start(), Database::new(engine));
    let mut daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let client = daemon.client("reader", "viewer", None);
    let ours = topic("northmoor", "NM-11");
    let first = now_ms() - 120 * MINUTE_MS;
    let dance: Vec<String> = (0..120)
        .map(|minute| {
            let beyond = if minute % 2 == 0 { 0.99 } else { 1.2 };
            snapshot(first + minute * MINUTE_MS, &[("oil_pressure", "Pa", LIMIT_PA * beyond)])
        })
        .collect();
    broker.publish_lines(&ours, &dance[..60]).finish();
    wait_for_samples(&client, "NM-11", "oil_pressure", 60);
    finding_of(&client, "NM-11");
    daemon.kill();
    daemon.restart();
    broker.publish_lines(&ours, &dance[60..]).finish();
    wait_for_samples(&client, "NM-11", "oil_pressure", 120);
    let limits = eventually("the dance to be judged to its end", PATH, || {
        let found = client.get("/api/v1/findings").items();
        let about: Vec<_> = found.into_iter().filter(|f| f["system"] == "lubrication").collect();
        about.iter().any(|f| f["unstable"] == true).then_some(about)
    });
    assert_eq!(limits.len(), 1, "{limits:#?}");
}

/// Two hours a percent to either side of the limit, a restart in between, then four days of calm: one finding, at most
/// three notices of it, and the last of them, told once, is that it ended.
fn calm_after_a_dance_ends_its_finding_once(engine: Engine) {
    const LIMIT_PA: f64 = 150_000.0;
    const CALM: i64 = 4 * 24 * 60;
    let (broker, database) = (Broker::start(), Database::new(engine));
    let mut daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let client = daemon.client("reader", "viewer", None);
    let ours = topic("northmoor", "NM-11");
    let first = now_ms() - (CALM + 120) * MINUTE_MS;
    let at = |minute: i64, pressure: f64| {
        snapshot(first + minute * MINUTE_MS, &[("oil_pressure", "Pa", pressure)])
    };
    let dance: Vec<String> =
        (0..120).map(|minute| at(minute, LIMIT_PA * if minute % 2 == 0 { 0.99 } else { 1.01 })).collect();
    broker.publish_lines(&ours, &dance[..60]).finish();
    wait_for_samples(&client, "NM-11", "oil_pressure", 60);
    finding_of(&client, "NM-11");
    daemon.kill();
    daemon.restart();
    broker.publish_lines(&ours, &dance[60..]).finish();
    // In steps after which the bench's wobble differs, as a sensor that does not move would be a matter of its own.
    let healthy = |minute: i64| pack(first + minute * MINUTE_MS, HEALTHY_PA);
    let calm: Vec<String> = (120..CALM + 120).step_by(11).map(healthy).collect();
    broker.publish_lines(&ours, &calm).finish();
    let about = || {
        let found = client.get("/api/v1/findings").items();
        found.into_iter().filter(|f| f["unit"] == "NM-11" && f["system"] == "lubrication").collect::<Vec<_>>()
    };
    let ended = eventually("the finding to end", Duration::from_mins(2), || {
        let found = about();
        let ended = !found.is_empty() && found.iter().all(|f| f["outcome"] == "returned-to-normal");
        ended.then_some(found)
    });
    assert_eq!(ended.len(), 1, "{ended:#?}");
    let id = ended[0]["id"].as_str().expect("an id").to_owned();
    let history = client.get(&format!("/api/v1/findings/{id}/history")).items();
    let told: Vec<&str> = history.iter().filter_map(|line| line["what"].as_str()).collect();
    let of = |word: &str| told.iter().filter(|what| **what == word).count();
    assert_eq!((of("opened"), of("closed"), told.last()), (1, 1, Some(&"closed")), "{told:?}");
    assert!(told.len() <= 3, "{told:?}");
}

/// A retained message is delivered again at a new subscription: without a time it is not news, and an empty one is no
/// error.
#[test]
fn a_retained_message_is_no_news() {
    let (mut broker, database) = (Broker::start(), Database::new(Engine::Sqlite));
    let place = topic("northmoor", "NM-12");
    let timeless = b"[{\"n\":\"oil_pressure\",\"u\":\"Pa\",\"v\":90000}]";
    broker.publish_retained(&place, timeless);
    let daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let client = daemon.administrator();
    eventually("the retained copy", PATH, || {
        (quarantined(&client, "retained-without-time") == 1).then_some(())
    });
    assert_eq!(number_of(&client, "NM-12", "oil_pressure"), 0, "an old value must not look like one of now");

    broker.publish_retained(&place, timeless);
    wait_for_samples(&client, "NM-12", "oil_pressure", 1);
    let live = samples(&client, "northmoor", "NM-12", "oil_pressure");
    for _ in 0..2 {
        broker.save();
        broker.kill();
        broker.restart();
    }
    broker.publish_retained(&place, b"");
    broker.publish(&topic("northmoor", "NM-11"), pack(now_ms(), LOW_PA).as_bytes());
    wait_for_samples(&client, "NM-11", "oil_pressure", 1);
    assert_eq!(
        samples(&client, "northmoor", "NM-12", "oil_pressure"),
        live,
        "no later copy was stamped with its receipt"
    );
    assert_eq!(quarantined(&client, "malformed") + quarantined(&client, "format"), 0, "deleting is no error");
}

/// An old reading with a time of its own, kept by the broker, comes again with every new subscription: it is one row,
/// not a sign of life, and nothing is judged anew.
#[test]
fn a_kept_reading_is_one_row_and_no_sign_of_life() {
    let (broker, database) = (Broker::start(), Database::new(Engine::Sqlite));
    let place = topic("northmoor", "NM-12");
    let measured = now_ms() - 2 * 24 * 60 * MINUTE_MS;
    broker.publish_retained(&place, snapshot(measured, &[("oil_pressure", "Pa", HEALTHY_PA)]).as_bytes());
    for earlier in ["0", "1", "2"] {
        // Each with an identifier of its own at the broker, and so with a new subscription.
        let daemon = Daemon::start(&broker, &database, &[REGISTER]);
        let client = daemon.administrator();
        let unit = || {
            let units = client.get("/api/v1/units?railway=northmoor").items();
            units.into_iter().find(|unit| unit["unit"] == "NM-12").expect("it is registered")
        };
        eventually("the kept reading", PATH, || {
            let unit = unit();
            (unit["samples"] == "1" && unit["repeats"] == earlier).then_some(())
        });
        assert_eq!(samples(&client, "northmoor", "NM-12", "oil_pressure"), [(measured, HEALTHY_PA)]);
        assert!(unit()["received"].is_null(), "nothing was heard of the unit itself: {}", unit());
        assert!(client.get("/api/v1/findings").items().is_empty());
    }
}

/// Topics that a bad sender invents add no series to the metrics.
#[test]
fn metrics_do_not_grow_with_what_senders_invent() {
    let (broker, database) = (Broker::start(), Database::new(Engine::Sqlite));
    let daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let client = daemon.administrator();
    let series = || {
        let metrics = daemon.anonymous().get("/metrics");
        assert_eq!(metrics.status, 200, "{}", metrics.text);
        metrics.text.lines().filter(|line| !line.starts_with('#')).count()
    };
    let junk = |number: usize| {
        broker.publish(&topic("northmoor", &format!("junk-{number}")), b"[{\"n\":\"x\",\"v\":1}]");
    };
    junk(0);
    eventually("the first junk", PATH, || (quarantined(&client, "unknown-unit") == 1).then_some(()));
    let before = series();
    (1..40).for_each(junk);
    eventually("all junk", Duration::from_mins(1), || {
        (quarantined(&client, "unknown-unit") == 40).then_some(())
    });
    assert_eq!(series(), before);
    assert!(before < 1_000, "{before} series");
}
