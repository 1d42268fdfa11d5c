//! Intervals between verifications, by methods that have a name. Each is a proposal; the laboratory decides.

use super::{Crossing, TrendPoint};
use crate::check::Verdict;
use crate::units::day_of;
use serde::Serialize;
use statrs::distribution::{Binomial, DiscreteCDF};

/// A method.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Method {
    /// Automatic adjustment, or staircase: ILAC-G24:2022 (OIML D 10), method 1 (from memory). It names no factors; here
    /// an interval grows by a quarter after a value in the inner 80 % of its tolerance, and is halved after one
    /// outside.
    Staircase,
    /// Control chart: ILAC-G24:2022, method 2 (from memory): until the band about the line reaches a limit.
    ControlChart,
    /// Share of results in tolerance: NCSLI RP-1, method A3, among the other statistical ones of ILAC-G24:2022, method 5
    /// (from memory).
    InTolerance,
}

impl Method {
    /// Its name for people.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Staircase => {
                "staircase (ILAC-G24 method 1; + 25 % inside 80 % of the tolerance, half outside of it)"
            }
            Self::ControlChart => {
                "control chart (ILAC-G24 method 2; until the prediction band reaches a limit)"
            }
            Self::InTolerance => "share in tolerance (NCSLI RP-1 method A3, target 95 %)",
        }
    }
}

/// A proposed interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Interval {
    /// By which method.
    pub method: Method,
    /// Days.
    pub days: f64,
}

/// Target of the share in tolerance.
const TARGET: f64 = 0.95;
/// The most that one adjustment changes an interval.
const MOST: f64 = 2.0;

/// Intervals for a series, from values as found; those as left say nothing about how long they hold.
pub(super) fn suggest(points: &[TrendPoint], crossing: Option<&Crossing>) -> Vec<Interval> {
    let found: Vec<&TrendPoint> =
        points.iter().filter(|point| point.point.state != "as left").collect();
    let mut gaps: Vec<f64> =
        found.windows(2).map(|pair| pair[1].days - pair[0].days).filter(|gap| *gap > 0.0).collect();
    let mut all = Vec::new();
    let Some(now) = crate::numeric::order::median(&mut gaps) else { return all };
    let judged: Vec<&&TrendPoint> = found
        .iter()
        .filter(|point| point.point.verdict.is_some_and(|verdict| verdict != Verdict::NotMeasured))
        .collect();
    let passed = |point: &TrendPoint| {
        matches!(point.point.verdict, Some(Verdict::Pass | Verdict::ConditionalPass))
    };
    if let Some(last) = judged.last() {
        let inner = last.point.lower.zip(last.point.upper).is_some_and(|(lower, upper)| {
            (last.point.value - f64::midpoint(lower, upper)).abs() <= 0.8 * (upper - lower) / 2.0
        });
        let factor = if !passed(last) {
            0.5
        } else if inner {
            1.25
        } else {
            1.0
        };
        all.push(Interval { method: Method::Staircase, days: now * factor });
    }
    let ends = crossing
        .and_then(|crossing| day_of(&crossing.day))
        .zip(points.last().and_then(|last| day_of(&last.point.day)));
    if let Some((day, last)) = ends {
        let days = last.until(day).map_or(0.0, |span| f64::from(span.get_days()));
        all.push(Interval { method: Method::ControlChart, days: days.max(0.0) });
    }
    let inside = judged.iter().filter(|point| passed(point)).count();
    if let Some(days) = in_tolerance(inside, judged.len(), now, TARGET, MOST) {
        all.push(Interval { method: Method::InTolerance, days });
    }
    all
}

/// The interval by NCSLI RP-1, method A3: `inside` of `all` results were in tolerance after `interval`; `most` bounds
/// the change.
///
/// `None` without results.
fn in_tolerance(inside: usize, all: usize, interval: f64, target: f64, most: f64) -> Option<f64> {
    if all == 0 {
        return None;
    }
    let share = inside as f64 / all as f64;
    let below = Binomial::new(target, all as u64).ok()?.cdf(inside as u64);
    let confidence = if share < target { 1.0 - 2.0 * below } else { 2.0 * below - 1.0 };
    // Where the share tells nothing about the target, nothing is changed.
    let power = (share - target) * confidence.max(0.0);
    Some(interval * 10_f64.powf(power).clamp(1.0 / most, most))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked cases of method A3 as an open implementation prints them (shared/metrology.md, 1.6).
    #[test]
    fn the_share_in_tolerance_gives_the_known_intervals() {
        let cases = [
            (15, 20, 365.0, 0.95, 231.0),
            (14, 20, 365.0, 0.95, 205.0),
            (16, 20, 730.0, 0.95, 523.0),
        ];
        for (inside, all, interval, target, wanted) in cases {
            let found = in_tolerance(inside, all, interval, target, 5.0).unwrap();
            assert!((found - wanted).abs() < 0.6, "{inside} of {all}: {found}, not {wanted}");
        }
        assert_eq!(in_tolerance(0, 0, 365.0, 0.95, 2.0), None);
        // All in tolerance, and too few of them to say more: as it was.
        let few = in_tolerance(3, 3, 365.0, 0.95, 2.0).unwrap();
        assert!((few - 365.0).abs() < 50.0, "{few}");
    }
}
