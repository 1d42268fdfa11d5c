//! The input quantities of one measure over one interval: from the sheet (type B) and from the
//! samples (type A).

use super::input::{Distribution, Input};
use super::known::{ChannelKnowledge, Knowledge, Scale};
use super::model::MeasureModel;
use crate::measures::catalog::{Formula, Measure, Own};
use crate::measures::stats::{IntervalStats, PowerBy, Repeated, Shape};
use crate::numeric::crest::interpolation_error;
use crate::term::{TERM_COUNT, Term, TermSet};
use crate::trace::{Channel, PerChannel};
use std::f64::consts::TAU;

/// What is known of the capture as a whole.
#[derive(Clone, Debug, PartialEq)]
pub struct Conditions {
    /// What the sheet tells.
    pub knowledge: Knowledge,
    /// Standard deviation of the noise of voltage and current, V and A.
    pub noise: PerChannel<f64>,
    /// Step of the converter of voltage and current, V and A; 0 where there is none.
    pub step: PerChannel<f64>,
    /// Standard uncertainty of the offsets that were taken away, V and A; `None` where nothing
    /// tells the offset.
    pub offset: PerChannel<Option<f64>>,
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// Share of a burst's peak above which it is on.
    pub duty_threshold: f64,
}

impl Conditions {
    /// Noise of a side with that of its steps: a step of q spreads by q/sqrt(12), unless noise that
    /// was seen holds it already.
    fn sigma(&self, channel: Channel) -> f64 {
        channel.of(self.noise).max(channel.of(self.step) / 12_f64.sqrt())
    }

    fn channel(&self, channel: Channel) -> &ChannelKnowledge {
        channel.of((&self.knowledge.voltage, &self.knowledge.current))
    }
}

/// Inputs of a model, and the terms of which nothing is known.
#[derive(Debug)]
pub struct Inputs {
    /// One for each [`Term`].
    pub all: [Input; TERM_COUNT],
    /// Not known: they stand as exact in `all`.
    pub unknown: TermSet,
}

impl Inputs {
    fn set(&mut self, term: Term, input: Input) {
        self.all[term as usize] = Input { term: Some(term), ..input };
    }

    /// Sets a term that is normal about its estimate.
    fn spread(&mut self, term: Term, unit: &'static str, u: f64) {
        let estimate = self.all[term as usize].estimate;
        if u.is_finite() {
            self.set(term, Input::normal(term.name(), unit, estimate, u));
        }
    }

    /// Sets a term that lies within limits about its estimate.
    fn within(&mut self, term: Term, unit: &'static str, half: f64, distribution: Distribution) {
        let estimate = self.all[term as usize].estimate;
        let name = term.name();
        if half.is_finite() {
            self.set(term, Input::within(name, unit, estimate, half.abs(), distribution));
        }
    }

    /// Says what a term stands for here.
    fn name(&mut self, term: Term, name: &'static str) {
        self.all[term as usize].name = name;
    }

    /// Standard uncertainty of a mean over repetitions.
    fn repeated(&mut self, term: Term, unit: &'static str, found: Option<(f64, f64)>, by: f64) {
        if let Some((u, freedom)) = found {
            self.spread(term, unit, u * by.abs());
            let input = self.all[term as usize];
            self.set(term, input.with_freedom(freedom));
        }
    }
}

/// Terms that stand for a factor: estimate 1.
const FACTORS: [Term; 10] = [
    Term::GainV,
    Term::GainI,
    Term::Load,
    Term::Time,
    Term::ResponseV,
    Term::ResponseI,
    Term::TemperatureV,
    Term::TemperatureI,
    Term::TemperatureLoad,
    Term::Edges,
];

/// One measure of one interval, whose inputs are asked for.
#[derive(Debug, Clone, Copy)]
pub struct InputGatherer<'a> {
    /// The measure.
    pub measure: Measure,
    /// Its model.
    pub model: &'a MeasureModel,
    /// The interval.
    pub stats: &'a IntervalStats,
    /// What is known of the capture.
    pub conditions: &'a Conditions,
}

impl InputGatherer<'_> {
    /// The inputs.
    #[must_use]
    pub fn inputs(&self) -> Inputs {
        let mut inputs = Inputs {
            all: Term::ALL
                .map(|term| Input { term: Some(term), ..Input::exact(term.name(), "", 0.0) }),
            unknown: TermSet::default(),
        };
        for term in FACTORS.into_iter().chain([Term::Repeat]) {
            inputs.all[term as usize].estimate = 1.0;
        }
        self.instruments(&mut inputs);
        self.skew(&mut inputs);
        self.offsets(&mut inputs);
        self.noise(&mut inputs);
        self.peaks(&mut inputs);
        self.edges(&mut inputs);
        self.repetitions(&mut inputs);
        self.own(&mut inputs);
        inputs
    }

    /// Scales, load, clock, bandwidth, temperature: from the sheet.
    fn instruments(&self, inputs: &mut Inputs) {
        let Self { model, stats, conditions, .. } = *self;
        let known = &conditions.knowledge;
        let mut scale = |of: Scale, gain: Term, temperature: Term| {
            match of.stated {
                Some(stated) => inputs.set(gain, stated.factor(gain.name())),
                None => inputs.unknown.insert(gain),
            }
            match of.by_temperature {
                Some(half) => inputs.within(temperature, "", half, Distribution::Rectangular),
                None => inputs.unknown.insert(temperature),
            }
        };
        if stats.channels.voltage {
            scale(known.voltage.scale, Term::GainV, Term::TemperatureV);
        }
        if stats.channels.current {
            scale(known.current.scale, Term::GainI, Term::TemperatureI);
        }
        if matches!(stats.power_by, PowerBy::Voltage(_) | PowerBy::Current(_)) {
            scale(known.load, Term::Load, Term::TemperatureLoad);
        }
        match known.timebase {
            Some(stated) => inputs.set(Term::Time, stated.factor(Term::Time.name())),
            None => inputs.unknown.insert(Term::Time),
        }
        for (side, present, term) in [
            (Channel::Voltage, stats.channels.voltage, Term::ResponseV),
            (Channel::Current, stats.channels.current, Term::ResponseI),
        ] {
            // A response that falls off reads low by up to so much; it is not taken back, as a corner
            // is mostly stated as "at least".
            match conditions.channel(side).droop_at(model.omega / TAU) {
                Some(droop) if model.omega > 0.0 => {
                    inputs.within(term, "", droop, Distribution::Rectangular);
                }
                // Without a carrier there is nothing that a response could take away.
                _ if present && stats.carrier.is_some() => inputs.unknown.insert(term),
                _ => {}
            }
        }
    }

    /// Delay between the channels: from the sheet, or bounded by the phase seen on a resistor.
    fn skew(&self, inputs: &mut Inputs) {
        let Self { model, stats, conditions, .. } = *self;
        let both = stats.channels.voltage && stats.channels.current;
        if !both || stats.carrier.is_none() {
            return;
        }
        let known = &conditions.knowledge;
        let stated = match (known.voltage.delay_s, known.current.delay_s) {
            (None, None) => None,
            (v, i) => Some(v.unwrap_or(0.0).hypot(i.unwrap_or(0.0))),
        };
        if let Some(u) = stated {
            inputs.spread(Term::Skew, "s", u);
        } else if known.resistor && model.omega > 0.0 {
            inputs.within(Term::Skew, "s", model.phase() / model.omega, Distribution::Rectangular);
        } else {
            inputs.unknown.insert(Term::Skew);
        }
    }

    /// Offsets: as known, or bounded by the mean that is seen. A peak stands on the zero line where that
    /// happens to be; the mean squares hold the movement of the zero line as a bias.
    fn offsets(&self, inputs: &mut Inputs) {
        let Self { model, stats, conditions, .. } = *self;
        let of_peak =
            matches!(model.formula, Formula::Peak(_) | Formula::Crest | Formula::DutyEquivalent);
        for (term, unit, known, mean, moves) in [
            (
                Term::OffsetV,
                "V",
                conditions.offset.voltage,
                stats.moments.mean_v,
                stats.baseline.voltage,
            ),
            (
                Term::OffsetI,
                "A",
                conditions.offset.current,
                stats.moments.mean_i,
                stats.baseline.current,
            ),
        ] {
            let moves = if of_peak { moves.excursion } else { 0.0 };
            match known {
                Some(u) if moves == 0.0 => inputs.spread(term, unit, u),
                known => {
                    let half = known.map_or(mean.abs(), |u| 3_f64.sqrt() * u).hypot(moves);
                    inputs.within(term, unit, half, Distribution::Rectangular);
                }
            }
        }
    }

    /// White noise in means of squares and products of n samples: the variance of mean((x + e)^2) is
    /// (4 X^2 s^2 + 2 s^4)/n, its bias s^2; that of mean((v + e)(i + g)) is
    /// (V^2 s_i^2 + I^2 s_v^2 + s_v^2 s_i^2)/n, with mean squares V^2 and I^2.
    ///
    /// Where the noise is below half a step nothing blurs the steps: their errors come again with each
    /// carrier cycle, alike in its four quarters and in both channels, and no longer record averages them out.
    fn noise(&self, inputs: &mut Inputs) {
        let Self { stats, conditions, .. } = *self;
        let n = stats.moments.n.max(1) as f64;
        let (v, i) = (conditions.sigma(Channel::Voltage), conditions.sigma(Channel::Current));
        let square_v = stats.moments.mean_square_v().unwrap_or(0.0);
        let square_i = stats.moments.mean_square_i().unwrap_or(0.0);
        let hz = self.model.omega / TAU;
        let quarter = if hz > 0.0 { (conditions.rate_hz / hz / 4.0).max(1.0) } else { n };
        let bare =
            |channel: Channel| channel.of(conditions.noise) < 0.5 * channel.of(conditions.step);
        let count = |channel| if bare(channel) { n.min(quarter) } else { n };
        let (n_v, n_i) = (count(Channel::Voltage), count(Channel::Current));
        let of_square =
            |square: f64, s: f64, n: f64| ((4.0 * square * s * s + 2.0 * s.powi(4)) / n).sqrt();
        inputs.spread(Term::NoiseV, "V²", of_square(square_v, v, n_v));
        inputs.spread(Term::NoiseI, "A²", of_square(square_i, i, n_i));
        let (by_i, by_v) = ((square_v / n_i).sqrt() * i, (square_i / n_v).sqrt() * v);
        let both = if bare(Channel::Voltage) && bare(Channel::Current) {
            by_i + by_v
        } else {
            by_i.hypot(by_v)
        };
        let product = both * both + (v * i).powi(2) / n_v.min(n_i);
        // Zero lines of both channels that move alike are a power of their own.
        let (base_v, base_i) = (stats.baseline.voltage.square, stats.baseline.current.square);
        inputs.spread(Term::NoiseP, "W", product.sqrt().hypot((base_v * base_i / 3.0).sqrt()));
        // The mean square is that of output and noise together; the noise is no output, but the
        // definition of RMS has it. Not more than what is there.
        let (bias_v, bias_i) = (v * v + base_v, i * i + base_i);
        inputs.within(Term::BiasV, "V²", bias_v.min(square_v), Distribution::Rectangular);
        inputs.within(Term::BiasI, "A²", bias_i.min(square_i), Distribution::Rectangular);
    }

    /// What noise, steps and the places of the samples do to a highest crest.
    fn peaks(&self, inputs: &mut Inputs) {
        let Self { measure, model, stats, conditions } = *self;
        let hz = model.omega / TAU;
        let whole = if measure == Measure::VoltagePeakToPeak { 2_f64.sqrt() } else { 1.0 };
        for (term, unit, step, peaks) in [
            (Term::PeakV, "V", conditions.step.voltage, stats.peaks_v),
            (Term::PeakI, "A", conditions.step.current, stats.peaks_i),
        ] {
            // Of many crests the one that its steps round up most is the highest.
            let by_noise = peaks.map_or(0.0, |peaks| peaks.u);
            inputs.spread(term, unit, whole * by_noise.hypot(0.4 * step));
        }
        let height = if let Formula::Peak(_) = model.formula { model.value } else { model.peak_v };
        let unit = if model.formula == Formula::Peak(Channel::Current) { "A" } else { "V" };
        let per_cycle = if hz > 0.0 { conditions.rate_hz / hz } else { f64::INFINITY };
        // Of several kinds of output the highest crest may be one of a burst.
        // The first crest of a burst stands a quarter cycle behind its start: with few samples a cycle
        // nothing is interpolated there, and a crest is missed by up to 1 - cos(pi / n).
        let bursts = matches!(stats.shape, Shape::Bursts(_) | Shape::Mixed);
        let starts_anew = bursts && per_cycle < 10.0;
        let share = if starts_anew {
            1.0 - (std::f64::consts::PI / per_cycle).cos()
        } else {
            interpolation_error(per_cycle)
        };
        let between = height * share;
        inputs.within(Term::Between, unit, between, Distribution::Rectangular);
    }

    /// Edges: what they leave open of energy.
    fn edges(&self, inputs: &mut Inputs) {
        let Self { model, stats, .. } = *self;
        let PerChannel { voltage: square_v, current: square_i } = stats.squares();
        // By what the measure is a sum of.
        let (sum, variance) = match model.formula {
            Formula::Rms(Channel::Voltage) | Formula::Crest | Formula::DutyEquivalent => {
                (square_v, stats.edges.squares.voltage)
            }
            Formula::Rms(Channel::Current) => (square_i, stats.edges.squares.current),
            _ => match stats.power() {
                Some(power) => (power.abs(), stats.edges.energy_square),
                None => (
                    square_v.max(square_i),
                    stats.edges.squares.voltage.max(stats.edges.squares.current),
                ),
            },
        };
        let sum = sum * stats.total_s();
        if sum > 0.0 {
            inputs.spread(Term::Edges, "", variance.sqrt() / sum);
        }
    }

    /// Spread over activations or cycles, and within a phase over its bursts, as a share of what is
    /// had from sums.
    fn repetitions(&self, inputs: &mut Inputs) {
        let Self { model, stats, .. } = *self;
        let spread = &stats.spread;
        let over = |of: &Repeated| {
            let mean = of.mean().filter(|mean| *mean != 0.0)?;
            of.error_of_mean().map(|(u, freedom)| (u / mean.abs(), freedom))
        };
        let bursts = || match &stats.shape {
            Shape::Bursts(bursts) if spread.power.count() == 1 => over(&bursts.energy_j),
            _ => None,
        };
        let found = match model.formula {
            Formula::Power | Formula::Energy | Formula::Apparent => {
                over(&spread.power).or_else(bursts)
            }
            Formula::AsPower(0) => bursts(),
            Formula::Rms(Channel::Voltage) => over(&spread.square_v).or_else(bursts),
            Formula::Rms(Channel::Current) => over(&spread.square_i).or_else(bursts),
            // The mean square stands under a root.
            Formula::Crest | Formula::DutyEquivalent => {
                over(&spread.crest).map(|(u, freedom)| (2.0 * u, freedom)).or_else(bursts)
            }
            _ => None,
        };
        inputs.repeated(Term::Repeat, "", found, 1.0);
    }

    /// Edges of the phase, or the larger spread over phases.
    fn duration(&self, inputs: &mut Inputs) {
        let (unit, stats) = (self.unit(), self.stats);
        let count = stats.duration_s.count().max(1) as f64;
        let by_edges = stats.edges.time_square.sqrt() / count;
        // The spread over phases holds what their edges do: the larger of the two is taken.
        match stats.duration_s.error_of_mean().filter(|(u, _)| *u > by_edges) {
            found @ Some(_) => inputs.repeated(Term::Own, unit, found, 1.0),
            None => {
                inputs.spread(Term::Own, unit, by_edges);
                inputs.name(Term::Own, "edges of the phase");
            }
        }
        // Silence after a last burst is left out of every phase alike: no mean takes it away.
        let silence = (3.0 * stats.edges.silence_square / count).sqrt();
        inputs.within(Term::Limit, unit, silence, Distribution::Rectangular);
        inputs.name(Term::Limit, "silence after a last burst");
    }

    /// Spread and limit of what is read directly.
    fn own(&self, inputs: &mut Inputs) {
        let Self { measure, model, stats, conditions } = *self;
        let unit = self.unit();
        // Root of a mean: half of the relative spread.
        let root = if model.value > 0.0 { 0.5 / model.value } else { 0.0 };
        match measure.row().own {
            Own::Nothing => {}
            Own::Edges => self.duration(inputs),
            Own::SharedEdges => {
                inputs.spread(Term::Own, unit, stats.share.map_or(0.0, |share| share.u));
                inputs.name(Term::Own, "edges of the phases");
            }
            Own::Spread(of) => self.spread(inputs, of(stats, model.value)),
            Own::OnTime(of) => {
                self.spread(inputs, of(stats, model.value));
                self.ends_of_bursts(inputs);
            }
            Own::AtLeast(of) => {
                let (repeated, doubt) = of(stats, model.value);
                self.told_by(inputs, &repeated, 1.0, doubt);
            }
            Own::CarrierFit => self.carrier(inputs),
            Own::Amplitudes => self.impedance(inputs),
            Own::Harmonics => {
                let harmonics = stats.carrier.map(|carrier| carrier.harmonics).unwrap_or_default();
                // Nine harmonics of amplitudes that noise leaves open by s sqrt(2 / n) each.
                let n = stats.moments.n.max(1) as f64;
                let square = model.leading.of(stats.squares());
                let noise = conditions.sigma(model.leading) * (9.0 / (n * square)).sqrt();
                self.told_by(inputs, &harmonics, root, noise);
            }
            Own::NoiseTaken => {
                // The noise that is taken away is known to about a tenth.
                let square = model.leading.of(stats.squares());
                let noise = 0.1 * conditions.sigma(model.leading).powi(2) / square;
                self.told_by(inputs, &stats.undescribed, 1.0, noise.max(1e-6));
            }
            Own::OfDeviation => {
                // A standard deviation of n values is known to 1/sqrt(2 (n - 1)) of itself.
                let count = stats.carrier.map_or(0, |carrier| carrier.hz.count());
                let share = 1.0 / (2.0 * (count.max(2) - 1) as f64).sqrt();
                inputs.spread(Term::Own, unit, model.value * share);
            }
        }
    }

    /// Symbol of the unit of the measure.
    fn unit(&self) -> &'static str {
        self.measure.unit().symbol()
    }

    /// The spread of repetitions; once is no spread, and nothing else tells how far off it is.
    fn spread(&self, inputs: &mut Inputs, of: Option<(Repeated, f64)>) {
        match of.map(|(of, by)| (of.error_of_mean(), by)) {
            Some((found @ Some(_), by)) => inputs.repeated(Term::Own, self.unit(), found, by),
            Some((None, _)) => inputs.unknown.insert(Term::Own),
            None => {}
        }
    }

    /// What is repeated, and beside its spread known to `doubt`; the measure moves by `slope` for one of it.
    fn told_by(&self, inputs: &mut Inputs, of: &Repeated, slope: f64, doubt: f64) {
        match of.error_of_mean().filter(|(u, _)| u * slope > doubt) {
            found @ Some(_) => inputs.repeated(Term::Own, self.unit(), found, slope),
            None => inputs.spread(Term::Own, self.unit(), doubt),
        }
    }

    /// Frequency of the carrier: the larger of its bound by noise and of the spread over the fits, and
    /// what the shape of the wave leaves each fit.
    fn carrier(&self, inputs: &mut Inputs) {
        let Self { model, stats, conditions, .. } = *self;
        let unit = self.unit();
        let Some(carrier) = stats.carrier else { return };
        if carrier.weight <= 0.0 {
            return;
        }
        let bound = conditions.sigma(model.leading) / carrier.information.sqrt();
        match carrier.hz.error_of_mean().filter(|(u, _)| *u > bound) {
            found @ Some(_) => inputs.repeated(Term::Own, unit, found, 1.0),
            None => {
                inputs.spread(Term::Own, unit, bound);
                inputs.name(Term::Own, "noise at the fit of the carrier");
            }
        }
        inputs.within(
            Term::Limit,
            unit,
            3_f64.sqrt() * carrier.shape_doubt_hz(),
            Distribution::Rectangular,
        );
        inputs.name(Term::Limit, "shape of the wave at the fit of the carrier");
    }

    /// Resistance and reactance: noise of both fitted amplitudes, each known to 2 s^2 / n.
    fn impedance(&self, inputs: &mut Inputs) {
        let Self { model, stats, conditions, .. } = *self;
        let unit = self.unit();
        let Some(carrier) = stats.carrier.filter(|carrier| carrier.current_square > 0.0) else {
            return;
        };
        let size = model.impedance.0.hypot(model.impedance.1);
        let (v, i) = (conditions.sigma(Channel::Voltage), conditions.sigma(Channel::Current));
        let relative = 2.0 * (i * i + (v / size).powi(2)) / carrier.current_square;
        inputs.spread(Term::Own, unit, size * relative.sqrt());
        inputs.name(Term::Own, "noise of both amplitudes");
    }

    /// What the way of reading leaves open, measured on synthetic captures (docs/accuracy.md).
    fn ends_of_bursts(&self, inputs: &mut Inputs) {
        let Self { model, stats, conditions, .. } = *self;
        let unit = self.unit();
        let hz = model.omega / TAU;
        if hz <= 0.0 {
            return;
        }
        if stats.shape == Shape::Continuous {
            // A silence of less than a carrier cycle may go unseen.
            let cycle = 1.0 / (hz * stats.total_s());
            inputs.within(Term::Limit, unit, cycle.min(1.0), Distribution::Rectangular);
            inputs.name(Term::Limit, "silence shorter than a carrier cycle");
            return;
        }
        let Shape::Bursts(bursts) = &stats.shape else { return };
        let on_samples = bursts.on_s.mean().unwrap_or(0.0) * conditions.rate_hz;
        if on_samples <= 0.0 {
            return;
        }
        let decays = bursts.decay_s.count() > 0;
        let share = if decays {
            // Noise and steps bend the crest line where it meets the threshold.
            let leading = model.leading;
            let level = conditions.duty_threshold * bursts.peak.mean().unwrap_or(0.0);
            // Bursts that keep step with the samples meet the same steps each time.
            let (noise, step) = (leading.of(conditions.noise), leading.of(conditions.step));
            if level > 0.0 { 0.25 * noise.hypot(0.5 * step) / level } else { 0.0 }
        } else {
            // The end of a gate is told to about a sample and a part of a carrier cycle.
            (0.33 + 0.018 * conditions.rate_hz / hz) / on_samples
        };
        // What no measure describes may be on-time or none.
        let undescribed = 0.15 * stats.undescribed.mean().unwrap_or(0.0);
        let share = share.hypot(undescribed);
        inputs.within(Term::Limit, unit, model.value * share, Distribution::Rectangular);
        inputs.name(
            Term::Limit,
            if decays { "noise and steps at the crest line" } else { "place of the gate's end" },
        );
    }
}
