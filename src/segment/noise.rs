//! What a record holds where nothing is put out.

use super::frames::Frames;
use crate::numeric::moments::powers;
use crate::numeric::order::{median, quantile};
use crate::numeric::sinefit::{fit_decaying, fit_linear};
use crate::numeric::spectrum::{Fourier, Spectrum};
use crate::numeric::thin::means;
use crate::trace::{Channel, ReadFailure, Samples};

/// The quiet level of a channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Noise {
    /// Standard deviation of the noise.
    pub sigma: f64,
    /// Variance of the strongest level that lasts.
    pub strongest: f64,
    /// Whether there is output even in the quietest frames, so that none of them tells the noise: it is what
    /// a sine leaves there.
    pub output_everywhere: bool,
}

/// Frames over which the strongest level lasts.
const LASTING: usize = 4;
/// Quiet frames that are looked at.
const LOOKS: usize = 5;
/// Samples of a quiet stretch that are looked at, at most; more are thinned.
const POINTS: usize = 1 << 14;
/// Longest stretch that is read for it, samples.
const LONGEST: u64 = 1 << 18;
/// Of what is left over in many stretches this share is lower than what is taken for noise: some hold more than noise.
const LOW: f64 = 0.2;
/// The same of a normal distribution, below its mean in standard deviations.
const LOW_NORMAL: f64 = 0.8416;
/// Share by which two lines of one carrier may differ.
const ALIKE: f64 = 0.05;

/// Tells noise from output in the quietest frames. Below `rest_share` of the strongest level they are
/// rest, whatever they hold; what oscillates there as the strongest output does, as at the foot of a slow
/// rise, is no noise.
pub(super) fn find(
    frames: &Frames,
    samples: &dyn Samples,
    channel: Channel,
    rest_share: f64,
) -> Result<Noise, ReadFailure> {
    let count = frames.list.len();
    let variances: Vec<f64> = (0..count).map(|k| frames.variance(k, channel)).collect();
    let strongest = variances
        .windows(LASTING.min(count.max(1)))
        .map(|window| window.iter().copied().fold(f64::INFINITY, f64::min))
        .fold(0.0, f64::max);
    let mut found = Noise { sigma: 0.0, strongest, output_everywhere: false };
    let full: Vec<usize> = (0..count)
        .filter(|k| frames.list[*k].moments.n as usize >= frames.length || count == 1)
        .collect();
    let mut sorted: Vec<f64> = full.iter().map(|k| variances[*k]).collect();
    // Low, but not the lowest: the smallest of many estimates is too small.
    let share = (3.0 / sorted.len().max(1) as f64).clamp(0.01, 1.0);
    let Some(quiet) = quantile(&mut sorted, share) else { return Ok(found) };
    found.sigma = quiet.max(0.0).sqrt();
    let near: Vec<usize> = full.into_iter().filter(|k| variances[*k] <= quiet * 1.05).collect();
    let step = near.len().div_ceil(LOOKS).max(1);
    let mut looks = Looks::default();
    for k in near.iter().step_by(step) {
        let span = frames.span(&(*k..*k + 1), samples.len());
        looks.add(&stretch(samples, span, channel)?);
    }
    let mut with_output = looks.lines.len();
    if quiet <= rest_share * rest_share * strongest {
        let top = (0..count).max_by(|a, b| variances[*a].total_cmp(&variances[*b])).unwrap_or(0);
        let carrier =
            looks.line(&stretch(samples, frames.span(&(top..top + 1), samples.len()), channel)?);
        let alike = |line: &Option<f64>| {
            line.zip(carrier).is_some_and(|(line, carrier)| (line / carrier - 1.0).abs() < ALIKE)
        };
        with_output = looks.lines.iter().filter(|line| alike(line)).count();
    }
    if with_output * 2 > looks.seen {
        found.output_everywhere = true;
        found.sigma = looks.sigma().unwrap_or(0.0).min(found.sigma);
    }
    Ok(found)
}

/// Samples of a quiet stretch, and by how many each was thinned.
struct Stretch {
    x: Vec<f64>,
    factor: usize,
}

fn stretch(
    samples: &dyn Samples,
    span: std::ops::Range<u64>,
    channel: Channel,
) -> Result<Stretch, ReadFailure> {
    let clean = samples.gaps().longest_valid(&span);
    let block = samples.read(clean.start..clean.end.min(clean.start + LONGEST))?;
    let x = block.of(channel);
    let factor = x.len().div_ceil(POINTS).max(1);
    Ok(Stretch { x: level(means(x, factor)), factor })
}

/// The same without a parabola through all of it: hum and drift are no output.
fn level(mut x: Vec<f64>) -> Vec<f64> {
    let n = x.len() as f64;
    if n < 8.0 {
        return x;
    }
    // Legendre polynomials over -1..1, next to orthogonal on so many points.
    let place = |k: usize| (2.0 * k as f64 + 1.0) / n - 1.0;
    for degree in 0..3 {
        let of = |t: f64| match degree {
            0 => 1.0,
            1 => t,
            _ => 1.5 * t * t - 0.5,
        };
        let (mut product, mut square) = (0.0, 0.0);
        for (k, value) in x.iter().enumerate() {
            let p = of(place(k));
            product += p * value;
            square += p * p;
        }
        let share = product / square;
        for (k, value) in x.iter_mut().enumerate() {
            *value -= share * of(place(k));
        }
    }
    x
}

#[derive(Default)]
struct Looks {
    seen: usize,
    /// Frequency of the strongest line of each that holds output, in cycles a sample.
    lines: Vec<Option<f64>>,
    fourier: Fourier,
    leftovers: Vec<f64>,
    floors: Vec<f64>,
}

impl Looks {
    fn add(&mut self, stretch: &Stretch) {
        self.seen += 1;
        let Some(spectrum) = self.fourier.spectrum(&stretch.x) else { return };
        if holds_output(&stretch.x, &spectrum) {
            self.lines.push(strongest_line(&spectrum).map(|line| line / stretch.factor as f64));
        }
        // Noise that is white falls with the root of what is taken together.
        let wider = (stretch.factor as f64).sqrt();
        let from = self.leftovers.len();
        leftovers(&stretch.x, &spectrum, &mut self.leftovers);
        self.leftovers[from..].iter_mut().for_each(|one| *one *= wider);
        self.floors.extend(spectrum.floor_deviation().map(|floor| floor * wider));
    }

    fn line(&mut self, stretch: &Stretch) -> Option<f64> {
        let spectrum = self.fourier.spectrum(&stretch.x)?;
        strongest_line(&spectrum).map(|line| line / stretch.factor as f64)
    }

    /// Harmonics are left over too, and bursts fill the spectrum between the lines: each estimate is
    /// too high where the other is not.
    fn sigma(&mut self) -> Option<f64> {
        let leftover = quantile(&mut self.leftovers, LOW).unwrap_or(f64::INFINITY);
        let floor = median(&mut self.floors).unwrap_or(f64::INFINITY);
        Some(leftover.min(floor)).filter(|sigma| sigma.is_finite())
    }
}

/// Frequency of the strongest line, in cycles a sample.
fn strongest_line(spectrum: &Spectrum) -> Option<f64> {
    spectrum.strongest(3.0 / spectrum.length as f64, 0.45)
}

/// Whether a stretch holds output rather than noise: a line stands out of its spectrum, or its values
/// are spread as those of a sine or of bursts, not as those of noise (kurtosis 3).
fn holds_output(x: &[f64], spectrum: &Spectrum) -> bool {
    /// Share of the power that one line of output has at least ...
    const LINE: f64 = 0.2;
    /// ... and so many times the highest that noise makes of as many bins.
    const ABOVE_NOISE: f64 = 2.5;
    const KURTOSIS: std::ops::Range<f64> = 2.4..4.5;
    let bins = spectrum.power.get(3..).unwrap_or_default();
    let all: f64 = bins.iter().sum();
    if all <= 0.0 {
        return false;
    }
    let top = (0..bins.len()).max_by(|a, b| bins[*a].total_cmp(&bins[*b])).unwrap_or(0);
    let line: f64 = bins[top.saturating_sub(2)..(top + 3).min(bins.len())].iter().sum();
    let by_chance = ((bins.len() as f64).ln() + 5.0) / bins.len() as f64;
    if line / all > LINE.max(ABOVE_NOISE * by_chance) {
        return true;
    }
    let n = x.len() as f64;
    let found = powers(x, 0.0);
    let kurtosis = found.fourths * n / (found.squares * found.squares);
    x.len() >= 128 && !KURTOSIS.contains(&kurtosis)
}

/// What a decaying sine leaves over a few cycles at a time: noise, but for the stretches in which
/// a burst begins or ends.
fn leftovers(x: &[f64], spectrum: &Spectrum, found: &mut Vec<f64>) {
    const LEAST: usize = 32;
    let Some(line) = strongest_line(spectrum) else { return };
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let length = ((2.5 / line).ceil() as usize).max(LEAST);
    let w = std::f64::consts::TAU * line;
    for stretch in x.chunks_exact(length) {
        let Some(fit) = fit_decaying(stretch, w, 0.0).or_else(|| fit_linear(stretch, w, 0.0))
        else {
            continue;
        };
        // Five parameters were fitted. A deviation from so few values spreads by 1/sqrt(2 n), and a low one
        // of many will be taken.
        let freedom = length as f64 - 5.0;
        let low = 1.0 - LOW_NORMAL / (2.0 * freedom).sqrt();
        found.push(fit.residual * (length as f64 / freedom).sqrt() / low);
    }
}
