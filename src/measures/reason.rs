//! Why a measure can't be had.

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;

macro_rules! reasons {
    ($($variant:ident $text:literal;)*) => {
        /// Why a measure can't be had; shown and written as its text.
        #[derive(Clone, Debug, PartialEq, Eq)]
        #[non_exhaustive]
        pub enum Reason {
            $(#[doc = $text] $variant,)*
            /// So much of the interval was not recorded, in hundredths of a percent.
            NotRecorded(u32),
            /// Samples beyond the range: the highest crests are missing.
            Overrange {
                /// How many.
                samples: u64,
            },
            /// Written by another version of this program.
            Other(String),
        }

        /// The reasons that are one text each.
        const TEXTS: &[(Reason, &str)] = &[$((Reason::$variant, $text)),*];
    };
}

reasons! {
    NotFinite "the result is not a finite number";
    NotOfThisPart "measured for one kind of phase only, over whole cycles";
    NoSamples "no samples";
    NoSuchPhase "no such phase";
    NoSuchChannel "no such channel";
    NoVoltage "no voltage channel";
    NoCurrent "no current channel";
    NeedsBoth "needs voltage and current";
    NoCurrentAtFundamental "no current at the fundamental";
    NoOutput "no output in this interval";
    OpenCircuit "open circuit: no power is drawn";
    NoLoad "one channel and no load resistance: set load.nominal_ohm";
    Continuous "the output is continuous";
    Mixed "the interval contains both continuous output and bursts";
    TooShortForBursts "too short to see three bursts";
    NoWholeBurst "no burst was seen whole";
    NoWholeBurstOrPower "no burst was seen whole, or the power is not known";
    FewerThanTwoBursts "fewer than two bursts were seen whole";
    NoDecay "the bursts do not decay";
    NoCarrier "no carrier could be fitted";
    ShorterThanOneSecond "the interval is shorter than 1 s";
    NoOnset "no onset after a rest, or one too fast to measure";
    NoLongOnset "no phase of 40 ms or more began inside the record";
    TooShortForRipple "needs output that lasts for 18 windows of 0.25 ms or 4 bursts";
    NoRipple "no ripple of 0.5 % or more repeats";
    NotSteady "measured on steady output only";
    NotContinuous "measured on continuous output only";
    NotContinuousFor1Ms "measured on continuous output of 1 ms or more only";
    NotOutput "measured on output only";
    NoWholeCycle "no whole cycle was found";
    NoCut "no cut phase was found";
    NoCoag "no coag phase was found";
    NoRest "no rest phase was found";
    NotTold "not measured for this part";
    NotOfCapture "not measured for this capture";
}

impl Reason {
    /// That this share of the interval was not recorded.
    #[must_use]
    pub fn not_recorded(share: f64) -> Self {
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        Self::NotRecorded((1e4 * share).round().clamp(0.0, 1e4) as u32)
    }
}

/// What stands behind the two reasons that hold a number.
const NOT_RECORDED: &str = " % of the interval was not recorded";
const OVERRANGE: &str = " sample(s) lay beyond the range: the highest crests were not recorded";

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotRecorded(share) => {
                write!(f, "{}.{:02}{NOT_RECORDED}", share / 100, share % 100)
            }
            Self::Overrange { samples } => write!(f, "{samples}{OVERRANGE}"),
            Self::Other(text) => f.write_str(text),
            // Each of the others has its text, as a test holds.
            one => f.write_str(TEXTS.iter().find(|(r, _)| r == one).map_or("", |(_, text)| text)),
        }
    }
}

impl From<&str> for Reason {
    fn from(text: &str) -> Self {
        if let Some((reason, _)) = TEXTS.iter().find(|(_, known)| *known == text) {
            return reason.clone();
        }
        let share = || {
            let (whole, part) = text.strip_suffix(NOT_RECORDED)?.split_once('.')?;
            Some(Self::NotRecorded(100 * whole.parse::<u32>().ok()? + part.parse::<u32>().ok()?))
        };
        let beyond = || {
            let samples = text.strip_suffix(OVERRANGE)?.parse().ok()?;
            Some(Self::Overrange { samples })
        };
        share().or_else(beyond).unwrap_or_else(|| Self::Other(text.to_owned()))
    }
}

impl Serialize for Reason {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Reason {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = std::borrow::Cow::<str>::deserialize(deserializer)?;
        Ok(Self::from(text.as_ref()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reasons_read_back() {
        let all = TEXTS.iter().map(|(reason, _)| reason.clone()).chain([
            Reason::not_recorded(0.012_34),
            Reason::not_recorded(1.0),
            Reason::Overrange { samples: 7 },
            Reason::Other("of later days".into()),
        ]);
        for reason in all {
            let text = reason.to_string();
            assert!(!text.is_empty(), "{reason:?}");
            assert_eq!(Reason::from(text.as_str()), reason);
        }
        assert_eq!(
            Reason::not_recorded(0.001_25).to_string(),
            "0.13 % of the interval was not recorded"
        );
    }
}
