#![doc = include_str!("../README.md")]
#![cfg_attr(test, allow(clippy::unwrap_used))]

pub mod condition;
pub mod ingest;
pub mod keyfile;
pub mod numeric;
pub mod trace;
pub mod units;
