//! What a part of a record truly holds, from closed forms or from dense sums of the formula.

use super::Kind;
use super::scene::{Load, Part};
use super::wave::Wave;

/// Points per carrier cycle of a dense sum; no whole number, so that jumps which come with the
/// carrier meet other points each time.
const DENSE: f64 = 211.803_4;

/// Means and extremes of one part.
#[derive(Clone, Copy, Debug, Default)]
pub struct Sums {
    /// Mean of the squared voltage, V².
    pub vv: f64,
    /// Mean of the squared current, A².
    pub ii: f64,
    /// Mean of voltage times current, W.
    pub vi: f64,
    /// Largest absolute voltage, V.
    pub v_peak: f64,
    /// Largest absolute current, A.
    pub i_peak: f64,
}

impl Sums {
    /// Those of a voltage alone over a resistance, ohm.
    fn over(self, ohm: f64) -> Self {
        let (vi, ii) = (self.vv / ohm, self.vv / (ohm * ohm));
        Self { vi, ii, i_peak: self.v_peak / ohm, ..self }
    }
}

/// Means and extremes of a part; zeros where it has no output.
pub fn sums(part: &Part) -> Sums {
    let Some(wave) = &part.wave else { return Sums::default() };
    let found = match (&part.load, wave.square, wave.peak) {
        (Load::Ohm(ohm), Some(vv), Some(v_peak)) => {
            Sums { vv, v_peak, ..Sums::default() }.over(*ohm)
        }
        _ => dense(part, wave, DENSE),
    };
    #[cfg(test)]
    audit(part, wave, &found);
    found
}

/// Sums over the midpoints of a fine grid, so many to a carrier cycle: over one repetition where
/// there is one, else over the whole part.
fn dense(part: &Part, wave: &Wave, per_cycle: f64) -> Sums {
    let span = wave.repeats_s.unwrap_or(part.length_s).min(part.length_s);
    // A repetition of one cycle is looked at more closely: it costs nothing.
    let count = (span * wave.carrier_hz * per_cycle).ceil().max(40_000.0);
    let step = span / count;
    let mut sums = Sums::default();
    let (mut v_top, mut i_top) = (0.0, 0.0);
    for k in 0..count as u64 {
        let t = (k as f64 + 0.5) * step;
        let v = (wave.form)(t);
        sums.vv += v * v;
        if v.abs() > sums.v_peak {
            (sums.v_peak, v_top) = (v.abs(), t);
        }
        if let Load::Form(current) = &part.load {
            let i = current(t);
            sums.ii += i * i;
            sums.vi += v * i;
            if i.abs() > sums.i_peak {
                (sums.i_peak, i_top) = (i.abs(), t);
            }
        }
    }
    let v_near = || sums.v_peak.max(near(&*wave.form, v_top, step));
    sums.v_peak = wave.peak.unwrap_or_else(v_near);
    (sums.vv, sums.ii, sums.vi) = (sums.vv / count, sums.ii / count, sums.vi / count);
    match &part.load {
        Load::Ohm(ohm) => sums.over(*ohm),
        Load::Form(current) => {
            Sums { i_peak: sums.i_peak.max(near(&**current, i_top, step)), ..sums }
        }
    }
}

/// The largest absolute value within a step of a time.
fn near(form: &dyn Fn(f64) -> f64, top: f64, step: f64) -> f64 {
    const FINER: i32 = 50;
    let at = |k: i32| form((top + step * f64::from(k) / f64::from(FINER)).max(0.0)).abs();
    (-FINER..=FINER).map(at).fold(0.0, f64::max)
}

/// The measures of a part, as [`super::TruePhase::truth`] wants them.
pub fn measures(part: &Part, sums: &Sums) -> Vec<(&'static str, f64)> {
    let Some(wave) = part.wave.as_ref().filter(|_| part.kind != Kind::Rest) else {
        return Vec::new();
    };
    let rms = sums.vv.sqrt();
    let all = [
        ("power_w", Some(sums.vi)),
        ("voltage_rms_v", Some(rms)),
        ("current_rms_a", Some(sums.ii.sqrt())),
        ("voltage_peak_v", Some(sums.v_peak)),
        ("current_peak_a", Some(sums.i_peak)),
        ("crest_factor", Some(sums.v_peak / rms)),
        ("duty_cycle", wave.duty),
        ("fundamental_hz", wave.fundamental_hz),
        ("burst_rate_hz", wave.burst_hz),
    ];
    let wanted = |key: &&str| !part.leave_out.contains(key);
    all.into_iter()
        .filter_map(|(key, value)| Some((key, value?)))
        .filter(|(k, _)| wanted(k))
        .collect()
}

/// Holds what was found against a plain sum over the whole part on another grid.
#[cfg(test)]
fn audit(part: &Part, wave: &Wave, found: &Sums) {
    // Of long parts the first 20 ms of whole repetitions is enough.
    let repeats = wave.repeats_s.unwrap_or(part.length_s);
    let most = (0.02 / repeats).floor().max(1.0) * repeats;
    let length_s = part.length_s.min(most);
    let plain = wave.clone().summed();
    let short = Part { length_s, load: part.load.clone(), ..Part::rest(length_s) };
    let sums = dense(&short, &plain, 91.618_034);
    // The top of a jump, such as of an arc that strikes, lies between the points of any grid.
    let jump = if wave.peak.is_some() && wave.square.is_none() { 0.06 } else { 4e-3 };
    let pairs = [
        ("power", found.vi, sums.vi, 1e-3),
        ("voltage", found.vv.sqrt(), sums.vv.sqrt(), 5e-4),
        ("current", found.ii.sqrt(), sums.ii.sqrt(), 5e-4),
        ("voltage peak", found.v_peak, sums.v_peak, jump),
        ("current peak", found.i_peak, sums.i_peak, 4e-3),
    ];
    for (what, found, summed, allowed) in pairs {
        let off = (found - summed).abs();
        assert!(off <= allowed * summed.abs(), "{what}: {found} but {summed} by a plain sum");
    }
}
