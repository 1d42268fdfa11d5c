//! Power over load: the expected curve at the load as measured, flatness, the rated load, and the
//! source that the curve looks like.

use super::outcome::{Correlated, KeptMeasure};
use super::result::SourceFit;
use super::{Term, estimate, estimate_of_several};
use crate::estimate::Estimate;

/// A measured point of a curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Point {
    /// Load as measured, ohm.
    pub ohm: f64,
    /// Standard uncertainty of it that other points do not share, ohm.
    pub u_ohm: f64,
    /// Standard uncertainty of it that all points share, as a share of the load: that of the scales
    /// where the load is V / I.
    pub shared_ohm: f64,
    /// Power, W.
    pub watt: f64,
    /// Uncertainty of it that other points do not share, W; `None` where it is not known.
    pub own: Option<Term>,
    /// Whether something is missing that would rule the uncertainty.
    pub partial: bool,
}

/// How far beyond the stated loads the curve is carried on: a test load may be off by this much
/// (IEC 60601-2-2, from memory).
const BEYOND: f64 = 0.03;

/// Expected power at `ohm`, W, and the slope d ln P / d ln R there, between stated loads by a
/// straight line in the logarithms of both: exact where the source holds its voltage (P ~ 1/R),
/// its current (P ~ R) or its power.
///
/// `None` more than 3 % beyond the first and the last load.
#[must_use]
pub(super) fn expected(loads: &[f64], powers: &[f64], ohm: f64) -> Option<(f64, f64)> {
    let (first, last) = (*loads.first()?, *loads.last()?);
    if loads.len() != powers.len()
        || ohm < first * (1.0 - BEYOND)
        || ohm > last * (1.0 + BEYOND)
        || ohm.is_nan()
    {
        return None;
    }
    if loads.len() == 1 {
        return Some((powers[0], 0.0));
    }
    let k = loads.partition_point(|load| *load <= ohm).clamp(1, loads.len() - 1);
    let slope = (powers[k] / powers[k - 1]).ln() / (loads[k] / loads[k - 1]).ln();
    Some((powers[k - 1] * (ohm / loads[k - 1]).powf(slope), slope))
}

/// Standard uncertainty of ln P - ln E(R): how well a measured power is known against the expected one
/// at the load. Both come from the same channels, so that the scale of the voltage counts 1 - s times
/// and that of the current 1 + s times, s being the slope d ln E / d ln R. With one channel P hangs on
/// the nominal load as -1 (V^2 / R) or +1 (I^2 R), and E on it as s.
///
/// `load` is the load as measured, where it was.
#[must_use]
pub(super) fn against(
    power: &KeptMeasure,
    load: Option<&KeptMeasure>,
    slope: f64,
    correlated: Correlated,
) -> Option<f64> {
    let of = |number: &KeptMeasure, u: Option<f64>| Some(u? / number.estimate.value.abs());
    let whole = of(power, power.estimate.standard_uncertainty)?;
    let parts = (
        of(power, power.voltage_uncertainty),
        of(power, power.current_uncertainty),
        of(power, power.load_uncertainty),
    );
    let (Some(v), Some(i), Some(ohm)) = parts else {
        // Without budgets nothing is known to be common.
        let own = load.and_then(|load| of(load, load.estimate.standard_uncertainty));
        return Some(whole.hypot(slope * own.unwrap_or(0.0)));
    };
    let square = match load {
        Some(load) => {
            let own = of(load, load.own_uncertainty).unwrap_or(0.0);
            let r = correlated.voltage_current;
            let here = v * v + i * i + 2.0 * r * v * i;
            let (down, up) = ((1.0 - slope) * v, (1.0 + slope) * i);
            whole * whole - here
                + down * down
                + up * up
                + 2.0 * r * down * up
                + (slope * own).powi(2)
        }
        None => {
            // The one channel that was captured, and the sign with which the load goes into P.
            let (channel, sign, r) = if v >= i {
                (v, -1.0, correlated.voltage_load)
            } else {
                (i, 1.0, correlated.current_load)
            };
            let here = ohm * ohm + 2.0 * sign * r * channel * ohm;
            let load = sign - slope;
            whole * whole - here + (load * ohm).powi(2) + 2.0 * load * r * channel * ohm
        }
    };
    Some(square.max(0.0).sqrt())
}

/// Flatness max / min - 1 of some powers, each with the uncertainty that others do not share. U holds
/// for every pair that could be the largest and the smallest at once.
#[must_use]
pub(super) fn flatness(points: &[Point]) -> Option<Estimate> {
    let top = points.iter().max_by(|a, b| a.watt.total_cmp(&b.watt))?;
    let low = points.iter().min_by(|a, b| a.watt.total_cmp(&b.watt))?;
    if points.len() < 2 || low.watt <= 0.0 {
        return None;
    }
    let ratio = top.watt / low.watt;
    let term = top
        .own
        .zip(low.own)
        .map(|(a, b)| a.times(1.0 / top.watt).and(b.times(1.0 / low.watt)).times(ratio));
    let pairs = close_to(points, top) * close_to(points, low);
    told(ratio - 1.0, term, pairs, points)
}

/// How many points could as well be the one given: less than three standard uncertainties away.
fn close_to(points: &[Point], one: &Point) -> usize {
    let near = |other: &&Point| match (one.own, other.own) {
        (Some(a), Some(b)) => (one.watt - other.watt).abs() <= 3.0 * a.u.hypot(b.u),
        _ => false,
    };
    points.iter().filter(near).count().max(1)
}

/// A value of several points with its uncertainty, as far as that is known.
fn told<'a>(
    value: f64,
    term: Option<Term>,
    comparisons: usize,
    points: impl IntoIterator<Item = &'a Point>,
) -> Option<Estimate> {
    let mut found = match term {
        Some(term) => estimate_of_several(value, term, comparisons)?,
        None => Estimate::new(value)?,
    };
    found.partial = points.into_iter().any(|point| point.partial);
    Some(found)
}

/// How much more the unit puts out at `rated` than at the strongest other load, W. U holds for every
/// load that could be that one.
#[must_use]
pub(super) fn lead(rated: &Point, others: &[Point]) -> Option<Estimate> {
    let next = others.iter().max_by(|a, b| a.watt.total_cmp(&b.watt))?;
    let term = rated.own.zip(next.own).map(|(a, b)| a.and(b));
    told(rated.watt - next.watt, term, close_to(others, next), others.iter().chain([rated]))
}

/// A curve whose every power lies this close to that of a source behind a resistance is called one
/// (common practice, no source).
const LIKENESS: f64 = 0.05;

/// The source behind a resistance that fits best: sqrt(R / P) = (R + Ri) / U0 is a straight line
/// in R, fitted by least squares with weights 1/u^2. Where the points scatter by more than their
/// uncertainty, it is widened by the Birge ratio.
///
/// `None` with fewer than three points, where the uncertainty of one is not known, or where the line
/// does not rise.
#[must_use]
pub(super) fn source(points: &[Point]) -> Option<(SourceFit, Estimate)> {
    if points.iter().any(|point| point.own.is_none())
        || points.len() < 3
        || points.iter().any(|p| p.watt <= 0.0 || p.ohm <= 0.0)
    {
        return None;
    }
    let y = |p: &Point| (p.ohm / p.watt).sqrt();
    // The shares of R and of P in ln y are one half each. Nothing is known better than to 1e-6.
    let share = |p: &Point| (p.own.map_or(0.0, |own| own.u) / p.watt).hypot(p.u_ohm / p.ohm);
    let u = |p: &Point| y(p) * (0.5 * share(p)).max(1e-6);
    let (mut s, mut sx, mut sy) = (0.0, 0.0, 0.0);
    for p in points {
        let w = u(p).powi(-2);
        s += w;
        sx += w * p.ohm;
        sy += w * y(p);
    }
    let (mx, my) = (sx / s, sy / s);
    let (mut sxx, mut sxy) = (0.0, 0.0);
    for p in points {
        let w = u(p).powi(-2);
        sxx += w * (p.ohm - mx) * (p.ohm - mx);
        sxy += w * (p.ohm - mx) * (y(p) - my);
    }
    let slope = sxy / sxx;
    if !(sxx > 0.0 && slope > 0.0) {
        return None;
    }
    let (voltage, resistance) = (1.0 / slope, my / slope - mx);
    let chi: f64 = points.iter().map(|p| ((y(p) - my - slope * (p.ohm - mx)) / u(p)).powi(2)).sum();
    let freedom = points.len() as f64 - 2.0;
    let birge = (chi / freedom).sqrt();
    let widen = birge.max(1.0);
    // Ri = my / slope - mx, where my and the slope are not correlated.
    let (u_mean, u_slope) = (widen / s.sqrt(), widen / sxx.sqrt());
    let u_resistance = (u_mean / slope).hypot(my * u_slope / (slope * slope));
    let u_voltage = u_slope / (slope * slope);
    // Widened by what was seen, it is known no better than from the points.
    let freedom = if birge > 1.0 { freedom } else { f64::INFINITY };
    // A scale error stretches all loads alike, and the resistance with them.
    let scale = points.iter().map(|p| p.shared_ohm).fold(0.0, f64::max);
    let term = Term { u: u_resistance, freedom }.and(Term::normal(resistance * scale));
    let mut found = estimate(resistance, term.u, term.freedom)?;
    found.partial = points.iter().any(|point| point.partial);
    let k = found.coverage?.coverage_factor;
    let power = |ohm: f64| voltage * voltage * ohm / (ohm + resistance).powi(2);
    let worst = points.iter().map(|p| (p.watt / power(p.ohm) - 1.0).abs()).fold(0.0, f64::max);
    let fit = SourceFit {
        voltage_v: voltage,
        voltage_expanded_uncertainty_v: k * u_voltage,
        resistance_ohm: resistance,
        resistance_expanded_uncertainty_ohm: found.expanded()?,
        worst_residual: worst,
        fits: worst <= LIKENESS,
    };
    Some((fit, found))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// P(R) = U0^2 R / (R + Ri)^2 with U0 = 300 V, Ri = 200 ohm; largest 300^2 / 800 = 112.5 W.
    fn closed(ohm: f64) -> f64 {
        300.0 * 300.0 * ohm / (ohm + 200.0).powi(2)
    }

    fn point(ohm: f64, watt: f64) -> Point {
        let own = Some(Term::normal(1e-3 * watt));
        Point { ohm, u_ohm: 1e-3 * ohm, shared_ohm: 0.0, watt, own, partial: false }
    }

    #[test]
    fn the_source_is_found_again() {
        assert!((closed(200.0) - 112.5).abs() < 1e-12);
        let points: Vec<Point> =
            [100.0, 200.0, 500.0, 1000.0, 2000.0].map(|ohm| point(ohm, closed(ohm))).into();
        let (fit, _) = source(&points).unwrap();
        assert!((fit.voltage_v - 300.0).abs() < 1e-9 && (fit.resistance_ohm - 200.0).abs() < 1e-9);
        assert!(fit.fits && fit.worst_residual < 1e-12);
        assert!(fit.resistance_expanded_uncertainty_ohm > 0.0);
    }

    #[test]
    fn a_held_power_is_no_such_source() {
        let points: Vec<Point> = [100.0, 200.0, 500.0, 1000.0].map(|ohm| point(ohm, 100.0)).into();
        let (fit, _) = source(&points).unwrap();
        assert!(!fit.fits && fit.worst_residual > 0.05);
        assert!(source(&points[..2]).is_none());
    }

    /// Held voltage: P = 100^2 / R, on the line and between its points.
    #[test]
    fn between_loads_power_laws_are_exact() {
        let loads = [100.0, 500.0, 1000.0];
        for law in [-1.0, 0.0, 1.0] {
            let powers = loads.map(|ohm: f64| 100.0 * (ohm / 100.0).powf(law));
            let (power, slope) = expected(&loads, &powers, 487.0).unwrap();
            assert!((power - 100.0 * 4.87_f64.powf(law)).abs() < 1e-9);
            assert!((slope - law).abs() < 1e-12);
            assert!(expected(&loads, &powers, 98.0).is_some());
            assert!(expected(&loads, &powers, 90.0).is_none());
            assert!(expected(&loads, &powers, 1040.0).is_none());
        }
        assert_eq!(expected(&[500.0], &[80.0], 495.0), Some((80.0, 0.0)));
    }

    /// 110 W and 100 W: 10 % apart; u = 1.1 sqrt(2) 0.001.
    #[test]
    fn flatness_and_lead() {
        let points = [point(200.0, 110.0), point(500.0, 104.0), point(1000.0, 100.0)];
        let found = flatness(&points).unwrap();
        assert!((found.value - 0.1).abs() < 1e-12);
        let u = found.standard_uncertainty.unwrap();
        assert!((u - 1.1 * 2_f64.sqrt() * 1e-3).abs() < 1e-12);
        // What is not known of one point is not known of all.
        let unknown = [Point { own: None, ..points[0] }, points[1], points[2]];
        assert_eq!(flatness(&unknown).unwrap().expanded(), None);
        assert!(source(&unknown).is_none());
        let partial = [points[0], Point { partial: true, ..points[1] }, points[2]];
        assert!(flatness(&partial).unwrap().partial);
        let found = lead(&points[0], &points[1..]).unwrap();
        assert!((found.value - 6.0).abs() < 1e-12);
    }
}
