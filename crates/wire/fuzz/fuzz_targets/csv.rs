//! Arbitrary bytes as a CSV file, wide and long.
#![no_main]

use notchwatch_wire::csv::{Clock, Layout, Options, read};

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    let long = Layout::Long { channel: "channel".into(), value: "value".into() };
    for layout in [Layout::Wide, long] {
        let Ok(table) = read(bytes, &Options { layout, ..Options::default() }) else { continue };
        let rows = table.labels.len();
        assert!(rows > 0 && rows <= bytes.len());
        let times = match &table.clock {
            Clock::Instants { times, .. } => times.len(),
            Clock::Numbers(numbers) => {
                assert!(numbers.iter().all(|n| n.is_finite()));
                numbers.len()
            }
        };
        assert_eq!(times, rows);
        for column in &table.columns {
            assert_eq!(column.values.len(), rows);
            assert!(column.values.iter().flatten().all(|v| v.is_finite()));
        }
    }
});
