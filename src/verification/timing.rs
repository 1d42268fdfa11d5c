//! Output against the switch: each press with its own output.

use super::outcome::SwitchTimes;

/// A stretch of time, s; an end that lies outside of the record is `None`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// Start.
    pub start_s: Option<f64>,
    /// End.
    pub end_s: Option<f64>,
}

impl Stretch {
    fn from(self) -> f64 {
        self.start_s.unwrap_or(f64::NEG_INFINITY)
    }

    fn to(self) -> f64 {
        self.end_s.unwrap_or(f64::INFINITY)
    }

    /// How long both last together; below zero by the time between them.
    fn overlap(self, other: Self) -> f64 {
        self.to().min(other.to()) - self.from().max(other.from())
    }
}

/// Pairs each press with the output that overlaps with it most, or follows it first before the next
/// press; `u` is the standard uncertainty of an edge, s.
#[must_use]
pub fn times(presses: &[Stretch], outputs: &[Stretch], u: f64) -> SwitchTimes {
    let mut taken = vec![false; outputs.len()];
    let (mut starts, mut ends) = (Vec::new(), Vec::new());
    let mut unpaired = 0;
    for (k, press) in presses.iter().enumerate() {
        let next = presses.get(k + 1).map_or(f64::INFINITY, |next| next.from());
        let own = (0..outputs.len())
            .filter(|at| !taken[*at] && outputs[*at].from() < next)
            .filter(|at| outputs[*at].overlap(*press) > 0.0 || outputs[*at].from() > press.from())
            .max_by(|a, b| outputs[*a].overlap(*press).total_cmp(&outputs[*b].overlap(*press)));
        let Some(own) = own else {
            unpaired += 1;
            continue;
        };
        taken[own] = true;
        let output = outputs[own];
        starts.extend(output.start_s.zip(press.start_s).map(|(output, press)| output - press));
        ends.extend(output.end_s.zip(press.end_s).map(|(output, press)| output - press));
    }
    unpaired += taken.iter().filter(|taken| !**taken).count();
    SwitchTimes {
        presses: presses.len(),
        unpaired,
        start_s: starts.iter().copied().reduce(f64::max),
        earliest_s: starts.iter().copied().reduce(f64::min),
        end_s: ends.iter().copied().reduce(f64::max),
        standard_uncertainty_s: u,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stretch(start: f64, end: f64) -> Stretch {
        Stretch { start_s: Some(start), end_s: Some(end) }
    }

    #[test]
    fn each_press_has_its_own_output() {
        let presses = [stretch(0.010, 0.030), stretch(0.050, 0.080)];
        let outputs = [stretch(0.012, 0.033), stretch(0.053, 0.081)];
        let found = times(&presses, &outputs, 1e-6);
        assert!((found.start_s.unwrap() - 0.003).abs() < 1e-12);
        assert!((found.earliest_s.unwrap() - 0.002).abs() < 1e-12);
        assert!((found.end_s.unwrap() - 0.003).abs() < 1e-12);
        assert_eq!((found.presses, found.unpaired), (2, 0));
    }

    #[test]
    fn output_before_the_press_is_seen() {
        let found = times(&[stretch(0.010, 0.030)], &[stretch(0.006, 0.031)], 1e-6);
        assert!((found.earliest_s.unwrap() + 0.004).abs() < 1e-12);
        let found = times(&[stretch(0.010, 0.030)], &[stretch(0.001, 0.004)], 1e-6);
        assert_eq!((found.start_s, found.unpaired), (None, 2));
    }

    #[test]
    fn what_lies_outside_of_the_record_has_no_time() {
        let open = Stretch { start_s: Some(0.012), end_s: None };
        let found = times(&[Stretch { start_s: Some(0.010), end_s: None }], &[open], 1e-6);
        assert!(found.end_s.is_none() && found.start_s.is_some());
    }
}
