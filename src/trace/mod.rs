//! What travels between the stages: blocks of samples, their summary, and phases.

mod block;
mod overview;
mod phase;

pub use block::{Block, Channels, ReadFailure, Samples};
pub use overview::{Cell, Overview};
pub use phase::{Kind, Phase, check_tiling};
