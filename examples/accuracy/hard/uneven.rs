//! Bursts that are not alike or not evenly spaced, in records of milliseconds.

use super::draw::Draw;
use super::scene::Bench;
use super::wave::{Ring, Wave, rings};
use super::{Capture, Family, Kind};
use std::f64::consts::TAU;

/// The families of this file.
pub const FAMILIES: &[Family] = &[
    Family::new(
        "alternating",
        "coag whose bursts alternate between 1 and 0.15 to 0.5",
        alternating,
    ),
    Family::new("opposed", "coag whose bursts alternate in sign", opposed),
    Family::new("heights", "coag whose bursts are of any height from 0.2 to 1", heights),
    Family::new("fading", "coag whose bursts shrink to a third over the record", shrinking),
    Family::new("missed", "coag of which 3 to 15 % of the bursts are missing", missed),
    Family::new("jitter", "coag whose bursts jitter by 0.5 to 3 % of their period", jitter),
    Family::new("sweep", "coag whose burst rate grows by 4 to 10 % over the record", sweep),
    Family::new("second", "coag with a second packet of 0.3 to 0.9 in each period", second),
    Family::new("restrike", "coag with a second packet in half of its periods", restrike),
    Family::new("groups", "coag in groups of three bursts", groups),
    Family::new("uneven-rest", "coag of random heights and jitter between rests", uneven_rest),
];

/// A coag of rings: carrier and burst rate (Hz), decay (1/s) and length (s).
struct Coag {
    hz: f64,
    burst_hz: f64,
    a: f64,
    length_s: f64,
    height: f64,
}

impl Coag {
    fn some(draw: &mut Draw) -> Self {
        let (hz, burst_hz) = (draw.log(350e3, 600e3), draw.log(15e3, 30e3));
        // Decayed to under a thousandth before the next burst begins.
        let a = draw.between(7.0, 10.0) * burst_hz;
        Self { hz, burst_hz, a, length_s: 220.0 / burst_hz, height: draw.log(1e3, 3e3) }
    }

    /// Ring of a height (1) at a time in burst periods.
    fn ring(&self, periods: f64, height: f64) -> Ring {
        let (start_s, amplitude) = (periods / self.burst_hz, height * self.height);
        Ring { start_s, amplitude, a: self.a, w: TAU * self.hz }
    }

    /// The wave of a list of rings; the rate (Hz) is that of all but what is said otherwise.
    fn wave(&self, list: Vec<Ring>) -> Wave {
        rings(self.hz, list).bursting(self.burst_hz, None)
    }

    /// A duty of ln(10)/(aT), that holds of every burst alike.
    fn duty(&self) -> Option<f64> {
        Some(10.0_f64.ln() * self.burst_hz / self.a)
    }

    /// A ring a period, of heights by number.
    fn every(&self, mut height: impl FnMut(u32) -> f64) -> Wave {
        let count = (self.length_s * self.burst_hz).round() as u32;
        let wave = self.wave((0..count).map(|k| self.ring(f64::from(k), height(k))).collect());
        wave.bursting(self.burst_hz, self.duty())
    }

    /// The capture of this coag alone, at 10 to 60 samples a cycle.
    fn alone(&self, draw: &mut Draw, wave: &Wave) -> Capture {
        let mut bench = Bench::new(draw.log(10.0, 60.0) * self.hz, draw);
        bench.output(Kind::Coag, self.length_s, wave);
        bench.capture()
    }
}

fn alternating(instance: u64) -> Capture {
    let mut draw = Draw::new("alternating", instance);
    let coag = Coag::some(&mut draw);
    let low = [0.15, 0.24, 0.3, 0.4, 0.5][(instance % 5) as usize];
    let wave = coag.every(|k| if k % 2 == 0 { 1.0 } else { low });
    coag.alone(&mut draw, &wave)
}

fn opposed(instance: u64) -> Capture {
    let mut draw = Draw::new("opposed", instance);
    let coag = Coag::some(&mut draw);
    let wave = coag.every(|k| if k % 2 == 0 { 1.0 } else { -1.0 });
    coag.alone(&mut draw, &wave)
}

fn heights(instance: u64) -> Capture {
    let mut draw = Draw::new("heights", instance);
    let coag = Coag::some(&mut draw);
    let mut other = draw.fork();
    let wave = coag.every(|_| other.between(0.2, 1.0));
    coag.alone(&mut draw, &wave)
}

fn shrinking(instance: u64) -> Capture {
    let mut draw = Draw::new("fading", instance);
    let coag = Coag::some(&mut draw);
    let wave = coag.every(|k| 1.0 - 0.003 * f64::from(k));
    coag.alone(&mut draw, &wave)
}

fn missed(instance: u64) -> Capture {
    let mut draw = Draw::new("missed", instance);
    let coag = Coag::some(&mut draw);
    let (share, mut other) = (draw.between(0.03, 0.15), draw.fork());
    // The rate stays that of the clock behind the bursts; the mean duty is a matter of words.
    let wave = coag.every(|k| f64::from(k == 0 || other.between(0.0, 1.0) > share));
    let wave = wave.bursting(coag.burst_hz, None);
    coag.alone(&mut draw, &wave)
}

/// Rings that begin off their places by up to a share of the period, and their mean rate, Hz.
fn jittered(coag: &Coag, draw: &mut Draw, share: f64, lowest: f64) -> Wave {
    let count = (coag.length_s * coag.burst_hz).round();
    let places: Vec<f64> =
        (0..count as u32).map(|k| f64::from(k) + share * draw.between(0.0, 1.0)).collect();
    let mean = (places[places.len() - 1] - places[0]) / (count - 1.0);
    let list = places.iter().map(|place| coag.ring(*place, draw.between(lowest, 1.0))).collect();
    coag.wave(list).bursting(coag.burst_hz / mean, coag.duty().map(|duty| duty / mean))
}

fn jitter(instance: u64) -> Capture {
    let mut draw = Draw::new("jitter", instance);
    let coag = Coag::some(&mut draw);
    let share = draw.log(0.01, 0.06);
    let wave = jittered(&coag, &mut draw, share, 1.0);
    coag.alone(&mut draw, &wave)
}

fn uneven_rest(instance: u64) -> Capture {
    let mut draw = Draw::new("uneven-rest", instance);
    let coag = Coag::some(&mut draw);
    let share = draw.log(0.01, 0.06);
    let wave = jittered(&coag, &mut draw, share, 0.3);
    let mut bench = Bench::new(draw.log(10.0, 30.0) * coag.hz, &mut draw);
    bench.rest(3e-3);
    bench.output(Kind::Coag, coag.length_s, &wave);
    bench.rest(3e-3);
    bench.capture()
}

fn sweep(instance: u64) -> Capture {
    let mut draw = Draw::new("sweep", instance);
    let coag = Coag::some(&mut draw);
    let more = draw.between(0.04, 0.1);
    let mut list = Vec::new();
    let mut place = 0.0;
    while place < coag.length_s * coag.burst_hz {
        list.push(coag.ring(place, 1.0));
        place += 1.0 / (1.0 + more * place / (coag.length_s * coag.burst_hz));
    }
    let mean_hz = (list.len() - 1) as f64 / list[list.len() - 1].start_s;
    let wave = coag.wave(list).bursting(mean_hz, None);
    coag.alone(&mut draw, &wave)
}

/// Two rings a period: the second at a place in it, of a height by number (1).
fn with_second(coag: &Coag, place: f64, mut second: impl FnMut() -> f64) -> Wave {
    let count = (coag.length_s * coag.burst_hz).round() as u32;
    let pair = |k: u32| [coag.ring(k.into(), 1.0), coag.ring(f64::from(k) + place, second())];
    coag.wave((0..count).flat_map(pair).collect())
}

/// A coag that decays faster, so that two packets a period leave a crest factor over 4.2.
fn lively(draw: &mut Draw) -> Coag {
    let coag = Coag::some(draw);
    Coag { a: 1.5 * coag.a, ..coag }
}

fn second(instance: u64) -> Capture {
    let mut draw = Draw::new("second", instance);
    let coag = lively(&mut draw);
    let (place, height) = (draw.between(0.3, 0.45), draw.between(0.3, 0.9));
    let wave = with_second(&coag, place, || height);
    coag.alone(&mut draw, &wave)
}

fn restrike(instance: u64) -> Capture {
    let mut draw = Draw::new("restrike", instance);
    let coag = lively(&mut draw);
    let (place, mut other) = (draw.between(0.3, 0.6), draw.fork());
    let wave = with_second(&coag, place, || {
        if other.whole(0, 1) == 0 { 0.0 } else { other.between(0.3, 0.9) }
    });
    coag.alone(&mut draw, &wave)
}

fn groups(instance: u64) -> Capture {
    let mut draw = Draw::new("groups", instance);
    let coag = Coag::some(&mut draw);
    let count = (coag.length_s * coag.burst_hz).round() as u32;
    let here = |k: &u32| k % 7 < 3;
    let wave = coag.wave((0..count).filter(here).map(|k| coag.ring(k.into(), 1.0)).collect());
    // Groups or bursts: what the rate is of is a matter of words.
    let wave = Wave { burst_hz: None, ..wave };
    let mut bench = Bench::new(draw.log(10.0, 60.0) * coag.hz, &mut draw);
    bench.edge_s = Some(7.0 / coag.burst_hz);
    bench.output(Kind::Coag, coag.length_s, &wave);
    bench.capture()
}
