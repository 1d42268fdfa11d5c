//! Each stage in samples per second: `cargo bench`.
#![allow(missing_docs, clippy::unwrap_used, unreachable_pub)]

use crestbook::condition::{Chain, ChannelChain, Conditioner};
use crestbook::ingest::{self, Opening, Selection};
use crestbook::numeric::crest::crests;
use crestbook::segment::{SegmentInput, Thresholds, segment};
use crestbook::synth::{Output, Recipe, Section, Wave};
use crestbook::trace::{Block, Channels, Gaps, Kind, Overview, ReadFailure, Samples};
use crestbook::units::SampleRate;
use crestbook::{Recording, Settings, Sheet, Unobserved, measure};
use divan::Bencher;
use divan::counter::ItemsCount;
use std::ops::{ControlFlow, Range};
use std::sync::{Arc, LazyLock};

const COUNT: usize = 1 << 20;

static RECIPE: LazyLock<Recipe> = LazyLock::new(|| {
    let output = |wave, peak_v| Output { wave, peak_v, carrier_hz: 500e3, ramp_s: 0.0 };
    let cut = output(Wave::Continuous, 500.0);
    let coag = output(Wave::Damped { burst_hz: 25e3, decrement: 0.4 }, 1500.0);
    Recipe {
        sections: vec![
            Section { kind: Kind::Cut, duration_s: 0.02, output: Some(cut) },
            Section { kind: Kind::Coag, duration_s: 0.04, output: Some(coag) },
            Section { kind: Kind::Rest, duration_s: 0.01, output: None },
        ],
        snr_db: Some(45.0),
        ..Recipe::single(cut, Kind::Cut, SampleRate::new(10e6).unwrap(), COUNT as u64, 500.0)
    }
});
static BLOCK: LazyLock<Block> = LazyLock::new(|| RECIPE.block(0..COUNT as u64));

struct Held;

impl Samples for Held {
    fn len(&self) -> u64 {
        COUNT as u64
    }
    fn rate(&self) -> SampleRate {
        RECIPE.rate
    }
    fn gaps(&self) -> &Gaps {
        static NONE: LazyLock<Gaps> = LazyLock::new(Gaps::default);
        &NONE
    }
    fn read(&self, range: Range<u64>) -> Result<Block, ReadFailure> {
        let part = range.start as usize..(range.end as usize).min(COUNT);
        Ok(Block {
            start: range.start,
            v: BLOCK.v[part.clone()].to_vec(),
            i: BLOCK.i[part].to_vec(),
        })
    }
}

fn main() {
    LazyLock::force(&BLOCK);
    divan::main();
}

#[divan::bench]
fn synthesise(bencher: Bencher) {
    bencher.counter(ItemsCount::new(1_usize << 16)).bench(|| RECIPE.block(0..1 << 16));
}

#[divan::bench]
fn read_text(bencher: Bencher) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.csv");
    let mut text = String::from("time (s),v (V),i (A)\n");
    for k in 0..COUNT / 4 {
        text.push_str(&format!("{:.7},{:.4},{:.6}\n", k as f64 * 1e-7, BLOCK.v[k], BLOCK.i[k]));
    }
    std::fs::write(&path, text).unwrap();
    let reader = ingest::open(&path, &Opening::default()).unwrap();
    let wanted = Selection { voltage: Some(0), current: Some(1) };
    bencher.counter(ItemsCount::new(COUNT / 4)).bench(|| {
        let mut sum = 0.0;
        ingest::stream(reader.as_ref(), 0..reader.pieces(), wanted, 2, |_, piece| {
            sum += piece.v.len() as f64;
            ControlFlow::Continue(())
        })
        .unwrap();
        sum
    });
}

#[divan::bench(args = [0.0, 0.3])]
fn condition(bencher: Bencher, lag: f64) {
    let level = ChannelChain { gain: 1000.0, offset: 0.1, lag: 0.0 };
    let chain = Chain::new(Some(level), Some(ChannelChain { lag, ..level }));
    bencher
        .counter(ItemsCount::new(COUNT))
        .with_inputs(|| (Conditioner::new(chain.clone()), BLOCK.v.clone(), BLOCK.i.clone()))
        .bench_values(|(mut conditioner, mut v, mut i)| {
            let mut sum = 0.0;
            conditioner.push(&mut v, &mut i, |v, _| sum = v[v.len() / 2]);
            sum
        });
}

#[divan::bench]
fn overview(bencher: Bencher) {
    bencher.counter(ItemsCount::new(COUNT)).bench(|| {
        let mut overview = Overview::new(310);
        overview.push(&BLOCK.v, &BLOCK.i);
        overview.finish();
        overview.cells().len()
    });
}

#[divan::bench]
fn find_phases(bencher: Bencher) {
    let mut overview = Overview::new(310);
    overview.push(&BLOCK.v, &BLOCK.i);
    overview.finish();
    bencher.counter(ItemsCount::new(COUNT)).bench(|| {
        segment(&SegmentInput {
            overview: &overview,
            samples: &Held,
            channels: Channels { voltage: true, current: true },
            load_ohm: None,
            step: crestbook::trace::PerChannel::default(),
            thresholds: &Thresholds::default(),
        })
        .unwrap()
    });
}

#[divan::bench]
fn measure_arrays(bencher: Bencher) {
    let (volts, amperes) = (Arc::from(BLOCK.v.as_slice()), Arc::from(BLOCK.i.as_slice()));
    let rate = SampleRate::new(10e6).unwrap();
    bencher.counter(ItemsCount::new(COUNT)).bench(|| {
        let (v, i) = (Some(Arc::clone(&volts)), Some(Arc::clone(&amperes)));
        let recording = Recording::from_arrays(v, i, rate, Sheet::default()).unwrap();
        let run = measure(&recording, &Settings::default(), &Unobserved).unwrap();
        run.measurement.phases.len()
    });
}

#[divan::bench]
fn find_crests(bencher: Bencher) {
    bencher.counter(ItemsCount::new(COUNT)).bench(|| crests(&BLOCK.v, 20.0, None).len());
}
