//! What a synthetic capture is asked for by, and the recipe it makes.

use super::{Output, Recipe, Section, Wave, truth};
use crate::explain::{ErrorCode, Explain};
use crate::trace::Kind;
use crate::units::SampleRate;
use serde::Deserialize;

/// Shape of a synthetic capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Shape {
    /// A steady sine.
    Continuous,
    /// A sine, on for a share of each burst period.
    Gated,
    /// Bursts that ring and die away.
    Damped,
    /// A sine with sinusoidal amplitude modulation.
    Modulated,
    /// A repeating cycle of cut, coag and rest.
    Cycled,
}

impl Shape {
    /// All shapes.
    pub const ALL: [Self; 5] =
        [Self::Continuous, Self::Gated, Self::Damped, Self::Modulated, Self::Cycled];

    /// The word used on the command line.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Continuous => "continuous",
            Self::Gated => "gated",
            Self::Damped => "damped",
            Self::Modulated => "modulated",
            Self::Cycled => "cycled",
        }
    }
}

/// What is asked for; what is left out is as usual, or belongs to another shape.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Request {
    /// Shape.
    pub shape: Shape,
    /// Samples per second; 10 MHz if left out.
    pub rate_hz: Option<f64>,
    /// Length of the record, s; 0.01, or two cycles.
    pub duration_s: Option<f64>,
    /// Carrier frequency, Hz; 500 kHz.
    pub carrier_hz: Option<f64>,
    /// Bursts per second (gated, damped); 25 kHz.
    pub burst_rate_hz: Option<f64>,
    /// Share of the burst period with carrier (gated); 0.25.
    pub duty: Option<f64>,
    /// Logarithmic decrement per carrier cycle (damped); 0.5.
    pub decrement: Option<f64>,
    /// Modulation frequency, Hz (modulated); 20 kHz.
    pub modulation_hz: Option<f64>,
    /// Modulation depth (modulated); 0.5.
    pub depth: Option<f64>,
    /// Largest voltage, V; 1000.
    pub peak_v: Option<f64>,
    /// Mean power instead, W.
    pub power_w: Option<f64>,
    /// Load, ohm; 500.
    pub load_ohm: Option<f64>,
    /// White noise so far under the RMS of the output, dB.
    pub snr_db: Option<f64>,
    /// Seed of the noise; 1.
    pub seed: Option<u64>,
    /// Clips at this share of the peak.
    pub clip: Option<f64>,
    /// The current channel lags by this, s.
    pub skew_s: Option<f64>,
    /// Resolution, bits.
    pub bits: Option<u32>,
    /// Linear rise at the start, s (continuous; cut of cycled).
    pub ramp_s: Option<f64>,
    /// Place in the sequence at which the record begins, s.
    pub start_s: Option<f64>,
    /// Length of each cut, s (cycled); 0.02.
    pub cut_s: Option<f64>,
    /// Length of each coag, s (cycled); 0.05.
    pub coag_s: Option<f64>,
    /// Length of each rest, s (cycled); 0.03, and 0 leaves it out.
    pub rest_s: Option<f64>,
    /// Shape of the coag (cycled); damped.
    pub coag_shape: Option<Shape>,
    /// Largest voltage of the coag, V (cycled); 1500.
    pub coag_peak_v: Option<f64>,
}

impl Request {
    /// A shape with all else as usual.
    #[must_use]
    pub fn of(shape: Shape) -> Self {
        Self {
            shape,
            rate_hz: None,
            duration_s: None,
            carrier_hz: None,
            burst_rate_hz: None,
            duty: None,
            decrement: None,
            modulation_hz: None,
            depth: None,
            peak_v: None,
            power_w: None,
            load_ohm: None,
            snr_db: None,
            seed: None,
            clip: None,
            skew_s: None,
            bits: None,
            ramp_s: None,
            start_s: None,
            cut_s: None,
            coag_s: None,
            rest_s: None,
            coag_shape: None,
            coag_peak_v: None,
        }
    }
}

/// A request that can't be met.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{name}: {message}")]
pub struct RequestError {
    /// What was asked, as the field of [`Request`] is named.
    pub name: &'static str,
    /// What is wrong with it.
    pub message: String,
    /// What to do.
    pub help: &'static str,
}

impl Explain for RequestError {
    fn code(&self) -> ErrorCode {
        ErrorCode::WrongUse
    }

    fn help(&self) -> Option<String> {
        Some(self.help.into())
    }
}

/// Longest record, so that a slip of the keyboard does not fill the disk.
const LONGEST: f64 = 1e10;

fn bad<T>(name: &'static str, message: impl Into<String>) -> Result<T, RequestError> {
    Err(RequestError { name, message: message.into(), help: "see `crestbook synth --help`" })
}

/// What belongs to some shapes only, each as given or by default.
struct Shaped {
    burst_rate_hz: f64,
    duty: f64,
    decrement: f64,
    modulation_hz: f64,
    depth: f64,
    ramp_s: f64,
    cut_s: f64,
    coag_s: f64,
    rest_s: f64,
    coag_peak_v: f64,
    coag_shape: Shape,
}

impl Shaped {
    /// Refuses what would have no effect on the shape.
    fn of(args: &Request) -> Result<Self, RequestError> {
        let coag_shape = args.coag_shape.unwrap_or(Shape::Damped);
        let cycled = args.shape == Shape::Cycled;
        let any = |shapes: &[Shape]| {
            shapes.contains(&args.shape) || (cycled && shapes.contains(&coag_shape))
        };
        let bursts = any(&[Shape::Gated, Shape::Damped]);
        let modulated = any(&[Shape::Modulated]);
        for (flag, given, acts) in [
            ("burst_rate_hz", args.burst_rate_hz.is_some(), bursts),
            ("duty", args.duty.is_some(), any(&[Shape::Gated])),
            ("decrement", args.decrement.is_some(), any(&[Shape::Damped])),
            ("modulation_hz", args.modulation_hz.is_some(), modulated),
            ("depth", args.depth.is_some(), modulated),
            ("ramp_s", args.ramp_s.is_some(), cycled || args.shape == Shape::Continuous),
            ("cut_s", args.cut_s.is_some(), cycled),
            ("coag_s", args.coag_s.is_some(), cycled),
            ("rest_s", args.rest_s.is_some(), cycled),
            ("coag_shape", args.coag_shape.is_some(), cycled),
            ("coag_peak_v", args.coag_peak_v.is_some(), cycled),
        ] {
            if given && !acts {
                return Err(RequestError {
                    name: flag,
                    message: format!("has no effect on the shape {}", args.shape.name()),
                    help: "leave it out, or choose the shape that has it",
                });
            }
        }
        Ok(Self {
            burst_rate_hz: args.burst_rate_hz.unwrap_or(25e3),
            duty: args.duty.unwrap_or(0.25),
            decrement: args.decrement.unwrap_or(0.5),
            modulation_hz: args.modulation_hz.unwrap_or(20e3),
            depth: args.depth.unwrap_or(0.5),
            ramp_s: args.ramp_s.unwrap_or(0.0),
            cut_s: args.cut_s.unwrap_or(0.02),
            coag_s: args.coag_s.unwrap_or(0.05),
            rest_s: args.rest_s.unwrap_or(0.03),
            coag_peak_v: args.coag_peak_v.unwrap_or(1500.0),
            coag_shape,
        })
    }
}

impl Request {
    /// The recipe.
    ///
    /// # Errors
    /// Numbers out of range, and what has no effect on the shape.
    pub fn recipe(&self) -> Result<Recipe, RequestError> {
        let args = self;
        let given = Shaped::of(args)?;
        if args.peak_v.is_some() && args.power_w.is_some() {
            return bad("power_w", "stands in the place of peak_v: give one of them");
        }
        let carrier_hz = args.carrier_hz.unwrap_or(500e3);
        let load_ohm = args.load_ohm.unwrap_or(500.0);
        let rate_hz = args.rate_hz.unwrap_or(10e6);
        let skew_s = args.skew_s.unwrap_or(0.0);
        let start_s = args.start_s.unwrap_or(0.0);
        for (flag, value) in [
            ("carrier_hz", carrier_hz),
            ("burst_rate_hz", given.burst_rate_hz),
            ("decrement", given.decrement),
            ("modulation_hz", given.modulation_hz),
            ("load_ohm", load_ohm),
            ("cut_s", given.cut_s),
            ("coag_s", given.coag_s),
            ("coag_peak_v", given.coag_peak_v),
            ("duration_s", args.duration_s.unwrap_or(1.0)),
            ("peak_v", args.peak_v.unwrap_or(1.0)),
            ("power_w", args.power_w.unwrap_or(1.0)),
        ] {
            if !(value.is_finite() && value > 0.0) {
                return bad(flag, "must be above 0");
            }
        }
        for (flag, value) in
            [("rest_s", given.rest_s), ("ramp_s", given.ramp_s), ("start_s", start_s)]
        {
            if !(value.is_finite() && value >= 0.0) {
                return bad(flag, "can't be negative");
            }
        }
        for (flag, value) in
            [("duty", given.duty), ("depth", given.depth), ("clip", args.clip.unwrap_or(1.0))]
        {
            if !(value > 0.0 && value <= 1.0) {
                return bad(flag, "must lie above 0 and up to 1");
            }
        }
        if args.bits.is_some_and(|bits| !(2..=32).contains(&bits)) {
            return bad("bits", "2 to 32");
        }
        if !skew_s.is_finite() || args.snr_db.is_some_and(|snr| !snr.is_finite()) {
            return bad("skew_s", "skew and SNR must be finite");
        }
        let Some(rate) = SampleRate::new(rate_hz) else {
            return bad("rate_hz", "must be above 0");
        };
        if carrier_hz >= rate_hz / 2.0 {
            return bad("rate_hz", "the carrier needs more than two samples per cycle");
        }
        if given.coag_shape == Shape::Cycled {
            return bad("coag_shape", "a coag is continuous, gated, damped or modulated");
        }
        let output = |shape: Shape, peak_v: f64, ramp_s: f64| Output {
            wave: match shape {
                Shape::Continuous | Shape::Cycled => Wave::Continuous,
                Shape::Gated => Wave::Gated { burst_hz: given.burst_rate_hz, duty: given.duty },
                Shape::Damped => {
                    Wave::Damped { burst_hz: given.burst_rate_hz, decrement: given.decrement }
                }
                Shape::Modulated => {
                    Wave::Modulated { modulation_hz: given.modulation_hz, depth: given.depth }
                }
            },
            peak_v,
            carrier_hz,
            ramp_s,
        };
        let mut sections = Vec::new();
        let first = output(args.shape, args.peak_v.unwrap_or(1000.0), given.ramp_s);
        let cycle = given.cut_s + given.coag_s + given.rest_s;
        let duration =
            args.duration_s.unwrap_or(if args.shape == Shape::Cycled { 2.0 * cycle } else { 0.01 });
        let count = (rate.samples(duration)).round();
        if !(2.0..=LONGEST).contains(&count) {
            return bad(
                "duration_s",
                "the record would have fewer than 2 or more than 10^10 samples",
            );
        }
        if args.shape == Shape::Cycled {
            let coag = output(given.coag_shape, given.coag_peak_v, 0.0);
            for (duration_s, output) in
                [(given.cut_s, Some(first)), (given.coag_s, Some(coag)), (given.rest_s, None)]
            {
                let kind = output.map_or(Kind::Rest, |output| kind_of(&output));
                sections.push(Section { kind, duration_s, output });
            }
            sections.retain(|section| section.duration_s > 0.0);
        } else {
            sections.push(Section {
                kind: kind_of(&first),
                duration_s: f64::INFINITY,
                output: Some(first),
            });
        }
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let mut recipe = Recipe {
            sections,
            samples: count as u64,
            start_s,
            snr_db: args.snr_db,
            seed: args.seed.unwrap_or(1),
            clip_share: args.clip,
            skew_s,
            bits: args.bits,
            ..Recipe::single(first, Kind::Cut, rate, 0, load_ohm)
        };
        if let Some(power) = args.power_w {
            // Power goes with the square of all voltages.
            let factor = (power / truth(&recipe, 0.1).whole.power_w).sqrt();
            for section in &mut recipe.sections {
                if let Some(output) = &mut section.output {
                    output.peak_v *= factor;
                }
            }
            for section in &mut recipe.sections {
                section.kind = section.output.map_or(Kind::Rest, |output| kind_of(&output));
            }
        }
        Ok(recipe)
    }
}

/// Kind by the definitions, from the closed forms.
fn kind_of(output: &Output) -> Kind {
    let long = 1000.0 / output.burst_hz().unwrap_or(output.carrier_hz);
    let crest = output.peak_v / (output.square_integral(long) / long).sqrt();
    if crest >= 4.0 || (crest < 1.7 && output.peak_v < 200.0) { Kind::Coag } else { Kind::Cut }
}
