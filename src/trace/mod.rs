//! What travels between the stages: blocks of samples, their summary, and phases.

mod block;
mod carrier;
mod gaps;
mod overview;
mod phase;
mod pyramid;

pub use block::{Block, Channel, Channels, PerChannel, ReadFailure, Samples};
pub use carrier::{carrier_line, find_carrier};
pub use gaps::{Gaps, Mark};
pub use overview::{Cell, Overview};
pub use phase::{Kind, Phase, TilingFault, check_tiling};
pub use pyramid::{Column, Pyramid};
