//! How well phases, kinds and edges are found on random synthetic cycles. The captures are made
//! sample by sample from their recipe and never written to disk.

use crate::draw::Draw;
use crestbook::segment::{SegmentInput, Thresholds, segment};
use crestbook::synth::{Output, Recipe, Section, TruthPhase, Wave, truth};
use crestbook::trace::{Block, Channels, Gaps, Kind, Overview, Phase, ReadFailure, Samples};
use crestbook::units::SampleRate;
use std::ops::Range;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{LazyLock, Mutex};

struct Made<'a>(&'a Recipe);

impl Samples for Made<'_> {
    fn len(&self) -> u64 {
        self.0.samples
    }
    fn rate(&self) -> SampleRate {
        self.0.rate
    }
    fn gaps(&self) -> &Gaps {
        static NONE: LazyLock<Gaps> = LazyLock::new(Gaps::default);
        &NONE
    }
    fn read(&self, range: Range<u64>) -> Result<Block, ReadFailure> {
        Ok(self.0.block(range.start..range.end.min(self.0.samples)))
    }
}

/// A random cycle after the extras list of the project: see the table in docs/accuracy.md.
/// Steps of the converters, as a reader finds them in the data.
fn steps(recipe: &Recipe) -> (f64, f64) {
    let of = |full: f64| recipe.bits.map_or(0.0, |bits| 2.0 * full / 2_f64.powi(bits as i32));
    (of(recipe.full_scale_v()), of(recipe.full_scale_v()) / recipe.load_ohm)
}

fn random_cycle(number: u64) -> Recipe {
    let mut draw = Draw::new(number);
    let carrier_hz = draw.log(200e3, 5e6);
    let per_cycle = draw.between(12.0, 30.0);
    let rate = SampleRate::new(carrier_hz * per_cycle).expect("positive");
    let cut_peak = draw.log(300.0, 1200.0);
    let output = |wave, peak_v| Output { wave, peak_v, carrier_hz, ramp_s: 0.0 };
    let cut = output(Wave::Continuous, cut_peak);
    let burst_hz = draw.log(10e3, 60e3).min(carrier_hz / 12.0);
    let (coag, kind) = match draw.one_of(3) {
        0 => {
            // Fully decayed bursts of a crest factor above 4.2.
            let decrement = draw.between(0.3, 1.0);
            let burst_hz = burst_hz.min(decrement * carrier_hz / 6.0);
            (output(Wave::Damped { burst_hz, decrement }, draw.log(800.0, 4000.0)), Kind::Coag)
        }
        1 => {
            let cycles = (carrier_hz / burst_hz).floor();
            // Whole carrier cycles on: a crest factor of sqrt(2/duty), above 4.2.
            let on = (draw.between(0.04, 0.11) * cycles).floor().max(1.0);
            let burst_hz = carrier_hz / cycles.max((on / 0.11).ceil());
            let duty = on * burst_hz / carrier_hz;
            (output(Wave::Gated { burst_hz, duty }, draw.log(800.0, 4000.0)), Kind::Coag)
        }
        _ => (output(Wave::Continuous, draw.between(80.0, 190.0)), Kind::Coag),
    };
    let mut sections = vec![
        Section { kind: Kind::Cut, duration_s: draw.log(5e-3, 100e-3), output: Some(cut) },
        Section { kind, duration_s: draw.log(50e-3, 900e-3), output: Some(coag) },
    ];
    if draw.one_of(4) > 0 {
        let duration_s = draw.log(10e-3, 300e-3);
        sections.push(Section { kind: Kind::Rest, duration_s, output: None });
    }
    let period: f64 = sections.iter().map(|section| section.duration_s).sum();
    // From somewhere in the cycle over a little more than one of it, so that every edge is met.
    let start_s = draw.between(0.0, period);
    let length = 1.15 * period;
    let snr_db = draw.between(20.0, 60.0);
    let bits = 8 + draw.one_of(9) as u32;
    Recipe {
        sections,
        samples: rate.samples(length) as u64,
        start_s,
        snr_db: Some(snr_db),
        seed: number,
        bits: Some(bits),
        ..Recipe::single(cut, Kind::Cut, rate, 0, 500.0)
    }
}

#[derive(Clone, Copy, Default)]
struct Tally {
    cycles: usize,
    right: usize,
    edges: usize,
    edges_within: usize,
    worst: f64,
    sum_square: f64,
}

/// Names of the classes by which the figures are split.
const SHAPES: [&str; 3] = ["damped", "gated", "continuous, low voltage"];
const NOISE: [(f64, f64); 3] = [(20.0, 30.0), (30.0, 40.0), (40.0, 60.0)];

fn shape_of(recipe: &Recipe) -> usize {
    match recipe.sections[1].output.map(|output| output.wave) {
        Some(Wave::Damped { .. }) => 0,
        Some(Wave::Gated { .. }) => 1,
        _ => 2,
    }
}

/// What an edge may be off by: two carrier cycles, or a burst period where bursts are involved.
fn allowed(recipe: &Recipe, before: Kind, after: Kind) -> f64 {
    let of = |kind: Kind| {
        let section = recipe.sections.iter().find(|section| section.kind == kind);
        section
            .and_then(|section| section.output)
            .map_or(0.0, |output| output.burst_hz().map_or(2.0 / output.carrier_hz, |hz| 1.0 / hz))
    };
    of(before).max(of(after))
}

/// Takes away a first and a last phase of the truth that the record cuts to less than a phase can
/// be, and their like among those found: whether such a stub is told says nothing.
fn without_stubs(truth: &mut Vec<TruthPhase>, found: &mut Vec<Phase>, rate: SampleRate) {
    const LEAST: f64 = 2.5e-3;
    let stub = |phase: &TruthPhase| phase.end_s - phase.start_s < LEAST;
    // The found one may be longer by what its edge is off.
    let like = |phase: &Phase| rate.seconds(phase.len() as f64) < 1.1 * LEAST;
    if truth.pop_if(|last| stub(last)).is_some() {
        found.pop_if(|last| like(last));
    }
    if truth.first().is_some_and(stub) {
        truth.remove(0);
        if found.first().is_some_and(like) {
            found.remove(0);
        }
    }
}

/// The section on so many cycles.
pub fn section(cycles: u64) -> String {
    let verbose = std::env::var_os("VERBOSE").is_some();
    let next = AtomicUsize::new(0);
    let tallies = Mutex::new([[Tally::default(); 3]; 3]);
    let samples = Mutex::new(0_u64);
    // One cycle alone, to look into.
    let only: Option<u64> = std::env::var("ONLY").ok().and_then(|number| number.parse().ok());
    let work = || {
        loop {
            let number = next.fetch_add(1, Ordering::Relaxed) as u64;
            if number >= cycles {
                return;
            }
            if only.is_some_and(|only| only != number) {
                continue;
            }
            let recipe = random_cycle(number);
            let mut overview = Overview::at(recipe.rate);
            let mut at = 0;
            while at < recipe.samples {
                let end = (at + (1 << 15)).min(recipe.samples);
                let block = recipe.block(at..end);
                overview.push(&block.v, &block.i);
                at = end;
            }
            overview.finish();
            let found = segment(&SegmentInput {
                overview: &overview,
                samples: &Made(&recipe),
                channels: Channels { voltage: true, current: true },
                load_ohm: None,
                step: steps(&recipe).into(),
                thresholds: &Thresholds::default(),
            })
            .expect("made samples can always be read");
            let (mut wanted, mut found) = (truth(&recipe, 0.1).phases, found.phases);
            without_stubs(&mut wanted, &mut found, recipe.rate);
            let right = wanted.len() == found.len()
                && wanted.iter().zip(&found).all(|(a, b)| a.kind == b.kind);
            let snr = recipe.snr_db.unwrap_or(60.0);
            let band = NOISE.iter().position(|(_, high)| snr < *high).unwrap_or(2);
            let shape = shape_of(&recipe);
            let mut tallies = tallies.lock().expect("no thread panics");
            *samples.lock().expect("no thread panics") += recipe.samples;
            let tally = &mut tallies[shape][band];
            tally.cycles += 1;
            tally.right += usize::from(right);
            if verbose && !right {
                let show = |kinds: Vec<(Kind, f64)>| format!("{kinds:?}");
                println!(
                    "{number}: {} snr {snr:.1} bits {:?} wanted {} found {} {:?}",
                    SHAPES[shape],
                    recipe.bits,
                    show(wanted.iter().map(|p| (p.kind, p.end_s)).collect()),
                    show(
                        found.iter().map(|p| (p.kind, recipe.rate.seconds(p.end as f64))).collect()
                    ),
                    recipe.sections,
                );
            }
            if right {
                for (pair, edge) in wanted.windows(2).zip(&found) {
                    let off = recipe.rate.seconds(edge.end as f64) - pair[0].end_s;
                    if std::env::var_os("SIGNED").is_some() {
                        println!(
                            "S {} {:?}{:?} {:.3}",
                            SHAPES[shape].split(',').next().unwrap_or(""),
                            pair[0].kind,
                            pair[1].kind,
                            off / allowed(&recipe, pair[0].kind, pair[1].kind)
                        );
                    }
                    let share = off.abs() / allowed(&recipe, pair[0].kind, pair[1].kind);
                    tally.edges += 1;
                    tally.edges_within += usize::from(share <= 1.0);
                    tally.worst = tally.worst.max(share);
                    tally.sum_square += share * share;
                    if verbose && share > 1.0 {
                        println!(
                            "{number}: {} snr {snr:.1} edge {:?}->{:?} off {off:.2e} s, {share:.2} of allowed",
                            SHAPES[shape], pair[0].kind, pair[1].kind
                        );
                    }
                }
            }
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(work);
        }
    });
    let tallies = tallies.into_inner().expect("no thread panics");
    let samples = samples.into_inner().expect("no thread panics");
    report(cycles, samples, &tallies)
}

fn report(cycles: u64, samples: u64, tallies: &[[Tally; 3]; 3]) -> String {
    let mut out = format!(
        "## Phases and edges\n\n{cycles} random cycles, {:.2e} samples. Each cycle: carrier 200 kHz \
         to 5 MHz, 12 to 30 samples per carrier cycle, cut 5 to 100 ms, coag 50 to 900 ms, rest 10 to 300 ms or none, 8 to 16 \
         bits, noise 20 to 60 dB under the RMS of the output; the record begins anywhere in the \
         cycle and lasts 1.15 of it.\n\n**Right**: every phase found, with \
         its kind, and no extra one. **Edges within**: off by at most two carrier cycles, or one \
         burst period where a neighbour comes in bursts. RMS and worst error as a share of that \
         allowance.\n\n| coag | SNR (dB) | cycles | right | edges | within | RMS | worst |\n\
         |---|---|---:|---:|---:|---:|---:|---:|\n",
        samples as f64
    );
    let mut total = Tally::default();
    for (shape, row) in SHAPES.iter().zip(tallies) {
        for ((low, high), tally) in NOISE.iter().zip(row) {
            out.push_str(&line(shape, &format!("{low:.0}-{high:.0}"), tally));
            total.cycles += tally.cycles;
            total.right += tally.right;
            total.edges += tally.edges;
            total.edges_within += tally.edges_within;
            total.worst = total.worst.max(tally.worst);
            total.sum_square += tally.sum_square;
        }
    }
    out.push_str(&line("**all**", "20-60", &total));
    out
}

fn line(name: &str, noise: &str, tally: &Tally) -> String {
    format!(
        "| {name} | {noise} | {} | {} | {} | {} | {:.2} | {:.2} |\n",
        tally.cycles,
        tally.right,
        tally.edges,
        tally.edges_within,
        (tally.sum_square / tally.edges.max(1) as f64).sqrt(),
        tally.worst
    )
}
