//! Results for people and programs; every renderer returns text or bytes and writes nothing.

pub mod budget;
pub mod delay;
pub mod job;
pub mod picture;
#[cfg(feature = "png")]
pub mod raster;
pub mod table;

/// The cautions that go with every report.
pub const CAUTIONS: &str = "Bench work on a live HF output burns and can kill: a qualified person, \
a dummy load, never a patient, never a hand near leads or a hot load; never earth an isolated output \
through an instrument's ground. Results describe output into a test load, not tissue effect or \
fitness for use; the manufacturer's procedure, the applicable standard and local codes prevail; \
release to service is a licensed person's decision.";
