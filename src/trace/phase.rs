//! Phases: stretches of one kind of output.

use super::block::Channel;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Kind of output of a phase.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Continuous or blended output above the level at which cutting arcs form.
    Cut,
    /// Strongly modulated output, or continuous output of low voltage.
    Coag,
    /// No output.
    Rest,
}

impl Kind {
    /// All kinds, in the order in which they are listed.
    pub const ALL: [Self; 3] = [Self::Cut, Self::Coag, Self::Rest];

    /// The word used in files and tables.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Cut => "cut",
            Self::Coag => "coag",
            Self::Rest => "rest",
        }
    }

    /// Whether there is output.
    #[must_use]
    pub fn powered(self) -> bool {
        self != Self::Rest
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// A half-open stretch `[start, end)` of samples of one kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Phase {
    /// Kind, as measured or as the expected sequence names it.
    pub kind: Kind,
    /// Kind by the measured waveform alone.
    pub measured_kind: Kind,
    /// Channel that shows it: the voltage, or the current where the voltage shows nothing.
    pub lead: Channel,
    /// First sample.
    pub start: u64,
    /// Sample after the last.
    pub end: u64,
}

impl Phase {
    /// Number of samples.
    #[must_use]
    pub fn len(&self) -> u64 {
        self.end - self.start
    }

    /// Whether it holds no sample.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.end <= self.start
    }
}

/// Where phases fail to tile a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TilingFault {
    /// A phase that is empty or does not begin where the one before it ends.
    #[error("phase {k} covers {start}..{end}, expected to start at {expected}")]
    Phase {
        /// Its place.
        k: usize,
        /// First sample.
        start: u64,
        /// End.
        end: u64,
        /// Where it should begin.
        expected: u64,
    },
    /// The last phase ends elsewhere than the record.
    #[error("phases end at {end} of {samples} samples")]
    End {
        /// End of the last phase.
        end: u64,
        /// Samples of the record.
        samples: u64,
    },
}

/// Says where `phases` fail to tile `[0, samples)`: sorted, without gap, overlap or empty phase.
///
/// # Errors
/// The first place at fault.
pub fn check_tiling(phases: &[Phase], samples: u64) -> Result<(), TilingFault> {
    let mut next = 0;
    for (k, phase) in phases.iter().enumerate() {
        if phase.start != next || phase.is_empty() {
            let (start, end) = (phase.start, phase.end);
            return Err(TilingFault::Phase { k, start, end, expected: next });
        }
        next = phase.end;
    }
    if next == samples { Ok(()) } else { Err(TilingFault::End { end: next, samples }) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tiling_is_proved_or_refuted() {
        let phase = |start, end| Phase {
            kind: Kind::Cut,
            measured_kind: Kind::Cut,
            lead: Channel::Voltage,
            start,
            end,
        };
        assert!(check_tiling(&[phase(0, 4), phase(4, 9)], 9).is_ok());
        assert!(check_tiling(&[phase(0, 4), phase(5, 9)], 9).is_err());
        assert!(check_tiling(&[phase(0, 4), phase(4, 4)], 4).is_err());
        assert!(check_tiling(&[phase(0, 4)], 5).is_err());
        assert!(check_tiling(&[], 0).is_ok());
    }
}
