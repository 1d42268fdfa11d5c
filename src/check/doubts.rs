//! What the doubts about a capture do to the verdict on a limit.

use super::{Judged, Verdict};
use crate::flag::{Effect, Flag};
use crate::measures::Measure;
use crate::result::Part;

impl Judged {
    /// Takes into account what is in doubt about `measure` in `part`.
    ///
    /// A doubt that leaves no ground, or whose size is larger than the guard band, makes it `not
    /// measured`; any other turns a pass or a fail into a conditional one.
    #[must_use]
    pub fn doubted(self, measure: Measure, part: Part, flags: &[Flag]) -> Self {
        self.weighed(measure, part, flags, true)
    }

    /// The same of a value that follows from `measure` of several captures, such as a difference: what
    /// the size of a doubt does to it is not known.
    #[must_use]
    pub fn doubted_from(self, measure: Measure, part: Part, flags: &[Flag]) -> Self {
        self.weighed(measure, part, flags, false)
    }

    fn weighed(mut self, measure: Measure, part: Part, flags: &[Flag], sized: bool) -> Self {
        let Some(value) = self.value else { return self };
        for flag in flags.iter().filter(|flag| concerns(flag, measure, part)) {
            let blocks = match (flag.code.row().effect, flag.relative_size.filter(|_| sized)) {
                (Effect::Notes, _) => continue,
                (Effect::Blocks, _) => true,
                (Effect::Limits, None) => false,
                (Effect::Limits, Some(size)) => size * value.abs() > self.guard_band.unwrap_or(0.0),
            };
            self.verdict = match self.verdict {
                _ if blocks => Verdict::NotMeasured,
                // Once blocked it stays so.
                Verdict::NotMeasured => Verdict::NotMeasured,
                Verdict::Pass => Verdict::ConditionalPass,
                Verdict::Fail => Verdict::ConditionalFail,
                conditional @ (Verdict::ConditionalPass | Verdict::ConditionalFail) => conditional,
            };
            if !self.in_doubt.contains(&flag.code) {
                self.in_doubt.push(flag.code);
            }
        }
        self
    }
}

/// Whether a flag puts this measure of this part in doubt.
pub(crate) fn concerns(flag: &Flag, measure: Measure, part: Part) -> bool {
    let here = match part.kind() {
        Some(kind) => flag.kinds.is_empty() || flag.kinds.contains(&kind),
        // The whole record and its cycles hold phases of every kind.
        None => true,
    };
    // Whatever is told of a kind hangs on which phases are of it.
    here && (flag.touches(measure) || (part != Part::Whole && flag.touches_phases()))
}
