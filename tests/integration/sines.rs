//! Sine fits against what is published of them.

use crestbook::numeric::sinefit::fit_steady;
use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::TAU;

/// Tests of an open metrology toolbox (QWTB, MIT, seen): A 2, f 100 Hz, phase 1, offset 0.2, 10 kHz,
/// 1 s, start 100.2 Hz; 1e-10 relative.
#[test]
fn four_parameters_of_a_metrology_toolbox() {
    let x: Vec<f64> =
        (0..10_000).map(|n| 2.0 * (TAU * 1e-2 * f64::from(n) + 1.0).sin() + 0.2).collect();
    let fit = fit_steady(&x, TAU * 0.01002).unwrap();
    assert!((fit.w / TAU / 0.01 - 1.0).abs() < 1e-10);
    assert!((fit.amplitude() / 2.0 - 1.0).abs() < 1e-10);
    assert!((fit.offset / 0.2 - 1.0).abs() < 1e-9);
    // A sin(w n + 1) = A sin 1 cos(w n) + A cos 1 sin(w n).
    assert!((fit.cosine.atan2(fit.sine) - 1.0).abs() < 1e-9);
}

/// Bound on any unbiased estimate of a real sine's frequency: var(w) >= 12 / (eta N (N^2 - 1)),
/// eta = A^2 / (2 s^2) (Rife and Boorstyn 1974, Kay 1993; from memory); 1.0954e-6 at 40 dB and
/// N 1000. The fit reaches it from 10 to 80 dB.
#[test]
fn frequency_reaches_its_bound() {
    let n = 1000_u32;
    let mut random = ChaCha12Rng::seed_from_u64(7);
    for snr_db in [10.0, 20.0, 30.0, 40.0, 60.0, 80.0] {
        let eta = 10_f64.powf(snr_db / 10.0);
        let sigma = (0.5 / eta).sqrt();
        let bound = (12.0 / (eta * f64::from(n) * (f64::from(n).powi(2) - 1.0))).sqrt();
        if snr_db == 40.0 {
            assert!((bound / 1.095_445_66e-6 - 1.0).abs() < 1e-6);
        }
        let trials = 400;
        let (mut square, mut sum) = (0.0, 0.0);
        for trial in 0..trials {
            let (w, phase) = (0.31 + 1e-4 * f64::from(trial % 7), 0.1 * f64::from(trial));
            let x: Vec<f64> = (0..n)
                .map(|k| {
                    let noise: f64 = StandardNormal.sample(&mut random);
                    (w * f64::from(k) + phase).cos() + sigma * noise
                })
                .collect();
            let off = fit_steady(&x, w * 1.0005).unwrap().w - w;
            square += off * off;
            sum += off;
        }
        let deviation = (square / f64::from(trials)).sqrt();
        // 400 trials tell a standard deviation to 3.5 %.
        let ratio = deviation / bound;
        assert!((0.88..1.12).contains(&ratio), "{snr_db} dB: {ratio} of the bound");
        let bias = sum / f64::from(trials);
        assert!(bias.abs() < 4.0 * bound / f64::from(trials).sqrt(), "{snr_db} dB: bias {bias}");
    }
}
