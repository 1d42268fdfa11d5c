//! A stretch of a phase for a closer look: both channels, thinned where a carrier cycle has more
//! samples than are needed.

use crate::numeric::thin::{amplitude_left, means};
use crate::trace::{Block, Channel, ReadFailure, Samples};
use std::ops::Range;

/// Samples of a carrier cycle that are kept at least where samples are thinned.
const PER_CYCLE: f64 = 64.0;
/// Samples that are read at a time.
const READ: u64 = 1 << 18;

/// By how much samples are thinned where a carrier cycle has `cycle` of them.
#[must_use]
pub(super) fn thinning(cycle: f64) -> usize {
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let factor = (cycle / PER_CYCLE) as usize;
    factor.max(1)
}

/// Samples of a stretch.
#[derive(Clone, Debug, Default)]
pub(super) struct Look {
    /// The samples; their places count in kept samples from `start`.
    pub block: Block,
    /// Recorded samples that each kept one is the mean of.
    pub factor: usize,
    /// Recorded samples that the look covers.
    pub covers: Range<u64>,
}

impl Look {
    /// Reads `range`, with at least `halo` kept samples more on either side as far as neither the
    /// record's ends nor `clean` (a stretch without a gap) are passed.
    ///
    /// # Errors
    /// Where samples can't be read again.
    pub(super) fn read(
        samples: &dyn Samples,
        range: &Range<u64>,
        clean: &Range<u64>,
        cycle: f64,
        halo: u64,
    ) -> Result<Self, ReadFailure> {
        let factor = thinning(cycle);
        let reach = halo * factor as u64;
        let from = range.start.saturating_sub(reach).max(clean.start);
        let to = (range.end + reach).min(clean.end).min(samples.len());
        let mut block = Block { start: from, ..Block::default() };
        // Whole groups at a time.
        let step = READ - READ % factor as u64;
        let mut at = from;
        while at < to {
            let end = (at + step).min(to);
            let part = samples.read(at..end)?;
            if factor == 1 && block.is_empty() {
                block = part;
            } else {
                block.v.extend(means(&part.v, factor));
                block.i.extend(means(&part.i, factor));
            }
            at = end;
        }
        // What thinning takes of the carrier is given back.
        let back = 1.0 / amplitude_left(cycle, factor);
        if factor > 1 {
            block.v.iter_mut().chain(&mut block.i).for_each(|x| *x *= back);
        }
        Ok(Self { block, factor, covers: range.clone() })
    }

    /// Kept samples of a channel.
    #[must_use]
    pub(super) fn of(&self, channel: Channel) -> &[f64] {
        self.block.of(channel)
    }

    /// Kept samples of a stretch of recorded ones.
    #[must_use]
    pub(super) fn index(&self, range: &Range<u64>) -> Range<usize> {
        #[allow(clippy::cast_possible_truncation)]
        let of = |at: u64| {
            (at.saturating_sub(self.block.start) as usize / self.factor).min(self.block.len())
        };
        of(range.start)..of(range.end)
    }
}
