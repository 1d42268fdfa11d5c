//! Any bytes as the format `parquet`. Panics of the library that the reader catches are no finding.
#![no_main]

#[allow(dead_code)]
#[path = "../../tests/integration/harness.rs"]
mod harness;

libfuzzer_sys::fuzz_target!(
    init: {
        let fatal = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| {
            if !crestbook::ingest::guarded() {
                fatal(panic);
            }
        }));
    },
    |data: &[u8]| {
        harness::read("parquet", data);
    }
);
