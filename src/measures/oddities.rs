//! What was seen of a phase that its measures do not tell.

use super::flat::Flat;

/// Facts about a phase that put some of its measures in doubt.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Oddities {
    /// Share of the burst periods that hold a second packet, and the highest one over its main packet.
    pub second_packets: Option<(f64, f64)>,
    /// Height of lower bursts over that of higher ones, where the two come by turns.
    pub alternation: Option<f64>,
    /// Periods without a burst, of so many looked at.
    pub missing: Option<(u64, u64)>,
    /// Silences in output that is continuous otherwise: their number and the longest, s.
    pub silences: Option<(u64, f64)>,
    /// Relative difference of the mean square where it was looked at closely and over all of the
    /// phase, beyond what chance makes of it.
    pub unlike: Option<f64>,
    /// The highest crest over the next lower ones, where it stands alone.
    pub lone_peak: Option<f64>,
    /// Standard deviation of the carrier along the phase, relative, where it moves.
    pub carrier_moves: Option<f64>,
    /// Mean of the leading channel in the silence between bursts, over its peak, where it is not 0.
    pub silent_level: Option<f64>,
    /// Crests of voltage and current that are cut off, where they are.
    pub flat: (Option<Flat>, Option<Flat>),
    /// The largest raw value over the highest smooth crest, where crests are sharper than a carrier's.
    pub sharp: Option<f64>,
}
