//! One binary for all tests from the outside.
#![allow(clippy::unwrap_used, clippy::print_stderr, missing_docs, unreachable_pub)]

#[cfg(feature = "archive")]
mod archive;
mod attacks;
mod bad_input;
mod cards;
mod command_line;
mod exports;
mod fixtures;
mod formats;
mod gaps;
mod guides;
/// Generators that share no code with the analysis.
#[path = "../../examples/accuracy/hard/mod.rs"]
mod hard;
mod hard_captures;
mod harness;
mod hostile;
mod house;
mod job;
mod laws;
mod outside;
mod phases;
mod published;
mod readers;
mod reference;
mod robust;
mod sines;
mod spice;
mod support;
/// Holds a measurement against the truth; its table is for the accuracy page.
#[allow(dead_code, clippy::print_stdout)]
#[path = "../../examples/accuracy/trial.rs"]
mod trial;
mod vectors;
mod verification;
