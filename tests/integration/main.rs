//! One binary for all tests from the outside.
#![allow(clippy::unwrap_used, clippy::print_stderr, missing_docs)]

mod bad_input;
mod command_line;
mod fixtures;
mod formats;
mod gaps;
mod guides;
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
mod sines;
mod spice;
mod support;
mod vectors;
mod verification;
