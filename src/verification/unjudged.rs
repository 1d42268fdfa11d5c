//! Why something of a plan can't be judged.

use super::reading::ReadingFault;
use crate::measures::Reason;
use crate::units::{Unit, for_people};

/// Why there is no value to judge.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub(crate) enum Unjudged {
    /// No capture.
    #[error("nothing was captured")]
    NotCaptured,
    /// Captures, but none that can be judged.
    #[error("no capture can be judged")]
    NoneUsable,
    /// No reading.
    #[error("nothing was read")]
    NotRead,
    /// Several captures.
    #[error("more than one capture claims this step")]
    ClaimedTwice,
    /// The capture is there, but can't be used.
    #[error("{0}")]
    Unreadable(String),
    /// The reading is not what the step takes.
    #[error("{0}")]
    Reading(ReadingFault),
    /// A reading that is only known to lie on one side of a number.
    #[error(
        "the reading only says that the value is {side} {bound}: read it again in a range that includes the limit"
    )]
    OneSided { side: &'static str, bound: f64 },
    /// A reading beyond the range of the instrument.
    #[error(
        "the instrument overflowed: read it in a wider range, or write \"> \" and the end of the range"
    )]
    Overflow,
    /// The capture does not give the measure.
    #[error("{0}")]
    NotHad(Reason),
    /// What was kept of the capture has no verdict on this limit.
    #[error("the capture was not compared with this limit")]
    NotCompared,
    /// A curve with gaps.
    #[error("loads are missing")]
    LoadsMissing,
    /// Without it nothing can be said of a difference.
    #[error("the uncertainty of the powers is not known")]
    NoUncertainty,
    /// Of powers that scatter around nothing there is no relative deviation.
    #[error("the powers have no mean above 0")]
    NoMean,
    /// A record too short for a drift, s needed.
    #[error("a drift needs at least {0} s of output, as the unit warms up")]
    TooShortForDrift(f64),
    /// No fit.
    #[error("no source behind a resistance gives such a curve")]
    NoSource,
    /// A fit that is none, with the largest relative distance from it.
    #[error("the curve is not one of a source behind a resistance: it is off by up to {:.1} %", 100.0 * .0)]
    OtherSource(f64),
    /// A load that the expected curve says nothing of, ohm.
    #[error("the measured load of {} lies beyond the expected curve", for_people(*.0, Unit::Ohm))]
    BeyondCurve(f64),
    /// No third channel, or nothing on it.
    #[error("the sheet names no switch channel, or it never moved")]
    NoSwitch,
    /// Presses and outputs that don't belong together.
    #[error(
        "a press has no output of its own, or an output no press ({0} in all): is the threshold of the \
         switch right?"
    )]
    Unpaired(usize),
    /// The record begins or ends in between.
    #[error("the switch or the output has no such edge in the record")]
    NoEdge,
    /// Overflow.
    #[error("it is not a finite number")]
    NotFinite,
}

impl From<Reason> for Unjudged {
    fn from(reason: Reason) -> Self {
        Self::NotHad(reason)
    }
}
