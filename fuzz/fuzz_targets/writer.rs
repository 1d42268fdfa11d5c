//! Any samples in any format that is written, read back.
#![no_main]

#[allow(dead_code)]
#[path = "../../tests/integration/harness.rs"]
mod harness;

libfuzzer_sys::fuzz_target!(|data: &[u8]| harness::writer(data));
