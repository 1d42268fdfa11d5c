//! A stretch of samples, and the door through which later stages ask for one again.

use super::gaps::Gaps;
use serde::{Deserialize, Serialize};
use std::ops::Range;

/// One of the two channels.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Channel {
    /// Voltage.
    Voltage,
    /// Current.
    Current,
}

impl Channel {
    /// Both, voltage first.
    pub const BOTH: [Self; 2] = [Self::Voltage, Self::Current];

    /// The other one.
    #[must_use]
    pub fn other(self) -> Self {
        match self {
            Self::Voltage => Self::Current,
            Self::Current => Self::Voltage,
        }
    }

    /// The word used in files and messages.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Voltage => "voltage",
            Self::Current => "current",
        }
    }

    /// What belongs to this channel.
    pub fn of<T>(self, both: impl Into<PerChannel<T>>) -> T {
        let PerChannel { voltage, current } = both.into();
        match self {
            Self::Voltage => voltage,
            Self::Current => current,
        }
    }
}

/// One of something for the voltage, and one for the current.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct PerChannel<T> {
    /// Of the voltage.
    pub voltage: T,
    /// Of the current.
    pub current: T,
}

impl<T> PerChannel<T> {
    /// What `make` makes of each channel.
    pub fn each(mut make: impl FnMut(Channel) -> T) -> Self {
        Self { voltage: make(Channel::Voltage), current: make(Channel::Current) }
    }

    /// The same of both, changed alike.
    pub fn map<U>(self, mut change: impl FnMut(T) -> U) -> PerChannel<U> {
        PerChannel { voltage: change(self.voltage), current: change(self.current) }
    }

    /// What belongs to a channel, to be changed.
    pub fn of_mut(&mut self, channel: Channel) -> &mut T {
        match channel {
            Channel::Voltage => &mut self.voltage,
            Channel::Current => &mut self.current,
        }
    }
}

impl<T> From<(T, T)> for PerChannel<T> {
    /// Of a pair that holds the voltage first.
    fn from((voltage, current): (T, T)) -> Self {
        Self { voltage, current }
    }
}

/// Which of the two channels a capture holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Channels {
    /// Voltage is there.
    pub voltage: bool,
    /// Current is there.
    pub current: bool,
}

impl Channels {
    /// Whether this one is there.
    #[must_use]
    pub fn has(self, channel: Channel) -> bool {
        channel.of((self.voltage, self.current))
    }

    /// Those that are there.
    pub fn present(self) -> impl Iterator<Item = Channel> {
        Channel::BOTH.into_iter().filter(move |channel| self.has(*channel))
    }
}

/// Consecutive samples, planar. A channel that is absent is empty; else both are equally long.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Block {
    /// Index in the record of the first sample.
    pub start: u64,
    /// Voltage, in volts once conditioned.
    pub v: Vec<f64>,
    /// Current, in amperes once conditioned.
    pub i: Vec<f64>,
}

impl Block {
    /// Number of samples.
    #[must_use]
    pub fn len(&self) -> usize {
        self.v.len().max(self.i.len())
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Samples of one channel; empty where it is absent.
    #[must_use]
    pub fn of(&self, channel: Channel) -> &[f64] {
        channel.of((&self.v, &self.i))
    }

    /// Index after the last sample.
    #[must_use]
    pub fn end(&self) -> u64 {
        self.start + self.len() as u64
    }
}

/// Reading samples a second time failed; the cause is the reader's own error.
#[derive(Debug, thiserror::Error)]
#[error("samples {start}..{end} can't be read again")]
pub struct ReadFailure {
    /// First sample that was wanted.
    pub start: u64,
    /// Sample after the last one wanted.
    pub end: u64,
    /// What the reader said.
    #[source]
    pub cause: Box<dyn std::error::Error + Send + Sync>,
}

/// Conditioned samples by place, for the few stretches that need a second look.
pub trait Samples: Sync {
    /// Number of samples of the record.
    fn len(&self) -> u64;

    /// Whether the record holds no sample.
    fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Samples per second.
    fn rate(&self) -> crate::units::SampleRate;

    /// Samples that are not valid; [`Self::read`] gives a neighbour's value in their place, which
    /// no measure may use.
    fn gaps(&self) -> &Gaps;

    /// The samples of `range`, cut to the record.
    ///
    /// # Errors
    /// Where the data can't be read again.
    fn read(&self, range: Range<u64>) -> Result<Block, ReadFailure>;
}
