//! The commands beside `run`: a configuration checked, a file examined.

use serde_json::Value;
use tempfile::TempDir;

use crate::support::bench::REGISTER;
use crate::support::broker::Broker;
use crate::support::daemon::{Daemon, run};
use crate::support::database::{Database, Engine};
use crate::support::{now_ms, on_both_stores, root};

on_both_stores!(a_file_of_entries_is_taken_in_once_and_none_of_a_wrong_one);

#[test]
fn a_mistake_in_a_configuration_is_told_with_its_place_and_what_would_be_right() {
    let folder = TempDir::new().expect("a folder");
    let check = |text: &str| {
        let path = folder.path().join("notchwatch.toml");
        std::fs::write(&path, text).expect("a configuration");
        run(&["check-config", &path.display().to_string()], "")
    };
    assert!(check("").status.success(), "everything has a default");
    let wrong = check("[listen]\nadress = \"127.0.0.1:1\"\n");
    let said = String::from_utf8_lossy(&wrong.stderr).into_owned();
    assert!(!wrong.status.success());
    assert!(said.contains("line 2") && said.contains("adress") && said.contains("address"), "{said}");
}

#[test]
fn the_class_that_ships_can_be_loaded() {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("notchwatch.toml");
    let file = root().join("deploy/register/demo-12.toml");
    std::fs::write(&path, format!("[register]\nfiles = [{file:?}]\n")).expect("a configuration");
    let out = run(&["check-config", &path.display().to_string()], "");
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let class: toml::Table = std::fs::read_to_string(&file).expect("the class").parse().expect("TOML");
    let channels = class["classes"][0]["channels"].as_array().expect("channels");
    let required =
        channels.iter().filter(|c| c.get("optional").and_then(toml::Value::as_bool) != Some(true)).count();
    assert_eq!(required, 45, "45 channels in all, and the optional ones");
}

/// Annual flow of the Nile at Aswan 1871 to 1970, 10^8 cubic metres (Cobb 1978, "The problem of the Nile"; the data
/// set `Nile` of R). The change after 1898, row 27 counted from 0, is the one found there.
const NILE: [u16; 100] = [
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958,
    1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020,
    1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796,
    1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874,
    848, 890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718,
    714, 740,
];

fn examine(text: &str, more: &[&str]) -> std::process::Output {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("series.csv").display().to_string();
    std::fs::write(&path, text).expect("a file");
    let mut args = vec!["examine", &path, "--time", "year"];
    args.extend(more);
    run(&args, "")
}

fn nile() -> String {
    let rows: Vec<String> = (1871..).zip(NILE).map(|(year, flow)| format!("{year},{flow}\n")).collect();
    format!("year,flow\n{}", rows.concat())
}

#[test]
fn the_nile_changed_after_1898() {
    let out = examine(&nile(), &["--segment"]);
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let said = String::from_utf8(out.stdout).expect("text");
    let line: Value = serde_json::from_str(said.trim()).expect("one JSON line");
    assert_eq!(line["channel"], "flow");
    assert_eq!(line["change_points"], serde_json::json!([28]), "the year 1899 begins the new regime");
}

#[test]
fn scores_are_numbers_for_every_row_and_do_not_look_ahead() {
    let folder = TempDir::new().expect("a folder");
    let scores = |text: &str, name: &str| {
        let path = folder.path().join(name).display().to_string();
        let out = examine(text, &["--scores", &path]);
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        std::fs::read_to_string(path).expect("scores")
    };
    let whole = scores(&nile(), "whole.csv");
    let half_text = nile().split_inclusive('\n').take(61).collect::<String>();
    let half = scores(&half_text, "half.csv");
    assert!(whole.starts_with("time,channel,score\n"), "{whole}");
    assert_eq!(
        whole.lines().count(),
        1 + 2 * NILE.len(),
        "a line per row for the channel and for all together"
    );
    assert!(whole.starts_with(&half), "a score must not depend on what comes later");
    for line in whole.lines().skip(1) {
        let score: f64 = line.rsplit(',').next().expect("a score").parse().expect("a number");
        assert!((0.0..=1.0).contains(&score), "{line}");
    }
}

/// The annual flow halved for good in the middle of a long record of it: likely before, nearly sure after.
#[test]
fn probabilities_follow_a_change() {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("p.csv").display().to_string();
    let rows: Vec<String> = (0..1200)
        .map(|i| {
            let flow = NILE[i % NILE.len()] / if i < 800 { 1 } else { 3 };
            format!("{i},{flow}\n")
        })
        .collect();
    let out =
        examine(&format!("year,flow\n{}", rows.concat()), &["--channels", "flow", "--probabilities", &path]);
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let text = std::fs::read_to_string(path).expect("probabilities");
    assert!(text.starts_with("time,channel,probability\n"), "{text}");
    let of = |row: usize| -> f64 {
        let line = text.lines().filter(|l| l.contains(",flow,")).nth(row).expect("a line");
        line.rsplit(',').next().expect("a figure").parse().expect("a number")
    };
    assert!(of(790) < 0.1 && of(900) > 0.9, "{} {}", of(790), of(900));
}

#[test]
fn a_file_that_cannot_be_read_says_where_and_why() {
    let out = examine("year,flow\n1871,1120\n1872,many\n", &["--channels", "flow"]);
    assert_eq!(out.status.code(), Some(2));
    let said = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(said.contains('3') && said.contains("flow") && said.contains("many"), "{said}");
}

/// Files of entries beside a running service: recorded once, seen by the API, and of a wrong file nothing.
fn a_file_of_entries_is_taken_in_once_and_none_of_a_wrong_one(engine: Engine) {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let client = daemon.administrator();
    let folder = TempDir::new().expect("a folder");
    let config = daemon.config().display().to_string();
    let take = |name: &str, text: &str| {
        let path = folder.path().join(name).display().to_string();
        std::fs::write(&path, text).expect("a file");
        run(&["timeline", &path, "--by", "workshop", "--config", &config], "")
    };
    let yesterday = jiff::Timestamp::from_millisecond(now_ms() - 24 * 60 * 60_000).expect("a time");
    let table = format!(
        "at,railway,unit,kind,sample,quantity,value,uom,text\n\
         {yesterday},northmoor,NM-11,oil-sample,S-1,iron,41,mg/kg,\n\
         {yesterday},northmoor,NM-11,oil-sample,S-1,copper,9,mg/kg,\n\
         {yesterday},northmoor,NM-12,note,,,,,\"looked at, all well\"\n"
    );
    for new in ["2 entries, 2 new", "2 entries, 0 new"] {
        let out = take("entries.csv", &table);
        let said = String::from_utf8_lossy(&out.stdout).into_owned();
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        assert!(said.contains(new), "{said}");
    }
    let list = format!(
        "[[entries]]\nat = \"{yesterday}\"\nrailway = \"northmoor\"\nunit = \"NM-11\"\nkind = \"software\"\nversion = \"4.2\"\n"
    );
    assert!(take("entries.toml", &list).status.success());
    let entries = |unit: &str| client.get(&format!("/api/v1/units/northmoor/{unit}/timeline")).items();
    let of_11 = entries("NM-11");
    let kinds: Vec<&str> = of_11.iter().filter_map(|entry| entry["kind"].as_str()).collect();
    assert_eq!(kinds.len(), 2, "{of_11:?}");
    assert!(kinds.contains(&"oil-sample") && kinds.contains(&"software"), "{kinds:?}");
    assert_eq!(entries("NM-12")[0]["by"], "workshop");
    let wrong = format!("{list}[[entries]]\nat = \"{yesterday}\"\nrailway = \"northmoor\"\nunit = \"none\"\nkind = \"note\"\ntext = \"x\"\n")
        .replace("NM-11", "NM-12");
    for (name, text) in
        [("wrong.toml", wrong.as_str()), ("wrong.csv", "at,what\nsoon,x\n"), ("wrong.txt", "")]
    {
        let out = take(name, text);
        assert!(!out.status.success(), "{name}");
        assert!(String::from_utf8_lossy(&out.stderr).contains(name), "{name} is named");
    }
    assert_eq!(entries("NM-12").len(), 1, "of a wrong file nothing is taken");
}
