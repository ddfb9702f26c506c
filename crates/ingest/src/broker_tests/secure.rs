//! TLS, users and passwords, and the rights of the example in `deploy/`, against a real broker.
//!
//! Certificates and password files come from the programs `openssl` and `mosquitto_passwd`.

use std::path::Path;
use std::process::{Command, Stdio};

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, PubAckReason};
use rumqttc::v5::{AsyncClient, Event, MqttOptions as ClientOptions};
use tempfile::TempDir;

use super::broker::{Broker, free_port};
use super::{options, run, until};
use crate::health::HealthReason;
use crate::options::Credentials;
use crate::test_sink::{Mode, TestSink};
use crate::tls::TlsOptions;

const TOPIC: &str = "units/northmoor/4024/senml";
/// A server's certificate, signed by itself.
const CERTIFICATE: &str = "[req]\ndistinguished_name=dn\nx509_extensions=ext\nprompt=no\n[dn]\nCN=broker.example\n\
                           [ext]\nsubjectAltName=IP:127.0.0.1\nbasicConstraints=critical,CA:FALSE\n";

fn command(program: &str, arguments: &[&str]) {
    let done = Command::new(program).args(arguments).stdout(Stdio::null()).stderr(Stdio::null()).status();
    assert!(done.is_ok_and(|s| s.success()), "these tests need the program {program}: {arguments:?} failed");
}

/// Makes `NAME.pem` and `NAME.key` in the folder; gives the certificate.
fn certificate(folder: &Path, name: &str) -> Vec<u8> {
    let at = |ending: &str| folder.join(format!("{name}.{ending}")).display().to_string();
    std::fs::write(at("cnf"), CERTIFICATE).unwrap();
    let curve = "ec_paramgen_curve:prime256v1";
    let (config, key, pem) = (at("cnf"), at("key"), at("pem"));
    let made =
        ["req", "-x509", "-newkey", "ec", "-pkeyopt", curve, "-nodes", "-days", "2", "-config", &config];
    command("openssl", &[&made[..], &["-keyout", &key, "-out", &pem]].concat());
    std::fs::read(pem).unwrap()
}

fn passwords(folder: &TempDir, users: &[&str]) -> String {
    let file = folder.path().join("passwords");
    std::fs::write(&file, "").unwrap();
    for user in users {
        command("mosquitto_passwd", &["-b", &file.display().to_string(), user, "right"]);
    }
    format!("allow_anonymous false\npassword_file {}", file.display())
}

fn user(name: &str, password: &str) -> Credentials {
    Credentials { username: name.to_owned(), password: password.to_owned() }
}

#[tokio::test(flavor = "multi_thread")]
async fn tls_with_an_authority_of_ones_own() {
    let folder = tempfile::tempdir().unwrap();
    let (ours, other) = (certificate(folder.path(), "broker"), certificate(folder.path(), "other"));
    let secure = free_port();
    let at = folder.path().display();
    let broker = Broker::start(&format!(
        "listener {secure} 127.0.0.1\ncertfile {at}/broker.pem\nkeyfile {at}/broker.key"
    ))
    .await;
    let with = |client_id: &str, ca: Vec<u8>| {
        let mut with = options(secure, client_id);
        with.tls = Some(TlsOptions { ca_pem: Some(ca), ..TlsOptions::default() });
        with
    };
    let sink = TestSink::new(Mode::Fine);
    let ingest = run(with("tls", ours), &sink);
    ingest.ready().await;
    broker.publish(TOPIC, &["over tls"]).await;
    ingest.holds(&["over tls".to_owned()]).await;
    ingest.stopped().await;

    let stranger = run(with("tls-other", other), &sink);
    until("the certificate is refused", || stranger.has(HealthReason::BrokerRefused)).await;
    assert_eq!(stranger.stopped().await.connects, 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_password_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(&passwords(&folder, &["notchwatch"])).await;
    let sink = TestSink::new(Mode::Fine);
    let mut with = options(broker.port, "password");
    with.credentials = Some(user("notchwatch", "wrong"));
    let ingest = run(with.clone(), &sink);
    until("it is named", || ingest.has(HealthReason::BrokerRefused)).await;
    let detail = ingest.ingest.health.borrow().reasons[&HealthReason::BrokerRefused].clone();
    assert!(detail.contains("NotAuthorized") || detail.contains("BadUserNamePassword"), "{detail}");
    ingest.stopped().await;

    with.credentials = Some(user("notchwatch", "right"));
    let ingest = run(with, &sink);
    ingest.ready().await;
    ingest.stopped().await;
}

/// The rights of `deploy/mosquitto.acl`: a unit publishes under its own name and no other, we publish nothing.
#[tokio::test(flavor = "multi_thread")]
async fn the_example_rights_prove_which_unit_sends() {
    let folder = tempfile::tempdir().unwrap();
    let rights = concat!(env!("CARGO_MANIFEST_DIR"), "/../../deploy/mosquitto.acl");
    let lines = passwords(&folder, &["notchwatch", "northmoor/4024", "northmoor/4025"]);
    let broker = Broker::start(&format!("{lines}\nacl_file {rights}")).await;
    let sink = TestSink::new(Mode::Fine);
    let mut with = options(broker.port, "rights");
    with.credentials = Some(user("notchwatch", "right"));
    let ingest = run(with, &sink);
    ingest.ready().await;
    assert_eq!(publishes(broker.port, "northmoor/4025", "forged").await, PubAckReason::NotAuthorized);
    assert_eq!(publishes(broker.port, "notchwatch", "forged").await, PubAckReason::NotAuthorized);
    assert_eq!(publishes(broker.port, "northmoor/4024", "own").await, PubAckReason::Success);
    ingest.holds(&["own".to_owned()]).await;
    ingest.stopped().await;
    assert_eq!(sink.payloads(), ["own"]);
}

/// Rights as Mosquitto's dynamic security knows them, for everybody: what may be subscribed to. (Its plain file of
/// rights filters what is delivered, and grants every subscription.)
fn may_subscribe(file: &Path, topics: &[&str]) {
    let acls: Vec<String> = topics
        .iter()
        .map(|t| {
            format!("{{\"acltype\":\"subscribePattern\",\"topic\":\"{t}\",\"priority\":0,\"allow\":true}}")
        })
        .collect();
    let text = format!(
        "{{\"defaultACLAccess\":{{\"publishClientSend\":true,\"publishClientReceive\":true,\"subscribe\":false,\
         \"unsubscribe\":true}},\"anonymousGroup\":\"all\",\"clients\":[],\
         \"groups\":[{{\"groupname\":\"all\",\"roles\":[{{\"rolename\":\"r\"}}]}}],\
         \"roles\":[{{\"rolename\":\"r\",\"acls\":[{}]}}]}}",
        acls.join(",")
    );
    std::fs::write(file, text).unwrap();
}

/// Case: a broker refuses one of three filters. It is named, the others work, and once the rights are mended it is
/// subscribed to without a restart of ours.
#[tokio::test(flavor = "multi_thread")]
async fn one_refused_filter_of_three_is_named_and_the_others_work() {
    let folder = tempfile::tempdir().unwrap();
    let rights = folder.path().join("rights.json");
    may_subscribe(&rights, &["units/#", "spare/#"]);
    let plugin = "/usr/lib/x86_64-linux-gnu/mosquitto_dynamic_security.so";
    let lines = format!("plugin {plugin}\nplugin_opt_config_file {}", rights.display());
    let mut broker = Broker::start(&lines).await;
    let sink = TestSink::new(Mode::Fine);
    let mut with = options(broker.port, "three");
    with.filters = ["units", "other", "spare"].map(|root| format!("{root}/+/+/senml")).to_vec();
    let ingest = run(with, &sink);
    until("it is named", || ingest.has(HealthReason::FilterRefused)).await;
    until("the others are granted", || !ingest.has(HealthReason::NotSubscribed)).await;
    let detail = ingest.ingest.health.borrow().reasons[&HealthReason::FilterRefused].clone();
    assert_eq!(detail, "other/+/+/senml: NotAuthorized");
    assert!(!ingest.ingest.health.borrow().ready());
    broker.publish("units/a/1/senml", &["one"]).await;
    broker.publish("spare/a/1/senml", &["three"]).await;
    ingest.holds(&["one".to_owned(), "three".to_owned()]).await;

    may_subscribe(&rights, &["units/#", "other/#", "spare/#"]);
    broker.kill();
    broker.restart_after_kill().await;
    ingest.ready().await;
    broker.publish("other/a/1/senml", &["two"]).await;
    ingest.holds(&["two".to_owned()]).await;
    ingest.stopped().await;
}

async fn publishes(port: u16, user: &str, payload: &str) -> PubAckReason {
    let mut with = ClientOptions::new(format!("as-{}", free_port()), "127.0.0.1", port);
    with.set_credentials(user, "right");
    let (client, mut eventloop) = AsyncClient::new(with, 4);
    client.try_publish(TOPIC, QoS::AtLeastOnce, false, payload.to_owned()).unwrap();
    let acknowledged = |event: &Event| match event {
        Event::Incoming(Packet::PubAck(ack)) => Some(ack.reason),
        _ => None,
    };
    loop {
        let found = match eventloop.poll().await {
            Ok(event) => acknowledged(&event),
            // Mosquitto closes the connection right behind a refusal; what was read before stands in the buffer.
            Err(error) => match eventloop.state.events.iter().find_map(acknowledged) {
                None => panic!("no answer to the publish of {user}: {error}"),
                found => found,
            },
        };
        if let Some(reason) = found {
            return reason;
        }
    }
}
