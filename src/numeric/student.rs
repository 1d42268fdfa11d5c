//! Student's t distribution, for any number of degrees of freedom.
//!
//! Up to 1,000 degrees of freedom statrs is used; beyond, its inverse loses digits and at last does
//! not return (measured with 0.19.1), so the expansion about the normal distribution takes over.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// Coverage factor of a normal distribution at 95 %.
pub const NORMAL_K: f64 = 1.959_963_984_540_054;

/// Above this the expansion is exact to rounding: its first term left out is below
/// 100 z^11 / df^5.
const EXPANSION_FROM: f64 = 1e3;

/// Value below which the share `p` (0..1, ends excluded) lies, for `df` > 0 degrees of freedom
/// (infinity: the normal distribution). `None` for anything else.
///
/// Expansion: Cornish-Fisher terms to 1/df^4, Abramowitz and Stegun 26.7.5 (from memory).
#[must_use]
pub fn quantile(p: f64, df: f64) -> Option<f64> {
    if !(p > 0.0 && p < 1.0 && df > 0.0) {
        return None;
    }
    if df <= EXPANSION_FROM {
        return refined(p, df);
    }
    let z = Normal::standard().inverse_cdf(p);
    if df.is_infinite() {
        return Some(z);
    }
    let q = z * z;
    let terms = [
        z * (q + 1.0) / 4.0,
        z * ((5.0 * q + 16.0) * q + 3.0) / 96.0,
        z * (((3.0 * q + 19.0) * q + 17.0) * q - 15.0) / 384.0,
        z * ((((79.0 * q + 776.0) * q + 1482.0) * q - 1920.0) * q - 945.0) / 92_160.0,
    ];
    Some(terms.into_iter().rev().fold(0.0, |sum, term| (sum + term) / df) + z)
}

/// statrs' quantile, sharpened by Newton steps on its distribution function.
fn refined(p: f64, df: f64) -> Option<f64> {
    use statrs::distribution::Continuous;
    let student = StudentsT::new(0.0, 1.0, df).ok()?;
    // The lower half is the mirror of the upper; near 1/2 the inverse is only coarse.
    let upper = p.max(1.0 - p);
    let mut t = student.inverse_cdf(upper);
    for _ in 0..3 {
        let density = student.pdf(t);
        if density <= 0.0 || !t.is_finite() {
            break;
        }
        t -= (student.cdf(t) - upper) / density;
    }
    t.is_finite().then_some(if p < 0.5 { -t } else { t })
}

/// Probability of a value below `t` with `df` > 0 degrees of freedom (infinity: normal).
///
/// Above 1,000 degrees of freedom by the inverse expansion to 1/df^2 (Abramowitz and Stegun 26.7,
/// from memory), good to 1e-9.
#[must_use]
pub fn probability_below(t: f64, df: f64) -> f64 {
    if df <= EXPANSION_FROM
        && let Ok(student) = StudentsT::new(0.0, 1.0, df)
    {
        return student.cdf(t);
    }
    let q = t * t;
    // Far out the expansion turns over; there the probability is 0 or 1 all the same.
    let z = if df.is_infinite() || t.abs() > 9.0 {
        t
    } else {
        t - t * (q + 1.0) / (4.0 * df) + t * ((13.0 * q + 8.0) * q + 3.0) / (96.0 * df * df)
    };
    Normal::standard().cdf(z)
}

/// Coverage factor k for which +-k u holds `share` of a t distribution.
#[must_use]
pub fn coverage_factor(share: f64, df: f64) -> Option<f64> {
    quantile(0.5 + share / 2.0, df)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    /// Closed forms: df 1: tan(pi (p - 1/2)); df 2: (2p - 1) sqrt(2 / (4 p (1 - p)));
    /// df 4: 2 sqrt(c - 1) with c = cos(acos(sqrt a) / 3) / sqrt a, a = 4 p (1 - p)
    /// (W. T. Shaw 2006, J. Comput. Finance 9:37; from memory).
    #[test]
    fn closed_forms() {
        for p in [0.5001, 0.6, 0.75, 0.9, 0.95, 0.975, 0.99, 0.995, 0.9999] {
            let a: f64 = 4.0 * p * (1.0 - p);
            let c = (a.sqrt().acos() / 3.0).cos() / a.sqrt();
            for (df, wanted) in [
                (1.0, (PI * (p - 0.5)).tan()),
                (2.0, (2.0 * p - 1.0) * (2.0 / a).sqrt()),
                (4.0, 2.0 * (c - 1.0).sqrt()),
            ] {
                let got = quantile(p, df).unwrap();
                // Near 1/2 the closed form of df 4 loses digits of its own.
                let allowed = 1e-9 * wanted + 1e-11;
                assert!((got - wanted).abs() < allowed, "df {df} p {p}: {got} {wanted}");
                let mirrored = quantile(1.0 - p, df).unwrap();
                assert!((mirrored + wanted).abs() < allowed, "df {df} p {p}: {mirrored}");
            }
        }
    }

    #[test]
    fn normal_limit_without_end() {
        let z = Normal::standard().inverse_cdf(0.975);
        for df in [1e4, 1e5, 1e6, 1e7, 1e8, 1e10, 1e12, f64::INFINITY] {
            let got = quantile(0.975, df).unwrap();
            // First term: z (z^2 + 1) / (4 df).
            let wanted = z + z * (z * z + 1.0) / (4.0 * df);
            assert!((got - wanted).abs() < 3.0 / (df * df) + 1e-14, "{df}: {got}");
            assert!((probability_below(got, df) - 0.975).abs() < 1e-9, "{df}");
        }
    }

    #[test]
    fn the_two_ways_meet() {
        for p in [0.6, 0.9, 0.975, 0.995] {
            let (below, above) = (quantile(p, 1e3).unwrap(), quantile(p, 1e3 + 1e-6).unwrap());
            assert!((below - above).abs() < 1e-8, "{p}: {below} {above}");
        }
        let (below, above) = (probability_below(2.0, 1e3), probability_below(2.0, 1e3 + 1e-6));
        assert!((below - above).abs() < 1e-8);
    }

    #[test]
    fn nonsense_is_none() {
        assert_eq!(quantile(0.0, 5.0), None);
        assert_eq!(quantile(0.5, 0.0), None);
        assert_eq!(quantile(0.5, f64::NAN), None);
    }
}
