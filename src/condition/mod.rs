//! From raw numbers to volts and amperes: scale, offset, delay, in this order.

use crate::numeric::delay::Advance;
use crate::trace::Block;
use std::ops::Range;

/// Conditioning of one channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChannelChain {
    /// Volts or amperes per file unit.
    pub gain: f64,
    /// Offset in file units, taken away before the gain.
    pub offset: f64,
    /// The channel lags by so many samples (need not be whole); it is advanced by as much.
    pub lag: f64,
}

impl ChannelChain {
    fn level(&self, x: &mut [f64]) {
        let (gain, offset) = (self.gain, self.offset);
        if (gain - 1.0).abs() < f64::EPSILON && offset.abs() < f64::MIN_POSITIVE {
            return;
        }
        for value in x {
            *value = (*value - offset) * gain;
        }
    }
}

/// Conditioning of both channels; `None` where a channel is absent.
#[derive(Clone, Debug, Default)]
pub struct Chain {
    v: Option<(ChannelChain, Advance)>,
    i: Option<(ChannelChain, Advance)>,
}

impl Chain {
    /// A chain; lags must be finite.
    #[must_use]
    pub fn new(v: Option<ChannelChain>, i: Option<ChannelChain>) -> Self {
        let with = |chain: ChannelChain| (chain, Advance::new(chain.lag));
        Self { v: v.map(with), i: i.map(with) }
    }

    fn parts(&self) -> impl Iterator<Item = &(ChannelChain, Advance)> {
        self.v.iter().chain(&self.i)
    }

    /// Whether a channel is shifted at all.
    #[must_use]
    pub fn shifts(&self) -> bool {
        self.parts().any(|(chain, _)| chain.lag != 0.0)
    }

    fn reach(&self, side: fn(&Advance) -> i64) -> u64 {
        self.parts().map(|(_, advance)| side(advance)).max().unwrap_or(0).max(0).unsigned_abs()
    }

    /// Samples before and after one that its conditioned value depends on.
    #[must_use]
    pub fn reaches(&self) -> (u64, u64) {
        if self.shifts() {
            (self.reach(Advance::before), self.reach(Advance::after))
        } else {
            (0, 0)
        }
    }

    /// Raw samples needed for the conditioned ones of `wanted`, cut to `samples`.
    #[must_use]
    pub fn needs(&self, wanted: &Range<u64>, samples: u64) -> Range<u64> {
        let start = wanted.start.saturating_sub(self.reach(Advance::before));
        start..(wanted.end + self.reach(Advance::after)).min(samples)
    }

    /// Takes a further offset away, given in volts and amperes, before the delay.
    #[must_use]
    pub fn less_offset(mut self, v: f64, i: f64) -> Self {
        for (channel, offset) in [(&mut self.v, v), (&mut self.i, i)] {
            if let Some((chain, _)) = channel {
                chain.offset += offset / chain.gain;
            }
        }
        self
    }

    /// Conditions the `wanted` samples out of a raw block that holds what [`Self::needs`] says.
    #[must_use]
    pub fn apply(&self, mut raw: Block, wanted: Range<u64>) -> Block {
        let side = |part: &Option<(ChannelChain, Advance)>, x: &mut Vec<f64>| {
            let Some((chain, advance)) = part else { return Vec::new() };
            chain.level(x);
            if chain.lag == 0.0
                && raw.start == wanted.start
                && x.len() as u64 == wanted.end - wanted.start
            {
                return std::mem::take(x);
            }
            #[allow(clippy::cast_possible_truncation)]
            let mut out = vec![0.0; (wanted.end - wanted.start) as usize];
            advance.apply(x, (wanted.start - raw.start) as i64, &mut out);
            out
        };
        let v = side(&self.v, &mut raw.v);
        let i = side(&self.i, &mut raw.i);
        Block { start: wanted.start, v, i }
    }
}

/// Conditions a record that arrives in blocks. The result does not depend on how it is cut.
#[derive(Debug)]
pub struct Conditioner {
    chain: Chain,
    /// Levelled samples that later ones still need, or that wait for later ones.
    held: Block,
    next: u64,
    out: Block,
}

impl Conditioner {
    /// Starts at sample 0.
    #[must_use]
    pub fn new(chain: Chain) -> Self {
        Self { chain, held: Block::default(), next: 0, out: Block::default() }
    }

    /// Takes the raw samples that follow and gives on what is ready.
    pub fn push(&mut self, v: &mut [f64], i: &mut [f64], emit: impl FnOnce(&[f64], &[f64])) {
        for (part, x) in [(&self.chain.v, &mut *v), (&self.chain.i, &mut *i)] {
            if let Some((chain, _)) = part {
                chain.level(x);
            }
        }
        if !self.chain.shifts() {
            emit(v, i);
            return;
        }
        self.held.v.extend_from_slice(v);
        self.held.i.extend_from_slice(i);
        let ready = self.held.end().saturating_sub(self.chain.reach(Advance::after));
        self.release(ready, emit);
    }

    /// Gives on what is left; beyond the end the channels are taken to stay at their last value.
    pub fn finish(&mut self, emit: impl FnOnce(&[f64], &[f64])) {
        if self.chain.shifts() {
            self.release(self.held.end(), emit);
        }
    }

    fn release(&mut self, ready: u64, emit: impl FnOnce(&[f64], &[f64])) {
        if ready <= self.next {
            return;
        }
        #[allow(clippy::cast_possible_truncation)]
        let count = (ready - self.next) as usize;
        let origin = (self.next - self.held.start) as i64;
        let sides = [
            (&self.chain.v, &self.held.v, &mut self.out.v),
            (&self.chain.i, &self.held.i, &mut self.out.i),
        ];
        for (part, held, out) in sides {
            if let Some((_, advance)) = part {
                out.resize(count, 0.0);
                advance.apply(held, origin, out);
            }
        }
        emit(&self.out.v, &self.out.i);
        self.next = ready;
        let keep = self.next.saturating_sub(self.chain.reach(Advance::before));
        #[allow(clippy::cast_possible_truncation)]
        let drop = keep.saturating_sub(self.held.start) as usize;
        for x in [&mut self.held.v, &mut self.held.i] {
            x.drain(..drop.min(x.len()));
        }
        self.held.start += drop as u64;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chain(lag: f64) -> Chain {
        Chain::new(
            Some(ChannelChain { gain: 1000.0, offset: 0.25, lag: 0.0 }),
            Some(ChannelChain { gain: -2.0, offset: 0.0, lag }),
        )
    }

    fn record() -> Block {
        let v: Vec<f64> = (0..500).map(|n| (f64::from(n) * 0.2).sin()).collect();
        let i = v.iter().map(|v| v * 0.5).collect();
        Block { start: 0, v, i }
    }

    fn in_blocks(chain: Chain, size: usize) -> Block {
        let (mut all, raw) = (Block::default(), record());
        let mut conditioner = Conditioner::new(chain);
        for (v, i) in raw.v.chunks(size).zip(raw.i.chunks(size)) {
            conditioner.push(&mut v.to_vec(), &mut i.to_vec(), |v, i| {
                all.v.extend_from_slice(v);
                all.i.extend_from_slice(i);
            });
        }
        conditioner.finish(|v, i| {
            all.v.extend_from_slice(v);
            all.i.extend_from_slice(i);
        });
        all
    }

    #[test]
    fn blocks_of_any_size_and_single_looks_agree() {
        for lag in [0.0, 0.37, -1.5, 30.2] {
            let whole = in_blocks(chain(lag), 500);
            assert_eq!(whole.len(), 500);
            for size in [1, 17, 100] {
                assert_eq!(in_blocks(chain(lag), size), whole, "lag {lag} size {size}");
            }
            for wanted in [0..10, 100..140, 480..500] {
                let chain = chain(lag);
                let needs = chain.needs(&wanted, 500);
                #[allow(clippy::cast_possible_truncation)]
                let cut = needs.start as usize..needs.end as usize;
                let raw = record();
                let raw = Block {
                    start: needs.start,
                    v: raw.v[cut.clone()].to_vec(),
                    i: raw.i[cut].to_vec(),
                };
                #[allow(clippy::cast_possible_truncation)]
                let part = wanted.start as usize..wanted.end as usize;
                let look = chain.apply(raw, wanted);
                assert_eq!(look.v, whole.v[part.clone()]);
                assert_eq!(look.i, whole.i[part]);
            }
        }
    }

    #[test]
    fn a_lagging_channel_is_advanced() {
        // i lags v by 1.3 samples; after conditioning both are in step.
        let v: Vec<f64> = (0..400).map(|n| (f64::from(n) * 0.2).sin()).collect();
        let mut i: Vec<f64> = (0..400).map(|n| ((f64::from(n) - 1.3) * 0.2).sin()).collect();
        let level = ChannelChain { gain: 1.0, offset: 0.0, lag: 0.0 };
        let chain = Chain::new(Some(level), Some(ChannelChain { lag: 1.3, ..level }));
        let out = chain.apply(Block { start: 0, v: v.clone(), i: std::mem::take(&mut i) }, 0..400);
        for (i, v) in out.i.iter().zip(&v).skip(50).take(300) {
            assert!((i - v).abs() < 1e-4);
        }
    }
}
