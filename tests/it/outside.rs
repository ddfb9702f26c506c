//! Public data through the whole program: a stock client sends them, every sample is compared, findings are counted
//! against the labels. The work is done by `tests/real_input/real_input.py`, which says what it sends and how it counts.

use std::process::Command;

use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine};
use crate::support::process::program;
use crate::support::{data, on_both_stores, root, setting};

on_both_stores!(every_sample_of_public_data_is_kept_and_failures_are_found);

fn every_sample_of_public_data_is_kept_and_failures_are_found(engine: Engine) {
    if data::folder("skab").is_none() || data::folder("cmapss").is_none() {
        return;
    }
    let folder = root().join("tests/real_input");
    let text = |name: &str| std::fs::read_to_string(folder.join(name)).expect("a class file");
    let (broker, database) = (Broker::start(), Database::new(engine));
    let units = script(&["register"]);
    let daemon = Daemon::start(&broker, &database, &[&text("pump-rig.toml"), &text("turbofan.toml"), &units]);
    let token = daemon.token("real-input", "viewer", None);
    let address = broker.url();
    let address = address.trim_start_matches("mqtt://");
    let said = script(&["run", "--broker", address, "--api", daemon.base(), "--token", &token]);
    println!("{engine:?}\n{said}");
    assert!(said.contains("sent and stored equal"), "{said}");
}

fn script(args: &[&str]) -> String {
    let data = setting("NOTCHWATCH_DATA").expect("looked at before");
    let out = Command::new(program("python3"))
        .arg(root().join("tests/real_input/real_input.py"))
        .args([args.first().expect("a command"), data.as_str()])
        .args(args.iter().skip(1))
        .output()
        .expect("python3 runs");
    let said = String::from_utf8_lossy(&out.stdout).into_owned();
    assert!(out.status.success(), "{said}\n{}", String::from_utf8_lossy(&out.stderr));
    said
}
