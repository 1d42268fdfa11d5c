//! A job one of whose files is anything.
#![no_main]

#[allow(dead_code)]
#[path = "../../tests/integration/harness.rs"]
mod harness;

libfuzzer_sys::fuzz_target!(|data: &[u8]| harness::job(data));
