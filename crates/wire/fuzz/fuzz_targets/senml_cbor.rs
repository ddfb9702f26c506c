//! Arbitrary bytes as a `SenML` pack in CBOR.
#![no_main]

use notchwatch_model::MessageFormat;

libfuzzer_sys::fuzz_target!(|payload: &[u8]| {
    notchwatch_wire_fuzz::check(payload, "application/senml+cbor", MessageFormat::SenmlCbor);
});
