//! The console in Chromium: what a person clicks, types and sees, live, with pictures and an accessibility scan.

use fantoccini::actions::{InputSource, KeyAction, KeyActions};
use serde_json::json;

use crate::support::bench::{PATH, REGISTER, finding_of, identity, open_finding};
use crate::support::broker::Broker;
use crate::support::browser::Browser;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine};
use crate::support::eventually;
use crate::support::senml::topic;

const PASSWORD: &str = "a passphrase of the tests";
/// The narrowest page to work: 1280 pixels at 200 % zoom.
const ZOOMED: (u32, u32) = (640, 900);

/// A person at the console.
struct Visit {
    browser: Browser,
    daemon: Daemon,
    broker: Broker,
}

impl Visit {
    async fn goto(&self, path: &str) {
        self.browser.page.goto(&format!("{}{path}", self.daemon.base())).await.expect("the page opens");
    }

    async fn press(&self, keys: &str) {
        // To the page, as a keyboard does it: an element that just lost the focus takes no keys.
        let typed = keys.chars().fold(KeyActions::new("keyboard".to_owned()), |typed, value| {
            typed.then(KeyAction::Down { value }).then(KeyAction::Up { value })
        });
        self.browser.page.perform_actions(typed).await.expect("keys arrive");
    }

    /// Marks the present document, so that a reload can be told from a live change.
    async fn mark(&self) {
        self.browser.page.execute("window.marked = true", vec![]).await.expect("a script runs");
    }

    async fn still_marked(&self) -> bool {
        let marked = self.browser.page.execute("return window.marked === true", vec![]).await;
        marked.expect("a script runs") == json!(true)
    }

    /// Keeps a picture, scans, and fails on violations or on complaints of the browser.
    async fn inspect(&self, name: &str) {
        self.browser.picture(name).await;
        let violations = self.browser.violations().await;
        assert!(violations.is_empty(), "{name}: {violations:#?}");
        let complaints = self.browser.complaints().await;
        assert!(complaints.is_empty(), "{name}: {complaints:#?}");
    }
}

/// `current_thread` would do, but the helpers that wait for the program block.
#[tokio::test(flavor = "multi_thread")]
async fn an_operator_sees_a_finding_come_and_acknowledges_it_by_key() {
    let (broker, database) = (Broker::start(), Database::new(Engine::Sqlite));
    let daemon = Daemon::start(&broker, &database, &[REGISTER]);
    daemon.account("olsen", "operator", PASSWORD);
    let visit = Visit { browser: Browser::open(1280, 900).await, daemon, broker };
    sign_in(&visit).await;
    let id = a_finding_comes_live(&visit).await;
    open_it_and_see_why(&visit, &id).await;
    acknowledge_by_key(&visit, &id).await;
    others_decisions_arrive_live(&visit, &id).await;
    feed_health(&visit).await;
    every_page_in_the_dark_and_zoomed(&visit, &id).await;
    visit.browser.wait_for("form[action='/sign-out'] button").await.click().await.expect("a click");
    visit.browser.wait_for("input[name=password]").await;
    visit.browser.close().await;
}

async fn sign_in(visit: &Visit) {
    visit.goto("/").await;
    visit.browser.wait_for("input[name=password]").await;
    visit.inspect("1-sign-in").await;
    let type_in = async |password: &str| {
        for (field, text) in [("input[name=name]", "olsen"), ("input[name=password]", password)] {
            let element = visit.browser.wait_for(field).await;
            element.clear().await.expect("the field empties");
            element.send_keys(text).await.expect("the field takes text");
        }
        visit.browser.wait_for("main button").await.click().await.expect("a click");
    };
    type_in("not the passphrase").await;
    visit.browser.wait_for("[role=alert]").await;
    // The browser logs the refusal as a failed load; that is what it is.
    visit.browser.complaints().await;
    type_in(PASSWORD).await;
    visit.browser.wait_for_text("#live-queue", "No open finding").await;
    visit.inspect("2-empty-queue").await;
}

async fn a_finding_comes_live(visit: &Visit) -> String {
    visit.mark().await;
    let finding = open_finding(&visit.broker, &visit.daemon.administrator(), "northmoor", "NM-11");
    visit.browser.wait_for_text("#live-queue", "NM-11").await;
    assert!(visit.still_marked().await, "the finding appeared without a reload");
    visit.browser.wait_for_text("#live-queue", "high").await;
    visit.inspect("3-queue").await;
    identity(&finding).0
}

async fn open_it_and_see_why(visit: &Visit, id: &str) {
    visit.press("j").await;
    visit.press("o").await;
    visit.browser.wait_for("#picture").await;
    let address = visit.browser.page.current_url().await.expect("an address");
    assert!(address.path().ends_with(id), "{address}");
    visit.browser.wait_for("#picture .scatterlayer .trace path").await;
    visit.browser.wait_for_text("#live-head", "unacknowledged").await;
    visit.inspect("4-finding").await;
    visit.press("?").await;
    visit.browser.wait_for("dialog#keys[open]").await;
    visit.inspect("5-keys").await;
    visit.browser.wait_for("dialog#keys form button").await.click().await.expect("a click");
    visit.browser.wait_for("dialog#keys:not([open])").await;
}

async fn acknowledge_by_key(visit: &Visit, id: &str) {
    visit.press("a").await;
    let client = visit.daemon.administrator();
    let finding = eventually("the acknowledgement", PATH, || {
        let now = client.get(&format!("/api/v1/findings/{id}")).json();
        (now["alarm_state"] == "acknowledged").then_some(now)
    });
    assert_eq!(finding["acknowledged_by"], "olsen");
    visit.browser.wait_for_text("#live-head .facts", "acknowledged").await;
    visit.browser.wait_for_text("#live-head .facts", "olsen").await;
}

async fn others_decisions_arrive_live(visit: &Visit, id: &str) {
    visit.browser.wait_for("#picture .scatterlayer .trace path").await;
    visit.mark().await;
    let other = visit.daemon.client("ruiz", "operator", None);
    let version = identity(&finding_of(&other, "NM-11")).1;
    assert_eq!(other.act(id, "take", &version, &json!({})).status, 200);
    visit.browser.wait_for_text("#live-head", "taken").await;
    assert!(visit.still_marked().await, "another's decision appeared without a reload");
    visit.inspect("6-taken").await;
}

async fn feed_health(visit: &Visit) {
    visit.goto("/feed").await;
    visit.browser.wait_for_text("#live-refused", "Nothing was refused").await;
    visit.mark().await;
    visit.broker.publish(&topic("northmoor", "NM-12"), b"[{\"n\":\"<script>alert(1)</script>");
    // No finding changes: the page reads itself again with the stream's next sign of life.
    visit.browser.wait_for_text("#live-refused", "malformed").await;
    assert!(visit.still_marked().await, "the refusal appeared without a reload");
    visit.inspect("7-feed-health").await;
    visit.browser.wait_for("#live-refused a[href^='/quarantine/']").await.click().await.expect("a click");
    visit.browser.wait_for_text("pre.bytes", "<script>").await;
    visit.inspect("8-refused-message").await;
}

async fn every_page_in_the_dark_and_zoomed(visit: &Visit, id: &str) {
    let finding = format!("/findings/{id}");
    let pages = [
        ("queue", "/queue"),
        ("finding", &finding),
        ("unit", "/units/northmoor/NM-11?range=28"),
        ("channel", "/units/northmoor/NM-11/channels/oil_pressure?range=28"),
        ("fleet", "/fleet"),
        ("peers", "/fleet/peers?days=7"),
        ("load", "/load"),
        ("feed", "/feed"),
        ("quarantine", "/quarantine"),
        ("password", "/password"),
    ];
    visit.browser.prefer("dark").await;
    for (name, path) in pages {
        visit.goto(path).await;
        visit.browser.wait_for("h1").await;
        if name == "finding" {
            visit.browser.wait_for("#picture .scatterlayer .trace path").await;
        }
        visit.inspect(&format!("dark-{name}")).await;
    }
    visit.browser.prefer("light").await;
    visit.browser.page.set_window_size(ZOOMED.0, ZOOMED.1).await.expect("the window shrinks");
    for (name, path) in pages {
        visit.goto(path).await;
        visit.browser.wait_for("h1").await;
        let measure = "const e = document.documentElement; return Math.max(0, e.scrollWidth - e.clientWidth)";
        let over = visit.browser.page.execute(measure, vec![]).await.expect("a script runs");
        visit.inspect(&format!("zoomed-{name}")).await;
        assert_eq!(over, json!(0), "{name} needs sideways scrolling at 200 % zoom");
    }
}
