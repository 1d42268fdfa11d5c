//! Results for people and programs; every renderer returns text or bytes and writes nothing.

#[cfg(feature = "archive")]
pub mod archive;
pub mod budget;
pub mod card;
pub mod delay;
pub mod job;
pub mod long;
pub mod picture;
#[cfg(feature = "png")]
pub mod raster;
pub mod table;
#[cfg(feature = "pdf")]
mod typeset;

/// The cautions that go with every report.
pub const CAUTIONS: &str = "Bench work on a live HF output burns and can kill: a qualified person with a \
second one present, a dummy load, never a patient, never a hand near leads or a hot load. Use a \
differential probe and a current transformer within their voltage, frequency and saturation limits: at \
the carrier a probe bears only a fraction of its rated voltage. Never lift the oscilloscope's protective \
earth, and never earth an isolated output through an instrument's ground. Connect and touch only with the \
output off and the pedal out of reach; keep open and shorted activations short; never mute the tone. The \
load gets hot: keep to its power and duty. No flammables, alcohol or oxygen nearby; people with implants \
stay away; internal capacitors stay charged; take off any substitute for the contact quality monitor \
afterwards. Results describe output into a test load, not tissue effect or fitness for use; the \
manufacturer's procedure, the applicable standard and local codes prevail; release to service is for an \
authorised person of the responsible organisation.";
