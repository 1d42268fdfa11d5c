//! Any bytes as the format `parquet`.
#![no_main]

#[allow(dead_code)]
#[path = "../../tests/integration/harness.rs"]
mod harness;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    harness::read("parquet", data);
});
