//! Doubts about a result: what each means, which measures it touches, and what it does to a verdict.

use crate::measures::Measure;
use crate::trace::Kind;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// What a doubt does to a limit on a measure that it touches, where its size is not known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Effect {
    /// The capture leaves no ground for a verdict: not measured.
    Blocks,
    /// At best a conditional pass.
    Limits,
    /// Told only.
    Notes,
}

/// One row of [`FLAGS`].
#[derive(Debug)]
pub struct Row {
    /// The code.
    pub code: Code,
    /// Its name in files.
    pub name: &'static str,
    /// What is in doubt, in groups.
    pub measures: &'static [&'static [Doubted]],
    /// What it does to a verdict.
    pub effect: Effect,
}

macro_rules! flags {
    ($($(#[$doc:meta])* $variant:ident $name:literal $measures:expr, $effect:ident;)*) => {
        /// Codes of all flags.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[non_exhaustive]
        pub enum Code { $($(#[$doc])* #[serde(rename = $name)] $variant),* }

        /// All flags: code, measures in doubt, effect; in the order of [`Code`].
        pub const FLAGS: &[Row] = &[$(Row {
            code: Code::$variant,
            name: $name,
            measures: &$measures,
            effect: Effect::$effect,
        }),*];
    };
}

/// What a doubt is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Doubted {
    /// The phases themselves: their number, kinds or edges.
    Phases,
    /// A measure.
    Measure(Measure),
}

/// Stands among the measures in doubt where the phases are.
pub const PHASES: &str = "phases";

impl Doubted {
    /// The word used in files.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Phases => PHASES,
            Self::Measure(measure) => measure.key(),
        }
    }
}

impl Serialize for Doubted {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.key())
    }
}

impl<'de> Deserialize<'de> for Doubted {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let key = std::borrow::Cow::<str>::deserialize(deserializer)?;
        if key == PHASES {
            return Ok(Self::Phases);
        }
        Measure::find(&key).map(Self::Measure).map_err(serde::de::Error::custom)
    }
}

/// A group of measures in doubt.
macro_rules! doubted {
    ($($measure:ident),*) => { &[$(Doubted::Measure(Measure::$measure)),*] };
}

const LEVELS: &[Doubted] =
    doubted![Power, Energy, VoltageRms, CurrentRms, ApparentPower, PowerOneSecond, BurstEnergy];
const PEAKS: &[Doubted] = doubted![
    VoltagePeak,
    CurrentPeak,
    VoltagePeakPositive,
    VoltagePeakNegative,
    VoltagePeakToPeak,
    CrestFactor,
    DutyCycleEquivalent
];
const BURSTS: &[Doubted] = doubted![DutyCycle, BurstRate, BurstOn, BurstEnergy, BurstDecay];
const ON_TIME: &[Doubted] = doubted![DutyCycle, BurstOn, BurstDecay];
const CARRIER: &[Doubted] = doubted![Fundamental, FundamentalSpread];
const CONTENT: &[Doubted] = doubted![Distortion, LowFrequencyShare, DcShare, UndescribedShare];
const TURN: &[Doubted] =
    doubted![Power, Energy, PowerFactor, PowerOneSecond, BurstEnergy, Load, LoadReactance];
const LOAD: &[Doubted] = doubted![Load, LoadReactance, PowerFactor];
const TIME: &[Doubted] = &[
    Doubted::Phases,
    Doubted::Measure(Measure::Duration),
    Doubted::Measure(Measure::PhaseShare),
    Doubted::Measure(Measure::OnsetRise),
    Doubted::Measure(Measure::OnsetBoost),
];
const SLOW: &[Doubted] = doubted![RippleDepth, RippleRate];
const EVERYTHING: &[&[Doubted]] = &[LEVELS, PEAKS, BURSTS, CARRIER, CONTENT, LOAD, TIME, SLOW];

flags! {
    /// The file ends early.
    Truncated "truncated" *EVERYTHING, Blocks;
    /// Another number of samples than the file states.
    CountMismatch "count_mismatch" [TIME, doubted![Energy]], Limits;
    /// Records too short to measure were left out.
    ShortRecord "short_record" [], Notes;
    /// Time jumps before the record.
    TimeJump "time_jump" *EVERYTHING, Blocks;
    /// Time stamps leave an even grid.
    NotUniform "not_uniform" *EVERYTHING, Blocks;
    /// So few samples a second that no carrier can be seen.
    RateLow "rate_low" *EVERYTHING, Blocks;
    /// The export holds a part of the samples that were taken.
    Decimated "decimated" *EVERYTHING, Blocks;
    /// The export was filled up with computed samples.
    Interpolated "interpolated" [PEAKS, ON_TIME, CONTENT], Limits;
    /// The samples are averages.
    Averaged "averaged" [PEAKS, LEVELS, BURSTS, CONTENT, LOAD], Limits;
    /// The samples are pairs of a smallest and a largest value.
    PeakDetect "peak_detect" *EVERYTHING, Blocks;
    /// Numbers of the instrument's side of a transformer.
    SecondaryValues "secondary_values" [LEVELS, PEAKS, LOAD], Blocks;
    /// Nothing tells the unit of a channel.
    UnitAssumed "unit_assumed" [LEVELS, PEAKS, LOAD], Limits;
    /// The file states a delay between its channels.
    SkewStated "skew_stated" [TURN], Notes;
    /// A table of the file was left out.
    BlockLeftOut "block_left_out" [], Notes;
    /// Samples that are not valid.
    Gaps "gaps" [LEVELS, PEAKS, BURSTS, TIME], Limits;
    /// Samples beyond the range.
    Overrange "overrange" [LEVELS, PEAKS, ON_TIME, CONTENT], Blocks;
    /// Crests are cut off.
    Clipped "clipped" [LEVELS, PEAKS, ON_TIME, CONTENT, &[Doubted::Phases]], Blocks;
    /// Crests are flat, below where the sheet says that the input clips.
    FlatWave "flat_wave" [], Notes;
    /// Few steps of the converter.
    FewCodes "few_codes" [LEVELS, PEAKS, ON_TIME], Limits;
    /// Few samples per carrier cycle.
    Undersampled "undersampled" [PEAKS, ON_TIME, doubted![Distortion]], Limits;
    /// Little above the noise.
    NoiseHigh "noise_high"
        [doubted![VoltageRms, CurrentRms, ApparentPower, PowerFactor], PEAKS, ON_TIME, CONTENT, SLOW],
        Limits;
    /// Too few bursts or cycles to tell.
    TooShort "too_short" [BURSTS, CARRIER, CONTENT, PEAKS], Limits;
    /// A carrier that no generator is known to have: aliased, or not the output.
    CarrierUnusual "carrier_unusual" [CARRIER, PEAKS, BURSTS, CONTENT, LOAD], Blocks;
    /// A carrier lower than generators mostly have.
    CarrierLow "carrier_low" [CARRIER, PEAKS, BURSTS], Limits;
    /// Voltage and current are swapped.
    ChannelsSwapped "channels_swapped" [LEVELS, PEAKS, LOAD], Blocks;
    /// The current has the wrong sign.
    CurrentInverted "current_inverted" [LEVELS, LOAD], Blocks;
    /// Voltage over current is not the stated load.
    LoadMismatch "load_mismatch" [LEVELS, PEAKS, LOAD], Blocks;
    /// Voltage and current are out of phase on a resistor.
    SkewSuspected "skew_suspected" [TURN], Limits;
    /// A channel shows nothing while the other shows output.
    ChannelDead "channel_dead" [LEVELS, PEAKS, BURSTS, LOAD, TIME], Blocks;
    /// Current without voltage.
    OutputShorted "output_shorted" [TIME, LEVELS, PEAKS, BURSTS, LOAD], Limits;
    /// The current is not that of a resistor, though the sheet states one.
    CurrentUnlike "current_unlike" [LEVELS, PEAKS, LOAD], Limits;
    /// The mean of the output is not 0.
    DcOffset "dc_offset" [LEVELS, PEAKS, ON_TIME, doubted![DcShare]], Limits;
    /// The zero line moves.
    BaselineMoves "baseline_moves" [LEVELS, PEAKS, ON_TIME, CONTENT], Limits;
    /// Peaks of both signs differ.
    Asymmetric "asymmetric" [], Notes;
    /// Cycles that the record cuts off.
    IncompleteCycle "incomplete_cycle" [], Notes;
    /// No output at all.
    NoOutput "no_output" *EVERYTHING, Blocks;
    /// A rest that holds power.
    RestNotQuiet "rest_not_quiet" [TIME], Limits;
    /// Output too short to be a phase.
    ShortOutput "short_output" [TIME], Limits;
    /// Silence inside output that does not come in bursts.
    OutputInterrupted "output_interrupted" [TIME, LEVELS, BURSTS, doubted![CrestFactor]], Limits;
    /// The waveform does not tell cut from coag.
    KindInDoubt "kind_in_doubt" [&[Doubted::Phases]], Limits;
    /// What was looked at closely is not like the rest of the phase.
    OutputVaries "output_varies" [BURSTS, CARRIER, CONTENT], Limits;
    /// The measures do not describe the wave.
    ShapeNotDescribed "shape_not_described" [CARRIER, BURSTS, CONTENT, LOAD], Limits;
    /// Further packets between the bursts.
    SecondPackets "second_packets" [ON_TIME], Limits;
    /// Bursts of two heights by turns.
    BurstsAlternate "bursts_alternate" [BURSTS], Limits;
    /// Bursts are left out.
    BurstsMissing "bursts_missing" [BURSTS], Limits;
    /// One crest stands far above all others.
    LonePeak "lone_peak" [PEAKS], Limits;
}

impl Code {
    /// Whether a flag of this kind may put a measure in doubt.
    #[must_use]
    pub fn touches(self, measure: Measure) -> bool {
        self.row().measures.iter().copied().flatten().any(|one| *one == Doubted::Measure(measure))
    }

    /// The flag of this name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        FLAGS.iter().map(|row| row.code).find(|code| code.name() == name)
    }

    /// Its row.
    #[must_use]
    pub fn row(self) -> &'static Row {
        &FLAGS[self as usize]
    }

    /// Its name in files.
    #[must_use]
    pub fn name(self) -> &'static str {
        self.row().name
    }
}

/// A doubt about a result.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Flag {
    /// Code for programs.
    pub code: Code,
    /// What was seen, how large it is, and what to do.
    pub message: String,
    /// What is in doubt.
    #[serde(default)]
    pub measures: Vec<Doubted>,
    /// Kinds of the phases in which it was seen; empty where it touches the whole record.
    #[serde(rename = "in", default, skip_serializing_if = "Vec::is_empty")]
    pub kinds: Vec<Kind>,
    /// Largest relative error that it may stand for, where that is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub relative_size: Option<f64>,
    /// Samples concerned, where that has a meaning.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub samples: Option<u64>,
}

impl Flag {
    /// A flag on the whole record, with the measures of its row.
    #[must_use]
    pub fn new(code: Code, message: impl Into<String>) -> Self {
        let mut measures = Vec::new();
        for doubted in code.row().measures.iter().copied().flatten() {
            if !measures.contains(doubted) {
                measures.push(*doubted);
            }
        }
        Self {
            code,
            message: message.into(),
            measures,
            kinds: Vec::new(),
            relative_size: None,
            samples: None,
        }
    }

    /// The same for phases of these kinds only.
    #[must_use]
    pub fn seen_in(mut self, kinds: impl IntoIterator<Item = Kind>) -> Self {
        self.kinds = kinds.into_iter().collect();
        self.kinds.sort_unstable();
        self.kinds.dedup();
        self
    }

    /// The same with these measures in doubt only.
    #[must_use]
    pub fn on(mut self, measures: impl IntoIterator<Item = Measure>) -> Self {
        self.measures = measures.into_iter().map(Doubted::Measure).collect();
        self
    }

    /// The same with the largest relative error that it may stand for.
    #[must_use]
    pub fn of_size(mut self, relative: f64) -> Self {
        self.relative_size = Some(relative.abs()).filter(|size| size.is_finite());
        self
    }

    /// The same with the number of samples concerned.
    #[must_use]
    pub fn with_samples(mut self, samples: u64) -> Self {
        self.samples = Some(samples);
        self
    }

    /// Whether it puts this measure in doubt.
    #[must_use]
    pub fn touches(&self, measure: Measure) -> bool {
        self.measures.contains(&Doubted::Measure(measure))
    }

    /// Whether it puts the phases themselves in doubt.
    #[must_use]
    pub fn touches_phases(&self) -> bool {
        self.measures.contains(&Doubted::Phases)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_stand_in_the_order_of_the_codes() {
        for (k, row) in FLAGS.iter().enumerate() {
            assert_eq!(row.code as usize, k);
            let written = serde_json::to_string(&row.code).unwrap();
            assert_eq!(written, format!("\"{}\"", row.name));
        }
    }

    #[test]
    fn a_measure_is_in_doubt_once() {
        for row in FLAGS {
            let flag = Flag::new(row.code, "");
            for (k, one) in flag.measures.iter().enumerate() {
                assert!(!flag.measures[..k].contains(one), "{}: {}", row.name, one.key());
            }
        }
    }
}
