//! Two files as one capture.
#![no_main]

#[allow(dead_code)]
#[path = "../../tests/integration/harness.rs"]
mod harness;

libfuzzer_sys::fuzz_target!(|data: &[u8]| harness::pair(data));
