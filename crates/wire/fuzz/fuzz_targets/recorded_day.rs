//! Arbitrary bytes as a line of a recorded day; what is read comes back from what is written of it.
#![no_main]

use notchwatch_wire::recorded_day::{Reader, read_line, write_line};

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    if let Ok(message) = read_line(bytes) {
        let line = write_line(&message).expect("a message read can be written");
        assert_eq!(read_line(line.as_bytes()).expect("a line written can be read"), message);
    }
    if let Ok(reader) = Reader::new(bytes) {
        assert!(reader.take(1000).filter(Result::is_ok).count() <= 1000);
    }
});
