//! Least-squares fit of a steady or decaying sine.
//!
//! IEEE Std 1057 four-parameter sine fit, with a fifth parameter for the decay where wanted:
//! `x[n] = exp(-a n) (A cos(w n) + B sin(w n)) + C`. Gauss-Newton from a start value near w.

/// What a fit found; frequencies and decays per sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SineFit {
    /// Angular frequency w in radians per sample.
    pub w: f64,
    /// Decay a in nepers per sample; 0 where it was not fitted.
    pub decay: f64,
    /// Cosine amplitude A at n = 0.
    pub cosine: f64,
    /// Sine amplitude B at n = 0.
    pub sine: f64,
    /// Constant C.
    pub offset: f64,
    /// Root mean square of what the fit leaves.
    pub residual: f64,
}

impl SineFit {
    /// Amplitude at n = 0.
    #[must_use]
    pub fn amplitude(&self) -> f64 {
        self.cosine.hypot(self.sine)
    }

    /// Takes the wave and the constant away from samples that begin where the fitted ones did.
    pub fn take_from(&self, x: &mut [f64]) {
        let fade = (-self.decay).exp();
        let mut envelope = 1.0;
        oscillate(self.w, x.len(), |n, cos, sin| {
            x[n] -= envelope * (self.cosine * cos + self.sine * sin) + self.offset;
            envelope *= fade;
        });
    }
}

/// Walks cos and sin of `w n` by rotation, set right every 256 samples.
fn oscillate(w: f64, count: usize, mut visit: impl FnMut(usize, f64, f64)) {
    let (step_sin, step_cos) = w.sin_cos();
    let (mut sin, mut cos) = (0.0, 1.0);
    for n in 0..count {
        if n % 256 == 0 {
            (sin, cos) = (w * n as f64).sin_cos();
        }
        visit(n, cos, sin);
        (sin, cos) = (sin * step_cos + cos * step_sin, cos * step_cos - sin * step_sin);
    }
}

/// Amplitudes and constant at a known `w` and `decay` (three-parameter fit of IEEE 1057).
///
/// `None` where the slice is too short or the equations are singular.
#[must_use]
pub fn fit_linear(x: &[f64], w: f64, decay: f64) -> Option<SineFit> {
    amplitudes(x, w, decay).map(|fit| with_residual(x, fit))
}

fn with_residual(x: &[f64], fit: SineFit) -> SineFit {
    SineFit { residual: residual(x, &fit), ..fit }
}

fn amplitudes(x: &[f64], w: f64, decay: f64) -> Option<SineFit> {
    let mut normal = [[0.0; 3]; 3];
    let mut right = [0.0; 3];
    let fade = (-decay).exp();
    let mut envelope = 1.0;
    oscillate(w, x.len(), |n, cos, sin| {
        let row = [envelope * cos, envelope * sin, 1.0];
        accumulate(&mut normal, &mut right, &row, x[n]);
        envelope *= fade;
    });
    let [cosine, sine, offset] = solve(normal, right)?;
    Some(SineFit { w, decay, cosine, sine, offset, residual: 0.0 })
}

/// The same with `w` refined from a start value within about half a cycle over the slice.
#[must_use]
pub fn fit_steady(x: &[f64], start: f64) -> Option<SineFit> {
    let mut fit = amplitudes(x, start, 0.0)?;
    for _ in 0..12 {
        let mut normal = [[0.0; 4]; 4];
        let mut right = [0.0; 4];
        let length = x.len() as f64;
        oscillate(fit.w, x.len(), |n, cos, sin| {
            let time = n as f64 / length;
            let slope = time * (fit.sine * cos - fit.cosine * sin);
            let rest = x[n] - (fit.cosine * cos + fit.sine * sin + fit.offset);
            accumulate(&mut normal, &mut right, &[cos, sin, 1.0, slope], rest);
        });
        let [_, _, _, step] = solve(normal, right)?;
        let step = step / length;
        fit = amplitudes(x, fit.w + step, 0.0)?;
        if step.abs() * length < 1e-10 {
            break;
        }
    }
    plausible(with_residual(x, fit), start)
}

/// A sine without decay and without a constant, `w` refined from a start value; for single bursts of
/// about one cycle.
#[must_use]
pub fn fit_bare(x: &[f64], start: f64) -> Option<SineFit> {
    let linear = |w: f64| {
        let (mut normal, mut right) = ([[0.0; 2]; 2], [0.0; 2]);
        oscillate(w, x.len(), |n, cos, sin| accumulate(&mut normal, &mut right, &[cos, sin], x[n]));
        let [cosine, sine] = solve(normal, right)?;
        Some(SineFit { w, decay: 0.0, cosine, sine, offset: 0.0, residual: 0.0 })
    };
    let length = x.len() as f64;
    let mut fit = linear(start)?;
    for _ in 0..20 {
        let (mut normal, mut right) = ([[0.0; 3]; 3], [0.0; 3]);
        oscillate(fit.w, x.len(), |n, cos, sin| {
            let slope = n as f64 / length * (fit.sine * cos - fit.cosine * sin);
            let rest = x[n] - (fit.cosine * cos + fit.sine * sin);
            accumulate(&mut normal, &mut right, &[cos, sin, slope], rest);
        });
        let [_, _, step] = solve(normal, right)?;
        let step = step.clamp(-1.0, 1.0) / length;
        fit = linear(fit.w + step)?;
        if step.abs() * length < 1e-10 {
            break;
        }
    }
    plausible(with_residual(x, fit), start)
}

/// The same with `w` and `decay` refined from start values; for single damped or short bursts.
#[must_use]
pub fn fit_decaying(x: &[f64], start: f64, decay: f64) -> Option<SineFit> {
    let mut fit = amplitudes(x, start, decay)?;
    for _ in 0..20 {
        let mut normal = [[0.0; 5]; 5];
        let mut right = [0.0; 5];
        let length = x.len() as f64;
        let fade = (-fit.decay).exp();
        let mut envelope = 1.0;
        oscillate(fit.w, x.len(), |n, cos, sin| {
            let (cos, sin) = (envelope * cos, envelope * sin);
            let time = n as f64 / length;
            let wave = fit.cosine * cos + fit.sine * sin;
            let row = [cos, sin, 1.0, time * (fit.sine * cos - fit.cosine * sin), -time * wave];
            accumulate(&mut normal, &mut right, &row, x[n] - wave - fit.offset);
            envelope *= fade;
        });
        let [_, _, _, step_w, step_decay] = solve(normal, right)?;
        // A step beyond a radian or a neper over the slice leaves the region where it is valid.
        let (step_w, step_decay) =
            (step_w.clamp(-1.0, 1.0) / length, step_decay.clamp(-1.0, 1.0) / length);
        fit = amplitudes(x, fit.w + step_w, fit.decay + step_decay)?;
        if (step_w.abs() + step_decay.abs()) * length < 1e-10 {
            break;
        }
    }
    plausible(with_residual(x, fit), start)
}

fn plausible(fit: SineFit, start: f64) -> Option<SineFit> {
    let finite = [fit.w, fit.decay, fit.cosine, fit.sine, fit.offset, fit.residual]
        .into_iter()
        .all(f64::is_finite);
    (finite && (fit.w / start - 1.0).abs() < 0.5).then_some(fit)
}

fn residual(x: &[f64], fit: &SineFit) -> f64 {
    let fade = (-fit.decay).exp();
    let (mut envelope, mut total) = (1.0, 0.0);
    oscillate(fit.w, x.len(), |n, cos, sin| {
        let rest = x[n] - envelope * (fit.cosine * cos + fit.sine * sin) - fit.offset;
        total += rest * rest;
        envelope *= fade;
    });
    (total / x.len() as f64).sqrt()
}

fn accumulate<const N: usize>(
    normal: &mut [[f64; N]; N],
    right: &mut [f64; N],
    row: &[f64; N],
    value: f64,
) {
    for a in 0..N {
        for b in a..N {
            normal[a][b] += row[a] * row[b];
        }
        right[a] += row[a] * value;
    }
}

/// Solves the normal equations (upper triangle given) by Cholesky factors; `None` if singular.
fn solve<const N: usize>(normal: [[f64; N]; N], right: [f64; N]) -> Option<[f64; N]> {
    let mut lower = [[0.0; N]; N];
    for a in 0..N {
        for b in 0..=a {
            let done: f64 = (0..b).map(|k| lower[a][k] * lower[b][k]).sum();
            let rest = normal[b][a] - done;
            if a == b {
                if rest.is_nan() || rest <= normal[a][a].abs() * 1e-14 {
                    return None;
                }
                lower[a][a] = rest.sqrt();
            } else {
                lower[a][b] = rest / lower[b][b];
            }
        }
    }
    let mut y = right;
    for a in 0..N {
        let done: f64 = (0..a).map(|k| lower[a][k] * y[k]).sum();
        y[a] = (y[a] - done) / lower[a][a];
    }
    for a in (0..N).rev() {
        let done: f64 = (a + 1..N).map(|k| lower[k][a] * y[k]).sum();
        y[a] = (y[a] - done) / lower[a][a];
    }
    y.iter().all(|value| value.is_finite()).then_some(y)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn ieee_1057_golden_vector() {
        // Made with an independent fit: N 1000, f 0.0123456789, A 1.5, phase 0.7, C 0.25.
        let x: Vec<f64> = (0..1000)
            .map(|n| 0.25 + 1.5 * (TAU * 0.0123456789 * f64::from(n) + 0.7).cos())
            .collect();
        let fit = fit_steady(&x, TAU * 0.0123).expect("converges");
        assert!((fit.w / TAU - 0.0123456789).abs() < 1e-13);
        assert!((fit.amplitude() - 1.5).abs() < 1e-12);
        assert!((fit.offset - 0.25).abs() < 1e-12);

        // The same, quantised to 1/64: figures of the independent fit.
        let coarse: Vec<f64> = x.iter().map(|v| (64.0 * v + 0.5).floor() / 64.0).collect();
        let fit = fit_steady(&coarse, TAU * 0.0123).expect("converges");
        assert!((fit.w / TAU - 0.012_345_670_247_76).abs() < 1e-12);
        assert!((fit.amplitude() - 1.498_262_333_992).abs() < 1e-9);
        assert!((fit.offset - 0.250_382_637_247).abs() < 1e-9);
        assert!((fit.residual - 4.184_851_37e-3).abs() < 1e-9);
    }

    #[test]
    fn decaying_sine_is_recovered() {
        let x: Vec<f64> = (0..150)
            .map(|n| (-0.02 * f64::from(n)).exp() * (0.31 * f64::from(n)).sin() * 900.0)
            .collect();
        let fit = fit_decaying(&x, 0.30, 0.0).expect("converges");
        assert!((fit.w - 0.31).abs() < 1e-10 && (fit.decay - 0.02).abs() < 1e-10, "{fit:?}");
    }

    #[test]
    fn nothing_to_fit_is_none() {
        assert!(fit_steady(&[0.0, 1.0], 0.3).is_none());
        assert!(fit_linear(&[], 0.3, 0.0).is_none());
    }
}
