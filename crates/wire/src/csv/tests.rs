//! Whole files.

use super::*;

fn wide(text: &str) -> Table {
    read(text.as_bytes(), &Options::default()).unwrap()
}

fn names(table: &Table) -> Vec<&str> {
    table.columns.iter().map(|c| c.name.as_str()).collect()
}

#[test]
fn a_wide_file_finds_its_time_and_its_numeric_columns() {
    let table = wide("datetime;a;note;b\n2020-02-08 13:30:47;1.5;on;\n2020-02-08 13:30:48;NA;off;-3\n");
    assert_eq!(table.labels, ["2020-02-08 13:30:47", "2020-02-08 13:30:48"]);
    assert!(matches!(&table.clock, Clock::Instants { assumed_utc: true, times } if times.len() == 2));
    assert_eq!(names(&table), ["a", "b"]);
    assert_eq!(table.columns[0].values, [Some(1.5), None]);
    assert_eq!(table.columns[1].values, [None, Some(-3.0)]);
    assert_eq!(table.left_out[0].0, "note");
    assert_eq!(table.left_out[0].1.to_string(), "line 2, column \"note\": \"on\" is not a number");
}

#[test]
fn rows_are_numbered_where_no_time_stands() {
    let table = wide("315.58\n316.39\n");
    assert_eq!(names(&table), ["column 1"]);
    assert_eq!(table.labels, ["0", "1"]);
    assert_eq!(table.clock, Clock::Numbers(vec![0.0, 1.0]));
    let table = wide("x,y\n1,2\n3,4\n");
    assert_eq!((names(&table), table.labels.len()), (vec!["x", "y"], 2));
}

#[test]
fn a_named_time_column_may_hold_plain_numbers() {
    let options = Options { time: Some("year".into()), ..Options::default() };
    let table = read("year,volume\n1871,1120\n1872,1160\n".as_bytes(), &options).unwrap();
    assert_eq!(table.clock, Clock::Numbers(vec![1871.0, 1872.0]));
    assert_eq!(names(&table), ["volume"]);
}

#[test]
fn repeated_times_stay_rows_of_their_own() {
    assert_eq!(wide("time,a\n2020-01-01,1\n2020-01-01,2\n").columns[0].values, [Some(1.0), Some(2.0)]);
}

#[test]
fn a_byte_order_mark_quotes_and_decimal_commas_are_understood() {
    let table = wide("\u{feff}time;\"a b\"\n2020-01-01;\"1,5\"\n");
    assert_eq!((names(&table), table.columns[0].values[0]), (vec!["a b"], Some(1.5)));
}

#[test]
fn a_long_file_becomes_rows_by_time() {
    let layout = Layout::Long { channel: "channel".into(), value: "value".into() };
    let text = "time,channel,value\n2020-01-01,a,1\n2020-01-01,b,2\n2020-01-02,b,3\n2020-01-02,b,4\n2020-01-02,a,NA\n";
    let table = read(text.as_bytes(), &Options { layout: layout.clone(), ..Options::default() }).unwrap();
    assert_eq!(table.labels, ["2020-01-01", "2020-01-02", "2020-01-02"]);
    assert_eq!(names(&table), ["a", "b"]);
    assert_eq!(table.columns[0].values, [Some(1.0), None, None]);
    assert_eq!(table.columns[1].values, [Some(2.0), Some(3.0), Some(4.0)]);
    let one = Options { layout, channels: Some(vec!["b".into()]), ..Options::default() };
    assert_eq!(names(&read(text.as_bytes(), &one).unwrap()), ["b"]);
}

#[test]
fn errors_name_line_column_and_reason() {
    let asked = |text: &str, channels: &[&str], time: Option<&str>| {
        let channels = (!channels.is_empty()).then(|| channels.iter().map(|c| (*c).to_owned()).collect());
        let options = Options { channels, time: time.map(str::to_owned), ..Options::default() };
        read(text.as_bytes(), &options).unwrap_err().to_string()
    };
    for (text, channels, time, wanted) in [
        ("time,a\n2020-01-01,1\nsoon,2\n", &[][..], None, "line 3, column \"time\": \"soon\" is neither"),
        ("time,a\n2020-01-01,x\n", &["a"][..], None, "line 2, column \"a\": \"x\" is not a number"),
        ("time,a\n2020-01-01,1\n2020-01-02\n", &[][..], None, "line 3: 1 cells, the first line has 2"),
        ("time,a\n2020-01-01,1\n", &["b"][..], None, "no column \"b\"; there are: time, a"),
        ("time,a\n2020-01-01,1\n", &[][..], Some("when"), "no column \"when\""),
        ("time,a\n2020-01-01,on\n", &[][..], None, "no column holds numbers"),
        ("time,a\n", &[][..], None, "the file has no rows"),
        ("", &[][..], None, "the file is empty"),
    ] {
        let error = asked(text, channels, time);
        assert!(error.starts_with(wanted), "{text:?}: {error}");
    }
    let error = read(&b"time,a\n2020-01-01,\xff\n"[..], &Options::default()).unwrap_err();
    assert_eq!(error.to_string(), "line 2: not UTF-8");
}
