//! Short records, most of them without rest, as a pick-up near the leads sees them: bursts unlike
//! one another, second packets, droop, offset.

use super::draw::Draw;
use super::instrument::State;
use super::scene::Bench;
use super::wave::{Ring, Wave, harmonics, rings, sine};
use super::{Capture, Family, Kind};
use std::f64::consts::TAU;

/// The families of this file.
pub const FAMILIES: &[Family] = &[
    Family::new("short-cut", "20 to 200 µs of cut with harmonics, no rest", short_cut),
    Family::new("short-pickup-cut", "20 to 200 µs of cut by a drooping pick-up", pickup_cut),
    Family::new(
        "short-trigger",
        "100 to 400 µs, the first 10 to 50 % of it quiet, then cut",
        trigger,
    ),
    Family::new("short-coag", "200 to 400 µs of coag, each burst another", short_coag),
    Family::new("short-pickup-coag", "200 µs of coag by a drooping pick-up", pickup_coag),
    Family::new("short-second", "200 µs of coag, second packets of 0.3 to 0.9", second),
    Family::new("short-two-bursts", "60 to 90 µs: two bursts, the second cut off", two_bursts),
    Family::new(
        "short-coag-trigger",
        "600 µs, the first 150 to 300 µs quiet, then coag",
        coag_trigger,
    ),
];

/// A bench for a record of about so many seconds: a whole number of samples, on 25 to 125 MS/s.
fn bench_of(draw: &mut Draw, wish_s: f64) -> (Bench, f64) {
    let rate_hz = draw.of(&[25e6, 50e6, 62.5e6, 125e6]);
    let mut bench = Bench::new(rate_hz, draw);
    let snr_db = draw.between(32.0, 46.0);
    bench.both(|channel| (channel.snr_db, channel.bits) = (snr_db, 8));
    (bench, (wish_s * rate_hz).round() / rate_hz)
}

/// A pick-up: one voltage of no stated scale, AC-coupled, with an offset; no load is known.
fn pick_up(bench: &mut Bench, draw: &mut Draw) {
    bench.i.state = State::Absent;
    bench.v.lowest_hz = Some(draw.log(300.0, 2.5e3));
    bench.v.offset = draw.sign() * draw.between(0.02, 0.1);
    bench.v.range = 1.4;
    bench.sheet.voltage = vec!["scale = 1.0".to_owned()];
    bench.sheet.load.clear();
    bench.sheet.timebase.clear();
}

/// What can't be known of a pick-up.
const NO_POWER: &[&str] = &["power_w", "current_rms_a", "current_peak_a"];

fn some_wave(draw: &mut Draw) -> Wave {
    let (hz, peak) = (draw.log(377e3, 480e3), draw.log(250.0, 700.0));
    let mut lines = vec![(1.0, peak, draw.angle())];
    for order in [2.0, 3.0, 5.0] {
        lines.push((order, peak * draw.between(0.01, 0.12), draw.angle()));
    }
    harmonics(hz, lines).summed()
}

const LENGTHS: [f64; 5] = [20e-6, 40e-6, 80e-6, 120e-6, 200e-6];

fn short_cut(instance: u64) -> Capture {
    let mut draw = Draw::new("short-cut", instance);
    let (mut bench, length_s) = bench_of(&mut draw, LENGTHS[(instance % 5) as usize]);
    bench.output(Kind::Cut, length_s, &some_wave(&mut draw));
    bench.capture()
}

fn pickup_cut(instance: u64) -> Capture {
    let mut draw = Draw::new("short-pickup-cut", instance);
    let (mut bench, length_s) = bench_of(&mut draw, LENGTHS[((instance + 2) % 5) as usize]);
    pick_up(&mut bench, &mut draw);
    bench.output(Kind::Cut, length_s, &some_wave(&mut draw)).leave_out = NO_POWER;
    bench.capture()
}

fn trigger(instance: u64) -> Capture {
    let mut draw = Draw::new("short-trigger", instance);
    let wish_s = draw.log(100e-6, 400e-6);
    let (mut bench, length_s) = bench_of(&mut draw, wish_s);
    let wave = sine(draw.log(260.0, 900.0), draw.log(350e3, 600e3), draw.angle()).summed();
    let quiet_s = [0.1, 0.2, 0.3, 0.4, 0.5][(instance % 5) as usize] * length_s;
    bench.rest(quiet_s);
    bench.output(Kind::Cut, length_s - quiet_s, &wave);
    bench.capture()
}

/// Bursts of about 20 kHz over a length (s), the first at a time (s), each of its own height,
/// decay and carrier; `second` is the height of a second packet in each, over that of the first.
fn bursts(draw: &mut Draw, first_s: f64, length_s: f64, second: Option<f64>) -> Wave {
    let (burst_hz, hz) = (draw.log(19.8e3, 21e3), draw.log(340e3, 480e3));
    let height = draw.log(800.0, 2500.0);
    // A crest factor over 4.2 in spite of what a second packet adds, and of a record that holds two
    // bursts in hardly more than a period.
    let extra = 1.0 + second.map_or(0.0, |share| 1.2 * share * share);
    let extra = if length_s < 100e-6 { 1.4 * extra } else { extra };
    let (fade, again_s) = (draw.between(5.6, 8.5) * extra, draw.between(0.3, 0.55) / burst_hz);
    let mut starts = Vec::new();
    let mut list = Vec::new();
    let mut start_s = first_s - 1.0 / burst_hz;
    while start_s < length_s {
        let a = fade * burst_hz * draw.between(0.9, 1.15);
        let (w, amplitude) =
            (TAU * hz * draw.between(0.985, 1.015), draw.between(0.7, 1.0) * height);
        let jittered_s = start_s + draw.between(-0.3e-6, 0.3e-6);
        list.push(Ring { start_s: jittered_s, amplitude, a, w });
        if let Some(share) = second {
            let (start_s, share) = (jittered_s + again_s, share * draw.between(0.85, 1.05));
            list.push(Ring { start_s, amplitude: amplitude * share, a, w });
        }
        starts.extend((jittered_s >= 0.0 && jittered_s < length_s).then_some(jittered_s));
        start_s += 1.0 / burst_hz;
    }
    // The rate of the very bursts that begin inside the record.
    let rate_hz = (starts.len() - 1) as f64 / (starts[starts.len() - 1] - starts[0]);
    // Each burst has another carrier, decay and height: no one carrier or duty is the true one.
    rings(hz, list).bursting(rate_hz, None).without_fundamental()
}

fn short_coag(instance: u64) -> Capture {
    let mut draw = Draw::new("short-coag", instance);
    let wish_s = draw.of(&[200e-6, 250e-6, 400e-6]);
    let (mut bench, length_s) = bench_of(&mut draw, wish_s);
    let first_s = draw.between(5e-6, 40e-6);
    bench.output(Kind::Coag, length_s, &bursts(&mut draw, first_s, length_s, None));
    bench.capture()
}

fn pickup_coag(instance: u64) -> Capture {
    let mut draw = Draw::new("short-pickup-coag", instance);
    let (mut bench, length_s) = bench_of(&mut draw, 200e-6);
    pick_up(&mut bench, &mut draw);
    let first_s = draw.between(5e-6, 40e-6);
    let wave = bursts(&mut draw, first_s, length_s, None);
    bench.output(Kind::Coag, length_s, &wave).leave_out = NO_POWER;
    bench.capture()
}

fn second(instance: u64) -> Capture {
    let mut draw = Draw::new("short-second", instance);
    let (mut bench, length_s) = bench_of(&mut draw, 200e-6);
    if instance % 2 == 1 {
        pick_up(&mut bench, &mut draw);
    }
    let (first_s, share) = (draw.between(5e-6, 40e-6), draw.between(0.3, 0.9));
    let wave = bursts(&mut draw, first_s, length_s, Some(share));
    bench.output(Kind::Coag, length_s, &wave).leave_out =
        if instance % 2 == 1 { NO_POWER } else { &[] };
    bench.capture()
}

fn two_bursts(instance: u64) -> Capture {
    let mut draw = Draw::new("short-two-bursts", instance);
    let wish_s = draw.between(66e-6, 90e-6);
    let (mut bench, length_s) = bench_of(&mut draw, wish_s);
    let first_s = draw.between(2e-6, 8e-6);
    bench.output(Kind::Coag, length_s, &bursts(&mut draw, first_s, length_s, None));
    bench.capture()
}

fn coag_trigger(instance: u64) -> Capture {
    let mut draw = Draw::new("short-coag-trigger", instance);
    let (mut bench, length_s) = bench_of(&mut draw, 600e-6);
    let quiet_s = draw.between(150e-6, 300e-6);
    let on_s = length_s - quiet_s;
    // The first burst begins with the phase; what rings on from the one before it is under 1 %.
    let first_s = 0.3e-6;
    bench.rest(quiet_s);
    bench.output(Kind::Coag, on_s, &bursts(&mut draw, first_s, on_s, None));
    bench.edge_s = Some(52e-6);
    bench.capture()
}
