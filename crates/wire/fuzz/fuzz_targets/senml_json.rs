//! Arbitrary bytes as a `SenML` pack in JSON.
#![no_main]

use notchwatch_model::MessageFormat;

libfuzzer_sys::fuzz_target!(|payload: &[u8]| {
    notchwatch_wire_fuzz::check(payload, "application/senml+json", MessageFormat::SenmlJson);
});
